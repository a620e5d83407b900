"""How tall the ends of the frets stand over their feet: what the feet alone cannot tell.

Feet tell how the neck is bent, but nothing of a fret that was driven in too deep, or not home, or of wire of unequal
height; its end stands lower or higher than those of its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from lightgap.neck.profile import Array

from .along import along_board, through_most
from .camera import BoardCamera, ends_seen_at
from .end_outlines import ABOVE_MM, ASIDE_MM, RAY_STEP_MM, Ends, follow_outlines
from .feet import WIRE_MM, Feet
from .locate import EdgeCurve
from .photo import FloatImage
from .shading import Mask
from .slit import SlitLight

ROW_ORDER = 3  # of the smooth row of feet about which ends are looked for
# A row of ends that was read: how its outlines fit, one by one and together, and how many do.
MAX_SCATTER_MM, MAX_OWN_SCATTER_MM, UNLIKE, MIN_READ, MIN_ENDS = 0.03, 0.04, 2.2, 0.65, 6
MIN_OUTLINES = 4  # of fewer no shape is common to all
MIN_USED = 0.5  # of all frets, with an end sure enough to be used, so that the row is one of fret ends
# How tops may stand over feet in common, by the glow of faces and by what lies behind them: Legendre polynomials along
# the board (by own renders with truth); height and tilt are free.
SMOOTH_MM = np.array([10.0, 2.0, 0.03, 0.015, 0.008])
FOLLOWED = 3  # of the five, as the rest are held: what a row follows of its own scatter
# Of that bend, where faces are burnt out; and from which light on they are, and wholly (by own renders with truth).
GROWN_SHARE, BURNT_OUT = 0.3, (0.85, 0.95)
START_APART_MM, SMOOTH_ROUNDS = 0.03, 8
MAX_APART_MM = 0.02  # robust scatter of ends over their feet, most of it wire: what scatters more was misread
# Of one end: at least, by its outline's own fit, of which neighbouring rays see the same, and at most (by own renders
# with truth).
U_LEAST_MM, ALIKE, MAX_U_MM = 0.004, 1.5, 0.013
# One fret in seventy stands high or low; by how much, as a standard deviation (by own renders with truth; common
# practice, no published source, has it more often).
ODD_SHARE, ODD_MM = 0.015, 0.07
# Beside the outer string a straightedge hides the tops of the ends: one so far off its foot was misread more often than
# not (by own renders with truth: 26 of 44).
MISREAD_OUTER_MM = 0.02
# A foot off the row is a fret's that stands high or low where its end is no farther from it, beside the outer string
# too, and however few ends are sure (by own renders with truth: of 15 such feet all were right to 0.02 mm, of 17 others
# 4).
BORNE_OUT_MM = 0.03


@dataclass(frozen=True, slots=True)
class EndHeights:
    """Ends of n frets.

    Attributes
    ----------
    below_mm
        (n,) where each foot would stand, under the straightedge's edge, were its end as tall as those beside it; NaN
        where no end was read.
    u_mm
        (n,) their standard uncertainties, beside what is common to a smooth row; NaN likewise.
    bent_mm
        (n,) how much lower feet stand than they look; 0 but where faces are burnt out.
    """

    below_mm: Array = field(repr=False)
    u_mm: Array = field(repr=False)
    bent_mm: Array = field(repr=False)


@dataclass(frozen=True, slots=True)
class EndOutlines:
    """Where the ends of n frets stand in the picture, by outlines that are of one shape.

    Attributes
    ----------
    column_px, row_px
        (n,) of the middle of each end's foot, were all ends equally tall; NaN where no end was read.
    u_above_mm
        (n,) how open the outline leaves its height, as a standard uncertainty; NaN likewise.
    face
        Usual light of a face.
    """

    column_px: Array = field(repr=False)
    row_px: Array = field(repr=False)
    u_above_mm: Array = field(repr=False)
    face: float


def read_outlines(
    luminance: FloatImage, edge: EdgeCurve, slit: SlitLight, camera: BoardCamera, *, position_mm: Array, foot_mm: Array
) -> EndOutlines | None:
    """Read the outlines of the ends; None where too few are in view, or they do not agree.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge, slit, camera
        From the earlier stages.
    position_mm
        (n,) places of the frets from the nut.
    foot_mm
        (n,) of their feet under the straightedge's edge; NaN where none was seen.
    """
    along = along_board(position_mm)
    row, _ = through_most(along, foot_mm, np.ones_like(along), order=ROW_ORDER)
    column, scale = ends_seen_at(camera, position_mm)
    inside = _in_view(luminance, edge, column, scale, row) & np.isfinite(row)
    if inside.sum() < max(MIN_OUTLINES, MIN_READ * len(row)):
        return None
    blur_mm = max(slit.blur_px / float(np.median(scale)), RAY_STEP_MM)
    slant = camera.comb.direction * camera.slant(position_mm)
    ends = Ends(luminance, edge, slit.offset_px, column[inside], scale[inside], row[inside], slant[inside], blur_mm)
    fit = follow_outlines(ends)
    if fit is None:
        return None
    usual = float(np.median(fit.scatter_mm))
    if usual > MAX_SCATTER_MM:
        return None
    like = fit.scatter_mm < min(max(UNLIKE * usual, MAX_SCATTER_MM / 2), MAX_OWN_SCATTER_MM)
    if like.sum() < max(MIN_OUTLINES, MIN_READ * len(row)):
        return None
    column_px, row_px, u_mm = np.full((3, len(row)), np.nan)
    foot_px = edge.straight_on_y_px(ends.column_px) + slit.offset_px
    foot_px += ends.px_per_mm * (ends.foot_mm - fit.outlines.above_mm)
    column_px[inside] = np.where(like, ends.column_px + ends.px_per_mm * fit.outlines.aside_mm, np.nan)
    row_px[inside], u_mm[inside] = np.where(like, foot_px, np.nan), np.where(like, fit.u_above_mm, np.nan)
    return EndOutlines(column_px, row_px, u_mm, float(np.median(fit.face[like])))


def compare_heights(
    outlines: EndOutlines, edge: EdgeCurve, slit: SlitLight, camera: BoardCamera, *, position_mm: Array, foot_mm: Array
) -> EndHeights | None:
    """Tell how tall the ends stand beside each other; None where too few were read, or they scatter.

    Parameters
    ----------
    outlines
        Of the n ends.
    edge, slit, camera, position_mm, foot_mm
        As in `read_outlines`; the edge may be another.
    """
    _, scale = ends_seen_at(camera, position_mm)
    top_mm = (outlines.row_px - edge.straight_on_y_px(outlines.column_px) - slit.offset_px) / scale
    u_mm = np.hypot(U_LEAST_MM, ALIKE * outlines.u_above_mm)
    along = along_board(position_mm)
    bent = np.zeros_like(foot_mm)
    if not camera.beside_outer:
        bent = _share_grown(outlines.face) * _bent_mm(along, top_mm - foot_mm)
    told = _beside_feet(along, top_mm, u_mm, foot_mm + bent)
    return told and EndHeights(*told, bent)


def _share_grown(face: float) -> float:
    """Return the share of the bend of tops over feet by which feet are bent against it.

    Light that burns out spreads over its border, at a face's foot downwards and at its top, where all is seen in linear
    light, twice as far upwards.
    """
    return GROWN_SHARE * float(np.clip((face - BURNT_OUT[0]) / (BURNT_OUT[1] - BURNT_OUT[0]), 0, 1))


def _bent_mm(along: Array, over_mm: Array) -> Array:
    """Return (n,) how tops bend over feet in common: a parabola through most, without its height and tilt."""
    if np.isfinite(over_mm).sum() < MIN_ENDS:
        return np.zeros_like(over_mm)
    curve, _ = through_most(along, over_mm, np.ones_like(along), order=2)
    return np.asarray(curve - np.polyval(np.polyfit(along, curve, 1), along))


def with_ends(feet: Feet, ends: EndHeights | None, *, outer: bool) -> Feet:
    """Return feet moved to where they would stand were all ends equally tall over them: as the crowns stand.

    A foot tells its crown but for the wire's own height: most of it the wire's scatter, and once in a while a fret that
    stands high or low. An end tells it but for how well it was read. What both make likely is that of a mixture of
    the two kinds of fret. Feet of faces that burn out are bent back first.

    Parameters
    ----------
    feet
        Of the n frets.
    ends
        Of the same; None leaves the feet as they are.
    outer
        The straightedge lies beside the outer string.
    """
    if ends is None:
        return feet
    astray = feet.astray_mm if feet.astray_mm is None else feet.astray_mm + ends.bent_mm
    feet = replace(feet, below_mm=feet.below_mm + ends.bent_mm, astray_mm=astray)
    feet = _borne_out(feet, ends)
    read = np.isfinite(ends.below_mm)
    if outer:
        read &= feet.seen & (np.abs(ends.below_mm - feet.below_mm) < MISREAD_OUTER_MM)
    if feet.astray_mm is not None:  # a foot off the row and its crown may tell the same
        read &= ~np.isfinite(feet.astray_mm)
    if read.sum() < MIN_USED * len(read):
        return feet
    both = read & feet.seen
    moved, u_moved = _likely(ends.below_mm[both] - feet.below_mm[both], ends.u_mm[both], feet.u_alone_mm)
    below, u_mm = np.where(read, ends.below_mm, feet.below_mm), np.full(len(read), np.nan)
    u_mm[read] = ends.u_mm[read]
    below[both], u_mm[both] = feet.below_mm[both] + moved, u_moved
    by_mm = np.where(read, below - feet.below_mm, 0.0)
    return replace(feet, below_mm=below, u_with_end_mm=u_mm, moved_mm=by_mm)


def _borne_out(feet: Feet, ends: EndHeights) -> Feet:
    """Return feet with those off the row counted among the others where their ends stand as high or as low."""
    if feet.astray_mm is None:
        return feet
    alike = np.abs(ends.below_mm - feet.astray_mm) < BORNE_OUT_MM
    below, astray = np.where(alike, feet.astray_mm, feet.below_mm), np.where(alike, np.nan, feet.astray_mm)
    return replace(feet, below_mm=below, astray_mm=astray, borne_out=alike)


def _likely(apart_mm: Array, u_mm: Array, usual_mm: float) -> tuple[Array, Array]:
    """Return the likely heights of the wire, (n,), and their standard uncertainty, where ends and feet differ so."""
    spread = np.array([[usual_mm], [np.hypot(ODD_MM, usual_mm)]])
    share = np.array([[1 - ODD_SHARE], [ODD_SHARE]])
    total = spread**2 + u_mm**2
    like = share * np.exp(-(apart_mm**2) / (2 * total)) / np.sqrt(total)
    like /= like.sum(axis=0)
    moved = apart_mm * spread**2 / total
    mean = (like * moved).sum(axis=0)
    variance = (like * (spread**2 * u_mm**2 / total + (moved - mean) ** 2)).sum(axis=0)
    return np.asarray(mean), np.asarray(np.sqrt(variance))


def _in_view(luminance: FloatImage, edge: EdgeCurve, column: Array, scale: Array, row: Array) -> Mask:
    height, width = luminance.shape
    foot_px = edge.straight_on_y_px(column) + scale * row
    sides = (column > ASIDE_MM * scale) & (column < width - 1 - ASIDE_MM * scale)
    return np.asarray(sides & (foot_px > ABOVE_MM[1] * scale) & (foot_px < height - 1 + ABOVE_MM[0] * scale))


def _beside_feet(along: Array, top_mm: Array, u_mm: Array, foot_mm: Array) -> tuple[Array, Array] | None:
    """Return the tops less what those of the others stand over their feet in common, and how sure each is, (n,).

    None where they scatter about it.

    Each is left out of what it is held against, and at either end of the row both of the last: a polynomial would
    follow an odd fret there.
    """
    over = top_mm - foot_mm
    both = np.flatnonzero(np.isfinite(over))
    if len(both) < max(MIN_ENDS, MIN_READ * len(over)):
        return None
    powers = np.polynomial.legendre.legvander(along / np.abs(along).max(), len(SMOOTH_MM) - 1)
    coefficients, _ = _smooth(powers[both], over[both], START_APART_MM)
    scatter = 1.48 * float(np.median(np.abs(over[both] - powers[both] @ coefficients)))
    scatter *= np.sqrt(len(both) / (len(both) - FOLLOWED))
    if scatter > MAX_APART_MM:
        return None
    scatter = max(scatter, WIRE_MM)
    below, u_all = np.full((2, len(over)), np.nan)
    for i in np.flatnonzero(np.isfinite(top_mm)):
        outer = next((pair for pair in (both[:2], both[-2:]) if i in pair), np.array([i]))
        others = np.setdiff1d(both, [i, *outer])
        coefficients, covariance = _smooth(powers[others], over[others], scatter)
        u_each = float(np.sqrt(u_mm[i] ** 2 + powers[i] @ covariance @ powers[i]))
        if u_each < MAX_U_MM:
            below[i], u_all[i] = top_mm[i] - powers[i] @ coefficients, u_each
    return below, u_all


def _smooth(powers: Array, value: Array, scatter_mm: float) -> tuple[Array, Array]:
    """Return coefficients of a smooth row through most of the values, and their covariance."""
    weight, prior = np.ones(len(value)), np.diag(SMOOTH_MM**-2.0)
    coefficients, covariance = np.zeros(powers.shape[1]), np.diag(SMOOTH_MM**2)
    for _ in range(SMOOTH_ROUNDS):
        covariance = np.linalg.inv((powers * weight[:, None]).T @ powers / scatter_mm**2 + prior)
        coefficients = covariance @ powers.T @ (weight * value) / scatter_mm**2
        weight = 1 / (1 + ((value - powers @ coefficients) / (2 * scatter_mm)) ** 2)
    return np.asarray(coefficients), np.asarray(covariance)
