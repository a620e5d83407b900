"""Which places of a comb have a fret's end on the board's near side, under the straightedge or beside it."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array

from .blade import TEXTURE_WINDOW_MM, columns_of
from .camera import BoardCamera, column_of
from .edge import band_of, sample_strip, significance
from .locate import EdgeCurve
from .photo import FloatImage

BAND_MM = 0.8
DEPTHS_MM = np.arange(0.5, 6.0, 0.4)  # below the edge: the near side of the board, its end bevel to half its height
REACH_MM = 1.0
# Strength of a mark: 0 as between frets, 1 as at the frets found. Beside frets found they are 0.7 and more.
FRET_LIKE = 0.5
BETWEEN = (0.3, 0.7)  # steps from one fret to the next: inlays stand at a half
VIEW_MARGIN_MM = 1.5


class FretEnds:
    """Marks of fret ends on the band of the board's side that tells them best.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge
        Of the straightedge.
    camera
        Fitted to the frets found.
    matched
        Numbers of the frets found.
    """

    def __init__(self, luminance: FloatImage, edge: EdgeCurve, camera: BoardCamera, matched: tuple[int, ...]) -> None:
        self._width_px = luminance.shape[1]
        self._separation = 0.0
        known = np.array(matched, dtype=np.float64)
        between = np.concatenate([known + step for step in BETWEEN])
        self._camera = camera
        scale = camera.comb.px_per_mm
        x = columns_of(luminance, scale)
        below = np.arange(DEPTHS_MM[0], DEPTHS_MM[-1] + BAND_MM, 0.1)
        strip = sample_strip(luminance, edge.straight_on_y_px(x), x, px_per_mm=scale, below_mm=below)
        rows = significance(strip.texture(TEXTURE_WINDOW_MM, scale))
        self._step_px = strip.step_px
        for low in DEPTHS_MM:
            self._try(band_of(rows[(below >= low) & (below < low + BAND_MM)]), known, between)

    def _try(self, band: Array, known: Array, between: Array) -> None:
        at, off = (v[np.isfinite(v)] for v in (self._read(band, p) for p in (known, between)))
        if len(at) < 3 or len(off) < 3:
            return
        floor = float(np.median(off))
        noise = 1.48 * float(np.median(np.abs(off - floor))) + 0.1
        separation = (float(np.quantile(at, 0.2)) - floor) / noise
        if separation > self._separation:
            self._separation, self._band = separation, band
            self._floor, self._full = floor, float(np.median(at))

    def _read(self, band: Array, places: Array) -> Array:
        """Return the highest mark within reach of each place's fret end, NaN out of view."""
        out = np.full(len(places), np.nan)
        scale, step_px = self._camera.comb.px_per_mm, self._step_px
        for i, x_px in enumerate(self._columns(places)):
            if VIEW_MARGIN_MM * scale < x_px < self._width_px - VIEW_MARGIN_MM * scale:
                low, high = (round((x_px + side * REACH_MM * scale) / step_px) for side in (-1, 1))
                out[i] = band[max(low, 0) : high + 1].max()
        return out

    def _columns(self, places: Array) -> Array:
        camera = self._camera
        position = fret_position_mm(places, camera.comb.scale_length_mm)
        return column_of(camera, position, camera.ends_mm(position))

    def seen(self, places: Iterable[int]) -> list[bool | None]:
        """Tell of each place whether a fret's end is seen there; None when it is out of view or nothing tells."""
        numbers = np.array(list(places), dtype=np.float64)
        if not self._separation > 0:
            return [None] * len(numbers)
        strength = (self._read(self._band, numbers) - self._floor) / (self._full - self._floor)
        return [None if np.isnan(s) else bool(s > FRET_LIKE) for s in strength]
