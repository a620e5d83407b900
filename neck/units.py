"""Lengths as people write them at the bench, to mm and back."""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import Literal

from .errors import InputError

MM_PER_INCH = 25.4
NEWTON_PER_LBF = 4.4482216152605

LengthUnit = Literal["mm", "in"]

_MM = {"mm": Fraction(1), "cm": Fraction(10), "um": Fraction(1, 1000), "µm": Fraction(1, 1000), "μm": Fraction(1, 1000)}
_INCH = {"in": Fraction(254, 10), '"': Fraction(254, 10), "inch": Fraction(254, 10)}
_THOU = {"thou": Fraction(254, 10000), "mil": Fraction(254, 10000)}
UNITS_MM: dict[str, Fraction] = {**_MM, **_INCH, **_THOU}

MAX_TEXT = 60  # of a length as people write it: longer is none
_NUMBER = r"\d+(?:\.\d*)?|\.\d+"
_LENGTH = re.compile(
    rf"""\s*(?P<sign>[+\-−]?)\s*
    (?:(?:(?P<whole>\d+)(?:\s+|-))?(?P<top>\d+)\s*/\s*(?P<bottom>\d+)|(?P<number>(?:{_NUMBER})(?:[eE][+\-]?\d{{1,2}})?))
    \s*(?P<unit>[a-zA-Zµμ"]*)\s*""",
    re.VERBOSE,
)


def parse_length(text: str, *, default_unit: str = "mm", what: str = "length") -> float:
    """Return a length in mm from text such as "0.010in", "10thou", "2/64in", "1 3/64 in" or "0.3 mm".

    Parameters
    ----------
    text
        The number, a fraction or a mixed number, and its unit: mm, cm, µm, in, ", thou.
    default_unit
        The unit of a bare number.
    what
        Names the quantity in the error.

    Raises
    ------
    InputError
        When the text is not a length.
    """
    match = _LENGTH.fullmatch(text) if len(text) <= MAX_TEXT else None
    if match is None:
        raise InputError(
            f"{what}: cannot read {text[:MAX_TEXT]!r}; write a number and a unit, as 0.25mm, 0.010in, 10thou or 2/64in"
        )
    unit = match["unit"] or default_unit
    factor = UNITS_MM.get(unit) or UNITS_MM.get(unit.lower())
    if factor is None:
        raise InputError(f"{what}: unknown unit {unit!r} in {text!r}; use mm, cm, um, in or thou")
    if match["top"] is not None:
        if int(match["bottom"]) == 0:
            raise InputError(f"{what}: {text!r} divides by zero")
        value = int(match["whole"] or 0) + Fraction(int(match["top"]), int(match["bottom"]))
    else:
        value = Fraction(match["number"])
    # Exact fractions until the last step keep mm and inch round trips true to the last digit.
    length = value * factor
    if length > 10**9:
        raise InputError(f"{what}: {text!r} is out of all measure")
    return float(-length if match["sign"] in ("-", "−") else length)


def parse_turns(text: str, *, what: str = "turns") -> float:
    """Return turns from "1/8", "0.25", "1 1/4"; a unit word ("turn", "turns") may follow.

    Raises
    ------
    InputError
        When it is no number of turns.
    """
    match = re.fullmatch(r"\s*(?:(\d{1,9})\s+)?(\d{1,9})\s*/\s*(\d{1,9})\s*(?:turns?)?\s*", text)
    if match and int(match[3]) > 0:
        return float(int(match[1] or 0) + Fraction(int(match[2]), int(match[3])))
    plain = re.fullmatch(r"\s*(\d{0,9}\.?\d{1,30})\s*(?:turns?)?\s*", text)
    if plain is None:
        raise InputError(f"{what}: cannot read {text[:MAX_TEXT]!r}; write a part of a turn, as 1/8 or 0.25")
    return float(plain[1])


def to_unit(length_mm: float, unit: LengthUnit) -> float:
    """Return a length in mm as a number in `unit`."""
    return length_mm / MM_PER_INCH if unit == "in" else length_mm


def format_length(length_mm: float, unit: LengthUnit = "mm", *, signed: bool = False) -> str:
    """Return a length for people: three digits in mm, four in inch, a little finer than a bench can use."""
    value = to_unit(length_mm, unit)
    if not math.isfinite(value):
        return "?"
    digits = 4 if unit == "in" else 3
    # No "-0.000": rounding may leave a sign on nothing.
    value = round(value, digits) + 0.0
    return f"{value:{'+' if signed else ''}.{digits}f} {unit}"
