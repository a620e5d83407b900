"""How a border bends, by face, chamfer and background: on strips drawn fine and blurred by SciPy's Gaussian filter.

The strips hold what pulls at a border's steepest place: a chamfer that mirrors the gap at one end of the board and the
face at the other, one that is covered by a card in places, and noise.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from lightgap.neck.profile import Array
from lightgap.vision.chamfer import ExtraBend, read_bend, windows_along
from lightgap.vision.lens import U_UPPER_PX
from lightgap.vision.locate import EdgeCurve, track_edge
from lightgap.vision.photo import FloatImage

WIDTH_PX, HEIGHT_PX, ROW_PX, FINE = 3000, 80, 40.3, 20
PX_PER_MM, BLUR_PX, CHAMFER_MM = 9.0, 0.9, 0.2
FRETS_PX = np.array([500.0, 1100.0])
SEEN_PX = float(np.hypot(BLUR_PX, 1 / np.sqrt(12)))  # with the pixel's own
FACE, GAP = 0.15, 0.6
T = np.linspace(-1, 1, WIDTH_PX)


def strip(chamfer: Array, *, bend_px: float, noise: float, chamfer_mm: float = CHAMFER_MM, seed: int = 1) -> FloatImage:
    """Return a lower border that bends by `bend_px`, over it a chamfer of (width,) light, under it a bright gap."""
    fine = (np.arange(HEIGHT_PX * FINE) + 0.5) / FINE - 0.5
    border = ROW_PX + bend_px * (T * T - 1 / 3)
    below = fine[:, None] - border
    light = np.where(below < -chamfer_mm * PX_PER_MM, FACE, np.where(below < 0, chamfer, GAP))
    blurred = gaussian_filter1d(light, BLUR_PX * FINE, axis=0)
    pixels = blurred.reshape(HEIGHT_PX, FINE, WIDTH_PX).mean(axis=1)
    return np.asarray(pixels + np.random.default_rng(seed).normal(0, noise, pixels.shape), dtype=np.float32)


def followed(picture: FloatImage) -> EdgeCurve:
    """Return the border as it is followed by its steepest place."""
    columns = np.arange(1.0, WIDTH_PX - 1)
    y = np.full_like(columns, ROW_PX - CHAMFER_MM * PX_PER_MM / 2)
    for window_px in (4.0, 2.4):
        edge = track_edge(picture, columns, y, 1, PX_PER_MM, window_px=window_px)
        y = edge.y_px(columns)
    return edge


def bow_px(edge: EdgeCurve) -> float:
    t = np.linspace(-1, 1, 101)
    return float(np.polyfit(t, edge.y_px(edge.low_px + (t + 1) / 2 * (edge.high_px - edge.low_px)), 2)[0])


def level(row_px: float, sign: int) -> EdgeCurve:
    middle = (WIDTH_PX - 1) / 2
    return EdgeCurve(np.array([0.0, 0.0, 0.0, row_px]), middle, middle, 2.0, WIDTH_PX - 3.0, sign, 0.1)


MIRRORS = {
    "the gap at the ends": FACE + (GAP - FACE) * T**2,
    "the face at the ends": GAP - (GAP - FACE) * T**2,
    "something dark": np.full(WIDTH_PX, 0.03),
    "something bright to one side": 0.05 + 0.8 * (T > 0.2),
}


def read(picture: FloatImage, edge: EdgeCurve, frets: Array = FRETS_PX) -> ExtraBend | None:
    seen = windows_along(picture, edge, edge, px_per_mm=PX_PER_MM, fret_px=frets)
    return read_bend(seen, blur_px=SEEN_PX, px_per_mm=PX_PER_MM)


@pytest.mark.parametrize("bend_px", [-0.6, 0.0, 0.4])
@pytest.mark.parametrize("mirrored", MIRRORS.values(), ids=MIRRORS)
def test_bend_is_that_of_the_border_whatever_its_chamfer_mirrors(mirrored: Array, bend_px: float) -> None:
    picture = strip(mirrored, bend_px=bend_px, noise=0.01)
    edge = followed(picture)
    got = read(picture, edge)
    assert got is not None
    # k = 2.6: one draw of a hundred is farther off, and these are twelve.
    assert abs(bow_px(edge) + got.more_px - bend_px) < 2.6 * got.u_px


@pytest.mark.parametrize("chamfer_mm", [0.0, 0.1, 0.13, 0.2])
def test_bend_lies_within_its_uncertainty_for_any_chamfer(chamfer_mm: float) -> None:
    """Mirrors and draws: of 16, at most three lie outside k = 2, as in 99 of 100 such sets (binomial, 0.954)."""
    off = []
    for mirrored in MIRRORS.values():
        for seed in range(4):
            picture = strip(mirrored, bend_px=0.0, noise=0.01, chamfer_mm=chamfer_mm, seed=seed)
            edge = followed(picture)
            got = read(picture, edge)
            off += [] if got is None else [(bow_px(edge) + got.more_px) / got.u_px]
    assert len(off) >= 8  # half of them at least tell something
    assert np.sum(np.abs(off) > 2) <= 3


def test_the_steepest_place_slides_along_the_chamfer() -> None:
    """What the fit is for: it slides down the whole chamfer, as large an error as the relief of a good set-up."""
    edge = followed(strip(MIRRORS["the gap at the ends"], bend_px=0.0, noise=0.01))
    assert abs(bow_px(edge)) > 0.9 * CHAMFER_MM * PX_PER_MM


def test_a_card_before_the_upper_border_does_not_bend_it() -> None:
    """The upper border is the same picture upside down; a card, brighter towards its foot, hides a third of it."""
    picture = strip(MIRRORS["something dark"], bend_px=0.3, noise=0.01)[::-1].copy()
    picture[:, 1300:2200] = 0.4 + 0.3 * np.linspace(0, 1, HEIGHT_PX, dtype=np.float32)[:, None]
    border = level(HEIGHT_PX - 1 - ROW_PX, -1)
    seen = windows_along(picture, border, border, px_per_mm=PX_PER_MM, fret_px=FRETS_PX, upper=True)
    got = read_bend(seen, blur_px=SEEN_PX, px_per_mm=PX_PER_MM, upper=True)
    assert got is not None
    assert abs(got.more_px + 0.3) < 2.6 * got.u_px  # k = 2.6, as above; downwards positive
    assert got.u_px < U_UPPER_PX  # of one that was only followed


def test_noise_is_told_by_the_uncertainty() -> None:
    """Twenty draws at the noise of a bad phone scatter by no more than is stated."""
    off, u = [], []
    for seed in range(20):
        got = read(strip(np.full(WIDTH_PX, 0.05), bend_px=0.0, noise=0.08, seed=seed), level(ROW_PX, 1))
        assert got is not None
        off.append(got.more_px)
        u.append(got.u_px)
    # Chi-square of 20 degrees of freedom: 40.0 is exceeded in 0.5 per cent.
    assert float(np.sum((np.array(off) / np.array(u)) ** 2)) < 40.0


def test_a_picture_without_a_border_tells_nothing() -> None:
    even = np.full((HEIGHT_PX, WIDTH_PX), 0.3, dtype=np.float32)
    assert read(even, level(ROW_PX, 1)) is None
    noisy = even + np.random.default_rng(3).normal(0, 0.05, even.shape).astype(np.float32)
    assert read(noisy, level(ROW_PX, 1)) is None


@pytest.mark.parametrize("frets", [np.array([]), np.array([1500.0])])
def test_few_frets_are_enough(frets: Array) -> None:
    got = read(strip(MIRRORS["something dark"], bend_px=0.0, noise=0.01), level(ROW_PX, 1), frets)
    assert got is not None
    assert abs(got.more_px) < 2 * got.u_px  # k = 2


def test_too_little_of_a_border_tells_nothing() -> None:
    picture = strip(MIRRORS["something dark"], bend_px=0.0, noise=0.01)
    edge = followed(picture)
    assert read(picture, edge, np.arange(0.0, WIDTH_PX, 20.0)) is None  # two millimetres apart: no window is clear
    assert read(picture, replace(edge, high_px=edge.low_px + 30)) is None
    stub = replace(edge, high_px=edge.low_px + 30)  # an upper border of which hardly any is seen
    assert windows_along(picture, stub, edge, px_per_mm=PX_PER_MM, fret_px=FRETS_PX, upper=True) is None
    assert read_bend(None, blur_px=SEEN_PX, px_per_mm=PX_PER_MM) is None
