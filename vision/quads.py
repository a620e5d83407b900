"""Straight-sided and round outlines: candidate search at reduced size, refined to sub-pixel, each with its support."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .photo import ByteImage

Segment = tuple[float, float, float, float]

MAX_LEAN = math.tan(math.radians(9.0))
MIN_SUPPORT = 0.62
SIDE_MARGIN = 0.09  # of a side's length, left out at each corner: a card's corners are rounded
# How well a ring does is the share of its way round that is seen, less its scatter: a rim is placed to the picture's
# sharpness, a ring strung together from texture scatters by pixels. One that does so much worse than another about its
# centre is no rim.
ROUGH_PX, FAINTER = 10.0, 0.25
RAYS = 180  # about a centre, along which its rim is looked for
ON_RIM_PX, CLEAR_RIDGE = 0.8, 0.3
SHADOWS = (0.02, 0.05)  # how much wider than a rim the edge of its shadow may be: starts to search from
ROUND = 0.96  # narrower to wider axis of a coin seen squarely enough
SURELY_MORE = 1.08  # times as many rays must have a ridge on another ring for it to be the rim


def find_rectangles(picture: ByteImage, gx: Array, gy: Array, *, ratio: float) -> list[tuple[Array, float]]:
    """Find upright rectangles of a given width to height ratio (or its inverse).

    Parameters
    ----------
    picture
        (height, width, 3) 8-bit.
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
    """Return straight edges of all colour channels, (n, 4) as x0, y0, x1, y1 (LSD, von Gioi et al. 2012)."""
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
    return kept[:70]


def _same_line(seg: Segment, other: Segment, middle: float) -> bool:
    """Tell whether a shorter segment repeats a longer one (the channels see most edges three times)."""
    place = other[0] + other[1] * (middle - (other[2] + other[3]) / 2)
    return abs(seg[0] - place) < 1.5 and seg[2] > other[2] - 5 and seg[3] < other[3] + 5


