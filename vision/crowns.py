"""The gap at each crown: the fret's upper outline against the light of the gap, fitted with one shared shape.

A camera near the neck sees each fret along part of its length. Its visible upper outline is that of a crown swept
along a radiused board; the near half stands out against the light behind and carries the height. Crown and board
curvature, the camera's elevation and foot, and a common shift along the board are shared by all frets; one height per
fret is free. Boundaries between light and fret are first collected without any model (so that rival heights are
seen), then placed to sub-pixel by a rendered slit of light in linear light, then explained all together.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .camera import OUTER_NEAR_MM, BoardCamera
from .joint import SHARED as SHARED_PIXELS
from .joint import read_pixels
from .locate import EdgeCurve
from .photo import FloatImage
from .slit import SlitLight, place_boundaries

Mask = NDArray[np.bool_]

TRIAL_GAPS_MM = np.arange(-0.12, 1.2, 0.02)
CROWN_REACH_MM = 1.05  # the crown is taken as a parabola this far from its middle
BESIDE_MM = 13.0
NEAR_FROM_MM = 1.0
NEAR_TO_MM = 15.0
SHARED = 7  # parameters of the joint fit before the gaps: the outline's six and the camera's foot
SHAPE = [0, 1, 2, 3, 4, 6]
MIN_POINTS = 3
BRIGHT_GAP = 0.25
MIN_PIXELS, MAX_NOISE = 25, 1.6
OUTER_VOTE = 2.5
END_ON_SLANT = 0.05
# Neighbouring columns share blur, halo, compression blocks and shading: their number must not outvote the priors.
U_POINT_MM = 0.04
MIN_REACH_PX = 1.2
MAX_STEP_MM = 0.3  # between neighbouring frets; a high or low fret may still step
MIN_STRENGTH = 0.012  # log light per pixel


@dataclass(frozen=True, slots=True)
class Outline:
    """Shape shared by all frets.

    Attributes
    ----------
    crown_per_mm
        Curvature of the crown across the fret, 1/mm.
    board_per_mm
        1 / board radius.
    elevation_rad
        Slope at which the board's surface falls away from the line of sight towards the camera.
    shift_mm
        Common shift of all crowns along the board.
    bevel_mm
        How far the top of a fret's end stands back from its foot.
    mirror
        How fully the crown mirrors the light behind it at grazing angles: 1 for polished metal.
    """

    crown_per_mm: float = 0.75
    board_per_mm: float = 1 / 320
    elevation_rad: float = 0.0
    shift_mm: float = 0.0
    bevel_mm: float = 0.5
    mirror: float = 1.0


@dataclass(frozen=True, slots=True)
class CrownFit:
    """Height of one crown.

    Attributes
    ----------
    gap_mm
        Below the straightedge's lower edge, common offset not yet removed.
    points
        Number of columns used.
    scatter_mm
        Robust scatter of their boundaries about the outline.
    slant
        mm along the board per mm of depth at this fret.
    place_mm
        How far the crown stands from where the comb has it.
    """

    fret: int
    position_mm: float
    gap_mm: float
    points: int
    scatter_mm: float
    slant: float
    place_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class CrownSet:
    """All crowns of a photo, and the shared shape.

    Attributes
    ----------
    covariance_mm2
        (n, n) of the gaps, from the joint fit; what the shared shape adds is in it.
    sensitivity
        (n, 6) change of each gap with shift (mm/mm), camera foot (mm/mm), elevation (mm/rad), board curvature
        (mm mm), crown curvature (mm mm) and mirror (mm), the outlines refitted: for what the model leaves out.
    by_pixels
        Read by explaining the pixels (`joint`) and not by the outlines alone.
    """

    crowns: tuple[CrownFit, ...]
    covariance_mm2: Array = field(repr=False)
    sensitivity: Array = field(repr=False)
    outline: Outline
    camera: BoardCamera
    by_pixels: bool = False


def outline_drop(outline: Outline, slant: Array, beside_mm: Array) -> tuple[Array, Array]:
    """Return the drop of a fret's visible upper outline below its apex, and the depth z at which it is seen.

    With delta the place across the fret, the drop is c delta^2 / 2 + k z^2 / 2 + a z with delta = beside + slant z;
    the outline is its least value over z.

    Parameters
    ----------
    outline
        Shared shape.
    slant
        mm along the board per mm of depth at these columns.
    beside_mm
        The columns' places along the straightedge's line relative to the crown's centre.
    """
    c, k, a = outline.crown_per_mm, outline.board_per_mm, outline.elevation_rad
    z = -(c * slant * beside_mm + a) / (k + c * slant**2)
    delta = beside_mm + slant * z
    return 0.5 * c * delta**2 + 0.5 * k * z**2 + a * z, z


def mirrored_rim(outline: Outline, slant: Array, z_mm: Array, apparent_mm: Array, near_face_mm: float) -> Array:
    """Return by how much the boundary that is seen lies below the true outline, in mm.

    At its outline a polished crown is met at a grazing angle and mirrors the light of the gap: the rim is as bright as
    the gap itself. A little nearer the surface turns the line of sight upwards by twice its slope; where that reaches
    the blade's face, the crown turns dark (or bright, before a dark cloth). With k the curvature along the line of
    sight, m the outline's depth behind the blade's face and A the apparent gap, the place follows from
    2 k s (m + s) = A + k s^2 / 2, and the boundary lies k s^2 / 2 below the outline.

    Parameters
    ----------
    outline
        Shared shape.
    slant, z_mm
        Of the columns, as in `outline_drop`.
    apparent_mm
        Apparent gap at the outline.
    near_face_mm
        Depth of the blade's near face before its middle.
    """
    k = outline.board_per_mm + outline.crown_per_mm * slant**2
    m = z_mm - near_face_mm
    root = np.sqrt((2 * k * m) ** 2 + 6 * k * np.maximum(apparent_mm, 0.0))
    s = (root - 2 * k * m) / (3 * k)
    return np.asarray(outline.mirror * np.minimum(0.5 * k * s**2, 0.3))


@dataclass(frozen=True, slots=True)
class _Extrema:
    """Places of steepest light below the edge: column, distance below the edge in mm, signed strength."""

    column_px: Array
    below_mm: Array
    strength: Array


def find_extrema(luminance: FloatImage, edge: EdgeCurve, camera: BoardCamera, slit: SlitLight) -> _Extrema:
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
    return _Extrema(columns[i][keep], below[keep], gradient[i, j][keep])


@dataclass(frozen=True, slots=True)
class _Board:
    """Everything that stays fixed during the fit."""

    camera: BoardCamera
    frets: NDArray[np.int64]
    position_mm: Array
    near_face_mm: float

    @property
    def outer(self) -> bool:
        return bool(self.camera.near_mm[0] < OUTER_NEAR_MM)

    def drop(self, outline: Outline, slant: Array, beside_mm: Array, position_mm: Array) -> tuple[Array, Array]:
        """Return drop and depth of the outline: the swept crown, or beside the outer string the fret's end alone."""
        if not self.outer:
            return outline_drop(outline, slant, beside_mm)
        ends = self.camera.near_mm[0] + self.camera.near_mm[1] * position_mm - outline.bevel_mm
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


