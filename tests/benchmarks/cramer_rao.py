"""How near our relief comes to the best that its pixels allow: our error against the Cramér-Rao bound.

    python tests/benchmarks/cramer_rao.py [--framing macro] [--scenes 2] [--noises 6]

Clean scenes: white card behind, no strings, little noise, no sharpening, JPEG at 97 without chroma subsampling. The
noiseless picture in linear light is differentiated by rendering it again, with the same random numbers, with each crown
raised and lowered, and with the other unknowns changed: offset and slope of the straightedge's line, brightness of the
backdrop, of the straightedge and of the frets, blur. With the known noise of each pixel (shot and read noise, and the
rounding to eight bits) that gives the Fisher information, and its inverse the least standard deviation any unbiased
reading of relief over the same chord can have (S. M. Kay, Fundamentals of Statistical Signal Processing, 1993,
chapter 3; from memory). Ours is the rms error of the measured relief over scenes and noises.

Two bounds are printed: one with the shading known but for those brightnesses, one with the brightness of backdrop,
straightedge and fret free in every column of the picture, as for somebody who knows nothing of the light.

What is simpler than the truth: both bounds take camera, outline of the frets and board radius as known and each colour
channel as a reading of its own (we read one luminance), leave out JPEG's loss, and count the pixels in the strip along
the edge only; all but the last two make them smaller than what can really be had. The grain of the rays is the same in
all noises of a scene and counts as our bias. Two renders with different random numbers are multiplied with each other,
so that their grain does not pass for information.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.accuracy import environment, settings_from_inputs, true_relief_mm

from lightgap.neck.errors import Refusal
from lightgap.neck.frets import fret_position_mm
from lightgap.vision.measure import measure_photo
from lightgap.vision.render.board import BladeLine, Crowns
from lightgap.vision.render.camera import Pinhole, place_camera
from lightgap.vision.render.imaging import add_sensor_noise, choose_exposure, develop, encode_jpeg
from lightgap.vision.render.lens import blur_by_lens
from lightgap.vision.render.packed import BLADE, BLUE, CHAMFER, FRET, K_BLUE, K_RED, RED, Packed
from lightgap.vision.render.photo import set_up
from lightgap.vision.render.sampling import cast_scene
from lightgap.vision.render.scene import pack_scene
from lightgap.vision.render.settings import Blade, Camera, Imaging, Light, Neck, Reference, SceneSettings
from lightgap.vision.render.truth import describe_truth

Floats = NDArray[np.float64]
STEP_MM = {"macro": 0.006, "half": 0.012}  # a seventh of a pixel: small against the blur, large against the grain
SHARE = 0.02  # step of a brightness
BLUR_STEP_PX = 0.04
STRIP_MM, FRET_MM, MARGIN_PX = (1.2, 3.2), 3.5, 8
CLIPPED = 0.98
PHOTO_RAYS, FINE_RAYS, COARSE_RAYS = (3, 16, 16, 48), (4, 16, 24, 64), (3, 12, 12, 16)


def clean_settings(framing: str, number: int) -> SceneSettings:
    """Return a small, clean scene: camera and bow drawn from the number."""
    rng = np.random.default_rng(9000 + number)
    close = framing == "macro"
    scale = 25.0 if close else 12.0
    first = float(rng.integers(3, 6)) if close else 0.0
    last = first + 7.0 if close else 9.0
    width = 3000 if close else 3400
    focal_px = width / 36.0 * float(rng.uniform(42.0, 52.0))
    camera = Camera(
        width_px=width, height_px=1050 if close else 560, px_per_mm=scale, distance_mm=focal_px / scale,
        frame_frets=(first, last), elevation_deg=float(rng.uniform(0.2, 1.2)), yaw_deg=float(rng.uniform(-1.5, 1.5)),
        roll_deg=float(rng.uniform(-0.8, 0.8)), edge_row_fraction=0.76 if close else 0.7, aperture_radius_mm=1.2,
    )  # fmt: skip
    return SceneSettings(
        name=f"clean-{framing}-{number}",
        framing=framing,  # type: ignore[arg-type]
        neck=Neck(bow_mm=float(rng.uniform(0.15, 0.35)), fret_roughness=0.15),
        blade=Blade(finish="satin", chamfer_mm=float(rng.uniform(0.10, 0.16))),
        camera=camera,
        light=Light(kind="window", side=int(rng.choice([-1, 1])), background="card"),
        reference=Reference(kind="marker", size_mm=12.0, x_mm=_middle_mm(first, last), above_mm=6.0),
        imaging=Imaging(
            psf_sigma_px=0.8, exposure_mean=0.2, highlight_allowance=0.85, full_well_e=9000.0, read_noise=0.0012,
            jpeg_quality=97, chroma_subsampling="4:4:4",
        ),
        samples=PHOTO_RAYS,
    )  # fmt: skip


def _middle_mm(first: float, last: float) -> float:
    return float(fret_position_mm(np.array([first, last]), Neck().scale_length_mm).mean())


@dataclass(frozen=True, slots=True)
class Window:
    """A part of the picture: columns and rows from the first to before the last."""

    left: int
    right: int
    top: int
    bottom: int

    def cut(self, settings: SceneSettings, *, samples: tuple[int, int, int, int]) -> SceneSettings:
        """Return the settings of a camera that sees this part only, every pixel where it was."""
        c = settings.camera
        width, height = self.right - self.left, self.bottom - self.top
        centre = 0.5 * (c.width_px - 1) + c.principal_offset_px - self.left
        camera = replace(
            c,
            width_px=width,
            height_px=height,
            principal_offset_px=centre - 0.5 * (width - 1),
            edge_row_fraction=(c.edge_row_fraction * c.height_px - self.top) / height,
        )
        return replace(settings, camera=camera, samples=samples)


@dataclass(frozen=True, slots=True)
class Clean:
    """A scene laid out, and the gain of its exposure."""

    settings: SceneSettings
    crowns: Crowns
    line: BladeLine
    camera: Pinhole
    seed: int
    exposure: float

    def packed(self, *, raised: dict[int, float] | None = None, offset_mm: float = 0.0) -> Packed:
        """Return the scene with crowns raised (index to mm) and the straightedge's line lifted."""
        heights = self.crowns.height_mm.copy()
        for index, by_mm in (raised or {}).items():
            heights[index] += by_mm
        line = replace(self.line, intercept_mm=self.line.intercept_mm + offset_mm)
        crowns = replace(self.crowns, height_mm=heights)
        rng = np.random.default_rng(self.seed)
        rng.standard_normal(len(heights))  # what the crowns took
        return pack_scene(self.settings, crowns, line=line, rng=rng)

    def light(
        self, scene: Packed, window: Window, *, rays: tuple[int, int, int, int], seed: int, blur_px: float = 0.0
    ) -> Floats:
        """Return the noiseless linear light on the sensor in a window of the picture, its margin left out."""
        settings = window.cut(self.settings, samples=rays)
        radiance = cast_scene(settings, scene, camera=place_camera(settings), line=self.line, seed=seed)
        light = self.exposure * blur_by_lens(radiance, self.settings.imaging.psf_sigma_px + blur_px)
        return light[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]


