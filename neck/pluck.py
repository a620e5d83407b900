"""The envelope of a plucked string (d'Alembert).

An ideal string drawn aside at one point and let go is, at any time, half the sum of two copies of its first shape
running opposite ways and turned over at the ends. Over one period it fills a parallelogram: the triangle it was drawn
to on one side and that triangle turned end for end on the other. No damping and no stiffness: the first swing is the
widest, so the envelope is the worst case.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from .profile import Array

Release = Literal["lifted", "pressed", "either"]


def pluck_height_mm(force_N: float, *, tension_N: float, length_mm: float, from_end_mm: float) -> float:
    """Return how far a force draws the string aside, X = F a (L - a) / (T L)."""
    return force_N * from_end_mm * (length_mm - from_end_mm) / (tension_N * length_mm)


def triangle_mm(x_mm: Array, *, length_mm: float, peak_at_mm: float, peak_mm: float) -> Array:
    """Return the shape of a string drawn aside at one point; zero outside its ends."""
    return np.asarray(np.interp(x_mm, [0.0, peak_at_mm, length_mm], [0.0, peak_mm, 0.0], left=0.0, right=0.0))


def string_at(x_mm: Array, *, length_mm: float, peak_at_mm: float, peak_mm: float, phase: float) -> Array:
    """Return the string's displacement at a time, as a fraction `phase` of its period (d'Alembert's two waves)."""
    x = np.asarray(x_mm, dtype=np.float64)

    def odd_periodic(at: Array) -> Array:
        place = np.mod(at, 2 * length_mm)
        turned = place > length_mm
        folded = np.where(turned, 2 * length_mm - place, place)
        value = triangle_mm(folded, length_mm=length_mm, peak_at_mm=peak_at_mm, peak_mm=peak_mm)
        return np.where(turned, -value, value)

    run = 2 * length_mm * phase
    return np.asarray((odd_periodic(x - run) + odd_periodic(x + run)) / 2)


def dip_envelope_mm(
    x_mm: Array, *, length_mm: float, pluck_from_saddle_mm: float, peak_mm: float, release: Release = "either"
) -> Array:
    """Return how far the string dips below its rest line at most, over one period.

    Parameters
    ----------
    x_mm
        (n,) distances from the fretted (or nut) end towards the saddle.
    length_mm
        Free length.
    pluck_from_saddle_mm
        Where it is plucked.
    peak_mm
        How far it is drawn aside towards or away from the board there.
    release
        lifted: drawn away from the board, so that it dips turned end for end, towards the player's fretting hand;
        pressed: drawn towards the board, dipping where it was plucked; either: the worse of both.
    """
    drawn = length_mm - pluck_from_saddle_mm
    turned = triangle_mm(x_mm, length_mm=length_mm, peak_at_mm=pluck_from_saddle_mm, peak_mm=peak_mm)
    pressed = triangle_mm(x_mm, length_mm=length_mm, peak_at_mm=drawn, peak_mm=peak_mm)
    if release == "lifted":
        return turned
    return pressed if release == "pressed" else np.maximum(turned, pressed)
