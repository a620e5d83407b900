"""One photo with known truth, from settings to file."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from lightgap.neck.profile import Array
from lightgap.vision.types import Measurement

from .board import BladeLine, Crowns, lay_blade, make_crowns
from .camera import Pinhole, place_camera
from .compiled import require_compiler
from .imaging import Bytes, add_sensor_noise, choose_exposure, develop, encode_jpeg
from .lens import CELLS, Radiance, blur_by_lens
from .packed import CHAMFER, FRET, MIXED, NOTHING, STRING, Packed
from .settings import SceneSettings
from .truth import describe_truth, measure_truth

BAND_MM = (1.5, 2.5)  # above and below the straightedge's lower edge: sampled as finely as metal
EDGE_STEP = 0.06  # step in the backdrop (root of light, relative) from which a pixel gets the fine samples


@dataclass(frozen=True, slots=True)
class RenderedPhoto:
    """A photo and the truth about it.

    Attributes
    ----------
    image
        (height, width, 3) upright 8-bit picture before JPEG coding.
    jpeg
        The file.
    truth
        What a perfect measurement would return, uncertainties zero.
    sidecar
        The truth as a JSON document, with camera, inputs and settings.
    """

    image: Bytes = field(repr=False)
    jpeg: bytes = field(repr=False)
    truth: Measurement
    sidecar: dict[str, Any] = field(repr=False)


def lens_vector(camera: Pinhole) -> Array:
    """Return the camera as the ray caster reads it."""
    return np.array(
        [camera.focal_px, camera.cx_px, camera.cy_px, camera.k1, *camera.centre_mm, *camera.forward, *camera.right,
         *camera.up, camera.focus_distance_mm, camera.aperture_radius_mm, camera.x_sign]
    )  # fmt: skip


def cast_scene(settings: SceneSettings, scene: Packed, *, camera: Pinhole, line: BladeLine, seed: int) -> Radiance:
    """Return the radiance: few rays on the backdrop, more on bodies, more near the straightedge's
    lower edge, many, cell by cell, where edges are.

    Edge pixels keep nothing of the rays that chose them, so choosing leaves no bias.
    """
    from .caster import cast_cells, cast_pixels

    c = settings.camera
    shape = (c.height_px, c.width_px)
    mean, met = np.zeros((shape[0] * shape[1], 3)), np.zeros(shape, dtype=np.int64)
    few, more, metal, many = settings.samples
    vector = lens_vector(camera)

    def cast(chosen: NDArray[np.int64], samples: int, done: int) -> None:
        if samples <= 0:
            return
        out, first = np.zeros((len(chosen), 3)), np.zeros(len(chosen), dtype=np.int64)
        cast_pixels(chosen, c.width_px, samples, done, seed, vector, scene, out, first)
        mean[chosen] = (samples * out + done * mean[chosen]) / (samples + done)
        met.reshape(-1)[chosen] = first

    cast(np.arange(mean.shape[0]), few, 0)
    edges = find_edges(met, np.sqrt(mean.sum(axis=1)).reshape(shape))
    bright = np.isin(met, (FRET, CHAMFER, STRING)) | ((met != NOTHING) & edge_band(settings, line, camera=camera))
    cast(np.flatnonzero((met != NOTHING) & ~edges & ~bright), more - few, few)
    cast(np.flatnonzero(bright & ~edges), metal - few, few)
    chosen = np.flatnonzero(edges)
    cells = np.zeros((len(chosen), CELLS, CELLS, 3))
    cast_cells(chosen, c.width_px, max(1, many // CELLS**2), seed + 1, vector, scene, cells)
    mean[chosen] = cells.mean(axis=(1, 2))
    return Radiance(mean.reshape(*shape, 3), chosen, cells)


def edge_band(settings: SceneSettings, line: BladeLine, *, camera: Pinhole) -> NDArray[np.bool_]:
    """Return the pixels close to the straightedge's lower edge."""
    c = settings.camera
    x = np.linspace(line.x_left_mm, line.x_right_mm, 50)
    edge = camera.project_px(np.column_stack([x, line.height_mm(x), line.z_mm(x)]))
    order = np.argsort(edge[:, 0])
    row = np.interp(np.arange(c.width_px), edge[order, 0], edge[order, 1])
    below = np.arange(c.height_px)[:, None] - row
    return np.asarray((below > -BAND_MM[0] * c.px_per_mm) & (below < BAND_MM[1] * c.px_per_mm))


def find_edges(met: NDArray[np.int64], tone: Array) -> NDArray[np.bool_]:
    """Return the pixels where another material begins, or where the backdrop steps in brightness."""
    edges = met == MIXED
    for axis in (0, 1):
        n = met.shape[axis]
        this, before = np.take(met, range(1, n), axis=axis), np.take(met, range(n - 1), axis=axis)
        step = (this != before) | ((this == NOTHING) & (_relative_step(tone, axis) > EDGE_STEP))
        if axis == 0:
            edges[1:] |= step
        else:
            edges[:, 1:] |= step
    return np.asarray(binary_dilation(edges))


def _relative_step(tone: Array, axis: int) -> Array:
    step = np.abs(np.diff(tone, axis=axis))
    return np.asarray(step / (0.05 + np.take(tone, range(1, tone.shape[axis]), axis=axis)))


def set_up(settings: SceneSettings, *, rng: np.random.Generator) -> tuple[Crowns, BladeLine, Pinhole]:
    """Return crowns, straightedge line and camera of the settings."""
    crowns = make_crowns(settings.neck, rng=rng)
    line = lay_blade(settings.neck, settings.blade, crowns=crowns)
    middle = 0.5 * (line.x_left_mm + line.x_right_mm)
    outer = settings.blade.place == "outer"
    camera = place_camera(
        settings,
        aim_y_mm=float(line.height_mm(middle)) if outer else 0.0,
        aim_z_mm=float(line.z_mm(middle)) if outer else 0.0,
    )
    return crowns, line, camera


def render_photo(settings: SceneSettings, *, rng: np.random.Generator) -> RenderedPhoto:
    """Make a photo of a straightedge on frets, and its truth.

    Parameters
    ----------
    settings
        The whole scene.
    rng
        Source of every random number: crown scatter, clutter, rays and noise. The same state gives the same photo.

    Raises
    ------
    InputError
        When the compiler of the ray caster is not installed.
    """
    require_compiler()
    from .scene import pack_scene

    crowns, line, camera = set_up(settings, rng=rng)
    scene = pack_scene(settings, crowns, line=line, rng=rng)
    radiance = cast_scene(settings, scene, camera=camera, line=line, seed=int(rng.integers(1 << 30)))
    exposure = choose_exposure(radiance.mean, settings.imaging)
    light = exposure * blur_by_lens(radiance, settings.imaging.psf_sigma_px)
    level = add_sensor_noise(light, settings.imaging, rng=rng)
    image = develop(level, settings.imaging)
    focal_35mm = round(36.0 * camera.focal_px / settings.camera.width_px)
    jpeg = encode_jpeg(image, settings.imaging, focal_35mm=focal_35mm)
    truth = measure_truth(settings, crowns, line=line, camera=camera, sha256=hashlib.sha256(jpeg).hexdigest())
    sidecar = describe_truth(settings, crowns, line=line, camera=camera, exposure=exposure)
    return RenderedPhoto(image=image, jpeg=jpeg, truth=truth, sidecar=sidecar)
