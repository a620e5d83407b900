"""How far the camera is turned from square on, as both edges of the straightedge show: nearer parts are seen larger."""

from __future__ import annotations

import numpy as np

from .comb import Comb, EdgeTurn
from .locate import EdgeCurve

# How far both edges as followed drift off each other from end to end, and what the straightedge's lean and the lens
# leave open, as a share of the scale over half the picture (by own renders with truth).
DRIFT_MM, U_LEAST = 0.03, 0.0008
SMALL_K1 = 0.01


def turn_by_edges(edge: EdgeCurve, upper: EdgeCurve, comb: Comb, height_px: int) -> EdgeTurn:
    """Return the camera's turn by how the straightedge's height in the picture changes along it.

    The height is as the inverse of the distance, and that changes evenly along the board.

    Parameters
    ----------
    edge, upper
        The lower edge, and the upper one that runs parallel with it.
    comb
        Tells the scale, and where the camera's axis is.
    height_px
        Of the picture.
    """
    x = np.linspace(max(edge.low_px, upper.low_px), min(edge.high_px, upper.high_px), 41)
    t = (x - comb.middle_px) / comb.middle_px
    low, high, axis = edge.y_px(x), upper.y_px(x), (height_px - 1) / 2
    lens = comb.lens_shift_px(x, low, axis) - comb.lens_shift_px(x, high, axis)

    def yaw_by(k1: float) -> float:
        rate, middle = np.polyfit(t, 1 / (low - high - k1 * lens), 1)
        return float(rate / middle)

    yaw = yaw_by(0.0)
    height_mm = float(np.mean(low - high)) / comb.px_per_mm
    u = float(np.hypot(U_LEAST, DRIFT_MM / (height_mm * np.ptp(t))))
    return EdgeTurn(yaw, (yaw_by(SMALL_K1) - yaw) / SMALL_K1, u)
