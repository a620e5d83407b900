"""Blur and light at the straightedge's edge, and boundaries placed by a rendered slit of light.

A gap is narrower than the blur: a boundary is not where the coded value is half way, but where a model of blade, light
and fret, blurred by the photo's own point spread and taken in linear light, agrees best with the pixels.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from lightgap.neck.profile import Array

from .camera import BoardCamera
from .edge import sample_strip
from .locate import EdgeCurve
from .photo import FloatImage

ROWS_ABOVE_PX = 2.6
ROWS_BELOW_PX = 2.0
NOISE = 0.01  # linear light at mid grey; only ratios between pixels matter, the scatter of columns sets the scale


@dataclass(frozen=True, slots=True)
class SlitLight:
    """Light and blur around the edge.

    Attributes
    ----------
    blur_px
        Standard deviation of the point spread, pixel included.
    offset_px
        From the followed edge curve to the boundary of blade and light.
    gap_light
        (width,) level of the light in the gap at each column.
    u_gap_light
        (width,) its standard uncertainty.
    contrast
        Step of light at the edge over the larger of the two levels.
    falls
        The light falls from the followed edge downwards: what was followed is the upper line of a dark chamfer, before
        a gap that is no brighter, and not the straightedge's lower edge.
    """

    blur_px: float
    offset_px: float
    gap_light: Array = field(repr=False)
    u_gap_light: Array = field(repr=False)
    contrast: float
    falls: bool = False

    def gap_level(self, edge: EdgeCurve) -> float:
        """Return the usual level of the gap's light under the straightedge."""
        return float(np.median(self.gap_light[int(edge.low_px) : int(edge.high_px)]))


def step(distance_px: Array, blur_px: float) -> Array:
    """Return the blurred unit step: the share of light from beyond a boundary `distance_px` before."""
    return np.asarray(0.5 * (1 + erf(distance_px / (np.sqrt(2) * blur_px))))


def read_slit(luminance: FloatImage, edge: EdgeCurve, camera: BoardCamera) -> SlitLight:
    """Read the point spread along the blade's edge (slanted edge, after ISO 12233) and the light of the gap.

    Columns where the light below the edge is level over half a millimetre count as clear; the edge's spread function
    is the median of the clear columns aligned on the followed curve.
    """
    from scipy.optimize import least_squares

    scale = camera.comb.px_per_mm
    columns = np.arange(np.ceil(edge.low_px) + 2, np.floor(edge.high_px) - 2)
    below = np.arange(-6.0, max(7.0, 0.6 * scale), 0.25)
    light = sample_strip(luminance, edge.y_px(columns), columns, px_per_mm=1.0, below_mm=below).light
    plateau = light[(below > 2.2) & (below < max(3.6, 0.5 * scale))]
    level = np.median(plateau, axis=0)
    unevenness = (plateau.max(axis=0) - plateau.min(axis=0)) / (np.abs(level) + 0.02)
    clear = unevenness <= np.quantile(unevenness, 0.35)
    gap_light, u_gap_light = _level_along(columns[clear], level[clear], 25 * scale, luminance.shape[1])
    profile = np.median(light[:, clear], axis=1)
    near = (below > -1.4) & (below < 2.6)

    def miss(p: Array) -> Array:
        return np.asarray((p[0] + (p[1] - p[0]) * step(below - p[2], abs(p[3])) - profile)[near])

    start = [float(profile[below < -1].mean()), float(profile[(below > 2) & (below < 4)].mean()), 0.0, 1.0]
    fit = least_squares(miss, start)
    dark, bright = sorted((abs(fit.x[0]), abs(fit.x[1])))
    blur = float(np.clip(abs(fit.x[3]), 0.45, 6.0))
    offset = float(np.clip(fit.x[2], -1.5, 1.5))
    falls = bool(fit.x[1] < fit.x[0])
    return SlitLight(blur, offset, gap_light, u_gap_light, float(1 - dark / max(bright, 1e-6)), falls)


