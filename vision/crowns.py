"""The gap at each crown: the fret's upper outline against the light of the gap, fitted with one shared shape.

A camera near the neck sees each fret along part of its length. Its visible upper outline is that of a crown swept
along a radiused board; the near half stands out against the light behind and carries the height. Crown and board
curvature, the camera's elevation and foot, and a common shift along the board are shared by all frets; one height per
fret is free. Boundaries between light and fret are first collected without any model (so that rival heights are
seen), then placed to sub-pixel by a rendered slit of light in linear light, then explained all together.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .camera import FREE_FOOT_MM, BoardCamera
from .end_faces import cut_ends, fit_ends, is_like_ends, read_well
from .halves import ALONE, Halves
from .joint import SHARED as SHARED_PIXELS
from .locate import EdgeCurve
from .outline import Outline, mirrored_rim
from .photo import FloatImage
from .pixels import read_pixels
from .readings import (
    CONTACT_MM,
    MIN_SHARE,
    CrownFit,
    CrownSet,
    averaged,
    chosen,
    doubting,
    is_unlikely,
    without_leaps,
)
from .slit import SlitLight, place_boundaries
from .votes import BESIDE_MM, Board, find_extrema, on_outline, search_shape

Mask = NDArray[np.bool_]

SHARED = 7  # parameters of the joint fit before the gaps: the outline's six and the camera's foot
SHAPE = [0, 1, 2, 3, 4, 6]
MIN_POINTS = 3
BRIGHT_GAP = 0.25
MIN_PIXELS, MAX_NOISE = 25, 1.6
DULL_FACE = 0.08  # linear light of a black blade
# Neighbouring columns share blur, halo, compression blocks and shading: their number must not outvote the priors.
U_POINT_MM = 0.04
MIN_REACH_PX = 1.2
SURE_MM = 0.2  # an outline that tells its crown's height no better has locked on nothing
SURE_CONTRAST = 0.6  # a weaker step of light leaves an outline to the fret's own shading


def measure_crowns(
    luminance: FloatImage,
    edge: EdgeCurve,
    camera: BoardCamera,
    slit: SlitLight,
    *,
    frets: NDArray[np.int64],
    position_mm: Array,
    thickness_mm: float,
    board_radius_mm: float | None = None,
    both: Halves = ALONE,
) -> CrownSet:
    """Measure the gap at every crown that shows its outline.

    Along the middle of the board the pixels are explained. Before a dark gap the outlines are read as well: the mean of
    both stands, or the outlines alone where the pixels are not explained. Beside the outer string the outlines alone
    are read; where the step of light at the edge is weak, or outlines are too few, leave the straightedge floating or
    the heights open, the faces of the fret ends are.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge, camera, slit
        From the earlier stages.
    frets, position_mm
        (n,) fret numbers and their places from the nut.
    thickness_mm
        Of the straightedge.
    board_radius_mm
        When known; otherwise it is estimated from the outlines.
    both
        Who does the work.
    """
    board = Board(camera, frets, position_mm, thickness_mm / 2)
    read: CrownSet | None = None
    if not board.outer:
        read = _by_pixels(luminance, edge, board, slit, board_radius_mm, both)
        if not (read.dark or is_unlikely(read)):
            return read
    extrema = find_extrema(luminance, edge, camera, slit)
    near_mm = None if read is None or is_unlikely(read) else read.outline.shift_mm
    outline, gap, strength = search_shape(board, extrema, near_mm=near_mm, both=both)
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
    if result is not None:
        result = without_leaps(result)
    sure = result is not None and _is_sure(result, len(frets))
    if board.outer and (slit.contrast < SURE_CONTRAST or not sure):
        ends = _by_ends(luminance, edge, replace(board, camera=camera), slit)
        if ends is not None:
            result = doubting(ends, result) if sure and result is not None else ends
    if result is None:
        return read or CrownSet((), np.zeros((0, 0)), np.zeros((0, 6)), outline, board.camera)
    if read is None:
        return result
    return (chosen if is_unlikely(read) else averaged)(read, result, len(frets))


def _by_pixels(
    luminance: FloatImage, edge: EdgeCurve, board: Board, slit: SlitLight, board_radius_mm: float | None, both: Halves
) -> CrownSet:
    """Explain the pixels."""
    camera = board.camera
    dark = slit.falls or slit.gap_level(edge) < BRIGHT_GAP
    fit, patches, strain = read_pixels(
        luminance,
        edge,
        slit,
        camera,
        position_mm=board.position_mm,
        thickness_mm=2 * board.near_face_mm,
        board_radius_mm=board_radius_mm,
        dark=dark,
        both=both,
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
            float(fit.noise[i]),
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
    read = CrownSet(
        crowns,
        fit.covariance[np.ix_(index, index)],
        fit.sensitivity[kept],
        outline,
        moved,
        by_pixels=True,
        dark=dark,
        dull=dark and float(np.median(patches.face)) < DULL_FACE,
        strain=strain,
    )
    return without_leaps(read)


def _is_sure(read: CrownSet, frets: int) -> bool:
    """Tell whether outlines beside the outer string let the straightedge rest, and say how high the crowns stand."""
    if len(read.crowns) < MIN_SHARE * frets or abs(read.lowest_gap_mm) > CONTACT_MM:
        return False
    return bool(np.sqrt(np.diag(read.covariance_mm2).max()) < SURE_MM)


def _by_ends(luminance: FloatImage, edge: EdgeCurve, board: Board, slit: SlitLight) -> CrownSet | None:
    """Explain the fret ends' faces; None where they are unlike any, too few, or let the straightedge float."""
    place = board.position_mm
    reach = max(float(np.ptp(place)) / 2, 1.0)
    ends = cut_ends(luminance, edge, slit, board.camera, position_mm=place)
    fit = fit_ends(ends, (place - place.mean()) / reach)
    kept = np.flatnonzero(read_well(fit))
    if not is_like_ends(fit, ends.slant) or len(kept) < MIN_SHARE * len(place):
        return None
    slant = board.camera.slant(place)
    crowns = tuple(
        CrownFit(
            int(board.frets[i]),
            float(place[i]),
            float(fit.gap_mm[i]),
            int(fit.pixels[i]),
            float(fit.noise[i]),
            float(slant[i]),
            0.0,
        )
        for i in kept
    )
    half_mm, tall_mm, _ = fit.shape
    outline = Outline(float(tall_mm / half_mm**2), 1e-5, 0.0, 0.0)
    covariance = fit.covariance_mm2[np.ix_(kept, kept)]
    read = CrownSet(crowns, covariance, np.zeros((len(kept), 6)), outline, board.camera, by_ends=True)
    read = without_leaps(read)
    rests = len(read.crowns) >= MIN_SHARE * len(place) and abs(read.lowest_gap_mm) <= CONTACT_MM
    return read if rests else None


def _fit(
    luminance: FloatImage,
    edge: EdgeCurve,
    board: Board,
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
    u_shift, u_elevation = (0.2, 0.002) if board.outer else (0.15, 0.02)
    width = np.array([u_shift, FREE_FOOT_MM, u_elevation, u_radius, 0.15, 0.4, 0.4])

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
                1.48 * float(np.median(np.abs(mine))) / U_POINT_MM,
                float(camera.slant(board.position_mm[f : f + 1])[0]),
                trial.shift_mm,
            )
        )
    moved = replace(camera, x_foot_mm=float(fit.x[1]))
    information = fit.jac.T @ fit.jac
    sensitivity = -np.linalg.solve(information[SHARED:, SHARED:], information[SHARED:, SHAPE])
    return CrownSet(tuple(crowns), covariance[SHARED:, SHARED:] * spread**2, sensitivity, trial, moved)


def _points(
    luminance: FloatImage,
    edge: EdgeCurve,
    board: Board,
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
    use, drop, nearness = on_outline(board, outline, columns, position)
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
