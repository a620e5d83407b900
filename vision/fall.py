"""How far a round board falls from its middle, where crowns are seen, to its border, where feet are."""

from __future__ import annotations

import math

import numpy as np

from lightgap.neck.profile import Array

from .along import along_board
from .readings import CrownSet

# A board whose radius grows towards the body: by how much flatter it is at its end, where that lies on the scale
# length, and how many boards are such (common practice, no published source).
FLATTER, BOARD_END, COMPOUND_SHARE = 0.33, 0.68, 1 / 3


def fall_mm(crowns: CrownSet, place_mm: Array) -> Array:
    """Return how far a board falls at each fret, the mean of boards that are as round all along and of flatter ones.

    Parameters
    ----------
    crowns
        For the board and its width; beside the outer string nothing falls.
    place_mm
        (n,) from the nut.
    """
    return np.asarray(_round_mm(crowns, place_mm) - COMPOUND_SHARE * _less_mm(crowns, place_mm))


def u_compound_mm(crowns: CrownSet, place_mm: Array) -> float:
    """Return the standard uncertainty of the bow that the fall adds to feet, as nobody tells which board it is.

    Parameters
    ----------
    crowns, place_mm
        As in `fall_mm`.
    """
    bow = float(np.polyfit(along_board(place_mm), _less_mm(crowns, place_mm), 2)[0])
    return math.sqrt(COMPOUND_SHARE * (1 - COMPOUND_SHARE)) * abs(bow)


def _round_mm(crowns: CrownSet, place_mm: Array) -> Array:
    camera = crowns.camera
    if camera.beside_outer:
        return np.zeros_like(place_mm)
    half_mm = camera.ends_mm(place_mm)
    return np.asarray(0.5 * crowns.outline.board_per_mm * half_mm * half_mm)


def _less_mm(crowns: CrownSet, place_mm: Array) -> Array:
    """Return how much less a board falls that grows flatter."""
    share = FLATTER * place_mm / (BOARD_END * crowns.camera.comb.scale_length_mm)
    return np.asarray(share * _round_mm(crowns, place_mm))
