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
from .imaging import Bytes, add_sensor_noise, blur_by_lens, choose_exposure, develop, encode_jpeg
from .packed import MIXED, NOTHING, Packed
from .settings import SceneSettings
from .truth import describe_truth, measure_truth

EDGE_STEP = 0.06  # step in the backdrop (root of light, relative) from which a pixel gets the fine samples
BAND_MM = (1.0, 4.5)  # above and below the straightedge's lower edge: always sampled finely


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


def edge_band(settings: SceneSettings, line: BladeLine, camera: Pinhole) -> Array:
    """Return the mask of the band along the straightedge's lower edge."""
    c = settings.camera
    x = np.linspace(line.x_left_mm, line.x_right_mm, 50)
    edge = camera.project_px(np.column_stack([x, line.height_mm(x), line.z_mm(x)]))
    order = np.argsort(edge[:, 0])
    columns = np.arange(c.width_px)
    row = np.interp(columns, edge[order, 0], edge[order, 1])
    rows = np.arange(c.height_px)[:, None]
    inside = (rows > row - BAND_MM[0] * c.px_per_mm) & (rows < row + BAND_MM[1] * c.px_per_mm)
    return np.asarray(inside & (columns > edge[order[0], 0] - 20) & (columns < edge[order[-1], 0] + 20))


def cast_scene(settings: SceneSettings, scene: Packed, camera: Pinhole, line: BladeLine, *, seed: int) -> Array:
    """Return the (height, width, 3) radiance: few rays on the backdrop, more on bodies, many where edges are.

    Pixels sampled again keep nothing of the rays that chose them, so choosing leaves no bias.
    """
    from .caster import cast_pixels

    c = settings.camera
    shape = (c.height_px, c.width_px)
    radiance, met = np.zeros((shape[0] * shape[1], 3)), np.zeros(shape, dtype=np.int64)
    vector = lens_vector(camera)

    def cast(chosen: NDArray[np.int64], samples: int, number: int) -> None:
        out, first = np.zeros((len(chosen), 3)), np.zeros(len(chosen), dtype=np.int64)
        cast_pixels(chosen, c.width_px, samples, seed + number, vector, scene, out, first)
        radiance[chosen], met.reshape(-1)[chosen] = out, first

    cast(np.arange(radiance.shape[0]), settings.samples[0], 0)
    tone = np.sqrt(radiance.sum(axis=1)).reshape(shape)
    edges = met == MIXED
    edges[:, 1:] |= (met[:, 1:] != met[:, :-1]) | ((met[:, 1:] == NOTHING) & (_relative_step(tone, 1) > EDGE_STEP))
    edges[1:] |= (met[1:] != met[:-1]) | ((met[1:] == NOTHING) & (_relative_step(tone, 0) > EDGE_STEP))
    edges = binary_dilation(edges) | edge_band(settings, line, camera)
    cast(np.flatnonzero((met != NOTHING) & ~edges), settings.samples[1], 1)
    cast(np.flatnonzero(edges), settings.samples[2], 2)
    return radiance.reshape(*shape, 3)


def _relative_step(tone: Array, axis: int) -> Array:
    step = np.abs(np.diff(tone, axis=axis))
    return np.asarray(step / (0.05 + np.take(tone, range(1, tone.shape[axis]), axis=axis)))


def set_up(settings: SceneSettings, *, rng: np.random.Generator) -> tuple[Crowns, BladeLine, Pinhole]:
    """Return crowns, straightedge line and camera of the settings."""
    crowns = make_crowns(settings.neck, rng=rng)
    line = lay_blade(settings.neck, settings.blade, crowns)
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
    scene = pack_scene(settings, crowns, line, rng=rng)
    radiance = cast_scene(settings, scene, camera, line, seed=int(rng.integers(1 << 30)))
    exposure = choose_exposure(radiance, settings.imaging)
    level = add_sensor_noise(blur_by_lens(exposure * radiance, settings.imaging), settings.imaging, rng=rng)
    image = develop(level, settings.imaging)
    focal_35mm = round(36.0 * camera.focal_px / settings.camera.width_px)
    jpeg = encode_jpeg(image, settings.imaging, focal_35mm=focal_35mm)
    truth = measure_truth(settings, crowns, line, camera, sha256=hashlib.sha256(jpeg).hexdigest())
    sidecar = describe_truth(settings, crowns, line, camera, exposure=exposure)
    return RenderedPhoto(image=image, jpeg=jpeg, truth=truth, sidecar=sidecar)
