"""What bodies look like: wood, print, brushed steel, tangs and dots on the board's side. Compiled."""

from __future__ import annotations

import math

from .backdrop import Rgb, value_noise, wood
from .compiled import compiled
from .packed import (
    BLUE,
    BOARD,
    BRUSHED,
    DOT,
    GRAIN,
    GREEN,
    K_SEED,
    K_XSIGN,
    OBJECT,
    R_COIN,
    R_FRAME,
    R_HALFH,
    R_HALFW,
    R_KIND,
    R_MARKER,
    R_PRINT,
    RED,
    REFERENCE,
    TANG,
    TEXTURE,
    TEXTURE_AMOUNT,
    WOOD,
    Packed,
)


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
def place_on_object(x: float, y: float, z: float, scene: Packed) -> tuple[float, float]:
    """Right and up from the middle of the object of known size, as the picture shows it."""
    ref, f = scene.reference, R_FRAME
    wx, wy, wz = x - ref[f], y - ref[f + 1], z - ref[f + 2]
    u = (wx * ref[f + 3] + wy * ref[f + 4] + wz * ref[f + 5]) * scene.backdrop[K_XSIGN]
    return u, wx * ref[f + 6] + wy * ref[f + 7] + wz * ref[f + 8]


@compiled
def print_on_object(u: float, v: float, scene: Packed) -> int:
    """Which print is at a place on the object of known size; 0 for bare."""
    ref = scene.reference
    if ref[R_KIND] == R_MARKER:
        cell = 2.0 * ref[R_HALFW] / 8.0  # one cell of white margin, then six by six
        i, j = math.floor((ref[R_HALFH] - v) / cell), math.floor((u + ref[R_HALFW]) / cell)
        white = i < 1 or i > 6 or j < 1 or j > 6 or scene.marker[i - 1, j - 1] > 0.5
        return 0 if white else 1
    if ref[R_KIND] == R_COIN:
        rho = math.sqrt(u * u + v * v) / ref[R_HALFW]
        return 1 if (0.86 < rho < 0.89 or 0.44 < rho < 0.47) else 0
    if ref[R_PRINT] > 0.0:
        if -21.0 < v < -14.5:
            return 1
        if abs(u + 27.0) < 6.0 and abs(v - 5.0) < 4.5:
            return 2
        if (u - 25.0) ** 2 + (v - 6.0) ** 2 < 90.0:
            return 3
    return 0


@compiled
def object_colour(x: float, y: float, z: float, scene: Packed) -> Rgb:
    """Reflectance (r, g, b) of the object of known size, its print included."""
    u, v = place_on_object(x, y, z, scene)
    ink = print_on_object(u, v, scene)
    kind = scene.reference[R_KIND]
    m = scene.materials[REFERENCE]
    r, g, b = m[RED], m[GREEN], m[BLUE]
    if kind == R_MARKER:
        return (0.78, 0.77, 0.74) if ink == 0 else (0.022, 0.022, 0.024)
    if kind == R_COIN:
        dim = 0.6 if ink == 1 else 1.0
        return r * dim, g * dim, b * dim
    if ink == 1:
        return 0.5 * r + 0.30, 0.5 * g + 0.30, 0.5 * b + 0.25
    if ink == 2:
        return 0.55, 0.42, 0.16
    if ink == 3:
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
