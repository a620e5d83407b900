"""Light on matt surfaces and in rough metal. Compiled."""

from __future__ import annotations

import math

from .backdrop import Rgb, glow, hashed
from .bodies import FAR
from .compiled import compiled
from .packed import KIND, METAL, NOTHING, Packed
from .trace import nearest

SHADE_REACH_MM = 45.0


@compiled
def draw_pair(pixel: int, sample: int, dim: int, seed: int) -> tuple[float, float]:
    """Two numbers in (0, 1), even over the samples of a pixel (additive recurrence from a hashed start)."""
    u = hashed(pixel, dim, seed) + sample * 0.7548776662466927
    v = hashed(pixel, dim + 1, seed) + sample * 0.5698402909980532
    return u - math.floor(u), v - math.floor(v)


@compiled
def diffuse_light(
    x: float,
    y: float,
    z: float,
    nx: float,
    ny: float,
    nz: float,
    pixel: int,
    sample: int,
    dim: int,
    seed: int,
    scene: Packed,
) -> Rgb:
    """Light falling on a matt surface over pi: room (dimmed where near things hide it), lamps with soft shadows."""
    u, v = draw_pair(pixel, sample, dim, seed)
    # A direction spread as the cosine about the normal.
    phi, s = 2.0 * math.pi * u, math.sqrt(v)
    h = math.sqrt(max(1.0 - v, 0.0))
    if abs(ny) < 0.9:
        m = math.sqrt(nx * nx + nz * nz)
        tx, ty, tz = nz / m, 0.0, -nx / m
    else:
        m = math.sqrt(ny * ny + nz * nz)
        tx, ty, tz = 0.0, nz / m, -ny / m
    bx, by, bz = ny * tz - nz * ty, nz * tx - nx * tz, nx * ty - ny * tx
    c, e = s * math.cos(phi), s * math.sin(phi)
    dx, dy, dz = c * tx + e * bx + h * nx, c * ty + e * by + h * ny, c * tz + e * bz + h * nz
    _, _, _, _, mat = nearest(x, y, z, dx, dy, dz, SHADE_REACH_MM, True, scene)
    r, g, b = glow(nx, ny, nz, scene.harmonics)
    if mat != NOTHING:
        kept = 0.55 if scene.materials[mat, KIND] == METAL else 0.2
        r, g, b = r * kept, g * kept, b * kept
    for i in range(len(scene.lights)):
        q = scene.lights[i]
        u, v = draw_pair(pixel, sample, dim + 2 + 2 * i, seed)
        p, w = (2.0 * u - 1.0) * q[9], (2.0 * v - 1.0) * q[10]
        dx, dy, dz = q[0] + p * q[3] + w * q[6], q[1] + p * q[4] + w * q[7], q[2] + p * q[5] + w * q[8]
        m2 = dx * dx + dy * dy + dz * dz
        m = math.sqrt(m2)
        dx, dy, dz = dx / m, dy / m, dz / m
        cosine = dx * nx + dy * ny + dz * nz
        if cosine <= 0.0:
            continue
        _, _, _, _, mat = nearest(x, y, z, dx, dy, dz, FAR, True, scene)
        if mat == NOTHING:
            weight = cosine * 4.0 * q[9] * q[10] / (m2 * m) / math.pi
            r, g, b = r + weight * q[11], g + weight * q[12], b + weight * q[13]
    return r, g, b


