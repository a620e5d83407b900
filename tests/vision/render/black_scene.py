"""Scenes with everything black before an even light sheet: the share of a pixel that is covered can be read off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lightgap.neck.profile import Array
from lightgap.vision.render import Blade, Camera, Imaging, Light, Neck, Reference, SceneSettings
from lightgap.vision.render.board import BladeLine, Crowns
from lightgap.vision.render.camera import Pinhole
from lightgap.vision.render.lens import Radiance
from lightgap.vision.render.packed import DIFFUSE, K_GRADX, K_GRADY, K_KIND, KIND, RED, Packed
from lightgap.vision.render.photo import set_up
from lightgap.vision.render.sampling import cast_scene
from lightgap.vision.render.scene import pack_scene

PINHOLE_MM = 1e-6  # an aperture without depth of field


def black_settings(**parts: object) -> SceneSettings:
    """Return a small picture of a flat, bare board, sharp at all depths."""
    base = SceneSettings(
        neck=Neck(board_radius_mm=None, bow_mm=0.0, crown_scatter_mm=0.0, fret_height_mm=8.0),
        blade=Blade(thickness_mm=3.0, chamfer_mm=0.0),
        camera=Camera(
            width_px=260, height_px=150, frame_frets=(7.0, 7.0), aperture_radius_mm=PINHOLE_MM, edge_row_fraction=0.5
        ),
        light=Light(background="card"),
        reference=Reference(kind="none"),
        imaging=Imaging(psf_sigma_px=0.8),
        samples=(2, 2, 2, 64),
    )
    return replace(base, **parts)  # type: ignore[arg-type]


def blackened(scene: Packed) -> Packed:
    """Return the scene with every body perfectly black and the light sheet even."""
    materials, backdrop = scene.materials.copy(), scene.backdrop.copy()
    materials[:, KIND], materials[:, RED:] = DIFFUSE, 0.0
    backdrop[[K_KIND, K_GRADX, K_GRADY]] = -1.0, 0.0, 0.0  # no such pattern
    return scene._replace(materials=materials, backdrop=backdrop)


def cast_black(settings: SceneSettings, *, only_fret: int | None = None) -> tuple[Radiance, Crowns, BladeLine, Pinhole]:
    """Return the light of the blackened scene over the light of the sheet alone, near 0 and 1."""
    rng = np.random.default_rng(4)
    crowns, line, camera = set_up(settings, rng=rng)
    scene = blackened(pack_scene(settings, crowns, line=line, rng=rng))
    if only_fret is not None:
        scene = scene._replace(frets=scene.frets[only_fret - 1 : only_fret])
    light = cast_scene(settings, scene, camera=camera, line=line, seed=11)
    level = float(np.quantile(light.mean[..., 0], 0.98))
    return Radiance(light.mean / level, light.edge_pixels, light.cells / level), crowns, line, camera


def edge_rows(camera: Pinhole, points_mm: Array, columns: Array) -> Array:
    """Return the row of a projected line of points at each column."""
    px = camera.project_px(points_mm)
    order = np.argsort(px[:, 0])
    return np.interp(columns, px[order, 0], px[order, 1])
