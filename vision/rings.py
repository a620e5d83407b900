"""Round outlines: circles by a gradient vote, then an ellipse fitted to the rim, told from texture and shadows."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .photo import ByteImage, FloatImage

# Support (0 to 1), centre, axes, angle (rad) and scatter of a ring, in pixels of the reduced picture.
Ring = tuple[float, tuple[float, float], tuple[float, float], float, float]

# How well a ring does is the share of its way round that is seen, less its scatter: a rim is placed to the picture's
# sharpness, a ring strung together from texture scatters by pixels. One that does so much worse than another about its
# centre is no rim.
ROUGH_PX, FAINTER = 10.0, 0.25
RAYS = 180  # about a centre, along which its rim is looked for
ALONG_RAYS = 2.0  # blur along a circle, a few degrees: a centre off by pixels moves its rim by tenths over as much
ON_RIM_PX = 0.8  # a ridge of the reduced picture so near a ring is on it
CLEAR_RIDGE = 0.3  # of the steepest place on its ray
SHADOWS = (0.02, 0.05)  # how much wider than a rim the edge of its shadow may be: starts to search from
ROUND = 0.96  # narrower to wider axis of a coin seen squarely enough
SURELY_MORE = 1.08  # times as clear another ring must be to be the rim
MOST_OF_RING = 0.25  # the part of a ring that may be as steep or less
# Fewer rays with a ridge on it: strung together from a rim, a ring of the relief and a shadow, each seen in part.
# Rings are then looked for from all these sizes; the widest with nearly as many rays as any is the rim.
STRUNG, SIZES, NEARLY_MOST = 0.6, np.arange(1.03, 0.91, -0.01), 0.9


def find_ellipses(
    coded: ByteImage, gx: FloatImage, gy: FloatImage, factor: float
) -> list[tuple[tuple[float, float], tuple[float, float], float, float]]:
    """Find nearly round outlines.

    Parameters
    ----------
    coded
        (height, width, 3) 8-bit, full size.
    gx, gy
        Gradient of the reduced picture, (height, width).
    factor
        Full size over reduced size.

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


def _circle_votes(coded: ByteImage, gx: FloatImage, strictness: int) -> list[tuple[float, float, float]]:
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


def _rim(x: float, y: float, r: float, gx: FloatImage, gy: FloatImage) -> Ring | None:
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


def _without_shadow(ring: Ring, gx: FloatImage, gy: FloatImage) -> Ring:
    """Return the rim: this ring, or the one within it that is clearer, with a ridge on more rays, and steeper ones.

    The shadow that a thick coin throws on what it leans on has an edge of its own: it touches the rim on the side of
    the light and stands outside it on the other. A ring of the coin's relief has the same centre as the rim.
    """
    _, (x, y), axes, _, _ = ring
    r = sum(axes) / 4
    ridges, ray = _all_ridges(x, y, r, gx, gy)
    ring = _not_strung(ring, ridges, ray)
    _, (x, y), axes, angle, _ = ring
    r = sum(axes) / 4
    best, most = ring, SURELY_MORE * _clearness(ring, ridges, ray, gx, gy)
    towards = [(0.0, 0.0), *((math.cos(turn), math.sin(turn)) for turn in np.arange(0, 2 * np.pi, np.pi / 4))]
    for smaller, (right, down) in product(SHADOWS, towards):
        centre = x + smaller * r * right, y + smaller * r * down
        size = axes[0] * (1 - smaller), axes[1] * (1 - smaller)
        found = _settled((0.0, centre, size, angle, 0.0), ridges, ray, r)
        if found is None or min(found[2]) < ROUND * max(found[2]):
            continue
        touches = math.dist(found[1], (x, y)) > 0.5 * (r - sum(found[2]) / 4)
        clear = _clearness(found, ridges, ray, gx, gy)
        if touches and clear > most:
            best, most = found, clear
    return best


def _clearness(ring: Ring, ridges: Array, ray: NDArray[np.intp], gx: FloatImage, gy: FloatImage) -> float:
    """Return the share of rays with a ridge on a ring, times how steep the picture is along most of it."""
    from scipy.ndimage import map_coordinates

    turn = np.linspace(0, 2 * np.pi, RAYS, endpoint=False)
    _, (x, y), axes, angle, _ = ring
    along, across = axes[0] / 2 * np.cos(turn), axes[1] / 2 * np.sin(turn)
    c, s = math.cos(angle), math.sin(angle)
    at = np.stack([y + s * along + c * across, x + c * along - s * across])
    steep = np.hypot(*(map_coordinates(g, at, order=1, mode="nearest") for g in (gx, gy)))
    return _share_on(ridges, ray, ring) * float(np.quantile(steep, MOST_OF_RING))


