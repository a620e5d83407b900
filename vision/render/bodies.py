"""Where a ray meets the bodies of the scene. Compiled; scalars in, (distance, normal) out; distance < 0 is a miss."""

from __future__ import annotations

import math

from lightgap.neck.profile import Array

from .compiled import compiled
from .packed import (
    N_CURV0,
    N_CURVS,
    N_TABLE0,
    N_TABLESTEP,
    N_W0,
    N_WS,
    N_XEND,
    N_YBOTTOM,
    R_CORNER,
    R_DEPTH,
    R_FRAME,
    R_HALFH,
    R_HALFW,
    R_KIND,
)

Hit = tuple[float, float, float, float]

MISS = -1.0
FAR = 1e9
MAX_STEPS = 24


@compiled
def meet_fret(ox: float, oy: float, oz: float, dx: float, dy: float, dz: float, fret: Array, t_max: float) -> Hit:
    """A bar of elliptic section, bent to the board's radius, its ends filed to a bevel.

    The body above its foot is convex: y + sag(z) is convex along the ray and the ellipse is concave. Replacing the sag
    by its tangent gives a larger body, so each step of the loop lands before the true entry and steps grow smaller;
    it ends on the entry or proves a miss, at grazing rays as well.
    """
    xk, a, h, apex, k, ze, m = fret[0], fret[1], fret[2], fret[3], fret[4], fret[5], fret[6]
    foot = apex - h
    t0 = 0.0
    t1 = t_max
    side = 0
    # Between the foot lines, below the apex, inside the two bevels.
    if dx != 0.0:
        u, v = (xk - a - ox) / dx, (xk + a - ox) / dx
        t0, t1 = max(t0, min(u, v)), min(t1, max(u, v))
    elif abs(ox - xk) > a:
        return MISS, 0.0, 0.0, 0.0
    if dy < 0.0:
        t0 = max(t0, (apex - oy) / dy)
    elif dy > 0.0:
        t1 = min(t1, (apex - oy) / dy)
    elif oy > apex:
        return MISS, 0.0, 0.0, 0.0
    end_y = foot - k * ze * ze / (1.0 + math.sqrt(1.0 - k * k * ze * ze))
    for s in (1, -1):
        gap = end_y + m * ze - oy - s * m * oz
        rate = dy + s * m * dz
        if rate < 0.0:
            t = gap / rate
            if t > t0:
                t0 = t
                side = s
        elif rate > 0.0:
            t1 = min(t1, gap / rate)
        elif gap < 0.0:
            return MISS, 0.0, 0.0, 0.0
    if t0 >= t1:
        return MISS, 0.0, 0.0, 0.0
    t = t0
    for step in range(MAX_STEPS):
        z = oz + t * dz
        root = math.sqrt(max(1.0 - k * k * z * z, 1e-6))
        slope = k * z / root
        x = (ox + t * dx - xk) / a
        y = (oy + t * dy + k * z * z / (1.0 + root) - foot) / h
        vx = dx / a
        vy = (dy + slope * dz) / h
        c = x * x + y * y - 1.0
        if c <= 1e-12:
            if step == 0 and c < -1e-9:
                if side == 0 or y < 0.0:
                    return MISS, 0.0, 0.0, 0.0
                n = math.sqrt(1.0 + m * m)
                return t, 0.0, 1.0 / n, side * m / n
            nx, ny, nz = x / a, y / h, y / h * slope
            n = math.sqrt(nx * nx + ny * ny + nz * nz)
            return t, nx / n, ny / n, nz / n
        b = x * vx + y * vy
        if b >= 0.0:
            return MISS, 0.0, 0.0, 0.0
        q = b * b - (vx * vx + vy * vy) * c
        if q < 0.0:
            return MISS, 0.0, 0.0, 0.0
        t += c / (-b + math.sqrt(q))
        if t > t1:
            return MISS, 0.0, 0.0, 0.0
    return MISS, 0.0, 0.0, 0.0


@compiled
def board_height(x: float, neck: Array, heights: Array) -> tuple[float, float]:
    """Height of the board on its middle line and its slope along x."""
    s = (x - neck[N_TABLE0]) / neck[N_TABLESTEP]
    i = min(max(math.floor(s), 0), len(heights) - 2)
    rate = heights[i + 1] - heights[i]
    return heights[i] + (s - i) * rate, rate / neck[N_TABLESTEP]


