"""Strings before the straightedge: thin lines on its face that run nearly along the edge from end to end."""

from __future__ import annotations

import numpy as np

from lightgap.neck.profile import Array

from .edge import FLOOR, sample_strip
from .locate import EdgeCurve
from .photo import FloatImage

# Strings stand 0.3 to 5 mm above the crowns at the frets (action, and the high strings of a bass; common practice, no
# published source); lower than the edge's own rounding the face is not seen.
FACE_MM = (-7.0, -0.1)
ROW_MM, BLOCK_MM = 0.06, 1.5  # averaged over a block along the edge, the grain of a blade's finish fades
HALF_WIDTHS_MM = (0.25, 0.5, 0.9)  # from a plain first string to a bass string with its shine
MIN_RATIO = 1.25  # of light to both sides
MAX_SLIDE_MM = 5.0  # over the length of the edge: from fret clearance at the nut to a high action
BELOW_MM = 1.0  # how far below the edge a line that is seen on the face may run out
MIN_ON_FACE = 0.4  # share of the length over which it must be before the face


def string_share(luminance: FloatImage, edge: EdgeCurve, px_per_mm: float) -> float:
    """Return over what share of its run before the face the clearest straight thin line can be followed.

    A string is a line brighter or darker than the face on both sides of it, unbroken, straight, and nearly parallel
    with the edge. A blade's finish gives short stretches of such lines, frets mirrored in the face cross it, and what
    is seen through the gap has no face beneath it: a narrow light gap above a dark board is no string.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge
        The straightedge's lower edge, followed.
    px_per_mm
        Scale at it.
    """
    columns = np.arange(np.ceil(edge.low_px) + 2, np.floor(edge.high_px) - 2)
    width = max(1, int(BLOCK_MM * px_per_mm))
    count = len(columns) // width
    if count < 2:
        return 0.0
    below = np.arange(*FACE_MM, ROW_MM)
    strip = sample_strip(luminance, edge.y_px(columns), columns, px_per_mm=px_per_mm, below_mm=below)
    blocks = strip.light[:, : count * width].reshape(len(below), count, width).mean(axis=2)
    light = np.log(np.maximum(blocks, 0) + FLOOR)
    return max(_longest(_ridges(light)), _longest(_ridges(-light)))


def _ridges(light: FloatImage) -> FloatImage:
    """Return 1 where a row stands out against the rows on both sides of it, give or take a row; (rows, blocks)."""
    from scipy.ndimage import maximum_filter1d

    row = np.arange(len(light))
    height = np.full(light.shape, -np.inf, dtype=np.float32)
    for half_width in HALF_WIDTHS_MM:
        away = round(half_width / ROW_MM)
        above, under = np.maximum(row - away, 0), np.minimum(row + away, len(light) - 1)
        height = np.maximum(height, light - np.maximum(light[above], light[under]))
    return np.asarray(maximum_filter1d((height > np.log(MIN_RATIO)).astype(np.float32), 3, axis=0))


def _longest(ridges: FloatImage) -> float:
    """Return the largest mean of ridges along a straight line, over the blocks in which it is before the face."""
    rows, count = ridges.shape
    along = np.linspace(0, 1, count)
    block = np.arange(count)[None, :]
    end: Array = np.arange(0.0, rows + BELOW_MM / ROW_MM, 2.0)
    best = 0.0
    for first in end:
        last = end[np.abs(end - first) * ROW_MM < MAX_SLIDE_MM]
        line = np.rint(first + (last - first)[:, None] * along).astype(np.intp)
        on_face = line < rows
        seen = on_face.sum(axis=1)
        hit = np.where(on_face, ridges[np.minimum(line, rows - 1), block], 0).sum(axis=1)
        best = max(best, float(np.where(seen > MIN_ON_FACE * count, hit / np.maximum(seen, 1), 0).max()))
    return best