def _not_strung(ring: Ring, ridges: Array, ray: NDArray[np.intp]) -> Ring:
    """Return the widest ring about the same centre that many rays have a ridge on, where few have one on this."""
    if _share_on(ridges, ray, ring) > STRUNG:
        return ring
    _, centre, axes, angle, _ = ring
    r = sum(axes) / 4
    starts = ((0.0, centre, (2 * r * size, 2 * r * size), angle, 0.0) for size in SIZES)
    found = [f for start in starts if (f := _settled(start, ridges, ray, r)) and min(f[2]) > ROUND * max(f[2])]
    shares = [_share_on(ridges, ray, f) for f in found]
    most = max(shares, default=0.0)
    clear = [f for f, share in zip(found, shares, strict=True) if share > max(STRUNG, NEARLY_MOST * most)]
    return max(clear, key=lambda f: sum(f[2]), default=ring)


def _settled(ring: Ring, ridges: Array, ray: NDArray[np.intp], r: float) -> Ring | None:
    """Fit an ellipse to the ridge nearest to a ring on each ray, over and over; None where too few rays have one."""
    import cv2

    _, centre, size, angle, _ = ring
    for reach in (0.05, 0.035, 0.02, 0.02):
        off = _off_ellipse(ridges, centre, size, angle)
        order = np.argsort(off)
        nearest = order[np.unique(ray[order], return_index=True)[1]]
        points = ridges[nearest[off[nearest] < reach * r]]
        if len(points) < RAYS // 2:
            return None
        (cx, cy), (major, minor), degrees = cv2.fitEllipseDirect(points.astype(np.float32))
        centre, size, angle = (float(cx), float(cy)), (float(major), float(minor)), math.radians(degrees)
    off = _off_ellipse(points, centre, size, angle)
    rms = float(np.sqrt(np.mean(off[off < 3 * ON_RIM_PX] ** 2)))
    return len(points) / RAYS - rms / ROUGH_PX, centre, size, angle, rms


def _share_on(ridges: Array, ray: NDArray[np.intp], ring: Ring) -> float:
    """Return the share of rays with a ridge on a ring."""
    off = _off_ellipse(ridges, ring[1], ring[2], ring[3])
    return len(np.unique(ray[off < ON_RIM_PX])) / RAYS


def _all_ridges(x: float, y: float, r: float, gx: FloatImage, gy: FloatImage) -> tuple[Array, NDArray[np.intp]]:
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


def _across(x: float, y: float, turn: Array, radius: Array, gx: FloatImage, gy: FloatImage) -> Array:
    """Return (rays, radii) how steep the picture is along rays about a centre, grain averaged out along its circles."""
    from scipy.ndimage import gaussian_filter1d, map_coordinates

    px = x + radius[None, :] * np.cos(turn)[:, None]
    py = y + radius[None, :] * np.sin(turn)[:, None]
    level = map_coordinates(gx, [py, px], order=1, mode="nearest") * np.cos(turn)[:, None]
    upright = map_coordinates(gy, [py, px], order=1, mode="nearest") * np.sin(turn)[:, None]
    return np.asarray(np.abs(gaussian_filter1d(level + upright, ALONG_RAYS, axis=0, mode="wrap")))


def _off_ellipse(points: Array, centre: tuple[float, float], axes: tuple[float, float], angle: float) -> Array:
    """Return how far points lie off an ellipse, nearly: by their distance from its centre."""
    x, y = (points - np.array(centre)).T
    c, s = math.cos(angle), math.sin(angle)
    share = np.hypot((c * x + s * y) / (axes[0] / 2), (c * y - s * x) / (axes[1] / 2))
    return np.asarray(np.abs(share - 1) * sum(axes) / 4)


def _ridge_points(x: float, y: float, r: float, reach: float, *, gx: FloatImage, gy: FloatImage) -> tuple[Array, float]:
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


def _wider_ring(x: float, y: float, r: float, gx: FloatImage, gy: FloatImage) -> float | None:
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
