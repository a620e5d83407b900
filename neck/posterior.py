"""What the crowns are likely to be, given noisy gaps: fret heights scatter about a smooth neck.

The largest of many noisy depths is biased high. With gaps g, covariance C of the measurement, and the model

    true gap = line + bend of the neck, of covariance B + fret height error, N(0, tau^2) and independent,

the expected true gaps are g - C P g with covariance C - C P C, where V = B + tau^2 I + C and
P = V^-1 - V^-1 X (X^T V^-1 X)^-1 X^T V^-1 (the usual mixed-model result; a flat prior on the line X leaves any constant
and any tilt alone). The neck's curvature is taken for white noise, without any shape in mind, which makes its bend that
of a smoothing spline (G. Wahba, Improper priors, spline smoothing and the problem of guarding against model errors in
regression, 1978): an S with unequal lobes is followed where a polynomial of low order would level the lesser one. The
spread tau of real fret heights is not known: it is averaged over a grid, weighted by the restricted likelihood of the
data and a broad prior about 0.012 mm (common practice, no published source). Where the noise is small against
fret-to-fret differences the gaps come back unchanged; where it is large they are drawn to the smooth neck.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .profile import Array, GapProfile, frozen_array

# Of the curvature of necks, mm^(-1/2): more than simulated ones of all shapes have in the mean, lest the few that bend
# strongly, or twice, are levelled.
BEND_PER_ROOT_MM = 5e-4
TAU_GRID_MM = np.geomspace(0.001, 0.1, 13)
TAU_PRIOR_MM, TAU_PRIOR_LOG_SD = 0.012, np.log(2.5)
# Among few crowns an odd one, a tenth of a millimetre high or low, cannot be told from scatter: it is allowed for.
FEW_CROWNS, TAU_FEW_MM = 6, 0.02
MIN_CROWNS = 4
DRAWS = 4000
SEED = 20260501


@dataclass(frozen=True, slots=True)
class CrownPosterior:
    """True gaps as far as the data tell.

    Attributes
    ----------
    mean_mm
        (n,) expected true gaps.
    covariance_mm2
        (n, n) their covariance.
    draws_mm
        (DRAWS, n) equally likely sets of true gaps, the same for the same profile (fixed seed).
    """

    mean_mm: Array = field(repr=False)
    covariance_mm2: Array = field(repr=False)
    draws_mm: Array = field(repr=False)


def crown_posterior(profile: GapProfile) -> CrownPosterior:
    """Return the expected true gaps of a profile with covariance and draws.

    With fewer than `MIN_CROWNS` crowns nothing is left over from a smooth neck: the gaps are taken as they stand.
    """
    gap, cov = profile.gap_mm, profile.covariance_mm2
    if len(gap) < MIN_CROWNS:
        return _collect(np.array([1.0]), [gap], covs=[np.array(cov)])
    place = profile.position_mm
    line = np.vander(2 * (place - place.mean()) / np.ptp(place), 2)
    scores, projections = restricted_fit(gap, scattered(cov + bend_covariance(place)), design=line)
    usual = TAU_PRIOR_MM if len(gap) >= FEW_CROWNS else TAU_FEW_MM
    scores = scores - 0.5 * (np.log(TAU_GRID_MM / usual) / TAU_PRIOR_LOG_SD) ** 2
    weight = np.exp(scores - scores.max())
    means = gap - (cov @ projections @ gap[:, None])[..., 0]
    covs = cov - cov @ projections @ cov
    return _collect(weight / weight.sum(), list(means), covs=list(covs))


def bend_covariance(position_mm: Array, *, per_root_mm: float = BEND_PER_ROOT_MM) -> Array:
    """Return the covariance (n, n), mm^2, of a neck's bend: curvature that is white noise, integrated twice.

    Parameters
    ----------
    position_mm
        (n,) places along the board; the bend is counted from the lowest of them, whichever is left to a line.
    per_root_mm
        Standard deviation of the curvature, mm^(-1/2).
    """
    x = position_mm - position_mm.min()
    nearer, apart = np.minimum.outer(x, x), np.abs(np.subtract.outer(x, x))
    return np.asarray(per_root_mm**2 * (nearer**3 / 3 + nearer**2 * apart / 2))


def scattered(covariance: Array) -> Array:
    """Return the covariance with each scatter of fret heights of the grid added, (grid, n, n)."""
    return np.asarray(covariance + TAU_GRID_MM[:, None, None] ** 2 * np.eye(len(covariance)))


def smooth_design(position: Array) -> Array:
    """Return the columns of a quadratic (cubic from eight crowns on), (n, 3 or 4), orthonormal."""
    x = 2 * (position - position.min()) / np.ptp(position) - 1
    return np.linalg.qr(np.vander(x, 4 if len(x) >= 8 else 3, increasing=True))[0]


def restricted_fit(gap: Array, total: Array, *, design: Array) -> tuple[Array, Array]:
    """Return the restricted log-likelihood of a total covariance and its projection P (see the module).

    Parameters
    ----------
    gap
        (n,) gaps.
    total
        (..., n, n) one covariance, or many at once.
    design
        (n, p) columns of the smooth part.

    Returns
    -------
    tuple
        (...) log-likelihoods and (..., n, n) projections.
    """
    inverse = np.linalg.inv(total)
    weighted = design.T @ inverse
    information = weighted @ design
    projection = inverse - np.swapaxes(weighted, -1, -2) @ np.linalg.solve(information, weighted)
    misfit = np.einsum("i,...ij,j->...", gap, projection, gap)
    return -0.5 * (np.linalg.slogdet(total)[1] + np.linalg.slogdet(information)[1] + misfit), projection


def _collect(weight: Array, means: list[Array], *, covs: list[Array]) -> CrownPosterior:
    mean = np.tensordot(weight, np.array(means), axes=1)
    away = np.array(means) - mean
    cov = np.tensordot(weight, np.array(covs), axes=1) + np.einsum("t,ti,tj->ij", weight, away, away)
    rng = np.random.default_rng(SEED)
    counts = np.floor(weight * DRAWS).astype(int)
    counts[int(np.argmax(weight))] += DRAWS - counts.sum()
    draws = [
        m + rng.standard_normal((count, len(mean))) @ _root(c).T
        for m, c, count in zip(means, covs, counts, strict=True)
        if count
    ]
    return CrownPosterior(frozen_array(mean), frozen_array(cov), frozen_array(np.concatenate(draws)))


def _root(cov: Array) -> Array:
    """A square root of a covariance that may be singular."""
    value, vector = np.linalg.eigh((cov + cov.T) / 2)
    return np.asarray(vector * np.sqrt(np.clip(value, 0, None)))
