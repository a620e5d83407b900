"""The ray caster: nearest body, its look, and the light that reaches the pixels. Compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .backdrop import Rgb, behind, glow, hashed, sky, value_noise, wood
from .bodies import FAR, Hit, meet_board, meet_box, meet_cylinder, meet_fret, meet_planes, meet_reference
from .compiled import compiled, compiled_parallel, prange
from .packed import (
    BLUE,
    BOARD,
    BODY,
    BRUSHED,
    DIFFUSE,
    DOT,
    FRET,
    GRAIN,
    GREEN,
    K_SEED,
    K_XSIGN,
    KIND,
    METAL,
    MIXED,
    N_BODYR,
    N_BODYY,
    N_BODYZ,
    N_DEPTH,
    N_W0,
    N_WS,
    N_XEND,
    N_XHEEL,
    N_XJOINT,
    N_YBOTTOM,
    N_YMAX,
    N_YMIN,
    NECK,
    NOTHING,
    OBJECT,
    R_COIN,
    R_FRAME,
    R_HALFH,
    R_HALFW,
    R_KIND,
    R_MARKER,
    R_NONE,
    R_PRINT,
    RED,
    REFERENCE,
    ROUGH_ACROSS,
    ROUGH_ALONG,
    SHEEN,
    STRING,
    TANG,
    TEXTURE,
    TEXTURE_AMOUNT,
    WOOD,
    Packed,
)

NUDGE_MM = 2e-5
MAX_BOUNCES = 4
SHADE_REACH_MM = 45.0
SPECKLE_LIMIT = 1.5  # a white card under the room's light is about 1


@compiled
def meet_neck(ox: float, oy: float, oz: float, dx: float, dy: float, dz: float, n: Array, t_max: float) -> Hit:
    """The wood under the board: half an ellipse in section, growing deeper into the heel."""
    t0, t1 = 0.0, t_max
    if dy != 0.0:
        t = (n[N_YBOTTOM] - oy) / dy
        if dy > 0.0:
            t1 = min(t1, t)
        else:
            t0 = max(t0, t)
    elif oy > n[N_YBOTTOM]:
        return -1.0, 0.0, 0.0, 0.0
    t = max(t0, -oz / dz if dz != 0.0 else t0)
    for _ in range(6):
        x = ox + t * dx
        w = n[N_W0] + n[N_WS] * min(max(x, 0.0), n[N_XEND])
        s = max(x - n[N_XHEEL], 0.0) / max(n[N_XJOINT] - n[N_XHEEL], 1.0)
        depth = n[N_DEPTH] * (1.0 + 0.08 * x / n[N_XJOINT]) + 45.0 * s * s
        a = dz * dz / (w * w) + dy * dy / (depth * depth)
        y = oy - n[N_YBOTTOM]
        b = oz * dz / (w * w) + y * dy / (depth * depth)
        c = oz * oz / (w * w) + y * y / (depth * depth) - 1.0
        q = b * b - a * c
        if q < 0.0 or a == 0.0:
            return -1.0, 0.0, 0.0, 0.0
        t = (-b - math.sqrt(q)) / a
    if t <= t0 or t >= t1:
        return -1.0, 0.0, 0.0, 0.0
    x = ox + t * dx
    if x < -3.0 or x > n[N_XJOINT] + 8.0:
        return -1.0, 0.0, 0.0, 0.0
    ny, nz = (oy + t * dy - n[N_YBOTTOM]) / (depth * depth), (oz + t * dz) / (w * w)
    m = math.sqrt(ny * ny + nz * nz)
    return t, 0.0, ny / m, nz / m


@compiled
def nearest(
    ox: float, oy: float, oz: float, dx: float, dy: float, dz: float, t_max: float, any_will_do: bool, scene: Packed
) -> tuple[float, float, float, float, int]:
    """The nearest body of the instrument or the straightedge: distance, normal, material.

    With `any_will_do` the first body found in the way, near or not.
    """
    best, nx, ny, nz, mat = t_max, 0.0, 0.0, 0.0, NOTHING
    n = scene.neck
    t, met = meet_planes(ox, oy, oz, dx, dy, dz, scene.planes, best)
    if met >= 0:
        p = scene.planes[met]
        best, nx, ny, nz, mat = t, p[0], p[1], p[2], int(p[4])
        if any_will_do:
            return best, nx, ny, nz, mat
    # Board and frets live between the sides of the board and in a thin layer: most rays pass above or below.
    a, b = 0.0, best
    wide = n[N_W0] + n[N_WS] * n[N_XEND]
    if dz != 0.0:
        u, v = (-wide - oz) / dz, (wide - oz) / dz
        a, b = max(a, min(u, v)), min(b, max(u, v))
    elif abs(oz) > wide:
        b = -1.0
    within = a < b
    low_y = min(oy + a * dy, oy + b * dy)
    if dy != 0.0:
        u, v = (n[N_YMIN] - oy) / dy, (n[N_YMAX] - oy) / dy
        a, b = max(a, min(u, v)), min(b, max(u, v))
    elif oy < n[N_YMIN] or oy > n[N_YMAX]:
        b = -1.0
    if a < b:
        x0, x1 = ox + a * dx, ox + b * dx
        low, high = min(x0, x1), max(x0, x1)
        for i in range(len(scene.frets)):
            f = scene.frets[i]
            if f[0] + f[1] < low or f[0] - f[1] > high:
                continue
            t, ax, ay, az = meet_fret(ox, oy, oz, dx, dy, dz, f, best)
            if t > 0.0:
                best, nx, ny, nz, mat = t, ax, ay, az, FRET
                if any_will_do:
                    return best, nx, ny, nz, mat
        t, ax, ay, az = meet_board(ox, oy, oz, dx, dy, dz, n, scene.heights, best)
        if t > 0.0:
            best, nx, ny, nz, mat = t, ax, ay, az, BOARD
            if any_will_do:
                return best, nx, ny, nz, mat
    if within and low_y < n[N_YBOTTOM]:
        t, ax, ay, az = meet_neck(ox, oy, oz, dx, dy, dz, n, best)
        if t > 0.0:
            best, nx, ny, nz, mat = t, ax, ay, az, NECK
            if any_will_do:
                return best, nx, ny, nz, mat
    if scene.reference[R_KIND] != R_NONE:
        t, ax, ay, az = meet_reference(ox, oy, oz, dx, dy, dz, scene.reference, best)
        if t > 0.0:
            best, nx, ny, nz, mat = t, ax, ay, az, REFERENCE
    for i in range(len(scene.strings)):
        s = scene.strings[i]
        t, ax, ay, az = meet_cylinder(ox, oy, oz, dx, dy, dz, s[0], s[1], s[2], s[3], s[4], s[5], -1.0, s[6], best)
        if t > 0.0:
            best, nx, ny, nz, mat = t, ax, ay, az, STRING
    if max(ox, ox + best * dx) > n[N_XJOINT]:
        t, ax, ay, az = meet_cylinder(
            ox, oy, oz, dx, dy, dz,
            n[N_XJOINT] + n[N_BODYR], n[N_BODYY] - 95.0, n[N_BODYZ], 0.0, 1.0, 0.0, 95.0, n[N_BODYR], best,
        )  # fmt: skip
        if t > 0.0:
            best, nx, ny, nz, mat = t, ax, ay, az, BODY
    if min(ox, ox + best * dx) < 0.0:
        for i in range(len(scene.boxes)):
            t, ax, ay, az = meet_box(ox, oy, oz, dx, dy, dz, scene.boxes[i], 0, best)
            if t > 0.0:
                best, nx, ny, nz, mat = t, ax, ay, az, int(scene.boxes[i, 15])
        for i in range(len(scene.posts)):
            s = scene.posts[i]
            t, ax, ay, az = meet_cylinder(ox, oy, oz, dx, dy, dz, s[0], s[1], s[2], s[3], s[4], s[5], s[6], s[7], best)
            if t > 0.0:
                best, nx, ny, nz, mat = t, ax, ay, az, int(s[8])
    return best, nx, ny, nz, mat


@compiled
def board_side(x: float, y: float, z: float, nz: float, scene: Packed) -> int:
    """Refine the material of the board's side: fret tangs and side dots show there."""
    if nz < 0.5:
        return BOARD
    for i in range(len(scene.frets)):
        if abs(x - scene.frets[i, 0]) < 0.27:
            foot = scene.frets[i, 3] - scene.frets[i, 2]
            k = scene.frets[i, 4]
            edge = foot - k * z * z / (1.0 + math.sqrt(1.0 - k * k * z * z))
            if y > edge - 1.9:
                return TANG
    for i in range(len(scene.dots)):
        u, v = x - scene.dots[i, 0], y - scene.dots[i, 1]
        if u * u + v * v < 1.0:
            return DOT
    return BOARD


