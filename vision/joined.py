"""Crowns and feet of the same frets, joined: what the crowns alone tell, bent as the feet tell.

Generalized least squares (A. C. Aitken, 1935): both readings with their covariances, a height of the wire and a tilt
common to all feet left free. A crown that stands off its foot as no other does was misread, or is worn, or not driven
home: no number is given for it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.contact import rest_on
from lightgap.neck.profile import Array

from .feet import MIN_FACES, Feet, along_board, through_most
from .readings import MIN_SHARE, CrownFit, CrownSet
from .shading import Mask

# All feet in one curve along the board: its radius and taper, what an end's bevel hides. By own renders with truth.
U_BOW_OUTER_MM, U_BOW_MIDDLE_MM = 0.016, 0.025
# ... where their ends were read as well.
U_BOW_ENDS_OUTER_MM, U_BOW_ENDS_MIDDLE_MM = 0.012, 0.0145
# The same where few ends stand out: the row may be the board's border, or what lies along it.
U_BOW_FAINT_MM = 0.045
# Crowns by themselves: what the models of pixels and of outlines lack beside their own uncertainty (by own renders with
# truth).
ALONE_PIXELS, ALONE_OUTLINES = 1.2, 1.8
U_HEIGHT_MM, U_TILT_MM = 1.5, 0.5  # of the wire, and from end to end: free
LONE, LONE_MM = 3.0, 0.06  # a crown that stands off its foot by so many standard uncertainties, and at least so far
# Chi-square for each foot past which crowns and feet contradict each other, and doubt of either is added.
MAX_CHI_SQUARE = 2.5
MIN_JOINED = 4
OPEN_MM = 10.0  # of a crown that was not read
# Under the straightedge: a fret's height, from low wires to tall ones (common practice, no published source), and what
# a camera above the board's slope adds.
BORDER_MM = (0.6, 1.6)
ALONE_SCORE, ALONE_FACES = 0.9, 0.55  # of feet that no crown bears out; by own renders with truth
# The highest of them under the edge: a fret's height and a bevel, and from the middle what a camera one degree below
# the board or three above it adds over half a board's width (common practice, no published source).
FOOT_OUTER_MM, FOOT_MIDDLE_MM = (0.5, 1.9), (0.2, 2.9)
# Of each fret of which no crown was seen: it may be worn, high or loose. (By own renders with truth, in which
# one fret in a hundred is.)
U_UNSEEN_MM = 0.03
# The same where the fret's end was read: only wear, under the strings, does not show there (common practice, no
# published source).
U_WORN_MM = 0.012
# Of a crown that no foot bears out beside others that feet do: at a row's end, where most are misread (by own renders
# with truth).
U_UNBORNE_MM = 0.05
# Of the line through the frets it rests on: its weight, or a hand, is not at its middle, and they may be the next ones,
# a twentieth of a millimetre lower (common practice, no published source).
U_LEVEL_MM = 0.05
# Crowns that leave the bow so open have locked on nothing; only feet whose ends stand out bend them.
MAX_BOW_U_MM = 0.09


@dataclass(frozen=True, slots=True)
class Joined:
    """Gaps of n crowns by crowns and feet.

    Attributes
    ----------
    crowns
        With the gaps joined; without those that stand off their feet.
    own_u_mm
        (n,) how sure each crown was by itself.
    covariance_mm2
        (n, n) of them.
    share
        (n, n) how the joined gaps change with those that the crowns alone told.
    feet_covariance_mm2, edge_covariance_mm2
        (n, n) what the feet add, and the edge under which both are seen; zero where none were joined.
    widened
        By which factor the crowns' uncertainty, `own_u_mm` included, was widened in the covariance.
    off_feet
        How many crowns stood off their feet and are left out.
    by_foot
        Frets whose crowns were not read, so that their feet speak for them.
    agree
        Crowns and feet tell the same bend, and nearly all feet have an end that stands out.
    rests
        Of feet alone: the straightedge rests in view, on the highest of them.
    """

    crowns: CrownSet
    own_u_mm: Array = field(repr=False)
    covariance_mm2: Array = field(repr=False)
    share: Array = field(repr=False)
    feet_covariance_mm2: Array = field(repr=False)
    edge_covariance_mm2: Array = field(repr=False)
    widened: float = 1.0
    off_feet: int = 0
    by_foot: tuple[int, ...] = ()
    agree: bool = False
    rests: bool = True


def join(
    crowns: CrownSet,
    covariance_mm2: Array,
    own_u_mm: Array,
    feet: Feet | None,
    *,
    frets: NDArray[np.int64],
    position_mm: Array,
    u_edge_px: float,
) -> Joined:
    """Join crowns with the feet of their frets.

    Parameters
    ----------
    crowns, covariance_mm2
        The m gaps by the crowns, with their (m, m) covariance.
    own_u_mm
        (m,) how sure each crown is by itself, whatever moves all in common.
    feet
        Of all n frets; None, or what is no row, leaves the crowns as they are.
    frets, position_mm
        (n,) numbers and places of all frets under the straightedge. Where a crown was not read, a row that only feet
        make speaks for it.
    u_edge_px
        Of the bend of the straightedge's edge, on which both readings rest.
    """
    if feet is None or not feet.is_row or (leaves_bow_open(crowns, covariance_mm2) and not feet.bears_out):
        return _as_read(crowns, own_u_mm, covariance_mm2, u_edge_px)
    # Beside a row that may be no feet's crowns keep the doubt that they have alone, and none gives way to it.
    wide = 1.0 if feet.is_sure else _alone_factor(crowns)
    covariance_mm2, own_u_mm = wide**2 * covariance_mm2, wide * own_u_mm
    fall = _fall_mm(crowns, position_mm)
    read = np.searchsorted(frets, [c.fret for c in crowns.crowns])
    astray = np.nan if feet.astray_mm is None else feet.astray_mm
    level = np.where(feet.seen, feet.below_mm, astray)[read] - fall[read]
    apart = level - crowns.gap_mm
    u_mm = np.hypot(feet.u_each_mm[read], own_u_mm)
    off = _stands_off(along_board(crowns.position_mm), apart, u_mm)
    # A foot off the row counts where its crown bears it out: then the fret stands high or low as a whole.
    apart[off] = np.nan
    kept = np.flatnonzero(~(off & feet.seen[read] & feet.is_sure))
    # Feet speak beside crowns, not for most of them: that they may only where they stand alone.
    speak = feet.is_sure and len(kept) >= MIN_SHARE * len(frets)
    # A fret whose foot and end agree against its crown is told by them.
    silent = np.setdiff1d(read, read[off & feet.with_end[read]])
    unread = np.setdiff1d(np.flatnonzero(feet.seen), silent) if speak else np.array([], dtype=np.intp)
    apart, given = apart[kept], crowns.only(kept)
    if np.isfinite(apart).sum() < MIN_JOINED:
        here = np.ix_(kept, kept)
        alone = _as_read(given, own_u_mm[kept] / wide, covariance_mm2[here] / wide**2, u_edge_px)
        return replace(alone, off_feet=len(read) - len(kept))
    level_mm = feet.below_mm[unread] - fall[unread] - float(np.nanmedian(apart))
    whole, order = _with_unread(given, frets[unread], position_mm[unread], level_mm)
    unborne = np.where(np.isfinite(apart), 0.0, U_UNBORNE_MM)
    own = np.concatenate([np.hypot(own_u_mm[kept], unborne), np.zeros(len(unread))])[order]
    apart = np.concatenate([apart, np.full(len(unread), np.nanmedian(apart))])[order]
    by_crown = np.zeros((len(order), len(order)))
    by_crown[: len(kept), : len(kept)] = covariance_mm2[np.ix_(kept, kept)] + np.diag(unborne**2)
    by_crown[len(kept) :, len(kept) :] = OPEN_MM**2 * np.eye(len(unread))
    by_crown = by_crown[np.ix_(order, order)]
    of_feet = np.concatenate([read[kept], unread])[order]
    unseen = np.where(order >= len(kept), _u_unseen_mm(feet, outer=crowns.camera.beside_outer)[of_feet], 0.0)
    told = _Told(feet.u_each_mm[of_feet], unseen)
    joined = _joined(whole, by_crown, own / wide, feet, apart=apart, told=told, u_edge_px=u_edge_px)
    return replace(joined, widened=wide, off_feet=len(read) - len(kept), by_foot=tuple(frets[unread].tolist()))


def _with_unread(
    crowns: CrownSet, frets: NDArray[np.int64], position_mm: Array, gap_mm: Array
) -> tuple[CrownSet, NDArray[np.intp]]:
    """Return crowns with rows for frets that were not read put in, and the order in which they lie now."""
    # The comb is off beside them as it is at their neighbours.
    shift_mm = np.interp(position_mm, crowns.position_mm, [c.place_mm for c in crowns.crowns])
    unread = _rows(frets, position_mm, gap_mm, crowns.camera.slant(position_mm))
    moved = (replace(row, place_mm=float(shift)) for row, shift in zip(unread, shift_mm, strict=True))
    rows = [*crowns.crowns, *moved]
    order = np.argsort([c.fret for c in rows])
    more = len(frets)
    covariance = np.pad(crowns.covariance_mm2, (0, more))[np.ix_(order, order)]
    sensitivity = np.pad(crowns.sensitivity, ((0, more), (0, 0)))[order]
    ordered = tuple(rows[i] for i in order)
    return replace(crowns, crowns=ordered, covariance_mm2=covariance, sensitivity=sensitivity), order


def _rows(frets: NDArray[np.int64], position_mm: Array, gap_mm: Array, slant: Array) -> tuple[CrownFit, ...]:
    """Return rows for frets of which only the foot was seen."""
    return tuple(
        CrownFit(int(fret), float(x), float(g), 0, 0.0, float(s), 0.0)
        for fret, x, g, s in zip(frets, position_mm, gap_mm, slant, strict=True)
    )


def _joined(
    crowns: CrownSet,
    covariance_mm2: Array,
    own_u_mm: Array,
    feet: Feet,
    *,
    apart: Array,
    told: _Told,
    u_edge_px: float,
) -> Joined:
    """Return the generalized least squares of gaps and of the feet that stand `apart` below them."""
    along = along_board(crowns.position_mm)
    seen = np.flatnonzero(np.isfinite(apart))
    by_feet = _covariance(feet, along, told, outer=crowns.camera.beside_outer)[np.ix_(seen, seen)]
    if feet.bears_out and feet.by_ends:
        excess = _bow_excess_mm2(along[seen], apart[seen], covariance_mm2[np.ix_(seen, seen)] + by_feet)
        bow = along**2 - 1 / 3
        covariance_mm2 = covariance_mm2 + excess * np.outer(bow, bow)
    free = U_HEIGHT_MM**2 + U_TILT_MM**2 * np.outer(along[seen], along[seen])
    both = covariance_mm2[np.ix_(seen, seen)] + by_feet + free
    gain = np.linalg.solve(both, covariance_mm2[seen]).T
    share = np.eye(len(along))
    share[:, seen] -= gain
    change = gain @ apart[seen]
    edge = _edge_covariance(crowns, along, u_edge_px)
    covariance = share @ covariance_mm2 + edge
    # A fret of which only the foot was seen tells nothing against its crown.
    free_to_differ = max(int((told.unseen_mm[seen] == 0).sum()) - 2, 1)
    chi_square = float(apart[seen] @ np.linalg.solve(both, apart[seen])) / free_to_differ
    alike, added = chi_square < MAX_CHI_SQUARE, gain @ by_feet @ gain.T
    if not alike:
        # The truth may lie anywhere between: JCGM 100:2008, 4.3.7.
        bent = (change - np.polyval(np.polyfit(along, change, 1), along)) / np.sqrt(3)
        covariance, added = covariance + np.outer(bent, bent), added + np.outer(bent, bent)
    moved = tuple(replace(c, gap_mm=c.gap_mm + float(d)) for c, d in zip(crowns.crowns, change, strict=True))
    agree = alike and feet.bears_out
    return Joined(
        replace(crowns, crowns=moved), own_u_mm, (covariance + covariance.T) / 2, share, added, edge, agree=agree
    )


def _bow_excess_mm2(along: Array, apart: Array, covariance_mm2: Array) -> float:
    """Return by how much the bows of crowns and feet are farther apart than both uncertainties have it, squared.

    What the model of crowns leaves out bends them all alike, and now and then by several standard uncertainties. Added
    to their variance (after R. C. Paule and J. Mandel, Consensus values and weighting factors, Journal of Research of
    the National Bureau of Standards 87, 1982) it leaves the bow to feet whose ends stand out.
    """
    powers = np.stack([np.ones_like(along), along, along**2 - 1 / 3], axis=1)
    weighed = np.linalg.solve(covariance_mm2, powers)
    variance = np.linalg.inv(powers.T @ weighed)
    bow = float((variance @ weighed.T @ apart)[2])
    return max(bow * bow - float(variance[2, 2]), 0.0)


def border_read(crowns: CrownSet) -> bool:
    """Tell whether outlines beside the outer string are the board's border, a fret's height under the crowns."""
    low, high = BORDER_MM
    return bool(crowns.camera.beside_outer and low < crowns.lowest_gap_mm < high)


def stand_alone(crowns: CrownSet, feet: Feet, position_mm: Array) -> bool:
    """Tell whether feet prove frets that no crown bears out.

    Fret ends are short arcs that many things resemble: the row must be stronger than others need to be, most ends stand
    out from what is beside them, and the highest foot lies a fret's height under the edge: under a string or another
    line that passed for the edge it lies deeper. A row a fret's height over the border that was read for crowns is no
    other's.

    Parameters
    ----------
    crowns
        As they were read: their camera and board stand.
    feet
        Of the n frets at `position_mm` (n,) from the nut.
    position_mm
        Places of the frets.
    """
    if not (feet.is_sure and feet.score > ALONE_SCORE):
        return False
    low, high = FOOT_OUTER_MM if crowns.camera.beside_outer else FOOT_MIDDLE_MM
    highest = float(np.nanmin(feet.below_mm - _fall_mm(crowns, position_mm)))
    return bool(low < highest < high and feet.faces > (MIN_FACES if border_read(crowns) else ALONE_FACES))


def leaves_bow_open(crowns: CrownSet, covariance_mm2: Array) -> bool:
    """Tell whether crowns, of (n, n) covariance, tell so little of the neck's bow that they have locked on nothing."""
    return _bow_u_mm(crowns.position_mm, covariance_mm2) > MAX_BOW_U_MM


