"""The gaps by the feet of the frets alone, where crowns could not be read and the row proves itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .along import along_board, through_most
from .doubts import Told, edge_covariance_mm2, feet_covariance_mm2, u_unseen_mm
from .fall import fall_mm, u_compound_mm
from .feet import MIN_FACES, Feet, under_crowns_mm
from .joined import U_UNBORNE_MM, Joined, bad_share, end_agrees, rows_of_feet, single_off_mm, strange_bow_mm2
from .readings import CrownSet
from .shading import Mask

# Under the straightedge: a fret's height, from low wires to tall ones (common practice, no published source), and what
# a camera above the board's slope adds.
BORDER_MM = (0.6, 1.6)
# Of feet that no crown bears out; and of those that ends read or tangs prove to be a fret's. By bright ends alone four
# feet under a string stood for frets one off at 0.85 (own renders with truth).
ALONE_SCORE, PROVEN_SCORE, ALONE_FACES = 0.9, 0.85, 0.55
# A crown agrees that stands as far over its foot as the others, where so many and such a share do: of 80 such beside
# the outer string none hid a fret that was bad by 0.03 mm or more, and feet were right to 0.0043 mm rms beside their
# bow (own renders with truth).
AGREED_MM, U_AGREED_MM, MIN_AGREED, MOST_AGREE = 0.02, 0.008, 6, 0.7


def border_read(crowns: CrownSet) -> bool:
    """Tell whether outlines beside the outer string are the board's border, a fret's height under the crowns."""
    low, high = BORDER_MM
    return bool(crowns.camera.beside_outer and low < crowns.lowest_gap_mm < high)


def stand_alone(crowns: CrownSet, feet: Feet, position_mm: Array) -> bool:
    """Tell whether feet prove frets that no crown bears out.

    Fret ends are short arcs that many things resemble: the row must be stronger than others need to be, most ends stand
    out from what is beside them, or were read, or stand over tangs, and the highest foot lies a fret's height under the
    edge: under a string or another line that passed for the edge it lies deeper. A few feet that bend as no neck does
    were misread. A row a fret's height over the border that was read for crowns is no other's.

    Parameters
    ----------
    crowns
        As they were read: their camera and board stand.
    feet
        Of the n frets at `position_mm` (n,) from the nut.
    position_mm
        Places of the frets.
    """
    if not (feet.is_sure and feet.score > (PROVEN_SCORE if feet.proven else ALONE_SCORE)):
        return False
    low, high = under_crowns_mm(outer=crowns.camera.beside_outer)
    level = feet.below_mm - fall_mm(crowns, position_mm)
    if strange_bow_mm2(crowns, feet, level, position_mm):
        return False
    highest = float(np.nanmin(level))
    stand_out = feet.faces > (MIN_FACES if border_read(crowns) else ALONE_FACES)
    return bool(low < highest < high and (feet.proven or stand_out))


def feet_alone(
    crowns: CrownSet, feet: Feet, *, frets: NDArray[np.int64], position_mm: Array, u_edge_px: float
) -> Joined:
    """Return gaps by the feet alone, the least of them zero: they tell neither a height nor, surely, a tilt.

    A foot off the row counts too, with more doubt.

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
    """
    astray = np.nan if feet.astray_mm is None else feet.astray_mm
    level = np.where(feet.seen, feet.below_mm, astray)
    told_by = np.flatnonzero(np.isfinite(level))
    place = position_mm[told_by]
    along = along_board(place)
    gap = level[told_by] - fall_mm(crowns, place)
    outer, compound = crowns.camera.beside_outer, u_compound_mm(crowns, place)
    apart = gap - crowns.gap_at_mm(frets[told_by].tolist())
    single_mm, share = single_off_mm(along, apart), bad_share(crowns)
    unseen_mm = u_unseen_mm(feet, outer=outer)[told_by]
    if outer and not (_near_border(crowns) or single_mm.any()):
        unseen_mm = np.where(_crown_agrees(along, apart), U_AGREED_MM, unseen_mm)
    single_mm = np.where(end_agrees(feet)[told_by], 0.0, single_mm)
    gap = gap + share * single_mm
    hidden = np.hypot(unseen_mm, np.abs(single_mm) * np.sqrt(share * (1 - share)))
    # A foot off the row may be that of a fret that stands high or low as a whole: of five in own renders with truth
    # four did so, by 0.06 to 0.13 mm, and their feet told it to 0.025.
    each = Told(np.hypot(feet.u_each_mm, np.where(feet.seen, 0.0, U_UNBORNE_MM))[told_by], hidden)
    told = feet_covariance_mm2(feet, along, each, u_compound_mm=compound, outer=outer)
    rows = rows_of_feet(frets[told_by], place, gap - gap.min(), crowns.camera.slant(place))
    edge, none = edge_covariance_mm2(crowns, along, u_edge_px), np.zeros((len(told_by), len(told_by)))
    by_feet = CrownSet(rows, told + edge, np.zeros((len(told_by), 6)), crowns.outline, crowns.camera, by_feet=True)
    return Joined(by_feet, np.zeros(len(told_by)), told + edge, none, told, edge)


def _near_border(crowns: CrownSet) -> bool:
    """Tell whether most outlines lie as deep as the board's border does, and not as crowns under a bow."""
    return not crowns.crowns or float(np.median(crowns.gap_mm)) > BORDER_MM[0]


def _crown_agrees(along: Array, apart: Array) -> Mask:
    """Tell (n,) which crowns, believed or not, stand over their feet as most do: a bad fret would part the two."""
    bow, _ = through_most(along, apart, np.ones_like(along), order=2)
    agree = np.abs(apart - bow) < AGREED_MM
    enough = agree.sum() >= max(MIN_AGREED, MOST_AGREE * np.isfinite(apart).sum())
    return np.asarray(agree & enough)