@compiled
def object_colour(x: float, y: float, z: float, scene: Packed) -> Rgb:
    """Print on the object of known size: (r, g, b) reflectance."""
    ref, f = scene.reference, R_FRAME
    wx, wy, wz = x - ref[f], y - ref[f + 1], z - ref[f + 2]
    u = (wx * ref[f + 3] + wy * ref[f + 4] + wz * ref[f + 5]) * scene.backdrop[K_XSIGN]
    v = wx * ref[f + 6] + wy * ref[f + 7] + wz * ref[f + 8]
    m = scene.materials[REFERENCE]
    r, g, b = m[RED], m[GREEN], m[BLUE]
    if ref[R_KIND] == R_MARKER:
        cell = 2.0 * ref[R_HALFW] / 8.0  # one cell of white margin, then six by six
        i, j = math.floor((ref[R_HALFH] - v) / cell), math.floor((u + ref[R_HALFW]) / cell)
        white = i < 1 or i > 6 or j < 1 or j > 6 or scene.marker[i - 1, j - 1] > 0.5
        return (0.78, 0.77, 0.74) if white else (0.022, 0.022, 0.024)
    if ref[R_KIND] == R_COIN:
        rho = math.sqrt(u * u + v * v) / ref[R_HALFW]
        dim = 0.6 if (0.86 < rho < 0.89 or 0.44 < rho < 0.47) else 1.0
        return r * dim, g * dim, b * dim
    if ref[R_PRINT] > 0.0:
        if -21.0 < v < -14.5:
            return 0.5 * r + 0.30, 0.5 * g + 0.30, 0.5 * b + 0.25
        if abs(u + 27.0) < 6.0 and abs(v - 5.0) < 4.5:
            return 0.55, 0.42, 0.16
        if (u - 25.0) ** 2 + (v - 6.0) ** 2 < 90.0:
            return 0.45, 0.40, 0.58
    return r, g, b