def _close(
    a: Segment, b: Segment, height: float, levels: list[Segment], gx: Array, gy: Array
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


def _support(p: Array, q: Array, gx: Array, gy: Array) -> float:
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


def _refine(quad: Array, gx: Array, gy: Array) -> tuple[Array, float] | None:
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


def find_ellipses(
    coded: ByteImage, gx: Array, gy: Array, factor: float
) -> list[tuple[tuple[float, float], tuple[float, float], float, float]]:
    """Find nearly round outlines.

    Returns
    -------
    list of (centre_px, (axis, axis)_px, angle_rad, rms_px)
        In full-size pixels; best supported first.
    """

    votes: list[tuple[float, float, float]] = []
    for strictness in (60, 25):
        votes = _circle_votes(coded, gx, strictness)
        votes += [(x, y, wider) for x, y, r in votes if (wider := _wider_ring(x, y, r, gx, gy)) is not None]
        out = [ring for x, y, r in votes if (ring := _rim(x, y, r, gx, gy)) is not None]
        if out:
            break
    # Of rings about one centre the widest that is seen about as well as the best is the rim; of several centres the
    # best supported comes first.
    out = [
        ring
        for ring in out
        if not any(k[0] - ring[0] > FAINTER and math.dist(ring[1], k[1]) < 0.2 * ring[2][0] for k in out)
    ]
    out.sort(key=lambda ring: -ring[2][0])
    kept: list[Ring] = []
    for ring in out:
        if all(math.dist(ring[1], k[1]) > 0.2 * ring[2][0] for k in kept):
            kept.append(ring)
    kept.sort(key=lambda ring: -ring[0])
    return [
        (
            ((cx + 0.5) * factor - 0.5, (cy + 0.5) * factor - 0.5),
            (axes[0] * factor, axes[1] * factor),
            angle,
            rms * factor,
        )
        for _, (cx, cy), axes, angle, rms in (_without_shadow(ring, gx, gy) for ring in kept[:4])
    ]


def _circle_votes(coded: ByteImage, gx: Array, strictness: int) -> list[tuple[float, float, float]]:
    """Return circles (x, y, r) by a gradient vote (Hough) in every channel and the saturation, at half the scale."""
    import cv2

    coarse = 2.0  # texture and noise must not vote
    size = (round(gx.shape[1] / coarse), round(gx.shape[0] / coarse))
    small = cv2.resize(coded, size, interpolation=cv2.INTER_AREA)
    votes: list[tuple[float, float, float]] = []
    for channel in (*cv2.split(small), cv2.cvtColor(small, cv2.COLOR_RGB2HSV)[..., 1]):
        smooth = cv2.GaussianBlur(channel, (0, 0), 1.5)
        circles = cv2.HoughCircles(
            smooth,
            cv2.HOUGH_GRADIENT_ALT,
            1.5,
            15,
            param1=strictness,
            param2=0.6,
            minRadius=10,
            maxRadius=min(size) // 2,
        )
        if circles is not None:
            rows = np.asarray(circles, dtype=np.float64)
            rows = rows.reshape(-1, rows.shape[-1])[:6] * coarse
            votes += [(float(v[0]), float(v[1]), float(v[2])) for v in rows]
    return votes


Ring = tuple[float, tuple[float, float], tuple[float, float], float, float]


def _rim(x: float, y: float, r: float, gx: Array, gy: Array) -> Ring | None:
    """Fit an ellipse to the outermost clear ridge about a rough circle; (support, centre, axes, angle, rms) or None.

    A rough centre off by a tenth of the radius sees the rim at many distances: each round looks from the last fit.
    """
    import cv2

    support, rms = 0.0, 0.0
    axes, angle = (2 * r, 2 * r), 0.0
    for reach in (0.15, 0.12, 0.06):
        points, share = _ridge_points(x, y, r, reach, gx=gx, gy=gy)
        if share < 0.6:
            return None
        support = share
        for _ in range(2):
            (x, y), (major, minor), angle = cv2.fitEllipseDirect(points.astype(np.float32))
            axes = float(major), float(minor)
            miss = _off_ellipse(points, (x, y), axes, math.radians(angle))
            points = points[miss < max(1.0, 3 * 1.48 * np.median(miss))]
        r, rms = sum(axes) / 4, float(np.sqrt(np.mean(miss**2)))
        if not 5 < r < min(gx.shape):
            return None
    return support - rms / ROUGH_PX, (x, y), (axes[0], axes[1]), math.radians(angle), rms


def _without_shadow(ring: Ring, gx: Array, gy: Array) -> Ring:
    """Return the ring that most rays about the centre have a ridge on; the one given if none has more.

    The shadow that a thick coin throws on what it leans on has an edge of its own, outside the rim on one side.
    """
    import cv2

    _, (x, y), axes, angle, _ = ring
    r = sum(axes) / 4
    ridges, ray = _all_ridges(x, y, r, gx, gy)
    best, most = ring, SURELY_MORE * _share_on(ridges, ray, ring)
    aside = [(0.0, 0.0), *((math.cos(turn), math.sin(turn)) for turn in np.arange(0, 2 * np.pi, np.pi / 4))]
    for smaller, (right, down) in product(SHADOWS, aside):
        centre = x + smaller * r * right, y + smaller * r * down
        size, turn = (axes[0] * (1 - smaller), axes[1] * (1 - smaller)), angle
        for reach in (0.05, 0.035, 0.02, 0.02):
            off = _off_ellipse(ridges, centre, size, turn)
            order = np.argsort(off)
            nearest = order[np.unique(ray[order], return_index=True)[1]]
            points = ridges[nearest[off[nearest] < reach * r]]
            if len(points) < RAYS // 2:
                break
            (cx, cy), (major, minor), degrees = cv2.fitEllipseDirect(points.astype(np.float32))
            centre, size, turn = (float(cx), float(cy)), (float(major), float(minor)), math.radians(degrees)
        else:
            off = _off_ellipse(points, centre, size, turn)
            rms = float(np.sqrt(np.mean(off[off < 3 * ON_RIM_PX] ** 2)))
            share = _share_on(ridges, ray, (0.0, centre, size, turn, rms))
            # A shadow's edge touches the rim on the side of the light; a ring of the relief has the same centre.
            touches = math.dist(centre, (x, y)) > 0.5 * (r - sum(size) / 4)
            if share > most and touches and min(size) > ROUND * max(size):
                best, most = (share - rms / ROUGH_PX, centre, size, turn, rms), share
    return best


def _share_on(ridges: Array, ray: NDArray[np.intp], ring: Ring) -> float:
    """Return the share of rays with a ridge on a ring."""
    off = _off_ellipse(ridges, ring[1], ring[2], ring[3])
    return len(np.unique(ray[off < ON_RIM_PX])) / RAYS


def _all_ridges(x: float, y: float, r: float, gx: Array, gy: Array) -> tuple[Array, NDArray[np.intp]]:
    """Return (n, 2) points where a ray about a centre crosses a clear ridge near a radius, and (n,) which ray it is."""
    turn = np.linspace(0, 2 * np.pi, RAYS, endpoint=False)
    radius = np.arange(0.88 * r, 1.06 * r, 0.25)
    across = _across(x, y, turn, radius, gx, gy)
    clear = across[:, 1:-1] > np.maximum(CLEAR_RIDGE * across.max(axis=1, keepdims=True), 2.0)
    peak = clear & (across[:, 1:-1] >= across[:, :-2]) & (across[:, 1:-1] > across[:, 2:])
    ray, i = np.nonzero(peak)
    a, b, c = across[ray, i], across[ray, i + 1], across[ray, i + 2]
    place = radius[i + 1] + 0.25 * 0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-9)
    return np.stack([x + place * np.cos(turn[ray]), y + place * np.sin(turn[ray])], axis=1), np.asarray(ray, np.intp)


