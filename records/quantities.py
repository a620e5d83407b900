"""Numbers as people read them: a unit on every value, value and uncertainty to the same digit."""

from __future__ import annotations

import math
from typing import Literal

Units = Literal["mm", "in"]

MM_PER_INCH = 25.4
"""Exact by definition of the inch (1 in = 25.4 mm)."""


def in_units(value_mm: float, units: Units) -> float:
    """Return a length in the units wanted at the surface."""
    return value_mm if units == "mm" else value_mm / MM_PER_INCH


def decimals_for(uncertainty: float, *, least: int = 0, most: int = 5) -> int:
    """Return how many decimals show an uncertainty to two significant digits."""
    if not math.isfinite(uncertainty) or uncertainty <= 0.0:
        return most
    return min(max(1 - math.floor(math.log10(uncertainty) + 1e-9), least), most)


def with_uncertainty(value_mm: float, U_mm: float, *, units: Units = "mm", signed: bool = True) -> str:
    """Return "+0.312 ± 0.012 mm": the uncertainty to two significant digits, the value to the same digit."""
    value, uncertainty = in_units(value_mm, units), in_units(U_mm, units)
    decimals = decimals_for(uncertainty, least=2 if units == "mm" else 3)
    return f"{value:{'+' if signed else ''}.{decimals}f} ± {uncertainty:.{decimals}f} {units}"


def length(value_mm: float, *, units: Units = "mm", decimals: int = 2, signed: bool = False) -> str:
    """Return a length with its unit; an inch needs one more decimal than a millimetre to say the same."""
    places = decimals if units == "mm" else decimals + 1
    return f"{in_units(value_mm, units):{'+' if signed else ''}.{places}f} {units}"


def length_range(low_mm: float, high_mm: float, *, units: Units = "mm") -> str:
    """Return "0.10 to 0.25 mm"."""
    places = 2 if units == "mm" else 4
    return f"{in_units(low_mm, units):.{places}f} to {in_units(high_mm, units):.{places}f} {units}"


_FRACTIONS = {0.125: "⅛", 0.25: "¼", 0.375: "⅜", 0.5: "½", 0.625: "⅝", 0.75: "¾", 0.875: "⅞"}


def turns_text(turns: float) -> str:
    """Return a part of a turn as it is said at the bench: "⅛ turn", "1¼ turns", or decimals where none fits."""
    amount = abs(turns)
    whole, part = divmod(amount, 1.0)
    if part == 0.0:
        text = f"{whole:.0f}"
    elif part in _FRACTIONS:
        text = (f"{whole:.0f}" if whole else "") + _FRACTIONS[part]
    else:
        text = f"{amount:.3g}"
    return f"{text} turn" if amount <= 1.0 else f"{text} turns"
