"""Which fret is which: a comb of equal-tempered spacing, seen by a camera, laid over the strip below the edge."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array

from .photo import FloatImage

MAX_FRET = 24
MIN_FRETS = 5


@dataclass(frozen=True, slots=True)
class Comb:
    """Where the frets stand in the picture.

    A camera sees points on a straight line through a projective map of one dimension; radial distortion adds a cubic.
    With t = direction (x - x0) s, u = middle + t / (1 + yaw t / half) and then radially distorted.

    Attributes
    ----------
    direction
        +1 when the nut is on the left, -1 on the right.
    x0_mm
        Place along the board (from the nut) seen at the picture's middle.
    px_per_mm
        Scale there.
    yaw
        Relative change of scale over half the picture.
    k1
        First radial distortion coefficient (coordinates divided by the focal length).
    score
        Significance of the match.
    """

    direction: int
    x0_mm: float
    px_per_mm: float
    yaw: float
    k1: float
    score: float
    middle_px: float
    focal_px: float
    scale_length_mm: float

    def x_px(self, position_mm: Array) -> Array:
        """Return the column at which a place along the board (mm from the nut) is seen."""
        half = self.middle_px
        t = self.direction * (position_mm - self.x0_mm) * self.px_per_mm
        t = t / (1 + self.yaw * t / half)
        return self.middle_px + t * (1 + self.k1 * (t / self.focal_px) ** 2)

    def position_mm(self, x_px: Array) -> Array:
        """Return the place along the board seen at a column (inverse of `x_px`)."""
        d = x_px - self.middle_px
        t = d.copy()
        for _ in range(6):
            t = d / (1 + self.k1 * (t / self.focal_px) ** 2)
        t = t / (1 - self.yaw * t / self.middle_px)
        return self.x0_mm + self.direction * t / self.px_per_mm

    def local_px_per_mm(self, x_px: Array) -> Array:
        """Return the scale along the board at a column."""
        step = 0.5
        here = self.position_mm(np.asarray(x_px, dtype=np.float64))
        return np.asarray(np.abs(self.x_px(here + step) - self.x_px(here - step)) / (2 * step))

    def frets(self, low_px: float, high_px: float) -> tuple[NDArray[np.int64], Array]:
        """Return the numbers and columns of the frets seen between two columns, in order of number."""
        number = np.arange(1.0, MAX_FRET + 1)
        columns = self.x_px(fret_position_mm(number, self.scale_length_mm))
        ahead = np.concatenate([[True], np.diff(columns) * self.direction > 0])
        seen = (columns >= low_px) & (columns <= high_px) & ahead
        return number[seen].astype(np.int64), columns[seen]


def significance(texture: FloatImage) -> Array:
    """Return the mean over rows of a texture strip, each row divided by its own noise and limited."""
    noise = np.median(texture, axis=1, keepdims=True) * 1.48 + 0.005
    return np.asarray(np.minimum(texture / noise, 8).mean(axis=0), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class CombPrior:
    """What is known before the search."""

    px_per_mm: float
    scale_length_mm: float
    focal_px: float
    scale_tolerance: float = 0.025
    u_scale: float = 0.01
    directions: tuple[int, ...] = (1, -1)
    first_fret: int | None = None


def search_combs(
    signal: Array,
    step_px: float,
    prior: CombPrior,
    *,
    keep: int = 3,
    distortions: tuple[float, ...] = (-0.03, 0.0, 0.03),
) -> list[Comb]:
    """Lay combs over a signal along the board and return the best, distinct in numbering.

    Parameters
    ----------
    signal
        (n,) how much stands out at each column; columns are `step_px` apart and begin at column 0.
    step_px
        Column spacing.
    prior
        Scale, scale length, focal length, sides and an optional first fret.
    keep
        How many distinct numberings to return.
    distortions
        Radial coefficients to try.
    """
    from scipy.ndimage import maximum_filter1d

    middle = (len(signal) - 1) * step_px / 2
    centred = signal - np.median(signal)
    noise = 1.48 * np.median(np.abs(centred)) + 1e-3
    wide = maximum_filter1d(np.clip(centred / noise, -1, 6), round(0.7 * prior.px_per_mm / step_px) | 1)
    wide = (wide - wide.mean()) / (wide.std() + 1e-6)
    number = np.arange(float(prior.first_fret or 1), MAX_FRET + 1)
    position = fret_position_mm(number, prior.scale_length_mm)
    x0 = np.arange(-30, 0.76 * prior.scale_length_mm, 0.5)
    tolerance = prior.scale_tolerance
    stretches = np.linspace(-tolerance, tolerance, max(3, 2 * round(tolerance / 0.0125) + 1))
    found: list[Comb] = []
    for side, stretch, yaw, k1 in product(prior.directions, stretches, (-0.025, 0.0, 0.025), distortions):
        comb = Comb(
            side, 0.0, prior.px_per_mm * (1 + stretch), yaw, k1, 0.0, middle, prior.focal_px, prior.scale_length_mm
        )
        score = _scores(wide, step_px, comb, position[None, :] - x0[:, None]) - _doubt(stretch, prior)
        if prior.first_fret is not None:
            score = _only_first(score, comb, position, x0, middle)
        j = int(np.argmax(score))
        found.append(replace(comb, x0_mm=float(x0[j]), score=float(score[j])))
    found.sort(key=lambda c: -c.score)
    return _distinct(found, keep, wide, step_px, prior)


def _doubt(stretch: float, prior: CombPrior) -> float:
    """Return what a scale off the expected one costs: one unit at twice its standard uncertainty."""
    return float(0.5 * (stretch / (prior.u_scale * 1.4)) ** 2)


def _scores(wide: Array, step_px: float, comb: Comb, offset_mm: Array) -> Array:
    half = comb.middle_px
    t = comb.direction * offset_mm * comb.px_per_mm
    t = t / (1 + comb.yaw * t / half)
    u = half + t * (1 + comb.k1 * (t / comb.focal_px) ** 2)
    seen = (u > 0) & (u < 2 * half) & (np.abs(t) < 1.3 * half)
    index = np.clip(np.rint(u / step_px).astype(np.intp), 0, len(wide) - 1)
    count = seen.sum(axis=1)
    total = np.where(seen, wide[index], 0).sum(axis=1)
    return np.where(count >= MIN_FRETS, total / np.sqrt(np.maximum(count, 1)), -9.0)


def _only_first(score: Array, comb: Comb, position: Array, x0: Array, middle: float) -> Array:
    """Keep only places where the first listed fret is the first one in the picture."""
    reach = middle / comb.px_per_mm
    return np.where(position[0] > x0 - reach, score, -9.0)


def _distinct(found: list[Comb], keep: int, wide: Array, step_px: float, prior: CombPrior) -> list[Comb]:
    """Sharpen the best combs and drop those that say the same as a better one."""
    kept: list[Comb] = []
    for comb in found[:40]:
        if all(c.direction != comb.direction or abs(c.x0_mm - comb.x0_mm) > 6 for c in kept):
            kept.append(_sharpen(comb, wide, step_px, prior))
        if len(kept) == keep:
            break
    return sorted(kept, key=lambda c: -c.score)


def _sharpen(comb: Comb, wide: Array, step_px: float, prior: CombPrior) -> Comb:
    number = np.arange(1.0, MAX_FRET + 1)
    position = fret_position_mm(number, comb.scale_length_mm)
    best = comb
    for width in (1.0, 0.5):
        base = best
        x0 = base.x0_mm + width * np.linspace(-1.2, 1.2, 13)
        for ds, dy, dk in product((-1, 0, 1), (-1, 0, 1), (-1, 0, 1)):
            trial = replace(
                base,
                px_per_mm=base.px_per_mm * (1 + 0.006 * width * ds),
                yaw=base.yaw + 0.012 * width * dy,
                k1=base.k1 + 0.015 * width * dk,
            )
            score = _scores(wide, step_px, trial, position[None, :] - x0[:, None])
            score -= _doubt(trial.px_per_mm / prior.px_per_mm - 1, prior)
            j = int(np.argmax(score))
            if score[j] > best.score + 1e-9:
                best = replace(trial, x0_mm=float(x0[j]), score=float(score[j]))
    return best
