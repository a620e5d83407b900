"""How tall the ends of the frets stand over their feet: what the feet alone cannot tell.

A fret's end, filed to a bevel, is half an ellipse lit as one face, which stands out from whatever lies beside and
behind it. All ends of a photo are of one shape. Feet tell how the neck is bent, but nothing of a fret that was driven
in too deep, or not home, or of wire of unequal height; its end stands lower or higher than those of its neighbours.

The outline is looked for along rays that leave the face's middle: a level of light inside that all rays of a face
share, and one of their own outside, solved for each place of the border (G. H. Golub and V. Pereyra, 1973: variable
projection). Shape, places and heights then explain the places found, those far off counting little.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.special import ndtr

from lightgap.neck.profile import Array

from .camera import BoardCamera, column_of
from .feet import U_WIRE_MM, Feet, along_board, through_most
from .locate import EdgeCurve
from .photo import FloatImage
from .shading import Mask
from .slit import SlitLight

# Half the width, the height and how far a face leans back, mm per mm (common practice, no published source).
SHAPE, U_SHAPE = np.array([1.15, 0.95, 0.7]), np.array([0.2, 0.15, 0.25])
HALVES_MM, HEIGHTS_MM, BEVELS = np.arange(0.75, 1.61, 0.1), np.arange(0.64, 1.41, 0.08), (0.4, 0.8)
ASIDES_MM, U_ASIDE_MM, U_ABOVE_MM, U_KINK_MM = np.arange(-0.4, 0.41, 0.1), 0.25, 0.15, 0.05
ANGLES_RAD = np.radians(np.arange(20, 161, 4))
# The part of the picture looked at, about the foot, and its sampling.
ASIDE_MM, ABOVE_MM, STEP_MM = 2.0, (-0.2, 1.9), 0.04
USUAL = 0.85  # quantile of the picture's slopes that counts as a border
INNER, RESTLESS = 0.7, 0.3  # an outline's inside is looked at there, and borders in it count against it
# Along a ray: inside and outside of the border, and how far it is looked for, round by round.
INSIDE_MM, OUTSIDE_MM, RAY_STEP_MM = 0.36, 0.22, 0.02
REACHES_MM = (0.3, 0.25, 0.2, 0.16, 0.13, 0.13)
OWN_FROM = 3  # from this round on outlines may depart from the ellipse, all alike
OWN_SHARE = 0.7
FACE = np.linspace(0.1, 0.65, 7)  # of the way to the border: the face's own level
# What levels leave unexplained: of the step of light, and at least; and a slope of the light outside, per 0.2 mm.
MISFIT, LEAST_LIGHT, SLOPE_MM, SLOPE_SHARE = 0.06, 0.004, 0.2, 0.015
BADLY = 4.0  # chi-square of a sample from which on a ray counts less
U_RAY_MM = 0.01  # rays surer than this count alike
# Under the straightedge's edge, whose light must not be taken for the border's.
UNDER_EDGE_MM, UNDER_EDGE_BLURS = 0.28, 2.2
CLEAR, MIN_RAYS = 0.2, 6  # weight of a ray that tells something, and how many of them an end has in the mean
MIN_SCATTER_MM, ROUNDS = 0.004, 8
# A row of ends that was read: how its outlines fit, one by one and together, and how many do.
MAX_SCATTER_MM, MAX_OWN_SCATTER_MM, UNLIKE, MIN_SHARE, MIN_ENDS = 0.03, 0.04, 2.2, 0.65, 6
CUBIC_FROM = 9  # ends from which on a smooth row may bend both ways
MAX_APART_MM = 0.02  # robust scatter of ends over their feet, most of it wire: what scatters more was misread
# Of one end: at least, and by its outline's own fit, whose rays are not independent; by own renders with truth.
U_LEAST_MM, U_BY_FIT = 0.0045, 0.2
# One fret in seventy stands a tenth of a millimetre low or high (by own renders with truth; common practice, no
# published source, has it more often).
ODD_SHARE, ODD_MM = 0.015, 0.07
# Beside the outer string a straightedge hides the tops of the ends: one so far off was misread (by own renders with
# truth, of which none was right).
MISREAD_OUTER_MM = 0.02


@dataclass(frozen=True, slots=True)
class EndHeights:
    """Ends of n frets.

    Attributes
    ----------
    below_mm
        (n,) where each foot would stand, under the straightedge's edge, were its end as tall as those beside it; NaN
        where no end was read.
    u_mm
        (n,) their standard uncertainties, beside what is common to a smooth row.
    """

    below_mm: Array = field(repr=False)
    u_mm: Array = field(repr=False)


@dataclass(frozen=True, slots=True)
class _Ends:
    """Ends of n frets as places in the picture."""

    luminance: FloatImage = field(repr=False)
    edge: EdgeCurve
    offset_px: float
    column_px: Array
    px_per_mm: Array
    foot_mm: Array  # (n,) of the smooth row, under the edge
    slant: Array
    blur_mm: float

    def light(self, aside_mm: Array, above_mm: Array) -> Array:
        """Return the light at places (n, ...) beside and above the feet."""
        of_fret = (slice(None),) + (None,) * (aside_mm.ndim - 1)
        scale = self.px_per_mm[of_fret]
        x = self.column_px[of_fret] + scale * aside_mm
        edge = self.edge.straight_on_y_px(x.ravel()).reshape(x.shape) + self.offset_px
        y = edge + scale * (self.foot_mm[of_fret] - above_mm)
        return np.asarray(map_coordinates(self.luminance, [y, x], order=1, mode="nearest"), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _Outlines:
    """Outlines of n ends: shared shape, (n,) places, and (rays,) how far all of them depart from half an ellipse."""

    shape: Array
    aside_mm: Array
    above_mm: Array
    own_mm: Array

    def normal(self) -> Array:
        """(2, rays) directions across the outline."""
        across = np.stack([np.cos(ANGLES_RAD) / self.shape[0], np.sin(ANGLES_RAD) / self.shape[1]])
        return np.asarray(across / np.hypot(*across))

    def places(self, slant: Array) -> tuple[Array, Array]:
        """(n, rays) places beside and above the feet: a face that leans back is drawn out where seen aslant."""
        half, tall, bevel = self.shape
        across = self.normal() * self.own_mm
        up = tall * np.sin(ANGLES_RAD)
        aside = self.aside_mm[:, None] + half * np.cos(ANGLES_RAD) + bevel * slant[:, None] * up + across[0]
        return aside, self.above_mm[:, None] + up + across[1]

    def rates(self, slant: Array) -> Array:
        """(n, rays, 5) how places across the outline change with half width, height, bevel, aside and above."""
        _, tall, bevel = self.shape
        x, y = self.normal()
        up, lean = np.sin(ANGLES_RAD), slant[:, None] * np.sin(ANGLES_RAD) * x
        one = np.ones_like(lean)
        parts = [np.cos(ANGLES_RAD) * x * one, up * y + bevel * lean, tall * lean, x * one, y * one]
        return np.stack(parts, axis=2)


def read_heights(
    luminance: FloatImage, edge: EdgeCurve, slit: SlitLight, camera: BoardCamera, *, position_mm: Array, foot_mm: Array
) -> EndHeights | None:
    """Read how tall the ends stand beside each other; None where too few are in view, or their outlines do not agree.

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
    row, _ = through_most(along, foot_mm, np.ones_like(along), order=_order(int(np.isfinite(foot_mm).sum())))
    near = camera.ends_mm(position_mm)
    column = column_of(camera, position_mm, near)
    scale = camera.px_per_mm(column) * camera.distance_mm / (camera.distance_mm - near)
    inside = _in_view(luminance, edge, column, scale, row) & np.isfinite(row)
    if inside.sum() < max(MIN_ENDS, MIN_SHARE * len(row)):
        return None
    blur_mm = max(slit.blur_px / float(np.median(scale)), RAY_STEP_MM)
    slant = camera.comb.direction * camera.slant(position_mm)
    ends = _Ends(luminance, edge, slit.offset_px, column[inside], scale[inside], row[inside], slant[inside], blur_mm)
    fit = _Fit(_vote(ends), np.zeros(0), np.zeros(0))
    for turn, reach in enumerate(REACHES_MM):
        off, weight = _borders(ends, fit.outlines, reach)
        if (weight > CLEAR).sum() < MIN_RAYS * len(off):
            return None
        fit = _fitted(fit.outlines, ends.slant, off, weight, own=turn >= OWN_FROM)
    usual = float(np.median(fit.scatter_mm))
    if usual > MAX_SCATTER_MM:
        return None
    like = fit.scatter_mm < min(max(UNLIKE * usual, MAX_SCATTER_MM / 2), MAX_OWN_SCATTER_MM)
    top, u_mm = np.full((2, len(row)), np.nan)
    top[inside] = np.where(like, ends.foot_mm - fit.outlines.above_mm, np.nan)
    u_mm[inside] = np.hypot(U_LEAST_MM, U_BY_FIT * fit.u_above_mm)
    return _beside_feet(along, top, u_mm, foot_mm)