def _select(board: _Board, outline: Outline, column_px: Array, position_mm: float) -> tuple[Mask, Array, Array]:
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


def _votes(board: _Board, outline: Outline, extrema: _Extrema, tolerance_mm: float) -> Array:
    """Return (frets, 2, trial gaps): how much steep light of either sign lies on each trial outline."""
    out = np.zeros((len(board.frets), 2, len(TRIAL_GAPS_MM)))
    weight = np.sign(extrema.strength) * np.minimum(np.abs(extrema.strength), 0.25)
    for f, position in enumerate(board.position_mm):
        use, drop, nearness = _select(board, outline, extrema.column_px, float(position))
        gap = extrema.below_mm[use] / nearness[use] - drop[use]
        close = np.exp(-0.5 * ((gap[:, None] - TRIAL_GAPS_MM[None, :]) / tolerance_mm) ** 2)
        out[f, 0] = np.maximum(weight[use], 0) @ close
        out[f, 1] = np.maximum(-weight[use], 0) @ close
    return out


def _search_shape(board: _Board, extrema: _Extrema) -> tuple[Outline, Array, Array]:
    """Try coarse shared shapes; return the best with each fret's trial gap and its vote strength.

    One sign of light step is taken for the whole photo when it explains more than half again as much as the other;
    before a cluttered background both count.
    """
    elevations = (0.0,) if board.outer else (-0.02, 0.0, 0.02, 0.04)
    radii: tuple[float, ...] = (320.0,) if board.outer else (200.0, 300.0, 500.0, 5000.0)
    best: tuple[float, Outline, Array] | None = None
    shifts = np.array([0.0]) if board.outer else np.arange(-0.9, 0.91, 0.3)
    for shift, elevation, radius in product(shifts, elevations, radii):
        outline = Outline(0.75, 1 / radius, elevation, float(shift))
        votes = _votes(board, outline, extrema, 0.035)
        total = votes.max(axis=2).sum(axis=0)
        clear = total.max() > 1.5 * total.min()
        curve = votes[:, int(total.argmax())] if clear else votes.sum(axis=1)
        score = float(curve.max(axis=1).sum()) * (1.0 if clear else 0.75)
        if best is None or score > best[0]:
            best = (score, outline, curve)
    assert best is not None
    _, outline, curve = best
    chosen = _smooth_path(curve)
    return outline, TRIAL_GAPS_MM[chosen], curve[np.arange(len(chosen)), chosen]


