"""Drawings of evenly and unevenly spaced things that look like frets under an edge, and are none."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

Grey = NDArray[np.float64]
HEIGHT, WIDTH = 900, 2400
SCALE_PX = 3300.0  # length of the string in the flat drawings of a board


def blank(level: float = 190.0) -> Grey:
    """Return an even picture."""
    return np.full((HEIGHT, WIDTH), level)


def ruler(step_px: int, tall: bool) -> Grey:
    """Return a ruler with ticks of three lengths."""
    p = blank()
    p[300 : 620 if tall else 520] = 235
    foot = 620 if tall else 520
    for i, x in enumerate(range(60, WIDTH - 60, step_px)):
        p[foot - 60 - 60 * (i % 5 == 0) - 30 * (i % 10 == 0) : foot, x : x + max(2, step_px // 8)] = 25
    return p


def comb(pitch_px: int, tooth_px: int, level: float) -> Grey:
    """Return a comb with even teeth."""
    p = blank(225.0)
    p[330:420] = level
    for x in range(80, WIDTH - 80, pitch_px):
        p[420:620, x : x + tooth_px] = level
    return p


def ladder(pitch_px: int, rail_px: int) -> Grey:
    """Return a ladder lying down."""
    p = blank()
    p[300 : 300 + rail_px], p[600 : 600 + rail_px] = 45, 45
    for x in range(90, WIDTH - 50, pitch_px):
        p[300:600, x : x + 26] = 45
    return p


def blinds(pitch_px: int) -> Grey:
    """Return window blinds with their cords."""
    p = blank(240.0)
    for y in range(40, HEIGHT - 20, pitch_px):
        slat = int(0.65 * pitch_px)
        p[y : y + slat] = (90 + 60 * np.linspace(0, 1, slat)[:, None])[: HEIGHT - y]
    for x in (420, 1200, 1980):
        p[:, x : x + 5] = 60
    return p


def shelf(seed: int) -> Grey:
    """Return books of uneven width and height on a board."""
    rng = np.random.default_rng(seed)
    p = blank(60.0)
    p[640:690] = 130
    x = 30
    while x < WIDTH - 120:
        wide, high = int(rng.integers(30, 95)), int(rng.integers(180, 370))
        p[640 - high : 640, x : x + wide] = rng.uniform(40, 220)
        p[640 - high : 640, x + wide : x + wide + 2] = 15
        x += wide + 2
    return p


def fence(pitch_px: int) -> Grey:
    """Return pickets on two rails."""
    p = blank()
    p[:150] = 120
    p[250:300], p[560:610] = 220, 220
    for x in range(20, WIDTH - 20, pitch_px):
        p[120:800, x : x + int(0.64 * pitch_px)] = 225
    return p


def keys(key_px: int) -> Grey:
    """Return white keys and the black ones in their twos and threes."""
    p = blank(60.0)
    p[260:760] = 235
    for i, x in enumerate(range(0, WIDTH, key_px)):
        p[260:760, x : x + 3] = 90
        if i % 7 in (1, 2, 4, 5, 6):
            p[260:560, x - key_px // 4 : x + key_px // 4] = 20
    p[200:262] = 25
    return p


def staff(lines_px: int) -> Grey:
    """Return staves with bars and heads of notes."""
    rng = np.random.default_rng(lines_px)
    p = blank(245.0)
    for top in range(60, HEIGHT - 8 * lines_px, 9 * lines_px):
        for i in range(5):
            p[top + i * lines_px : top + i * lines_px + 2, 40:-40] = 20
        for x in range(40, WIDTH - 40, 380):
            p[top : top + 4 * lines_px, x : x + 4] = 20
        for x in rng.integers(80, WIDTH - 80, 40):
            cv2.circle(p, (int(x), top + int(rng.integers(0, 5)) * lines_px), lines_px // 2, 25.0, -1)
    return p


def barcode(seed: int) -> Grey:
    """Return bars of four widths."""
    rng = np.random.default_rng(seed)
    p = blank(250.0)
    x = 80
    while x < WIDTH - 90:
        wide = int(rng.integers(1, 5)) * 8
        p[180:720, x : x + wide] = 15
        x += wide + int(rng.integers(1, 5)) * 8
    return p


def sleepers(pitch_px: int) -> Grey:
    """Return a railway from above: a rail across sleepers."""
    rng = np.random.default_rng(pitch_px)
    p = cv2.GaussianBlur(rng.uniform(90, 170, (HEIGHT, WIDTH)), (0, 0), 3.0)
    for x in range(30, WIDTH - 40, pitch_px):
        p[180:760, x : x + pitch_px // 3] = 70
    p[300:335], p[620:655] = 205, 205
    return np.asarray(p, dtype=np.float64)


def bricks(wide_px: int) -> Grey:
    """Return a wall of bricks."""
    p = blank(200.0)
    for row, y in enumerate(range(0, HEIGHT, wide_px // 2)):
        for x in range(-wide_px * (row % 2) // 2, WIDTH, wide_px):
            p[y + 6 : y + wide_px // 2, max(x + 6, 0) : max(x + wide_px, 0)] = 105 + 20 * ((x + 3 * y) % 5)
    return p


def chequers(cell_px: int) -> Grey:
    """Return a board of squares."""
    y, x = np.indices((HEIGHT, WIDTH)) // cell_px
    return np.where((x + y) % 2 == 0, 40.0, 220.0)


def bands(pitch_px: float, turned_deg: float) -> Grey:
    """Return light and dark bands at an angle."""
    y, x = np.indices((HEIGHT, WIDTH))
    a = np.deg2rad(turned_deg)
    return 127 + 110 * np.sign(np.sin(2 * np.pi * (x * np.sin(a) + y * np.cos(a)) / pitch_px))


def grain(kind: str, seed: int) -> Grey:
    """Return noise: even, bell-shaped, or clouds."""
    rng = np.random.default_rng(seed)
    if kind == "even":
        return rng.uniform(0, 255, (HEIGHT, WIDTH))
    if kind == "bell":
        return 127 + 40 * rng.standard_normal((HEIGHT, WIDTH))
    clouds = np.zeros((HEIGHT, WIDTH))
    for octave in range(7):
        coarse = rng.standard_normal((HEIGHT // 2**octave + 2, WIDTH // 2**octave + 2))
        clouds += 2.0**octave * cv2.resize(coarse, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
    return np.asarray(127 + 50 * clouds / clouds.std())


def tempered_columns(frets: int, nut_px: float) -> Grey:
    """Return the columns of frets of an equal-tempered board, 2^(-n/12) of the string."""
    return nut_px + SCALE_PX * (1.0 - 2.0 ** (-np.arange(1, frets + 1) / 12.0))


def tempered_comb(tooth_px: int, *, gap_px: int) -> Grey:
    """Return straight upright teeth at equal-tempered places under a straight dark bar, with or without air between."""
    p = blank(235.0)
    p[330:430, 60:-60] = 35
    for x in tempered_columns(17, 100.0):
        p[430 + gap_px : 640, round(x) - tooth_px // 2 : round(x) + tooth_px // 2] = 40
    return p


def flat_board(*, gap_px: float, bow_px: float, crowns: bool, card: bool = False) -> Grey:
    """Return a flat drawing of a board from the side under a bar, its frets bars or round crowns, bowed or straight.

    Everything a photograph has by perspective is missing: no depth, no smear along the frets, no shading. With `card`,
    an outline of bank-card size at 5.09 px/mm (the drawing's 3300 px are a string of 648 mm) lies on the bar.
    """
    p = blank(235.0)
    p[250:430, 60:-60] = 35
    if card:
        wide, high = round(85.6 * SCALE_PX / 648.0), round(53.98 * SCALE_PX / 648.0)
        p[420 - high : 420, 900 : 900 + wide] = 150
    places = tempered_columns(17, 100.0)
    share = (np.arange(WIDTH) - places[0]) / (places[14] - places[0])
    top = 430 + gap_px + bow_px * 4 * np.clip(share, 0, 1) * (1 - np.clip(share, 0, 1))
    y = np.arange(HEIGHT)[:, None]
    p = np.where((y > top + 9.0) & (y < 640), 50.0, p)
    half = 6.0
    for x in places:
        columns = np.arange(round(x - half) - 1, round(x + half) + 2)
        near = np.abs(columns - x) < half
        rise = 9.0 * (np.sqrt(np.maximum(1.0 - ((columns - x) / half) ** 2, 0.0)) if crowns else near)
        cover = np.clip(y - (top[columns] + 9.0 - rise) + 0.5, 0.0, 1.0) * near * (y < 640)
        p[:, columns] = p[:, columns] * (1 - cover) + 95.0 * cover
    return p


DRAWINGS: dict[str, Callable[[], Grey]] = {
    **{f"ruler-{s}-{t}": lambda s=s, t=t: ruler(s, t) for s in (12, 20, 34) for t in (False, True)},
    **{f"comb-{a}-{b}": lambda a=a, b=b: comb(a, b, 30.0) for a, b in ((90, 34), (60, 20), (130, 30), (40, 20))},
    **{f"ladder-{a}": lambda a=a: ladder(a, 45) for a in (100, 160, 230)},
    **{f"blinds-{a}": lambda a=a: blinds(a) for a in (40, 62, 90)},
    **{f"shelf-{a}": lambda a=a: shelf(a) for a in range(6)},
    **{f"fence-{a}": lambda a=a: fence(a) for a in (70, 110, 160)},
    **{f"keys-{a}": lambda a=a: keys(a) for a in (60, 90, 130)},
    **{f"staff-{a}": lambda a=a: staff(a) for a in (14, 20, 30)},
    **{f"barcode-{a}": lambda a=a: barcode(a) for a in range(4)},
    **{f"sleepers-{a}": lambda a=a: sleepers(a) for a in (70, 110, 170)},
    **{f"bricks-{a}": lambda a=a: bricks(a) for a in (80, 140, 220)},
    **{f"chequers-{a}": lambda a=a: chequers(a) for a in (40, 90)},
    **{f"bands-{a}-{b}": lambda a=a, b=b: bands(a, b) for a, b in ((28, 0), (60, 3), (90, 90), (140, 87))},
    **{f"noise-{k}-{s}": lambda k=k, s=s: grain(k, s) for k in ("even", "bell", "clouds") for s in range(3)},
    "blank-dark": lambda: blank(20.0),
    "blank-light": lambda: blank(250.0),
}  # fmt: skip
LIKE_A_BOARD: dict[str, Callable[[], Grey]] = {
    **{f"tempered-comb-touching-{t}": lambda t=t: tempered_comb(t, gap_px=0) for t in (12, 24, 40)},
    **{f"tempered-comb-apart-{g}": lambda g=g: tempered_comb(16, gap_px=g) for g in (2, 5, 12)},
    **{f"flat-board-bars-{g}-{b}": lambda g=g, b=b: flat_board(gap_px=g, bow_px=b, crowns=False)
       for g, b in ((0.0, 0.0), (1.0, 2.0), (4.0, 0.0))},
    **{f"flat-board-crowns-{g}-{b}": lambda g=g, b=b: flat_board(gap_px=g, bow_px=b, crowns=True)
       for g, b in ((0.0, 0.0), (0.0, 2.0), (3.0, 2.0))},
    **{f"flat-board-card-{c}": lambda c=c: flat_board(gap_px=1.0, bow_px=2.0, crowns=c, card=True)
       for c in (False, True)},
}  # fmt: skip


PX_PER_MM = SCALE_PX / 648.0
FOOT_ROW, MIDDLE_COLUMN = 400, 1000


def with_object(picture: NDArray[np.uint8], kind: str) -> NDArray[np.uint8]:
    """Return the picture with a card, a 24.26 mm coin or a 20 mm marker on it, of the flat boards' scale."""
    out = picture.copy()
    wide, high = {"card": (85.6, 53.98), "coin": (24.26, 24.26), "marker": (26.0, 26.0)}[kind]
    half = round(0.5 * wide * PX_PER_MM)
    top, left = FOOT_ROW - round(high * PX_PER_MM), MIDDLE_COLUMN - half
    if out.shape[0] < FOOT_ROW + 20 or out.shape[1] < MIDDLE_COLUMN + half + 20:
        return out
    if kind == "card":
        cv2.rectangle(out, (left, top), (left + 2 * half, FOOT_ROW), (150, 90, 50), -1)
    elif kind == "coin":
        cv2.circle(out, (MIDDLE_COLUMN, FOOT_ROW - half), half, (140, 160, 170), -1, cv2.LINE_AA)
    else:
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
        side = round(20.0 * PX_PER_MM)
        edge = round(3.0 * PX_PER_MM)
        marker = cv2.copyMakeBorder(
            cv2.aruco.generateImageMarker(dictionary, 7, side), edge, edge, edge, edge, cv2.BORDER_CONSTANT, value=235
        )
        out[FOOT_ROW - marker.shape[0] : FOOT_ROW, left : left + marker.shape[1]] = marker[..., None]
    return out


def finished(picture: Grey, *, seed: int) -> NDArray[np.uint8]:
    """Return the drawing as a picture: a little blur and noise, three channels."""
    noise = np.random.default_rng(seed).normal(0.0, 2.5, picture.shape)
    soft = cv2.GaussianBlur(picture, (0, 0), 0.8) + noise
    return np.repeat(np.clip(soft, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
