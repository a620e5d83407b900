"""Places along the board, and the smooth curve that most values along it make."""

from __future__ import annotations

import numpy as np

from lightgap.neck.profile import Array

SCATTER_FLOOR_MM = 0.003  # of a few values in one line by chance


def along_board(position_mm: Array) -> Array:
    """Return places (n,) along the board about their mean, in halves of their span."""
    return np.asarray((position_mm - position_mm.mean()) / max(float(np.ptp(position_mm)) / 2, 1.0))


def through_most(along: Array, value: Array, sure: Array, *, order: int) -> tuple[Array, float]:
    """Return a smooth curve through most of the values, those far off it counting little, and their scatter.

    Parameters
    ----------
    along
        (n,) places, scaled to -1 .. 1.
    value
        (n,) NaN where there is none.
    sure
        (n,) weights beforehand, 0 to 1.
    order
        Of the polynomial.
    """
    seen = np.isfinite(value)
    if seen.sum() <= order + 1:
        return np.full_like(along, np.nan), np.inf
    powers = np.asarray(np.vander(along, order + 1), dtype=np.float64)
    weight, scatter, curve = sure[seen], np.inf, np.zeros_like(along)
    for _ in range(8):
        fit = np.linalg.lstsq(powers[seen] * weight[:, None], value[seen] * weight, rcond=None)[0]
        curve = powers @ fit
        off = value[seen] - curve[seen]
        scatter = 1.48 * float(np.median(np.abs(off))) + SCATTER_FLOOR_MM
        weight = sure[seen] / np.sqrt(1 + (off / (2 * scatter)) ** 2)
    return np.asarray(curve), scatter


def carried_on(along: Array, *, order: int) -> Array:
    """Return (n,) how much farther each value scatters about the curve through the others than they do about theirs.

    One over the root of one less its leverage (R. D. Cook, Detection of influential observation in linear regression,
    Technometrics 19, 1977).

    Parameters
    ----------
    along
        (n,) places, scaled to -1 .. 1; more than the order and one.
    order
        Of the polynomial.
    """
    powers = np.vander(along, order + 1)
    leverage = np.einsum("ij,ji->i", powers, np.linalg.pinv(powers))
    return np.asarray(1 / np.sqrt(np.maximum(1 - leverage, 1e-9)))
