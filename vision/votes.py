"""Which trial heights the steep places of the light speak for, before any of them is placed to sub-pixel."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from itertools import product

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .camera import BoardCamera
from .halves import ALONE, Halves
from .locate import EdgeCurve
from .outline import Outline, mirrored_rim, outline_drop
from .photo import FloatImage
from .slit import SlitLight

Mask = NDArray[np.bool_]

TRIAL_GAPS_MM = np.arange(-0.12, 1.2, 0.02)
CROWN_REACH_MM = 1.05  # the crown is taken as a parabola this far from its middle
BESIDE_MM = 13.0
NEAR_FROM_MM = 1.0
NEAR_TO_MM = 15.0
END_ON_SLANT = 0.05
MAX_STEP_MM = 0.3  # between neighbouring frets; a high or low fret may still step
NEAR_MM = 0.5  # of the place by another reading, good to 0.2 mm: a step of the search more
MIN_STRENGTH = 0.012  # log light per pixel


@dataclass(frozen=True, slots=True)
class Extrema:
    """Places of steepest light below the edge: column, distance below the edge in mm, signed strength."""

    column_px: Array
    below_mm: Array
    strength: Array


def find_extrema(luminance: FloatImage, edge: EdgeCurve, camera: BoardCamera, slit: SlitLight) -> Extrema:
    """Collect, column by column, every place below the edge where the light changes steeply."""
    from scipy.ndimage import gaussian_filter1d

    deepest = 1.35
    columns = np.arange(max(0, np.ceil(edge.low_px)), min(luminance.shape[1] - 1, np.floor(edge.high_px)) + 1)
    scale = camera.px_per_mm(columns)
    top = edge.y_px(columns) + slit.offset_px
    count = int(np.ceil(deepest * scale.max())) + 10
    rows = np.floor(top).astype(np.intp)[:, None] - 3 + np.arange(count)[None, :]
    light = luminance[np.clip(rows, 0, luminance.shape[0] - 1), columns.astype(np.intp)[:, None]].astype(np.float64)
    smooth = gaussian_filter1d(np.log(np.maximum(light, 0) + 0.02), max(0.7, 0.02 * float(scale.mean())), axis=1)
    gradient = np.gradient(smooth, axis=1)
    size = np.abs(gradient)
    peak = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] > size[:, 2:]) & (size[:, 1:-1] > MIN_STRENGTH)
    i, j = np.nonzero(peak)
    j = j + 1
    a, b, c = size[i, j - 1], size[i, j], size[i, j + 1]
    below = (rows[i, j] + 0.5 * (a - c) / (a - 2 * b + c - 1e-12) - top[i]) / scale[i]
    keep = (below > slit.blur_px / scale[i]) & (below < deepest)
    return Extrema(columns[i][keep], below[keep], gradient[i, j][keep])


@dataclass(frozen=True, slots=True)
class Board:
    """Everything that stays fixed during the fit."""

    camera: BoardCamera
    frets: NDArray[np.int64]
    position_mm: Array
    near_face_mm: float

    @property
    def outer(self) -> bool:
        return self.camera.beside_outer

    def drop(self, outline: Outline, slant: Array, beside_mm: Array, position_mm: Array) -> tuple[Array, Array]:
        """Return drop and depth of the outline: the swept crown, or beside the outer string the fret's end alone."""
        if not self.outer:
            return outline_drop(outline, slant, beside_mm)
        ends = self.camera.ends_mm(position_mm) - outline.bevel_mm
        z = np.broadcast_to(ends, slant.shape)
        delta = beside_mm + slant * z
        return 0.5 * outline.crown_per_mm * delta**2, z

    def rim(self, outline: Outline, column_px: Array, position_mm: float, gap_mm: float) -> Array:
        """Return the mirrored rim at columns of one fret; none at a fret's end."""
        if self.outer:
            return np.zeros(len(column_px))
        x_line = self.camera.comb.position_mm(column_px)
        slant = self.camera.slant(x_line)
        drop, z = outline_drop(outline, slant, x_line - position_mm - outline.shift_mm)
        return mirrored_rim(outline, slant, z, gap_mm + drop, self.near_face_mm)


def on_outline(board: Board, outline: Outline, column_px: Array, position_mm: float) -> tuple[Mask, Array, Array]:
    """Return which points lie on a fret's usable outline, its drop there and the nearness factor."""
    camera = board.camera
    x_line = camera.comb.position_mm(column_px)
    slant = camera.slant(x_line)
    beside = x_line - position_mm - outline.shift_mm
    drop, z = board.drop(outline, slant, beside, np.asarray(position_mm))
    delta = beside + slant * z
    use = (np.abs(beside) < BESIDE_MM) & (np.abs(delta) < CROWN_REACH_MM)
    if board.outer:
        # Towards the crown's middle the fret itself rises behind its end: only the outward side shows the arc.
        use &= (delta * np.sign(-slant) > -0.2) | (np.abs(slant) < 0.03)
    else:
        use &= (z > np.where(np.abs(slant) < END_ON_SLANT, -6.0, NEAR_FROM_MM)) & (z < NEAR_TO_MM)
    return use, drop, camera.distance_mm / (camera.distance_mm - z)


