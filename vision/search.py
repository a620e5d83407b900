"""Where to begin explaining the pixels: places, heights and cameras tried coarsely in a softened picture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from itertools import product

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .halves import Halves
from .joint import CORRELATED, ROBUST, SEEN_LOWER_MM, U_INSIDE_MM, Prior
from .levels import explain, level_prior
from .patches import around, pixel_weights, repeated
from .shading import Patches, Shape

FLAT_PER_MM = 1e-5
MAX_STEP_MM = 0.25  # of height between neighbouring frets, in a search
# Coarse grids: finer than the valleys of the softened picture, wide enough for any camera and comb.
TRIAL_ELEVATIONS = (-0.006, 0.016, 0.04)
TRIAL_PLACES_MM = np.arange(-1.2, 1.21, 0.3)
TRIAL_GAPS_MM = np.arange(-0.15, 0.91, 0.13)


def scan(patches: Patches, shape: Shape, *, place_mm: Array, gap_mm: Array, weight: Array) -> Array:
    """Return (f, places, gaps): how badly each fret is explained at each trial place and gap, by the same pixels."""
    f, g = len(patches.position_mm), len(gap_mm)
    # All gaps are drawn at once: the arrays are small, and calls are what takes the time.
    many, weights, gaps = repeated(patches, g), np.tile(weight, (g, 1, 1)), np.repeat(gap_mm, f)
    need, likely = around(weights, patches), level_prior(many, weights)
    first, slope, bend, twist = shape.place_mm
    out = np.empty((f, len(place_mm), g))
    for i, place in enumerate(place_mm):
        moved = replace(shape, place_mm=(first + float(place), slope, bend, twist))
        miss = explain(many, moved, gaps, weights, need=need, levels_like=likely)
        z = miss.residual / np.sqrt(CORRELATED)
        loss = 2 * ROBUST**2 * (np.sqrt(1 + (z / ROBUST) ** 2) - 1).sum(axis=1)
        loss += (miss.against_prior**2).sum(axis=1) / CORRELATED
        out[:, i] = loss.reshape(g, f).T
    return out


@dataclass(frozen=True, slots=True)
class Start:
    """Where to begin: shared shape, heights, and how badly they explain the softened picture."""

    shape: Shape
    gap_mm: Array
    cost: float


def search_starts(soft: Patches, shape: Shape, prior: Prior, *, both: Halves) -> list[Start]:
    """Search places along the board and heights, coarsely and for all frets together: the best first, one a camera.

    Each fret is tried at every place and height by itself; a cubic along the board then picks the places, which no
    single fret shows surely. Elevations and, where the radius is not known, a round and a flat board are tried.

    Parameters
    ----------
    soft
        Softened patches.
    shape
        What is not searched.
    prior
        Of the shared parameters.
    both
        Who does the work.
    """
    boards = {shape.board_per_mm, FLAT_PER_MM} if prior.u[6] > FLAT_PER_MM * 10 else {shape.board_per_mm}
    seen_from = list(product(sorted(boards), TRIAL_ELEVATIONS))
    return sorted(both.map(partial(_best_start, soft, shape, prior), seen_from), key=lambda s: s.cost)


def _best_start(soft: Patches, shape: Shape, prior: Prior, seen_from: tuple[float, float]) -> Start:
    """Return the best places and heights for a board's curvature and an elevation."""
    from scipy.optimize import minimize

    board, elevation = seen_from
    order = np.arange(len(soft.position_mm))
    grid = [np.array([a, b, 0.0, 0.0]) for a in np.arange(-1, 1.01, 0.2) for b in np.arange(-1, 1.01, 0.2)]
    tried = replace(shape, place_mm=(0.0, 0.0, 0.0, 0.0), elevation_rad=elevation, board_per_mm=board)
    weight = pixel_weights(soft, tried, np.zeros(len(order)), deep_mm=1.0)
    table = scan(soft, tried, place_mm=TRIAL_PLACES_MM, gap_mm=TRIAL_GAPS_MM, weight=weight)
    table += (np.maximum(shape.lip_mm - SEEN_LOWER_MM - TRIAL_GAPS_MM, 0) / U_INSIDE_MM) ** 2
    least = table.min(axis=2)
    # What no place explains is the model's error: it must not drown what is known beforehand.
    temper = max(1.0, float(least.min(axis=1).sum()) * CORRELATED / max(float((weight > 0).sum()), 1.0))

    def loss(cubic: Array) -> float:
        i, share, beyond = _between(np.asarray(np.polynomial.polynomial.polyval(soft.along, cubic)))
        spread = float((((cubic - prior.mean[:4]) / prior.u[:4]) ** 2).sum())
        values = least[order, i] * (1 - share) + least[order, i + 1] * share
        return float(values.sum()) / temper + spread + 1e3 * float((beyond**2).sum())

    found = minimize(loss, min(grid, key=loss), method="Nelder-Mead", options={"maxiter": 300})
    place = np.asarray(np.polynomial.polynomial.polyval(soft.along, found.x))
    i, share, _ = _between(place)
    cost = table[order, np.where(share > 0.5, i + 1, i)]
    c = [float(v) for v in found.x]
    return Start(
        replace(tried, place_mm=(c[0], c[1], c[2], c[3])),
        _lowest(cost, _path(cost / temper)),
        float(found.fun) * temper,
    )


def _path(cost: Array) -> NDArray[np.intp]:
    """Return the trial gap of each fret, least in all: a neck does not step between neighbours (Viterbi)."""
    step = (TRIAL_GAPS_MM[:, None] - TRIAL_GAPS_MM[None, :]) / MAX_STEP_MM
    total, back = cost[0], []
    for own in cost[1:]:
        reach = total[:, None] + step**2
        back.append(reach.argmin(axis=0))
        total = reach.min(axis=0) + own
    path = [int(total.argmin())]
    for came in reversed(back):
        path.append(int(came[path[-1]]))
    return np.array(path[::-1], dtype=np.intp)


def _between(place_mm: Array) -> tuple[Array, Array, Array]:
    """Return the trial place before each place, the share of the next, and by how much a place lies out of range."""
    step = TRIAL_PLACES_MM[1] - TRIAL_PLACES_MM[0]
    inside = np.clip(place_mm, TRIAL_PLACES_MM[0], TRIAL_PLACES_MM[-1])
    t = (inside - TRIAL_PLACES_MM[0]) / step
    i = np.clip(t.astype(np.intp), 0, len(TRIAL_PLACES_MM) - 2)
    return i, t - i, place_mm - inside


def _lowest(cost: Array, at: NDArray[np.intp]) -> Array:
    """Return the trial gap of least cost, between the grid's points by a parabola."""
    j = np.clip(at, 1, cost.shape[1] - 2)
    n = np.arange(len(cost))
    a, b, c = cost[n, j - 1], cost[n, j], cost[n, j + 1]
    shift = np.clip(0.5 * (a - c) / np.maximum(a - 2 * b + c, 1e-9), -1, 1)
    return np.asarray(TRIAL_GAPS_MM[j] + shift * (TRIAL_GAPS_MM[1] - TRIAL_GAPS_MM[0]))
