"""The whole line on one screen: photo, edge, crowns, scale, gaps, relief."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array, CrownGap, Finding, GapProfile
from lightgap.neck.relief import compute_relief, default_chord, rezero_on_contact

from .calibrate import Numbering, settle_scale
from .contact import check_contact, check_edge, touching_mm
from .crowns import measure_crowns
from .feet import Feet, find_feet
from .findings import refusal, warning
from .guesses import check_fine, focal_px
from .joined import Joined, feet_alone, feet_prove, join
from .locate import EdgeCurve, Located
from .measure import MeasureSettings
from .numbering import Placed, place_frets
from .photo import Photo
from .readings import MAX_MISFIT, MAX_STEP_MM, MAX_STRAIN, MIN_SHARE, CrownFit, CrownSet
from .reference import parse_reference
from .slit import SlitLight, read_slit
from .strings import covered, follow_between
from .types import Measurement, Straightedge
from .uncertainty import budget_lines, crown_covariance, own_u_mm, widen

DEFAULT_THICKNESS_MM = 3.0
MIN_CROWNS = 4
MAX_BLUR_MM = 0.35
MAX_BLUR_PX = 4.0
MIN_CONTRAST = 0.12
MAX_ELEVATION_RAD = 0.075
HANGS_ON = {"nut": "on where the nut is seen", "first fret": "on --first-fret"}
MAX_COVERED = 0.15  # of the frets by strings: over more of them the edge itself could not be followed
# Half of a thin straightedge and the bevel of a fret's end (common practice, no published source); rendered photos show
# 3 mm and more, flat drawings 0.3 at most.
MIN_DEPTH_MM = 1.2


def measure_loaded(photo: Photo, settings: MeasureSettings) -> Measurement:
    """Measure relief in a photo already loaded; raises what `measure_photo` does, but for files."""
    if settings.rests_on == "board":
        raise refusal("rests-on-board")
    request = parse_reference(settings.reference)
    height_mm = settings.straightedge_height_mm
    thickness_mm = settings.straightedge_thickness_mm or DEFAULT_THICKNESS_MM
    numbering = Numbering(settings.scale_length_mm, settings.nut, settings.first_fret)
    placed = place_frets(photo, request, numbering, height_mm=height_mm, thickness_mm=thickness_mm)
    found = placed.found
    _check_count(found)
    camera = placed.camera
    if found.beside_outer and not camera.beside_outer:
        raise refusal("no-crowns", "fret ends before the straightedge, but in no row")
    span = np.array([found.edge.low_px, found.edge.high_px])
    scale = settle_scale(placed.guess, camera, camera.comb, thickness_mm=thickness_mm, span_px=span)
    check_fine(scale.px_per_mm)
    seen, columns = camera.comb.frets(found.edge.low_px, found.edge.high_px)
    edge, clear = _clear_of_strings(photo, found.edge, columns, scale.px_per_mm)
    frets = seen[clear]
    found = replace(found, edge=edge)
    placed = replace(placed, found=found)
    slit = read_slit(photo.luminance, found.edge, camera)
    _check_light(slit, scale.px_per_mm)
    position = fret_position_mm(frets.astype(np.float64), camera.comb.scale_length_mm)
    crowns = measure_crowns(
        photo.luminance,
        found.edge,
        camera,
        slit,
        frets=frets,
        position_mm=position,
        thickness_mm=thickness_mm,
        board_radius_mm=settings.board_radius_mm,
    )
    check_crowns(crowns)
    _check_depth(crowns)
    feet = find_feet(photo.luminance, found.edge, slit, crowns.camera, position_mm=position)
    joined = _joined(crowns, feet, frets, position, placed=placed, slit=slit, width_px=photo.facts.width_px)
    check_crowns(joined.crowns)
    profile, warnings = _profile(joined, placed, slit, settings)
    chord = choose_chord(profile, settings.chord)
    check_coverage(profile, chord)
    relief = compute_relief(profile, chord=chord)
    missing, hidden = len(seen) - len(joined.crowns.crowns), len(seen) - len(frets)
    detail = [f"{missing} of {len(seen)}"]
    detail += [f"{hidden} of them behind strings"] if hidden else []
    detail += [f"{joined.off_feet} of them off their feet"] if joined.off_feet else []
    warnings += [warning("crowns-left-out", ", ".join(detail))] if missing else []
    warnings += [] if photo.focal_px else [warning("no-focal-length")]
    along = np.linspace(edge.low_px, edge.high_px, 41)
    followed = Straightedge(np.stack([along, edge.y_px(along) + slit.offset_px], axis=1))
    budget = budget_lines(joined, slit, profile, relief)
    facts = _facts(photo, slit, joined.crowns, placed)
    return Measurement(photo.facts, scale, followed, profile, relief, tuple(warnings), budget, facts)


def _check_count(found: Located) -> None:
    """Refuse when hardly any fret of the comb lies under the edge that could be followed."""
    frets, _ = found.comb.frets(found.edge.low_px, found.edge.high_px)
    if len(frets) < MIN_CROWNS:
        raise refusal("too-few-crowns", f"{len(frets)} under the straightedge")


def _check_light(slit: SlitLight, px_per_mm: float) -> None:
    if slit.blur_px > MAX_BLUR_PX or slit.blur_px > MAX_BLUR_MM * px_per_mm:
        raise refusal("blurred", f"{slit.blur_px:.1f} px, {slit.blur_px / px_per_mm:.2f} mm")
    if slit.contrast < MIN_CONTRAST:
        raise refusal("low-contrast", f"{slit.contrast:.0%}")


def check_crowns(crowns: CrownSet) -> None:
    """Refuse crowns that were not read well enough to be measured.

    Raises
    ------
    Refusal
        `too-few-crowns`; `tilted`; `shapes-disagree` when explained badly, by frets unlike any, or with a step.
    """
    if len(crowns.crowns) < MIN_CROWNS:
        raise refusal("too-few-crowns", f"{len(crowns.crowns)} read")
    if abs(crowns.outline.elevation_rad) > MAX_ELEVATION_RAD:
        raise refusal("tilted", f"about {np.degrees(crowns.outline.elevation_rad):.1f} degrees")
    if crowns.largest_step_mm > MAX_STEP_MM:
        raise refusal("shapes-disagree", f"by them the board would have a step of {crowns.largest_step_mm:.2f} mm")
    if crowns.median_misfit > MAX_MISFIT:
        raise refusal(
            "shapes-disagree", f"off by {crowns.median_misfit:.1f} times the scatter assumed, {MAX_MISFIT:g} at most"
        )
    if crowns.strain > MAX_STRAIN:
        raise refusal(
            "shapes-disagree", f"only frets unlike any explain it: strain {crowns.strain:.0f}, {MAX_STRAIN:g} at most"
        )


def _check_depth(crowns: CrownSet) -> None:
    """Refuse a straightedge beside the outer string whose fret ends are seen in the plane of the crowns.

    The parallax of half a straightedge's thickness and a fret's bevel is what tells a photo of fret ends from a drawing
    of them; along the middle of the board the frets' smear does.

    Raises
    ------
    Refusal
        `no-depth`.
    """
    camera = crowns.camera
    if not camera.beside_outer:
        return
    place = np.array([c.position_mm for c in crowns.crowns])
    depth_mm = float(np.mean(camera.ends_mm(place)))
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


def _joined(
    crowns: CrownSet,
    feet: Feet | None,
    frets: NDArray[np.int64],
    position_mm: Array,
    *,
    placed: Placed,
    slit: SlitLight,
    width_px: int,
) -> Joined:
    """Return the crowns joined with the feet of their frets, or the feet alone where no crown could be seen.

    Raises
    ------
    Refusal
        `no-contact` when the crowns found would leave the straightedge floating.
    """
    by_height = placed.guess.source is None and not placed.guess.by_frets
    if feet is not None and feet_prove(crowns, feet) and not by_height:
        return feet_alone(crowns, feet, frets=frets, position_mm=position_mm)
    covariance = crown_covariance(crowns, slit)
    check_contact(crowns, covariance, placed.found.edge, width_px)
    if by_height:
        check_edge(crowns)
    read = np.searchsorted(frets, [c.fret for c in crowns.crowns])
    return join(crowns, covariance, own_u_mm(crowns, slit), feet.only(read) if feet else None)


def _profile(
    joined: Joined, placed: Placed, slit: SlitLight, settings: MeasureSettings
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
    if placed.guess.by_frets:
        warnings.append(warning("scale-by-frets", HANGS_ON[placed.anchor or "nut"]))
    if crowns.camera.beside_outer:
        warnings.append(warning("outer-line"))
    if crowns.by_feet:
        warnings.append(warning("by-feet"))
    if float(profile.gap_mm.min()) < touching_mm(crowns.camera, proven=joined.agree):
        return widen(rezero_on_contact(profile)), warnings
    if crowns.camera.beside_outer:
        # Fret ends are short arcs that many things resemble: without a crown that touches they prove no fret.
        raise refusal("no-contact", f"lowest gap {float(profile.gap_mm.min()):+.2f} mm beside the outer string")
    return widen(profile), [*warnings, warning("gaps-not-zeroed")]


def _apex_px(crown: CrownFit, crowns: CrownSet, edge: EdgeCurve, slit: SlitLight) -> tuple[float, float]:
    x = crowns.camera.comb.x_px(np.array([crown.position_mm + crown.place_mm]))
    y = edge.y_px(x) + slit.offset_px + crown.gap_mm * crowns.camera.px_per_mm(x)
    return float(x[0]), float(y[0])


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
    read = sum(first <= f <= last for f in profile.frets)
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
