"""What is known of a camera before the frets are asked, as rows of a least-squares fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.neck.profile import Array


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
