"""The whole line on one screen: edge, crowns, scale, gaps, relief."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.extrapolate import Extrapolated, extrapolate
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array, CrownGap, Finding, GapProfile, Relief
from lightgap.neck.relief import compute_relief, default_chord, lobes

from .camera import BoardCamera
from .camera_fit import OutlinedEnds
from .chamfer import ExtraBend, Windows, read_bend, windows_along
from .comb import MAX_FRET
from .contact import lay_on_crowns, touching_mm
from .crowns import measure_crowns
from .end_heights import EndOutlines, compare_heights, read_outlines, with_ends
from .feet import Feet, find_feet
from .findings import refusal, warning
from .guesses import check_fine, focal_px
from .halves import Halves, halves
from .joined import Joined
from .lens import straighten, under_straight
from .locate import EdgeCurve
from .measure import MeasureSettings
from .numbered import Located
from .numbering import Placed, place_frets, with_outlines
from .odds import Numbering
from .photo import Photo
from .readings import MIN_SHARE, CrownFit, CrownSet
from .settle import settle_scale
from .slit import SlitLight, read_slit
from .strings import covered, follow_between
from .survey import Survey
from .types import Measurement, Straightedge
from .uncertainty import budget_lines
from .weigh import MIN_CROWNS, weigh

DEFAULT_THICKNESS_MM = 3.0
MIRRORED_MM = 5.0  # a fret past the edge's end may still be mirrored in its chamfer
MAX_BLUR_MM = 0.35
MAX_BLUR_PX = 4.0
MIN_CONTRAST = 0.12
MIN_LENGTH = 0.45  # of a picture, along which an edge runs that only its height tells to be a straightedge's
HANGS_ON = {"nut": "on where the nut is seen", "first fret": "on --first-fret"}
MAX_CARRIED = 2  # frets from an end of the chord to the next crown read: over more of them no bend is carried on
MAX_COVERED = 0.25  # of the frets by strings: over more of them the edge itself could not be followed
# Half of a thin straightedge and the bevel of a fret's end (common practice, no published source); rendered photos show
# 3 mm and more, flat drawings 0.3 at most.
MIN_DEPTH_MM = 1.2


def measure_surveyed(seen: Survey, settings: MeasureSettings) -> Measurement:
    """Measure relief in a photo already looked over; raises what `measure_photo` does, but for files."""
    with halves() as both:
        return _measure(seen, settings, both)


def _measure(seen: Survey, settings: MeasureSettings, both: Halves) -> Measurement:
    photo, height_mm = seen.photo, settings.straightedge_height_mm
    thickness_mm = settings.straightedge_thickness_mm or DEFAULT_THICKNESS_MM
    numbering = Numbering(settings.scale_length_mm, settings.nut, settings.first_fret)
    placed = place_frets(seen, numbering, height_mm=height_mm, thickness_mm=thickness_mm, both=both)
    found = placed.found
    by_height = placed.guess.source is None and not placed.guess.by_frets
    _check_count(found)
    if by_height:
        check_length(found.edge, photo.facts.width_px)
    camera = placed.camera
    if found.beside_outer and not camera.beside_outer:
        raise refusal("no-crowns", "fret ends before the straightedge, but in no row")
    span = np.array([found.edge.low_px, found.edge.high_px])
    told = settings.scale_length_mm is not None
    settled = partial(settle_scale, placed.guess, thickness_mm=thickness_mm, span_px=span, length_told=told)
    scale = settled(camera, camera.comb)
    check_fine(scale.px_per_mm)
    in_view, columns = camera.comb.frets(found.edge.low_px, found.edge.high_px)
    edge, clear = _clear_of_strings(photo, found.edge, columns, scale.px_per_mm)
    frets = in_view[clear]
    found = replace(found, edge=edge)
    placed = replace(placed, found=found)
    slit = read_slit(photo.luminance, found.edge, camera)
    _check_light(slit, scale.px_per_mm)
    bends = _begin_bends(photo, found, slit, camera, both)
    position = fret_position_mm(frets.astype(np.float64), camera.comb.scale_length_mm)
    outlines = _read_outlines(photo, found.edge, slit, camera, position)
    # Beside the outer string ends stand next to the line, and their marks tell as much: of 60 own renders the relief is
    # no surer with their outlines, and three fewer are measured.
    if outlines is not None and not camera.beside_outer:
        outlined = OutlinedEnds(position, outlines.column_px, camera.near_mm)
        camera = with_outlines(photo, placed, outlined, thickness_mm=thickness_mm)
        scale = settled(camera, camera.comb)
    crowns = measure_crowns(
        photo.luminance,
        found.edge,
        camera,
        slit,
        frets=frets,
        position_mm=position,
        thickness_mm=thickness_mm,
        board_radius_mm=settings.board_radius_mm,
        both=both,
    )
    _check_depth(crowns.camera, position)
    lower, upper = bends()
    height_px = photo.facts.height_px
    straight = straighten(found.edge, found.upper, crowns.camera, height_px, fitted=lower, upper_fitted=upper)
    crowns = under_straight(crowns, found.edge, straight.edge)
    edge = straight.edge
    placed = replace(placed, found=replace(found, edge=edge))
    feet = _find_feet(photo, edge, slit, crowns.camera, position, outlines)
    joined = weigh(
        crowns,
        feet,
        frets=frets,
        position_mm=position,
        edge=edge,
        slit=slit,
        width_px=photo.facts.width_px,
        u_edge_px=straight.u_bend_px,
        by_height=by_height,
        proven=placed.proven,
    )
    profile, warnings = _profile(joined, placed, slit, settings, photo.facts.width_px)
    reached = reach_chord(profile, settings.chord, camera.comb.scale_length_mm)
    profile = reached.profile
    chord = choose_chord(profile, settings.chord)
    check_coverage(profile, chord)
    relief = compute_relief(profile, chord=chord)
    missing = np.setdiff1d(in_view, np.setdiff1d([c.fret for c in joined.crowns.crowns], joined.by_foot))
    hidden = len(in_view) - len(frets)
    shift = 1 - joined.crowns.crowns[0].fret if profile.numbers_relative else 0
    detail = [f"{len(missing)} of {len(in_view)}: fret {', '.join(str(f + shift) for f in missing)}"]
    detail += [f"{hidden} of them behind strings"] if hidden else []
    detail += [f"{joined.off_feet} of them off their feet"] if joined.off_feet else []
    detail += [f"{joined.without_foot} of them at an end that no foot bears out"] if joined.without_foot else []
    given = ", ".join(str(f + shift) for f in joined.by_foot)
    detail += [f"given all the same, by the foot of the fret: {given}"] if given else []
    warnings += [warning("crowns-left-out", "; ".join(detail))] if len(missing) else []
    in_doubt = ", ".join(str(f + shift) for f in joined.in_doubt)
    warnings += [warning("crown-off-foot", f"fret {in_doubt}")] if in_doubt else []
    carried = [c.fret for c in profile.crowns if c.extrapolated]
    warnings += [warning("end-extrapolated", f"fret {', '.join(map(str, carried))}")] if carried else []
    warnings += [] if photo.focal_px else [warning("no-focal-length")]
    warnings += both_ways(profile, relief)
    along = np.linspace(edge.low_px, edge.high_px, 41)
    followed = Straightedge(np.stack([along, edge.y_px(along) + slit.offset_px], axis=1))
    budget = budget_lines(joined, slit, reached, relief)
    facts = _facts(photo, slit, joined.crowns, placed)
    return Measurement(photo.facts, scale, followed, profile, relief, tuple(warnings), budget, facts)


def both_ways(profile: GapProfile, relief: Relief) -> list[Finding]:
    """Return what is to be said of a neck that bends both ways along the chord."""
    if relief.shape != "s-bend":
        return []
    told = (f"{lobe.depth_mm:+.2f} ± {lobe.U_mm:.2f} mm at fret {lobe.at_fret}" for lobe in lobes(profile, relief))
    return [warning("bends-both-ways", " and ".join(told))]


def _check_count(found: Located) -> None:
    """Refuse when hardly any fret of the comb lies under the edge that could be followed."""
    frets, _ = found.comb.frets(found.edge.low_px, found.edge.high_px)
    if len(frets) < MIN_CROWNS:
        raise refusal("too-few-crowns", f"{len(frets)} under the straightedge")


def check_length(edge: EdgeCurve, width_px: int) -> None:
    """Refuse two lines for a straightedge's edges that are followed along a small part of the picture only.

    Of 62 own renders with truth whose scale is told by the straightedge's height alone all right ones were followed
    along more than half of it; one along a quarter had a scale four times too small.

    Raises
    ------
    Refusal
        `no-straightedge`.
    """
    share = (edge.high_px - edge.low_px) / width_px
    if share < MIN_LENGTH:
        raise refusal(
            "no-straightedge",
            f"what may be its edge runs along {share:.0%} of the picture",
            cure=f"let it run through {MIN_LENGTH:.0%} of the picture or more, or use a reference object",
        )


def _check_light(slit: SlitLight, px_per_mm: float) -> None:
    if slit.blur_px > MAX_BLUR_PX or slit.blur_px > MAX_BLUR_MM * px_per_mm:
        raise refusal("blurred", f"{slit.blur_px:.1f} px, {slit.blur_px / px_per_mm:.2f} mm")
    if slit.contrast < MIN_CONTRAST:
        raise refusal("low-contrast", f"{slit.contrast:.0%}")


def _begin_bends(
    photo: Photo, found: Located, slit: SlitLight, camera: BoardCamera, both: Halves
) -> Callable[[], list[ExtraBend | None]]:
    """Begin to read how both edges bend by the light about their chamfers; return what waits for both, lower first."""
    edge, scale = found.edge, camera.comb.px_per_mm
    _, fret_px = camera.comb.frets(edge.low_px - MIRRORED_MM * scale, edge.high_px + MIRRORED_MM * scale)
    cut = partial(windows_along, photo.luminance, edge=edge, px_per_mm=scale, fret_px=fret_px)
    lower, upper = cut(edge), None if found.upper is None else cut(found.upper, upper=True)
    return both.aside(partial(_bends, blur_px=slit.blur_px, px_per_mm=scale), (lower, upper))


def _bends(seen: tuple[Windows | None, Windows | None], *, blur_px: float, px_per_mm: float) -> list[ExtraBend | None]:
    return [
        read_bend(w, blur_px=blur_px, px_per_mm=px_per_mm, upper=u) for w, u in zip(seen, (False, True), strict=True)
    ]


def _read_outlines(
    photo: Photo, edge: EdgeCurve, slit: SlitLight, camera: BoardCamera, position_mm: Array
) -> EndOutlines | None:
    """Read the outlines of the fret ends where their feet make a row."""
    seen = (photo.luminance, edge, slit, camera)
    feet = find_feet(*seen, position_mm=position_mm)
    if feet is None or not feet.is_row:
        return None
    return read_outlines(*seen, position_mm=position_mm, foot_mm=feet.below_mm)


def _find_feet(
    photo: Photo,
    edge: EdgeCurve,
    slit: SlitLight,
    camera: BoardCamera,
    position_mm: Array,
    outlines: EndOutlines | None,
) -> Feet | None:
    """Find the feet of the frets, and how tall the ends stand over them where they make a row."""
    feet = find_feet(photo.luminance, edge, slit, camera, position_mm=position_mm)
    if feet is None or not feet.is_row or outlines is None:
        return feet
    ends = compare_heights(outlines, edge, slit, camera, position_mm=position_mm, foot_mm=feet.below_mm)
    return with_ends(feet, ends, outer=camera.beside_outer)


def _check_depth(camera: BoardCamera, position_mm: Array) -> None:
    """Refuse a straightedge beside the outer string whose fret ends are seen in the plane of the crowns.

    The parallax of half a straightedge's thickness and a fret's bevel is what tells a photo of fret ends from a drawing
    of them; along the middle of the board the frets' smear does.

    Raises
    ------
    Refusal
        `no-depth`.
    """
    if not camera.beside_outer:
        return
    depth_mm = float(np.mean(camera.ends_mm(position_mm)))
    if depth_mm < MIN_DEPTH_MM:
        raise refusal("no-depth", f"ends seen {depth_mm:.1f} mm before the crowns")


def _clear_of_strings(
    photo: Photo, edge: EdgeCurve, fret_px: Array, px_per_mm: float
) -> tuple[EdgeCurve, NDArray[np.bool_]]:
    """Return the edge followed where no string crosses it, and which frets none hides.

    Raises
    ------
    Refusal
        `strings-in-front` when strings hide the edge over many frets.
    """
    hidden = covered(photo.luminance, edge, px_per_mm)
    if not hidden.any():
        return edge, np.ones(len(fret_px), dtype=bool)
    nearest = np.rint(fret_px - edge.columns()[0]).astype(np.intp)
    behind = hidden[np.clip(nearest, 0, len(hidden) - 1)]
    if behind.mean() > MAX_COVERED:
        raise refusal("strings-in-front", f"before the edge at {behind.sum()} of {len(fret_px)} frets")
    edge = follow_between(photo.luminance, edge, hidden, px_per_mm)
    return edge, ~behind & (fret_px >= edge.low_px) & (fret_px <= edge.high_px)


def _profile(
    joined: Joined, placed: Placed, slit: SlitLight, settings: MeasureSettings, width_px: int
) -> tuple[GapProfile, list[Finding]]:
    crowns, covariance = joined.crowns, joined.covariance_mm2
    u = np.sqrt(np.diag(covariance))
    relative = settings.scale_length_mm is None and placed.anchor is None
    shift = 1 - crowns.crowns[0].fret if relative else 0
    rows = []
    for crown, u_gap in zip(crowns.crowns, u, strict=True):
        x_px, y_px = _apex_px(crown, crowns, placed.found.edge, slit)
        rows.append(CrownGap(crown.fret + shift, crown.position_mm, crown.gap_mm, float(u_gap), False, x_px, y_px))
    profile = GapProfile(tuple(rows), covariance, "photo", settings.scale_length_mm, numbers_relative=relative)
    warnings = [warning("numbers-relative")] if relative else []
    if placed.guess.height_unseen:
        warnings.append(warning("height-unseen"))
    alone = placed.guess.source is None or placed.guess.height_unseen or settings.straightedge_height_mm is None
    if settings.scale_length_mm is None and alone:
        warnings.append(warning("scale-unchecked"))
    if placed.guess.by_frets:
        warnings.append(warning("scale-by-frets", HANGS_ON[placed.anchor or "nut"]))
    if crowns.camera.beside_outer:
        warnings.append(warning("outer-line"))
    if crowns.by_feet:
        warnings.append(warning("by-feet"))
    lowest = float(profile.gap_mm.min())
    if crowns.camera.beside_outer and not crowns.by_feet and lowest >= touching_mm(crowns.camera, proven=joined.agree):
        # Fret ends are short arcs that many things resemble: without a crown that touches, or strong feet, they prove
        # no fret.
        raise refusal("no-contact", f"lowest gap {lowest:+.2f} mm beside the outer string")
    profile = lay_on_crowns(profile, crowns, placed.found.edge, width_px)
    zeroed = any(c.touching for c in profile.crowns)
    return profile, warnings if zeroed else [*warnings, warning("gaps-not-zeroed")]


def _apex_px(crown: CrownFit, crowns: CrownSet, edge: EdgeCurve, slit: SlitLight) -> tuple[float, float]:
    x = crowns.camera.comb.x_px(np.array([crown.position_mm + crown.place_mm]))
    y = edge.y_px(x) + slit.offset_px + crown.gap_mm * crowns.camera.px_per_mm(x)
    return float(x[0]), float(y[0])


def reach_chord(profile: GapProfile, wanted: tuple[int, int] | None, scale_length_mm: float) -> Extrapolated:
    """Return a profile with the ends of the chord wanted carried on from crowns not far inside that were read.

    Parameters
    ----------
    profile
        Of the crowns read.
    wanted
        End frets of the chord; None carries nothing on, nor do numbers counted from the first crown in view.
    scale_length_mm
        Tells where the frets stand that were not read.
    """
    if wanted is None or profile.numbers_relative or len(profile.crowns) < MIN_CROWNS:
        return extrapolate(profile, {})
    first, last = sorted(wanted)
    inside = [f for f in profile.frets if first <= f <= last]
    if not inside:
        return extrapolate(profile, {})
    near = {first: inside[0] - first, last: last - inside[-1]}
    ends = [fret for fret, apart in near.items() if 0 < apart <= MAX_CARRIED and 1 <= fret <= MAX_FRET]
    return extrapolate(profile, {fret: float(fret_position_mm(float(fret), scale_length_mm)) for fret in ends})


def choose_chord(profile: GapProfile, wanted: tuple[int, int] | None) -> tuple[int, int]:
    """Return the chord's end frets: those wanted, else the usual ones.

    Raises
    ------
    Refusal
        An end could not be read, or fewer than two crowns lie between them.
    """
    chord = wanted or default_chord(profile)
    missing = [f for f in chord if f not in profile.frets]
    if missing:
        raise refusal("too-few-crowns", f"chord end fret {missing[0]} could not be read")
    if sum(min(chord) < f < max(chord) for f in profile.frets) < 2:
        raise refusal("too-few-crowns", f"between chord ends {chord[0]} and {chord[1]}")
    return chord


def check_coverage(profile: GapProfile, chord: tuple[int, int]) -> None:
    """Refuse when too many crowns between the chord's ends are missing: the deepest may be among them."""
    first, last = sorted(chord)
    read = sum(first <= c.fret <= last for c in profile.crowns if not c.extrapolated)
    if read < MIN_SHARE * (last - first + 1):
        raise refusal("too-few-crowns", f"{read} of {last - first + 1} between the chord's ends")


def _facts(photo: Photo, slit: SlitLight, crowns: CrownSet, placed: Placed) -> dict[str, float]:
    camera = crowns.camera
    yaw = np.degrees(np.arctan(camera.comb.yaw * camera.comb.focal_px / camera.comb.middle_px))
    facts = {
        "blur_px": slit.blur_px,
        "edge_contrast": slit.contrast,
        "edge_scatter_px": placed.found.edge.scatter_px,
        "camera_distance_mm": camera.distance_mm,
        "focal_px": focal_px(photo),
        "yaw_deg": float(yaw),
        "comb_score": placed.found.comb.score,
    }
    if not (crowns.by_ends or crowns.by_feet):  # which tell neither
        facts["elevation_deg"] = float(np.degrees(crowns.outline.elevation_rad))
        facts["board_radius_mm"] = 1 / max(crowns.outline.board_per_mm, 1e-5)
    if placed.anchor is not None:
        facts["scale_length_mm"] = camera.comb.scale_length_mm
    return {k: round(float(v), 4) for k, v in facts.items()}
