"""Crowns next to those that were read, carried on from them: the neck bends smoothly, frets scatter about it.

Under a model like that of `posterior` the best linear unbiased prediction (A. S. Goldberger, 1962) of one more crown is
the smoothing spline carried on past its last knot, and its variance says how far a neck may have bent in between.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from .posterior import bend_covariance
from .profile import Array, CrownGap, GapProfile

BEND_PER_ROOT_MM = 3e-4  # of the curvature of necks in the mean, mm^(-1/2) (by simulated necks of all shapes)
U_FRET_MM = 0.016  # of fret heights, odd frets included (common practice, no published source)
MIN_CROWNS = 4


@dataclass(frozen=True, slots=True)
class Extrapolated:
    """A profile of n crowns, m of which were carried on from the others.

    Attributes
    ----------
    profile
        All of them; those carried on are marked `extrapolated`.
    weights
        (n, n - m) how each gap hangs on those read: rows of the identity for these themselves.
    bend_covariance_mm2
        (n, n) how far the crowns carried on may stand off with all the others known exactly; zero for those read.
    """

    profile: GapProfile
    weights: Array = field(repr=False)
    bend_covariance_mm2: Array = field(repr=False)


def extrapolate(profile: GapProfile, position_mm: Mapping[int, float]) -> Extrapolated:
    """Return a profile with more crowns, carried on from the others.

    Parameters
    ----------
    profile
        `MIN_CROWNS` crowns or more, unless nothing is to be carried on.
    position_mm
        For the number of each fret to be put in, its place from the nut.

    Raises
    ------
    ValueError
        The profile has one of these frets, or too few to tell a bend.
    """
    twice = sorted(set(position_mm) & set(profile.frets))
    if twice:
        raise ValueError(f"fret {twice[0]} is in the profile")
    read, more = len(profile.crowns), len(position_mm)
    if not more:
        return Extrapolated(profile, np.eye(read), np.zeros((read, read)))
    if read < MIN_CROWNS:
        raise ValueError(f"{read} crowns tell no bend to carry on")
    weights, bend = _prediction(profile, np.array(list(position_mm.values())))
    whole = np.vstack([np.eye(read), weights])
    bend = np.pad(bend, (read, 0))
    covariance = whole @ profile.covariance_mm2 @ whole.T + bend
    covariance = (covariance + covariance.T) / 2
    gap, u_mm = whole @ profile.gap_mm, np.sqrt(np.diag(covariance))
    crowns = [*profile.crowns]
    for i, (fret, place) in enumerate(position_mm.items(), start=read):
        crowns.append(CrownGap(fret, place, float(gap[i]), float(u_mm[i]), extrapolated=True))
    order = np.argsort([c.fret for c in crowns])
    ordered = replace(profile, crowns=tuple(crowns[i] for i in order), covariance_mm2=covariance[np.ix_(order, order)])
    return Extrapolated(ordered, whole[order], bend[np.ix_(order, order)])


def _prediction(profile: GapProfile, at_mm: Array) -> tuple[Array, Array]:
    """Return the weights (m, n) of the gaps, and the covariance (m, m) left with all of these known exactly."""
    n, place = len(profile.crowns), np.concatenate([profile.position_mm, at_mm])
    true = bend_covariance(place, per_root_mm=BEND_PER_ROOT_MM) + U_FRET_MM**2 * np.eye(len(place))
    line = np.vander(place - place.mean(), 2)
    inverse = np.linalg.inv(true[:n, :n] + profile.covariance_mm2)
    lacking = line[n:] - true[n:, :n] @ inverse @ line[:n]
    weights = (true[n:, :n] + lacking @ np.linalg.solve(line[:n].T @ inverse @ line[:n], line[:n].T)) @ inverse
    cross = weights @ true[:n, n:]
    left = weights @ true[:n, :n] @ weights.T - cross - cross.T + true[n:, n:]
    return weights, (left + left.T) / 2
