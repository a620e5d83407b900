"""The straightedge's upper edge: followed like the lower one, and told from what only looks like a level line."""

from __future__ import annotations

import numpy as np

from lightgap.neck.errors import Refusal

from .blade import SURE_STEP
from .edge import FLOOR, Line, sample_strip
from .locate import EdgeCurve, track_edge
from .photo import FloatImage

# A line is straight and good to a few pixels at its ends; a phone's lens bends an edge far from the middle by a few.
WINDOWS_PX = (8.0, 4.0, 2.4)
BESIDE_MM = np.concatenate([np.arange(-0.8, -0.15, 0.1), np.arange(0.2, 0.85, 0.1)])
# Background like the blade hides a stretch of its border; glare and shades on the face make no step.
MIN_SHARE = 0.55


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


def rise_px(edge: EdgeCurve, border: EdgeCurve, column_px: float) -> float:
    """Return how far above the lower edge the upper one stands, across the line, at a column or the nearest seen."""
    column = np.array([np.clip(column_px, edge.low_px, edge.high_px)])
    upright = float(np.cos(np.arctan(edge.as_line().slope)))
    return float((edge.y_px(column) - border.y_px(column))[0]) * upright
