"""How a border of the straightedge runs: face, chamfer and what lies behind, drawn blurred and fitted in windows.

A border followed by its steepest place slides from one line of the chamfer to the other as what they mirror changes
along the board, by tenths of a pixel and more. Here each window has levels of light of its own, but the chamfer is
equally high in all and the border bends one way: windows in which one of the two lines is not to be seen are placed by
the other. Levels are found by least squares for each place (G. H. Golub and V. Pereyra, 1973: variable projection);
windows that are covered or misread count little (Cauchy's loss), and the uncertainty is that of the windows' own
scatter (P. J. Huber, 1967: the sandwich).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from lightgap.neck.profile import Array

from .edge import sample_strip
from .locate import EdgeCurve
from .photo import FloatImage

WINDOWS, MIN_WINDOWS, MIN_COLUMNS, MIN_CLEAR = 48, 10, 12, 0.25
MIN_CONTRAST = 4.0  # of a window, in standard uncertainties of its light: less shows no border
# Looked at inside and outside of the border as it was followed. Below the lower one lies the gap, whose light changes.
INSIDE_MM, GAP_MM, BACKGROUND_MM, LEAST_PX = 0.7, 0.4, 0.6, 2.5
STEP_PX = 0.2
# Columns near a fret show its crown and what the chamfer mirrors of it.
CLEAR_MM, CLEAR_SHARE = 1.6, 0.15
# Where the face's line may be, off the curve followed, and how high a chamfer is (common practice, no published
# source). One much thinner than the blur is drawn like none.
SEARCH_MM = (-0.4, 0.3)
CHAMFERS_MM, THIN = (0.0, 0.06, 0.1, 0.14, 0.18, 0.22, 0.27, 0.33), 0.8
BLURS = (1.0, 1.25)  # of the blur at the lower edge, which glow and sharpening make another
FINER_MM, FINER_BLURS = (-0.02, -0.01, 0.0, 0.01, 0.02), (0.9, 1.0, 1.1)  # about those found
# How far what is followed may slide along the board: down a usual chamfer, and a pixel or two besides.
SLIDE_MM, SLIDE_PX, BOWS, TILTS = 0.27, 1.5, np.linspace(-1, 1, 17), np.linspace(-0.6, 0.6, 5)
FINER_BOWS, FINER_TILTS = np.linspace(-0.12, 0.12, 5), np.linspace(-0.3, 0.3, 5)  # about those found
# What levels that are no levels leave unexplained, of the contrast, and rounding of a dark pixel's eight bits.
MISFIT, ROUNDING = 0.02, 0.002
TRIMMED = 0.2  # at either end of the columns of a window
OUTLYING = 9.0  # chi-square beyond its usual value from which on a window counts less and less
FINE_PX = 0.1
VALLEYS = 4  # chamfers whose votes come out best, and are followed
STEPS, SETTLED_PX = 12, 0.03  # of Newton's method, reweighted
# By which factor the windows' scatter is too small, since neighbours mirror the same; and what no window tells (by own
# renders with truth).
ALIKE_LOWER, ALIKE_UPPER, U_LEAST_LOWER_PX, U_LEAST_UPPER_PX = 2.2, 1.5, 0.05, 0.02
MAX_U_PX = 0.5  # more tells nothing


@dataclass(frozen=True, slots=True)
class ExtraBend:
    """How much more a border bends than the curve followed: as the factor of t^2, t being -1 and 1 at its ends.

    Attributes
    ----------
    more_px
        The difference, downwards in the picture positive.
    u_px
        Its standard uncertainty: the windows' scatter, and what sets the likely explanations apart.
    """

    more_px: float
    u_px: float


@dataclass(frozen=True, slots=True)
class Windows:
    """Light across the border in n windows: (n, m) at (m,) `across_px` outwards; their (n,) weights and places t."""

    across_px: Array
    light: Array
    weight: Array
    t: Array


@dataclass(frozen=True, slots=True)
class _Measure:
    """What chi-square is divided by, and what a window that is explained then usually has."""

    unit: float
    usual: float

    def lost(self, misfit: Array) -> Array:
        """Return Cauchy's loss of chi-squares."""
        most = self.usual + OUTLYING
        return np.asarray(most * np.log1p(misfit / self.unit / most))


@dataclass(frozen=True, slots=True)
class _Place:
    """A chamfer and a blur, the loss that is had with them, and the (height, tilt, bow, S) in pixels where it is."""

    loss: float
    chamfer_px: float
    blur_px: float
    place_px: Array
    u_bow_px: float = 0.0


