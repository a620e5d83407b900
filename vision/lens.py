"""The straightedge's lower edge as a straight one is seen through the lens.

A straightedge is straight to microns; its lower edge as followed bends by tenths of a pixel, and by more where what its
chamfer mirrors changes. What a lens makes of a straight line is told three times over: by the bend of the lower edge
itself, by that of the upper one, and by how the frets' spacing swells from the picture's middle (D. C. Brown,
Close-range camera calibration, Photogrammetric Engineering 37, 1971: straight lines must be seen straight). All three
are weighed together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lightgap.neck.profile import Array

from .camera import U_K1, BoardCamera
from .chamfer import ExtraBend
from .locate import EdgeCurve
from .readings import CrownSet

# Of phones' lenses, after what their own software corrects, and of the axis in shares of the picture's height: photos
# are cropped along the neck. However narrow a crop, the camera was aimed no better: in shares of its width, at least
# (common practice, no published source).
U_LENS_K1, U_AXIS, U_AIM = 0.02, 0.15, 0.042
# A picture of a camera's own shape, both sides in steps of its sensor's readout, and larger than pictures are resized
# to, is whole: its axis is in the middle, in shares of its width. One in 64 of those cropped to that shape by hand has
# such sides (common practice, no published source).
WHOLE_SHAPES, SHAPE_TOLERANCE, WHOLE_STEP_PX, WHOLE_PIXELS, U_WHOLE = (4 / 3, 3 / 2, 16 / 9), 0.005, 8, 9e6, 0.012
# Of the comb's reading of it, beside what its fit says: the crowns' glow and smear (by own renders with truth).
U_COMB_K1 = 0.003
U_OUTLINES_K1 = 0.0008  # ... where the outlines of fret ends tell it (likewise)
# Of the bend of an edge as followed where its chamfer could not be fitted, and at least of the one found; by own
# renders with truth.
U_LOWER_PX, U_UPPER_PX, U_LEAST_PX = 0.3, 0.08, 0.03
# Of what sets a fit apart from what was followed: it may have taken one line of the chamfer for the other (by own
# renders with truth).
DOUBTED = 0.3
MIN_OVERLAP = 0.55  # of the lower edge, along which the upper one is seen
OUTLYING = 1.2  # in standard uncertainties: from there on a reading counts less and less (Cauchy's loss)
K1_STEP, AXIS_STEP_PX = 0.01, 100.0
SAME_STEPS = 0.05  # nearer to each other two fits are one
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


@dataclass(frozen=True, slots=True)
class _Bend:
    """A bend as seen, and what a lens of k1 = 1 makes: for its axis at the picture's middle, and one step lower."""

    seen_px: float
    lens_px: float
    per_step_px: float
    u_px: float


def straighten(
    edge: EdgeCurve,
    upper: EdgeCurve | None,
    camera: BoardCamera,
    height_px: int,
    *,
    fitted: ExtraBend | None = None,
    upper_fitted: ExtraBend | None = None,
) -> Straightened:
    """Return the lower edge as a straight one is seen through the lens.

    Parameters
    ----------
    edge, upper
        The straightedge's lower edge, and its upper one where it was seen, followed.
    camera
        Its comb tells the lens.
    height_px
        Of the picture.
    fitted, upper_fitted
        How much more they bend by the light about their chamfers, where that could be fitted.
    """
    from scipy.optimize import least_squares

    middle = (height_px - 1) / 2
    lower = _bend(edge, edge, camera, middle, fitted, U_LOWER_PX)
    bends = [lower]
    if upper is not None:
        overlap = (min(edge.high_px, upper.high_px) - max(edge.low_px, upper.low_px)) / (edge.high_px - edge.low_px)
        if overlap > MIN_OVERLAP:
            bends.append(_bend(upper, edge, camera, middle, upper_fitted, U_UPPER_PX / min(overlap, 1.0) ** 2))
    comb_k1, u_comb = _told_by_frets(camera)
    width_px = round(2 * camera.comb.middle_px + 1)
    u_axis_px = max(U_AXIS * height_px, U_AIM * width_px)
    if is_whole(width_px, height_px):
        u_axis_px = U_WHOLE * width_px

    def miss(p: Array) -> Array:
        k1 = K1_STEP * p[0]
        rows = [(b.seen_px - k1 * (b.lens_px + b.per_step_px * p[1])) / b.u_px for b in bends]
        known = np.array([k1 / U_LENS_K1, p[1] * AXIS_STEP_PX / u_axis_px])
        return np.concatenate([_less(np.array([*rows, (k1 - comb_k1) / u_comb])), known])

    found = sorted((least_squares(miss, start, method="lm") for start in STARTS), key=lambda f: f.cost)
    fits = [f for i, f in enumerate(found) if all(np.abs(f.x - g.x).max() > SAME_STEPS for g in found[:i])]
    # Explanations nearly as likely as the best take part, and what sets them apart is doubt.
    share = np.exp(fits[0].cost - np.array([f.cost for f in fits]))
    share /= share.sum()
    bent = [_lens_bend(lower, fit.x) for fit in fits]
    spread = float(share @ (bent - share @ bent) ** 2)
    u_px = float(np.sqrt(share @ [_variance(lower, fit.x, fit.jac) for fit in fits] + spread + U_LEAST_PX**2))
    x, t = np.linspace(edge.low_px, edge.high_px, 101), np.linspace(-1, 1, 101)
    y = edge.y_px(x)
    seen = [K1_STEP * fit.x[0] * camera.comb.lens_shift_px(x, y, middle + AXIS_STEP_PX * fit.x[1]) for fit in fits]
    shift = share @ np.array(seen)
    straight = np.polyval(np.polyfit(t, y - shift, 1), t) + shift
    coefficients = np.polyfit((x - edge.middle_px) / edge.half_px, straight, 3)
    coefficients.setflags(write=False)
    return Straightened(replace(edge, coefficients=coefficients), u_px)