def _level_along(columns: Array, level: Array, window_px: float, width: int) -> tuple[Array, Array]:
    knots = np.linspace(columns[0], columns[-1], 60)
    value, u = np.empty(60), np.empty(60)
    for i, x in enumerate(knots):
        distance = np.abs(columns - x)
        reach = max(window_px / 2, np.sort(distance)[min(len(distance) - 1, 40)])
        mine = level[distance <= reach]
        value[i] = np.median(mine)
        u[i] = 1.48 * np.median(np.abs(mine - value[i])) + 0.02 * abs(value[i]) + 0.002
    every = np.arange(width)
    return np.interp(every, knots, value), np.interp(every, knots, u)


def place_boundaries(
    luminance: FloatImage, edge: EdgeCurve, slit: SlitLight, columns: Array, expected_px: Array, *, reach_px: float
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Place the boundary between the gap's light and the fret in each column, near an expected place.

    Blade, gap and fret levels are free in every column, the gap's held near its level beside the fret, and solved in
    closed form for each trial place; a parabola through the least misfits gives place and uncertainty.

    Returns
    -------
    place_px, u_px, sure
        (n,) below the edge; standard uncertainty from the misfit's curvature; False where the best place is at the
        end of the search or within the blur of the blade.
    """
    trial = np.arange(-reach_px, reach_px + 1e-9, min(0.2, reach_px / 6))
    top = edge.y_px(columns) + slit.offset_px
    deepest = float(expected_px.max()) + reach_px + ROWS_BELOW_PX + 1
    rows = np.floor(top).astype(np.intp)[:, None] + np.arange(-4, int(np.ceil(deepest)) + 2)[None, :]
    inside = (rows >= 0) & (rows < luminance.shape[0])
    light = luminance[np.clip(rows, 0, luminance.shape[0] - 1), columns.astype(np.intp)[:, None]].astype(np.float64)
    below = rows - top[:, None]
    # The same rows for every trial place, so that misfits compare.
    window = (
        inside & (below > -ROWS_ABOVE_PX) & (below < np.maximum(expected_px + reach_px + ROWS_BELOW_PX, 2.0)[:, None])
    )
    weight = window / (NOISE**2 * (0.15 + np.maximum(light, 0)))
    gap_light = slit.gap_light[columns.astype(np.intp)]
    prior = 1.0 / np.maximum(slit.u_gap_light[columns.astype(np.intp)], 1e-4) ** 2
    in_blade = 1 - step(below, slit.blur_px)
    misfit = np.stack(
        [
            _misfit(light, below, in_blade, np.maximum(expected_px + t, 0), slit.blur_px, weight, gap_light, prior)
            for t in trial
        ]
    )
    best = misfit.argmin(axis=0)
    j = np.clip(best, 1, len(trial) - 2)
    n = np.arange(len(columns))
    a, b, c = misfit[j - 1, n], misfit[j, n], misfit[j + 1, n]
    curvature = np.maximum(a - 2 * b + c, 1e-12)
    spacing = trial[1] - trial[0]
    place = expected_px + trial[j] + 0.5 * (a - c) / curvature * spacing
    excess = np.maximum(b / np.maximum(window.sum(axis=1) - 4, 1), 1.0)
    u = np.sqrt(2 * excess * spacing**2 / curvature)
    sure = (best > 0) & (best < len(trial) - 1) & (place > 0.8 * slit.blur_px)
    return place, u, sure


def _misfit(
    light: Array,
    below: Array,
    in_blade: Array,
    place: Array,
    blur_px: float,
    weight: Array,
    gap_light: Array,
    prior: Array,
) -> Array:
    in_fret = step(below - place[:, None], blur_px)
    basis = np.stack([in_blade, 1 - in_blade - in_fret, in_fret], axis=-1)
    weighted = weight[..., None] * basis
    normal = np.einsum("cri,crj->cij", weighted, basis)
    right = np.einsum("cri,cr->ci", weighted, light)
    normal[:, 1, 1] += prior
    right[:, 1] += prior * gap_light
    normal += 1e-6 * np.eye(3) * np.trace(normal, axis1=1, axis2=2)[:, None, None]
    level = np.linalg.solve(normal, right[..., None])[..., 0]
    miss = light - np.einsum("cri,ci->cr", basis, level)
    return np.asarray((weight * miss**2).sum(axis=1) + prior * (level[:, 1] - gap_light) ** 2)
