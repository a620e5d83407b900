"""The heights of all frets from the pixels: patches cut, searched, and fitted softened and sharp."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from lightgap.neck.profile import Array

from .camera import BoardCamera
from .halves import ALONE, Halves
from .joint import PLACES, SHARED, JointFit, Prior, alike, fit_jointly
from .locate import EdgeCurve
from .patches import cut_patches, soften, undivided
from .photo import FloatImage
from .search import Start, search_starts
from .shading import MIRROR_WIDTH, Patches, Shape
from .slit import SlitLight

ALIKE_COST = 0.3  # relative: what costs so much more counts less by a factor of e
SOFT_PX = 2.0  # at this softness places half a millimetre apart lie in one valley
ROUGH_STARTS, STARTS = 4, 2  # of boards and elevations followed in the softened and in the sharp picture
DEEPEST_MM = 1.3  # gap and outline together
LIP_MM, U_LIP_MM = 0.14, 0.05  # chamfers are 0.1 to 0.2 mm high (common practice, no published source)
HELD_MM = 1e-3
GLOSS, DARK_GLOSS = (0.02, 0.02), (0.2, 0.15)  # spread of what a crown mirrors (tan)
U_GLOSS = 0.03  # a fit held tighter than this is still a likely one this far off
# Before a dark gap, of its logarithm: no file leaves crowns that mirror a room sharply (common practice, no published
# source), and a fit that wants it is after something else.
U_LOG_GLOSS = 0.7
U_CURVATURE = 0.2  # relative, of crowns' curvature: wires from narrow and low to wide and tall
# Before a dark gap what a crown mirrors of the room is known roughly, and at end-on frets hardly at all.
DARK_TRUST, END_ON_TRUST, END_ON_SLANT = 0.5, 0.2, 0.08


def prior_for(camera: BoardCamera, board_radius_mm: float | None, slit: SlitLight, *, dark: bool) -> Prior:
    """Return what is known of the shared parameters before the pixels are asked."""
    u_board = 0.0012 if board_radius_mm is None else 2e-5
    board = 1 / (board_radius_mm or 320.0)
    lip, u_lip = (LIP_MM, U_LIP_MM) if slit.falls else (0.0, HELD_MM)
    mean = np.array([0.0, 0.0, 0.0, 0.0, camera.x_foot_mm, 0.015, board, 2.4, 1.05, GLOSS[0], 1.0, lip])
    u = np.array([0.5, 0.4, 0.2, 0.15, camera.hold_foot_mm, 0.02, u_board, 0.25, 0.15, GLOSS[1], 0.12, u_lip])
    if dark:
        # Before a dark gap the room is what the crowns mirror, spread as brushed metal spreads it.
        mean[9], u[9] = DARK_GLOSS
        u[10], u[0] = 0.3, 0.3
    return Prior(mean, u)


def strain(fit: JointFit, prior: Prior) -> float:
    """Return chi-square, of seven terms, of what a true fit leaves near what is known.

    They are the four of the places, the crown's curvature, its gloss and the blur. Width and height of a crown go
    together where only its top is seen; its curvature says whether it is one.
    """
    off = (fit.shape.vector() - prior.mean) / prior.u
    ratio = fit.shape.height_mm / fit.shape.width_mm**2 / (prior.mean[8] / prior.mean[7] ** 2)
    if prior.mean[9] > GLOSS[0]:
        gloss = np.log((fit.shape.gloss + MIRROR_WIDTH) / (prior.mean[9] + MIRROR_WIDTH)) / U_LOG_GLOSS
    else:
        gloss = (fit.shape.gloss - prior.mean[9]) / max(float(prior.u[9]), U_GLOSS)
    return float((off[:PLACES] ** 2).sum() + off[10] ** 2 + gloss**2 + (np.log(ratio) / U_CURVATURE) ** 2)


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
    both: Halves = ALONE,
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
    starts = search_starts(soften(patches, SOFT_PX, step=3), begin, prior, both=both)[:ROUGH_STARTS]
    tried = both.map(partial(_followed, rough, prior), starts)
    tried.sort(key=lambda t: t.cost)
    tried = both.map(partial(_sharpened, plain, prior), tried[:STARTS])
    tried.sort(key=lambda t: t.cost)
    sharp = tried[0]
    shared = alike(sharp, plain, sharp.gap_mm)
    last = fit_jointly(patches, sharp.shape, sharp.gap_mm, prior, rounds=4, levels_like=shared)
    return among(last, tried), patches, strain(last, prior)


def among(last: JointFit, tried: list[JointFit]) -> JointFit:
    """Return the last fit with the heights that several explanations of the pixels make likely together.

    Explanations from other starts, nearly as good, differ by what the model leaves out and not by noise: none is to be
    preferred for a slightly lower cost. Each takes part by a weight that falls with its cost, and the spread among
    them is added to the covariance, as of a mixture of distributions.

    Parameters
    ----------
    last
        The best of them, refined.
    tried
        All, the best first.
    """
    weight = np.exp(-(np.array([t.cost for t in tried]) / tried[0].cost - 1) / ALIKE_COST)
    weight /= weight.sum()
    apart = np.stack([t.gap_mm - tried[0].gap_mm for t in tried])
    mean = weight @ apart
    spread = ((apart - mean) * weight[:, None]).T @ (apart - mean)
    covariance = last.covariance.copy()
    covariance[SHARED:, SHARED:] += spread
    return replace(last, gap_mm=last.gap_mm + mean, covariance=covariance)


def _followed(rough: Patches, prior: Prior, start: Start) -> JointFit:
    """Fit the softened picture from a start, near its elevation."""
    held = Prior(prior.mean.copy(), prior.u.copy())
    held.mean[5], held.u[5] = start.shape.elevation_rad, 0.008
    return fit_jointly(rough, start.shape, start.gap_mm, held, rounds=5)


def _sharpened(plain: Patches, prior: Prior, start: JointFit) -> JointFit:
    return fit_jointly(plain, start.shape, start.gap_mm, prior, rounds=6)
