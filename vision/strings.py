"""Strings before the straightedge: thin straight lines on its face that run nearly along the edge from end to end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .blade import LIMITED_TEXTURE, TEXTURE_WINDOW_MM, Candidate
from .edge import FLOOR, Line, sample_strip
from .locate import EdgeCurve, track_edge
from .photo import FloatImage

# Strings stand 0.3 to 5 mm above the crowns at the frets (action, and the high strings of a bass; common practice, no
# published source); nearer to the edge than its rounding and a lens's blur the face is not seen.
FACE_REACH_MM, FACE_MM = 7.0, -0.25
BELOW_MM = 1.2  # how far below the edge a line that is seen on the face is followed
ROW_MM, BLOCK_MM = 0.06, 1.5  # averaged over a block along the edge, the grain of a blade's finish fades
HALF_WIDTHS_MM = (0.25, 0.5, 0.9)  # from a plain first string to a bass string with its shine
MIN_RATIO = 1.25  # of light to both sides
MOST_HEIGHT = 0.7  # a logarithm: twice the light counts no less than more
MAX_SLIDE_MM = 5.0  # over the length of the edge: from fret clearance at the nut to a high action
MIN_ON_FACE = 0.4  # share of the length over which it must be before the face
# A string is followed over nearly its whole length, a blade's brushed finish over less than half of it.
MIN_SHARE = 0.7
# Between a string and the edge: clear of both, and of the glow of frets mirrored in the face.
NEAREST_MM, CLEAR_MM, MIN_ROOM_MM, MIN_ROOMY = 0.3, (0.2, 0.5), 0.15, 0.3
FRETS_MM = (0.05, 0.6)
ALONG_MM = 0.6  # from a string's middle to its outline, and what a line is off
# A logarithm of light, and its share of what frets make below the edge; tuned on own renders with truth, and no sure
# sign alone: frets mirrored in a bright face change it as much, a board in shade hardly.
MAX_PLAIN, MAX_PLAIN_SHARE = 0.09, 0.7
# What runs as near to the edge as that all along is its own rounding or chamfer.
HIGH_ENOUGH_MM = -0.5
COVERS_MM = (-0.25, 0.6)  # half a string's width above the edge, and as far below it as crowns are read
TRACK_PX = 1.8
MOST = 12  # two lines each of six strings
WELL_BEFORE_MM = -0.3  # where no light of the gap, and no rounding, passes for a string
BAND_MM = 0.2  # rows to either side that belong to a line found

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Streak:
    """One thin line before the face: the shine of a string, its shade, or the face between two strings.

    Attributes
    ----------
    x_px, y_px
        (n,) its middle in the picture.
    """

    x_px: Array
    y_px: Array


def find_streaks(
    luminance: FloatImage, x_px: Array, y_px: Array, px_per_mm: float, *, signs: tuple[int, ...] = (1, -1)
) -> list[Streak]:
    """Return the straight thin lines that can be followed before the face above an edge.

    Each is brighter or darker than the face on both sides of it, unbroken, straight, and nearly parallel with the edge.
    A blade's finish gives short stretches of such lines, frets mirrored in the face cross it, and what is seen through
    the gap has no face beneath it: a narrow light gap above a dark board is no string.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    x_px, y_px
        (n,) columns, one apart, and the lower edge's place in them.
    px_per_mm
        Scale at it.
    signs
        +1 for lines brighter than the face, -1 for darker ones.
    """
    width = max(1, int(BLOCK_MM * px_per_mm))
    count = len(x_px) // width
    if count < 2:
        return []
    below = np.arange(-FACE_REACH_MM, BELOW_MM, ROW_MM)
    strip = sample_strip(luminance, y_px, x_px, px_per_mm=px_per_mm, below_mm=below)
    blocks = strip.light[:, : count * width].reshape(len(below), count, width).mean(axis=2)
    light = np.log(np.maximum(blocks, 0) + FLOOR)
    centre = x_px[: count * width].reshape(count, width).mean(axis=1)
    edge = np.interp(centre, x_px, y_px)
    found: list[Streak] = []
    for sign in signs:
        height = _ridges(sign * light)
        while len(found) < MOST:
            ends = _clearest(height, below)
            if ends is None:
                break
            row = _settled(height, np.linspace(*ends, count), below)
            found.append(Streak(centre, edge + (below[0] + row * ROW_MM) * px_per_mm))
            near = np.abs(np.arange(len(below))[:, None] - row) < BAND_MM / ROW_MM
            height = np.where(near, 0, height)
    return found


def _ridges(light: FloatImage) -> FloatImage:
    """Return by how much each row stands out against the rows on both sides of it, limited; 0 where it does not."""
    row = np.arange(len(light))
    height = np.zeros(light.shape, dtype=np.float32)
    for half_width in HALF_WIDTHS_MM:
        away = round(half_width / ROW_MM)
        above, under = np.maximum(row - away, 0), np.minimum(row + away, len(light) - 1)
        height = np.maximum(height, light - np.maximum(light[above], light[under]))
    return np.asarray(np.where(height > np.log(MIN_RATIO), np.minimum(height, MOST_HEIGHT), 0), dtype=np.float32)


def _settled(height: FloatImage, row: Array, below_mm: Array) -> Array:
    """Return the rows of a line laid through the ridges near it, of those well before the face."""
    count = len(row)
    rows = np.arange(len(height))[:, None]
    near = np.where(np.abs(rows - row) < BAND_MM / ROW_MM, height, 0)
    weight = near.sum(axis=0)
    use = (weight > 0) & (np.interp(row, np.arange(len(below_mm)), below_mm) < WELL_BEFORE_MM)
    if use.sum() < 0.2 * count:
        return row
    place = (near * rows).sum(axis=0)[use] / weight[use]
    along = np.linspace(-1, 1, count)
    kept = np.ones(len(place), dtype=bool)
    line = np.polyfit(along[use], place, 1)
    for _ in range(3):
        miss = np.abs(place - np.polyval(line, along[use]))
        kept = miss <= max(2.5 * float(np.median(miss)), 1.0)
        line = np.polyfit(along[use][kept], place[kept], 1)
    return np.asarray(np.polyval(line, along))


def _clearest(height: FloatImage, below_mm: Array) -> tuple[float, float] | None:
    """Return the end rows of the straight line on which most stands out before the face; None when none is followed."""
    from scipy.ndimage import maximum_filter1d

    rows, count = height.shape
    face = int(np.searchsorted(below_mm, FACE_MM))
    seen_at = np.asarray(maximum_filter1d(height, 3, axis=0)) > 0
    along = np.linspace(0, 1, count)
    block = np.arange(count)[None, :]
    end: Array = np.arange(0.0, rows, 2.0)
    best, found = 0.0, None
    for first in end:
        last = end[np.abs(end - first) * ROW_MM < MAX_SLIDE_MM]
        line = np.rint(first + (last - first)[:, None] * along).astype(np.intp)
        on_face = line < face
        seen = np.maximum(on_face.sum(axis=1), MIN_ON_FACE * count)
        share = np.where(on_face, seen_at[line, block], False).sum(axis=1) / seen
        stands = np.where(share > MIN_SHARE, np.where(on_face, height[line, block], 0).sum(axis=1) / seen, 0)
        i = int(stands.argmax())
        if stands[i] > best:
            best, found = float(stands[i]), (float(first), float(last[i]))
    return found


def strings_before(lower: Candidate, among: list[Candidate], luminance: FloatImage) -> list[Candidate]:
    """Return the candidates that are outlines of strings, were another one the straightedge's edge.

    A string is followed as a thin line, and between it and the straightedge's edge the face is plain; between the edge
    and the board's border, which shows as a thin line too, frets cross.
    """
    scale = lower.px_per_mm
    x = _columns(lower, luminance)
    y = lower.line.y_px(x)
    away = [(upper, float(np.median(y - upper.line.y_px(x))) / scale) for upper in among if upper is not lower]
    above = [upper for upper, above_mm in away if NEAREST_MM < above_mm < FACE_REACH_MM]
    streaks = find_streaks(luminance, x, y, scale) if above else []
    return [
        upper
        for upper in above
        if any(_runs_along(upper.line, streak, scale) for streak in streaks)
        and is_plain(luminance, x, upper.line.y_px(x), y, scale)
    ]


def covered(luminance: FloatImage, edge: EdgeCurve, px_per_mm: float) -> Mask:
    """Return in which of an edge's columns a string's shine crosses it or the gap below it.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge
        The lower edge, followed.
    px_per_mm
        Scale at it.
    """
    x = edge.columns()
    y = edge.y_px(x)
    out = np.zeros(len(x), dtype=bool)
    for streak in find_streaks(luminance, x, y, px_per_mm, signs=(1,)):
        below = (np.interp(x, streak.x_px, streak.y_px) - y) / px_per_mm
        if below.min() < HIGH_ENOUGH_MM:
            out |= (below > COVERS_MM[0]) & (below < COVERS_MM[1])
    return out


def follow_between(luminance: FloatImage, edge: EdgeCurve, hidden: Mask, px_per_mm: float) -> EdgeCurve:
    """Follow an edge once more, without the columns in which strings cross it.

    Raises
    ------
    Refusal
        `no-straightedge` when too few columns are left.
    """
    clear = edge.columns()[~hidden]
    return track_edge(luminance, clear, edge.y_px(clear), edge.sign, px_per_mm, window_px=TRACK_PX)


def _columns(candidate: Candidate, luminance: FloatImage) -> Array:
    if candidate.match is None:
        return np.arange(float(luminance.shape[1]))
    _, columns = candidate.match.comb.frets(0, luminance.shape[1] - 1)
    return np.arange(np.ceil(columns.min()), columns.max())


def _runs_along(line: Line, streak: Streak, px_per_mm: float) -> bool:
    off_mm = np.abs(line.y_px(streak.x_px) - streak.y_px) / px_per_mm
    return bool(np.quantile(off_mm, 0.9) < ALONG_MM)


def is_plain(luminance: FloatImage, x_px: Array, upper_px: Array, lower_px: Array, px_per_mm: float) -> bool:
    """Tell whether nothing stands out along the band between two curves as frets do below the lower one."""
    low_mm = (upper_px - lower_px) / px_per_mm + CLEAR_MM[0]
    roomy = -CLEAR_MM[1] - low_mm > MIN_ROOM_MM
    if roomy.mean() < MIN_ROOMY:
        return False
    high_mm = np.maximum(-CLEAR_MM[1], low_mm + MIN_ROOM_MM)
    between = _stands_out(luminance, x_px, lower_px, px_per_mm, low_mm, high_mm)[roomy].mean()
    frets = _stands_out(luminance, x_px, lower_px, px_per_mm, *(np.full(len(x_px), v) for v in FRETS_MM))[roomy].mean()
    return bool(between < MAX_PLAIN and between < MAX_PLAIN_SHARE * frets)


def _stands_out(
    luminance: FloatImage, x_px: Array, y_px: Array, px_per_mm: float, low_mm: Array, high_mm: Array
) -> Array:
    """Return by how much log light, averaged over a band below a curve, differs from its median along the board."""
    import cv2
    from scipy.ndimage import median_filter

    every = max(1, round(0.15 * px_per_mm))
    x, y, low, high = (np.asarray(v[::every]) for v in (x_px, y_px, low_mm, high_mm))
    share = np.linspace(0, 1, 12)[:, None]
    rows = (y + (low + (high - low) * share) * px_per_mm).astype(np.float32)
    at = np.ascontiguousarray(np.broadcast_to(x.astype(np.float32), rows.shape))
    light = np.log(np.maximum(cv2.remap(luminance, at, rows, cv2.INTER_LINEAR), 0) + FLOOR).mean(axis=0)
    size = max(5, round(TEXTURE_WINDOW_MM * px_per_mm / every) | 1)
    off = np.minimum(np.abs(light - median_filter(light, size)), LIMITED_TEXTURE)
    return np.repeat(off, every)[: len(x_px)]
