"""Where the straightedge ends in the picture: strings and the board's border may go on in the line of its edge."""

from __future__ import annotations

import math

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .edge import FLOOR, sample_strip
from .photo import FloatImage

COLUMN_MM = 0.1
# Two bands of the face above the edge: clear of chamfer and mirrored crowns, within the lowest of straightedges.
BANDS_MM = ((-2.4, -1.0), (-5.0, -3.0))
BESIDE_MM, NEAR_MM, LEVEL_MM = 0.3, 1.0, 4.0  # left out at either side of an end, and looked at beyond that
# A logarithm of light. A face's own shade changes by less within a few millimetres; a fainter end is not told.
END_STEP = 0.35
SUDDEN = 0.7  # share of the step that stands between near levels; a mirrored fret fades over more
STAYS = 0.95  # of what lies beyond an end is not face


def find_face_ends(luminance: FloatImage, x_px: Array, y_px: Array, px_per_mm: float) -> tuple[float, float]:
    """Return the columns between which the blade's face stands above its edge; infinite where no end is seen.

    The face's light changes at once where the blade ends, at every height, and does not come back.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    x_px, y_px
        (n,) places along the edge, in order of columns.
    px_per_mm
        Scale there.
    """
    x = np.arange(x_px[0], x_px[-1], COLUMN_MM * px_per_mm)
    y = np.interp(x, x_px, y_px)
    levels = [_level(luminance, x, y, px_per_mm, band) for band in BANDS_MM]
    low, high = _end([level[::-1] for level in levels]), _end(levels)
    return -math.inf if low is None else float(x[len(x) - 1 - low]), math.inf if high is None else float(x[high])


def _level(luminance: FloatImage, x: Array, y: Array, px_per_mm: float, band_mm: tuple[float, float]) -> Array:
    strip = sample_strip(luminance, y, x, px_per_mm=px_per_mm, below_mm=np.arange(*band_mm, 0.1))
    return np.asarray(np.median(np.log(np.maximum(strip.light, 0) + FLOOR), axis=0), dtype=np.float64)


def _end(levels: list[Array]) -> int | None:
    """Return the last column of the face, going from the middle to higher columns; None when it does not end."""
    beside, near, reach = (round(v / COLUMN_MM) for v in (BESIDE_MM, NEAR_MM, LEVEL_MM))
    count = len(levels[0])
    columns = np.arange(max(count // 2, beside + reach), count - beside - near)
    if not len(columns):
        return None
    at_once = [_near_step(level, columns, beside=beside, near=near) for level in levels]
    columns = columns[np.min(at_once, axis=0) > SUDDEN * END_STEP]
    steps = [min(_step(level, i, beside=beside, near=near, reach=reach) for level in levels) for i in columns]
    return int(columns[int(np.argmax(steps))]) if steps and max(steps) > 0 else None


def _near_step(level: Array, columns: NDArray[np.intp], *, beside: int, near: int) -> Array:
    """Return the size of the step of light at each column, from medians close by."""
    medians = np.median(sliding_window_view(level, near), axis=1)
    return np.asarray(np.abs(medians[columns + beside] - medians[columns - beside - near]))


def _step(level: Array, i: int, *, beside: int, near: int, reach: int) -> float:
    """Return the size of a sudden, lasting step of light at a column, 0 when it is neither."""
    inside, outside = level[i - beside - reach : i - beside], level[i + beside : i + beside + reach]
    step = float(np.median(outside) - np.median(inside))
    at_once = float(np.median(outside[:near]) - np.median(inside[-near:]))
    if abs(step) < END_STEP or at_once / step < SUDDEN:
        return 0.0
    away = (level[i + beside :] - np.median(inside)) / step > 0.5
    return abs(step) if away.mean() > STAYS else 0.0
