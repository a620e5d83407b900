"""How far crowns, and the feet of their frets, are believed where they are joined."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.neck.posterior import bend_covariance
from lightgap.neck.profile import Array

from .along import along_board, through_most
from .feet import WIRE_MM, Feet
from .readings import CrownSet

# All feet in one curve along the board: its radius and taper, what an end's bevel hides. By own renders with truth.
U_BOW_OUTER_MM, U_BOW_MIDDLE_MM = 0.016, 0.02
# ... where their ends were read as well.
U_BOW_ENDS_OUTER_MM, U_BOW_ENDS_MIDDLE_MM = 0.012, 0.01
# The same where few ends stand out: the row may be the board's border, or what lies along it.
U_BOW_FAINT_MM = 0.045
# Crowns about a smooth neck: what lets them scatter by more than their own uncertainty bends them too, and where they
# scatter less they are surer. At least, and for each standard uncertainty that they scatter, for pixels and outlines
# (by own renders with truth); as many more crowns, of a usual scatter, are reckoned with.
LEAST_DOUBT, DOUBT_PER_SCATTER = (1.0, 0.85), (1.0, 1.4)
USUAL_SCATTER, PRIOR_CROWNS, MOST_SCATTER = (1.2, 1.3), 2.0, 5.0
CUBIC_FROM = 9  # crowns from which on a smooth neck may bend both ways
# Crowns bent by so much were seen, feet with ends by a third of it at most, others of a sure row by half (by own
# renders with truth): more speaks against the feet as well.
MAX_EXCESS_MM = 0.2
# Standard deviations of a neck's bend, as the posterior takes it, past which a row of fewer than nine feet is believed
# less: by own renders with truth necks bend there by 0.7 of it rms; of 48 sure rows along the middle six were past 1.5,
# four of them misread by 0.06 mm and more, one right to 0.01. Of fewer than four feet no bow can be told.
MOST_BENT, MIN_BENT = 1.5, 4
# Of each fret of which no crown was seen: it may be worn, high or loose. (By own renders with truth, in which
# one fret in seventy is.)
U_UNSEEN_MM = 0.03
# The same where the fret's end was read, or stands off the row as far as its foot: only wear, under the strings, does
# not show there (common practice, no published source).
U_WORN_MM = 0.012
# Crowns that leave the bow so open have locked on nothing; only feet that bear them out bend them.
MAX_BOW_U_MM = 0.09


@dataclass(frozen=True, slots=True)
class Told:
    """Of n feet as readings of their crowns: standard uncertainty of each, and what a crown not seen may hide."""

    u_mm: Array
    unseen_mm: Array


def u_unseen_mm(feet: Feet, *, outer: bool) -> Array:
    """Return (n,) what each crown may hide where it is not seen.

    Beside the outer string ends hide their tops: one there tells only what its foot, off the row as far, tells too.
    """
    known = feet.with_end & (not outer)
    known = known if feet.borne_out is None else known | feet.borne_out
    return np.where(known, U_WORN_MM, U_UNSEEN_MM)


def feet_covariance_mm2(feet: Feet, along: Array, told: Told, *, u_compound_mm: float, outer: bool) -> Array:
    """Return the (n, n) covariance of feet, but for the height and tilt that are common to all of them.

    Parameters
    ----------
    feet
        The row.
    along
        (n,) places along the board, scaled to -1 .. 1, of those that tell.
    told
        Of the same.
    u_compound_mm
        What a board that grows flatter adds.
    outer
        The straightedge lies beside the outer string.
    """
    usual, borne_out = (U_BOW_OUTER_MM, U_BOW_ENDS_OUTER_MM) if outer else (U_BOW_MIDDLE_MM, U_BOW_ENDS_MIDDLE_MM)
    u_bow_mm = U_BOW_FAINT_MM if not feet.is_sure else borne_out if feet.by_ends else usual
    bow = float(np.hypot(u_bow_mm, u_compound_mm)) * (along**2 - 1 / 3)
    return np.asarray(np.diag(told.u_mm**2 + told.unseen_mm**2) + np.outer(bow, bow))


def edge_covariance_mm2(crowns: CrownSet, along: Array, u_edge_px: float) -> Array:
    """Return the (n, n) covariance that the bend of the straightedge's edge, u_edge_px, leaves in all gaps under it."""
    bow = u_edge_px / crowns.camera.comb.px_per_mm * (along**2 - 1 / 3)
    return np.outer(bow, bow)


