"""What is known of a camera before the frets are asked, as rows of a least-squares fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.neck.profile import Array

# Phones' pictures, height to width or width to height, and how near to it a picture of that shape is: the lens's axis
# is in the middle of a whole one. A cropped one was aimed at the straightedge; both in shares of the picture's height
# (common practice, no published source).
WHOLE_SHAPES, SAME_SHAPE = (3 / 4, 2 / 3, 9 / 16, 1.0), 0.01
U_AXIS_WHOLE, U_AXIS_CROPPED = 0.02, 0.15


@dataclass(frozen=True, slots=True)
class EdgeTurn:
    """A comb's yaw, as both edges of the straightedge show it.

    Attributes
    ----------
    yaw
        Through a lens that distorts nothing.
    per_k1
        How much more it is for a distortion of k1 = 1.
    u
        Standard uncertainty.
    """

    yaw: float
    per_k1: float
    u: float


@dataclass(frozen=True, slots=True)
class LensAxis:
    """Row of the lens's axis with its standard uncertainty."""

    row_px: float
    u_px: float


def lens_axis(edge_row_px: float, *, width_px: float, height_px: int) -> LensAxis:
    """Return where the lens's axis is, as far as the shape of a picture tells.

    Parameters
    ----------
    edge_row_px
        Of the straightedge's lower edge, at the picture's middle: where a camera is aimed at.
    width_px, height_px
        Of the picture.
    """
    shape = min(width_px, height_px) / max(width_px, height_px)
    if any(abs(shape / whole - 1) < SAME_SHAPE for whole in WHOLE_SHAPES):
        return LensAxis((height_px - 1) / 2, U_AXIS_WHOLE * height_px)
    return LensAxis(edge_row_px, U_AXIS_CROPPED * height_px)


def known_rows(expected: Array, u_expected: Array, turn: EdgeTurn | None, *, yaw_at: int) -> tuple[Array, Array]:
    """Return rows (m, n) and values (m,) that `rows @ p - values` are in standard uncertainties what p is off by.

    Parameters
    ----------
    expected, u_expected
        (n,) each parameter by itself.
    turn
        As both edges show it; None where they tell nothing.
    yaw_at
        Which parameter is the yaw; the next one is k1.
    """
    rows, values = np.diag(1 / u_expected), expected / u_expected
    if turn is None:
        return rows, values
    seen = np.zeros(len(expected))
    seen[yaw_at : yaw_at + 2] = 1.0, -turn.per_k1
    return np.vstack([rows, seen / turn.u]), np.append(values, turn.yaw / turn.u)
