"""Which readings stand: crowns, crowns joined with the feet of their frets, or the feet alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.errors import Refusal
from lightgap.neck.profile import Array

from .contact import check_contact, check_edge, rests_in_view, touching_mm
from .doubts import leaves_bow_open
from .fall import fall_mm
from .feet import Feet, under_crowns_mm
from .feet_alone import border_read, feet_alone, stand_alone
from .findings import refusal
from .joined import Joined, join
from .locate import EdgeCurve
from .readings import MAX_MISFIT, MAX_STEP_MM, MAX_STRAIN, MIN_SHARE, CrownSet
from .slit import SlitLight
from .uncertainty import crown_covariance, own_u_mm

MIN_CROWNS = 4
MAX_ELEVATION_RAD = 0.075
MIN_OUT_OF_VIEW = 5  # feet that stand alone where what bears the straightedge is out of view
# Chi-square of seven terms, as `readings.MAX_STRAIN`. By own renders with truth, of 65 four are past it; one of them
# had the board's border for the straightedge's edge, a twentieth of its height lower, and each fret's number one too
# high.
MAX_STRAIN_BY_HEIGHT = 30.0
# From the end of the edge as followed: a fret nearer to it, of which only the foot is seen, may stand past the
# straightedge.
FOOT_INSIDE_MM = 3.0


def check_tilt(crowns: CrownSet) -> None:
    """Refuse a camera too far above the board's slope, or below it.

    Raises
    ------
    Refusal
        `tilted`.
    """
    if abs(crowns.outline.elevation_rad) > MAX_ELEVATION_RAD:
        raise refusal("tilted", f"about {np.degrees(crowns.outline.elevation_rad):.1f} degrees")


def check_crowns(crowns: CrownSet, *, by_height: bool = False) -> None:
    """Refuse crowns that were not read well enough to be measured.

    Parameters
    ----------
    crowns
        As read.
    by_height
        The scale is that of the straightedge's height alone: the frets must be likelier ones.

    Raises
    ------
    Refusal
        `too-few-crowns`; `shapes-disagree` when explained badly, by frets unlike any, or with a step.
    """
    if len(crowns.crowns) < MIN_CROWNS:
        raise refusal("too-few-crowns", f"{len(crowns.crowns)} read")
    if crowns.largest_step_mm > MAX_STEP_MM:
        raise refusal("shapes-disagree", f"by them the board would have a step of {crowns.largest_step_mm:.2f} mm")
    if crowns.median_misfit > MAX_MISFIT:
        raise refusal(
            "shapes-disagree", f"off by {crowns.median_misfit:.1f} times the scatter assumed, {MAX_MISFIT:g} at most"
        )
    unlike = f"only frets unlike any explain it: strain {crowns.strain:.0f}"
    if crowns.strain > MAX_STRAIN:
        raise refusal("shapes-disagree", f"{unlike}, {MAX_STRAIN:g} at most")
    if by_height and crowns.strain > MAX_STRAIN_BY_HEIGHT:
        raise refusal(
            "shapes-disagree",
            f"{unlike}, {MAX_STRAIN_BY_HEIGHT:g} at most where the straightedge's height alone tells the scale",
            cure="use a reference object",
        )


def feet_under(crowns: CrownSet, feet: Feet | None, *, frets: NDArray[np.int64], position_mm: Array) -> Feet | None:
    """Return the feet if they lie as far under the crowns as feet do; None where what was found is no row of feet.

    Tops of ends lie higher, and a string may lie lower.

    Parameters
    ----------
    crowns, feet
        The two readings.
    frets, position_mm
        (n,) numbers and places of all frets under the straightedge.

    Raises
    ------
    Refusal
        `no-straightedge` where feet that bear crowns out lie so far below these that a string passed for the edge.
    """
    if feet is None:
        return None
    level = (feet.below_mm - fall_mm(crowns, position_mm))[np.searchsorted(frets, [c.fret for c in crowns.crowns])]
    apart = level - crowns.gap_mm
    if not np.isfinite(apart).any():
        return None
    low, high = under_crowns_mm(outer=crowns.camera.beside_outer)
    under_mm = float(np.nanmedian(apart))
    if under_mm > high and feet.bears_out:
        raise refusal("no-straightedge", f"the fret ends lie {under_mm:.1f} mm under what would be crowns")
    return feet if low < under_mm < high else None


def weigh(
    crowns: CrownSet,
    feet: Feet | None,
    *,
    frets: NDArray[np.int64],
    position_mm: Array,
    edge: EdgeCurve,
    slit: SlitLight,
    width_px: int,
    u_edge_px: float,
    by_height: bool,
    proven: bool,
) -> Joined:
    """Return the gaps by crowns and feet, or by the feet alone where crowns could not be read and the row is strong.

    Parameters
    ----------
    crowns, feet
        The two readings.
    frets, position_mm
        (n,) numbers and places of all frets under the straightedge.
    edge, slit, width_px
        The straightedge's lower edge and the light at it, and the picture's width.
    u_edge_px
        Of the bend of the edge.
    by_height
        The scale is that of the straightedge's height alone: a crown must come near its edge, or it may be a string;
        beside the outer string a strong row of feet says as much.
    proven
        Dots on the board's side prove that scale.

    Raises
    ------
    Refusal
        What `check_tilt`, `feet_under` and `check_crowns` raise; `no-contact` when the crowns found would leave the
        straightedge floating. Strong feet overrule the last two, but for crowns that stand off their feet: frets may be
        as bad.
    """
    check_tilt(crowns)
    feet = feet and _under(edge, feet, crowns, frets=frets, position_mm=position_mm)
    alone = None
    if (
        feet is not None
        and _may_stand_alone(crowns, feet, edge, width_px, unproven=by_height and not proven)
        and stand_alone(crowns, feet, position_mm)
    ):
        alone = feet_alone(crowns, feet, frets=frets, position_mm=position_mm, u_edge_px=u_edge_px)
    if alone and (border_read(crowns) or len(crowns.crowns) < MIN_SHARE * len(frets)):
        return alone
    try:
        check_crowns(crowns, by_height=by_height and not proven)
        covariance = crown_covariance(crowns, slit)
        check_contact(crowns, covariance, edge, width_px)
        if by_height:
            check_edge(crowns)
    except Refusal:
        if alone is None:
            raise
        return alone
    feet = feet_under(crowns, feet, frets=frets, position_mm=position_mm)
    own_u = own_u_mm(crowns, slit)
    joined = join(crowns, covariance, own_u, feet, frets=frets, position_mm=position_mm, u_edge_px=u_edge_px)
    check_crowns(joined.crowns)
    if not crowns.camera.beside_outer:  # where a straightedge may rest on what stands a bevel nearer
        try:
            check_contact(joined.crowns, joined.covariance_mm2, edge, width_px)
        except Refusal:
            if alone is None or joined.off_feet or joined.in_doubt:
                raise
            return alone
    floats = joined.crowns.lowest_gap_mm > touching_mm(crowns.camera, proven=joined.agree)
    lacking = (crowns.camera.beside_outer and floats) or leaves_bow_open(crowns, covariance)
    return alone if alone and lacking else joined


def _may_stand_alone(crowns: CrownSet, feet: Feet, edge: EdgeCurve, width_px: int, *, unproven: bool) -> bool:
    """Tell whether feet may speak without crowns: along the middle the line above them may be a string's.

    Parameters
    ----------
    unproven
        The scale is that of the straightedge's height alone, which a string makes wrong, and nothing proves it.
    """
    if crowns.camera.beside_outer:
        return True
    of_frets = feet.proven and feet.seen.sum() >= MIN_OUT_OF_VIEW
    return not unproven and bool(of_frets or rests_in_view(crowns, edge, width_px))


def _under(edge: EdgeCurve, feet: Feet, crowns: CrownSet, *, frets: NDArray[np.int64], position_mm: Array) -> Feet:
    """Return the feet without those at the very end of the edge whose crowns were not read."""
    x, margin = crowns.camera.comb.x_px(position_mm), FOOT_INSIDE_MM * crowns.camera.comb.px_per_mm
    inside = (x > edge.low_px + margin) & (x < edge.high_px - margin)
    read = np.isin(frets, [c.fret for c in crowns.crowns])
    feet = feet.without_ends(~inside)
    return replace(feet, below_mm=np.where(inside | read, feet.below_mm, np.nan))
