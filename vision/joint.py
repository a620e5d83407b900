"""All frets of a photo explained together: rendered patches against the pixels, in linear light.

The shape (`shading`) is shared, each fret has one height; the levels of light are linear and are
solved in closed form (variable projection). Gauss-Newton with robust weights; clipped pixels count only while the model
is darker than they are.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .camera import BoardCamera
from .locate import EdgeCurve
from .patches import CLIPPED, cut_patches, pixel_weights, soften, undivided
from .photo import FloatImage
from .shading import LEVELS, Patches, Shape, draw, shape_from
from .slit import SlitLight

ROBUST = 2.5
CORRELATED = 8.0  # neighbouring pixels that share one model error
PLACES = 4  # terms of the cubic of places
SHARED = 12  # parameters of the shape, before the heights
DOUBTFUL = (0, 4, 5, 6, 7, 10)  # of them, those the model is not wholly right about: place, foot, elevation, ...
SOFT_PX = 2.0  # at this softness places half a millimetre apart lie in one valley
STARTS = 3  # of boards and elevations followed further
DEEPEST_MM = 1.3  # gap and outline together
THREADS = 2
FLAT_PER_MM = 1e-5
LIP_MM, U_LIP_MM = 0.14, 0.05  # chamfers are 0.1 to 0.2 mm high (common practice, no published source)
HELD_MM = 1e-3
GLOSS, DARK_GLOSS = (0.02, 0.02), (0.2, 0.15)  # spread of what a crown mirrors (tan)
# Of a crown off the line of its neighbours: a tenth of a millimetre is a bad fret already (common practice, no
# published source). Where a fret is seen at all it says more than this; it only keeps a lost one from running away.
U_KINK_MM = 0.08
# A camera above or below the board sees the blade's edge lower than it lies: by half its thickness times three degrees.
SEEN_LOWER_MM, U_INSIDE_MM = 0.1, 0.05
U_CURVATURE = 0.2  # relative, of crowns' curvature: wires from narrow and low to wide and tall
# Before a dark gap what a crown mirrors of the room is known roughly, and at end-on frets hardly at all.
DARK_TRUST, END_ON_TRUST, END_ON_SLANT = 0.5, 0.2, 0.08
MAX_STEP_MM = 0.25  # of height between neighbouring frets, in a search
# Coarse grids: finer than the valleys of the softened picture, wide enough for any camera and comb.
TRIAL_ELEVATIONS = (-0.006, 0.016, 0.04)
TRIAL_PLACES_MM = np.arange(-1.2, 1.21, 0.3)
TRIAL_GAPS_MM = np.arange(-0.15, 0.91, 0.13)
# For numerical derivatives, in `Shape.vector`'s order.
STEP = np.array([0.05, 0.05, 0.05, 0.05, 0.2, 0.001, 5e-5, 0.02, 0.02, 0.01, 0.02, 0.01])


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of the shared parameters beforehand: mean and standard deviation, in `Shape.vector`'s order."""

    mean: Array
    u: Array


@dataclass(frozen=True, slots=True)
class JointFit:
    """Shared shape and heights, with their covariance.

    Attributes
    ----------
    covariance
        (SHARED + f, SHARED + f).
    pixels
        (f,) how many pixels each fret had.
    noise
        (f,) robust scatter of the pixels about the model, in units of the assumed noise.
    levels
        (f, LEVELS) levels of light.
    sensitivity
        (f, 6) change of each height with place, foot, elevation, board curvature, crown width and blur.
    cost
        Robust misfit per pixel, what is known beforehand included.
    """

    shape: Shape
    gap_mm: Array
    covariance: Array = field(repr=False)
    pixels: Array
    noise: Array
    levels: Array = field(repr=False)
    sensitivity: Array = field(repr=False)
    cost: float


@dataclass(frozen=True, slots=True)
class _Miss:
    """What the model leaves of the pixels, levels solved."""

    residual: Array  # (f, pixels)
    against_prior: Array  # (f, LEVELS)
    levels: Array  # (f, LEVELS)
    model: Array | None


def _level_prior(patches: Patches, weight: Array) -> tuple[Array, Array]:
    """Return mean and standard deviation (f, LEVELS) of the levels: what metal and shade can look like."""
    used = weight.any(axis=1)
    count = np.maximum(used.sum(axis=1), 1)
    gap = (patches.gap_light * used).sum(axis=1) / count
    u_gap = (patches.u_gap_light * used).sum(axis=1) / count
    one = np.ones(len(gap))
    relative = np.clip(u_gap / np.maximum(gap, 0.02), 0.03, 0.5)
    mean = np.stack(
        [one, 0 * one, 0.85 * gap + 0.05, 0.04 * one, patches.face + 0.05, 0.4 * one, 0 * one, 0.15 * one, 0.05 * one],
        axis=1,
    )
    u = np.stack(
        [
            relative,
            relative + 0.07,
            0.3 * gap + 0.15,
            0.15 * one,
            0.4 * one,
            0.5 * one,
            0.4 * one,
            0.3 * one,
            0.15 * one,
        ],
        axis=1,
    )
    return mean, u