def lay_out(settings: SceneSettings, seed: int) -> tuple[Clean, Floats]:
    """Return a scene and the light of its whole picture."""
    rng = np.random.default_rng(seed)
    crowns, line, camera = set_up(settings, rng=rng)
    scene = pack_scene(settings, crowns, line=line, rng=rng)
    radiance = cast_scene(settings, scene, camera=camera, line=line, seed=seed)
    exposure = choose_exposure(radiance.mean, settings.imaging)
    light = exposure * blur_by_lens(radiance, settings.imaging.psf_sigma_px)
    return Clean(settings, crowns, line, camera, seed, exposure), light


def noise_variance(light: Floats, imaging: Imaging) -> Floats:
    """Return the variance of each reading: shot and read noise, and rounding to eight bits; endless where clipped."""
    sensor = np.maximum(light, 0.0) / imaging.full_well_e + imaging.read_noise**2
    x = np.clip(light, 1e-6, 1.0)
    slope = np.where(x <= 0.0031308, 12.92, 1.055 / 2.4 * x ** (1.0 / 2.4 - 1.0))  # coded by linear, IEC 61966-2-1
    rounding = (1.0 / 255.0 / slope) ** 2 / 12.0
    return np.asarray(np.where(light > CLIPPED, np.inf, sensor + rounding))


def fisher(first: list[Floats], second: list[Floats], variance: Floats) -> Floats:
    """Return the information of the parameters from two independent sets of derivatives of the picture."""
    weight = 1.0 / variance
    a = np.stack([d.ravel() for d in first])
    b = np.stack([d.ravel() for d in second])
    product = (a * weight.ravel()) @ b.T
    return np.asarray(0.5 * (product + product.T))


