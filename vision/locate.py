"""Follow the straightedge's lower edge to sub-pixel."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from lightgap.neck.profile import Array

from .blade_ends import find_face_ends
from .comb import Comb
from .edge import FLOOR, Line, means_along, sample_strip
from .findings import refusal
from .photo import FloatImage

Mask = NDArray[np.bool_]

BEYOND_FRETS_MM = 12.0  # the edge is followed so far beyond the outermost frets in view
MIN_ALONG_MM = 2 * BEYOND_FRETS_MM  # of an edge beside frets: what lies beyond them on both sides
BEYOND_EDGE_MM = 6.0  # past what is followed an end is looked for: farther than light is compared beside one
CHAMFER_STEP = 0.4  # share of the first boundary's step that the one below it must have
CHAMFER_MAX_MM = 0.3  # usual ones are 0.1 to 0.2 wide (common practice, no published source)
LINE_TRUST_MM = 0.35  # how far the edge may lie from the line that led to it
BOW_TRUST_MM = 0.06  # a straight blade through a phone's lens
CURVE_TRUST_MM = 0.03  # half of what the ends of a curve already known may be off one against the other
LINE_STEP = 0.0007  # lines are told apart by slope in steps of a thousandth
PARALLEL_MM = 0.06
# Orders of the polynomial by which an edge departs from a straight one, and from a curve known: an offset and a tilt
# alone while it may still go over to a string, and what a lens makes of two curves a straightedge's height apart.
FREE, AS_KNOWN, NEARLY_AS_KNOWN = (1, 1, 2, 3, 3, 3), (1, 1, 1, 1), (1, 1, 2, 2, 2)
# A curve known leads anywhere: of noise a quarter to a half is found near it, of an edge that is there nearly all.
MIN_FOLLOWED = 0.6
VOTE_MM = 0.1  # how well the vote places the edge, of a picture whose blur is wide in pixels


@dataclass(frozen=True, slots=True)
class EdgeCurve:
    """The straightedge's lower edge in the picture, a cubic in the column.

    Attributes
    ----------
    coefficients
        Of y as a polynomial in (x - middle) / half, highest power first.
    low_px, high_px
        Columns between which it was seen.
    sign
        +1 when the light below it is brighter than the edge, -1 when darker, 0 when it changes along the edge.
    scatter_px
        Robust scatter of single columns about the curve.
    """

    coefficients: Array = field(repr=False)
    middle_px: float
    half_px: float
    low_px: float
    high_px: float
    sign: int
    scatter_px: float

    def y_px(self, x_px: Array) -> Array:
        """Return the edge's height at columns `x_px`."""
        t = (np.asarray(x_px, dtype=np.float64) - self.middle_px) / self.half_px
        return np.asarray(np.polyval(self.coefficients, t), dtype=np.float64)

    def columns(self) -> Array:
        """Return the columns in which it was seen, one apart."""
        return np.arange(np.ceil(self.low_px), self.high_px)

    def as_line(self) -> Line:
        """Return the straight line nearest to the edge where it was seen."""
        x = np.linspace(self.low_px, self.high_px, 50)
        slope, middle_y = np.polyfit(x - self.middle_px, self.y_px(x), 1)
        return Line(float(slope), float(middle_y), self.middle_px, float(self.sign))

    def straight_on_y_px(self, x_px: Array) -> Array:
        """Return the edge's height, carried on straight beyond the columns in which it was seen."""
        x = np.asarray(x_px, dtype=np.float64)
        inside = np.clip(x, self.low_px, self.high_px)
        slope = np.polyval(np.polyder(self.coefficients), (inside - self.middle_px) / self.half_px) / self.half_px
        return np.asarray(self.y_px(inside) + slope * (x - inside), dtype=np.float64)


