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
# Looked at inside and outside of the border as it was followed. Below the lower one lies the gap, whose light changes.
INSIDE_MM, GAP_MM, BACKGROUND_MM, LEAST_PX = 0.7, 0.4, 0.6, 2.5
STEP_PX = 0.2
# Columns near a fret show its crown and what the chamfer mirrors of it.
CLEAR_MM, CLEAR_SHARE = 1.6, 0.15
# Where the face's line may be, off the curve followed, and how high a chamfer is (common practice, no published
# source).
SEARCH_MM = (-0.4, 0.3)
CHAMFERS_MM = (0.0, 0.06, 0.1, 0.14, 0.18, 0.22, 0.27, 0.33)
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
STEPS = 12  # of Newton's method, reweighted
REFINED = 3  # sizes whose votes come out best: votes are counted in steps of `STEP_PX`


@dataclass(frozen=True, slots=True)
class Bend:
    """How much more a border bends than the curve followed: as the factor of t^2, t being -1 and 1 at its ends.

    Attributes
    ----------
    off_px
        The bend.
    u_px
        Standard uncertainty by the scatter of the windows.
    """

    off_px: float
    u_px: float


@dataclass(frozen=True, slots=True)
class _Windows:
    """Light across the border in n windows: (m,) `off_px` outwards, (n, m) `light`, (n,) `weight` and places `t`."""

    off_px: Array
    light: Array
    weight: Array
    t: Array


def read_bend(
    luminance: FloatImage,
    border: EdgeCurve,
    edge: EdgeCurve,
    *,
    blur_px: float,
    px_per_mm: float,
    fret_px: Array | None = None,
) -> Bend | None:
    """Read how the lower or the upper border of the straightedge bends; None where too little of it is clear.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    border
        What was followed: `edge` itself, or the upper border.
    edge
        The lower edge as it was followed: the bend is told in terms of its ends.
    blur_px
        At the lower edge.
    px_per_mm
        Scale at the straightedge.
    fret_px
        (n,) columns of the frets, none of which is looked at; None for the upper border.
    """
    seen = _windows(luminance, border, edge, px_per_mm=px_per_mm, fret_px=fret_px)
    if seen is None:
        return None
    inside = np.arange(*SEARCH_MM, STEP_PX / px_per_mm) * px_per_mm
    slide_px = max(SLIDE_PX, SLIDE_MM * px_per_mm)
    sizes = [(c * px_per_mm, b * blur_px) for c in CHAMFERS_MM for b in BLURS]
    near = _votes(seen, inside, sizes, _bends(slide_px * BOWS, slide_px * TILTS))[0]
    sizes = [(max(near.chamfer_px + c * px_per_mm, 0.0), b * near.blur_px) for c in FINER_MM for b in FINER_BLURS]
    bends = _bends(near.place[2] + slide_px * FINER_BOWS, near.place[1] + slide_px * FINER_TILTS)
    votes = _votes(seen, inside, sizes, bends)[:REFINED]
    _, bow, u_px = min((_refine(seen, inside, vote, like=votes[0]) for vote in votes), key=lambda fit: fit[0])
    if abs(bow - near.place[2]) > slide_px:
        return None  # it ran off to where hardly any window tells
    return Bend(bow if fret_px is not None else -bow, u_px)


def _windows(
    luminance: FloatImage, border: EdgeCurve, edge: EdgeCurve, *, px_per_mm: float, fret_px: Array | None
) -> _Windows | None:
    x = np.arange(max(np.ceil(border.low_px) + 2, 0.0), min(border.high_px - 2, luminance.shape[1] - 1.0))
    if len(x) < WINDOWS:
        return None
    clear = np.ones(len(x), dtype=bool)
    outside_mm = BACKGROUND_MM
    if fret_px is not None:
        outside_mm = GAP_MM
        spacing = np.abs(np.gradient(fret_px)) if len(fret_px) > 1 else np.zeros(len(fret_px))
        for fret, beside in zip(fret_px, np.maximum(CLEAR_MM * px_per_mm, CLEAR_SHARE * spacing), strict=True):
            clear &= np.abs(x - fret) > beside
    off = np.arange(-INSIDE_MM * px_per_mm, max(outside_mm * px_per_mm, LEAST_PX), STEP_PX)
    down = 1.0 if fret_px is not None else -1.0
    # What slides along the chamfer may bend the curve followed like an S; the lens does so hardly.
    about = 2 * (x - edge.low_px) / (edge.high_px - edge.low_px) - 1
    along = np.asarray(np.polyval(np.polyfit(about, border.y_px(x), 2), about), dtype=np.float64)
    strip = sample_strip(luminance, along, x, px_per_mm=1.0, below_mm=down * off).light
    places, light, weight = [], [], []
    for columns in np.array_split(np.arange(len(x)), WINDOWS):
        here = columns[clear[columns]]
        if len(here) < max(MIN_COLUMNS, MIN_CLEAR * len(columns)):
            continue
        values = np.sort(strip[:, here].astype(np.float64), axis=1)
        cut = int(TRIMMED * len(here))
        profile = values[:, cut : len(here) - cut].mean(axis=1)
        scatter = np.subtract(*np.quantile(values, [0.84, 0.16], axis=1)) / 2
        contrast = float(np.subtract(*np.quantile(profile, [0.95, 0.05])))
        places.append(float(x[here].mean()))
        light.append(profile)
        weight.append(1 / (float((scatter**2).mean()) / len(here) + (MISFIT * contrast) ** 2 + ROUNDING**2))
    if len(places) < MIN_WINDOWS:
        return None
    t = 2 * (np.array(places) - edge.low_px) / (edge.high_px - edge.low_px) - 1
    return _Windows(off, np.array(light), np.array(weight), t)


