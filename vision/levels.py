"""The levels of light that explain pixels best under a given shape: linear, and solved in closed form.

Blade, gap, crown by what it mirrors, board and chamfer each paint a picture (`shading.draw`); their levels are unknown
and held near what metal and shade can look like (variable projection).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.neck.profile import Array

from .patches import CLIPPED
from .shading import LEVELS, Patches, Shape, draw


@dataclass(frozen=True, slots=True)
class Miss:
    """What the model leaves of the pixels, levels solved."""

    residual: Array  # (f, pixels)
    against_prior: Array  # (f, LEVELS)
    levels: Array  # (f, LEVELS)
    model: Array | None


def level_prior(patches: Patches, weight: Array) -> tuple[Array, Array]:
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


def explain(
    patches: Patches,
    shape: Shape,
    gap_mm: Array,
    weight: Array,
    *,
    model: bool = False,
    levels_like: tuple[Array, Array] | None = None,
) -> Miss:
    """Draw the frets at a shape and heights (f,), and return what the best levels of light leave of the pixels."""
    return solve(patches, draw(patches, shape, gap_mm), weight, model=model, levels_like=levels_like)


def solve(
    patches: Patches,
    pictures: Array,
    weight: Array,
    *,
    model: bool = False,
    levels_like: tuple[Array, Array] | None = None,
) -> Miss:
    """Return what the best levels of light leave of the pixels."""
    root = np.sqrt(weight)
    blade = pictures[0] * root
    size = (blade * blade).sum(axis=1) + 1e-3
    f = len(pictures[0])

    def without_blade(values: Array) -> Array:
        return np.asarray(values - blade * ((blade * values).sum(axis=1) / size)[:, None, :])

    light = without_blade(patches.light * root).reshape(f, -1)
    basis = np.stack([without_blade(p * root).reshape(f, -1) for p in pictures[1:]], axis=1)
    mean, u = levels_like or level_prior(patches, weight)
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
    return Miss(np.asarray(residual), np.asarray((levels - mean) / u), np.asarray(levels), picture)


def uncensored(patches: Patches, weight: Array, miss: Miss) -> Array:
    """Return the weights without clipped pixels that the model has as bright as they can show."""
    assert miss.model is not None
    return np.asarray(np.where((patches.light > CLIPPED) & (miss.model > CLIPPED), 0.0, weight))
