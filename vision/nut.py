"""The nut, seen from the side: where the board ends against a bar that stands above it, one step before fret 1.

Along the near side of a fingerboard nothing reaches from its top to its bottom but its own end; a fret's end and tang
are shorter. Behind the end stands a bar a few millimetres wide, of another lightness, then neither board nor fret.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, uniform_filter1d

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array

from .camera import BoardCamera, column_of
from .edge import FLOOR
from .locate import EdgeCurve
from .photo import FloatImage

Mask = NDArray[np.bool_]

# How far the board's end may stand from its place by the comb: seen fret ends give it to 0.3 mm, a board of the usual
# width, assumed where they are not seen, to 1.5 mm. Fret 1 is 20 mm and more away on the shortest scale.
REACH_MM = 1.8
# Nuts are 3 to 6.5 mm thick (common practice, no published source); perspective and soft edges take or add 1 mm.
BAR_MM = (2.2, 8.0)
# Fingerboards are 4 to 7 mm thick (common practice, no published source).
TALL_MM, OUTER_TALL_MM = 4.2, 2.0
TALLER = 1.25  # than any end of a fret in the same picture
PLAIN_MM = 9.0  # side of the board before its end, without another step
MIN_STEP = 0.2  # a logarithm: a fifth of the light
STEP_NOISES = 4.0
NEAR_MM, FAR_MM = (0.2, 0.9), (1.2, 2.0)  # a step this far on either side is no thin line
STEP_MM = 0.1
BELOW = np.arange(-4.5, 11.0, STEP_MM)
SIDE = BELOW >= 0.5  # under the blade, whose face mirrors the frets
MOST_PLACES = 8
TRIED_FRETS = 6


@dataclass(frozen=True, slots=True)
class BoardEnd:
    """An upright step of light on the board's near side.

    Attributes
    ----------
    off_mm
        How far outward of its place by the comb.
    tall_mm
        How far down it reaches.
    width_mm
        Of the bar behind it, 0 when there is none.
    """

    off_mm: float
    tall_mm: float
    width_mm: float


def find_nut(luminance: FloatImage, edge: EdgeCurve, camera: BoardCamera, matched: tuple[int, ...]) -> int | None:
    """Return which place of the comb the nut takes (0 when the numbering is right), None when it is not seen for sure.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge
        Of the straightedge; its direction is the board's.
    camera
        Fitted to the frets found.
    matched
        Numbers of the frets found.
    """
    first = min(matched)
    tallest = max(
        (end.tall_mm for fret in sorted(matched)[:TRIED_FRETS] if (end := board_end(luminance, edge, camera, fret))),
        default=0.0,
    )
    for place in range(first - 1, first - 1 - MOST_PLACES, -1):
        end = board_end(luminance, edge, camera, place)
        if end is not None and end.tall_mm > max(TALL_MM, TALLER * tallest):
            # The first such step outward is where the board ends, whatever it ends at.
            return place if end.width_mm else None
    return None


def board_end(luminance: FloatImage, edge: EdgeCurve, camera: BoardCamera, place: int) -> BoardEnd | None:
    """Return the tallest upright step of light near a place of the comb, None when there is none or it is not in view.

    Parameters
    ----------
    luminance, edge, camera
        As for `find_nut`.
    place
        Number of the fret that would stand there; 0 or below outward of fret 1.
    """
    position = fret_position_mm(np.array([float(place)]), camera.comb.scale_length_mm)
    x_px = float(column_of(camera, position, camera.ends_mm(position))[0])
    u = np.arange(-PLAIN_MM - 3.0, BAR_MM[1] + 5.0, STEP_MM)
    light, seen = _patch(luminance, edge, x_px - camera.comb.direction * u * camera.comb.px_per_mm)
    if not seen[np.abs(u) < REACH_MM + FAR_MM[1]].all():
        return None
    near, far = _steps(light, NEAR_MM), _steps(light, FAR_MM)
    board = (u > -PLAIN_MM) & (u < -REACH_MM - 1.0) & seen
    noise = np.median(np.abs(near[:, board]), axis=1, keepdims=True) * 1.48
    least = np.maximum(MIN_STEP, STEP_NOISES * noise)
    tall = [_tallest(((sign * near > least) & (sign * far > least))[SIDE]) for sign in (1, -1)]
    sign = 1 if tall[0][np.abs(u) < REACH_MM].max() >= tall[1][np.abs(u) < REACH_MM].max() else -1
    height = tall[0] if sign > 0 else tall[1]
    place_mm = np.abs(u) < REACH_MM
    if not height[place_mm].max() > 0:
        return None
    best = np.flatnonzero(place_mm)[int(np.argmax(height[place_mm]))]
    rows = SIDE & (sign * near[:, best] > least[:, 0])
    steep = np.where(place_mm & (height > 0.8 * height[best]), sign * near[rows].mean(axis=0), -np.inf)
    off = float(u[int(np.argmax(steep))])
    return BoardEnd(off, float(height[best]), _bar_mm(u - off, near, seen))


def _bar_mm(behind: Array, near: Array, seen: Mask) -> float:
    """Return the width of a bar that begins at 0: how far behind the next upright step stands, 0 when there is none."""
    outer = np.maximum(*(_tallest(sign * near > MIN_STEP) for sign in (1, -1)))
    there = (behind > BAR_MM[0]) & (behind < BAR_MM[1]) & seen & (outer >= OUTER_TALL_MM)
    if not there.any():
        return 0.0
    return float(behind[int(np.argmax(np.where(there, np.clip(np.abs(near), 0, 0.5).sum(axis=0), -1.0)))])


def _patch(luminance: FloatImage, edge: EdgeCurve, columns: Array) -> tuple[Array, Mask]:
    """Return log light in rows `BELOW` the edge and upright on it, and which of the columns are in view."""
    import cv2

    px_per_mm = abs(columns[1] - columns[0]) / STEP_MM
    below = BELOW[:, None] * px_per_mm
    map_x = columns[None, :] - edge.as_line().slope * below
    map_y = edge.straight_on_y_px(columns)[None, :] + below
    light = cv2.remap(
        luminance, map_x.astype(np.float32), map_y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    seen = (columns > 2) & (columns < luminance.shape[1] - 3)
    return gaussian_filter(np.log(np.maximum(light.astype(np.float64), 0) + FLOOR), (3.0, 0.7)), seen


def _steps(light: Array, window_mm: tuple[float, float]) -> Array:
    """Return by how much the light outward of each place exceeds that inward, between two distances from it."""
    low, high = (round(v / STEP_MM) for v in window_mm)
    mean = uniform_filter1d(light, high - low + 1, axis=1, mode="nearest")
    shift = (low + high) // 2
    return np.asarray(np.roll(mean, -shift, axis=1) - np.roll(mean, shift, axis=1))


def _tallest(there: Mask) -> Array:
    """Return how tall each column's tallest upright run is, in mm, short breaks closed."""
    closed = uniform_filter1d(there.astype(np.float64), 7, axis=0) > 0.5
    run, best = np.zeros(there.shape[1]), np.zeros(there.shape[1])
    for row in closed:
        run = np.where(row, run + 1, 0)
        best = np.maximum(best, run)
    return best * STEP_MM