def _across(x: float, y: float, turn: Array, radius: Array, gx: Array, gy: Array) -> Array:
    """Return (rays, radii) how steep the picture is along rays about a centre."""
    from scipy.ndimage import map_coordinates

    px = x + radius[None, :] * np.cos(turn)[:, None]
    py = y + radius[None, :] * np.sin(turn)[:, None]
    level = map_coordinates(gx, [py, px], order=1, mode="nearest") * np.cos(turn)[:, None]
    upright = map_coordinates(gy, [py, px], order=1, mode="nearest") * np.sin(turn)[:, None]
    return np.asarray(np.abs(level + upright))


def _off_ellipse(points: Array, centre: tuple[float, float], axes: tuple[float, float], angle: float) -> Array:
    """Return how far points lie off an ellipse, nearly: by their distance from its centre."""
    x, y = (points - np.array(centre)).T
    c, s = math.cos(angle), math.sin(angle)
    share = np.hypot((c * x + s * y) / (axes[0] / 2), (c * y - s * x) / (axes[1] / 2))
    return np.asarray(np.abs(share - 1) * sum(axes) / 4)


def _ridge_points(x: float, y: float, r: float, reach: float, *, gx: Array, gy: Array) -> tuple[Array, float]:
    """Return points of the outermost clear ridge within `reach` times r of a circle, and the share of rays with one."""
    turn = np.linspace(0, 2 * np.pi, RAYS, endpoint=False)
    radius = r + np.linspace(-reach * r, reach * r, 51)
    across = _across(x, y, turn, radius, gx, gy)
    # The outermost clear ridge is the rim: an inner ring of the relief must not win.
    strong = across > np.maximum(0.5 * across.max(1), 2.0)[:, None]
    outer = across.shape[1] - 1 - np.argmax(strong[:, ::-1], axis=1)
    ok = strong.any(1)
    place = np.full(len(turn), np.nan)
    for i in np.flatnonzero(ok):
        j = int(outer[i])
        while j > 0 and across[i, j - 1] > across[i, j]:
            j -= 1
        lo, hi = max(0, j - 2), min(len(radius), j + 3)
        weight = across[i, lo:hi] ** 2
        place[i] = float((weight * radius[lo:hi]).sum() / weight.sum())
    keep = ok & (np.abs(place - np.nanmedian(place)) < 0.7 * reach * r)
    points = np.stack([x + place * np.cos(turn), y + place * np.sin(turn)], axis=1)[keep]
    return points, float(keep.mean())


def _wider_ring(x: float, y: float, r: float, gx: Array, gy: Array) -> float | None:
    """Return the widest radius about a centre, well beyond `r`, at which an edge runs most of the way round."""
    radii = np.arange(1.15 * r, min(3.0 * r, min(gx.shape) / 2), 1.0)
    if len(radii) < 4:
        return None
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    px = np.rint(x + radii[:, None] * np.cos(turn)).astype(int)
    py = np.rint(y + radii[:, None] * np.sin(turn)).astype(int)
    inside = (px >= 0) & (px < gx.shape[1]) & (py >= 0) & (py < gx.shape[0])
    px, py = np.clip(px, 0, gx.shape[1] - 1), np.clip(py, 0, gx.shape[0] - 1)
    across = np.abs(gx[py, px] * np.cos(turn) + gy[py, px] * np.sin(turn))
    edge = inside & (across > 0.85 * np.hypot(gx[py, px], gy[py, px])) & (across > 1.5)
    # The centre may be off by a few pixels: pool neighbouring radii.
    pooled = edge[:-3] | edge[1:-2] | edge[2:-1] | edge[3:]
    good = np.flatnonzero(pooled.mean(axis=1) > 0.55)
    return float(radii[good[-1] + 1]) if len(good) else None