def read_bend(seen: Windows | None, *, blur_px: float, px_per_mm: float, upper: bool = False) -> ExtraBend | None:
    """Read how the lower or the upper border of the straightedge bends; None where too little of it is clear.

    Parameters
    ----------
    seen
        Light across it.
    blur_px
        At the lower edge.
    px_per_mm
        Scale at the straightedge.
    upper
        The face lies under the border, and not over it.
    """
    if seen is None:
        return None
    alike, least_px = (ALIKE_UPPER, U_LEAST_UPPER_PX) if upper else (ALIKE_LOWER, U_LEAST_LOWER_PX)
    inside = np.arange(*SEARCH_MM, STEP_PX / px_per_mm) * px_per_mm
    slide_px = max(SLIDE_PX, SLIDE_MM * px_per_mm)
    chamfers = [c * px_per_mm for c in CHAMFERS_MM if c == 0 or c * px_per_mm > THIN * blur_px]
    sizes = [(chamfer, blur * blur_px) for chamfer in chamfers for blur in BLURS]
    measure = _measure(seen, inside, sizes)
    coarse = _votes(seen, inside, sizes, _bends(slide_px * BOWS, slide_px * TILTS), measure)
    found = []
    for chamfer in list(dict.fromkeys(vote.chamfer_px for vote in coarse))[:VALLEYS]:
        near = next(vote for vote in coarse if vote.chamfer_px == chamfer)
        heights = dict.fromkeys(max(chamfer + c * px_per_mm, 0.0) for c in FINER_MM)
        sizes = [(height, b * near.blur_px) for height in heights for b in FINER_BLURS]
        bends = _bends(near.place_px[2] + slide_px * FINER_BOWS, near.place_px[1] + slide_px * FINER_TILTS)
        fit = _refined(seen, inside, _votes(seen, inside, sizes, bends, measure)[0], measure)
        found += [fit] if fit is not None else []
    if not found:
        return None
    # Explanations nearly as good as the best take part, as in a mixture of distributions.
    loss, bow = np.array([f.loss for f in found]), np.array([f.place_px[2] for f in found])
    share = np.exp(-(loss - loss.min()) / (2 * alike**2))
    share /= share.sum()
    mean = float(share @ bow)
    u_px = float(np.sqrt(least_px**2 + share @ (bow - mean) ** 2 + alike**2 * (share @ [f.u_bow_px**2 for f in found])))
    return ExtraBend(-mean if upper else mean, u_px) if u_px < MAX_U_PX else None


def windows_along(
    luminance: FloatImage, border: EdgeCurve, edge: EdgeCurve, *, px_per_mm: float, fret_px: Array, upper: bool = False
) -> Windows | None:
    """Return the light across a border of the straightedge in windows along it; None where too few of them are clear.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    border
        What was followed: `edge` itself, or the upper border.
    edge
        The lower edge as it was followed: the bend is told in terms of its ends.
    px_per_mm
        Scale at the straightedge.
    fret_px
        (n,) columns of the frets; beside the lower border none of them is looked at.
    upper
        The face lies under the border, and not over it.
    """
    low = max(np.ceil(max(border.low_px, edge.low_px)) + 2, 0.0)
    x = np.arange(low, min(border.high_px - 2, edge.high_px - 2, luminance.shape[1] - 1.0))
    if len(x) < WINDOWS:
        return None
    clear = np.ones(len(x), dtype=bool)
    if not upper:
        spacing = np.abs(np.gradient(fret_px)) if len(fret_px) > 1 else np.zeros(len(fret_px))
        for fret, beside in zip(fret_px, np.maximum(CLEAR_MM * px_per_mm, CLEAR_SHARE * spacing), strict=True):
            clear &= np.abs(x - fret) > beside
    outside_mm = BACKGROUND_MM if upper else GAP_MM
    across = np.arange(-INSIDE_MM * px_per_mm, max(outside_mm * px_per_mm, LEAST_PX), STEP_PX)
    # What slides along the chamfer may bend the curve followed like an S; the lens does so hardly.
    about = 2 * (x - edge.low_px) / (edge.high_px - edge.low_px) - 1
    along = np.asarray(np.polyval(np.polyfit(about, border.y_px(x), 2), about), dtype=np.float64)
    strip = sample_strip(luminance, along, x, px_per_mm=1.0, below_mm=-across if upper else across).light
    places, light, weight = [], [], []
    for columns in np.array_split(np.arange(len(x)), WINDOWS):
        here = columns[clear[columns]]
        if len(here) < max(MIN_COLUMNS, MIN_CLEAR * len(columns)):
            continue
        values = np.sort(strip[:, here].astype(np.float64), axis=1)
        cut = int(TRIMMED * len(here))
        profile = values[:, cut : len(here) - cut].mean(axis=1)
        scatter = np.subtract(*np.quantile(values, [0.84, 0.16], axis=1)) / 2
        variance = float((scatter**2).mean()) / len(here) + ROUNDING**2
        contrast = float(np.subtract(*np.quantile(profile, [0.95, 0.05])))
        if contrast < MIN_CONTRAST * np.sqrt(variance):
            continue
        places.append(float(x[here].mean()))
        light.append(profile)
        weight.append(1 / (variance + (MISFIT * contrast) ** 2))
    if len(places) < MIN_WINDOWS:
        return None
    t = 2 * (np.array(places) - edge.low_px) / (edge.high_px - edge.low_px) - 1
    return Windows(across, np.array(light), np.array(weight), t)


