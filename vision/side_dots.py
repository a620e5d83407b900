"""Dots on the board's side, and what they say of the numbers of the frets.

Most fretted instruments carry dots on the side of the board that the player sees, halfway between frets: before fret 3,
5, 7, 9 (10 on some), 12, 15, 17, 19 and 21, often two at 12 (common practice, no published source). Numbers one too
high or too low put them where no instrument has them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

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
P_STRAY, P_STRAY_TWO, P_ODD_DOTS, P_SOME = 0.03, 0.01, 0.0001, 0.2
# Under the straightedge's edge: the board's side, from its middle as from the outer string.
SIDE_MM = (0.8, 11.0)
STEP_MM = 0.1
CLEAR_OF_ENDS_MM = 0.6  # of a tang; what a fret's end covers besides touches the border of what is looked at
# A dot: how large, how round (a disk fills pi / 4 of its box; common practice for its size, no published source), and
# how much brighter or darker than the wood beside it: in the logarithm of its light, and in times the deviation that
# WOOD of the light keeps within (of normal noise so many are 4.7 standard deviations over its median).
SIZE_MM, MAX_ASPECT, FILL, OTHER_LIGHT, SCATTERS = (1.1, 3.6), 1.45, (0.6, 0.95), 0.2, 12.0
LEAST_MM = 5.0  # of wood, along the board and down its side
WOOD = 0.3  # quantile of the light at one depth: of a narrow space two dots take more than half
MIDDLE = 0.08  # of a space: so near its middle stands a dot, or the middle of two
# Two dots: how far apart (common practice, no published source), and how like in size, and in height by this share of
# it.
PAIR_MM, ALIKE = (3.0, 10.0), 0.25
# All dots of a board lie equally deep, but for its taper and a camera that looks from aside.
SAME_DEPTH_MM = 1.5
# Another line for the edge of a straightedge: a string or the board's border, a fret's height and a gap away (common
# practice, no published source).
OTHER_LINE_MM = (0.8, 3.0)


@dataclass(frozen=True, slots=True)
class Dots:
    """What stands in one space.

    Attributes
    ----------
    fret
        Number of the fret on the bridge's side of the space.
    count
        One, or two beside one another.
    below_mm
        How far under the straightedge's edge.
    """

    fret: int
    count: int
    below_mm: float = 0.0

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
    each = (
        np.log(P_SOME if not d.is_stray else P_STRAY_TWO if d.count > 1 else P_STRAY) for d in dots if not d.is_right
    )
    return float(max(sum(each), np.log(P_ODD_DOTS)))


def bear_out(dots: tuple[Dots, ...], *, within: int = 1) -> bool:
    """Tell whether none is astray, and right ones would be so by all numbers up to so many higher or lower.

    Parameters
    ----------
    dots
        As seen.
    within
        One step: two dots in one space tell, or single ones in two. Two steps off most single ones would be right
        again: two dots in one space tell, or several single ones together.
    """
    if any(d.is_stray for d in dots):
        return False
    right = tuple(d for d in dots if d.is_right)
    others = (k for k in range(-within, within + 1) if k)
    return all(log_odds(tuple(replace(d, fret=d.fret + k) for d in right)) <= np.log(P_STRAY_TWO) for k in others)


def prove_height(dots: tuple[Dots, ...], height_mm: float) -> bool:
    """Tell whether dots prove a scale that the straightedge's height tells, and so the two lines it was read between.

    Another line in place of one of them makes the scale wrong, and so the numbers, if it does so by half a fret's step
    and more: not of a tall straightedge. No mark proves it alone: what stands in two spaces must.

    Parameters
    ----------
    dots
        As the frets are numbered at that scale.
    height_mm
        Of the straightedge.
    """
    nearest, farthest = (12 * np.log2(1 + off / height_mm) for off in OTHER_LINE_MM)
    if nearest < 0.5:
        return False
    return sum(d.is_right for d in dots) > 1 and bear_out(dots, within=int(np.ceil(farthest - 0.5)))


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
            dots = None if strip is None else _in_space(strip, fret, space_mm=float(np.ptp(ends)) / px_per_mm)
            found += [dots] if dots is not None else []
    depth = np.array([d.below_mm for d in found])
    return tuple(d for d in found if abs(d.below_mm - np.median(depth)) < SAME_DEPTH_MM)


def _between(luminance: FloatImage, edge: EdgeCurve, ends_px: Array, px_per_mm: float) -> Strip | None:
    """Return the light on the board's side between two ends of frets, in steps of STEP_MM; None where no dot fits."""
    clear_px, least = CLEAR_OF_ENDS_MM * px_per_mm, LEAST_MM / STEP_MM
    x = np.arange(ends_px[0] + clear_px, ends_px[1] - clear_px, STEP_MM * px_per_mm)
    if len(x) < least:
        return None
    edge_row = edge.straight_on_y_px(x)
    room_mm = (luminance.shape[0] - 2 - float(edge_row.max())) / px_per_mm
    below = np.arange(SIDE_MM[0], min(SIDE_MM[1], room_mm), STEP_MM)
    if len(below) < least:
        return None
    return sample_strip(luminance, edge_row, x, px_per_mm=px_per_mm, below_mm=below)


