"""Fret places in twelve-tone equal temperament, and fret numbers as written.

Fret n stands at x_n = L (1 - 2^(-n/12)) from the nut, L the scale length: the semitone ratio 2^(1/12) of equal
temperament (ISO 16 fixes only A4 = 440 Hz; the ratio is the definition of the temperament).
"""

from __future__ import annotations

import re

import numpy as np

from .errors import InputError
from .profile import Array

MAX_FRET = 30


def fret_position_mm(fret: float | Array, scale_length_mm: float) -> Array:
    """Return the distance from the nut of `fret` (scalar or array) for a scale length, in mm."""
    return scale_length_mm * (1.0 - np.exp2(-np.asarray(fret, dtype=np.float64) / 12.0))


def fret_number(position_mm: float | Array, scale_length_mm: float) -> Array:
    """Return the (fractional) fret number standing at `position_mm` from the nut."""
    return -12.0 * np.log2(1.0 - np.asarray(position_mm, dtype=np.float64) / scale_length_mm)


def parse_fret(text: str, *, what: str) -> int:
    """Return a fret number from text.

    Raises
    ------
    InputError
        When it is no whole number from 0 (the nut) to `MAX_FRET`.
    """
    clean = text.strip()
    if not re.fullmatch(r"\d{1,3}", clean) or int(clean) > MAX_FRET:
        raise InputError(f"{what}: fret must be a whole number 0 to {MAX_FRET}, got {clean!r}")
    return int(clean)


def parse_chord(text: str) -> tuple[int, int]:
    """Return the chord ends from "A-B".

    Raises
    ------
    InputError
        When they are no two fret numbers at least two apart, the lower first.
    """
    parts = text.split("-")
    if len(parts) != 2:
        raise InputError(f"chord {text!r}: write A-B, two fret numbers, for example 1-15")
    first, last = (parse_fret(part, what=f"chord {text!r}") for part in parts)
    if last - first < 2:
        raise InputError(f"chord {text!r}: the second fret must lie at least two frets beyond the first")
    return first, last