def doubt_by_scatter(crowns: CrownSet, own_u_mm: Array) -> float:
    """Return by which factor crowns are less sure than they say, from how they scatter about a smooth neck.

    The ratio of R. T. Birge (Physical Review 40, 1932): the root of chi-square for each degree of freedom, of what is
    left by a polynomial through most of them.

    Parameters
    ----------
    crowns
        As read.
    own_u_mm
        (n,) how sure each is by itself.
    """
    kind = 0 if crowns.by_pixels else 1
    n = len(crowns.crowns)
    order = 3 if n >= CUBIC_FROM else 2
    along, expected = along_board(crowns.position_mm), np.hypot(own_u_mm, WIRE_MM)
    square, free = PRIOR_CROWNS * USUAL_SCATTER[kind] ** 2, PRIOR_CROWNS
    if n > order + 1:
        curve, _ = through_most(along, crowns.gap_mm, np.min(expected) / expected, order=order)
        scatter = np.minimum(np.abs(crowns.gap_mm - curve) / expected, MOST_SCATTER)
        square, free = square + float((scatter**2).sum()), free + n - order - 1
    return max(LEAST_DOUBT[kind], DOUBT_PER_SCATTER[kind] * float(np.sqrt(square / free)))


def bow_excess_mm2(along: Array, apart: Array, covariance_mm2: Array) -> float:
    """Return by how much the bows of crowns and feet are farther apart than both uncertainties have it, squared.

    What the model of crowns leaves out bends them all alike, and now and then by several standard uncertainties. Added
    to their variance (after R. C. Paule and J. Mandel, Consensus values and weighting factors, Journal of Research of
    the National Bureau of Standards 87, 1982) it leaves the bow to feet whose ends were read, and to a sure row along
    the middle.
    """
    powers = np.stack([np.ones_like(along), along, along**2 - 1 / 3], axis=1)
    weighed = np.linalg.solve(covariance_mm2, powers)
    variance = np.linalg.inv(powers.T @ weighed)
    bow = float((variance @ weighed.T @ apart)[2])
    return max(bow * bow - float(variance[2, 2]), 0.0)


def beyond_necks_mm2(place_mm: Array, level_mm: Array, covariance_mm2: Array) -> float:
    """Return by how much a short row of feet bends more than necks do, squared; 0 for a long one.

    Their bow squared, less what necks and their own uncertainty make likely (after Paule and Mandel, as for crowns).

    Parameters
    ----------
    place_mm, level_mm
        (n,) places of the feet along the board, and how low they lie.
    covariance_mm2
        (n, n) of them.
    """
    if not MIN_BENT <= len(place_mm) < CUBIC_FROM:
        return 0.0
    powers = np.vander(along_board(place_mm), 3)
    weighed = np.linalg.solve(covariance_mm2, powers)
    told = np.linalg.solve(powers.T @ weighed, weighed.T)[0]
    likely_mm2 = float(told @ (bend_covariance(place_mm) + covariance_mm2) @ told)
    return max(float(told @ level_mm) ** 2 - MOST_BENT**2 * likely_mm2, 0.0)


def leaves_bow_open(crowns: CrownSet, covariance_mm2: Array) -> bool:
    """Tell whether crowns, of (n, n) covariance, tell so little of the neck's bow that they have locked on nothing."""
    return _bow_u_mm(crowns.position_mm, covariance_mm2) > MAX_BOW_U_MM


def _bow_u_mm(place: Array, covariance_mm2: Array) -> float:
    """Return how open the crowns together leave the bow of the neck, in standard uncertainties."""
    along = along_board(place)
    powers = np.vander(along, 3)
    information = powers.T @ np.linalg.solve(covariance_mm2, powers)
    return float(np.sqrt(np.linalg.inv(information)[0, 0]))