@dataclass(frozen=True, slots=True)
class _Spot:
    """A round spot: how far beside the middle of its space and under the edge, how large, brighter (+1) or darker."""

    aside_mm: float
    below_mm: float
    size_mm: float
    sign: int


def _in_space(strip: Strip, fret: int, *, space_mm: float) -> Dots | None:
    """Return what stands in the middle of a space so long: one dot, or two alike."""
    spots, near_mm = _spots(strip), MIDDLE * space_mm
    single = [s for s in spots if abs(s.aside_mm) < near_mm]
    if single:
        return Dots(fret, 1, single[0].below_mm) if len(single) == 1 else None
    pairs = [(a, b) for a, b in combinations(spots, 2) if _are_pair(a, b, near_mm)]
    return Dots(fret, 2, (pairs[0][0].below_mm + pairs[0][1].below_mm) / 2) if len(pairs) == 1 else None


def _are_pair(a: _Spot, b: _Spot, near_mm: float) -> bool:
    unlike_mm = max(abs(a.below_mm - b.below_mm), abs(a.size_mm - b.size_mm))
    return (
        a.sign == b.sign
        and abs(a.aside_mm + b.aside_mm) / 2 < near_mm
        and PAIR_MM[0] < abs(a.aside_mm - b.aside_mm) < PAIR_MM[1]
        and unlike_mm < ALIKE * max(a.size_mm, b.size_mm)
    )


def _spots(strip: Strip) -> list[_Spot]:
    """Return what is round and of a dot's size."""
    import cv2

    level = cv2.GaussianBlur(np.log(np.maximum(strip.light, 0) + FLOOR), (0, 0), 1.0)
    rows, columns = level.shape
    spots = []
    for sign in (1, -1):
        over = sign * level
        over -= np.quantile(over, WOOD, axis=1, keepdims=True)
        within = np.quantile(np.abs(over), WOOD, axis=1, keepdims=True)
        limit = np.maximum(OTHER_LIGHT, SCATTERS * np.maximum(within, np.median(within)))
        mask = (over > limit).astype(np.uint8)
        _, _, boxes, middles = cv2.connectedComponentsWithStats(mask, connectivity=4)
        for (left, top, wide, high, area), (u, v) in zip(boxes[1:].tolist(), middles[1:].tolist(), strict=True):
            size_mm = float(np.sqrt(wide * high)) * STEP_MM
            is_round = max(wide, high) < MAX_ASPECT * min(wide, high) and FILL[0] < area / (wide * high) < FILL[1]
            is_whole = left > 0 and top > 0 and left + wide < columns and top + high < rows
            if is_round and is_whole and SIZE_MM[0] < size_mm < SIZE_MM[1]:
                aside_mm = (u - (columns - 1) / 2) * STEP_MM
                spots.append(_Spot(aside_mm, float(strip.below_mm[0]) + v * STEP_MM, size_mm, sign))
    return spots
