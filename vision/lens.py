"""The straightedge's lower edge as a straight one is seen through the lens.

A straightedge is straight to microns; its lower edge as followed bends by tenths of a pixel where glow, a chamfer or
what is seen through the gap pulls at it. What a lens makes of a straight line is told three times over: by the bend of
the lower edge itself, by that of the upper one, which nothing pulls at, and by how the frets' spacing swells from the
picture's middle (D. C. Brown, Close-range camera calibration, Photogrammetric Engineering 37, 1971: straight lines must
be seen straight). All three are weighed together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lightgap.neck.profile import Array

from .camera import BoardCamera
from .comb import Comb
from .locate import EdgeCurve

# Of phones' lenses, after what their own software corrects (common practice, no published source).
U_K1 = 0.02
# Of the comb's reading of it, beside what its fit says: the crowns' glow and smear (by own renders with truth).
U_COMB_K1 = 0.003
# Of the lens's axis, in shares of the picture's height: photos are cropped along the neck.
U_AXIS = 0.15
# Of the bend of an edge as followed; by own renders with truth.
U_LOWER_PX, U_UPPER_PX = 0.2, 0.08
OUTLYING = 2.0  # in standard uncertainties: from there on a reading counts less and less (Cauchy's loss)
K1_STEP, AXIS_STEP_PX = 0.01, 100.0
STARTS = [(k, axis) for k in (-2.0, 0.3, 2.0) for axis in (-1.5, 0.0, 1.5)]


@dataclass(frozen=True, slots=True)
class Straightened:
    """The lower edge as a straight one is seen.

    Attributes
    ----------
    edge
        The curve.
    u_bend_px
        Standard uncertainty of its bend, as the factor of t^2, t being -1 and 1 at its ends.
    """

    edge: EdgeCurve
    u_bend_px: float


def lens_shift_px(comb: Comb, x_px: Array, y_px: Array, axis_px: float) -> Array:
    """Return by how much a lens of k1 = 1 shifts a point's row: x (1 + k1 r^2)."""
    off = y_px - axis_px
    return np.asarray(off * ((x_px - comb.middle_px) ** 2 + off**2) / comb.focal_px**2)


def straighten(edge: EdgeCurve, upper: EdgeCurve | None, camera: BoardCamera, height_px: int) -> Straightened:
    """Return the lower edge as a straight one is seen through the lens.

    Parameters
    ----------
    edge, upper
        The straightedge's lower edge, and its upper one where it was seen, followed.
    camera
        Its comb tells the lens.
    height_px
        Of the picture.
    """
    from scipy.optimize import least_squares

    comb = camera.comb
    x, t = np.linspace(edge.low_px, edge.high_px, 101), np.linspace(-1, 1, 101)
    middle = (height_px - 1) / 2

    def bend(y: Array) -> float:
        return float(np.polyfit(t, y, 2)[0])

    def bends(y: Array) -> tuple[float, float, float]:
        """Of the curve, and of the lens's shift for an axis at the picture's middle, and one AXIS_STEP_PX below."""
        at = bend(lens_shift_px(comb, x, y, middle))
        return bend(y), at, bend(lens_shift_px(comb, x, y, middle + AXIS_STEP_PX)) - at

    seen = [(*bends(edge.y_px(x)), U_LOWER_PX)]
    if upper is not None:
        seen.append((*bends(upper.y_px(x)), U_UPPER_PX))

    u_comb = float(np.hypot(camera.u_k1, U_COMB_K1))

    def miss(p: Array) -> Array:
        k1 = K1_STEP * p[0]
        rows = [(b - k1 * (at + rate * p[1])) / u for b, at, rate, u in seen]
        told = [(k1 - comb.k1) / u_comb]
        known = np.array([k1 / U_K1, p[1] * AXIS_STEP_PX / (U_AXIS * height_px)])
        return np.concatenate([_less(np.array(rows + told)), known])

    fits = [least_squares(miss, start, method="lm") for start in STARTS]
    fit = min(fits, key=lambda f: f.cost)
    covariance = np.linalg.inv(fit.jac.T @ fit.jac)
    _, at, rate, _ = seen[0]
    change = np.array([K1_STEP * (at + rate * fit.x[1]), K1_STEP * fit.x[0] * rate])
    y = edge.y_px(x)
    shift = K1_STEP * fit.x[0] * lens_shift_px(comb, x, y, middle + AXIS_STEP_PX * fit.x[1])
    straight = np.polyval(np.polyfit(t, y - shift, 1), t) + shift
    coefficients = np.polyfit((x - edge.middle_px) / edge.half_px, straight, 3)
    coefficients.setflags(write=False)
    return Straightened(replace(edge, coefficients=coefficients), float(np.sqrt(change @ covariance @ change)))


def _less(miss: Array) -> Array:
    """Return residuals whose squares are Cauchy's loss of those given."""
    return np.asarray(np.sign(miss) * OUTLYING * np.sqrt(np.log1p((miss / OUTLYING) ** 2)))
