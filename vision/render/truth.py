"""The truth about a rendered photo, in the words of a measurement and as a sidecar document."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from lightgap.neck.profile import Array, CrownGap, GapProfile, Relief, Shape
from lightgap.vision.types import Measurement, PhotoFacts, ReferenceKind, Scale, Straightedge

from .board import BladeLine, Crowns
from .camera import Pinhole
from .objects import reference_frame
from .settings import SceneSettings

TOUCH_MM = 1e-6
CONVENTION = "pixel centres at integer coordinates of the upright image; (0, 0) is the centre of its top left pixel"


@dataclass(frozen=True, slots=True)
class TrueCrowns:
    """The crowns under the straightedge and inside the picture, along its line; arrays are (n,) or (n, 2)."""

    frets: tuple[int, ...]
    x_mm: Array
    height_mm: Array
    gap_mm: Array
    below_chord_mm: Array
    apex_px: Array
    edge_px: Array


def true_crowns(settings: SceneSettings, crowns: Crowns, *, line: BladeLine, camera: Pinhole) -> TrueCrowns:
    """Return what a perfect measurement finds at each crown that can be seen under the straightedge."""
    x, z = crowns.x_mm, line.z_mm(crowns.x_mm)
    y, edge = crowns.height_at_mm(z), line.height_mm(x)
    apex_px, edge_px = camera.project_px(np.column_stack([x, y, z])), camera.project_px(np.column_stack([x, edge, z]))
    c = settings.camera
    keep = (x > line.x_left_mm) & (x < line.x_right_mm)
    keep &= (apex_px[:, 0] > 0) & (apex_px[:, 0] < c.width_px - 1)
    keep &= (apex_px[:, 1] > 0) & (apex_px[:, 1] < c.height_px - 1)
    if not measurable(settings):
        keep[:] = False
    i = np.flatnonzero(keep)
    below = np.zeros(len(i))
    if len(i) > 1:
        below = np.interp(x[i], x[i[[0, -1]]], y[i[[0, -1]]]) - y[i]
    frets = tuple(crowns.frets[j] for j in i)
    square = np.cos(line.lean_rad)  # the straightedge stands square to the board, and gaps are read along its face
    return TrueCrowns(frets, x[i], y[i], square * (edge[i] - y[i]), square * below, apex_px[i], edge_px[i])


def measurable(settings: SceneSettings) -> bool:
    """Return whether straightedge and frets are in the scene at all."""
    return settings.blade.shown and settings.neck.frets_shown


def px_per_mm_at(line: BladeLine, camera: Pinhole, *, x_mm: float) -> float:
    """Return the image scale along the straightedge's lower edge at `x_mm`."""
    x = np.array([x_mm - 0.5, x_mm + 0.5])
    ends = camera.project_px(np.column_stack([x, line.height_mm(x), line.z_mm(x)]))
    return float(np.linalg.norm(ends[1] - ends[0]) / np.hypot(1.0, np.hypot(line.slope, line.z_slope)))


def _shape(below: Array) -> Shape:
    """Name the bow of the truth: everything under 10 microns counts as straight."""
    high, low = float(below.max(initial=0.0)), float(below.min(initial=0.0))
    if max(high, -low) < 0.010:
        return "straight"
    if min(high, -low) > 0.3 * max(high, -low):
        return "s-bend"
    return "up-bow" if high > -low else "back-bow"


def measure_truth(
    settings: SceneSettings, crowns: Crowns, *, line: BladeLine, camera: Pinhole, sha256: str
) -> Measurement:
    """Return the truth in the dataclass that measuring returns; every uncertainty is zero."""
    seen = true_crowns(settings, crowns, line=line, camera=camera)
    at = int(np.argmax(np.abs(seen.below_chord_mm))) if seen.frets else 0
    gaps = tuple(
        CrownGap(
            fret=fret,
            position_mm=float(seen.x_mm[i]),
            gap_mm=float(seen.gap_mm[i]),
            u_gap_mm=0.0,
            touching=bool(seen.gap_mm[i] < TOUCH_MM),
            x_px=float(seen.apex_px[i, 0]),
            y_px=float(seen.apex_px[i, 1]),
        )
        for i, fret in enumerate(seen.frets)
    )
    relief = Relief(
        relief_mm=float(seen.below_chord_mm[at]) if seen.frets else 0.0,
        U_mm=0.0,
        k=2.0,
        at_fret=seen.frets[at] if seen.frets else 0,
        chord=(seen.frets[0], seen.frets[-1]) if seen.frets else (0, 0),
        shape=_shape(seen.below_chord_mm),
    )
    x = np.linspace(line.x_left_mm, line.x_right_mm, 60)
    edge_px = camera.project_px(np.column_stack([x, line.height_mm(x), line.z_mm(x)]))
    c = settings.camera
    return Measurement(
        photo=PhotoFacts(f"{settings.name}.jpg", sha256, c.width_px, c.height_px),
        scale=_true_scale(settings, seen, line=line, camera=camera),
        straightedge=Straightedge(edge_px[np.argsort(edge_px[:, 0])]),
        profile=GapProfile(gaps, np.zeros((len(gaps), len(gaps))), scale_length_mm=settings.neck.scale_length_mm),
        relief=relief,
    )


def _middle_mm(seen: TrueCrowns, line: BladeLine) -> float:
    ends = seen.x_mm[[0, -1]] if seen.frets else np.array([line.x_left_mm, line.x_right_mm])
    return float(ends.mean())


def _outline_px(settings: SceneSettings, line: BladeLine, *, camera: Pinhole) -> Array:
    if settings.reference.kind == "none":
        return np.zeros((0, 2))
    outline = camera.project_px(reference_frame(settings, line).outline_mm)
    if settings.nut_side == "right" and settings.reference.kind != "coin":
        outline = outline[[1, 0, 3, 2]]  # from the picture's top left, on clockwise
    return outline


