"""Judging a measured number against limits, with its uncertainty.

The rule is that of ISO 14253-1 (from memory): conformity is claimed only when the number lies inside the limits by
more than its expanded uncertainty, non-conformity only when it lies outside by more than that; in between nothing can
be told. It is the one place where a measured number is compared with a limit.
"""

from __future__ import annotations

from typing import Literal

Judgement = Literal["above", "below", "inside", "cannot-tell"]


def judge(value: float, expanded: float, *, low: float, high: float) -> Judgement:
    """Return where a number with expanded uncertainty stands against the range low to high.

    All four in the same unit. "cannot-tell" when value ± expanded contains a limit.
    """
    if value - expanded > high:
        return "above"
    if value + expanded < low:
        return "below"
    if value - expanded >= low and value + expanded <= high:
        return "inside"
    return "cannot-tell"


def is_above(value: float, expanded: float, *, limit: float) -> bool:
    """Return True when a number is above a limit beyond its expanded uncertainty."""
    return value - expanded > limit


def is_below(value: float, expanded: float, *, limit: float) -> bool:
    """Return True when a number is below a limit beyond its expanded uncertainty."""
    return value + expanded < limit
