"""Contact: where a rigid straightedge rests, no light shows."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from .posterior import crown_posterior
from .profile import Array, GapProfile

SIDES_AGREE_SIGMA = 2.0


def rezero_on_contact(profile: GapProfile) -> GapProfile:
    """Take out of the gaps the constant that keeps the straightedge from touching.

    A rigid straightedge rests on at least two crowns, one either side of its centre of mass, or rocks on the crowns in
    the middle of a back-bow, which again stand either side of it. The constant is therefore the lowest gap on each
    side, averaged when the two agree, the lower one when they do not (the straightedge then rests on a crown that is
    not in the profile, or its centre is not that of the profile). Nothing but this one constant is taken out.

    Parameters
    ----------
    profile
        Gaps with a common, unknown offset. Crowns marked `touching` are taken as the contacts. It must hold the
        crowns the straightedge rests on: a close-up of the middle of an up-bow must not be re-zeroed.

    Returns
    -------
    GapProfile
        Same crowns, gaps re-zeroed, contacts marked `touching`. The covariance is carried through the subtraction,
        which correlates all gaps through their common constant.

    Notes
    -----
    Which crown touches is uncertain when several lie within the noise. The constant is a weighted mean of the crowns,
    weights being their chance of being the lowest (`crown_posterior`), less the bias of the lowest of noisy values;
    the spread of the constant beyond the linear part is added as a variance common to all gaps.
    """
    flagged = np.array([c.touching for c in profile.crowns])
    weight, bias, extra = _flagged_weights(profile, flagged) if flagged.any() else _likely_weights(profile)
    n = len(profile.crowns)
    shift = np.eye(n) - np.outer(np.ones(n), weight)
    gap = shift @ profile.gap_mm - bias
    covariance = shift @ profile.covariance_mm2 @ shift.T + extra
    crowns = tuple(
        replace(c, gap_mm=float(g), u_gap_mm=float(np.sqrt(max(v, 0.0))), touching=bool(c.touching or w > 0.25))
        for c, g, v, w in zip(profile.crowns, gap, np.diag(covariance), weight, strict=True)
    )
    return replace(profile, crowns=crowns, covariance_mm2=covariance)


def upper_hull(x_mm: Array, y_mm: Array) -> list[int]:
    """Return the indices of the upper convex hull of points in order of x (monotone chain).

    Parameters
    ----------
    x_mm, y_mm
        (n,) places along the board, growing, and heights.
    """
    hull: list[int] = []
    for i in range(len(x_mm)):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (y_mm[b] - y_mm[a]) * (x_mm[i] - x_mm[a]) > (y_mm[i] - y_mm[a]) * (x_mm[b] - x_mm[a]):
                break
            hull.pop()
        hull.append(i)
    return hull


def rest_on(x_mm: Array, y_mm: Array, *, load_mm: float) -> tuple[int, int]:
    """Return the two points a rigid straight bar rests on under a load.

    The bar lies on the edge of the upper hull under its load; outside all points it lies on the last edge, held by
    the hand that presses there.

    Parameters
    ----------
    x_mm, y_mm
        (n,) places along the board, growing, and heights.
    load_mm
        Where its weight, and what presses on it, acts.

    Raises
    ------
    ValueError
        Of fewer than two points.
    """
    hull = upper_hull(x_mm, y_mm)
    for a, b in pairwise(hull):
        if load_mm <= x_mm[b] or b == hull[-1]:
            return a, b
    raise ValueError(f"a straightedge needs two crowns under it; got {len(x_mm)}")


def _flagged_weights(profile: GapProfile, flagged: Array) -> tuple[Array, float, float]:
    """Minimum-variance mean of the crowns known to touch."""
    index = np.flatnonzero(flagged)
    cov = profile.covariance_mm2[np.ix_(index, index)]
    cov = cov + 1e-12 * np.eye(len(index))
    part = np.linalg.solve(cov, np.ones(len(index)))
    part = np.clip(part, 0, None)
    weight = np.zeros(len(profile.crowns))
    weight[index] = part / part.sum()
    return weight, 0.0, 0.0


def _likely_weights(profile: GapProfile) -> tuple[Array, float, float]:
    """Chance of each crown to be a contact, bias of the lowest and variance of the constant beyond the linear part."""
    post = crown_posterior(profile)
    draws, gap = post.draws_mm, profile.gap_mm
    middle = (profile.position_mm[0] + profile.position_mm[-1]) / 2
    left = profile.position_mm <= middle
    sides = [s for s in (left, ~left) if s.any()]
    lows = np.array([draws[:, s].min(axis=1) for s in sides])
    if len(sides) == 2:
        gulf = lows[0] - lows[1]
        if abs(gulf.mean()) > SIDES_AGREE_SIGMA * gulf.std() + 1e-9:
            sides, lows = [np.ones(len(gap), dtype=bool)], draws.min(axis=1)[None]
    weight = np.zeros(len(gap))
    for side in sides:
        index = np.flatnonzero(side)
        winner = index[np.argmin(draws[:, side], axis=1)]
        weight += np.bincount(winner, minlength=len(gap)) / len(winner) / len(sides)
    constant = lows.mean(axis=0)
    bias = float(constant.mean() - weight @ gap)
    extra = max(0.0, float(constant.var() - weight @ post.covariance_mm2 @ weight))
    return weight, bias, extra
