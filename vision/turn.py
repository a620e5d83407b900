"""How far the camera is turned from square on, as both edges of the straightedge show: nearer parts are seen larger."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lightgap.neck.errors import Refusal

from .comb import Comb, CombPrior
from .height import nearest_parallel, not_parallel_mm
from .known import EdgeTurn
from .locate import EdgeCurve
from .numbered import Located, number_frets
from .photo import FloatImage

# How far both edges as followed drift off each other from end to end, and what the straightedge's lean and the lens
# leave open, as a share of the scale over half the picture (by own renders with truth).
DRIFT_MM, U_LEAST = 0.03, 0.0008
# A camera over the board's slope, and rolled, sees one edge turned against the other; a hand holds it level to two
# degrees (common practice, no published source).
U_ELEVATION_RAD = 0.03
SMALL_K1 = 0.01
# Edges less parallel than frets in view have it are so where the frets bear the turn out that makes them so. By own
# renders with truth: up to 0.58 mm where the height alone tells the scale, as a string at 0.73 was borne out; with an
# object three of the straightedge's up to 0.98, and of 13 other lines there none was. Then 0.13 is left.
MAX_BY_TURN_MM, MAX_BY_TURN_OBJECT_MM, MAX_LEFT_MM = 0.6, 1.0, 0.2


def turn_by_edges(edge: EdgeCurve, upper: EdgeCurve, comb: Comb, height_px: int) -> EdgeTurn:
    """Return the camera's turn by how the straightedge's height in the picture changes along it.

    It is as the inverse of the distance, which changes evenly along the picture.

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
        rate, middle = np.polyfit(t, low - high - k1 * lens, 1)
        return float(-rate / middle)

    yaw = yaw_by(0.0)
    height_mm = float(np.mean(low - high)) / comb.px_per_mm
    slope = (edge.as_line().slope + upper.as_line().slope) / 2
    rolled = U_ELEVATION_RAD * abs(slope) * comb.middle_px / comb.focal_px
    u = float(np.linalg.norm([U_LEAST, DRIFT_MM / (height_mm * np.ptp(t)), rolled]))
    return EdgeTurn(yaw, (yaw_by(SMALL_K1) - yaw) / SMALL_K1, u)


def with_turn(
    luminance: FloatImage, edge: EdgeCurve, upper: EdgeCurve, located: Located, prior: CombPrior
) -> Located | None:
    """Number the frets once more, with the camera's turn as both edges show it; None where they are then no frets.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge, upper
        The straightedge's edges.
    located
        As numbered without.
    prior
        Scale.
    """
    turn = turn_by_edges(edge, upper, located.comb, len(luminance))
    try:
        return number_frets(luminance, edge, replace(prior, scale_length_mm=located.comb.scale_length_mm, turn=turn))
    except Refusal:
        return None


def parallel_by_turn(
    luminance: FloatImage, edge: EdgeCurve, borders: tuple[EdgeCurve, ...], located: Located, prior: CombPrior
) -> tuple[Located, EdgeCurve] | None:
    """Return the frets and the upper edge where these bear out the turn that makes both edges parallel.

    The turn of a lower edge that went over to a string is no camera's, and its frets fit it worse than before.

    Parameters
    ----------
    luminance, edge, located, prior
        As for `with_turn`.
    borders
        What may be the upper edge; one at least.
    """
    off_mm, border = nearest_parallel(edge, borders, located.comb)
    if off_mm > (MAX_BY_TURN_OBJECT_MM if prior.by_object else MAX_BY_TURN_MM):
        return None
    again = with_turn(luminance, edge, border, located, prior)
    if again is None or again.evidence < located.evidence or again.beside_outer != located.beside_outer:
        return None
    return (again, border) if not_parallel_mm(edge, border, again.comb) < MAX_LEFT_MM else None
