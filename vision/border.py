"""The straightedge's upper edge: followed like the lower one, and told from what only looks like a level line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lightgap.neck.errors import Refusal
from lightgap.neck.profile import Array

from .blade import SURE_STEP
from .blade_ends import BAND_MM, BANDS_MM, COLUMN_MM, face_levels, face_steps
from .edge import FLOOR, Line, sample_strip
from .locate import EdgeCurve, track_edge
from .photo import FloatImage

# A line is straight and good to a few pixels at its ends; a phone's lens bends an edge far from the middle by a few.
WINDOWS_PX = (8.0, 4.0, 2.4)
BESIDE_MM = np.concatenate([np.arange(-0.8, -0.15, 0.1), np.arange(0.2, 0.85, 0.1)])
# Background like the blade hides a stretch of its border; glare and shades on the face make no step.
MIN_SHARE = 0.55
# Where the lower edge goes on past the upper one's end: by at least so much, and how the face is looked at there.
SHORT_MM, ABOUT_MM = 2.0, 2.8
LEAST_USUAL, SHARP = 0.03, 2.4  # in the logarithm of light; times what nine of ten columns of the face show


def follow_border(luminance: FloatImage, edge: EdgeCurve, line: Line, *, px_per_mm: float) -> EdgeCurve | None:
    """Follow the straightedge's upper edge over the columns of its lower one; None when it is no clear border.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge
        The lower edge, followed.
    line
        Where the upper one is thought to be.
    px_per_mm
        Scale at them.
    """
    columns = np.arange(np.ceil(max(edge.low_px, 0.0)), min(edge.high_px, luminance.shape[1] - 1.0), 1.0)
    sign = 1 if line.strength > 0 else -1
    y = line.y_px(columns)
    try:
        for window_px in WINDOWS_PX:
            border = track_edge(luminance, columns, y, sign, px_per_mm, window_px=window_px)
            y = border.y_px(columns)
    except Refusal:
        return None
    strip = sample_strip(luminance, y, columns, px_per_mm=px_per_mm, below_mm=BESIDE_MM)
    light = np.log(np.maximum(strip.light, 0) + FLOOR)
    step = sign * (light[BESIDE_MM > 0].mean(axis=0) - light[BESIDE_MM < 0].mean(axis=0))
    return border if float((step > SURE_STEP).mean()) >= MIN_SHARE else None


def within_border(luminance: FloatImage, edge: EdgeCurve, border: EdgeCurve, *, px_per_mm: float) -> EdgeCurve:
    """Return the lower edge without what goes on past the upper one's end, where the face's light ends as well.

    A string, or the board's glare, goes on in the line of the lower edge; nothing does in that of the upper one.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge, border
        The lower edge and the upper one, followed.
    px_per_mm
        Scale at them.
    """
    low_px, high_px = edge.low_px, edge.high_px
    inner = np.array([low_px + (high_px - low_px) / 4, high_px - (high_px - low_px) / 4])
    if border.low_px - low_px > SHORT_MM * px_per_mm:
        columns = np.array([border.low_px, *inner])
        low_px = border.low_px if _ends_there(luminance, edge, border, columns, px_per_mm) else low_px
    if high_px - border.high_px > SHORT_MM * px_per_mm:
        columns = np.array([border.high_px, *inner])
        high_px = border.high_px if _ends_there(luminance, edge, border, columns, px_per_mm) else high_px
    return replace(edge, low_px=low_px, high_px=high_px)


def _ends_there(luminance: FloatImage, edge: EdgeCurve, border: EdgeCurve, columns: Array, px_per_mm: float) -> bool:
    """Tell whether the face's light steps, over most of its height, about the first of the columns.

    The other two are those between which it steps by no more than its grain and what it mirrors make it.
    """
    near = columns[0] + np.arange(-ABOUT_MM, ABOUT_MM, COLUMN_MM) * px_per_mm
    inner = np.arange(columns[1], columns[2], COLUMN_MM * px_per_mm)
    rise_mm = float((edge.straight_on_y_px(inner) - border.straight_on_y_px(inner)).mean()) / px_per_mm
    over_mm = np.arange(BANDS_MM[0], rise_mm - BANDS_MM[0] - BAND_MM, BAND_MM)
    usual, here = (
        face_steps(face_levels(luminance, x, edge.straight_on_y_px(x), px_per_mm, over_mm=over_mm))[0]
        for x in (inner, near)
    )
    seen = np.isfinite(usual).all(axis=1) & np.isfinite(here).all(axis=1)
    if not seen.any():
        return False
    sharp = here[seen] / np.maximum(np.quantile(usual[seen], 0.9, axis=1), LEAST_USUAL)[:, None]
    return float(np.median(sharp, axis=0).max()) > SHARP


def rise_px(edge: EdgeCurve, border: EdgeCurve, column_px: float) -> float:
    """Return how far above the lower edge the upper one stands, across the line, at a column or the nearest seen."""
    column = np.array([np.clip(column_px, edge.low_px, edge.high_px)])
    upright = float(np.cos(np.arctan(edge.as_line().slope)))
    return float((edge.y_px(column) - border.y_px(column))[0]) * upright
