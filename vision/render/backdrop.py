"""What a ray sees that misses the instrument: backdrop, bench and clutter behind, the room in front. Compiled."""

from __future__ import annotations

import math

from lightgap.neck.profile import Array

from .bodies import FAR, meet_box, meet_cylinder
from .compiled import compiled
from .packed import (
    BEHIND,
    BENCH,
    BLUE,
    GREEN,
    K_BENCH,
    K_BENCHY,
    K_BLUE,
    K_CARD,
    K_CLOTH,
    K_GRADIENT,
    K_GRADX,
    K_GRADY,
    K_GREEN,
    K_HALFH,
    K_HALFW,
    K_KIND,
    K_RED,
    K_SEED,
    K_WALL,
    K_Z,
    RED,
    Packed,
)

Rgb = tuple[float, float, float]


@compiled
def hashed(a: int, b: int, c: int) -> float:
    """An even number in [0, 1) from three integers."""
    h = (a * 374761393 + b * 668265263 + c * 2147483647 + 1013904223) & 0xFFFFFFFF
    h = ((h ^ (h >> 15)) * 2246822519) & 0xFFFFFFFF
    h = ((h ^ (h >> 13)) * 3266489917) & 0xFFFFFFFF
    h = h ^ (h >> 16)
    return h / 4294967296.0


@compiled
def value_noise(x: float, y: float, seed: int) -> float:
    """Smooth noise in [0, 1) on the unit grid."""
    i, j = math.floor(x), math.floor(y)
    u, v = x - i, y - j
    u, v = u * u * (3.0 - 2.0 * u), v * v * (3.0 - 2.0 * v)
    low = hashed(i, j, seed) * (1.0 - u) + hashed(i + 1, j, seed) * u
    high = hashed(i, j + 1, seed) * (1.0 - u) + hashed(i + 1, j + 1, seed) * u
    return low * (1.0 - v) + high * v


@compiled
def room(dx: float, dy: float, dz: float, seed: int) -> Rgb:
    """Light of the room in a direction, lamps and windows left out: ceiling, floor, furniture."""
    up = 0.5 + 0.5 * dy
    level = 0.10 + 0.38 * up * up
    turn = math.atan2(dx, dz)
    level *= 0.65 + 0.7 * value_noise(2.5 * turn, 2.0 * dy, seed + 71)
    if dz > 0.0 and abs(dx) < 0.30 and dy < 0.25:
        level *= 0.35  # whoever holds the camera
    warm = 0.04 * (1.0 - up)
    return level * (1.0 + warm), level, level * (1.0 - warm)


@compiled
def sky(dx: float, dy: float, dz: float, density: float, lights: Array) -> Rgb:
    """Radiance of lamps and windows in a direction, far rectangles, met by a ray drawn with this density.

    Weighted against the rays aimed at them (`lamps_in_metal`); camera rays (density 0) see none.
    """
    r, g, b = 0.0, 0.0, 0.0
    for i in range(len(lights)):
        s = lights[i]
        c = dx * s[0] + dy * s[1] + dz * s[2]
        if c <= 0.05:
            continue
        u = abs((dx * s[3] + dy * s[4] + dz * s[5]) / c) / s[9]
        v = abs((dx * s[6] + dy * s[7] + dz * s[8]) / c) / s[10]
        if u < 1.0 and v < 1.0:
            weight = density / (density + 1.0 / (c * c * c * 4.0 * s[9] * s[10]))
            r += weight * s[11]
            g += weight * s[12]
            b += weight * s[13]
    return r, g, b


@compiled
def glow(nx: float, ny: float, nz: float, sh: Array) -> Rgb:
    """Light that falls on a surface of this normal from room and backdrop, over pi."""
    r, g, b = 0.0, 0.0, 0.0
    basis = (
        1.0,
        ny,
        nz,
        nx,
        nx * ny,
        ny * nz,
        3.0 * nz * nz - 1.0,
        nx * nz,
        nx * nx - ny * ny,
    )
    for i in range(9):
        r += sh[i, 0] * basis[i]
        g += sh[i, 1] * basis[i]
        b += sh[i, 2] * basis[i]
    return max(r, 0.0), max(g, 0.0), max(b, 0.0)


