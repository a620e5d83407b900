"""Choose the straightedge's lower edge among the lines, follow it to sub-pixel, and lay the comb on it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from lightgap.neck.profile import Array

from .comb import Comb, CombPrior, search_combs, significance
from .edge import FLOOR, Line, sample_strip, strip_along
from .findings import refusal
from .photo import FloatImage

Mask = NDArray[np.bool_]

MIN_COMB_SCORE = 4.6
REACH_MM = 6.5  # blade edge, gap, board edge and fret ends lie within this of each other
TEXTURE_WINDOW_MM = 8.0
MIN_PLAIN_RATIO = 0.75
FRET_HEIGHT_MM = 1.7  # with the gap, the farthest the board's edge lies below the straightedge
SCORE_TIE = 0.45
MAX_SPLAY = 0.009  # the two edges seen by a turned camera, tan
CHAMFER_MAX_MM = 0.6


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


@dataclass(frozen=True, slots=True)
class Located:
    """The edge and the frets under it."""

    edge: EdgeCurve
    comb: Comb
    rival: Comb | None


@dataclass(frozen=True, slots=True)
class Candidate:
    """A line with the comb below it and the texture above and below."""

    line: Line
    comb: Comb
    above: float
    below: float

    @property
    def ratio(self) -> float:
        """How much more stands out below the line than above: a blade is plain, frets are not."""
        return self.below / max(self.above, 0.01)


def locate(luminance: FloatImage, prior: CombPrior, *, lines: list[Line], height_mm: float | None = None) -> Located:
    """Find the straightedge's lower edge and number the frets below it.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    prior
        Scale and scale length to look for.
    lines
        Candidates, from `find_lines`.
    height_mm
        The straightedge's height, when known: its upper edge must then stand that far above.

    Raises
    ------
    Refusal
        `no-crowns` when nothing spaced like frets is found; `no-straightedge` when no edge stands above them.
    """
    scale = prior.px_per_mm
    weighed = [weigh(luminance, line, prior) for line in lines]
    if not weighed or max(c.comb.score for c in weighed) < MIN_COMB_SCORE:
        raise refusal("no-crowns")
    best = max(weighed, key=lambda c: c.comb.score)
    at = np.array([best.line.middle_x_px])
    near = [
        c
        for c in weighed
        if abs(float((c.line.y_px(at) - best.line.y_px(at))[0])) < REACH_MM * scale
        and c.comb.score > 0.5 * best.comb.score
    ]
    top = _lower_edge(near, lines, None if height_mm is None else height_mm * scale, scale)
    edge = follow_edge(luminance, top.line, top.comb, scale)
    combs = comb_on_edge(luminance, edge, prior)
    return Located(edge, combs[0], combs[1] if len(combs) > 1 else None)


def weigh(luminance: FloatImage, line: Line, prior: CombPrior) -> Candidate:
    """Lay a comb below a line and compare what stands out above and below it."""
    scale = prior.px_per_mm
    strip = strip_along(luminance, line, px_per_mm=scale, low_mm=-1.0, high_mm=0.8, step_mm=0.1)
    texture = strip.texture(TEXTURE_WINDOW_MM, scale)
    rows = (strip.below_mm > -0.22) & (strip.below_mm < 0.37)
    comb = search_combs(significance(texture[rows]), strip.step_px, prior, keep=1, distortions=(0.0,))[0]
    _, columns = comb.frets(0, luminance.shape[1] - 1)
    if len(columns) < 2:
        return Candidate(line, comb, 1.0, 0.0)
    inside = (strip.x_px >= columns.min()) & (strip.x_px <= columns.max())
    limited = np.minimum(texture[:, inside], 1.5)
    above = float(limited[strip.below_mm < -0.25].mean())
    below = float(limited[strip.below_mm > 0.1].mean())
    return Candidate(line, comb, above, below)


def _lower_edge(near: list[Candidate], lines: list[Line], height_px: float | None, px_per_mm: float) -> Candidate:
    """Choose the straightedge's lower edge among the lines near the frets.

    A strong line with a plain strip above it and, when the height is known, a line one straightedge height above.
    """
    if height_px is not None:
        scored = [(_edge_score(c, lines, height_px, px_per_mm), c) for c in near]
        topped = [(score, c) for score, c in scored if score is not None]
        if topped:
            return max(topped, key=lambda item: item[0])[1]
    best = max(near, key=_plain_score)
    if best.ratio < MIN_PLAIN_RATIO:
        raise refusal("no-straightedge")
    # The board's edge, a fret's height below, may be the stronger line: then the straightedge's stands close above it.
    above = [
        c
        for c in near
        if 0 < best.line.middle_y_px - c.line.middle_y_px < FRET_HEIGHT_MM * px_per_mm
        and _plain_score(c) > _plain_score(best) - SCORE_TIE
    ]
    return max(above, key=_plain_score) if above else best


def _plain_score(candidate: Candidate) -> float:
    """Return how well a line does as lower edge by itself: strong, plain above, more to see below."""
    plain = 0.5 * float(np.log(np.clip(candidate.ratio, 0.3, 3.0))) - 8 * candidate.above
    return 2 * abs(candidate.line.strength) + plain


def _edge_score(candidate: Candidate, lines: list[Line], height_px: float, px_per_mm: float) -> float | None:
    """Return how well a line does as lower edge; None when no line stands one straightedge height above it."""
    line = candidate.line
    x = np.array([line.middle_x_px])
    misses = [
        abs(float((line.y_px(x) - other.y_px(x))[0]) - height_px)
        for other in lines
        if abs(other.slope - line.slope) < MAX_SPLAY
    ]
    tolerance_px = 0.02 * height_px + 2 * CHAMFER_MAX_MM * px_per_mm
    miss = min(misses, default=np.inf)
    if miss > tolerance_px:
        return None
    u_px = 0.012 * height_px + 0.3 * px_per_mm  # the reference's scale, and the edges' rounding
    return _plain_score(candidate) - 0.5 * (miss / u_px) ** 2


def follow_edge(luminance: FloatImage, line: Line, comb: Comb, px_per_mm: float) -> EdgeCurve:
    """Follow the boundary between blade (or its chamfer) and the light below it, and fit a cubic.

    Straight or slightly bowed curves vote with the limited gradient of every column, so that a string sliding across
    the edge, which keeps company with it for a stretch only, is outvoted. The last strong boundary within a chamfer's
    width below the line is the edge: a dark or bright chamfer counts as blade.
    """
    _, frets = comb.frets(0, luminance.shape[1] - 1)
    reach = 12.0 * px_per_mm
    low, high = max(0.0, frets.min() - reach), min(luminance.shape[1] - 1.0, frets.max() + reach)
    columns = np.arange(np.ceil(low), high, 1.0)
    below = np.arange(-0.6, 0.9, 0.25 / px_per_mm)
    limited, centre = _limited_gradient(luminance, line.y_px(columns), columns, px_per_mm, below)
    inner = (centre >= frets.min()) & (centre <= frets.max())
    offset, slope, bow, sign = _vote(limited[:, inner], below, np.linspace(-1, 1, int(inner.sum())))
    middle, half = (frets.min() + frets.max()) / 2, (frets.max() - frets.min()) / 2
    t = (columns - middle) / half
    curve_mm = offset + slope * t + bow * (t * t - 0.5)
    y = line.y_px(columns) + curve_mm * px_per_mm
    for window_px in (2.4, 1.8, 1.4):
        edge = _track(luminance, columns, y, sign, px_per_mm, window_px=window_px)
        y = edge.y_px(columns)
    return edge


def _limited_gradient(
    luminance: FloatImage, y: Array, columns: Array, px_per_mm: float, below: Array
) -> tuple[Array, Array]:
    """Return the vertical log gradient in blocks of 0.5 mm, limited to a few noise levels, and the blocks' columns."""
    strip = sample_strip(luminance, y, columns, px_per_mm=px_per_mm, below_mm=below)
    width = max(1, round(0.5 * px_per_mm))
    count = len(columns) // width
    light = strip.light[:, : count * width].reshape(len(below), count, width).mean(axis=2)
    gradient = np.gradient(np.log(np.maximum(light, 0) + FLOOR), axis=0)
    noise = 1.48 * np.median(np.abs(gradient)) + 1e-4
    centre = columns[: count * width].reshape(count, width).mean(axis=1)
    return np.clip(gradient / (8 * noise), -1, 1), centre