def with_ends(feet: Feet, ends: EndHeights | None, *, outer: bool) -> Feet:
    """Return feet moved to where they would stand were all ends equally tall over them: as the crowns stand.

    A foot tells its crown but for the wire's own height: most of it the wire's scatter, and once in a while a fret that
    stands high or low. An end tells it but for how well it was read. What both make likely is that of a mixture of
    the two kinds of fret.

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
    read = np.isfinite(ends.below_mm)
    if outer:
        read &= feet.seen & (np.abs(ends.below_mm - feet.below_mm) < MISREAD_OUTER_MM)
    both = read & feet.seen
    usual_mm = float(np.hypot(U_WIRE_MM, feet.scatter_mm))
    moved, u_moved = _likely(ends.below_mm[both] - feet.below_mm[both], ends.u_mm[both], usual_mm)
    below, u_mm = np.where(read, ends.below_mm, feet.below_mm), np.full(len(read), np.nan)
    u_mm[read] = np.hypot(ends.u_mm[read], usual_mm)
    below[both], u_mm[both] = feet.below_mm[both] + moved, u_moved
    return replace(feet, below_mm=below, u_with_end_mm=u_mm)


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


def _order(count: int) -> int:
    """Return of which order a smooth row of so many is."""
    return 3 if count >= CUBIC_FROM else 2


def _in_view(luminance: FloatImage, edge: EdgeCurve, column: Array, scale: Array, row: Array) -> Mask:
    height, width = luminance.shape
    foot_px = edge.straight_on_y_px(column) + scale * row
    sides = (column > ASIDE_MM * scale) & (column < width - 1 - ASIDE_MM * scale)
    return np.asarray(sides & (foot_px > ABOVE_MM[1] * scale) & (foot_px < height - 1 + ABOVE_MM[0] * scale))


def _beside_feet(along: Array, top_mm: Array, u_mm: Array, foot_mm: Array) -> EndHeights | None:
    """Return the tops less what a smooth row of them stands over the feet; None where they scatter about it."""
    over = top_mm - foot_mm
    count = int(np.isfinite(over).sum())
    if count < max(MIN_ENDS, MIN_SHARE * len(over)):
        return None
    smooth, scatter = through_most(along, over, np.ones_like(along), order=_order(count))
    if scatter > MAX_APART_MM:
        return None
    return EndHeights(top_mm - smooth, u_mm)


def _vote(ends: _Ends) -> _Outlines:
    """Return the outline on which most ends have a border, and none inside."""
    aside, above = np.arange(-ASIDE_MM, ASIDE_MM + 1e-9, STEP_MM), np.arange(*ABOVE_MM, STEP_MM)
    n = len(ends.column_px)
    grid = np.broadcast_arrays(aside[None, None, :], above[None, :, None], np.zeros((n, 1, 1)))
    light = ends.light(grid[0], grid[1])
    blur = max(ends.blur_mm / STEP_MM, 1.0)
    steps = [gaussian_filter(light, (0, blur, blur), order=order) for order in ((0, 0, 1), (0, 1, 0))]
    size = np.hypot(*steps)
    usual = np.quantile(size, USUAL, axis=(1, 2), keepdims=True) + 1e-9
    across, up, size = steps[0] / usual, steps[1] / usual, np.minimum(size / usual, 1.0)
    order, middle = np.arange(n)[:, None], np.zeros(n)
    own = np.zeros_like(ANGLES_RAD)

    def at(x: Array, y: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        row = np.clip(np.rint((y - above[0]) / STEP_MM), 0, len(above) - 1)
        return row.astype(np.intp), np.clip(np.rint((x - aside[0]) / STEP_MM), 0, len(aside) - 1).astype(np.intp)

    best = (-np.inf, _Outlines(SHAPE, middle, middle, own))
    for half in HALVES_MM:
        for tall in HEIGHTS_MM:
            for bevel in BEVELS:
                shape = np.array([half, tall, bevel])
                trial = _Outlines(shape, middle, middle, own)
                x, y = trial.places(ends.slant)
                nx, ny = trial.normal()
                against = 0.02 * float((((shape - SHAPE) / U_SHAPE) ** 2).sum())
                for place in ASIDES_MM:
                    row, column = at(x + place, y)
                    border = np.minimum(np.abs(nx * across[order, row, column] + ny * up[order, row, column]), 1)
                    row, column = at(INNER * x + place, INNER * y)
                    vote = float(border.mean() - RESTLESS * size[order, row, column].mean())
                    vote -= against + 0.02 * float(place / U_ASIDE_MM) ** 2
                    if vote > best[0]:
                        best = (vote, replace(trial, aside_mm=np.full(n, place)))
    return best[1]


def _borders(ends: _Ends, outlines: _Outlines, reach_mm: float) -> tuple[Array, Array]:
    """Return (n, rays) how far outwards the border of each face lies, and weights from 0 to 1."""
    aside, above = outlines.places(ends.slant)
    nx, ny = outlines.normal()
    middle = outlines.aside_mm[:, None, None]
    inner = middle + (aside[..., None] - middle) * FACE
    within = ends.light(inner, above[..., None] * FACE).reshape(len(aside), -1)
    face = np.median(within, axis=1)
    texture = 1.48 * np.median(np.abs(within - face[:, None]), axis=1)
    out = np.arange(-INSIDE_MM, OUTSIDE_MM + 1e-9, RAY_STEP_MM)
    seen = ends.light(aside[..., None] + out * nx[:, None], above[..., None] + out * ny[:, None])
    seen -= face[:, None, None]
    trial = np.arange(-1.2 * reach_mm, 1.2 * reach_mm + 1e-9, RAY_STEP_MM)
    whole = (seen * seen).sum(axis=2)
    left, step = np.empty((2, len(trial), *whole.shape))
    for k, place in enumerate(trial):
        beyond = ndtr((out - place) / ends.blur_mm)
        basis = np.stack([beyond, beyond * (out - place) / SLOPE_MM], axis=1)
        normal = basis.T @ basis + np.diag([1e-6, SLOPE_SHARE * len(out)])
        told = seen @ basis
        level = told @ np.linalg.inv(normal)
        left[k], step[k] = whole - (told * level).sum(axis=2), level[..., 0]
    contrast = np.abs(np.take_along_axis(step, left.argmin(axis=0)[None], axis=0)[0])
    variance = texture[:, None] ** 2 + (MISFIT * contrast) ** 2 + LEAST_LIGHT**2
    chi_square = left / variance
    nearest = chi_square + (trial / (INNER * reach_mm))[:, None, None] ** 2
    k = nearest.argmin(axis=0)
    inside = (k > 0) & (k < len(trial) - 1)
    k = np.clip(k, 1, len(trial) - 2)
    low, here, high = (np.take_along_axis(chi_square, k[None] + j, axis=0)[0] for j in (-1, 0, 1))
    curved = np.maximum(low - 2 * here + high, 1e-9)
    off = trial[k] + np.clip(0.5 * (low - high) / curved, -1, 1) * RAY_STEP_MM
    # Standard uncertainty from the misfit's curvature; a ray badly explained counts less.
    explained = 1 / (1 + here / (len(out) * BADLY))
    information = curved / (2 * RAY_STEP_MM**2) * explained
    weight = 1 / np.sqrt(1 + 1 / (U_RAY_MM**2 * information))
    under = ends.foot_mm[:, None] - above > max(UNDER_EDGE_MM, UNDER_EDGE_BLURS * ends.blur_mm)
    return off, np.where(inside & under, weight, 0.0)


@dataclass(frozen=True, slots=True)
class _Fit:
    """Outlines, and of each how the borders scatter about it and how open they leave its height, (n,)."""

    outlines: _Outlines
    scatter_mm: Array
    u_above_mm: Array


def _fitted(outlines: _Outlines, slant: Array, off: Array, weight: Array, *, own: bool) -> _Fit:
    """Return the outlines that explain the borders found."""
    n, rays = off.shape
    rates = outlines.rates(slant)
    design = np.zeros((n, rays, 3 + 2 * n))
    design[..., :3] = rates[..., :3]
    order = np.arange(n)
    design[order, :, 3 + order] = rates[..., 3]
    design[order, :, 3 + n + order] = rates[..., 4]
    kinks = np.zeros((n - 2, 3 + 2 * n))
    kinks[:, 3 : 3 + n] = np.diff(np.eye(n), 2, axis=0) / U_KINK_MM
    places = np.concatenate([outlines.aside_mm, outlines.above_mm])
    known = np.concatenate([U_SHAPE / np.sqrt(0.2 * rays), np.full(n, U_ASIDE_MM), np.full(n, U_ABOVE_MM)])
    prior = np.vstack([np.diag(1 / known), kinks])
    now = np.concatenate([outlines.shape - SHAPE, places])
    flat, value = design.reshape(-1, 3 + 2 * n), off.ravel()
    sure, step, left, scatter = weight.ravel() ** 2, np.zeros(3 + 2 * n), off, 0.05
    for _ in range(ROUNDS):
        w = sure / (1 + ((value - flat @ step) / (2 * scatter)) ** 2)
        normal = (flat * w[:, None]).T @ flat + scatter**2 * prior.T @ prior
        step = np.linalg.solve(normal, (flat * w[:, None]).T @ value - scatter**2 * prior.T @ (prior @ now))
        left = (value - flat @ step).reshape(n, rays)
        scatter = max(1.48 * float(np.median(np.abs(left[weight > CLEAR]))), MIN_SCATTER_MM)
    departs = outlines.own_mm
    if own:
        usual = np.median(left, axis=0)
        like_shape = rates.mean(axis=0)[:, [0, 1, 3, 4]]
        departs = departs + OWN_SHARE * (usual - like_shape @ np.linalg.lstsq(like_shape, usual, rcond=None)[0])
    moved = _Outlines(
        outlines.shape + step[:3], outlines.aside_mm + step[3 : 3 + n], outlines.above_mm + step[3 + n :], departs
    )
    own_scatter = np.full(n, np.inf)
    for i in np.flatnonzero((weight > 0).sum(axis=1) >= MIN_RAYS):
        own_scatter[i] = 1.48 * float(np.median(np.abs(left[i, weight[i] > 0])))
    u_above = np.sqrt(np.diag(np.linalg.inv(normal))[3 + n :])
    return _Fit(moved, own_scatter, u_above * own_scatter)
