"""Crowns as they were read: how far to believe one way of reading, and which of two."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .along import along_board, through_most
from .camera import BoardCamera
from .outline import Outline

# Median misfit in units of the scatter assumed: pixels explained well stand below the first, and past the second, where
# photos explained well stand at 0.3 to 1.2, nothing is left of what is known of frets.
WELL_EXPLAINED, MAX_MISFIT = 1.4, 2.0
# Edge rounding, camera height and outline model together: more than this is no contact.
MAX_FLOAT_MM = 0.25
CONTACT_MM = 0.15  # a crown seen no farther from the edge touches it
# Off the line of its neighbours; the highest or lowest frets stand off by 0.2 to 0.3 mm (common practice, no published
# source). An outermost crown counts half.
MAX_LEAP_MM = 0.35
MAX_STEP_MM = 0.6  # from one crown to the next: no board has a step
MIN_SHARE = 0.7  # of the frets in view; the deepest may be among those that were not read
# Of seven squares of what is known beforehand: past 24.3 one true shape in a thousand lies (chi-square tables).
# Doubt grows with it, until nothing is left of what is known of frets. Photos explained well stand at 1 to 20.
LIKELY_STRAIN, MAX_STRAIN = 24.3, 80.0
MIN_LINE = 3  # crowns: of fewer none stands between two


@dataclass(frozen=True, slots=True)
class CrownFit:
    """Height of one crown.

    Attributes
    ----------
    gap_mm
        Below the straightedge's lower edge, common offset not yet removed.
    points
        Number of columns, or pixels, used.
    misfit
        Robust scatter of its boundaries, or pixels, about the model, in units of the scatter assumed.
    slant
        mm along the board per mm of depth at this fret.
    place_mm
        How far the crown stands from where the comb has it.
    """

    fret: int
    position_mm: float
    gap_mm: float
    points: int
    misfit: float
    slant: float
    place_mm: float


@dataclass(frozen=True, slots=True)
class CrownSet:
    """All crowns of a photo, and the shared shape.

    Attributes
    ----------
    covariance_mm2
        (n, n) of the gaps, from the joint fit; what the shared shape adds is in it.
    sensitivity
        (n, 6) change of each gap with shift (mm/mm), camera foot (mm/mm), elevation (mm/rad), board curvature
        (mm mm), crown curvature (mm mm) and mirror (mm), the outlines refitted: for what the model leaves out.
    by_pixels
        Read by explaining the pixels (`joint`) and not by the outlines alone.
    by_ends
        Read by the faces of the fret ends (`end_faces`).
    by_feet
        Read by the feet of the frets alone (`feet`).
    dark, dull
        Read so before a dark gap, and there under a blade that is dark itself.
    strain
        Chi-square of the shape so found against what crowns, combs and lenses are like.
    """

    crowns: tuple[CrownFit, ...]
    covariance_mm2: Array = field(repr=False)
    sensitivity: Array = field(repr=False)
    outline: Outline
    camera: BoardCamera
    by_pixels: bool = False
    by_ends: bool = False
    by_feet: bool = False
    dark: bool = False
    dull: bool = False
    strain: float = 0.0

    @property
    def median_misfit(self) -> float:
        """Misfit of the crown in the middle of the order, in units of the scatter assumed; 0 where none was read."""
        read = [c.misfit for c in self.crowns if c.points]
        return float(np.median(read)) if read else 0.0

    @property
    def lowest_gap_mm(self) -> float:
        """Gap at the crown that comes nearest to the straightedge, or cuts deepest into it; infinite without crowns."""
        return min((c.gap_mm for c in self.crowns), default=math.inf)

    @property
    def gap_mm(self) -> Array:
        """(n,) gaps."""
        return np.array([c.gap_mm for c in self.crowns])

    def gap_at_mm(self, frets: Iterable[int]) -> Array:
        """Return (k,) gaps at frets of such numbers; NaN where the crown was not read."""
        read = {c.fret: c.gap_mm for c in self.crowns}
        return np.array([read.get(fret, np.nan) for fret in frets])

    @property
    def position_mm(self) -> Array:
        """(n,) places of the frets from the nut."""
        return np.array([c.position_mm for c in self.crowns])

    def only(self, kept: NDArray[np.intp]) -> CrownSet:
        """Return the crowns at the indices `kept` alone."""
        return replace(
            self,
            crowns=tuple(self.crowns[i] for i in kept),
            covariance_mm2=self.covariance_mm2[np.ix_(kept, kept)],
            sensitivity=self.sensitivity[kept],
        )

    @property
    def largest_step_mm(self) -> float:
        """Largest difference of the gaps of two neighbours."""
        return float(np.abs(np.diff([c.gap_mm for c in self.crowns])).max(initial=0.0))


def is_unlikely(read: CrownSet) -> bool:
    """Tell whether pixels are explained badly, or by frets unlike any, or not at all."""
    return not read.crowns or read.strain > LIKELY_STRAIN or read.median_misfit > WELL_EXPLAINED


def chosen(pixels: CrownSet, outlines: CrownSet, frets: int) -> CrownSet:
    """Return the likelier of two readings, with the other's doubt, where the pixels are explained badly.

    Before a bright gap the pixels are still nearer the truth than the outlines alone; before a dark one the outlines
    are, unless fewer of them were read than will do, or only the pixels let the straightedge rest.

    Parameters
    ----------
    pixels, outlines
        The two readings.
    frets
        How many are in view.
    """
    pixels_stand = not pixels.dark or _will_not_do(outlines, pixels, frets)
    return doubting(pixels, outlines) if pixels_stand else doubting(outlines, pixels)


def _will_not_do(outlines: CrownSet, pixels: CrownSet, frets: int) -> bool:
    """Tell whether outlines are too few, or leave the straightedge floating where the pixels let it rest."""
    few = len(outlines.crowns) < min(MIN_SHARE * frets, len(pixels.crowns))
    return few or abs(outlines.lowest_gap_mm) > MAX_FLOAT_MM > abs(pixels.lowest_gap_mm)


def averaged(pixels: CrownSet, outlines: CrownSet, frets: int) -> CrownSet:
    """Return the gaps half way between two readings of the same crowns, each with its own errors, and their doubt.

    Before a dark gap neither is to be preferred: by own renders with truth their mean is nearer by a fifth (of 64, rms
    0.032 mm; pixels 0.040, outlines 0.043). Constant and tilt, in which readings differ most, are those of the pixels.
    Where the outlines will not do the pixels stand. The truth may lie anywhere between the two: a rectangular
    distribution (JCGM 100:2008, 4.3.7). Parameters are those of `chosen`.
    """
    apart = _apart_mm(pixels, outlines)
    if _will_not_do(outlines, pixels, frets) or np.isfinite(apart).sum() < MIN_LINE:
        return pixels
    along, known = along_board(pixels.position_mm), np.isfinite(apart)
    line, _ = through_most(along, apart, np.ones_like(along), order=1)
    # A crown that only the pixels read is as far off as those beside it.
    half = 0.5 * np.interp(along, along[known], (apart - line)[known])
    rows = tuple(replace(c, gap_mm=c.gap_mm - float(h)) for c, h in zip(pixels.crowns, half, strict=True))
    return replace(pixels, crowns=rows, covariance_mm2=pixels.covariance_mm2 + np.outer(half, half) / 3)


def doubting(result: CrownSet, other: CrownSet) -> CrownSet:
    """Return the gaps with doubt enough to reach those read in the other way, as one mistake common to all.

    The truth may lie anywhere as far off as the other reading: a rectangular distribution, whose standard deviation is
    its half width over the root of three (JCGM 100:2008, 4.3.7). A common offset and a tilt of the straightedge part
    nothing: they leave the relief as it is.
    """
    apart = _apart_mm(result, other)
    place = np.array([c.position_mm for c in result.crowns])
    known = np.isfinite(apart)
    if known.sum() < 3:
        return result
    apart -= np.polyval(np.polyfit(place[known], apart[known], 1), place)
    apart = np.where(known, apart, 0.0) / np.sqrt(3)
    return replace(result, covariance_mm2=result.covariance_mm2 + np.outer(apart, apart))


def _apart_mm(one: CrownSet, other: CrownSet) -> Array:
    """Return how far below the other reading's each crown of one stands; NaN where the other has none."""
    return np.asarray(one.gap_mm - other.gap_at_mm([c.fret for c in one.crowns]))


def without_leaps(read: CrownSet) -> CrownSet:
    """Return a reading without the crowns that leap off the line of their neighbours: they were misread.

    Of a crown and the two beside it the one goes without which the rest lie straightest.
    """
    position = np.array([c.position_mm for c in read.crowns])
    gap = np.array([c.gap_mm for c in read.crowns])
    kept = np.arange(len(gap))
    while len(kept) >= MIN_LINE:
        off = _off_neighbours(position[kept], gap[kept])
        if off.max() <= MAX_LEAP_MM:
            break
        middle = int(off.argmax()) + 1
        rests = [np.delete(kept, i) for i in (middle - 1, middle, middle + 1)]
        kept = min(rests, key=lambda rest: float(_off_neighbours(position[rest], gap[rest]).max(initial=0.0)))
    return read.only(kept)


def _off_neighbours(position_mm: Array, gap_mm: Array) -> Array:
    """Return (n - 2,) how far each crown but the outermost stands off the line through its neighbours."""
    share = (position_mm[1:-1] - position_mm[:-2]) / (position_mm[2:] - position_mm[:-2])
    return np.asarray(np.abs(gap_mm[1:-1] - gap_mm[:-2] - share * (gap_mm[2:] - gap_mm[:-2])))
