"""Frames of the straightedge and of the object of known size before its face."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.neck.profile import Array

from .board import BladeLine
from .settings import SceneSettings

CARD_MM = (85.60, 53.98)  # ISO/IEC 7810, ID-1
CARD_CORNER_MM = 3.18
CARD_THICKNESS_MM = 0.76
COIN_THICKNESS_MM = 1.75
MARKER_THICKNESS_MM = 0.25
MARKER_CELLS = 6  # black border and four by four bits


def blade_axes(line: BladeLine) -> tuple[Array, Array, Array]:
    """Return unit vectors along the straightedge, up in its face, and out of its face towards the camera."""
    along = np.array([1.0, line.slope, line.z_slope])
    along /= np.linalg.norm(along)
    up = np.array([0.0, np.cos(line.lean_rad), np.sin(line.lean_rad)])
    up -= (up @ along) * along
    up /= np.linalg.norm(up)
    return along, up, np.cross(along, up)


@dataclass(frozen=True, slots=True)
class ReferenceFrame:
    """The object of known size: its front face's middle and axes, true half sizes of the whole object.

    Attributes
    ----------
    outline_mm
        (n, 3) outline of what has the stated size, on the front face: the card's corners (as if not rounded), points
        of the coin's rim, or the corners of the marker's black square.
    front_offset_mm
        Distance of the front face from the middle plane of the straightedge.
    """

    middle_mm: Array
    right: Array
    up: Array
    out: Array
    half_width_mm: float
    half_height_mm: float
    depth_mm: float
    corner_mm: float
    outline_mm: Array
    front_offset_mm: float


def reference_frame(settings: SceneSettings, line: BladeLine) -> ReferenceFrame:
    """Stand the object of known size before the straightedge's near face."""
    r = settings.reference
    along, up, out = blade_axes(line)
    turn = np.deg2rad(r.turn_deg)
    right_ = np.cos(turn) * along + np.sin(turn) * up
    up_ = -np.sin(turn) * along + np.cos(turn) * up
    corner = 0.0
    if r.kind == "card":
        half_w, half_h = 0.5 * r.true_scale * CARD_MM[0], 0.5 * r.true_scale * CARD_MM[1]
        depth, corner, known = CARD_THICKNESS_MM, r.true_scale * CARD_CORNER_MM, (half_w, half_h)
    elif r.kind == "coin":
        half_w = half_h = 0.5 * r.true_scale * r.size_mm
        depth, known = COIN_THICKNESS_MM, (half_w, half_h)
    else:
        side = 0.5 * r.true_scale * r.size_mm
        half_w = half_h = side * (MARKER_CELLS + 2) / MARKER_CELLS
        depth, known = MARKER_THICKNESS_MM, (side, side)
    front = 0.5 * settings.blade.thickness_mm + r.stand_off_mm + depth
    lowest = half_h if r.kind == "coin" else abs(np.sin(turn)) * half_w + np.cos(turn) * half_h
    foot = np.array([r.x_mm, float(line.height_mm(r.x_mm)), float(line.z_mm(r.x_mm))])
    middle = foot + (r.above_mm + lowest) * up + front * out
    if r.kind == "coin":
        a = np.arange(24) * np.pi / 12.0
        uv = known[0] * np.column_stack([np.cos(a), np.sin(a)])
    else:
        uv = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]]) * known
    outline = middle + uv[:, :1] * right_ + uv[:, 1:] * up_
    return ReferenceFrame(
        middle, right_, up_, out, float(half_w), float(half_h), depth, float(corner), outline, float(front)
    )
