"""Straight-sided outlines: candidate search at reduced size, refined to sub-pixel, each with its support."""

from __future__ import annotations

import math

import numpy as np

from lightgap.neck.profile import Array

from .photo import ByteImage, FloatImage

Segment = tuple[float, float, float, float]

MAX_LEAN = math.tan(math.radians(9.0))
MIN_SUPPORT = 0.62
MOST_SEGMENTS = 70  # of either direction, the longest
SIDE_MARGIN = 0.09  # of a side's length, left out at each corner: a card's corners are rounded


def find_rectangles(picture: ByteImage, gx: FloatImage, gy: FloatImage, *, ratio: float) -> list[tuple[Array, float]]:
    """Find upright rectangles of a given width to height ratio (or its inverse).

    Parameters
    ----------
    picture
        (height, width, channels) 8-bit.
    gx, gy
        Gradient of the same picture, (height, width).
    ratio
        Longer to shorter side.

    Returns
    -------
    list of (corners, u_px)
        (4, 2) corners clockwise from top left, and the standard uncertainty of a side's place in pixels; best first.
    """
    segments = line_segments(picture)
    uprights = _directed(segments, vertical=True)
    levels = _directed(segments, vertical=False)
    found: list[tuple[float, Array]] = []
    for i, left in enumerate(uprights):
        for right in uprights[i + 1 :]:
            a, b = (left, right) if left[0] < right[0] else (right, left)
            width = b[0] - a[0]
            if width < 40 or abs(a[1] - b[1]) > 0.05:
                continue
            for r in (ratio, 1 / ratio):
                found += _close(a, b, width / r, levels, gx, gy)
    found.sort(key=lambda item: -item[0])
    kept: list[tuple[Array, float]] = []
    for _, quad in found:
        if all(np.abs(quad - other).mean() > 8 for other, _ in kept):
            refined = _refine(quad, gx, gy)
            if refined is not None and _ratio_ok(refined[0], ratio):
                kept.append(refined)
        if len(kept) == 4:
            break
    return kept


def line_segments(picture: ByteImage) -> Array:
    """Return straight edges of all channels, (n, 4) as x0, y0, x1, y1 (LSD, von Gioi et al. 2012)."""
    import cv2

    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD)
    found = []
    for channel in cv2.split(picture):
        lines = detector.detect(cv2.GaussianBlur(channel, (0, 0), 0.8))[0]
        if lines is not None:
            found.append(np.asarray(lines, dtype=np.float64).reshape(-1, 4))
    return np.concatenate(found) if found else np.empty((0, 4))


def _directed(segments: Array, *, vertical: bool) -> list[Segment]:
    """Return the segments near one axis as (place at mid-length, slope, start, end) along it, longest first."""
    s = segments[:, [1, 0, 3, 2]] if vertical else segments
    length = s[:, 2] - s[:, 0]
    s = s[(np.abs(s[:, 3] - s[:, 1]) < MAX_LEAN * np.abs(length)) & (np.abs(length) > 14)]
    out = [((p0 + p1) / 2, (p1 - p0) / (s1 - s0), min(s0, s1), max(s0, s1)) for s0, p0, s1, p1 in s]
    out.sort(key=lambda g: g[2] - g[3])
    kept: list[Segment] = []
    for seg in out:
        middle = (seg[2] + seg[3]) / 2
        if not any(_same_line(seg, k, middle) for k in kept):
            kept.append(seg)
        if len(kept) == MOST_SEGMENTS:
            break
    return kept


def _same_line(seg: Segment, other: Segment, middle: float) -> bool:
    """Tell whether a shorter segment repeats a longer one (the channels see most edges three times)."""
    place = other[0] + other[1] * (middle - (other[2] + other[3]) / 2)
    return abs(seg[0] - place) < 1.5 and seg[2] > other[2] - 5 and seg[3] < other[3] + 5