def _misfit(seen: _Windows, inside_px: Array, chamfer_px: float, blur_px: float) -> Array:
    """Return chi-square (k, n) of each window with the face's line at each of k places."""
    from_face = seen.off_px - inside_px[:, None]
    from_back = from_face - chamfer_px
    face, back = ndtr(-from_face / blur_px), ndtr(from_back / blur_px)
    parts = [face, face * from_face, back, back * from_back]
    if chamfer_px > 0:
        parts.append(1 - face - back)
    basis = np.linalg.qr(np.stack(parts, axis=2))[0]
    explained = np.swapaxes(basis, 1, 2) @ seen.light.T
    left = (seen.light**2).sum(axis=1) - (explained**2).sum(axis=1)
    return np.asarray(np.maximum(left, 0) * seen.weight)


def _lost(misfit: Array, usual: float) -> Array:
    """Return Cauchy's loss."""
    return np.asarray((usual + OUTLYING) * np.log1p(misfit / (usual + OUTLYING)))


@dataclass(frozen=True, slots=True)
class _Vote:
    """A chamfer and a blur, the loss that is had with them, and the (height, tilt, bow, S) where it is."""

    loss: float
    chamfer_px: float
    blur_px: float
    place: Array


def _bends(bow_px: Array, tilt_px: Array) -> Array:
    """Return all (k, 2) pairs of a bow and a tilt."""
    return np.stack(np.meshgrid(bow_px, tilt_px, indexing="ij"), axis=-1).reshape(-1, 2)


def _votes(seen: _Windows, inside_px: Array, sizes: list[tuple[float, float]], bends_px: Array) -> list[_Vote]:
    """Return for each size of chamfer and blur the place that fits most windows, the best size first."""
    shift = np.rint(bends_px @ np.stack([seen.t**2 - 1 / 3, seen.t]) / STEP_PX).astype(np.intp)
    rows = np.clip(shift[:, None, :] + np.arange(len(inside_px))[:, None], 0, len(inside_px) - 1)
    at = rows * len(seen.t) + np.arange(len(seen.t))
    votes = []
    for chamfer_px, blur_px in sizes:
        misfit = _misfit(seen, inside_px, chamfer_px, blur_px)
        loss = _lost(misfit, float(np.median(misfit.min(axis=0))))
        total = loss.ravel()[at].sum(axis=2)
        bend, row = np.unravel_index(int(total.argmin()), total.shape)
        bow, tilt = bends_px[bend]
        votes.append(_Vote(float(total[bend, row]), chamfer_px, blur_px, np.array([inside_px[row], tilt, bow, 0.0])))
    return sorted(votes, key=lambda vote: vote.loss)


def _refine(seen: _Windows, inside_px: Array, vote: _Vote, *, like: _Vote) -> tuple[float, float, float]:
    """Return the least loss near where the vote has it, on the scale of another's, the bow there, and its u."""
    grid = np.arange(inside_px[0] - 1, inside_px[-1] + 1, FINE_PX)
    # A smooth profile has as many free samples as blurs fit in; its chi-square is that, were the weights right.
    usual = max(len(seen.off_px) * STEP_PX / (2 * like.blur_px), 3.0)
    least = _misfit(seen, grid, like.chamfer_px, like.blur_px).min(axis=0)
    scale = max(float(np.median(least)) / usual, 1e-9)
    misfit = _misfit(seen, grid, vote.chamfer_px, vote.blur_px) / scale
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

    p = vote.place
    for _ in range(STEPS):
        size, slope, curved = at(p)
        weight = 1 / (1 + size / (usual + OUTLYING))
        inverse = np.linalg.pinv((curve * (weight * curved / 2)[:, None]).T @ curve)
        pull = curve * (weight * slope / 2)[:, None]
        p = p - np.clip(inverse @ pull.sum(axis=0), -STEP_PX, STEP_PX)
    return (
        float(_lost(at(p)[0], usual).sum()),
        float(p[2]),
        float(np.sqrt((inverse @ pull.T @ pull @ inverse)[2, 2])),
    )