@compiled
def look(x: float, y: float, z: float, mat: int, scene: Packed) -> tuple[float, float, float, float]:
    """Reflectance (r, g, b) and two streak numbers (tilts of the brushed face) of a material at a place."""
    m = scene.materials[mat]
    seed = int(scene.backdrop[K_SEED])
    r, g, b = m[RED], m[GREEN], m[BLUE]
    tilt = 0.0
    if m[TEXTURE] == WOOD:
        level = wood(x, y, z, m[TEXTURE_AMOUNT], seed + 31 * mat)
        r, g, b = r * level, g * level, b * level
    elif m[TEXTURE] == BRUSHED:
        streak = value_noise(x / 25.0, y / 0.11, seed + 17) - 0.5
        broad = value_noise(x / 60.0, y / 0.9, seed + 23) - 0.5
        level = 1.0 + m[TEXTURE_AMOUNT] * (0.5 * streak + 0.5 * broad)
        r, g, b = r * level, g * level, b * level
        tilt = m[TEXTURE_AMOUNT] * 0.5 * streak
    elif m[TEXTURE] == GRAIN:
        level = 1.0 + m[TEXTURE_AMOUNT] * (value_noise(x / 0.35, y / 0.35, seed + 41) - 0.5)
        r, g, b = r * level, g * level, b * level
    elif m[TEXTURE] == OBJECT:
        r, g, b = object_colour(x, y, z, scene)
    return r, g, b, tilt


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