def _true_scale(settings: SceneSettings, seen: TrueCrowns, *, line: BladeLine, camera: Pinhole) -> Scale:
    kind = settings.reference.kind
    reference: ReferenceKind = "straightedge" if kind == "none" else kind
    scale = px_per_mm_at(line, camera, x_mm=_middle_mm(seen, line))
    return Scale(reference, scale, 0.0, outline_px=_outline_px(settings, line, camera=camera))


def describe_truth(
    settings: SceneSettings, crowns: Crowns, *, line: BladeLine, camera: Pinhole, exposure: float
) -> dict[str, Any]:
    """Return the sidecar document: what a user would know (inputs), what is true, and how the photo was made."""
    return {
        "schema": "lightgap/truth/1",
        "image": f"{settings.name}.jpg",
        "pixel_convention": CONVENTION,
        "inputs": _inputs(settings, crowns, line=line, camera=camera),
        "truth": _truth(settings, crowns, line=line, camera=camera),
        "camera": _camera(camera),
        "reference_front_face_z_mm": None
        if settings.reference.kind == "none"
        else round(reference_frame(settings, line).front_offset_mm, 5),
        "exposure": exposure,
        "parameters": _parameters(settings),
    }


def _inputs(settings: SceneSettings, crowns: Crowns, *, line: BladeLine, camera: Pinhole) -> dict[str, Any]:
    r = settings.reference
    marker = r.kind == "marker"
    sizes: dict[str, Any] = {"card": [85.6, 53.98], "coin": r.size_mm, "marker": r.size_mm, "none": None}
    frets = true_crowns(settings, crowns, line=line, camera=camera).frets
    return {
        "scale_length_mm": settings.neck.scale_length_mm,
        "reference": r.kind,
        "reference_size_mm": sizes[r.kind],
        "marker_dictionary": "DICT_4X4_50" if marker else None,
        "marker_id": r.marker_id if marker else None,
        "blade_height_mm": settings.blade.height_mm,
        "blade_thickness_mm": settings.blade.thickness_mm,
        "board_radius_mm": settings.neck.board_radius_mm,
        "nut_side": settings.nut_side,
        "first_visible_fret": frets[0] if frets else None,
    }


def _truth(settings: SceneSettings, crowns: Crowns, *, line: BladeLine, camera: Pinhole) -> dict[str, Any]:
    seen = true_crowns(settings, crowns, line=line, camera=camera)
    at = int(np.argmax(np.abs(seen.below_chord_mm))) if seen.frets else None
    x = np.linspace(line.x_left_mm, line.x_right_mm, 60)
    edge_px = camera.project_px(np.column_stack([x, line.height_mm(x), line.z_mm(x)]))
    blade: dict[str, float] = {"intercept": line.intercept_mm, "slope": line.slope}
    if settings.blade.place == "outer":
        blade |= {"z0": line.z0_mm, "z_slope": line.z_slope, "lean_rad": line.lean_rad}
    blade |= {"x_left": line.x_left_mm, "x_right": line.x_right_mm}
    heights = crowns.height_at_mm(line.z_mm(crowns.x_mm))
    return {
        "frets": [
            {
                "fret": fret,
                "x_mm": round(float(seen.x_mm[i]), 4),
                "gap_mm": round(float(seen.gap_mm[i]), 6),
                "u_px": round(float(seen.apex_px[i, 0]), 3),
                "v_px": round(float(seen.apex_px[i, 1]), 3),
                "blade_v_px_z0": round(float(seen.edge_px[i, 1]), 3),
                "below_chord_mm": round(float(seen.below_chord_mm[i]), 6),
            }
            for i, fret in enumerate(seen.frets)
        ],
        "relief_mm": None if at is None else round(float(seen.below_chord_mm[at]), 6),
        "fret_of_relief": None if at is None else seen.frets[at],
        "relief_span_frets": [seen.frets[0], seen.frets[-1]]
        if seen.frets
        else [settings.blade.first_fret, settings.blade.last_fret],
        "px_per_mm_at_middle": round(px_per_mm_at(line, camera, x_mm=_middle_mm(seen, line)), 5),
        "blade_edge_px_z0": np.round(edge_px, 3).tolist(),
        "blade_line_mm": blade,
        "contact_frets": list(line.contact_frets),
        "crown_height_mm": {str(f): round(float(h), 6) for f, h in zip(crowns.frets, heights, strict=True)},
        "reference_outline_px": np.round(_outline_px(settings, line, camera=camera), 3).tolist(),
    }


def _camera(camera: Pinhole) -> dict[str, Any]:
    return {
        "focal_px": camera.focal_px,
        "cx": camera.cx_px,
        "cy": camera.cy_px,
        "k1": camera.k1,
        "centre_mm": camera.centre_mm.tolist(),
        "forward": camera.forward.tolist(),
        "right": camera.right.tolist(),
        "up": camera.up.tolist(),
        "focus_distance_mm": camera.focus_distance_mm,
        "aperture_radius_mm": camera.aperture_radius_mm,
        "world_x_sign": camera.x_sign,
        "distortion": "x_d = x_u (1 + k1 r_u^2), coordinates divided by the focal length",
    }


def _parameters(settings: SceneSettings) -> dict[str, Any]:
    """Settings by part, and the few that classify a photo at the top."""
    return {
        "name": settings.name,
        "framing": settings.framing,
        "background": settings.light.background,
        "strings": settings.neck.strings,
        "blade_place": settings.blade.place,
        "elevation_deg": settings.camera.elevation_deg,
        "settings": asdict(settings),
    }
