"""Where the rays go: many where the measurement is made and where edges are, few on even parts far from both."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from lightgap.neck.profile import Array

from .board import BladeLine
from .camera import Pinhole
from .lens import CELLS, Radiance
from .packed import BEHIND, CHAMFER, FRET, MIXED, STRING, Packed
from .settings import SceneSettings

STRIP_MM = (1.8, 3.0)  # above and below the straightedge's lower edge: every pixel gets rays of its own
# The grain of few rays on bodies is evened out so far along the row, at least so many pixels: in the strip, elsewhere.
NEAR_MM, NEAR_PX = 0.12, 1
FAR_MM, FAR_PX = 0.4, 4
LONE_LIMIT = 2.5  # elsewhere a pixel counts for so many times its neighbours' mean at most
EVEN_STEP = 0.05  # four pixels behind that differ by less (root of light, relative) stand for the one between them


def lens_vector(camera: Pinhole) -> Array:
    """Return the camera as the ray caster reads it."""
    return np.array(
        [camera.focal_px, camera.cx_px, camera.cy_px, camera.k1, *camera.centre_mm, *camera.forward, *camera.right,
         *camera.up, camera.focus_distance_mm, camera.aperture_radius_mm, camera.x_sign]
    )  # fmt: skip


def cast_scene(settings: SceneSettings, scene: Packed, *, camera: Pinhole, line: BladeLine, seed: int) -> Radiance:
    """Return the radiance, from as many rays as `settings.samples` says; edges are known cell by cell.

    Edge pixels keep nothing of the rays that chose them, so choosing leaves no bias.
    """
    from .caster import cast_cells, cast_pixels, fill_between, smooth_rows

    c = settings.camera
    shape = (c.height_px, c.width_px)
    mean, met = np.zeros((*shape, 3)), np.full(shape, MIXED, dtype=np.int64)
    few, more, metal, many = settings.samples
    vector = lens_vector(camera)

    def cast(where: NDArray[np.bool_], samples: int, *, done: int = 0, row_rate: int = 0) -> None:
        chosen = np.flatnonzero(where)
        if samples > 0 and len(chosen):
            flat = mean.reshape(-1, 3), met.reshape(-1)
            cast_pixels(chosen, c.width_px, samples, done, seed, vector, scene, *flat, row_rate)

    strip = edge_zone(settings, line, camera=camera)
    cast(strip, few, row_rate=2 * few)
    every_second = np.indices(shape).sum(axis=0) % 2 == 1
    cast(~strip & ~every_second, 1, row_rate=1)
    between = ~strip & every_second
    fill_between(between, EVEN_STEP, mean, met)
    cast(between, 1, row_rate=1)
    edges = find_edges(met)
    bright = np.isin(met, (FRET, CHAMFER, STRING)) & ~edges
    plain = (met < BEHIND) & ~edges & ~bright
    near, far = max(NEAR_PX, round(NEAR_MM * c.px_per_mm)), max(FAR_PX, round(FAR_MM * c.px_per_mm))
    cast(bright & strip, metal - few, done=few)
    cast(bright & ~strip, metal)
    own = -(-more // (2 * near + 1))
    cast(plain & strip, own - few, done=few, row_rate=2 * own)
    smooth_rows(plain & strip, met, near, np.inf, mean)
    smooth_rows(plain & ~strip, met, far, LONE_LIMIT, mean)
    chosen = np.flatnonzero(edges)
    cells = np.zeros((len(chosen), CELLS, CELLS, 3))
    fine = strip | binary_dilation(np.isin(met, (FRET, STRING)), iterations=2)
    rounds = np.where(fine.reshape(-1)[chosen], many, many // 2) // CELLS**2
    cast_cells(chosen, c.width_px, np.maximum(rounds, 1), seed + 1, vector, scene, cells)
    mean.reshape(-1, 3)[chosen] = cells.mean(axis=(1, 2))
    return Radiance(mean, chosen, cells)


def edge_zone(settings: SceneSettings, line: BladeLine, *, camera: Pinhole) -> NDArray[np.bool_]:
    """Return the pixels close to the straightedge's lower edge."""
    c = settings.camera
    x = np.linspace(line.x_left_mm, line.x_right_mm, 50)
    edge = camera.project_px(np.column_stack([x, line.height_mm(x), line.z_mm(x)]))
    order = np.argsort(edge[:, 0])
    row = np.interp(np.arange(c.width_px), edge[order, 0], edge[order, 1])
    below = np.arange(c.height_px)[:, None] - row
    return np.asarray((below > -STRIP_MM[0] * c.px_per_mm) & (below < STRIP_MM[1] * c.px_per_mm))


def find_edges(met: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return the pixels where another material, print or thing begins, and those next to them."""
    edges = met == MIXED
    edges[1:] |= met[1:] != met[:-1]
    edges[:, 1:] |= met[:, 1:] != met[:, :-1]
    return np.asarray(binary_dilation(edges))
