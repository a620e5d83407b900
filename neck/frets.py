"""Fret places in twelve-tone equal temperament.

Fret n stands at x_n = L (1 - 2^(-n/12)) from the nut, L the scale length: the semitone ratio 2^(1/12) of equal
temperament (ISO 16 fixes only A4 = 440 Hz; the ratio is the definition of the temperament).
"""

from __future__ import annotations

import numpy as np

from .profile import Array

MAX_FRET = 30


def fret_position_mm(fret: float | Array, scale_length_mm: float) -> Array:
    """Return the distance from the nut of `fret` (scalar or array) for a scale length, in mm."""
    return scale_length_mm * (1.0 - np.exp2(-np.asarray(fret, dtype=np.float64) / 12.0))


def fret_number(position_mm: float | Array, scale_length_mm: float) -> Array:
    """Return the (fractional) fret number standing at `position_mm` from the nut."""
    return -12.0 * np.log2(1.0 - np.asarray(position_mm, dtype=np.float64) / scale_length_mm)
