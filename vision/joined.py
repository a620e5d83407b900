"""Crowns and feet of the same frets, joined: what the crowns alone tell, bent as the feet tell.

Generalized least squares (A. C. Aitken, 1935): both readings with their covariances, a height of the wire and a tilt
common to all feet left free. A crown that stands off its foot as no other does was misread, or is worn, or not driven
home. Where the fret's end was read it tells which; elsewhere no number is given for it, unless a single fret may be as
bad. Nor is one given at an end that no foot bears out.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .along import along_board, carried_on, through_most
from .doubts import (
    MAX_EXCESS_MM,
    Told,
    beyond_necks_mm2,
    bow_excess_mm2,
    doubt_by_scatter,
    edge_covariance_mm2,
    feet_covariance_mm2,
    leaves_bow_open,
    u_unseen_mm,
)
from .fall import fall_mm, u_compound_mm
from .feet import Feet
from .readings import MIN_SHARE, CrownFit, CrownSet
from .shading import Mask

U_HEIGHT_MM, U_TILT_MM = 1.5, 0.5  # of the wire, and from end to end: free
LONE, LONE_MM = 3.0, 0.06  # a crown that stands off its foot by so many standard uncertainties, and at least so far
# A single crown that stands off its foot by so many times what the others scatter, at least so far, and twice as far as
# any but its neighbours: its fret is bad, which no foot shows, or it was misread. Of 20 such beside the outer string 14
# were bad, of 27 along the middle 10; where fewer crowns than nine have a foot nearly all were misread (by own renders
# with truth). Each is held against a curve through the others alone, which finds more that were misread: of 53 so
# found 6 of 15 and 5 of 38 were bad. The shares stay as they were, on the side of the crown: what it says of a bad fret
# is told by nothing else.
SINGLE, SINGLE_MM, OTHERS, MIN_SINGLE = 3.0, 0.045, 0.5, 9
BAD_OUTER, BAD_MIDDLE = 0.65, 0.35
# By as much a single fret may be worn or high (common practice, no published source): where nothing tells whether it
# is, or was misread, its crown stays, in doubt. By own renders with truth, of 3 without an end all were right; of 4
# farther off none.
BAD_MM = 0.13
BOW_ORDER = 2  # of the curve along which crowns stand off their feet in common
# Chi-square for each foot past which crowns and feet contradict each other, and doubt of either is added.
MAX_CHI_SQUARE = 2.5
MIN_JOINED = 4
MIN_LEFT = 5  # crowns with a foot: the fewest that a neck's bow is told by when others are left out for want of one
OPEN_MM = 10.0  # of a crown that was not read
# Of a crown that no foot on the row bears out beside others that feet do, and of a foot off the row (by own renders
# with truth).
U_UNBORNE_MM = 0.05
# A foot off the row, and a crown over it as far as the others over theirs: two witnesses of a fret that stands high or
# low as a whole (by own renders with truth, of 8 farther than 0.06 mm off the row all were such, their feet right to
# 0.012 mm rms; of 4 whose crowns did not bear them out none was).
FAR_OFF_MM, WHOLE_MM, U_WHOLE_MM = 0.06, 0.03, 0.012
# Foot and end agree where the end moved the foot by no more: a third of what a fret is bad by.
AGREE_MM = 0.03


@dataclass(frozen=True, slots=True)
class Joined:
    """Gaps of n crowns by crowns and feet.

    Attributes
    ----------
    crowns
        With the gaps joined; without those that stand off their feet, or with what foot and end tell in their place,
        and without those at an end that no foot bears out.
    own_u_mm
        (n,) how sure each crown was by itself.
    covariance_mm2
        (n, n) of them.
    share
        (n, n) how the joined gaps change with those that the crowns alone told.
    feet_covariance_mm2, edge_covariance_mm2
        (n, n) what the feet add, with what parts the crowns' bow from theirs, and the edge under which both are seen;
        zero where none were joined.
    widened
        By which factor the crowns' uncertainty, `own_u_mm` included, was multiplied in the covariance.
    off_feet, without_foot
        How many crowns left out stood off their feet, and how many at an end were borne out by none.
    in_doubt
        Frets whose crowns stand off their feet as far as a bad fret's do, and are kept, or counted by the chance
        that they are one's.
    by_foot
        Frets whose crowns were not read, or stood off foot and end, so that these speak for them.
    agree
        Crowns and feet tell the same bend, and the feet bear the crowns out (`Feet.bears_out`).
    """

    crowns: CrownSet
    own_u_mm: Array = field(repr=False)
    covariance_mm2: Array = field(repr=False)
    share: Array = field(repr=False)
    feet_covariance_mm2: Array = field(repr=False)
    edge_covariance_mm2: Array = field(repr=False)
    widened: float = 1.0
    off_feet: int = 0
    without_foot: int = 0
    in_doubt: tuple[int, ...] = ()
    by_foot: tuple[int, ...] = ()
    agree: bool = False


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
    fall = fall_mm(crowns, position_mm)
    strange_mm2 = strange_bow_mm2(crowns, feet, feet.below_mm - fall, position_mm)
    # Beside a row that may be no feet's, or misread, crowns keep the doubt that they have alone; none gives way to it.
    wide = 1.0 if feet.is_sure and not strange_mm2 else doubt_by_scatter(crowns, own_u_mm)
    stated_u_mm, covariance_mm2, own_u_mm = own_u_mm, wide**2 * covariance_mm2, wide * own_u_mm
    read = np.searchsorted(frets, [c.fret for c in crowns.crowns])
    astray = np.nan if feet.astray_mm is None else feet.astray_mm
    level = np.where(feet.seen, feet.below_mm, astray)[read] - fall[read]
    apart = level - crowns.gap_mm
    # One that leaps off the others must not hide behind the doubt that its own leap makes.
    u_mm = np.hypot(feet.u_each_mm[read], stated_u_mm)
    off_mm = _off_mm(along_board(crowns.position_mm), apart, u_mm)
    off = off_mm > 0
    single_mm = single_off_mm(along_board(crowns.position_mm), apart)
    # A foot off the row counts where its crown bears it out, as the fret may stand high or low as a whole.
    as_whole = _as_whole(along_board(crowns.position_mm), level, apart, on_row=feet.seen[read]) & feet.is_sure
    apart[off] = np.nan
    stays = ~(off & feet.seen[read] & feet.is_sure) | (_may_be_bad(off_mm) & ~feet.with_end[read])
    # Feet speak beside crowns, not for most of them: that they may only where they stand alone.
    speak = feet.is_sure and stays.sum() >= MIN_SHARE * len(frets)
    # Against its crown a fret is told by foot and end that agree; it may be worn all the same.
    alike = end_agrees(feet)[read]
    against = off & alike
    single = (single_mm != 0) & ~off & ~alike & feet.seen[read] & feet.is_sure
    apart[single] = np.nan
    crowns, u_single_mm = _told_by_chance(crowns, np.where(single, single_mm, 0.0))
    silent = np.setdiff1d(read, read[against])
    may_hide = u_unseen_mm(feet, outer=crowns.camera.beside_outer)
    may_hide[read[against]] = np.hypot(may_hide[read[against]], off_mm[against] / np.sqrt(3))
    unread = np.setdiff1d(np.flatnonzero(feet.seen), silent) if speak else np.array([], dtype=np.intp)
    bare = _bare_ends(read, stays, np.isfinite(apart), unread) if feet.is_sure else np.zeros_like(stays)
    kept = np.flatnonzero(stays & ~bare)
    off_feet, without_foot = int((~stays).sum()), int(bare.sum())
    doubted = single | (off & feet.seen[read] & feet.is_sure)
    in_doubt = tuple(frets[read[kept][doubted[kept]]].tolist())
    apart, given = apart[kept], crowns.only(kept)
    if np.isfinite(apart).sum() < MIN_JOINED:
        more_mm = np.where(single, u_single_mm, np.where(doubted, U_UNBORNE_MM, 0.0))[kept]
        told_mm2 = covariance_mm2[np.ix_(kept, kept)] / wide**2 + np.diag(more_mm**2)
        alone = _as_read(given, np.hypot(own_u_mm[kept] / wide, more_mm), told_mm2, u_edge_px)
        return replace(alone, off_feet=off_feet, without_foot=without_foot, in_doubt=in_doubt)
    level_mm = feet.below_mm[unread] - fall[unread] - float(np.nanmedian(apart))
    whole, order = _with_unread(given, frets[unread], position_mm[unread], level_mm)
    unborne = np.where(np.isfinite(apart) & feet.seen[read[kept]], 0.0, U_UNBORNE_MM)
    unborne = np.where(np.isfinite(apart) & as_whole[kept], U_WHOLE_MM, unborne)
    unborne = np.where(single[kept], u_single_mm[kept], unborne)
    own = np.concatenate([np.hypot(own_u_mm[kept], unborne), np.zeros(len(unread))])[order]
    apart = np.concatenate([apart, np.full(len(unread), np.nanmedian(apart))])[order]
    by_crown = np.zeros((len(order), len(order)))
    by_crown[: len(kept), : len(kept)] = covariance_mm2[np.ix_(kept, kept)] + np.diag(unborne**2)
    by_crown[len(kept) :, len(kept) :] = OPEN_MM**2 * np.eye(len(unread))
    by_crown = by_crown[np.ix_(order, order)]
    of_feet = np.concatenate([read[kept], unread])[order]
    unseen = np.where(order >= len(kept), may_hide[of_feet], 0.0)
    u_astray_mm = np.where(np.isin(of_feet, read[as_whole]), U_WHOLE_MM, U_UNBORNE_MM)
    u_astray_mm = np.where(feet.seen[of_feet], 0.0, u_astray_mm)
    told = Told(np.hypot(feet.u_each_mm[of_feet], u_astray_mm), unseen)
    joined = _joined(
        whole, by_crown, own / wide, feet, apart=apart, told=told, u_edge_px=u_edge_px, strange_mm2=strange_mm2
    )
    by_foot = tuple(frets[unread].tolist())
    return replace(
        joined, widened=wide, off_feet=off_feet, without_foot=without_foot, in_doubt=in_doubt, by_foot=by_foot
    )


def _with_unread(
    crowns: CrownSet, frets: NDArray[np.int64], position_mm: Array, gap_mm: Array
) -> tuple[CrownSet, NDArray[np.intp]]:
    """Return crowns with rows for frets that were not read put in, and the order in which they lie now."""
    # The comb is off beside them as it is at their neighbours.
    shift_mm = np.interp(position_mm, crowns.position_mm, [c.place_mm for c in crowns.crowns])
    unread = rows_of_feet(frets, position_mm, gap_mm, crowns.camera.slant(position_mm))
    moved = (replace(row, place_mm=float(shift)) for row, shift in zip(unread, shift_mm, strict=True))
    rows = [*crowns.crowns, *moved]
    order = np.argsort([c.fret for c in rows])
    more = len(frets)
    covariance = np.pad(crowns.covariance_mm2, (0, more))[np.ix_(order, order)]
    sensitivity = np.pad(crowns.sensitivity, ((0, more), (0, 0)))[order]
    ordered = tuple(rows[i] for i in order)
    return replace(crowns, crowns=ordered, covariance_mm2=covariance, sensitivity=sensitivity), order


def rows_of_feet(frets: NDArray[np.int64], position_mm: Array, gap_mm: Array, slant: Array) -> tuple[CrownFit, ...]:
    """Return rows for n frets of which only the foot was seen: (n,) numbers, places, gaps, and slants of sight."""
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
    told: Told,
    u_edge_px: float,
    strange_mm2: float,
) -> Joined:
    """Return the generalized least squares of gaps and of the feet that stand `apart` below them."""
    along = along_board(crowns.position_mm)
    seen = np.flatnonzero(np.isfinite(apart))
    compound = u_compound_mm(crowns, crowns.position_mm)
    outer, here = crowns.camera.beside_outer, np.ix_(seen, seen)
    by_feet = feet_covariance_mm2(feet, along, told, u_compound_mm=compound, outer=outer)[here]
    free = U_HEIGHT_MM**2 + U_TILT_MM**2 * np.outer(along[seen], along[seen])
    bow = along**2 - 1 / 3
    believed = by_feet + strange_mm2 * np.outer(bow[seen], bow[seen])
    # A fret of which only the foot was seen tells nothing against its crown.
    free_to_differ = max(int((told.unseen_mm[seen] == 0).sum()) - 2, 1)
    as_told = _chi_square(apart[seen], covariance_mm2[here] + by_feet + free) / free_to_differ
    excess, beyond = np.zeros_like(covariance_mm2), False
    if (feet.by_ends or (feet.is_sure and not outer)) and not strange_mm2:
        excess_mm2 = bow_excess_mm2(along[seen], apart[seen], covariance_mm2[here] + by_feet)
        beyond = excess_mm2 > MAX_EXCESS_MM**2
        excess = excess_mm2 * np.outer(bow, bow)
        covariance_mm2 = covariance_mm2 + excess
    both = covariance_mm2[here] + by_feet + free
    gain = np.linalg.solve(covariance_mm2[here] + believed + free, covariance_mm2[seen]).T
    share = np.eye(len(along))
    share[:, seen] -= gain
    change = gain @ apart[seen]
    edge = edge_covariance_mm2(crowns, along, u_edge_px)
    covariance = share @ covariance_mm2 + edge
    alike = _chi_square(apart[seen], both) / free_to_differ < MAX_CHI_SQUARE and not beyond
    added = gain @ believed @ gain.T + share @ excess @ share.T
    if not alike:
        # The truth may lie anywhere between: JCGM 100:2008, 4.3.7.
        bent = (change - np.polyval(np.polyfit(along, change, 1), along)) / np.sqrt(3)
        covariance, added = covariance + np.outer(bent, bent), added + np.outer(bent, bent)
    moved = tuple(replace(c, gap_mm=c.gap_mm + float(d)) for c, d in zip(crowns.crowns, change, strict=True))
    agree = as_told < MAX_CHI_SQUARE and feet.bears_out and not (beyond or strange_mm2)
    return Joined(
        replace(crowns, crowns=moved), own_u_mm, (covariance + covariance.T) / 2, share, added, edge, agree=agree
    )


def strange_bow_mm2(crowns: CrownSet, feet: Feet, level_mm: Array, position_mm: Array) -> float:
    """Return by how much, squared, the feet of a few frets bend as no neck does.

    Parameters
    ----------
    crowns
        Whose camera and board stand.
    feet, level_mm, position_mm
        Of all n frets: how low they lie, what a round board falls to its border taken off, and where.
    """
    seen = np.flatnonzero(feet.seen)
    place, told = position_mm[seen], Told(feet.u_each_mm[seen], np.zeros(len(seen)))
    compound, outer = u_compound_mm(crowns, place), crowns.camera.beside_outer
    along = along_board(place)
    own = feet_covariance_mm2(feet, along, told, u_compound_mm=compound, outer=outer)
    return beyond_necks_mm2(place, level_mm[seen], own)


def _chi_square(apart: Array, covariance_mm2: Array) -> float:
    return float(apart @ np.linalg.solve(covariance_mm2, apart))


def _as_read(crowns: CrownSet, own_u_mm: Array, covariance_mm2: Array, u_edge_px: float) -> Joined:
    edge = edge_covariance_mm2(crowns, along_board(crowns.position_mm), u_edge_px)
    none = np.zeros_like(covariance_mm2)
    wide = doubt_by_scatter(crowns, own_u_mm)
    return Joined(crowns, own_u_mm, wide**2 * covariance_mm2 + edge, np.eye(len(none)), none, edge, wide)


def _may_be_bad(off_mm: Array) -> Mask:
    """Tell which crowns stand off their feet by no more than a bad fret does, between others that do not."""
    beside = np.pad(off_mm, 1)
    return np.asarray((off_mm > 0) & (off_mm < BAD_MM) & (beside[:-2] == 0) & (beside[2:] == 0))


def _bare_ends(read: NDArray[np.intp], stays: Mask, borne_out: Mask, by_foot: NDArray[np.intp]) -> Mask:
    """Tell which of m crowns lie beyond all frets that a foot bears out or speaks for, where enough of these are left.

    The relief hangs on both ends of its chord, and of such crowns nearly half are misread by 0.03 mm and more (by own
    renders with truth).
    """
    told = np.concatenate([read[stays & borne_out], by_foot])
    if (stays & borne_out).sum() < MIN_LEFT:
        return np.zeros_like(stays)
    return np.asarray(stays & ((read < told.min()) | (read > told.max())))


def single_off_mm(along: Array, apart: Array) -> Array:
    """Return (n,) how far the crown stands below what its foot tells, where a single one of many stands off; else 0.

    Parameters
    ----------
    along
        (n,) places, scaled to -1 .. 1.
    apart
        (n,) how far feet lie below crowns; NaN where either was not seen.
    """
    seen = np.flatnonzero(np.isfinite(apart))
    told = np.zeros_like(apart)
    if len(seen) < MIN_SINGLE:
        return told
    # Each against the curve through the others alone, which an outermost one would draw after it.
    off, scatter = np.zeros((len(seen), len(along))), np.zeros(len(seen))
    for i, at in enumerate(seen):
        rest = np.where(np.arange(len(along)) == at, np.nan, apart)
        curve, scatter[i] = through_most(along, rest, np.ones_like(along), order=BOW_ORDER)
        off[i] = np.nan_to_num(curve - apart)
    own = off[np.arange(len(seen)), seen]
    spread = scatter * carried_on(along[seen], order=BOW_ORDER)
    most = int(np.argmax(np.abs(own) / spread))
    at, size = seen[most], abs(float(own[most]))
    others = np.abs(np.delete(off[most], slice(max(0, at - 1), at + 2)))
    if max(SINGLE * float(spread[most]), SINGLE_MM) < size < BAD_MM and others.max(initial=0.0) < OTHERS * size:
        told[at] = own[most]
    return told


def _as_whole(along: Array, level: Array, apart: Array, *, on_row: Mask) -> Mask:
    """Tell (n,) which feet far off the row have a crown that stands over them as the others do over theirs."""
    row, _ = through_most(along, np.where(on_row, level, np.nan), np.ones_like(along), order=2)
    bow, _ = through_most(along, np.where(on_row, apart, np.nan), np.ones_like(along), order=2)
    return np.asarray(~on_row & (np.abs(level - row) > FAR_OFF_MM) & (np.abs(apart - bow) < WHOLE_MM))


def end_agrees(feet: Feet) -> Mask:
    """Tell (n,) which feet have an end that was read and tells the same."""
    moved = np.zeros_like(feet.below_mm) if feet.moved_mm is None else feet.moved_mm
    return np.asarray(feet.with_end & (np.abs(moved) < AGREE_MM))


def bad_share(crowns: CrownSet) -> float:
    """Return how likely a single crown that stands off its foot is a bad fret's."""
    return BAD_OUTER if crowns.camera.beside_outer else BAD_MIDDLE


def _told_by_chance(crowns: CrownSet, off_mm: Array) -> tuple[CrownSet, Array]:
    """Return crowns in the mean of what they and their feet tell where one stands off, and the (n,) doubt of that."""
    share = bad_share(crowns)
    rows = tuple(
        replace(c, gap_mm=c.gap_mm - (1 - share) * float(off)) for c, off in zip(crowns.crowns, off_mm, strict=True)
    )
    return replace(crowns, crowns=rows), np.abs(off_mm) * np.sqrt(share * (1 - share))


def _off_mm(along: Array, apart: Array, u_mm: Array) -> Array:
    """Return (n,) how far crowns stand off the bow that most of them make over their feet; 0 for those that do not."""
    bow, _ = through_most(along, apart, np.ones_like(along), order=2)
    off = np.nan_to_num(np.abs(apart - bow))
    return np.where(off > np.maximum(LONE * u_mm, LONE_MM), off, 0.0)
