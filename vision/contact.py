"""Whether and where the gaps found let the straightedge rest on the frets, as a rigid one must."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.contact import Beyond, rezero_on_contact
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array, GapProfile

from .camera import BoardCamera
from .comb import MAX_FRET
from .findings import refusal
from .locate import BEYOND_FRETS_MM, EdgeCurve
from .readings import CONTACT_MM, MAX_FLOAT_MM, CrownSet

# What a board rises from its fret ends to a straightedge beside the outer string, seen from above its slope: 4 mm at
# four degrees.
RISE_MM = 0.3
END_MM = 3.0  # a straightedge's end is seen where its edge stops so far short
# That the straightedge reaches none, one, two frets past the last one read where its end is seen: strings or a dark
# edge may hide that it goes on. Out of view it goes on along the neck: evenly spread, from none to as far as it may,
# nutward most likely to the first fret, bodyward to well past the joint (common practice, no published source).
REACH_SEEN, REACH_NUTWARD, REACH_BODYWARD = (0.7, 0.2, 0.1), (0.1, 0.1, 0.1, 0.1, 0.6), (0.1, 0.2, 0.2, 0.2, 0.3)
PAST_JOINT, AT_LEAST = 17, 3  # the fret it may reach, and so many more at least
UNNUMBERED = 6  # frets that may go on nutward where nothing tells which is the first
# Of what moves all gaps alike, and tilts them over half the profile: camera height, the line of the chamfer that was
# taken for the edge; beside the outer string the way the straightedge lies to the board, for each mm of the profile's
# length. Sizes by own renders with truth. Feet alone tell nothing of the first, and little of the second: along the
# middle hardly anything, where the board's taper makes it.
U_CONSTANT_MM, U_CONSTANT_OUTER_MM, U_CONSTANT_FEET_MM = 0.08, 0.12, 1.0
U_TILT_MM, U_TILT_OUTER_PER_MM, U_TILT_FEET_MM, U_TILT_FEET_OUTER_MM = 0.04, 3e-4, 0.5, 0.2


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
    seen, _ = crowns.camera.comb.frets(0, width_px - 1)
    under, _ = crowns.camera.comb.frets(edge.low_px, edge.high_px)
    nut, body = _ends_seen(crowns, edge, width_px)
    return bool((nut or under[0] != seen[0] or under[0] == 1) and (body or under[-1] != seen[-1]))


def lay_on_crowns(profile: GapProfile, crowns: CrownSet, edge: EdgeCurve, width_px: int) -> GapProfile:
    """Return the gaps with the straightedge laid on the crowns, or on frets that it may reach and were not read.

    Parameters
    ----------
    profile
        Of the crowns, in the same order; its frets may be numbered from the first crown.
    crowns
        For the camera.
    edge, width_px
        The straightedge's lower edge, and the picture's width.
    """
    camera, read = crowns.camera, [c.fret for c in crowns.crowns]
    under, _ = camera.comb.frets(edge.low_px, edge.high_px)
    nut, body = _ends_seen(crowns, edge, width_px)
    scale_mm = camera.comb.scale_length_mm
    between = np.setdiff1d(np.arange(read[0], read[-1]), read)
    outer = camera.beside_outer
    u_constant_mm, u_tilt_mm = U_CONSTANT_MM, U_TILT_MM
    if crowns.by_feet:
        u_constant_mm, u_tilt_mm = U_CONSTANT_FEET_MM, U_TILT_FEET_OUTER_MM if outer else U_TILT_FEET_MM
    elif outer:
        u_constant_mm, u_tilt_mm = U_CONSTANT_OUTER_MM, U_TILT_OUTER_PER_MM * float(np.ptp(profile.position_mm))
    first = read[0] - UNNUMBERED if profile.numbers_relative else 1
    last = min(MAX_FRET, max(PAST_JOINT, read[-1] + AT_LEAST))
    nutward, bodyward = np.arange(read[0] - 1, first - 1, -1), np.arange(read[-1] + 1, last + 1)
    return rezero_on_contact(
        profile,
        nutward=_past(nutward, read[0] - int(under[0]), REACH_SEEN if nut else REACH_NUTWARD, scale_mm),
        bodyward=_past(bodyward, int(under[-1]) - read[-1], REACH_SEEN if body else REACH_BODYWARD, scale_mm),
        between_mm=fret_position_mm(between.astype(np.float64), scale_mm).tolist(),
        u_constant_mm=u_constant_mm,
        u_tilt_mm=u_tilt_mm,
    )


def _past(frets: NDArray[np.int64], under: int, reach: tuple[float, ...], scale_length_mm: float) -> Beyond:
    """Return the frets past the last one read, outward, the first `under` of which lie under the edge for certain."""
    under = min(max(under, 0), len(frets))
    if reach is REACH_SEEN:
        frets = frets[: under + len(reach) - 1]
        reached = np.minimum(under + np.arange(len(reach)), len(frets))
    else:
        reached = np.rint(np.linspace(under, len(frets), len(reach))).astype(np.intp)
    chance = np.zeros(len(frets) + 1)
    np.add.at(chance, reached, reach)
    place = fret_position_mm(frets.astype(np.float64), scale_length_mm)
    return Beyond(tuple(place.tolist()), tuple(chance.tolist()))


def _ends_seen(crowns: CrownSet, edge: EdgeCurve, width_px: int) -> tuple[bool, bool]:
    """Tell whether the straightedge's end towards the nut, and that towards the body, is seen."""
    comb = crowns.camera.comb
    _, columns = comb.frets(0, width_px - 1)
    beyond, short = BEYOND_FRETS_MM * comb.px_per_mm, END_MM * comb.px_per_mm
    low, high = max(0.0, columns.min() - beyond), min(width_px - 1.0, columns.max() + beyond)
    stops = edge.low_px > low + short, edge.high_px < high - short
    return stops if comb.direction > 0 else stops[::-1]
