"""Where the straightedge ends in the picture: strings and the board's border may go on in the line of its edge."""

from __future__ import annotations

import math

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from lightgap.neck.profile import Array

from .edge import FLOOR, sample_strip
from .photo import FloatImage

COLUMN_MM = 0.1
# Bands of the face above the edge: clear of chamfer and mirrored crowns, within the lowest of usual straightedges.
BANDS_MM, BAND_MM = np.arange(1.0, 9.0, 1.5), 1.5
BESIDE_MM, NEAR_MM, FAR_MM = 0.3, 0.8, 12.0  # left out at either side of an end, looked at beside that, and inside
# In the logarithm of light, and times what nine of ten columns of the face show of its grain and of what it mirrors.
LEAST_STEP, USUAL_STEPS = 0.08, 2.5
SHARE = 0.8  # of the bands in which it steps: a mirrored fret fades on the way up
STAYS, LASTS_MM = 0.8, 25.0  # of so much beyond an end, so much is not face
AGAIN, BACK_MM = (
    0.35,
    3.0,
)  # nearer to the face's light than that, in shares of the step, and so much of it: the face is back


def find_face_ends(luminance: FloatImage, x_px: Array, y_px: Array, px_per_mm: float) -> tuple[float, float]:
    """Return the columns between which the blade's face stands above its edge; infinite where no end is seen.

    The face's light changes at once where the blade ends, at nearly every height, and does not come back.

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
    levels = face_levels(luminance, x, np.interp(x, x_px, y_px), px_per_mm, over_mm=BANDS_MM)
    levels = levels[np.isfinite(levels).mean(axis=1) > SHARE]
    if not len(levels):
        return -math.inf, math.inf
    half, face = len(x) // 2, np.nanmedian(levels, axis=1)
    low, high = _end(levels[:, :half][:, ::-1], face), _end(levels[:, half:], face)
    return -math.inf if low is None else float(x[half - 1 - low]), math.inf if high is None else float(x[half + high])


def face_levels(luminance: FloatImage, x_px: Array, y_px: Array, px_per_mm: float, *, over_mm: Array) -> Array:
    """Return the logarithm of light (bands, n) of the face in bands over its edge; NaN out of view.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    x_px, y_px
        (n,) places along the edge.
    px_per_mm
        Scale there.
    over_mm
        (bands,) where each band begins, straight up from the edge, which is level only nearly.
    """
    slope = float(np.polyfit(x_px - x_px.mean(), y_px, 1)[0])
    levels = np.full((len(over_mm), len(x_px)), np.nan)
    for level, over in zip(levels, over_mm, strict=True):
        lean = slope * (over + BAND_MM / 2) * px_per_mm
        x, y = x_px + lean, y_px + slope * lean
        seen = (x >= 0) & (x <= luminance.shape[1] - 1) & (y - (over + BAND_MM) * px_per_mm >= 0)
        if seen.any():
            below = np.arange(-over - BAND_MM, -over, 0.1)
            strip = sample_strip(luminance, y[seen], x[seen], px_per_mm=px_per_mm, below_mm=below)
            level[seen] = np.median(np.log(np.maximum(strip.light, 0) + FLOOR), axis=0)
    return levels


def face_steps(levels: Array) -> tuple[Array, int]:
    """Return by how much each band steps (bands, m) between medians close by, and the column of the first of them."""
    near, beside = round(NEAR_MM / COLUMN_MM), round(BESIDE_MM / COLUMN_MM)
    first = near + beside
    if levels.shape[1] < 2 * first + 1:
        return np.empty((len(levels), 0)), first
    medians = np.median(sliding_window_view(levels, near, axis=1), axis=2)
    apart = near + 2 * beside
    return np.asarray(np.abs(medians[:, apart:] - medians[:, :-apart])), first


def _end(levels: Array, face: Array) -> int | None:
    """Return the last column of the face, going from the middle to higher columns; None when it does not end.

    `face` (bands,) is its usual light. An object that leans on the face is not its end: beyond it the face comes back.
    """
    steps, first = face_steps(levels)
    if not steps.size:
        return None
    known, steps = np.isfinite(steps), np.nan_to_num(steps)
    usual = np.quantile(steps[:, : max(1, steps.shape[1] // 2)], 0.9, axis=1)
    sudden = (steps > np.maximum(LEAST_STEP, USUAL_STEPS * usual)[:, None]).mean(axis=0) >= SHARE
    total = steps.sum(axis=0)
    for i in np.flatnonzero(sudden)[::-1]:
        if total[i] >= total[max(0, i - 4) : i + 5].max():
            bands = known[:, i]
            if _is_last(levels[bands], face[bands], at=int(i) + first):
                return int(i) + first
    return None


def _is_last(levels: Array, face: Array, *, at: int) -> bool:
    """Tell whether the face reaches up to a column, and nowhere beyond it."""
    beside, near, far, lasts, back = (round(v / COLUMN_MM) for v in (BESIDE_MM, NEAR_MM, FAR_MM, LASTS_MM, BACK_MM))
    inside = np.nanmedian(levels[:, max(0, at - beside - far) : at - beside], axis=1)
    beyond = levels[:, at + beside :]
    outside = np.nanmedian(beyond[:, :near], axis=1)
    step = outside - inside
    clear = (np.abs(step) > LEAST_STEP / 2) & (np.abs(outside - face) > np.abs(inside - face))
    if clear.mean() < SHARE:
        return False
    beyond, inside, step = beyond[clear], inside[clear, None], step[clear, None]
    away = np.where(np.isfinite(beyond), (beyond - inside) / step, np.nan)
    again = (np.abs(away) < AGAIN).mean(axis=0) >= SHARE
    return float(np.nanmean(away[:, :lasts] > 0.5)) > STAYS and int(again.sum()) < back