def follow_edge(
    luminance: FloatImage, line: Line | EdgeCurve, comb: Comb, px_per_mm: float, *, chamfered: bool = True
) -> EdgeCurve:
    """Follow the boundary between blade (or its chamfer) and the light below it, and fit a curve.

    Straight or slightly bowed curves vote with the limited gradient of every column, so that a string sliding across
    the edge, which keeps company with it for a stretch only, is outvoted. The last strong boundary within a chamfer's
    width below the line is the edge: a dark or bright chamfer counts as blade. It ends where the face above it does.
    From a curve it departs by little, along most of it: a string is then not followed for long.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    line
        Where it is thought to be: a line, good to a thousandth of slope, or a curve, carried on straight past its ends.
    comb
        The frets in view tell how far to follow it.
    px_per_mm
        Scale at it.
    chamfered
        What lies within a chamfer's width above the last strong boundary may be one.

    Raises
    ------
    Refusal
        `no-straightedge`; along a curve also where too little of it is found, or hardly any fret lies along it.
    """
    row_px, is_curve = (line.straight_on_y_px, True) if isinstance(line, EdgeCurve) else (line.y_px, False)
    _, frets = comb.frets(0, luminance.shape[1] - 1)
    reach = BEYOND_FRETS_MM * px_per_mm
    low, high = max(0.0, frets.min() - reach), min(luminance.shape[1] - 1.0, frets.max() + reach)
    if isinstance(line, EdgeCurve):  # no cubic carries on straight past its ends
        low, high = max(low, line.low_px), min(high, line.high_px)
    columns = np.arange(np.ceil(low), high, 1.0)
    if len(columns) < MIN_ALONG_MM * px_per_mm:
        raise refusal("no-straightedge", "hardly any fret lies along it")
    below = np.arange(-0.6, 0.9, 0.25 / px_per_mm)
    limited, gradient, centre = _limited_gradient(luminance, row_px(columns), columns, px_per_mm, below)
    inner = (centre >= frets.min()) & (centre <= frets.max())
    middle, half = (frets.min() + frets.max()) / 2, (frets.max() - frets.min()) / 2
    trust_mm = CURVE_TRUST_MM + (0.0 if is_curve else LINE_STEP * half / px_per_mm)
    offset, slope, bow, sign = _vote(
        limited[:, inner], gradient[:, inner], below=below, slope_trust_mm=trust_mm, chamfered=chamfered
    )
    t = (columns - middle) / half
    curve_mm = offset + slope * t + bow * (t * t - 0.5)
    y = row_px(columns) + curve_mm * px_per_mm
    widest_px = max(2.4, VOTE_MM * px_per_mm)
    known, orders, last = (line, AS_KNOWN, NEARLY_AS_KNOWN) if isinstance(line, EdgeCurve) else (None, FREE, FREE)
    edge = track_edge(luminance, columns, y, sign, px_per_mm, window_px=widest_px, known=known, orders=orders)
    beyond = BEYOND_EDGE_MM * px_per_mm
    about = columns[(columns >= edge.low_px - beyond) & (columns <= edge.high_px + beyond)]
    low, high = find_face_ends(luminance, about, edge.straight_on_y_px(about), px_per_mm)
    columns = columns[(columns >= low) & (columns <= high)]
    for window_px, order in ((1.8, orders), (1.4, last)):
        y = edge.y_px(columns)
        edge = track_edge(luminance, columns, y, sign, px_per_mm, window_px=window_px, known=known, orders=order)
    return edge


def _limited_gradient(
    luminance: FloatImage, y: Array, columns: Array, px_per_mm: float, below: Array
) -> tuple[Array, Array, Array]:
    """Return the vertical log gradient in blocks of 0.5 mm, limited to a few noise levels, whole, and its columns."""
    strip = sample_strip(luminance, y, columns, px_per_mm=px_per_mm, below_mm=below)
    width = max(1, round(0.5 * px_per_mm))
    count = len(columns) // width
    light = strip.light[:, : count * width].reshape(len(below), count, width).mean(axis=2)
    gradient = np.gradient(np.log(np.maximum(light, 0) + FLOOR), axis=0)
    noise = 1.48 * np.median(np.abs(gradient)) + 1e-4
    centre = columns[: count * width].reshape(count, width).mean(axis=1)
    return np.clip(gradient / (8 * noise), -1, 1), gradient, centre


def _vote(
    limited: Array, gradient: Array, *, below: Array, slope_trust_mm: float, chamfered: bool
) -> tuple[float, float, float, int]:
    """Return (offset_mm, slope_mm, bow_mm, sign) of the edge: value at the middle, half difference of the ends, sag.

    Before a cluttered background the step of light changes sign along the edge: steps of either sign vote, and the
    sign is 0 when neither prevails.
    """
    t = np.linspace(-1, 1, limited.shape[1])
    step = below[1] - below[0]
    rows = np.arange(len(below))[:, None]
    column = np.arange(limited.shape[1])[None, :]
    slopes = np.arange(-0.24, 0.2401, 0.02)
    bows = np.arange(-0.08, 0.0801, 0.02)
    votes = np.zeros((len(slopes), len(bows), len(below)))
    unsigned = np.zeros_like(votes)
    signed, unsigned_sums = (np.pad(np.cumsum(v, axis=1), ((0, 0), (1, 0))) for v in (limited, np.abs(limited)))
    for i, slope in enumerate(slopes):
        for j, bow in enumerate(bows):
            shift = np.rint((slope * t + bow * (t * t - 0.5)) / step).astype(np.intp)
            votes[i, j], unsigned[i, j] = means_along(signed, shift), means_along(unsigned_sums, shift)
    trusted = (unsigned - np.quantile(unsigned.max(axis=(0, 1)), 0.25)) * np.exp(
        -0.5 * (below / LINE_TRUST_MM) ** 2
        - 0.5 * (slopes[:, None, None] / slope_trust_mm) ** 2
        - 0.5 * (bows[None, :, None] / BOW_TRUST_MM) ** 2
    )
    i, j, first = (int(v) for v in np.unravel_index(int(np.argmax(trusted)), votes.shape))
    size = trusted[i, j, first]
    shift = np.rint((slopes[i] * t + bows[j] * (t * t - 0.5)) / step).astype(np.intp)
    whole = np.abs(gradient[np.clip(rows + shift, 0, len(below) - 1), column].mean(axis=1))
    # Edges of a chamfer run side by side: a line at another slope is a string, or the far side of the board.
    level = np.abs(slopes - slopes[i]) <= PARALLEL_MM
    beside = unsigned[level, j].max(axis=0)
    beside = beside - np.quantile(beside, 0.25)
    peaks = [
        k
        for k in range(first, len(below) - 1)
        if below[k] - below[first] < CHAMFER_MAX_MM
        and whole[k] > CHAMFER_STEP * whole[first]
        and beside[k] >= beside[k - 1]
        and beside[k] > beside[k + 1]
        and beside[k] > 0.5 * size
    ]
    last = peaks[-1] if peaks and chamfered else first
    if last != first:
        i = int(np.argmax(np.where(level, unsigned[:, j, last], -1.0)))
    steady = abs(votes[i, j, last]) > 0.5 * unsigned[i, j, last]
    sign = int(np.sign(votes[i, j, last])) if steady else 0
    return float(below[last]), float(slopes[i]), float(bows[j]), sign