@compiled
def light_along(
    ox: float, oy: float, oz: float, dx: float, dy: float, dz: float, pixel: int, sample: int, seed: int, scene: Packed
) -> tuple[float, float, float, int]:
    """Radiance that comes along a camera ray: mirrored through metal up to a few times, ended on anything matt."""
    kr, kg, kb = 1.0, 1.0, 1.0
    first = NOTHING
    sr, sg, sb = 0.0, 0.0, 0.0
    density = 0.0
    for bounce in range(MAX_BOUNCES):
        t, nx, ny, nz, mat = nearest(ox, oy, oz, dx, dy, dz, FAR, False, scene)
        if mat == NOTHING:
            r, g, b = behind(ox, oy, oz, dx, dy, dz, scene)
            lr, lg, lb = sky(dx, dy, dz, density, scene.lights)
            if bounce > 1:
                held = SPECKLE_LIMIT / max(SPECKLE_LIMIT, kr * lr, kg * lg, kb * lb)
                lr, lg, lb = held * lr, held * lg, held * lb
            return sr + kr * (r + lr), sg + kg * (g + lg), sb + kb * (b + lb), first
        x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
        if mat == BOARD:
            mat = board_side(x, y, z, nz, scene)
        if bounce == 0:
            first = mat
        m = scene.materials[mat]
        r, g, b, tilt = look(x, y, z, mat, scene)
        x, y, z = x + NUDGE_MM * nx, y + NUDGE_MM * ny, z + NUDGE_MM * nz
        u, v = draw_pair(pixel, sample, 6 + 8 * bounce, seed)
        along, across = m[ROUGH_ALONG], m[ROUGH_ACROSS]
        if m[KIND] == DIFFUSE:
            er, eg, eb = diffuse_light(x, y, z, nx, ny, nz, pixel, sample, 8 + 8 * bounce, seed, scene)
            sr, sg, sb = sr + kr * r * er, sg + kg * g * eg, sb + kb * b * eb
            if m[SHEEN] == 0.0 or ny < 0.5 or bounce > 0:
                return sr, sg, sb, first
            # A thin gloss over the colour of the board: stronger the flatter one looks along it.
            facing = max(-(nx * dx + ny * dy + nz * dz), 0.0)
            sheen = m[SHEEN] * (0.04 + 0.96 * (1.0 - facing) ** 5)
            kr, kg, kb = sheen * kr, sheen * kg, sheen * kb
            r, g, b = 1.0, 1.0, 1.0
        hx, hy, hz = rough_normal(nx, ny, nz, dx, dy, dz, along, across, tilt, u, v)
        c = hx * dx + hy * dy + hz * dz
        ex, ey, ez = dx - 2.0 * c * hx, dy - 2.0 * c * hy, dz - 2.0 * c * hz
        below = ex * nx + ey * ny + ez * nz
        if below < 0.0:  # a second facet turns it up again, with loss
            ex, ey, ez = ex - 2.0 * below * nx, ey - 2.0 * below * ny, ez - 2.0 * below * nz
            kr, kg, kb = 0.7 * kr, 0.7 * kg, 0.7 * kb
        gloss = (1.0 + c) ** 5 if c > -1.0 else 0.0  # Schlick: all metals whiten at grazing
        kr, kg, kb = kr * (r + (1.0 - r) * gloss), kg * (g + (1.0 - g) * gloss), kb * (b + (1.0 - b) * gloss)
        lr, lg, lb = lamps_in_metal(
            x, y, z, dx, dy, dz, nx, ny, nz, along, across, tilt, pixel, sample, 10 + 8 * bounce, seed, scene
        )
        if bounce > 0:  # rare bright paths between metals: held down, or they speckle the picture
            held = SPECKLE_LIMIT / max(SPECKLE_LIMIT, kr * lr, kg * lg, kb * lb)
            lr, lg, lb = held * lr, held * lg, held * lb
        sr, sg, sb = sr + kr * lr, sg + kg * lg, sb + kb * lb
        density = lobe_density(ex, ey, ez, dx, dy, dz, nx, ny, nz, along, across, tilt)
        ox, oy, oz, dx, dy, dz = x, y, z, ex, ey, ez
    er, eg, eb = glow(dx, dy, dz, scene.harmonics)
    return sr + 0.5 * kr * er, sg + 0.5 * kg * eg, sb + 0.5 * kb * eb, first