def _explain(
    patches: Patches,
    shape: Shape,
    gap_mm: Array,
    weight: Array,
    *,
    model: bool = False,
    levels_like: tuple[Array, Array] | None = None,
) -> _Miss:
    return _solve(patches, draw(patches, shape, gap_mm), weight, model=model, levels_like=levels_like)


def _solve(
    patches: Patches,
    pictures: Array,
    weight: Array,
    *,
    model: bool = False,
    levels_like: tuple[Array, Array] | None = None,
) -> _Miss:
    """Return what the best levels of light leave of the pixels."""
    root = np.sqrt(weight)
    blade = pictures[0] * root
    size = (blade * blade).sum(axis=1) + 1e-3
    f = len(pictures[0])

    def without_blade(values: Array) -> Array:
        return np.asarray(values - blade * ((blade * values).sum(axis=1) / size)[:, None, :])

    light = without_blade(patches.light * root).reshape(f, -1)
    basis = np.stack([without_blade(p * root).reshape(f, -1) for p in pictures[1:]], axis=1)
    mean, u = levels_like or _level_prior(patches, weight)
    normal = (basis @ basis.transpose(0, 2, 1)).astype(np.float64)
    right = (basis @ light[..., None])[..., 0].astype(np.float64) + mean / u**2
    normal[:, np.arange(LEVELS), np.arange(LEVELS)] += 1 / u**2
    levels = np.linalg.solve(normal, right[..., None])[..., 0]
    residual = (light - (levels[:, None, :].astype(np.float32) @ basis)[:, 0]).astype(np.float64)
    picture = None
    if model:
        painted = np.einsum("ifrc,fi->frc", pictures[1:], levels)
        own = (weight * pictures[0] * (patches.light - painted)).sum(axis=1) / size
        picture = painted + pictures[0] * own[:, None, :]
    return _Miss(np.asarray(residual), np.asarray((levels - mean) / u), np.asarray(levels), picture)


def _uncensored(patches: Patches, weight: Array, miss: _Miss) -> Array:
    """Return the weights without clipped pixels that the model has as bright as they can show."""
    assert miss.model is not None
    return np.asarray(np.where((patches.light > CLIPPED) & (miss.model > CLIPPED), 0.0, weight))


def _scatter(residual: Array, weight: Array) -> Array:
    """Return (f,) robust scatter of the residuals of used pixels, at least a share of the assumed noise."""
    used = weight.reshape(len(weight), -1) > 0
    spread = [
        1.48 * float(np.median(np.abs(r[m]))) if m.sum() > 5 else 3.0 for r, m in zip(residual, used, strict=True)
    ]
    return np.asarray(np.maximum(np.array(spread), 0.2) * np.sqrt(CORRELATED))


def scan(patches: Patches, shape: Shape, *, place_mm: Array, gap_mm: Array, weight: Array) -> Array:
    """Return (f, places, gaps): how badly each fret is explained at each trial place and gap, by the same pixels."""
    f = len(patches.position_mm)
    out = np.empty((f, len(place_mm), len(gap_mm)))
    first, slope, bend, twist = shape.place_mm

    def try_place(i: int) -> None:
        moved = replace(shape, place_mm=(first + float(place_mm[i]), slope, bend, twist))
        for j, gap in enumerate(gap_mm):
            miss = _explain(patches, moved, np.full(f, gap), weight)
            z = miss.residual / np.sqrt(CORRELATED)
            loss = 2 * ROBUST**2 * (np.sqrt(1 + (z / ROBUST) ** 2) - 1).sum(axis=1)
            out[:, i, j] = loss + (miss.against_prior**2).sum(axis=1) / CORRELATED

    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(try_place, range(len(place_mm))))
    return out


@dataclass(frozen=True, slots=True)
class Start:
    """Where to begin: shared shape, heights, and how badly they explain the softened picture."""

    shape: Shape
    gap_mm: Array
    cost: float