def track_edge(
    luminance: FloatImage,
    columns: Array,
    y: Array,
    sign: int,
    px_per_mm: float,
    *,
    window_px: float,
    known: EdgeCurve | None = None,
    orders: tuple[int, ...] = FREE,
) -> EdgeCurve:
    """Find the steepest place near `y` in blocks of 0.5 mm and fit a curve, robustly.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    columns, y
        (n,) columns, one apart, and the place in them near which it is looked for.
    sign
        Of the step of light downwards; 0 for either.
    px_per_mm
        Scale at it.
    window_px
        How far from `y`.
    known
        A curve from which the edge departs by a polynomial of low order; a straight one when None.
    orders
        Of that polynomial, one round after the other.

    Raises
    ------
    Refusal
        `no-straightedge`.
    """
    oversample = 0.1
    below = np.arange(-window_px, window_px + 1e-9, oversample) / px_per_mm
    strip = sample_strip(luminance, y, columns, px_per_mm=px_per_mm, below_mm=below)
    width = max(1, round(0.5 * px_per_mm))
    count = len(columns) // width
    light = strip.light[:, : count * width].reshape(len(below), count, width).mean(axis=2)
    gradient = np.gradient(np.log(np.maximum(light, 0) + FLOOR), axis=0)
    smooth = gaussian_filter1d(sign * gradient if sign else np.abs(gradient), 4.0, axis=0)
    best = np.argmax(smooth, axis=0)
    block = np.arange(count)
    strength = smooth[best, block]
    inner = (best > 2) & (best < len(below) - 3)
    i = np.clip(best, 1, len(below) - 2)
    a, b, c = smooth[i - 1, block], smooth[i, block], smooth[i + 1, block]
    curvature = np.minimum(a - 2 * b + c, -1e-9)
    shift = below[best] * px_per_mm + 0.5 * (a - c) / curvature * oversample
    centre = columns[: count * width].reshape(count, width).mean(axis=1)
    place = np.interp(centre, columns, y) + shift
    return _fit_edge(centre, place, inner, strength, sign, known=known, orders=orders)


def _fit_edge(
    centre: Array,
    place: Array,
    inner: Mask,
    strength: Array,
    sign: int,
    *,
    known: EdgeCurve | None,
    orders: tuple[int, ...],
) -> EdgeCurve:
    middle, half = (centre[0] + centre[-1]) / 2, (centre[-1] - centre[0]) / 2
    t = (centre - middle) / half
    strong = inner & (strength > 0.25 * np.median(strength[inner])) if inner.any() else inner
    use = strong
    base = np.zeros_like(centre) if known is None else known.straight_on_y_px(centre)
    place = place - base
    for order in orders:
        if use.sum() < 20:
            raise refusal("no-straightedge", "its lower edge could not be followed")
        fit = np.polyfit(t[use], place[use], order)
        miss = np.abs(place - np.polyval(fit, t))
        scatter = 1.48 * float(np.median(miss[use]))
        use = strong & (miss < max(3 * scatter, 0.15))
    if known is not None:
        fit = np.polyfit(t, base + np.polyval(fit, t), 3)
        if use.mean() < MIN_FOLLOWED:
            raise refusal("no-straightedge", "its lower edge could not be followed")
    fit.setflags(write=False)
    low, high = _extent(centre, use)
    return EdgeCurve(fit, middle, half, low, high, sign, scatter)


def _extent(centre: Array, use: Mask) -> tuple[float, float]:
    """Return the columns between which most blocks follow the curve: beyond the blade's ends only stray ones do."""
    share = uniform_filter1d(use.astype(np.float64), 11, mode="nearest")
    dense = np.flatnonzero(share > 0.3)
    if len(dense) < 10:
        raise refusal("no-straightedge", "its lower edge could not be followed")
    seen = use & (np.arange(len(use)) >= dense[0] - 5) & (np.arange(len(use)) <= dense[-1] + 5)
    return float(centre[seen].min()), float(centre[seen].max())
