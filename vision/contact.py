"""Whether the gaps found let the straightedge rest on the frets, as a rigid one must."""

from __future__ import annotations

import math

import numpy as np

from lightgap.neck.profile import Array

from .camera import BoardCamera
from .findings import refusal
from .locate import BEYOND_FRETS_MM, EdgeCurve
from .readings import CONTACT_MM, MAX_FLOAT_MM, CrownSet

# What a board rises from its fret ends to a straightedge beside the outer string, seen from above its slope: 4 mm at
# four degrees.
RISE_MM = 0.3
END_MM = 3.0  # a straightedge's end is seen where its edge stops so far short


def check_edge(crowns: CrownSet) -> None:
    """Refuse a scale by the straightedge's height alone from a line that no crown comes near: it may be a string.

    Raises
    ------
    Refusal
        `no-contact`.
    """
    if crowns.lowest_gap_mm > MAX_FLOAT_MM:
        raise refusal(
            "no-contact",
            f"lowest gap {crowns.lowest_gap_mm:+.2f} mm, under the line from which the height gives the scale",
            cure="use a reference object, or show a fret that the straightedge touches",
        )


def check_contact(crowns: CrownSet, covariance_mm2: Array, edge: EdgeCurve, width_px: int) -> None:
    """A rigid straightedge seen from end to end rests somewhere on either side of its middle.

    Parameters
    ----------
    crowns, covariance_mm2
        The gaps with their (n, n) covariance.
    edge
        The straightedge's lower edge.
    width_px
        Of the picture.

    Raises
    ------
    Refusal
        `no-contact` when the crowns found would leave it floating or cut into it.
    """
    if not rests_in_view(crowns, edge, width_px):
        return
    place = np.array([c.position_mm for c in crowns.crowns])
    gap = np.array([c.gap_mm for c in crowns.crowns])
    middle = (place[0] + place[-1]) / 2
    i = int(np.argmin(np.where(place <= middle, gap, np.inf)))
    j = int(np.argmin(np.where(place >= middle, gap, np.inf)))
    u_mm = math.sqrt(max(covariance_mm2[i, i] + covariance_mm2[j, j] - 2 * covariance_mm2[i, j], 0.0))
    left, right = float(gap[i]), float(gap[j])
    if abs(left - right) > math.hypot(MAX_FLOAT_MM, 2 * u_mm) or not -MAX_FLOAT_MM < min(left, right) < MAX_FLOAT_MM:
        raise refusal("no-contact", f"lowest gaps {left:+.2f} and {right:+.2f} mm")


def touching_mm(camera: BoardCamera, *, proven: bool) -> float:
    """Return how far below the edge a crown may be seen that touches it.

    Parameters
    ----------
    camera
        It tells which way the straightedge lies.
    proven
        The feet of the frets bear the crowns out: beside the outer string they may then be seen lower, by what the
        board rises from there.
    """
    return RISE_MM if proven and camera.beside_outer else CONTACT_MM


def rests_in_view(crowns: CrownSet, edge: EdgeCurve, width_px: int) -> bool:
    """Tell whether nothing out of view can bear the straightedge.

    On either side its edge must stop short of where it would have been followed to, or before the outermost fret in the
    picture, or go on past fret 1.

    Parameters
    ----------
    crowns
        For the comb.
    edge, width_px
        The straightedge's lower edge, and the picture's width.
    """
    comb = crowns.camera.comb
    seen, columns = comb.frets(0, width_px - 1)
    under, _ = comb.frets(edge.low_px, edge.high_px)
    beyond, short = BEYOND_FRETS_MM * comb.px_per_mm, END_MM * comb.px_per_mm
    low, high = max(0.0, columns.min() - beyond), min(width_px - 1.0, columns.max() + beyond)
    stops = [edge.low_px > low + short, edge.high_px < high - short]
    nut, body = stops if comb.direction > 0 else stops[::-1]
    return bool((nut or under[0] != seen[0] or under[0] == 1) and (body or under[-1] != seen[-1]))
