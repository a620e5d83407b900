"""Dots on the board's side, and what they say of the numbers of the frets.

Most fretted instruments carry dots on the side of the board that the player sees, halfway between frets: before fret 3,
5, 7, 9 (10 on some), 12, 15, 17, 19 and 21, often two at 12 (common practice, no published source). Numbers one too
high or too low put them where no instrument has them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array

from .camera import BoardCamera, ends_seen_at
from .comb import MAX_FRET
from .edge import FLOOR, Strip, sample_strip
from .locate import EdgeCurve
from .photo import FloatImage

MARKED, TWICE = frozenset({3, 5, 7, 9, 12, 15, 17, 19, 21, 24}), frozenset({12, 24})
# Some instruments have one there, or two.
MAYBE, MAYBE_TWICE = frozenset({1, 10}), frozenset({5, 7, 17, 19})
# How likely what looks like a dot is none (a knot, a sticker), like two alike, and that an instrument has dots of its
# own; and how many of those with dots have one at such a place (by judgement; in 600 own renders none was seen that
# was none).
U_STRAY, U_STRAY_TWO, ODD_DOTS, SOME = 0.03, 0.01, 0.0001, 0.2
# Under the straightedge's edge: the board's side, from its middle as from the outer string.
SIDE_MM = (0.8, 11.0)
STEP_MM = 0.1
CLEAR_OF_ENDS_MM = 0.6  # of a tang; what a fret's end covers besides touches the border of what is looked at
# A dot: how large, how round (a disk fills pi / 4 of its box), how much brighter or darker than the wood beside it, in
# the logarithm of its light and in scatters of the wood (common practice for its size, no published source).
SIZE_MM, MAX_ASPECT, FILL, OTHER_LIGHT, NOISES = (1.1, 3.6), 1.45, (0.6, 0.95), 0.2, 5.0
LEAST_MM = 5.0  # of wood, along the board and down its side
WOOD = 0.3  # quantile of the light at one depth: of a narrow space two dots take more than half
# A string, or the board's border, for the edge of a straightedge whose height alone tells the scale: 1 to 2.5 mm of
# 20 mm and more call every fret by a number one or two off.
BY_HEIGHT = 2
MIDDLE = 0.08  # of a space: so near its middle stands a dot, or the middle of two
ALIKE = 0.25  # two dots, in size, and in height by this share of it


@dataclass(frozen=True, slots=True)
class Dots:
    """What stands in one space.

    Attributes
    ----------
    fret
        Number of the fret on the bridge's side of the space.
    count
        One, or two beside one another.
    """

    fret: int
    count: int

    @property
    def is_right(self) -> bool:
        """Whether instruments have dots there, and so many."""
        return self.fret in (TWICE if self.count > 1 else MARKED)

    @property
    def is_stray(self) -> bool:
        """Whether hardly any instrument has."""
        return not self.is_right and self.fret not in (MAYBE_TWICE if self.count > 1 else MAYBE)


def log_odds(dots: tuple[Dots, ...]) -> float:
    """Return the natural logarithm of how likely dots are where these frets' numbers have them; 0 where all are right.

    Parameters
    ----------
    dots
        As seen.
    """
    each = (np.log(SOME if not d.is_stray else U_STRAY_TWO if d.count > 1 else U_STRAY) for d in dots if not d.is_right)
    return float(max(sum(each), np.log(ODD_DOTS)))


def bear_out(dots: tuple[Dots, ...], *, within: int = 1) -> bool:
    """Tell whether none is astray, and all numbers up to so many higher or lower would put some so.

    Parameters
    ----------
    dots
        As seen.
    within
        Of one step, two dots in one space tell, or single ones in two. Two steps higher or lower most single ones would
        do as well: two dots in one space tell, or one that would be astray.
    """
    if any(d.is_stray for d in dots):
        return False
    others = (k for k in range(-within, within + 1) if k)
    return all(
        log_odds(tuple(replace(d, fret=d.fret + k) for d in dots)) <= np.log(U_STRAY_TWO if abs(k) == 1 else U_STRAY)
        for k in others
    )


def read_dots(luminance: FloatImage, edge: EdgeCurve, camera: BoardCamera) -> tuple[Dots, ...]:
    """Return the dots seen on the board's side, in order of number.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge, camera
        The straightedge's edge; where the ends of the frets are seen tells where the spaces are.
    """
    position = fret_position_mm(np.arange(0.0, MAX_FRET + 1), camera.comb.scale_length_mm)
    at_px, scale = ends_seen_at(camera, position)
    found = []
    for fret in range(1, len(position)):
        ends, px_per_mm = at_px[fret - 1 : fret + 1], float(scale[fret - 1 : fret + 1].mean())
        if np.diff(ends)[0] * camera.comb.direction <= 0:  # a lens fitted to the frets may fold what lies far out
            continue
        ends = np.sort(ends)
        in_picture = ends[0] >= 0 and ends[1] <= luminance.shape[1] - 1
        if in_picture and ends[0] < edge.high_px and ends[1] > edge.low_px:
            strip = _between(luminance, edge, ends, px_per_mm)
            count = 0 if strip is None else _count(strip, apart=float(np.ptp(ends)) / px_per_mm / STEP_MM)
            found += [Dots(fret, count)] if count else []
    return tuple(found)


def _between(luminance: FloatImage, edge: EdgeCurve, ends_px: Array, px_per_mm: float) -> Strip | None:
    """Return the light on the board's side between two ends of frets, in steps of STEP_MM; None where no dot fits."""
    clear, least = CLEAR_OF_ENDS_MM * px_per_mm, LEAST_MM / STEP_MM
    x = np.arange(ends_px[0] + clear, ends_px[1] - clear, STEP_MM * px_per_mm)
    if len(x) < least:
        return None
    edge_row = edge.straight_on_y_px(x)
    room_mm = (luminance.shape[0] - 2 - float(edge_row.max())) / px_per_mm
    below = np.arange(SIDE_MM[0], min(SIDE_MM[1], room_mm), STEP_MM)
    if len(below) < least:
        return None
    return sample_strip(luminance, edge_row, x, px_per_mm=px_per_mm, below_mm=below)


