"""The photo with the measurement drawn on it."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np

from lightgap.neck.profile import Array

from .photo import ByteImage, load_photo
from .types import Measurement

EDGE, CROWN, TOUCH, CHORD, REFERENCE = (255, 60, 160), (40, 220, 90), (255, 170, 0), (60, 150, 255), (250, 210, 40)
INK, PAPER = (20, 20, 24), (250, 250, 246)
GAP_STRETCH = 12.0


def draw_overlay(path: Path, measurement: Measurement) -> bytes:
    """Return a PNG of the photo with edge, crowns, gaps, fret numbers, chord, reference object and relief in words.

    Below the photo stands the strip of the gap, stretched upwards and downwards so that hundredths of a millimetre
    can be seen; it says by how much.
    """
    photo = load_photo(path)
    measurement = _first_photo_only(measurement)
    canvas = _marked_photo(photo.coded, measurement)
    strip = _stretched_strip(photo.coded, measurement)
    words = _caption(measurement, canvas.shape[1])
    picture = np.vstack([canvas, strip, words])
    return _png(picture)


def _first_photo_only(m: Measurement) -> Measurement:
    """Return the measurement without the places of crowns that only another photo shows."""
    shown_in = m.shown_in or (0,) * len(m.profile.crowns)
    crowns = tuple(
        replace(crown, x_px=None, y_px=None) if number else crown
        for crown, number in zip(m.profile.crowns, shown_in, strict=True)
    )
    return replace(m, profile=replace(m.profile, crowns=crowns))


def _png(picture: ByteImage) -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(picture).save(out, format="PNG", compress_level=6)
    return out.getvalue()


def _marked_photo(coded: ByteImage, m: Measurement) -> ByteImage:
    import cv2

    canvas = coded.copy()
    size = max(1.0, coded.shape[1] / 2000)
    thick = max(1, round(size))
    _polyline(canvas, m.straightedge.points_px, colour=EDGE, thick=thick)
    if m.scale.outline_px is not None and len(m.scale.outline_px):
        _polyline(canvas, np.vstack([m.scale.outline_px, m.scale.outline_px[:1]]), colour=REFERENCE, thick=2 * thick)
        top = m.scale.outline_px[np.argmin(m.scale.outline_px[:, 1])]
        _label(
            canvas,
            f"{m.scale.reference}: {m.scale.px_per_mm:.2f} px/mm",
            at=(top[0], top[1] - 12 * size),
            size=size,
            colour=REFERENCE,
        )
    ends = [c for c in m.profile.crowns if c.fret in m.relief.chord and c.x_px is not None]
    if len(ends) == 2:
        _polyline(canvas, np.array([[c.x_px, c.y_px] for c in ends], dtype=np.float64), colour=CHORD, thick=thick)
    for i, crown in enumerate(m.profile.crowns):
        if crown.x_px is None or crown.y_px is None:
            continue
        colour = TOUCH if crown.touching else CROWN
        at = (round(crown.x_px), round(crown.y_px))
        cv2.drawMarker(canvas, at, colour, cv2.MARKER_CROSS, round(14 * size), thick)
        drop = (58 if i % 2 else 92) * size
        cv2.line(canvas, (at[0], at[1] + round(10 * size)), (at[0], at[1] + round(drop - 16 * size)), colour, thick)
        _label(
            canvas,
            f"{crown.fret}: {crown.gap_mm:z.2f}",
            at=(at[0], at[1] + drop),
            size=size,
            colour=colour,
            centred=True,
        )
    return canvas


def _polyline(canvas: ByteImage, points: Array, *, colour: tuple[int, int, int], thick: int) -> None:
    import cv2

    # Fixed-point coordinates keep the drawn edge where it was measured.
    fixed = np.rint(points * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(canvas, [fixed], False, colour, thick, cv2.LINE_AA, shift=4)


def _label(
    canvas: ByteImage,
    text: str,
    *,
    at: tuple[float, float],
    size: float,
    colour: tuple[int, int, int],
    centred: bool = False,
) -> None:
    import cv2

    scale = 0.5 * size
    thick = max(1, round(size))
    (width, height), base = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, thick)
    x = round(at[0] - width / 2 if centred else at[0])
    x = int(np.clip(x, 2, max(2, canvas.shape[1] - width - 2)))
    y = int(np.clip(round(at[1]), height + 4, canvas.shape[0] - 4))
    cv2.rectangle(canvas, (x - 3, y - height - 4), (x + width + 3, y + base), INK, -1)
    cv2.putText(canvas, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, scale, colour, thick, cv2.LINE_AA)


def _stretch(m: Measurement) -> float:
    """Return how much larger in height than in length the gap is drawn."""
    return GAP_STRETCH / max(1.0, m.scale.px_per_mm / 8.5)


def _stretched_strip(coded: ByteImage, m: Measurement) -> ByteImage:
    """Return the strip around the edge, straightened and stretched across the gap only."""
    import cv2

    width = coded.shape[1]
    size = max(1.0, width / 2000)
    low_mm, high_mm = -0.35, max(0.9, float(m.profile.gap_mm.max()) + 0.5)
    per_mm = m.scale.px_per_mm * _stretch(m)
    rows = np.arange(low_mm, high_mm, 1 / per_mm)
    x = np.arange(width, dtype=np.float32)
    edge = np.interp(x, m.straightedge.points_px[:, 0], m.straightedge.points_px[:, 1])
    map_y = (edge[None, :] + rows[:, None] * m.scale.px_per_mm).astype(np.float32)
    remapped = cv2.remap(coded, np.broadcast_to(x, map_y.shape).copy(), map_y, cv2.INTER_LINEAR)
    strip = np.asarray(remapped, dtype=np.uint8)

    def to_row(gap_mm: float) -> int:
        return round((gap_mm - low_mm) * per_mm)

    thick = max(1, round(size))
    cv2.line(strip, (0, to_row(0)), (width, to_row(0)), EDGE, thick)
    points = []
    for crown in m.profile.crowns:
        if crown.x_px is None:
            continue
        at = (round(crown.x_px), to_row(crown.gap_mm))
        points.append(at)
        arm = round(9 * size)
        cv2.line(strip, (at[0] - arm, at[1]), (at[0] + arm, at[1]), TOUCH if crown.touching else CROWN, 2 * thick)
        half = max(1, round(2 * crown.u_gap_mm * per_mm))
        cv2.line(strip, (at[0], at[1] - half), (at[0], at[1] + half), CROWN, thick)
    ends = [
        (round(c.x_px), to_row(c.gap_mm)) for c in m.profile.crowns if c.fret in m.relief.chord and c.x_px is not None
    ]
    if len(ends) == 2:
        cv2.line(strip, ends[0], ends[1], CHORD, thick, cv2.LINE_AA)
    return strip


def _caption(m: Measurement, width: int) -> ByteImage:
    import cv2

    size = max(1.0, width / 2000)
    r = m.relief
    meaning = {
        "up-bow": "up-bow: the crowns sag below the chord",
        "back-bow": "back-bow: the crowns stand above the chord",
        "straight": "straight within the uncertainty",
        "s-bend": "S-bend: above the chord on one side, below it on the other",
        "cannot-tell": "which way it bends cannot be told",
    }[r.shape]
    seen = [c for c in m.profile.crowns if c.fret in r.chord and c.x_px is not None]
    drawn = " (blue)" if len(seen) == 2 else ", not drawn: an end was not read"
    lines = [
        f"relief {r.relief_mm:+.3f} mm ({r.relief_mm / 25.4:+.4f} in), U {r.U_mm:.3f} mm (k={r.k:g}),"
        f" at fret {r.at_fret}",
        f"chord frets {r.chord[0]} to {r.chord[1]}{drawn}; {meaning}",
        f"above: the gap, {_stretch(m):.0f} times larger in height than in length, with U (k=2) as bars",
    ]
    step = round(38 * size)
    box = np.full((step * len(lines) + round(18 * size), width, 3), PAPER, dtype=np.uint8)
    for i, line in enumerate(lines):
        at = (round(16 * size), round((i + 0.8) * step))
        cv2.putText(box, line, at, cv2.FONT_HERSHEY_SIMPLEX, 0.9 * size, INK, max(1, round(1.4 * size)), cv2.LINE_AA)
    return box
