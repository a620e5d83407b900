"""Do two ways of measuring agree? E_n for single pairs, Bland-Altman over many."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from .profile import Array
from .units import LengthUnit, format_length

Agreement = Literal["agree", "disagree", "cannot-tell"]


@dataclass(frozen=True, slots=True)
class BlandAltman:
    """Differences of paired readings.

    Attributes
    ----------
    n
        Pairs.
    mean, sd
        Of the differences.
    se_mean
        Standard error of the mean difference.
    limits
        mean ± factor * sd, between which most differences lie.
    factor
        1.96, or 2 as in the first publication.
    """

    n: int
    mean: float
    sd: float
    se_mean: float
    limits: tuple[float, float]
    factor: float


@dataclass(frozen=True, slots=True)
class PairCheck:
    """One pair: a reading by hand and by photo at the same fret.

    Attributes
    ----------
    fret
        Where.
    hand_mm, U_hand_mm, photo_mm, U_photo_mm
        Depth below the common chord with expanded uncertainties (k = 2).
    E_n
        Difference over the root sum of squares of the expanded uncertainties.
    """

    fret: int
    hand_mm: float
    U_hand_mm: float
    photo_mm: float
    U_photo_mm: float
    E_n: float

    @property
    def agrees(self) -> bool:
        """Satisfactory in the sense of ISO 13528: |E_n| <= 1."""
        return abs(self.E_n) <= 1


@dataclass(frozen=True, slots=True)
class Crosscheck:
    """Hand against photo.

    Attributes
    ----------
    pairs
        By fret.
    bland_altman
        Over the pairs, when there are at least three; hand minus photo.
    verdict
        agree: every pair satisfactory; disagree: at least one not; cannot-tell: satisfactory only because the
        uncertainty is too wide to tell anything.
    sentence
        The same in words.
    repeat
        Frets to read again.
    """

    pairs: tuple[PairCheck, ...]
    bland_altman: BlandAltman | None
    verdict: Agreement
    sentence: str
    repeat: tuple[int, ...]


# Wider than this a comparison tells nothing about a set-up (common practice, no published source).
USEFUL_U_MM = 0.15


def e_n(value: float, reference: float, *, U_value: float, U_reference: float) -> float:
    """Return E_n = (x - x_ref) / sqrt(U_x^2 + U_ref^2), expanded uncertainties with k = 2 (ISO 13528).

    Raises
    ------
    ValueError
        When both uncertainties are zero.
    """
    spread = math.hypot(U_value, U_reference)
    if spread <= 0:
        raise ValueError("E_n needs an uncertainty")
    return (value - reference) / spread


def bland_altman(
    first: Array | Sequence[float], second: Array | Sequence[float], *, factor: float = 1.96
) -> BlandAltman:
    """Return the limits of agreement of two series of paired readings, first minus second.

    Bland and Altman, Lancet 1986; 327: 307-310 (there with factor 2).
    """
    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    n = len(difference)
    if n < 3:
        raise ValueError(f"limits of agreement need at least three pairs, got {n}")
    mean, sd = float(difference.mean()), float(difference.std(ddof=1))
    return BlandAltman(n, mean, sd, sd / math.sqrt(n), (mean - factor * sd, mean + factor * sd), factor)


def bartlett_statistic(groups: Sequence[Sequence[float]]) -> float:
    """Return Bartlett's statistic for equal spread of several groups of readings."""
    from scipy.stats import bartlett  # of all of scipy it takes longest to load

    return float(bartlett(*groups).statistic)


def judge_pairs(pairs: Sequence[PairCheck], *, unit: LengthUnit = "mm") -> Crosscheck:
    """Return the verdict over all pairs, with one plain sentence.

    Parameters
    ----------
    pairs
        At least one.
    unit
        Unit of the lengths in the sentence.
    """
    if not pairs:
        raise ValueError("nothing to compare")
    wrong = [p for p in pairs if not p.agrees]
    spread = None
    if len(pairs) >= 3:
        spread = bland_altman([p.hand_mm for p in pairs], [p.photo_mm for p in pairs])
    widest = max(math.hypot(p.U_hand_mm, p.U_photo_mm) for p in pairs)
    if wrong:
        worst = max(wrong, key=lambda p: abs(p.E_n))
        differ = format_length(worst.hand_mm - worst.photo_mm, unit, signed=True)
        named = ", ".join(str(p.fret) for p in wrong)
        sentence = (
            f"Hand and photo disagree: at fret {worst.fret} the hand reads {differ} against the photo "
            f"(E_n {worst.E_n:+.1f}); read fret {named} again, both ways, before a tool touches the rod."
        )
        return Crosscheck(tuple(pairs), spread, "disagree", sentence, tuple(p.fret for p in wrong))
    if widest > USEFUL_U_MM:
        sentence = (
            f"Hand and photo do not contradict each other, but at ± {format_length(widest, unit)} that tells little: "
            "use feeler leaves or a dial."
        )
        return Crosscheck(tuple(pairs), spread, "cannot-tell", sentence, ())
    largest = max(pairs, key=lambda p: abs(p.hand_mm - p.photo_mm))
    differ = format_length(abs(largest.hand_mm - largest.photo_mm), unit)
    sentence = (
        f"Hand and photo agree within their uncertainties: the largest difference is {differ} at fret {largest.fret}."
    )
    return Crosscheck(tuple(pairs), spread, "agree", sentence, ())
