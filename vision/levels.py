"""The levels of light that explain pixels best under a given shape: linear, and solved in closed form.

Blade, gap, crown by what it mirrors, board and chamfer each paint a picture (`shading.draw`); their levels are unknown
and held near what metal and shade can look like (variable projection).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.neck.profile import Array

from .patches import CLIPPED
from .shading import LEVELS, Mask, Patches, Shape, draw


@dataclass(frozen=True, slots=True)
class Miss:
    """What the model leaves of the pixels, levels solved.

    Attributes
    ----------
    residual
        (f, pixels) times the root of the weight.
    against_prior
        (f, LEVELS) of the levels, in standard deviations.
    levels
        (f, LEVELS).
    blade
        (f, c) level of the blade.
    """

    residual: Array
    against_prior: Array
    levels: Array
    blade: Array
    _root: Array
    _blade_share: Array
    _blade_size: Array
    _basis: Array
    _normal: Array

    def changes(self, pictures: Array) -> Array:
        """Return (f, n, pixels) how the residual changes with small changes (n, f, r, c) of the picture.

        The levels follow (Kaufman, A variable projection method for solving separable nonlinear least squares problems,
        BIT 15, 1975: what the change does to the levels' own equations is left out).
        """
        n, f = pictures.shape[:2]
        seen = np.stack([_without(p * self._root, self._blade_share, self._blade_size) for p in pictures], axis=1)
        seen = seen.reshape(f, n, -1)
        follow = np.linalg.solve(self._normal, (self._basis @ seen.transpose(0, 2, 1)).astype(np.float64))
        return np.asarray(follow.transpose(0, 2, 1).astype(seen.dtype) @ self._basis - seen)


def _without(values: Array, blade: Array, size: Array) -> Array:
    """Return values (f, r, c) without what the blade, free in every column, takes."""
    return np.asarray(values - blade * ((blade * values).sum(axis=1) / size)[:, None, :])


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
    need: Mask | None = None,
    levels_like: tuple[Array, Array] | None = None,
) -> Miss:
    """Draw the frets at a shape and heights (f,), and return what the best levels of light leave of the pixels."""
    return solve(patches, draw(patches, shape, gap_mm, need=need), weight, levels_like=levels_like)


def solve(
    patches: Patches,
    pictures: Array,
    weight: Array,
    *,
    levels_like: tuple[Array, Array] | None = None,
) -> Miss:
    """Return what the best levels of light leave of the pixels."""
    root = np.sqrt(weight)
    share = pictures[0] * root
    size = (share * share).sum(axis=1) + 1e-3
    f = len(pictures[0])
    light = _without(patches.light * root, share, size).reshape(f, -1)
    basis = np.stack([_without(p * root, share, size).reshape(f, -1) for p in pictures[1:]], axis=1)
    mean, u = levels_like or level_prior(patches, weight)
    normal = (basis @ basis.transpose(0, 2, 1)).astype(np.float64)
    right = (basis @ light[..., None])[..., 0].astype(np.float64) + mean / u**2
    normal[:, np.arange(LEVELS), np.arange(LEVELS)] += 1 / u**2
    levels = np.asarray(np.linalg.solve(normal, right[..., None])[..., 0], dtype=np.float64)
    residual = (light - (levels[:, None, :].astype(np.float32) @ basis)[:, 0]).astype(np.float64)
    left = patches.light - _painted(pictures, levels)
    blade = (weight * pictures[0] * left).sum(axis=1) / size
    return Miss(residual, (levels - mean) / u, levels, blade, root, share, size, basis, normal)


def _painted(pictures: Array, levels: Array) -> Array:
    """Return (f, r, c): all pictures but the blade's, at their levels."""
    weighed = pictures[1:] * levels.T.astype(pictures.dtype)[:, :, None, None]
    return np.asarray(weighed.sum(axis=0))


def uncensored(patches: Patches, pictures: Array, weight: Array, miss: Miss) -> Array:
    """Return the weights without clipped pixels that the model has as bright as they can show."""
    model = _painted(pictures, miss.levels) + pictures[0] * miss.blade[:, None, :]
    return np.asarray(np.where((patches.light > CLIPPED) & (model > CLIPPED), 0.0, weight).astype(weight.dtype))