def fisher_free_columns(
    first: list[Floats], second: list[Floats], variance: Floats, *, local: tuple[int, ...]
) -> Floats:
    """Return the information of the other parameters when those in `local` are free in every column of the picture.

    Columns are taken one by one (Schur's complement); that blur mixes neighbours a little is left out.
    """
    weight = 1.0 / variance
    a, b = np.stack(first), np.stack(second)  # parameters, rows, columns, channels
    every = np.einsum("prcs,rcs,qrcs->cpq", a, weight, b, optimize=True)
    every = 0.5 * (every + every.transpose(0, 2, 1))
    free = np.array(local)
    kept = np.setdiff1d(np.arange(len(first)), free)
    own, mixed = every[:, free[:, None], free], every[:, kept[:, None], free]
    # A brightness that a column does not hold has no information and takes none.
    inverse = np.linalg.pinv(own, rcond=1e-6, hermitian=True)
    return np.asarray((every[:, kept[:, None], kept] - mixed @ inverse @ mixed.transpose(0, 2, 1)).sum(axis=0))


def contrast(places_mm: Floats, at: int) -> Floats:
    """Return the weights of the crown heights in the relief at crown `at` over the chord of the outer two."""
    share = (places_mm[at] - places_mm[0]) / (places_mm[-1] - places_mm[0])
    weights = np.zeros(len(places_mm))
    weights[0] += 1.0 - share
    weights[-1] += share
    weights[at] -= 1.0
    return weights


def bound_mm(information: Floats, weights: Floats) -> float:
    """Return the least standard deviation of the weighted sum of the first parameters, the others unknown too."""
    inverse = np.linalg.inv(information)
    n = len(weights)
    return float(np.sqrt(weights @ inverse[:n, :n] @ weights))


def central(make: Callable[[float], Floats], step: float) -> Floats:
    """Return the derivative by two-sided difference."""
    return np.asarray((make(step) - make(-step)) / (2.0 * step))


def brighter(scene: Packed, part: str, share: float) -> Packed:
    """Return the scene with backdrop, straightedge or frets brighter by a share."""
    if part == "backdrop":
        backdrop = scene.backdrop.copy()
        backdrop[K_RED : K_BLUE + 1] *= 1.0 + share
        return scene._replace(backdrop=backdrop)
    materials = scene.materials.copy()
    rows = [FRET] if part == "frets" else [BLADE, CHAMFER]
    materials[rows, RED : BLUE + 1] *= 1.0 + share
    return scene._replace(materials=materials)


def strip_window(clean: Clean) -> Window:
    """Return the rows along the straightedge's lower edge that are counted, over the whole width."""
    c = clean.settings.camera
    x = np.linspace(clean.line.x_left_mm, clean.line.x_right_mm, 50)
    px = clean.camera.project_px(np.column_stack([x, clean.line.height_mm(x), np.zeros(50)]))
    rows = px[(px[:, 0] > 0) & (px[:, 0] < c.width_px), 1]
    top = int(rows.min() - STRIP_MM[0] * c.px_per_mm) - MARGIN_PX
    return Window(0, c.width_px, max(top, 0), min(int(rows.max() + STRIP_MM[1] * c.px_per_mm) + MARGIN_PX, c.height_px))


def derivatives(clean: Clean, frets: list[int], *, seed: int) -> list[Floats]:
    """Return the derivatives of the strip by each crown's height and by the other unknowns, per mm, per one, per px."""
    strip = strip_window(clean)
    c = clean.settings.camera
    step = STEP_MM[clean.settings.framing]
    shape = (strip.bottom - strip.top - 2 * MARGIN_PX, c.width_px - 2 * MARGIN_PX, 3)
    every = []
    for fret in frets:
        index = clean.crowns.frets.index(fret)
        apex = np.array([[clean.crowns.x_mm[index], clean.crowns.height_mm[index], 0.0]])
        column, reach = float(clean.camera.project_px(apex)[0, 0]), FRET_MM * c.px_per_mm
        left, right = max(int(column - reach), 0), min(int(column + reach), c.width_px)
        near = Window(left, right, strip.top, strip.bottom)
        local = central(
            lambda h, i=index, w=near: clean.light(clean.packed(raised={i: h}), w, rays=FINE_RAYS, seed=seed), step
        )
        whole = np.zeros(shape)
        whole[:, left : right - 2 * MARGIN_PX] = local
        every.append(whole)
    offset = central(lambda h: clean.light(clean.packed(offset_mm=h), strip, rays=FINE_RAYS, seed=seed), step)
    columns = (np.arange(shape[1]) - 0.5 * shape[1])[None, :, None] / c.px_per_mm
    every += [offset, offset * columns]  # a slope lifts each column by its distance from the middle
    base = clean.packed()
    for part in ("backdrop", "straightedge", "frets"):
        every.append(
            central(lambda s, p=part: clean.light(brighter(base, p, s), strip, rays=COARSE_RAYS, seed=seed), SHARE)
        )
    every.append(central(lambda b: clean.light(base, strip, rays=COARSE_RAYS, seed=seed, blur_px=b), BLUR_STEP_PX))
    return every