def feet_alone(
    crowns: CrownSet, feet: Feet, *, frets: NDArray[np.int64], position_mm: Array, u_edge_px: float, rests: bool
) -> Joined:
    """Return gaps by the feet alone.

    Beside the outer string the highest foot is taken for touching. From the middle of the board the row is seen with a
    tilt that the camera's height and the board's taper make: the straightedge is taken to rest on the two frets on
    either side of its middle, as a rigid one does.

    Parameters
    ----------
    crowns
        As they were read: their camera and board stand.
    feet
        A sure row, of the n frets.
    frets, position_mm
        (n,) numbers and places of the frets.
    u_edge_px
        Of the bend of the straightedge's edge.
    rests
        Nothing out of view can bear the straightedge.
    """
    seen = np.flatnonzero(feet.seen)
    place = position_mm[seen]
    along = along_board(place)
    gap = feet.below_mm[seen] - _fall_mm(crowns, place)
    each = _Told(feet.u_each_mm[seen], _u_unseen_mm(feet, outer=crowns.camera.beside_outer)[seen])
    told = _covariance(feet, along, each, outer=crowns.camera.beside_outer)
    if crowns.camera.beside_outer:
        gap = gap - gap.min()
    else:
        a, b = rest_on(place, -gap, load_mm=float(place[0] + place[-1]) / 2)
        gap = gap - gap[a] - (gap[b] - gap[a]) / (place[b] - place[a]) * (place - place[a])
        told = told + U_LEVEL_MM**2 * np.outer(along, along)
    rows = _rows(frets[seen], place, gap, crowns.camera.slant(place))
    edge, none = _edge_covariance(crowns, along, u_edge_px), np.zeros((len(seen), len(seen)))
    read = CrownSet(rows, told + edge, np.zeros((len(seen), 6)), crowns.outline, crowns.camera, by_feet=True)
    return Joined(read, np.zeros(len(seen)), told + edge, none, told, edge, rests=rests)


