"""All frets of a photo explained together: rendered patches against the pixels, in linear light.

The shape (`shading`) is shared, each fret has one height; the levels of light are solved for (`levels`). Gauss-Newton
with robust weights; clipped pixels count only while the model is darker than they are.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lightgap.neck.profile import Array

from .levels import Miss, level_prior, solve, uncensored
from .patches import around, pixel_weights, undivided
from .shading import Mask, Patches, Shape, blurred, draw, paint, shape_from

ROBUST = 2.5
CORRELATED = 8.0  # neighbouring pixels that share one model error
PLACES = 4  # terms of the cubic of places
SHARED = 12  # parameters of the shape, before the heights
DOUBTFUL = (0, 4, 5, 6, 7, 10)  # of them, those the model is not wholly right about: place, foot, elevation, ...
# Of a crown off the line of its neighbours: a tenth of a millimetre is a bad fret already (common practice, no
# published source). Where a fret is seen at all it says more than this; it only keeps a lost one from running away.
U_KINK_MM = 0.08
# A camera above or below the board sees the blade's edge lower than it lies: by half its thickness times three degrees.
SEEN_LOWER_MM, U_INSIDE_MM = 0.1, 0.05
# For numerical derivatives, in `Shape.vector`'s order.
STEP = np.array([0.05, 0.05, 0.05, 0.05, 0.2, 0.001, 5e-5, 0.02, 0.02, 0.01, 0.02, 0.01])
STEP_GAP_MM = 0.01
BLUR = 10
HELD = 0.2  # of the step: known this well beforehand, a parameter gains nothing from the pixels


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


def _scatter(residual: Array, weight: Array) -> Array:
    """Return (f,) robust scatter of the residuals of used pixels, at least a share of the assumed noise."""
    used = weight.reshape(len(weight), -1) > 0
    spread = [
        1.48 * float(np.median(np.abs(r[m]))) if m.sum() > 5 else 3.0 for r, m in zip(residual, used, strict=True)
    ]
    return np.asarray(np.maximum(np.array(spread), 0.2) * np.sqrt(CORRELATED))


def fit_jointly(
    patches: Patches,
    shape: Shape,
    gap_mm: Array,
    prior: Prior,
    *,
    rounds: int = 8,
    levels_like: tuple[Array, Array] | None = None,
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
    whole_rows = undivided(patches)  # rates of change need no sub-rows
    p = np.concatenate([shape.vector(), gap_mm])
    whole = pixel_weights(patches, shape, gap_mm)
    need = around(whole, patches)
    damping = 1e-3
    matrix, scatter, miss = np.eye(SHARED + f), np.ones(f), None
    pictures = draw(patches, shape, gap_mm, need=need)
    for turn in range(rounds):
        here, gap = shape_from(p[:SHARED]), p[SHARED:]
        if turn in (2, 4, 6):
            whole = pixel_weights(patches, here, gap)
            need = around(whole, patches)
            pictures = draw(patches, here, gap, need=need)
        first = solve(patches, pictures, whole, levels_like=levels_like)
        weight = uncensored(patches, pictures, whole, first)
        censored = not np.array_equal(weight, whole)
        miss = solve(patches, pictures, weight, levels_like=levels_like) if censored else first
        scatter = _scatter(miss.residual, weight)
        z = miss.residual / scatter[:, None]
        robust = 1 / np.sqrt(1 + (z / ROBUST) ** 2)
        shared, own = _rates(whole_rows, p, miss, need, prior)
        shared, own = shared / scatter[:, None, None], own / scatter[:, None]
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
            tried = draw(patches, shape_from(q[:SHARED]), q[SHARED:], need=need)
            after = solve(patches, tried, weight, levels_like=levels_like)
            if _cost(after.residual / scatter[:, None], q, prior) < cost:
                moved_by = float(np.abs(q - p)[SHARED:].max())
                p, damping, pictures = q, max(damping / 4, 1e-5), tried
                break
            damping *= 8
        if moved_by < 0.001 and turn > 2:
            break
    assert miss is not None
    pixels = (whole > 0).sum(axis=(1, 2)).astype(np.float64)
    covariance = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    sensitivity = np.asarray(-matrix[SHARED:, list(DOUBTFUL)] / np.diag(matrix)[SHARED:, None])
    z = miss.residual / np.sqrt(CORRELATED)
    per_pixel = (float(2 * (np.sqrt(1 + z**2) - 1).sum()) + _against_known(p, prior)) / max(float(pixels.sum()), 1.0)
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


def _rates(patches: Patches, p: Array, miss: Miss, need: Mask, prior: Prior) -> tuple[Array, Array]:
    """Return how the residual changes with the shared parameters (f, SHARED, pixels) and the heights (f, pixels)."""

    def sharp(shape: Shape, gap_mm: Array) -> Array:
        return paint(patches, shape, gap_mm, blade=miss.blade, levels=miss.levels, need=need)

    gap, here = p[SHARED:], shape_from(p[:SHARED])
    base = sharp(here, gap)
    # The cubic of places moves each fret alone; what is held stays where it is; the blur comes after the drawing.
    free = [j for j in (0, *range(PLACES, SHARED)) if prior.u[j] > HELD * STEP[j]]
    shapes = [shape_from(p[:SHARED] + STEP * (np.arange(SHARED) == j)) for j in free]
    lights = [base if j == BLUR else sharp(shape, gap) for j, shape in zip(free, shapes, strict=True)]
    moved = zip([*shapes, here], [*lights, sharp(here, gap + STEP_GAP_MM)], strict=True)
    pictures = np.stack([blurred(light[None], patches, shape)[0] for shape, light in moved])
    steps = np.array([*STEP[free], STEP_GAP_MM])
    by = miss.changes(pictures - blurred(base[None], patches, here)[0]) / steps[None, :, None]
    shared = np.zeros((len(gap), SHARED, by.shape[2]))
    shared[:, free] = by[:, :-1]
    for power in range(1, PLACES):
        shared[:, power] = shared[:, 0] * patches.along[:, None] ** power
    return shared, by[:, -1]


def alike(fit: JointFit, patches: Patches, gap_mm: Array) -> tuple[Array, Array]:
    """Return mean and standard deviation of the levels if neighbouring frets look alike: a running median."""
    mean, u = level_prior(patches, pixel_weights(patches, fit.shape, gap_mm))
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
    return robust + _against_known(p, prior)


def _against_known(p: Array, prior: Prior) -> float:
    """Return chi-square of shape and heights against what is known before the pixels are asked."""
    return float((((p[:SHARED] - prior.mean) / prior.u) ** 2).sum() + (_unlikely(p)[0] ** 2).sum())


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
    matrix[:SHARED, :SHARED] = (weighed @ shared.transpose(0, 2, 1)).sum(axis=0)
    right[:SHARED] = -(weighed @ z[..., None])[..., 0].sum(axis=0)
    cross = (weighed @ own[..., None])[..., 0]
    matrix[SHARED:, :SHARED] = cross
    matrix[:SHARED, SHARED:] = cross.T
    diagonal = np.arange(SHARED, SHARED + f)
    matrix[diagonal, diagonal] = (own**2 * robust).sum(axis=1) + 1.0  # a height is known to a millimetre anyway
    right[SHARED:] = -(own * robust * z).sum(axis=1)
    return matrix, right