def measured_errors(
    clean: Clean, light: Floats, *, noises: int, chord: tuple[int, int] | None
) -> tuple[list[float], list[float], tuple[int, int] | None, list[str]]:
    """Return relief errors and stated u of so many photos of one scene, new noise each; the chord; refusals.

    The first fret in view is told, as for any close-up.
    """
    imaging, errors, stated, refused = clean.settings.imaging, [], [], []
    sidecar = describe_truth(
        clean.settings, clean.crowns, line=clean.line, camera=clean.camera, exposure=clean.exposure
    )
    told = replace(
        settings_from_inputs(sidecar["inputs"]), first_fret=sidecar["inputs"]["first_visible_fret"], nut="left"
    )
    for n in range(noises):
        level = add_sensor_noise(light, imaging, rng=np.random.default_rng([clean.seed, n]))
        focal_35mm = round(36.0 * clean.camera.focal_px / clean.settings.camera.width_px)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "photo.jpg"
            path.write_bytes(encode_jpeg(develop(level, imaging), imaging, focal_35mm=focal_35mm))
            try:
                result = measure_photo(path, replace(told, chord=chord))
            except Refusal as refusal:
                refused.append(refusal.code)
                continue
        chord = result.relief.chord
        errors.append(result.relief.relief_mm - true_relief_mm(sidecar, chord))
        stated.append(result.relief.U_mm / result.relief.k)
    return errors, stated, chord, refused


def bounds_of(clean: Clean, light: Floats, chord: tuple[int, int]) -> tuple[float, float]:
    """Return the bounds of the relief's standard deviation over a chord, shading known and shading free, mm."""
    frets = [f for f in clean.crowns.frets if chord[0] <= f <= chord[1]]
    strip = strip_window(clean)
    m = MARGIN_PX
    variance = noise_variance(light[strip.top + m : strip.bottom - m, m:-m], clean.settings.imaging)
    first, second = derivatives(clean, frets, seed=11), derivatives(clean, frets, seed=12)
    places = clean.crowns.x_mm[[clean.crowns.frets.index(f) for f in frets]]
    heights = clean.crowns.height_mm[[clean.crowns.frets.index(f) for f in frets]]
    below = np.interp(places, places[[0, -1]], heights[[0, -1]]) - heights
    weights = contrast(places, int(np.argmax(np.abs(below))))
    brightness = tuple(len(frets) + 2 + i for i in range(3))
    free = fisher_free_columns(first, second, variance, local=brightness)
    return bound_mm(fisher(first, second, variance), weights), bound_mm(free, weights)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--framing", choices=["macro", "half"], default="macro")
    parser.add_argument("--scenes", type=int, default=2)
    parser.add_argument("--noises", type=int, default=6, help="photos of each scene, with new noise")
    options = parser.parse_args()
    print("\n".join(f"{name}: {value}" for name, value in environment().items()))
    print(f"\nmicrons{'':9s}{'chord':>8s} {'bound':>8s} {'free':>8s} {'bias':>8s} {'scatter':>8s} {'rms':>8s} "
          f"{'our u':>8s} {'rms/free':>9s} {'scatter/free':>13s}")  # fmt: skip
    for number in range(options.scenes):
        clean, light = lay_out(clean_settings(options.framing, number), 100 + number)
        errors, stated, chord, refused = measured_errors(clean, light, noises=options.noises, chord=None)
        name, said = clean.settings.name, f"   refused: {', '.join(refused)}" if refused else ""
        if chord is None or len(errors) < 2:
            print(f"{name:16s} too few measured{said}", flush=True)
            continue
        known, free = bounds_of(clean, light, chord)
        bias, scatter, rms = np.mean(errors), np.std(errors, ddof=1), np.sqrt(np.mean(np.square(errors)))
        print(
            f"{name:16s}{chord[0]:4d}-{chord[1]:<3d} "
            + " ".join(f"{1000.0 * v:8.3f}" for v in (known, free, bias, scatter, rms, np.median(stated)))
            + f" {rms / free:9.1f} {scatter / free:13.1f}{said}",
            flush=True,
        )


if __name__ == "__main__":
    main()