def _as_read(crowns: CrownSet, own_u_mm: Array, covariance_mm2: Array, u_edge_px: float) -> Joined:
    edge = _edge_covariance(crowns, along_board(crowns.position_mm), u_edge_px)
    none = np.zeros_like(covariance_mm2)
    wide = _alone_factor(crowns)
    return Joined(crowns, own_u_mm, wide**2 * covariance_mm2 + edge, np.eye(len(none)), none, edge, wide)


def _alone_factor(crowns: CrownSet) -> float:
    return ALONE_PIXELS if crowns.by_pixels else ALONE_OUTLINES


@dataclass(frozen=True, slots=True)
class _Told:
    """Of n feet as readings of their crowns: standard uncertainty of each, and what a crown not seen may hide."""

    u_mm: Array
    unseen_mm: Array


def _u_unseen_mm(feet: Feet, *, outer: bool) -> Array:
    """Return (n,) what each crown may hide where it is not seen; beside the outer string ends hide their tops."""
    return np.where(feet.with_end & (not outer), U_WORN_MM, U_UNSEEN_MM)


def _covariance(feet: Feet, along: Array, told: _Told, *, outer: bool) -> Array:
    """Return the (n, n) covariance of feet, but for what is common to all of them."""
    usual, borne_out = (U_BOW_OUTER_MM, U_BOW_ENDS_OUTER_MM) if outer else (U_BOW_MIDDLE_MM, U_BOW_ENDS_MIDDLE_MM)
    u_bow_mm = U_BOW_FAINT_MM if not feet.is_sure else borne_out if feet.by_ends else usual
    bow = u_bow_mm * (along**2 - 1 / 3)
    return np.asarray(np.diag(told.u_mm**2 + told.unseen_mm**2) + np.outer(bow, bow))