@compiled
def meet_board(
    ox: float, oy: float, oz: float, dx: float, dy: float, dz: float, neck: Array, heights: Array, t_max: float
) -> Hit:
    """The fingerboard: bowed, radiused on top, tapered sides, flat below."""
    t0, t1 = 0.0, t_max
    nx, ny, nz = 0.0, 0.0, 0.0
    for i in range(5):
        if i == 0:
            px, py, pz, off = -neck[N_WS], 0.0, 1.0, neck[N_W0]
        elif i == 1:
            px, py, pz, off = -neck[N_WS], 0.0, -1.0, neck[N_W0]
        elif i == 2:
            px, py, pz, off = 0.0, -1.0, 0.0, -neck[N_YBOTTOM]
        elif i == 3:
            px, py, pz, off = -1.0, 0.0, 0.0, 0.0
        else:
            px, py, pz, off = 1.0, 0.0, 0.0, neck[N_XEND]
        rate = px * dx + py * dy + pz * dz
        gap = off - px * ox - py * oy - pz * oz
        if rate < 0.0:
            t = gap / rate
            if t > t0:
                t0 = t
                nx, ny, nz = px, py, pz
        elif rate > 0.0:
            t1 = min(t1, gap / rate)
        elif gap < 0.0:
            return MISS, 0.0, 0.0, 0.0
        if t0 >= t1:
            return MISS, 0.0, 0.0, 0.0
    t = t0
    for step in range(MAX_STEPS):
        x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
        k = neck[N_CURV0] + neck[N_CURVS] * x
        root = math.sqrt(max(1.0 - k * k * z * z, 1e-6))
        height, rise = board_height(x, neck, heights)
        g = y + k * z * z / (1.0 + root) - height
        slope = k * z / root
        if g <= 1e-10:
            if step == 0 and g < 0.0:
                if nx == 0.0 and ny == 0.0 and nz == 0.0:
                    return MISS, 0.0, 0.0, 0.0
                n = math.sqrt(nx * nx + ny * ny + nz * nz)
                return t, nx / n, ny / n, nz / n
            n = math.sqrt(rise * rise + 1.0 + slope * slope)
            return t, -rise / n, 1.0 / n, slope / n
        rate = dy + slope * dz - rise * dx
        if rate >= -1e-12:
            return MISS, 0.0, 0.0, 0.0
        t -= g / rate
        if t > t1:
            return MISS, 0.0, 0.0, 0.0
    return MISS, 0.0, 0.0, 0.0


@compiled
def meet_planes(
    ox: float, oy: float, oz: float, dx: float, dy: float, dz: float, planes: Array, t_max: float
) -> tuple[float, int]:
    """A convex body between planes; the last value is the index of the plane met."""
    t0, t1 = 0.0, t_max
    met = -1
    for i in range(len(planes)):
        rate = planes[i, 0] * dx + planes[i, 1] * dy + planes[i, 2] * dz
        gap = planes[i, 3] - planes[i, 0] * ox - planes[i, 1] * oy - planes[i, 2] * oz
        if rate < 0.0:
            t = gap / rate
            if t > t0:
                t0 = t
                met = i
        elif rate > 0.0:
            t1 = min(t1, gap / rate)
        elif gap < 0.0:
            return MISS, -1
        if t0 >= t1:
            return MISS, -1
    if met < 0:
        return MISS, -1
    return t0, met