def _support(strength: Array, *, outer: bool) -> float:
    """Return the votes for a placing: a fret's end is a short arc and gathers fewer than a flank."""
    return float(np.minimum(strength, np.median(strength) * 2).sum()) * (OUTER_VOTE if outer else 1.0)


def _smooth_path(curve: Array) -> NDArray[np.intp]:
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


def measure_crowns(
    luminance: FloatImage,
    edge: EdgeCurve,
    cameras: tuple[BoardCamera, ...],
    slit: SlitLight,
    *,
    frets: NDArray[np.int64],
    position_mm: Array,
    thickness_mm: float,
    board_radius_mm: float | None = None,
) -> CrownSet:
    """Measure the gap at every crown that shows its outline.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge, cameras, slit
        From the earlier stages; of several cameras the one whose outlines gather most votes is taken.
    frets, position_mm
        (n,) fret numbers and their places from the nut.
    thickness_mm
        Of the straightedge.
    board_radius_mm
        When known; otherwise it is estimated from the outlines.
    """
    extrema = find_extrema(luminance, edge, cameras[0], slit)
    boards = [_Board(camera, frets, position_mm, thickness_mm / 2) for camera in cameras]
    trials = [(_search_shape(board, extrema), board) for board in boards]
    (outline, gap, strength), board = max(trials, key=lambda t: _support(t[0][2], outer=t[1].outer))
    if not board.outer and _bright_gap(edge, slit):
        return _by_pixels(luminance, edge, board, slit, board_radius_mm)
    if board_radius_mm is not None:
        outline = replace(outline, board_per_mm=1 / board_radius_mm)
    keep = strength > 0.25
    result: CrownSet | None = None
    for reach in (0.12, 0.08, 0.06):
        fitted = _fit(luminance, edge, board, slit, outline, gap, keep, reach, board_radius_mm)
        if fitted is None:
            break
        result = fitted
        board = replace(board, camera=fitted.camera)
        outline = fitted.outline
        for crown in fitted.crowns:
            gap[int(np.flatnonzero(frets == crown.fret)[0])] = crown.gap_mm
    return result if result is not None else CrownSet((), np.zeros((0, 0)), np.zeros((0, 6)), outline, board.camera)


def _bright_gap(edge: EdgeCurve, slit: SlitLight) -> bool:
    """Return whether the gap is bright: the shading model holds before light; before a dark cloth it does not yet."""
    return float(np.median(slit.gap_light[int(edge.low_px) : int(edge.high_px)])) > BRIGHT_GAP


def _by_pixels(
    luminance: FloatImage, edge: EdgeCurve, board: _Board, slit: SlitLight, board_radius_mm: float | None
) -> CrownSet:
    camera = board.camera
    fit, patches = read_pixels(
        luminance,
        edge,
        slit,
        camera,
        position_mm=board.position_mm,
        thickness_mm=2 * board.near_face_mm,
        board_radius_mm=board_radius_mm,
    )
    place = np.polynomial.polynomial.polyval(patches.along, np.array(fit.shape.place_mm))
    moved = replace(camera, x_foot_mm=fit.shape.foot_mm)
    slant = moved.slant(board.position_mm)
    # What is not explained is not measured: a shape, a string or a shade that the model does not know.
    bound = max(MAX_NOISE, 2.5 * float(np.median(fit.noise)))
    kept = np.flatnonzero((fit.pixels >= MIN_PIXELS) & (fit.noise < bound))
    crowns = tuple(
        CrownFit(
            int(board.frets[i]),
            float(board.position_mm[i]),
            float(fit.gap_mm[i]),
            int(fit.pixels[i]),
            float(U_POINT_MM * fit.noise[i]),
            float(slant[i]),
            float(place[i]),
        )
        for i in kept
    )
    shape = fit.shape
    outline = Outline(
        4 * shape.height_mm / shape.width_mm**2, shape.board_per_mm, shape.elevation_rad, float(place.mean())
    )
    index = SHARED_PIXELS + kept
    return CrownSet(crowns, fit.covariance[np.ix_(index, index)], fit.sensitivity[kept], outline, moved, by_pixels=True)


