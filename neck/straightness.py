"""Straightness of a profile against its three usual reference lines, and the line fit behind it.

The end-point line is the workshop chord: relief is read from it. Least squares and minimum zone are the reference
lines of ISO 12780-1:2011. Deviations are taken along the height axis; at the slopes of a fingerboard (under 1 mm/m)
this differs from the orthogonal distance by less than one part in a million.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from .profile import Array, frozen_array


@dataclass(frozen=True, slots=True)
class Straightness:
    """A profile against one reference line.

    Attributes
    ----------
    slope, intercept_mm
        The reference line, height = intercept + slope * position.
    deviation_mm
        (n,) height minus reference line.
    range_mm
        Peak to valley of the deviations: the straightness error (STRt in ISO 12780-1).
    """

    slope: float
    intercept_mm: float
    deviation_mm: Array = field(repr=False)
    range_mm: float


@dataclass(frozen=True, slots=True)
class LineFit:
    """A straight line fitted to data.

    Attributes
    ----------
    intercept, slope
        y = intercept + slope * x, in the units of the data.
    covariance
        (2, 2) covariance of (intercept, slope).
    residual_sd
        Residual standard deviation; of the whitened residuals when a covariance was given (then near 1).
    dof
        Degrees of freedom.
    """

    intercept: float
    slope: float
    covariance: Array = field(repr=False)
    residual_sd: float
    dof: int

    @property
    def u_intercept(self) -> float:
        """Standard uncertainty of the intercept."""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope."""
        return float(np.sqrt(self.covariance[1, 1]))


def chord_matrix(position_mm: Array, ends: tuple[int, int]) -> Array:
    """Return the matrix that turns heights into deviations from the chord through two of the points.

    Parameters
    ----------
    position_mm
        (n,) positions along the profile.
    ends
        Indices of the two points the chord goes through.

    Returns
    -------
    Array
        (n, n) matrix A; deviation = A @ height. Its rows at the two ends are zero. Being linear, it carries a
        covariance C of the heights to A C A^T (JCGM 100:2008, 5.2).
    """
    x = np.asarray(position_mm, dtype=np.float64)
    first, last = ends
    share = (x - x[first]) / (x[last] - x[first])
    matrix = np.eye(len(x))
    matrix[:, first] -= 1.0 - share
    matrix[:, last] -= share
    matrix[[first, last]] = 0.0
    return matrix


def end_point_straightness(position_mm: Array, height_mm: Array) -> Straightness:
    """Return straightness against the line through the two extremities (any consistent units)."""
    x, y = _pair(position_mm, height_mm)
    slope = float((y[-1] - y[0]) / (x[-1] - x[0]))
    deviation = chord_matrix(x, (0, len(x) - 1)) @ y
    return _straightness(slope, float(y[0] - slope * x[0]), deviation=deviation)


def least_squares_straightness(position_mm: Array, height_mm: Array) -> Straightness:
    """Return straightness against the least-squares line (ISO 12780-1)."""
    x, y = _pair(position_mm, height_mm)
    fit = fit_line(x, y)
    return _straightness(fit.slope, fit.intercept, deviation=y - fit.intercept - fit.slope * x)


def minimum_zone_straightness(position_mm: Array, height_mm: Array) -> Straightness:
    """Return straightness against the middle of the minimum zone (ISO 12780-1).

    Notes
    -----
    The width of the enclosing zone is a convex, piecewise linear function of its slope with kinks at the slopes of
    point pairs only, so the best pair slope is the exact minimum.
    """
    x, y = _pair(position_mm, height_mm)
    i, j = np.triu_indices(len(x), 1)
    slopes = (y[j] - y[i]) / (x[j] - x[i])
    residual = y - slopes[:, None] * x
    best = int(np.argmin(np.ptp(residual, axis=1)))
    middle = float((residual[best].max() + residual[best].min()) / 2)
    return _straightness(float(slopes[best]), middle, deviation=residual[best] - middle)


def fit_line(x: Array, y: Array, *, covariance: Array | None = None) -> LineFit:
    """Fit y = intercept + slope * x by (generalised) least squares.

    Parameters
    ----------
    x, y
        (n,) data, n > 2 unless a covariance is given.
    covariance
        (n, n) covariance of y. Without it all points weigh the same and their scatter is taken from the residuals.

    Returns
    -------
    LineFit

    Raises
    ------
    ValueError
        When there are too few points, or all x are the same.
    """
    x, y = _pair(x, y)
    if len(x) < (3 if covariance is None else 2):
        raise ValueError(f"a line fit needs more points, got {len(x)}")
    # Centring first keeps all digits when x is far from zero.
    middle = float(np.mean(x))
    design = np.column_stack([np.ones_like(x), x - middle])
    target = y
    if covariance is not None:
        factor = cholesky(np.asarray(covariance, dtype=np.float64), lower=True)
        design = solve_triangular(factor, design, lower=True)
        target = solve_triangular(factor, y, lower=True)
    q, r = np.linalg.qr(design)
    solution = solve_triangular(r, q.T @ target)
    dof = len(x) - 2
    residual_sd = float(np.sqrt(np.sum((target - design @ solution) ** 2) / dof)) if dof else 0.0
    inverse = solve_triangular(r, np.eye(2))
    spread = inverse @ inverse.T * (residual_sd**2 if covariance is None else 1.0)
    back = np.array([[1.0, -middle], [0.0, 1.0]])
    intercept, slope = back @ solution
    return LineFit(float(intercept), float(slope), frozen_array(back @ spread @ back.T), residual_sd, dof)


def _pair(x: Array, y: Array) -> tuple[Array, Array]:
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1 or len(x) < 2:
        raise ValueError(f"need two equally long rows of at least two numbers, got shapes {x.shape} and {y.shape}")
    if not np.ptp(x) > 0:
        raise ValueError("all positions are the same")
    return x, y


def _straightness(slope: float, intercept: float, *, deviation: Array) -> Straightness:
    return Straightness(slope, intercept, frozen_array(deviation), float(np.ptp(deviation)))
