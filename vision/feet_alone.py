"""The gaps by the feet of the frets alone, where crowns could not be read and the row proves itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.contact import rest_on
from lightgap.neck.profile import Array

from .doubts import Told, edge_covariance_mm2, feet_covariance_mm2, u_unseen_mm
from .fall import fall_mm, u_compound_mm
from .feet import MIN_FACES, Feet, along_board, under_crowns_mm
from .joined import Joined, rows_of_feet
from .readings import CrownSet

# Under the straightedge: a fret's height, from low wires to tall ones (common practice, no published source), and what
# a camera above the board's slope adds.
BORDER_MM = (0.6, 1.6)
ALONE_SCORE, ALONE_FACES = 0.9, 0.55  # of feet that no crown bears out; by own renders with truth
# Of the line through the frets it rests on: its weight, or a hand, is not at its middle, and they may be the next ones,
# a twentieth of a millimetre lower (common practice, no published source).
U_LEVEL_MM = 0.05


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
    low, high = under_crowns_mm(outer=crowns.camera.beside_outer)
    highest = float(np.nanmin(feet.below_mm - fall_mm(crowns, position_mm)))
    return bool(low < highest < high and feet.faces > (MIN_FACES if border_read(crowns) else ALONE_FACES))


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
    gap = feet.below_mm[seen] - fall_mm(crowns, place)
    outer, compound = crowns.camera.beside_outer, u_compound_mm(crowns, place)
    each = Told(feet.u_each_mm[seen], u_unseen_mm(feet, outer=outer)[seen])
    told = feet_covariance_mm2(feet, along, each, u_compound_mm=compound, outer=outer)
    if outer:
        gap = gap - gap.min()
    else:
        a, b = rest_on(place, -gap, load_mm=float(place[0] + place[-1]) / 2)
        gap = gap - gap[a] - (gap[b] - gap[a]) / (place[b] - place[a]) * (place - place[a])
        told = told + U_LEVEL_MM**2 * np.outer(along, along)
    rows = rows_of_feet(frets[seen], place, gap, crowns.camera.slant(place))
    edge, none = edge_covariance_mm2(crowns, along, u_edge_px), np.zeros((len(seen), len(seen)))
    read = CrownSet(rows, told + edge, np.zeros((len(seen), 6)), crowns.outline, crowns.camera, by_feet=True)
    return Joined(read, np.zeros(len(seen)), told + edge, none, told, edge, rests=rests)