def _vote(limited: Array, below: Array, t: Array) -> tuple[float, float, float, int]:
    """Return (offset_mm, slope_mm, bow_mm, sign) of the edge: value at the middle, half difference of the ends, sag.

    Before a cluttered background the step of light changes sign along the edge: steps of either sign vote, and the
    sign is 0 when neither prevails.
    """
    step = below[1] - below[0]
    rows = np.arange(len(below))[:, None]
    column = np.arange(limited.shape[1])[None, :]
    slopes = np.arange(-0.24, 0.2401, 0.02)
    bows = np.arange(-0.08, 0.0801, 0.02)
    votes = np.zeros((len(slopes), len(bows), len(below)))
    unsigned = np.zeros_like(votes)
    for i, slope in enumerate(slopes):
        for j, bow in enumerate(bows):
            shift = np.rint((slope * t + bow * (t * t - 0.5)) / step).astype(np.intp)
            index = np.clip(rows + shift, 0, len(below) - 1)
            sheared = limited[index, column]
            votes[i, j], unsigned[i, j] = sheared.mean(axis=1), np.abs(sheared).mean(axis=1)
    size = unsigned.max(axis=(0, 1))
    size = size - np.quantile(size, 0.25)
    look = np.flatnonzero((below > -0.25) & (below < CHAMFER_MAX_MM))
    strongest = size[look].max()
    peaks = [
        k
        for k in look
        if 0 < k < len(size) - 1 and size[k] >= size[k - 1] and size[k] > size[k + 1] and size[k] > 0.5 * strongest
    ]
    last = peaks[-1] if peaks else int(look[np.argmax(size[look])])
    i, j = (int(v) for v in np.unravel_index(int(np.argmax(unsigned[:, :, last])), votes.shape[:2]))
    steady = abs(votes[i, j, last]) > 0.5 * unsigned[i, j, last]
    sign = int(np.sign(votes[i, j, last])) if steady else 0
    return float(below[last]), float(slopes[i]), float(bows[j]), sign