def _votes(board: Board, outline: Outline, extrema: Extrema, tolerance_mm: float) -> Array:
    """Return (frets, 2, trial gaps): how much steep light of either sign lies on each trial outline."""
    out = np.zeros((len(board.frets), 2, len(TRIAL_GAPS_MM)))
    weight = np.sign(extrema.strength) * np.minimum(np.abs(extrema.strength), 0.25)
    for f, position in enumerate(board.position_mm):
        use, drop, nearness = on_outline(board, outline, extrema.column_px, float(position))
        gap = extrema.below_mm[use] / nearness[use] - drop[use]
        close = np.exp(-0.5 * ((gap[:, None] - TRIAL_GAPS_MM[None, :]) / tolerance_mm) ** 2)
        out[f, 0] = np.maximum(weight[use], 0) @ close
        out[f, 1] = np.maximum(-weight[use], 0) @ close
    return out


def search_shape(
    board: Board, extrema: Extrema, *, near_mm: float | None = None, both: Halves = ALONE
) -> tuple[Outline, Array, Array]:
    """Try coarse shared shapes; return the best with each fret's trial gap and its vote strength.

    One sign of light step is taken for the whole photo when it explains more than half again as much as the other;
    before a cluttered background both count. Where another reading tells how far the crowns stand from where the comb
    has them, `near_mm`, only shapes near that are tried, if the search has any.
    """
    elevations = (0.0,) if board.outer else (-0.02, 0.0, 0.02, 0.04)
    radii: tuple[float, ...] = (320.0,) if board.outer else (200.0, 300.0, 500.0, 5000.0)
    shifts = (0.0,) if board.outer else tuple(np.arange(-0.9, 0.91, 0.3).tolist())
    if near_mm is not None and not board.outer:
        shifts = tuple(shift for shift in shifts if abs(shift - near_mm) < NEAR_MM) or shifts
    shapes = [
        Outline(0.75, 1 / radius, elevation, shift) for shift, elevation, radius in product(shifts, elevations, radii)
    ]
    scores = both.map(partial(_score, board, extrema), shapes)
    outline = shapes[int(np.argmax(scores))]
    curve, _ = _scored(board, extrema, outline)
    chosen = smooth_path(curve)
    return outline, TRIAL_GAPS_MM[chosen], curve[np.arange(len(chosen)), chosen]


def _scored(board: Board, extrema: Extrema, outline: Outline) -> tuple[Array, float]:
    """Return the (frets, trial gaps) votes for a shape, of the clearer sign of step or of both, and its score."""
    votes = _votes(board, outline, extrema, 0.035)
    total = votes.max(axis=2).sum(axis=0)
    clear = bool(total.max() > 1.5 * total.min())
    curve = votes[:, int(total.argmax())] if clear else votes.sum(axis=1)
    return curve, float(curve.max(axis=1).sum()) * (1.0 if clear else 0.75)


def _score(board: Board, extrema: Extrema, outline: Outline) -> float:
    return _scored(board, extrema, outline)[1]  # the votes stay where they were counted


def smooth_path(curve: Array) -> NDArray[np.intp]:
    """Choose one trial gap per fret for all frets together: well voted, near its neighbours', and high rather than low.

    The lower side of a fret, its shadow and the board make rival outlines below the true one; a neck does not step
    from one to the other between neighbouring frets. Dynamic programming over the trial gaps.
    """
    share = curve / np.maximum(curve.max(), 1e-9)
    own = np.maximum(curve.max(axis=1, keepdims=True), 0.15 * curve.max())
    gain = np.sqrt(share) + 0.5 * curve / own - 0.25 * TRIAL_GAPS_MM[None, :]
    step = (TRIAL_GAPS_MM[:, None] - TRIAL_GAPS_MM[None, :]) / MAX_STEP_MM
    cost = np.minimum(step**2, 4.0)
    total = gain[0]
    back = np.zeros(curve.shape, dtype=np.intp)
    for f in range(1, len(curve)):
        reach = total[:, None] - cost
        back[f] = reach.argmax(axis=0)
        total = reach.max(axis=0) + gain[f]
    path = np.empty(len(curve), dtype=np.intp)
    path[-1] = int(total.argmax())
    for f in range(len(curve) - 1, 0, -1):
        path[f - 1] = back[f, path[f]]
    return path
