"""The outlines of fret ends: half an ellipse lit as one face, of one shape for all ends of a photo.

An end, filed to a bevel, stands out from whatever lies beside and behind it. Most ends vote for the shape. Then the
border of each is looked for along rays across the outline: a level of light inside that all rays of a face share, and
one of their own outside, solved for each place of the border (G. H. Golub and V. Pereyra, 1973: variable projection).
Shape, places and heights explain the places found, those far off counting little.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.special import ndtr

from lightgap.neck.profile import Array

from .locate import EdgeCurve
from .photo import FloatImage

# Half the width, the height and how far a face leans back, mm per mm (common practice, no published source).
SHAPE, U_SHAPE = np.array([1.15, 0.95, 0.7]), np.array([0.2, 0.15, 0.25])
HALVES_MM, HEIGHTS_MM, BEVELS = np.arange(0.75, 1.61, 0.1), np.arange(0.64, 1.41, 0.08), (0.4, 0.8)
ASIDES_MM, U_ASIDE_MM, U_ABOVE_MM, U_KINK_MM = np.arange(-0.4, 0.41, 0.1), 0.25, 0.15, 0.05
ANGLES_RAD = np.radians(np.arange(20, 161, 4))
# The part of the picture looked at, about the foot, and its sampling.
ASIDE_MM, ABOVE_MM, STEP_MM = 2.0, (-0.2, 1.9), 0.04
USUAL_SLOPE = 0.85  # quantile of the picture's slopes that counts as a border
INNER, RESTLESS = 0.7, 0.3  # an outline's inside is looked at there, and borders in it count against it
EVERY = 2  # rays that vote
UNLIKELY = 0.02  # of a vote, for a shape or a place one standard deviation off the usual
# Along a ray: inside and outside of the border, and how far it is looked for, round by round.
INSIDE_MM, OUTSIDE_MM, RAY_STEP_MM = 0.36, 0.22, 0.02
REACHES_MM, NEARER = (0.3, 0.25, 0.2, 0.16, 0.13, 0.13), 0.7  # of the reach: nearer borders are likelier
OWN_FROM = 3  # from this round on outlines may depart from the ellipse, all alike
OWN_SHARE = 0.7
FACE = np.linspace(0.1, 0.65, 7)  # of the way to the border: the face's own level
# What levels leave unexplained: of the step of light, and at least; and a slope of the light outside, per 0.2 mm.
MISFIT, LEAST_LIGHT, SLOPE_MM, SLOPE_SHARE = 0.06, 0.004, 0.2, 0.015
BADLY_EXPLAINED = 4.0  # chi-square of a sample from which on a ray counts less
U_RAY_MM = 0.01  # rays surer than this count alike
# Under the straightedge's edge, whose light must not be taken for the border's.
UNDER_EDGE_MM, UNDER_EDGE_BLURS = 0.28, 2.2
CLEAR, MIN_RAYS = 0.2, 8  # weight of a ray that tells something, and how many of them an end has in the mean
START_SCATTER_MM, MIN_SCATTER_MM, ROUNDS = 0.05, 0.004, 8
RAYS_PER_SHAPE = 0.2  # rays of all ends agree on their shape: what is known of it counts as this share of them


@dataclass(frozen=True, slots=True)
class Ends:
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
class Outlines:
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


@dataclass(frozen=True, slots=True)
class OutlineFit:
    """Outlines, and of each how the borders scatter about it, how open they leave its height, and its light, (n,)."""

    outlines: Outlines
    scatter_mm: Array
    u_above_mm: Array
    face: Array


def follow_outlines(ends: Ends) -> OutlineFit | None:
    """Return the outlines settled round by round; None where too few rays meet a border."""
    fit, outlines = None, _vote(ends)
    for turn, reach in enumerate(REACHES_MM):
        off, weight, face = _borders(ends, outlines, reach)
        if (weight > CLEAR).sum() < MIN_RAYS * len(off):
            return None
        outlines, scatter, u_above = _fitted(outlines, ends.slant, off, weight, own=turn >= OWN_FROM)
        fit = OutlineFit(outlines, scatter, u_above, face)
    return fit


def _vote(ends: Ends) -> Outlines:
    """Return the outline on which most ends have a border, and none inside."""
    across, up, size = _slopes(ends)
    middle, own = np.zeros(len(ends.column_px)), np.zeros_like(ANGLES_RAD)
    some, place = slice(None, None, EVERY), ASIDES_MM[:, None, None]
    order = np.arange(len(middle))[:, None]
    best = (-np.inf, Outlines(SHAPE, middle, middle, own))
    for shape in (np.array(s) for s in product(HALVES_MM, HEIGHTS_MM, BEVELS)):
        trial = Outlines(shape, middle, middle, own)
        x, y = (v[:, some] for v in trial.places(ends.slant))
        nx, ny = trial.normal()[:, some]
        row, column = _sample(ABOVE_MM[0], y, across.shape[1]), _sample(-ASIDE_MM, x + place, across.shape[2])
        border = np.minimum(np.abs(nx * across[order, row, column] + ny * up[order, row, column]), 1)
        row, column = (
            _sample(ABOVE_MM[0], INNER * y, size.shape[1]),
            _sample(-ASIDE_MM, INNER * x + place, size.shape[2]),
        )
        votes = border.mean(axis=(1, 2)) - RESTLESS * size[order, row, column].mean(axis=(1, 2))
        votes -= UNLIKELY * ((((shape - SHAPE) / U_SHAPE) ** 2).sum() + (ASIDES_MM / U_ASIDE_MM) ** 2)
        k = int(votes.argmax())
        if votes[k] > best[0]:
            best = (float(votes[k]), replace(trial, aside_mm=np.full_like(middle, ASIDES_MM[k])))
    return best[1]


def _slopes(ends: Ends) -> tuple[Array, Array, Array]:
    """Return how the light about each end changes across and up the picture and in all, (n, rows, columns)."""
    aside, above = np.arange(-ASIDE_MM, ASIDE_MM + 1e-9, STEP_MM), np.arange(*ABOVE_MM, STEP_MM)
    grid = np.broadcast_arrays(aside[None, None, :], above[None, :, None], np.zeros((len(ends.column_px), 1, 1)))
    light = ends.light(grid[0], grid[1])
    blur = max(ends.blur_mm / STEP_MM, 1.0)
    across, up = (gaussian_filter(light, (0, blur, blur), order=order) for order in ((0, 0, 1), (0, 1, 0)))
    size = np.hypot(across, up)
    usual = np.quantile(size, USUAL_SLOPE, axis=(1, 2), keepdims=True) + 1e-9
    return across / usual, up / usual, np.minimum(size / usual, 1.0)


def _sample(first_mm: float, place_mm: Array, count: int) -> NDArray[np.intp]:
    """Return the nearest of `count` samples from `first_mm` on."""
    return np.asarray(np.clip(np.rint((place_mm - first_mm) / STEP_MM), 0, count - 1), dtype=np.intp)


def _borders(ends: Ends, outlines: Outlines, reach_mm: float) -> tuple[Array, Array, Array]:
    """Return (n, rays) how far outwards the border of each face lies, and weights from 0 to 1; and (n,) its light."""
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
    nearest = chi_square + (trial / (NEARER * reach_mm))[:, None, None] ** 2
    k = nearest.argmin(axis=0)
    inside = (k > 0) & (k < len(trial) - 1)
    k = np.clip(k, 1, len(trial) - 2)
    low, here, high = (np.take_along_axis(chi_square, k[None] + j, axis=0)[0] for j in (-1, 0, 1))
    curved = np.maximum(low - 2 * here + high, 1e-9)
    off = trial[k] + np.clip(0.5 * (low - high) / curved, -1, 1) * RAY_STEP_MM
    # Standard uncertainty from the misfit's curvature; a ray badly explained counts less.
    explained = 1 / (1 + here / (len(out) * BADLY_EXPLAINED))
    information = curved / (2 * RAY_STEP_MM**2) * explained
    weight = 1 / np.sqrt(1 + 1 / (U_RAY_MM**2 * information))
    under = ends.foot_mm[:, None] - above > max(UNDER_EDGE_MM, UNDER_EDGE_BLURS * ends.blur_mm)
    return off, np.where(inside & under, weight, 0.0), face


def _fitted(outlines: Outlines, slant: Array, off: Array, weight: Array, *, own: bool) -> tuple[Outlines, Array, Array]:
    """Return outlines that explain the borders found; (n,) scatter about each, and how open it leaves its height."""
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
    known = np.concatenate([U_SHAPE / np.sqrt(RAYS_PER_SHAPE * rays), np.full(n, U_ASIDE_MM), np.full(n, U_ABOVE_MM)])
    prior = np.vstack([np.diag(1 / known), kinks])
    now = np.concatenate([outlines.shape - SHAPE, places])
    flat, value = design.reshape(-1, 3 + 2 * n), off.ravel()
    sure, step, left, scatter = weight.ravel() ** 2, np.zeros(3 + 2 * n), off, START_SCATTER_MM
    for _ in range(ROUNDS):
        w = sure / (1 + ((value - flat @ step) / (2 * scatter)) ** 2)
        normal = (flat * w[:, None]).T @ flat + scatter**2 * prior.T @ prior
        step = np.linalg.solve(normal, (flat * w[:, None]).T @ value - scatter**2 * prior.T @ (prior @ now))
        left = (value - flat @ step).reshape(n, rays)
        scatter = max(1.48 * float(np.median(np.abs(left[weight > CLEAR]))), MIN_SCATTER_MM)
    departs = outlines.own_mm
    if own:
        told = (weight > CLEAR).sum(axis=0) >= n / 2
        usual = np.array([float(np.median(left[w > CLEAR, k])) if told[k] else 0.0 for k, w in enumerate(weight.T)])
        like_shape = rates.mean(axis=0)[:, [0, 1, 3, 4]]
        by_shape = np.linalg.lstsq(like_shape[told], usual[told], rcond=None)[0]
        departs = departs + OWN_SHARE * np.where(told, usual - like_shape @ by_shape, 0.0)
    moved = Outlines(
        outlines.shape + step[:3], outlines.aside_mm + step[3 : 3 + n], outlines.above_mm + step[3 + n :], departs
    )
    own_scatter, u_above = np.full((2, n), np.inf)
    for i in np.flatnonzero((weight > CLEAR).sum(axis=1) >= MIN_RAYS):
        own_scatter[i] = 1.48 * float(np.median(np.abs(left[i, weight[i] > CLEAR])))
        # What is common to all, their shape, is left to the smooth row.
        alone, sure_of = rates[i, :, 3:], weight[i][:, None] ** 2
        inverse = np.linalg.inv((alone * sure_of).T @ alone)
        u_above[i] = own_scatter[i] * float(np.sqrt((inverse @ ((alone * sure_of**2).T @ alone) @ inverse)[1, 1]))
    return moved, own_scatter, u_above