def _track(
    luminance: FloatImage, columns: Array, y: Array, sign: int, px_per_mm: float, *, window_px: float
) -> EdgeCurve:
    """Find the steepest place near `y` in blocks of 0.5 mm and fit a cubic, robustly."""
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
    return _fit_edge(centre, np.interp(centre, columns, y) + shift, inner, strength, sign)


def _fit_edge(centre: Array, place: Array, inner: Mask, strength: Array, sign: int) -> EdgeCurve:
    middle, half = (centre[0] + centre[-1]) / 2, (centre[-1] - centre[0]) / 2
    t = (centre - middle) / half
    strong = inner & (strength > 0.25 * np.median(strength[inner])) if inner.any() else inner
    use = strong
    for order in (1, 1, 2, 3, 3, 3):
        if use.sum() < 20:
            raise refusal("no-straightedge", "its lower edge could not be followed")
        fit = np.polyfit(t[use], place[use], order)
        miss = np.abs(place - np.polyval(fit, t))
        scatter = 1.48 * float(np.median(miss[use]))
        use = strong & (miss < max(3 * scatter, 0.15))
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


def comb_on_edge(luminance: FloatImage, edge: EdgeCurve, prior: CombPrior) -> list[Comb]:
    """Lay the comb on the strip hugging the edge, where crowns are seen at their true place along the board."""
    x = np.arange(0, luminance.shape[1] - 1, 0.1 * prior.px_per_mm)
    strip = sample_strip(luminance, edge.y_px(x), x, px_per_mm=prior.px_per_mm, below_mm=np.arange(-0.5, 0.31, 0.05))
    texture = strip.texture(TEXTURE_WINDOW_MM, prior.px_per_mm)
    # Above the edge each fret shows as a narrow glow mirrored in the blade, at its true place; below, smeared.
    glow, crown = texture[strip.below_mm < -0.04], texture[strip.below_mm > -0.16]
    signal = significance(glow) + 0.5 * significance(crown)
    return search_combs(signal, strip.step_px, prior, keep=2)