@compiled
def camera_ray(u: float, v: float, p: float, q: float, cam: Array) -> tuple[float, float, float, float, float, float]:
    """The ray of an image point through a point of the lens, in the board frame."""
    xd, yd = (u - cam[1]) / cam[0], -(v - cam[2]) / cam[0]
    k1 = cam[3]
    rd = math.sqrt(xd * xd + yd * yd)
    ru = rd * (1.0 - k1 * rd * rd)
    for _ in range(3):
        ru -= (ru * (1.0 + k1 * ru * ru) - rd) / (1.0 + 3.0 * k1 * ru * ru)
    s = ru / rd if rd > 0.0 else 1.0
    x, y = xd * s, yd * s
    rad, phi = cam[17] * math.sqrt(p), 2.0 * math.pi * q
    lx, ly = rad * math.cos(phi), rad * math.sin(phi)
    focus = cam[16]
    o0, o1, o2 = (
        cam[4] + lx * cam[10] + ly * cam[13],
        cam[5] + lx * cam[11] + ly * cam[14],
        cam[6] + lx * cam[12] + ly * cam[15],
    )
    gx, gy = x * focus - lx, y * focus - ly
    d0 = focus * cam[7] + gx * cam[10] + gy * cam[13]
    d1 = focus * cam[8] + gx * cam[11] + gy * cam[14]
    d2 = focus * cam[9] + gx * cam[12] + gy * cam[15]
    n = math.sqrt(d0 * d0 + d1 * d1 + d2 * d2)
    sign = cam[18]
    return sign * o0, o1, o2, sign * d0 / n, d1 / n, d2 / n


@compiled
def interleaved(j: int, count: int) -> int:
    """Even numbers first, then odd ones: two threads that halve the picture get equal work."""
    half = (count + 1) // 2
    return 2 * j if j < half else 2 * (j - half) + 1


@compiled_parallel
def cast_pixels(
    pixels: NDArray[np.int64],
    width: int,
    samples: int,
    first_sample: int,
    seed: int,
    cam: Array,
    scene: Packed,
    out: Array,
    met: NDArray[np.int64],
) -> None:
    """Fill `out` (n, 3) with the mean radiance over the area of each pixel.

    `met` (n,) gets the one material all samples met first (`NOTHING` for the backdrop), or `MIXED`.
    """
    for j in prange(len(pixels)):
        i = interleaved(j, len(pixels))
        pixel = pixels[i]
        row, col = pixel // width, pixel % width
        r, g, b = 0.0, 0.0, 0.0
        seen = NOTHING
        for s in range(first_sample, first_sample + samples):
            u, v = draw_pair(pixel, s, 0, seed)
            p, q = draw_pair(pixel, s, 2, seed)
            ox, oy, oz, dx, dy, dz = camera_ray(col + u - 0.5, row + v - 0.5, p, q, cam)
            lr, lg, lb, first = light_along(ox, oy, oz, dx, dy, dz, pixel, s, seed, scene)
            r, g, b = r + lr, g + lg, b + lb
            if s > first_sample and first != seen:
                seen = MIXED
            elif s == first_sample:
                seen = first
        out[i, 0], out[i, 1], out[i, 2] = r / samples, g / samples, b / samples
        met[i] = seen


@compiled_parallel
def cast_cells(
    pixels: NDArray[np.int64], width: int, rounds: int, seed: int, cam: Array, scene: Packed, out: Array
) -> None:
    """Fill `out` (n, 4, 4, 3) with the mean radiance over sixteen cells (row, column) of each pixel."""
    for n in prange(len(pixels)):
        i = interleaved(n, len(pixels))
        pixel = pixels[i]
        row, col = pixel // width, pixel % width
        for s in range(16 * rounds):
            j, k = (s // 4) % 4, s % 4
            u, v = draw_pair(pixel, s, 0, seed)
            p, q = draw_pair(pixel, s, 2, seed)
            x, y = col + 0.25 * (k + u) - 0.5, row + 0.25 * (j + v) - 0.5
            ox, oy, oz, dx, dy, dz = camera_ray(x, y, p, q, cam)
            r, g, b, _ = light_along(ox, oy, oz, dx, dy, dz, pixel, s, seed, scene)
            out[i, j, k, 0] += r / rounds
            out[i, j, k, 1] += g / rounds
            out[i, j, k, 2] += b / rounds