@compiled
def wood(x: float, y: float, z: float, amount: float, seed: int) -> float:
    """Grain along x: brightness about 1."""
    fine = value_noise(0.05 * x, 4.0 * y + 1.7 * z, seed + 5)
    broad = value_noise(0.02 * x, 0.6 * y + 0.5 * z, seed + 9)
    pore = value_noise(0.6 * x, 7.0 * y + 3.1 * z, seed + 13)
    dark = 0.35 if pore > 0.86 else 0.0
    return 1.0 + amount * (1.2 * (fine - 0.5) + 0.9 * (broad - 0.5) - dark)


@compiled
def sheet(x: float, y: float, k: Array) -> float:
    """Brightness of the backdrop at a place on it, about 1."""
    seed = int(k[K_SEED])
    kind = k[K_KIND]
    level = 1.0 + k[K_GRADX] * x / 400.0 + k[K_GRADY] * y / 250.0
    if kind == K_CLOTH:
        fold = value_noise(x / 45.0, y / 70.0, seed) - 0.5
        weave = value_noise(x / 1.6, y / 1.6, seed + 3) - 0.5
        level *= 1.0 + 0.7 * fold + 0.5 * weave
    elif kind in (K_WALL, K_BENCH):
        broad = value_noise(x / 90.0, y / 60.0, seed) - 0.5
        fine = value_noise(x / 9.0, y / 9.0, seed + 3) - 0.5
        level *= 1.0 + 0.12 * broad + 0.03 * fine
    elif kind == K_GRADIENT:
        level *= 1.0 + 0.1 * (value_noise(x / 120.0, y / 120.0, seed) - 0.5)
    elif kind == K_CARD:
        level *= 1.0 + 0.03 * (value_noise(x / 150.0, y / 150.0, seed) - 0.5)
    return float(max(level, 0.05))


@compiled
def behind(
    ox: float, oy: float, oz: float, dx: float, dy: float, dz: float, scene: Packed
) -> tuple[float, float, float, int]:
    """Radiance along a ray that met no part of the instrument, lamps left out; which thing it met (`BEHIND` and up)."""
    k = scene.backdrop
    seed = int(k[K_SEED])
    best = FAR
    kind = 0
    nx, ny, nz = 0.0, 0.0, 1.0
    row = 0
    if dz < 0.0:
        t = (k[K_Z] - oz) / dz
        x, y = ox + t * dx, oy + t * dy
        if t > 0.0 and abs(x - 200.0) < k[K_HALFW] and abs(y) < k[K_HALFH]:
            best, kind = t, 1
    if dy < 0.0:
        t = (k[K_BENCHY] - oy) / dy
        if 0.0 < t < best and abs(oz + t * dz) < 700.0 and oz + t * dz > k[K_Z]:
            best, kind, nx, ny, nz = t, 2, 0.0, 1.0, 0.0
    if dz < 0.0:
        for i in range(len(scene.things)):
            box = scene.things[i]
            if box[0] == 0.0:
                t, ax, ay, az = meet_box(ox, oy, oz, dx, dy, dz, box, 1, best)
            else:
                t, ax, ay, az = meet_cylinder(
                    ox, oy, oz, dx, dy, dz, box[1], box[2], box[3], box[7], box[8], box[9], box[13], box[14], best
                )
            if t > 0.0:
                best, kind, nx, ny, nz, row = t, 3, ax, ay, az, i
    if kind == 0:
        r, g, b = room(dx, dy, dz, seed)
        return r, g, b, BEHIND
    x, y, z = ox + best * dx, oy + best * dy, oz + best * dz
    if kind == 1:
        level = sheet(x, y, k)
        return level * k[K_RED], level * k[K_GREEN], level * k[K_BLUE], BEHIND + 1
    er, eg, eb = glow(nx, ny, nz, scene.harmonics)
    if kind == 2:
        m = scene.materials[BENCH]
        level = wood(x, z, 0.0, 0.5, seed)
        return er * m[RED] * level, eg * m[GREEN] * level, eb * m[BLUE] * level, BEHIND + 2
    lit = 0.35 + 0.65 * min(1.0, (y - k[K_BENCHY]) / 40.0)
    c = scene.colours[row]
    return er * c[0] * lit, eg * c[1] * lit, eb * c[2] * lit, BEHIND + 3 + row


@compiled
def gather_behind(directions: Array, scene: Packed, out: Array) -> None:
    """Fill `out` (n, 3) with what is seen from the middle of the board, instrument and lamps left out."""
    for i in range(len(directions)):
        d = directions[i]
        out[i, 0], out[i, 1], out[i, 2], _ = behind(200.0, 0.0, 15.0, d[0], d[1], d[2], scene)