def _close(
    a: Segment, b: Segment, height: float, levels: list[Segment], gx: FloatImage, gy: FloatImage
) -> list[tuple[float, Array]]:
    """Complete two uprights with a pair of level edges at the right distance; score by edge support."""
    low, high = min(a[2], b[2]) - 0.35 * height, max(a[3], b[3]) + 0.35 * height
    middle = 0.5 * (a[0] + b[0])
    rows = []
    for level in levels:
        if level[2] < b[0] and level[3] > a[0]:
            y = level[0] + level[1] * (middle - (level[2] + level[3]) / 2)
            if low <= y <= high:
                rows.append((y, level[1]))
    out = []
    for i, (y0, m0) in enumerate(rows):
        for y1, m1 in rows[i + 1 :]:
            top, bottom = ((y0, m0), (y1, m1)) if y0 < y1 else ((y1, m1), (y0, m0))
            if abs((bottom[0] - top[0]) / height - 1) > 0.05 or abs(m0 - m1) > 0.05 or abs(m0 + a[1]) > 0.06:
                continue
            quad = np.array(
                [_cross(a, top, middle), _cross(b, top, middle), _cross(b, bottom, middle), _cross(a, bottom, middle)]
            )
            support = min(_support(quad[k], quad[(k + 1) % 4], gx, gy) for k in range(4))
            if support > MIN_SUPPORT:
                out.append((support * height, quad))
    return out


def _cross(upright: Segment, level: tuple[float, float], middle: float) -> tuple[float, float]:
    position, lean, start, end = upright
    y, m = level
    # x = position + lean (y' - mid); y' = y + m (x - middle)
    x = (position + lean * (y - m * middle - (start + end) / 2)) / (1 - lean * m)
    return x, y + m * (x - middle)


def _samples(p: Array, q: Array, count: int) -> tuple[Array, Array, Array]:
    t = np.linspace(SIDE_MARGIN, 1 - SIDE_MARGIN, count)[:, None]
    along = (q - p) / np.linalg.norm(q - p)
    return p + t * (q - p), along, np.array([-along[1], along[0]])


def _support(p: Array, q: Array, gx: FloatImage, gy: FloatImage) -> float:
    """Return the share of points on a side with a steady edge across it."""
    points, _, normal = _samples(p, q, 60)
    best = np.zeros(len(points))
    for offset in (-1.0, 0.0, 1.0):
        at = np.rint(points + offset * normal).astype(int)
        inside = (at[:, 0] >= 0) & (at[:, 0] < gx.shape[1]) & (at[:, 1] >= 0) & (at[:, 1] < gx.shape[0])
        x, y = np.clip(at[:, 0], 0, gx.shape[1] - 1), np.clip(at[:, 1], 0, gx.shape[0] - 1)
        across = np.abs(gx[y, x] * normal[0] + gy[y, x] * normal[1])
        ok = (across > 1.5) & (across > 0.85 * np.hypot(gx[y, x], gy[y, x])) & inside
        best = np.maximum(best, ok)
    return float(best.mean())


def _refine(quad: Array, gx: FloatImage, gy: FloatImage) -> tuple[Array, float] | None:
    """Fit each side to the gradient ridge across it; return corners and the places' standard uncertainty."""
    from scipy.ndimage import map_coordinates

    lines, spreads = [], []
    offsets = np.linspace(-3, 3, 25)
    for k in range(4):
        points, along, normal = _samples(quad[k], quad[(k + 1) % 4], 80)
        grid = points[:, None, :] + offsets[None, :, None] * normal
        across = np.abs(
            map_coordinates(gx, [grid[..., 1], grid[..., 0]], order=1) * normal[0]
            + map_coordinates(gy, [grid[..., 1], grid[..., 0]], order=1) * normal[1]
        )
        weight = np.maximum(across - np.median(across, axis=1, keepdims=True), 0) ** 2
        place = (weight * offsets).sum(1) / np.maximum(weight.sum(1), 1e-9)
        keep = across.max(1) > 0.4 * np.median(across.max(1))
        t = (points - points.mean(0)) @ along
        for _ in range(3):
            if keep.sum() < 20:
                return None
            fit = np.polyfit(t[keep], place[keep], 1)
            miss = np.abs(place - np.polyval(fit, t))
            keep = keep & (miss < max(0.4, 3 * 1.48 * np.median(miss[keep])))
        spreads.append(float(np.median(miss[keep]) * 1.48))
        origin = points.mean(0) + fit[1] * normal
        direction = along + fit[0] * normal
        lines.append((origin, direction))
    corners = []
    for k in range(4):
        (p, d), (q, e) = lines[k - 1], lines[k]
        step = np.linalg.solve(np.array([d, -e]).T, q - p)
        corners.append(p + step[0] * d)
    return np.array(corners), float(np.median(spreads))


def _ratio_ok(quad: Array, ratio: float) -> bool:
    width = np.linalg.norm(quad[1] - quad[0]) + np.linalg.norm(quad[2] - quad[3])
    height = np.linalg.norm(quad[3] - quad[0]) + np.linalg.norm(quad[2] - quad[1])
    got = width / height
    return bool(abs(got / ratio - 1) < 0.02 or abs(got * ratio - 1) < 0.02)
