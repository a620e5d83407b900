"""One photo with known truth, from settings to file."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from lightgap.vision.types import Measurement

from .board import BladeLine, Crowns, lay_blade, make_crowns
from .camera import Pinhole, place_camera
from .compiled import require_compiler
from .imaging import Bytes, add_sensor_noise, choose_exposure, develop, encode_jpeg
from .lens import blur_by_lens
from .sampling import cast_scene
from .settings import SceneSettings
from .truth import describe_truth, measure_truth


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


def render_photo(
    settings: SceneSettings, *, rng: np.random.Generator, grain: np.random.Generator | None = None
) -> RenderedPhoto:
    """Make a photo of a straightedge on frets, and its truth.

    Parameters
    ----------
    settings
        The whole scene.
    rng
        Source of every random number: crown scatter, clutter, rays and noise. The same state gives the same photo.
    grain
        Source of rays and noise instead: another photo of the same scene.

    Raises
    ------
    InputError
        When the compiler of the ray caster is not installed.
    """
    require_compiler()
    from .scene import pack_scene

    crowns, line, camera = set_up(settings, rng=rng)
    scene = pack_scene(settings, crowns, line=line, rng=rng)
    grain = rng if grain is None else grain
    radiance = cast_scene(settings, scene, camera=camera, line=line, seed=int(grain.integers(1 << 30)))
    exposure = choose_exposure(radiance.mean, settings.imaging)
    # Eight bits come out: single precision is plenty from here on.
    light = (exposure * blur_by_lens(radiance, settings.imaging.psf_sigma_px)).astype(np.float32)
    level = add_sensor_noise(light, settings.imaging, rng=grain)
    image = develop(level, settings.imaging)
    focal_35mm = round(36.0 * camera.focal_px / settings.camera.width_px)
    jpeg = encode_jpeg(image, settings.imaging, focal_35mm=focal_35mm)
    truth = measure_truth(settings, crowns, line=line, camera=camera, sha256=hashlib.sha256(jpeg).hexdigest())
    sidecar = describe_truth(settings, crowns, line=line, camera=camera, exposure=exposure)
    return RenderedPhoto(image=image, jpeg=jpeg, truth=truth, sidecar=sidecar)