def _count(strip: Strip, *, apart: float) -> int:
    """Return how many dots stand in the middle of a space, whose frets are `apart` columns of the strip: 0, 1 or 2."""
    middle, near = (strip.light.shape[1] - 1) / 2, MIDDLE * apart
    spots = _spots(strip)
    single = [s for s in spots if abs(s[0] - middle) < near]
    pairs = [
        (a, b)
        for i, a in enumerate(spots)
        for b in spots[i + 1 :]
        if abs((a[0] + b[0]) / 2 - middle) < near
        and max(abs(a[1] - b[1]), abs(a[2] - b[2])) < ALIKE * max(a[2], b[2])
        and a[3] == b[3]
    ]
    if single:
        return 1 if len(single) == 1 else 0
    return 2 if len(pairs) == 1 else 0


def _spots(strip: Strip) -> list[tuple[float, float, float, int]]:
    """Return what is round and of a dot's size: column and row in the strip, size in its steps, brighter +1 or -1."""
    import cv2

    level = cv2.GaussianBlur(np.log(np.maximum(strip.light, 0) + FLOOR), (0, 0), 1.0)
    rows, columns = level.shape
    spots = []
    for sign in (1, -1):
        apart = sign * level
        apart -= np.quantile(apart, WOOD, axis=1, keepdims=True)
        limit = np.maximum(OTHER_LIGHT, NOISES * 1.48 * np.quantile(np.abs(apart), WOOD, axis=1, keepdims=True))
        mask = (apart > limit).astype(np.uint8)
        _, _, boxes, middles = cv2.connectedComponentsWithStats(mask, connectivity=4)
        for (left, top, wide, high, area), (u, v) in zip(boxes[1:].tolist(), middles[1:].tolist(), strict=True):
            size = float(np.sqrt(wide * high))
            is_round = max(wide, high) < MAX_ASPECT * min(wide, high) and FILL[0] < area / (wide * high) < FILL[1]
            is_whole = left > 0 and top > 0 and left + wide < columns and top + high < rows
            if is_round and is_whole and SIZE_MM[0] < size * STEP_MM < SIZE_MM[1]:
                spots.append((u, v, size, sign))
    return spots