@compiled
def meet_cylinder(
    ox: float,
    oy: float,
    oz: float,
    dx: float,
    dy: float,
    dz: float,
    px: float,
    py: float,
    pz: float,
    ax: float,
    ay: float,
    az: float,
    length: float,
    radius: float,
    t_max: float,
) -> Hit:
    """A capped cylinder from its foot along a unit axis; an endless one when `length` < 0."""
    wx, wy, wz = ox - px, oy - py, oz - pz
    da = dx * ax + dy * ay + dz * az
    wa = wx * ax + wy * ay + wz * az
    ex, ey, ez = dx - da * ax, dy - da * ay, dz - da * az
    fx, fy, fz = wx - wa * ax, wy - wa * ay, wz - wa * az
    a = ex * ex + ey * ey + ez * ez
    b = ex * fx + ey * fy + ez * fz
    c = fx * fx + fy * fy + fz * fz - radius * radius
    if a > 1e-14:
        q = b * b - a * c
        if q < 0.0:
            return MISS, 0.0, 0.0, 0.0
        t = (-b - math.sqrt(q)) / a
        s = wa + t * da
        if 0.0 < t < t_max and (length < 0.0 or 0.0 <= s <= length):
            return t, (fx + t * ex) / radius, (fy + t * ey) / radius, (fz + t * ez) / radius
    if length > 0.0 and da != 0.0:
        s = 0.0 if da > 0.0 else length
        t = (s - wa) / da
        gx, gy, gz = fx + t * ex, fy + t * ey, fz + t * ez
        if 0.0 < t < t_max and gx * gx + gy * gy + gz * gz <= radius * radius:
            n = -1.0 if da > 0.0 else 1.0
            return t, n * ax, n * ay, n * az
    return MISS, 0.0, 0.0, 0.0


@compiled
def meet_box(
    ox: float, oy: float, oz: float, dx: float, dy: float, dz: float, box: Array, at: int, t_max: float
) -> Hit:
    """An oriented box: columns from `at` are its middle, three unit axes and half sizes."""
    wx, wy, wz = ox - box[at], oy - box[at + 1], oz - box[at + 2]
    t0, t1 = 0.0, t_max
    nx, ny, nz = 0.0, 0.0, 0.0
    for i in range(3):
        ax, ay, az = box[at + 3 + 3 * i], box[at + 4 + 3 * i], box[at + 5 + 3 * i]
        half = box[at + 12 + i]
        w = wx * ax + wy * ay + wz * az
        d = dx * ax + dy * ay + dz * az
        if d == 0.0:
            if abs(w) > half:
                return MISS, 0.0, 0.0, 0.0
            continue
        s = -1.0 if d > 0.0 else 1.0
        t = (s * half - w) / d
        if t > t0:
            t0 = t
            nx, ny, nz = s * ax, s * ay, s * az
        t1 = min(t1, (-s * half - w) / d)
        if t0 >= t1:
            return MISS, 0.0, 0.0, 0.0
    if nx == 0.0 and ny == 0.0 and nz == 0.0:
        return MISS, 0.0, 0.0, 0.0
    return t0, nx, ny, nz


@compiled
def meet_reference(ox: float, oy: float, oz: float, dx: float, dy: float, dz: float, ref: Array, t_max: float) -> Hit:
    """The object of known size: a thin disc, or a thin plate with rounded corners."""
    f = R_FRAME
    ax, ay, az = ref[f + 9], ref[f + 10], ref[f + 11]
    if ref[R_KIND] == 2.0:
        depth = ref[R_DEPTH]
        px, py, pz = ref[f] - depth * ax, ref[f + 1] - depth * ay, ref[f + 2] - depth * az
        return meet_cylinder(ox, oy, oz, dx, dy, dz, px, py, pz, ax, ay, az, depth, ref[R_HALFW], t_max)
    wx, wy, wz = ox - ref[f], oy - ref[f + 1], oz - ref[f + 2]
    d = dx * ax + dy * ay + dz * az
    w = wx * ax + wy * ay + wz * az
    if d == 0.0:
        return MISS, 0.0, 0.0, 0.0
    t = -w / d
    if t <= 0.0 or t >= t_max:
        return MISS, 0.0, 0.0, 0.0
    gx, gy, gz = wx + t * dx, wy + t * dy, wz + t * dz
    u = abs(gx * ref[f + 3] + gy * ref[f + 4] + gz * ref[f + 5])
    v = abs(gx * ref[f + 6] + gy * ref[f + 7] + gz * ref[f + 8])
    r = ref[R_CORNER]
    p, q = max(u - ref[R_HALFW] + r, 0.0), max(v - ref[R_HALFH] + r, 0.0)
    if u > ref[R_HALFW] or v > ref[R_HALFH] or p * p + q * q > r * r:
        return MISS, 0.0, 0.0, 0.0
    n = -1.0 if d > 0.0 else 1.0
    return t, n * ax, n * ay, n * az
