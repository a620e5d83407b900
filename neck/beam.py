"""Bending of beams after Euler and Bernoulli, and the neck as one fixed at the body joint.

Standard cases as found in any handbook of strength of materials. Consistent units: N and mm give mm.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.integrate import cumulative_trapezoid

from .profile import Array


def central_load_deflection_mm(force_N: float, *, span_mm: float, stiffness_N_mm2: float) -> float:
    """Return the midspan deflection of a simply supported beam under a central load, P L^3 / (48 E I)."""
    return force_N * span_mm**3 / (48 * stiffness_N_mm2)


def uniform_load_deflection_mm(load_N_mm: float, *, span_mm: float, stiffness_N_mm2: float) -> float:
    """Return the midspan deflection of a simply supported beam under a uniform load, 5 w L^4 / (384 E I)."""
    return 5 * load_N_mm * span_mm**4 / (384 * stiffness_N_mm2)


def end_moment_deflection_mm(moment_N_mm: float, *, span_mm: float, stiffness_N_mm2: float) -> float:
    """Return the midspan deflection of a beam under equal end moments, M L^2 / (8 E I)."""
    return moment_N_mm * span_mm**2 / (8 * stiffness_N_mm2)


def cantilever_load_deflection_mm(force_N: float, *, length_mm: float, stiffness_N_mm2: float) -> float:
    """Return the tip deflection of a cantilever under an end load, P L^3 / (3 E I)."""
    return force_N * length_mm**3 / (3 * stiffness_N_mm2)


def cantilever_moment_deflection_mm(moment_N_mm: float, *, length_mm: float, stiffness_N_mm2: float) -> float:
    """Return the tip deflection of a cantilever under an end moment, M L^2 / (2 E I)."""
    return moment_N_mm * length_mm**2 / (2 * stiffness_N_mm2)


def arc_radius_mm(chord_mm: float, *, sagitta_mm: float) -> float:
    """Return the radius of the circle with a given chord and sagitta, c^2 / (8 s) + s / 2."""
    return chord_mm**2 / (8 * sagitta_mm) + sagitta_mm / 2


def arc_sagitta_mm(chord_mm: float, *, radius_mm: float) -> float:
    """Return the sagitta of a chord of a circle, R - sqrt(R^2 - c^2/4), without loss of digits at large radii."""
    half = chord_mm / 2
    return half**2 / (radius_mm + math.sqrt(radius_mm**2 - half**2))


def cantilever_shape(distance_mm: Array, *, taper: float = 1.0) -> Array:
    """Return the deflection of a cantilever under a constant moment, for unit curvature at its fixed end.

    Parameters
    ----------
    distance_mm
        (n,) distances from the fixed end, rising from 0.
    taper
        Thickness at the free end over thickness at the fixed end; stiffness goes with its cube, thickness varies
        linearly. 1 is a uniform beam: distance^2 / 2.

    Returns
    -------
    Array
        (n,) deflections, per unit curvature at the fixed end (mm per 1/mm).
    """
    s = np.asarray(distance_mm, dtype=np.float64)
    if taper == 1.0:
        return np.asarray(s**2 / 2)
    thickness = 1 + (taper - 1) * s / s[-1]
    slope = cumulative_trapezoid(thickness**-3, s, initial=0)
    return np.asarray(cumulative_trapezoid(slope, s, initial=0), dtype=np.float64)
