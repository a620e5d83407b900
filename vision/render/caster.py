"""The ray caster: the light that reaches the pixels along camera rays. Compiled."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .backdrop import behind, glow, sky
from .bodies import FAR
from .compiled import compiled, compiled_parallel, prange
from .looks import board_side, look, place_on_object, print_on_object
from .packed import (
    BEHIND,
    BOARD,
    DIFFUSE,
    INK,
    KIND,
    MIXED,
    NOTHING,
    REFERENCE,
    ROUGH_ACROSS,
    ROUGH_ALONG,
    SHEEN,
    Packed,
)
from .shading import diffuse_light, draw_pair, lamps_in_metal, lobe_density, rough_normal
from .trace import nearest

NUDGE_MM = 2e-5
MAX_BOUNCES = 4
SPECKLE_LIMIT = 1.5  # a white card under the room's light is about 1


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
            r, g, b, thing = behind(ox, oy, oz, dx, dy, dz, scene)
            if bounce == 0:
                first = thing
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
            if mat == REFERENCE:
                u, v = place_on_object(x, y, z, scene)
                first = REFERENCE + INK * print_on_object(u, v, scene)
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
    row_rate: int = 0,
) -> None:
    """Put into `out` (height x width, 3) the mean radiance over the area of each chosen pixel.

    It counts what is there as the mean of `first_sample` rays. `met` (height x width,) gets the one material all new
    samples met first (`BEHIND` and `INK` are told apart besides materials), or `MIXED`. With `row_rate`, the
    number of rays for two columns, the random numbers are even over the pixels of a row, for a mean along it.
    """
    for j in prange(len(pixels)):
        i = interleaved(j, len(pixels))
        pixel = pixels[i]
        row, col = pixel // width, pixel % width
        r, g, b = 0.0, 0.0, 0.0
        seen = NOTHING
        key, ahead = (width * row, row_rate * col // 2) if row_rate > 0 else (pixel, 0)
        for s in range(first_sample, first_sample + samples):
            u, v = draw_pair(key, ahead + s, 0, seed)
            p, q = draw_pair(key, ahead + s, 2, seed)
            ox, oy, oz, dx, dy, dz = camera_ray(col + u - 0.5, row + v - 0.5, p, q, cam)
            lr, lg, lb, first = light_along(ox, oy, oz, dx, dy, dz, key, ahead + s, seed, scene)
            r, g, b = r + lr, g + lg, b + lb
            if s > first_sample and first != seen:
                seen = MIXED
            elif s == first_sample:
                seen = first
        every = first_sample + samples
        out[pixel, 0] = (first_sample * out[pixel, 0] + r) / every
        out[pixel, 1] = (first_sample * out[pixel, 1] + g) / every
        out[pixel, 2] = (first_sample * out[pixel, 2] + b) / every
        met[pixel] = seen


@compiled
def fill_between(between: NDArray[np.bool_], limit: float, out: Array, met: NDArray[np.int64]) -> None:
    """Give a pixel the mean of its four neighbours where these are of one material and alike; else leave it chosen.

    `between` (height, width) chooses pixels that are no neighbours of each other; those filled are struck off.
    """
    height, width = met.shape
    for y in range(1, height - 1):
        for x in range(1, width - 1):
            if not between[y, x]:
                continue
            kind = met[y, x - 1]
            if kind == MIXED or met[y, x + 1] != kind or met[y - 1, x] != kind or met[y + 1, x] != kind:
                continue
            low, high = 1e30, 0.0
            for j, i in ((0, -1), (0, 1), (-1, 0), (1, 0)):
                tone = math.sqrt(out[y + j, x + i, 0] + out[y + j, x + i, 1] + out[y + j, x + i, 2])
                low, high = min(low, tone), max(high, tone)
            if kind >= BEHIND and high - low > limit * (0.05 + low):
                continue
            for c in range(3):
                out[y, x, c] = 0.25 * (out[y, x - 1, c] + out[y, x + 1, c] + out[y - 1, x, c] + out[y + 1, x, c])
            met[y, x] = kind
            between[y, x] = False


@compiled
def smooth_rows(where: NDArray[np.bool_], met: NDArray[np.int64], reach: int, limit: float, out: Array) -> None:
    """Replace chosen pixels of bodies by the mean of the row within `reach`, as far as the same material goes.

    Lone bright pixels are first held to `limit` times that mean, or they would be drawn out into dashes.
    """
    height, width = met.shape
    sums = np.zeros((width + 1, 3))
    row = np.zeros((width, 3))
    for y in range(height):
        start = 0
        while start < width:
            kind, end = met[y, start], start
            while end < width and met[y, end] == kind and where[y, end]:
                end += 1
            if 0 <= kind < BEHIND:
                for c in range(3):
                    for x in range(start, end):
                        sums[x + 1, c] = (0.0 if x == start else sums[x, c]) + out[y, x, c]
                    sums[start, c] = 0.0
                    for x in range(start, end):
                        a, b = max(start, x - reach), min(end, x + reach + 1)
                        row[x, c] = min(out[y, x, c], limit * (sums[b, c] - sums[a, c]) / (b - a))
                    for x in range(start, end):
                        sums[x + 1, c] = sums[x, c] + row[x, c]
                    for x in range(start, end):
                        a, b = max(start, x - reach), min(end, x + reach + 1)
                        out[y, x, c] = (sums[b, c] - sums[a, c]) / (b - a)
            start = max(end, start + 1)


@compiled_parallel
def cast_cells(
    pixels: NDArray[np.int64],
    width: int,
    rounds: NDArray[np.int64],
    seed: int,
    cam: Array,
    scene: Packed,
    out: Array,
) -> None:
    """Fill `out` (n, 4, 4, 3) with the mean radiance over sixteen cells (row, column) of each pixel, `rounds` (n,)
    rays to a cell."""
    for n in prange(len(pixels)):
        i = interleaved(n, len(pixels))
        pixel = pixels[i]
        row, col = pixel // width, pixel % width
        for s in range(16 * rounds[i]):
            j, k = (s // 4) % 4, s % 4
            u, v = draw_pair(pixel, s, 0, seed)
            p, q = draw_pair(pixel, s, 2, seed)
            x, y = col + 0.25 * (k + u) - 0.5, row + 0.25 * (j + v) - 0.5
            ox, oy, oz, dx, dy, dz = camera_ray(x, y, p, q, cam)
            r, g, b, _ = light_along(ox, oy, oz, dx, dy, dz, pixel, s, seed, scene)
            out[i, j, k, 0] += r / rounds[i]
            out[i, j, k, 1] += g / rounds[i]
            out[i, j, k, 2] += b / rounds[i]