def _edge_covariance(crowns: CrownSet, along: Array, u_edge_px: float) -> Array:
    bow = u_edge_px / crowns.camera.comb.px_per_mm * (along**2 - 1 / 3)
    return np.outer(bow, bow)


def _fall_mm(crowns: CrownSet, place_mm: Array) -> Array:
    """Return how far a round board falls from the middle, where the crowns are seen, to its border at each fret."""
    camera = crowns.camera
    if camera.beside_outer:
        return np.zeros_like(place_mm)
    half_mm = camera.ends_mm(place_mm)
    return np.asarray(0.5 * crowns.outline.board_per_mm * half_mm * half_mm)


def _bow_u_mm(place: Array, covariance_mm2: Array) -> float:
    """Return how open the crowns together leave the bow of the neck, in standard uncertainties."""
    along = along_board(place)
    powers = np.vander(along, 3)
    information = powers.T @ np.linalg.solve(covariance_mm2, powers)
    return float(np.sqrt(np.linalg.inv(information)[0, 0]))


def _stands_off(along: Array, apart: Array, u_mm: Array) -> Mask:
    """Tell which crowns stand off the bow that most of them make over their feet."""
    bow, _ = through_most(along, apart, np.ones_like(along), order=2)
    off = np.abs(apart - bow)
    return np.asarray(np.isfinite(off) & (off > np.maximum(LONE * u_mm, LONE_MM)))
