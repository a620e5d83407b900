"""The gap profile: what a photo or a hand hands to the calculator."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Source = Literal["photo", "hand"]


def frozen_array(values: object) -> Array:
    """Return `values` as a read-only float array (a copy)."""
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, slots=True)
class Finding:
    """A doubt or a fact worth saying, by code, with one line for the reader."""

    code: str
    message: str


@dataclass(frozen=True, slots=True)
class CrownGap:
    """The gap between the straightedge and one fret crown.

    Attributes
    ----------
    fret
        Fret number from the nut (1 is the first fret, 0 the nut).
    position_mm
        Distance from the nut along the board.
    gap_mm, u_gap_mm
        Gap below the straightedge's lower edge and its standard uncertainty; a gap is never negative in truth,
        a measured one may be by noise.
    touching
        The straightedge rests on this crown.
    x_px, y_px
        The crown's apex in the upright image (pixel centres at integers), when a photo made the profile.
    extrapolated
        This crown was not read: its gap is carried on from the others.
    """

    fret: int
    position_mm: float
    gap_mm: float
    u_gap_mm: float
    touching: bool = False
    x_px: float | None = None
    y_px: float | None = None
    extrapolated: bool = False


@dataclass(frozen=True, slots=True)
class GapProfile:
    """Gaps along the fingerboard with their full covariance.

    Attributes
    ----------
    crowns
        In order of fret number.
    covariance_mm2
        (n, n) covariance of the gaps; its diagonal is `u_gap_mm` squared.
    source
        "photo" or "hand".
    scale_length_mm
        When known.
    numbers_relative
        True when the fret numbers count from the first crown seen and not from the nut.
    """

    crowns: tuple[CrownGap, ...]
    covariance_mm2: Array = field(repr=False)
    source: Source = "photo"
    scale_length_mm: float | None = None
    numbers_relative: bool = False

    def __post_init__(self) -> None:
        n = len(self.crowns)
        frets = [c.fret for c in self.crowns]
        if frets != sorted(set(frets)):
            raise ValueError(f"crowns must be in order of fret number, each once; got {frets}")
        if self.covariance_mm2.shape != (n, n):
            raise ValueError(f"covariance_mm2 must be ({n}, {n}); got {self.covariance_mm2.shape}")
        object.__setattr__(self, "covariance_mm2", frozen_array(self.covariance_mm2))

    @property
    def frets(self) -> tuple[int, ...]:
        """Fret numbers, in order."""
        return tuple(c.fret for c in self.crowns)

    @property
    def position_mm(self) -> Array:
        """(n,) distances from the nut."""
        return np.array([c.position_mm for c in self.crowns])

    @property
    def gap_mm(self) -> Array:
        """(n,) gaps."""
        return np.array([c.gap_mm for c in self.crowns])


Shape = Literal["up-bow", "back-bow", "straight", "s-bend", "cannot-tell"]


@dataclass(frozen=True, slots=True)
class Relief:
    """Relief of the neck: the crown farthest from the chord through two end crowns.

    Attributes
    ----------
    relief_mm
        Positive when the crowns sag below the chord (up-bow), negative when they stand above it (back-bow).
    U_mm, k
        Expanded uncertainty and its coverage factor.
    at_fret
        The fret of relief.
    chord
        The two end frets.
    shape
        Named only as far as the uncertainty allows.
    """

    relief_mm: float
    U_mm: float
    k: float
    at_fret: int
    chord: tuple[int, int]
    shape: Shape