@compiled
def rough_normal(
    nx: float,
    ny: float,
    nz: float,
    dx: float,
    dy: float,
    dz: float,
    along: float,
    across: float,
    tilt: float,
    u: float,
    v: float,
) -> Rgb:
    """Tilt a normal at random: `along` the board's x, `across` it, and by the streak the ray fell on."""
    # Gaussian pair (Box and Muller).
    rad = math.sqrt(-2.0 * math.log(max(u, 1e-12)))
    p, q = along * rad * math.cos(2.0 * math.pi * v), across * rad * math.sin(2.0 * math.pi * v) + tilt
    m = math.sqrt(max(1.0 - nx * nx, 1e-9))
    ax, ay, az = (1.0 - nx * nx) / m, -nx * ny / m, -nx * nz / m
    bx, by, bz = ny * az - nz * ay, nz * ax - nx * az, nx * ay - ny * ax
    hx, hy, hz = nx + p * ax + q * bx, ny + p * ay + q * by, nz + p * az + q * bz
    m = math.sqrt(hx * hx + hy * hy + hz * hz)
    hx, hy, hz = hx / m, hy / m, hz / m
    if hx * dx + hy * dy + hz * dz >= -1e-4:
        return nx, ny, nz
    return hx, hy, hz


@compiled
def lobe_density(
    lx: float,
    ly: float,
    lz: float,
    dx: float,
    dy: float,
    dz: float,
    nx: float,
    ny: float,
    nz: float,
    along: float,
    across: float,
    tilt: float,
) -> float:
    """How often a ray along `d` leaves rough metal along `l`, per unit of solid angle (the law of `rough_normal`)."""
    hx, hy, hz = lx - dx, ly - dy, lz - dz
    m = math.sqrt(hx * hx + hy * hy + hz * hz)
    if m < 1e-9:
        return 0.0
    hx, hy, hz = hx / m, hy / m, hz / m
    c = hx * nx + hy * ny + hz * nz
    if c <= 0.05:
        return 0.0
    w = math.sqrt(max(1.0 - nx * nx, 1e-9))
    ax, ay, az = (1.0 - nx * nx) / w, -nx * ny / w, -nx * nz / w
    bx, by, bz = ny * az - nz * ay, nz * ax - nx * az, nx * ay - ny * ax
    p = (hx * ax + hy * ay + hz * az) / c / along
    q = ((hx * bx + hy * by + hz * bz) / c - tilt) / across
    flat = math.exp(-0.5 * (p * p + q * q)) / (2.0 * math.pi * along * across)
    return flat / (c * c * c) / (4.0 * max(-(hx * dx + hy * dy + hz * dz), 1e-3))


@compiled
def lamps_in_metal(
    x: float,
    y: float,
    z: float,
    dx: float,
    dy: float,
    dz: float,
    nx: float,
    ny: float,
    nz: float,
    along: float,
    across: float,
    tilt: float,
    pixel: int,
    sample: int,
    dim: int,
    seed: int,
    scene: Packed,
) -> Rgb:
    """Lamps seen in rough metal, one direction drawn to each; `sky` holds the other half of the balance.

    The two ways to find a lamp (aim at it, or meet it by chance) are weighted by the balance heuristic
    (E. Veach and L. Guibas, SIGGRAPH 1995).
    """
    r, g, b = 0.0, 0.0, 0.0
    for i in range(len(scene.lights)):
        q = scene.lights[i]
        u, v = draw_pair(pixel, sample, dim + 2 * i, seed)
        p, w = (2.0 * u - 1.0) * q[9], (2.0 * v - 1.0) * q[10]
        ex, ey, ez = q[0] + p * q[3] + w * q[6], q[1] + p * q[4] + w * q[7], q[2] + p * q[5] + w * q[8]
        m = math.sqrt(ex * ex + ey * ey + ez * ez)
        ex, ey, ez = ex / m, ey / m, ez / m
        if ex * nx + ey * ny + ez * nz <= 0.0:
            continue
        density = lobe_density(ex, ey, ez, dx, dy, dz, nx, ny, nz, along, across, tilt)
        weight = density / (density + m * m * m / (4.0 * q[9] * q[10]))
        if weight < 1e-4:
            continue
        _, _, _, _, mat = nearest(x, y, z, ex, ey, ez, FAR, True, scene)
        if mat == NOTHING:
            r, g, b = r + weight * q[11], g + weight * q[12], b + weight * q[13]
    return r, g, b
