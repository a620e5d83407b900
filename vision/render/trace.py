"""Which body of the instrument a ray meets first. Compiled."""

from __future__ import annotations

import math

from lightgap.neck.profile import Array

from .bodies import Hit, meet_board, meet_box, meet_cylinder, meet_fret, meet_planes, meet_reference
from .compiled import compiled
from .packed import (
    BOARD,
    BODY,
    FRET,
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
    R_KIND,
    R_NONE,
    REFERENCE,
    STRING,
    Packed,
)


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