def search_starts(soft: Patches, shape: Shape, prior: Prior) -> list[Start]:
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
    """
    from scipy.optimize import minimize

    order = np.arange(len(soft.position_mm))
    grid = [np.array([a, b, 0.0, 0.0]) for a in np.arange(-1, 1.01, 0.2) for b in np.arange(-1, 1.01, 0.2)]
    boards = {shape.board_per_mm, FLAT_PER_MM} if prior.u[6] > FLAT_PER_MM * 10 else {shape.board_per_mm}
    starts = []
    for board, elevation in product(sorted(boards), TRIAL_ELEVATIONS):
        tried = replace(shape, place_mm=(0.0, 0.0, 0.0, 0.0), elevation_rad=elevation, board_per_mm=board)
        weight = pixel_weights(soft, tried, np.zeros(len(order)), deep_mm=1.0)
        table = scan(soft, tried, place_mm=TRIAL_PLACES_MM, gap_mm=TRIAL_GAPS_MM, weight=weight)
        table += (np.maximum(shape.lip_mm - SEEN_LOWER_MM - TRIAL_GAPS_MM, 0) / U_INSIDE_MM) ** 2
        least = table.min(axis=2)
        # What no place explains is the model's error: it must not drown what is known beforehand.
        temper = max(1.0, float(least.min(axis=1).sum()) * CORRELATED / max(float((weight > 0).sum()), 1.0))

        def loss(cubic: Array, least: Array = least / temper) -> float:
            i, share, beyond = _between(np.asarray(np.polynomial.polynomial.polyval(soft.along, cubic)))
            spread = float((((cubic - prior.mean[:4]) / prior.u[:4]) ** 2).sum())
            values = least[order, i] * (1 - share) + least[order, i + 1] * share
            return float(values.sum()) + spread + 1e3 * float((beyond**2).sum())

        found = minimize(loss, min(grid, key=loss), method="Nelder-Mead", options={"maxiter": 300})
        place = np.asarray(np.polynomial.polynomial.polyval(soft.along, found.x))
        i, share, _ = _between(place)
        cost = table[order, np.where(share > 0.5, i + 1, i)]
        c = [float(v) for v in found.x]
        starts.append(
            Start(
                replace(tried, place_mm=(c[0], c[1], c[2], c[3])),
                _lowest(cost, _path(cost / temper)),
                float(found.fun) * temper,
            )
        )
    return sorted(starts, key=lambda s: s.cost)


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


def fit_jointly(
    patches: Patches,
    shape: Shape,
    gap_mm: Array,
    prior: Prior,
    *,
    rounds: int = 8,
    levels_like: tuple[Array, Array] | None = None,
    log: list[str] | None = None,
) -> JointFit:
    """Fit the shared shape and all heights.

    Parameters
    ----------
    patches
        From `cut_patches`.
    shape, gap_mm
        Start.
    prior
        Of the shared parameters.
    rounds
        Most Gauss-Newton steps.
    """
    f = len(gap_mm)
    p = np.concatenate([shape.vector(), gap_mm])
    whole = pixel_weights(patches, shape, gap_mm)
    damping = 1e-3
    matrix, scatter, miss = np.eye(SHARED + f), np.ones(f), None
    with ThreadPoolExecutor(THREADS) as pool:
        for turn in range(rounds):
            here, gap = shape_from(p[:SHARED]), p[SHARED:]
            if turn in (2, 4, 6):
                whole = pixel_weights(patches, here, gap)
            pictures = draw(patches, here, gap)
            first = _solve(patches, pictures, whole, model=True, levels_like=levels_like)
            weight = _uncensored(patches, whole, first)
            miss = _solve(patches, pictures, weight, levels_like=levels_like)
            scatter = _scatter(miss.residual, weight)
            z = miss.residual / scatter[:, None]
            robust = 1 / np.sqrt(1 + (z / ROBUST) ** 2)
            shared = np.empty((f, SHARED, z.shape[1]))
            # One parameter a task: numpy lets threads run side by side. The cubic of places moves each fret alone.
            varied = [0, *range(PLACES, SHARED)]
            turns = [shape_from(p[:SHARED] + STEP * (np.arange(SHARED) == j)) for j in varied]
            tasks = [pool.submit(_explain, patches, t, gap, weight, levels_like=levels_like) for t in turns]
            for j, task in zip(varied, tasks, strict=True):
                shared[:, j] = (task.result().residual - miss.residual) / STEP[j] / scatter[:, None]
            for power in range(1, PLACES):
                shared[:, power] = shared[:, 0] * patches.along[:, None] ** power
            own = (
                (_explain(patches, here, gap + 0.01, weight, levels_like=levels_like).residual - miss.residual)
                / 0.01
                / scatter[:, None]
            )
            matrix, right = _normal(shared, own, z, robust)
            matrix[:SHARED, :SHARED] += np.diag(1 / prior.u**2)
            right[:SHARED] -= (p[:SHARED] - prior.mean) / prior.u**2
            off, rates = _unlikely(p)
            matrix += rates.T @ rates
            right -= rates.T @ off
            cost = _cost(z, p, prior)
            moved_by = 0.0
            for _ in range(6):
                step = np.linalg.solve(matrix + damping * np.diag(np.diag(matrix)), right)
                step[SHARED:] = np.clip(step[SHARED:], -0.12, 0.12)
                q = _bounded(p + step)
                after = _explain(patches, shape_from(q[:SHARED]), q[SHARED:], weight, levels_like=levels_like)
                if _cost(after.residual / scatter[:, None], q, prior) < cost:
                    moved_by = float(np.abs(q - p)[SHARED:].max())
                    p, damping = q, max(damping / 4, 1e-5)
                    break
                damping *= 8
            if log is not None:
                log.append(f"{turn} cost {cost:.0f} damping {damping:.1e} shape {np.round(p[:SHARED], 4)}")
            if moved_by < 0.001 and turn > 2:
                break
    assert miss is not None
    pixels = (whole > 0).sum(axis=(1, 2)).astype(np.float64)
    covariance = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    sensitivity = np.asarray(-matrix[SHARED:, list(DOUBTFUL)] / np.diag(matrix)[SHARED:, None])
    z = miss.residual / np.sqrt(CORRELATED)
    known = float((((p[:SHARED] - prior.mean) / prior.u) ** 2).sum() + (_unlikely(p)[0] ** 2).sum())
    per_pixel = (float(2 * (np.sqrt(1 + z**2) - 1).sum()) + known) / max(float(pixels.sum()), 1.0)
    return JointFit(
        shape_from(p[:SHARED]),
        p[SHARED:],
        covariance,
        pixels,
        scatter / np.sqrt(CORRELATED),
        miss.levels,
        sensitivity,
        per_pixel,
    )


def alike(fit: JointFit, patches: Patches, gap_mm: Array) -> tuple[Array, Array]:
    """Return mean and standard deviation of the levels if neighbouring frets look alike: a running median."""
    mean, u = _level_prior(patches, pixel_weights(patches, fit.shape, gap_mm))
    f = len(fit.levels)
    shared = mean.copy()
    for i in range(f):
        near = fit.levels[max(0, i - 2) : i + 3]
        shared[i] = np.median(near, axis=0)
    shared[:, 0] = mean[:, 0]
    narrower = np.concatenate([u[:, :1], 0.35 * u[:, 1:]], axis=1)
    return shared, narrower


def _bounded(p: Array) -> Array:
    q = p.copy()
    q[6] = np.clip(q[6], 1e-5, 0.008)
    q[7] = np.clip(q[7], 1.5, 3.6)
    q[8] = np.clip(q[8], 0.5, 1.7)
    q[9] = np.clip(q[9], 0.0, 0.4)
    q[10] = np.clip(q[10], 0.6, 1.6)
    q[11] = np.clip(q[11], 0.0, 0.3)
    return q


def _cost(z: Array, p: Array, prior: Prior) -> float:
    robust = 2 * ROBUST**2 * float((np.sqrt(1 + (z / ROBUST) ** 2) - 1).sum())
    known = float((((p[:SHARED] - prior.mean) / prior.u) ** 2).sum())
    return robust + known + float((_unlikely(p)[0] ** 2).sum())


def _unlikely(p: Array) -> tuple[Array, Array]:
    """Return how unlikely the heights are by themselves, in standard deviations, and its rates of change.

    Crowns hardly leave the line of their neighbours, and none stands in the blade.
    """
    gap, lip = p[SHARED:], p[SHARED - 1]
    kinks = np.diff(np.eye(len(gap)), 2, axis=0) / (2 * U_KINK_MM)
    inside = np.maximum(lip - SEEN_LOWER_MM - gap, 0.0) / U_INSIDE_MM
    rates = np.zeros((len(kinks) + len(gap), len(p)))
    rates[: len(kinks), SHARED:] = kinks
    there = np.where(inside > 0, 1 / U_INSIDE_MM, 0.0)
    rates[len(kinks) :, SHARED:] = np.diag(-there)
    rates[len(kinks) :, SHARED - 1] = there
    return np.concatenate([kinks @ gap, inside]), rates


def _normal(shared: Array, own: Array, z: Array, robust: Array) -> tuple[Array, Array]:
    f = len(own)
    matrix, right = np.zeros((SHARED + f, SHARED + f)), np.zeros(SHARED + f)
    weighed = shared * robust[:, None, :]
    matrix[:SHARED, :SHARED] = np.einsum("fip,fjp->ij", weighed, shared)
    right[:SHARED] = -np.einsum("fip,fp->i", weighed, z)
    cross = np.einsum("fip,fp->fi", weighed, own)
    matrix[SHARED:, :SHARED] = cross
    matrix[:SHARED, SHARED:] = cross.T
    diagonal = np.arange(SHARED, SHARED + f)
    matrix[diagonal, diagonal] = (own**2 * robust).sum(axis=1) + 1.0  # a height is known to a millimetre anyway
    right[SHARED:] = -(own * robust * z).sum(axis=1)
    return matrix, right


def prior_for(camera: BoardCamera, board_radius_mm: float | None, slit: SlitLight, *, dark: bool) -> Prior:
    """Return what is known of the shared parameters before the pixels are asked."""
    u_board = 0.0012 if board_radius_mm is None else 2e-5
    board = 1 / (board_radius_mm or 320.0)
    lip, u_lip = (LIP_MM, U_LIP_MM) if slit.falls else (0.0, HELD_MM)
    mean = np.array([0.0, 0.0, 0.0, 0.0, camera.x_foot_mm, 0.015, board, 2.4, 1.05, GLOSS[0], 1.0, lip])
    u = np.array([0.5, 0.4, 0.2, 0.15, 1.5, 0.02, u_board, 0.25, 0.15, GLOSS[1], 0.12, u_lip])
    if dark:
        # Before a dark gap the room is what the crowns mirror, spread as brushed metal spreads it.
        mean[9], u[9] = DARK_GLOSS
        u[10], u[0] = 0.3, 0.3
    return Prior(mean, u)


def strain(fit: JointFit, prior: Prior) -> float:
    """Return chi-square, of six terms, of what a true fit leaves near what is known: places, crown's curvature, blur.

    Width and height of a crown go together where only its top is seen; its curvature says whether it is one.
    """
    off = (fit.shape.vector() - prior.mean) / prior.u
    ratio = fit.shape.height_mm / fit.shape.width_mm**2 / (prior.mean[8] / prior.mean[7] ** 2)
    return float((off[:PLACES] ** 2).sum() + off[10] ** 2 + (np.log(ratio) / U_CURVATURE) ** 2)


def read_pixels(
    luminance: FloatImage,
    edge: EdgeCurve,
    slit: SlitLight,
    camera: BoardCamera,
    *,
    position_mm: Array,
    thickness_mm: float,
    board_radius_mm: float | None = None,
    dark: bool = False,
) -> tuple[JointFit, Patches, float]:
    """Explain the pixels of all frets: coarse search, softened picture, sharp one, then with levels alike.

    Returns
    -------
    (fit, patches, strain)
        The last is chi-square of the shared shape against what is known beforehand.
    """
    patches = cut_patches(
        luminance, edge, slit, camera, position_mm=position_mm, thickness_mm=thickness_mm, deepest_mm=DEEPEST_MM
    )
    end_on = np.abs(camera.slant(position_mm)) < END_ON_SLANT
    trust = np.where(end_on, END_ON_TRUST, 1.0) * (DARK_TRUST if dark else 1.0)
    patches = replace(patches, inside=(patches.inside * trust[:, None, None]).astype(np.float32))
    prior = prior_for(camera, board_radius_mm, slit, dark=dark)
    begin = Shape(
        foot_mm=camera.x_foot_mm,
        board_per_mm=float(prior.mean[6]),
        gloss=float(prior.mean[9]),
        lip_mm=float(prior.mean[11]),
    )
    rough, plain = soften(patches, SOFT_PX / 2), undivided(patches)
    tried = []
    for start in search_starts(soften(patches, SOFT_PX), begin, prior):
        held = Prior(prior.mean.copy(), prior.u.copy())
        held.mean[5], held.u[5] = start.shape.elevation_rad, 0.008
        tried.append(fit_jointly(rough, start.shape, start.gap_mm, held, rounds=5))
    tried.sort(key=lambda t: t.cost)
    tried = [fit_jointly(plain, t.shape, t.gap_mm, prior, rounds=6) for t in tried[:STARTS]]
    sharp = min(tried, key=lambda t: t.cost)
    sharp = fit_jointly(patches, sharp.shape, sharp.gap_mm, prior, rounds=2)
    shared = alike(sharp, patches, sharp.gap_mm)
    last = fit_jointly(patches, sharp.shape, sharp.gap_mm, prior, rounds=3, levels_like=shared)
    return last, patches, strain(last, prior)
