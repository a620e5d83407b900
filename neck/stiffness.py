"""What string pull does to relief, once the neck has been seen at two tensions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .errors import InputError
from .straightness import fit_line
from .units import NEWTON_PER_LBF, parse_length

MAX_PULL_N = 3000.0
MIN_SPREAD_N = 20.0


@dataclass(frozen=True, slots=True)
class TensionRelief:
    """Relief seen at one total string pull, rod untouched.

    Attributes
    ----------
    pull_N
        Total pull.
    relief_mm, u_relief_mm
        Relief and its standard uncertainty.
    """

    pull_N: float
    relief_mm: float
    u_relief_mm: float = 0.015


@dataclass(frozen=True, slots=True)
class NeckCompliance:
    """Relief per pull.

    Attributes
    ----------
    mm_per_N, u_mm_per_N
        More pull never means less up-bow, so the value is not below 0.
    at_N, relief_mm
        A point of the line.
    """

    mm_per_N: float
    u_mm_per_N: float
    at_N: float
    relief_mm: float

    def change_mm(self, pull_change_N: float, u_pull_change_N: float) -> tuple[float, float]:
        """Return the relief change for a change of pull and its standard uncertainty."""
        u = math.hypot(self.u_mm_per_N * pull_change_N, self.mm_per_N * u_pull_change_N)
        return self.mm_per_N * pull_change_N, u


def parse_seen(text: str) -> TensionRelief:
    """Return a pull with its relief from "PULL=RELIEF", as "463N=0.30mm", "104lbf=0.012in"; newton when no unit.

    Raises
    ------
    InputError
        When it cannot be read or makes no sense.
    """
    pull_text, mark, relief_text = text.partition("=")
    if not mark:
        raise InputError(f"seen {text!r}: write PULL=RELIEF, for example 463N=0.30mm")
    clean = pull_text.strip()
    factor = NEWTON_PER_LBF if clean.endswith(("lbf", "lb", "lbs")) else 1.0
    number = clean.removesuffix("lbs").removesuffix("lbf").removesuffix("lb").removesuffix("N")
    try:
        pull = float(number) * factor
    except ValueError:
        raise InputError(f"seen {text!r}: cannot read the pull {clean!r}; write N or lbf") from None
    if not (math.isfinite(pull) and 0 <= pull <= MAX_PULL_N):
        raise InputError(f"seen {text!r}: a total pull is 0 to {MAX_PULL_N:g} N, got {pull:g} N")
    relief = parse_length(relief_text, what=f"seen {text!r}")
    if not abs(relief) <= 3:
        raise InputError(f"seen {text!r}: relief of {relief:g} mm makes no sense (at most 3 mm)")
    return TensionRelief(pull, relief)


def neck_compliance(seen: Sequence[TensionRelief]) -> NeckCompliance:
    """Return relief per pull from reliefs seen at two or more pulls, the rod left alone between them.

    Raises
    ------
    InputError
        When there are fewer than two, or the pulls are too close to each other to tell.
    """
    if len(seen) < 2:
        raise InputError("the neck's answer to string pull needs relief at two tensions; give it twice")
    pulls = np.array([s.pull_N for s in seen])
    if np.ptp(pulls) < MIN_SPREAD_N:
        raise InputError(f"the pulls seen differ by {np.ptp(pulls):.0f} N: at least {MIN_SPREAD_N:g} N are needed")
    fit = fit_line(pulls, np.array([s.relief_mm for s in seen]), covariance=np.diag([s.u_relief_mm**2 for s in seen]))
    middle = float(pulls.mean())
    return NeckCompliance(max(0.0, fit.slope), fit.u_slope, middle, fit.intercept + fit.slope * middle)