def is_whole(width_px: int, height_px: int) -> bool:
    """Tell whether a picture is as a camera makes them, not cropped."""
    shape = max(width_px, height_px) / min(width_px, height_px)
    usual = any(abs(shape / other - 1) < SHAPE_TOLERANCE for other in WHOLE_SHAPES)
    in_steps = width_px % WHOLE_STEP_PX == 0 and height_px % WHOLE_STEP_PX == 0
    return usual and in_steps and width_px * height_px > WHOLE_PIXELS


def _lens_bend(bend: _Bend, p: Array) -> float:
    """Return the bend that a lens of k1 and axis p, in steps, makes."""
    return float(K1_STEP * p[0] * (bend.lens_px + bend.per_step_px * p[1]))


def _variance(bend: _Bend, p: Array, jacobian: Array) -> float:
    """Return the variance of that bend."""
    covariance = np.linalg.inv(jacobian.T @ jacobian)  # what is known beforehand keeps it regular
    change = K1_STEP * np.array([bend.lens_px + bend.per_step_px * p[1], bend.per_step_px * p[0]])
    # The bend is a product: where both factors are near nothing, what is left is that of their uncertainties (JCGM
    # 100:2008, 5.1.2, note).
    product = (K1_STEP * bend.per_step_px) ** 2 * (covariance[0, 0] * covariance[1, 1] + covariance[0, 1] ** 2)
    return float(change @ covariance @ change + product)


def under_straight(crowns: CrownSet, edge: EdgeCurve, straight: EdgeCurve) -> CrownSet:
    """Return crowns read under an edge as it was followed, with their gaps under the straight one.

    Parameters
    ----------
    crowns
        As read: where they stand in the picture stays.
    edge, straight
        The edge as it was followed, and as a straight one is seen.
    """
    x = crowns.camera.comb.x_px(crowns.position_mm)
    change = (edge.y_px(x) - straight.y_px(x)) / crowns.camera.px_per_mm(x)
    rows = tuple(replace(c, gap_mm=c.gap_mm + float(d)) for c, d in zip(crowns.crowns, change, strict=True))
    return replace(crowns, crowns=rows)


def _bend(
    curve: EdgeCurve,
    edge: EdgeCurve,
    camera: BoardCamera,
    middle_px: float,
    fitted: ExtraBend | None,
    u_followed_px: float,
) -> _Bend:
    """Return the bend of a curve where it and the lower edge are seen, in terms of the lower edge's ends."""
    x = np.linspace(max(edge.low_px, curve.low_px), min(edge.high_px, curve.high_px), 101)
    t = 2 * (x - edge.low_px) / (edge.high_px - edge.low_px) - 1
    y = curve.y_px(x)
    rows = (camera.comb.lens_shift_px(x, y, axis) for axis in (middle_px, middle_px + AXIS_STEP_PX))
    seen, here, lower = (float(np.polyfit(t, row, 2)[0]) for row in (y, *rows))
    if fitted is None:
        return _Bend(seen, here, lower - here, u_followed_px)
    u_px = float(np.hypot(fitted.u_px, DOUBTED * fitted.more_px))
    return _Bend(seen + fitted.more_px, here, lower - here, u_px)


def _told_by_frets(camera: BoardCamera) -> tuple[float, float]:
    """Return k1 by the frets' spacing alone, without what its fit knew beforehand, and its standard uncertainty."""
    information = max(camera.u_k1**-2 - U_K1**-2, 1e-3 * U_K1**-2)
    beside = U_OUTLINES_K1 if camera.by_outlines else U_COMB_K1
    return camera.comb.k1 * camera.u_k1**-2 / information, float(np.hypot(information**-0.5, beside))


def _less(miss: Array) -> Array:
    """Return residuals whose squares are Cauchy's loss of those given."""
    return np.asarray(np.sign(miss) * OUTLYING * np.sqrt(np.log1p((miss / OUTLYING) ** 2)))