def _misfit(seen: Windows, inside_px: Array, chamfer_px: float, blur_px: float) -> Array:
    """Return chi-square (k, n) of each window with the face's line at each of k places."""
    from_face = seen.across_px - inside_px[:, None]
    from_back = from_face - chamfer_px
    face, back = ndtr(-from_face / blur_px), ndtr(from_back / blur_px)
    parts = [face, face * from_face, back, back * from_back]
    if chamfer_px > 0:
        parts.append(1 - face - back)
    basis = np.linalg.qr(np.stack(parts, axis=2))[0]
    explained = np.swapaxes(basis, 1, 2) @ seen.light.T
    left = (seen.light**2).sum(axis=1) - (explained**2).sum(axis=1)
    return np.asarray(np.maximum(left, 0) * seen.weight)


def _measure(seen: Windows, inside_px: Array, sizes: list[tuple[float, float]]) -> _Measure:
    """Return the measure in which windows are explained by the best of the sizes, chamfer and blur."""
    # A smooth profile has as many free samples as blurs fit in; its chi-square is that, were the weights right.
    usual = max(len(seen.across_px) * STEP_PX / (2 * sizes[0][1]), 3.0)
    least = min(float(np.median(_misfit(seen, inside_px, *size).min(axis=0))) for size in sizes)
    return _Measure(max(least / usual, 1e-9), usual)


def _bends(bow_px: Array, tilt_px: Array) -> Array:
    """Return all (k, 2) pairs of a bow and a tilt."""
    return np.stack(np.meshgrid(bow_px, tilt_px, indexing="ij"), axis=-1).reshape(-1, 2)


def _votes(
    seen: Windows, inside_px: Array, sizes: list[tuple[float, float]], bends_px: Array, measure: _Measure
) -> list[_Place]:
    """Return for each size of chamfer and blur the place that fits most windows, the best size first."""
    shift = np.rint(bends_px @ np.stack([seen.t**2 - 1 / 3, seen.t]) / STEP_PX).astype(np.intp)
    rows = np.clip(shift[:, None, :] + np.arange(len(inside_px))[:, None], 0, len(inside_px) - 1)
    at = rows * len(seen.t) + np.arange(len(seen.t))
    votes = []
    for size in sizes:
        total = measure.lost(_misfit(seen, inside_px, *size)).ravel()[at].sum(axis=2)
        bend, row = np.unravel_index(int(total.argmin()), total.shape)
        bow, tilt = bends_px[bend]
        votes.append(_Place(float(total[bend, row]), *size, np.array([inside_px[row], tilt, bow, 0.0])))
    return sorted(votes, key=lambda vote: vote.loss)


def _refined(seen: Windows, inside_px: Array, vote: _Place, measure: _Measure) -> _Place | None:
    """Return the least loss near where the vote has it; None where there is none, or few windows tell."""
    grid = np.arange(inside_px[0] - 1, inside_px[-1] + 1, FINE_PX)
    misfit = _misfit(seen, grid, vote.chamfer_px, vote.blur_px) / measure.unit
    t, column = seen.t, np.arange(len(seen.t))
    curve = np.stack([np.ones_like(t), t, t**2 - 1 / 3, t**3 - 0.6 * t], axis=1)

    def at(p: Array) -> tuple[Array, Array, Array]:
        """Return each window's misfit there, and its first and second derivative: a parabola through three samples."""
        place = np.clip(curve @ p, grid[1], grid[-2])
        i = np.clip(np.rint((place - grid[0]) / FINE_PX).astype(np.intp), 1, len(grid) - 2)
        low, here, high = (misfit[i + k, column] for k in (-1, 0, 1))
        slope, curved = (high - low) / (2 * FINE_PX), (low - 2 * here + high) / FINE_PX**2
        h = place - grid[i]
        return np.maximum(here + slope * h + curved * h * h / 2, 0), slope + curved * h, np.maximum(curved, 1e-6)

    p, step = vote.place_px, np.zeros(4)
    for _ in range(STEPS):
        size, slope, curved = at(p)
        weight = 1 / (1 + size / (measure.usual + OUTLYING))
        inverse = np.linalg.pinv((curve * (weight * curved / 2)[:, None]).T @ curve)
        pull = curve * (weight * slope / 2)[:, None]
        step = np.clip(inverse @ pull.sum(axis=0), -STEP_PX, STEP_PX)
        p = p - step
    place = curve @ p
    if np.abs(step).max() > SETTLED_PX or np.mean((place > grid[1]) & (place < grid[-2])) < 0.5:
        return None
    loss = float(measure.lost(at(p)[0] * measure.unit).sum())
    u_bow = float(np.sqrt((inverse @ pull.T @ pull @ inverse)[2, 2]))
    return _Place(loss, vote.chamfer_px, vote.blur_px, p, u_bow)