def _fit(
    luminance: FloatImage,
    edge: EdgeCurve,
    board: _Board,
    slit: SlitLight,
    outline: Outline,
    gap: Array,
    keep: Mask,
    reach_mm: float,
    board_radius_mm: float | None,
) -> CrownSet | None:
    """Place the boundaries near the present outlines and explain them all: one round of the joint fit."""
    from scipy.optimize import least_squares

    points = [_points(luminance, edge, board, slit, outline, gap[f], int(f), reach_mm) for f in np.flatnonzero(keep)]
    points = [p for p in points if len(p) >= MIN_POINTS]
    if len(points) < 3:
        return None
    data = np.concatenate(points)
    index = np.repeat(np.arange(len(points)), [len(p) for p in points])
    fret_index = np.array([int(p[0, 0]) for p in points])
    column, below, u = data[:, 1], data[:, 2], data[:, 3]
    camera = board.camera
    x_line = camera.comb.position_mm(column)
    position = board.position_mm[fret_index][index]
    foot0 = camera.x_foot_mm

    def shape(p: Array) -> tuple[Outline, Array]:
        trial = Outline(max(p[4], 0.05), max(p[3], 1e-6), p[2], p[0], p[5], p[6])
        slant = (p[1] - x_line) / camera.distance_mm
        drop, z = board.drop(trial, slant, x_line - position - p[0], position)
        apparent = p[SHARED + index] + drop
        rim = 0.0 if board.outer else mirrored_rim(trial, slant, z, apparent, board.near_face_mm)
        return trial, (apparent + rim) * camera.distance_mm / (camera.distance_mm - z)

    u_radius = 1e-6 if board_radius_mm is not None else (2e-5 if board.outer else 0.0012)
    centre = np.array([0.0, foot0, 0.0, 1 / (board_radius_mm or 320.0), 0.75, 0.5, 0.7])
    u_shift, u_foot, u_elevation = (0.2, 1.5, 0.002) if board.outer else (0.15, 1.5, 0.02)
    width = np.array([u_shift, u_foot, u_elevation, u_radius, 0.15, 0.4, 0.4])

    def miss(p: Array) -> Array:
        return np.concatenate([(shape(p)[1] - below) / u, (p[:SHARED] - centre) / width])

    start = np.concatenate(
        [
            [
                outline.shift_mm,
                foot0,
                outline.elevation_rad,
                outline.board_per_mm,
                outline.crown_per_mm,
                outline.bevel_mm,
                outline.mirror,
            ],
            gap[fret_index],
        ]
    )
    scale = np.concatenate([[0.1, 1.0, 0.01, 5e-4, 0.1, 0.2, 0.2], np.full(len(points), 0.02)])
    fit = least_squares(miss, start, loss="soft_l1", f_scale=1.5, x_scale=scale)
    trial, model = shape(fit.x)
    residual = below - model
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac)
    spread = max(1.0, 1.48 * float(np.median(np.abs(residual / u))))
    crowns = []
    for i, f in enumerate(fret_index):
        mine = residual[index == i]
        crowns.append(
            CrownFit(
                int(board.frets[f]),
                float(board.position_mm[f]),
                float(fit.x[SHARED + i]),
                len(mine),
                1.48 * float(np.median(np.abs(mine))),
                float(camera.slant(board.position_mm[f : f + 1])[0]),
            )
        )
    moved = replace(camera, x_foot_mm=float(fit.x[1]))
    information = fit.jac.T @ fit.jac
    sensitivity = -np.linalg.solve(information[SHARED:, SHARED:], information[SHARED:, SHAPE])
    return CrownSet(tuple(crowns), covariance[SHARED:, SHARED:] * spread**2, sensitivity, trial, moved)


def _points(
    luminance: FloatImage,
    edge: EdgeCurve,
    board: _Board,
    slit: SlitLight,
    outline: Outline,
    gap_mm: float,
    f: int,
    reach_mm: float,
) -> Array:
    """Return (n, 4): fret index, column, boundary below the edge in mm, its standard uncertainty."""
    position = float(board.position_mm[f])
    ends = board.camera.comb.x_px(np.array([position - BESIDE_MM, position + BESIDE_MM]))
    columns = np.arange(max(edge.low_px, ends.min()), min(edge.high_px, ends.max()))
    if len(columns) < 3:
        return np.empty((0, 4))
    columns = np.floor(columns)
    use, drop, nearness = _select(board, outline, columns, position)
    columns = columns[use]
    if len(columns) < 3:
        return np.empty((0, 4))
    scale = board.camera.px_per_mm(columns)
    expected = (gap_mm + drop[use] + board.rim(outline, columns, position, gap_mm)) * nearness[use] * scale
    place, u, sure = place_boundaries(
        luminance, edge, slit, columns, expected, reach_px=max(reach_mm * float(scale.mean()), MIN_REACH_PX)
    )
    floor = np.hypot(u / scale, U_POINT_MM)
    ok = sure & (u / scale < 0.08)
    rows = np.stack([np.full(len(columns), f), columns, place / scale, floor], axis=1)
    return np.asarray(rows[ok], dtype=np.float64)
