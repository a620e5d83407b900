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
from lightgap.vision.chamfer import read_bend
from lightgap.vision.lens import FITTED_LOWER, FITTED_UPPER
from lightgap.vision.locate import EdgeCurve, track_edge
from lightgap.vision.photo import FloatImage

WIDTH_PX, HEIGHT_PX, ROW_PX, FINE = 3000, 80, 40.3, 20
PX_PER_MM, BLUR_PX, CHAMFER_MM = 9.0, 0.9, 0.2
SEEN_PX = float(np.hypot(BLUR_PX, 1 / np.sqrt(12)))  # with the pixel's own
FACE, GAP = 0.15, 0.6
T = np.linspace(-1, 1, WIDTH_PX)


def strip(chamfer: Array, *, bend_px: float, noise: float, seed: int = 1, face: Array | float = FACE) -> FloatImage:
    """Return a lower border that bends by `bend_px`, under it a chamfer of (width,) light and a bright gap."""
    fine = (np.arange(HEIGHT_PX * FINE) + 0.5) / FINE - 0.5
    border = ROW_PX + bend_px * (T * T - 1 / 3)
    below = fine[:, None] - border
    light = np.where(below < -CHAMFER_MM * PX_PER_MM, face, np.where(below < 0, chamfer, GAP))
    blurred = gaussian_filter1d(light, BLUR_PX * FINE, axis=0)
    pixels = blurred.reshape(HEIGHT_PX, FINE, WIDTH_PX).mean(axis=1)
    return np.asarray(pixels + np.random.default_rng(seed).normal(0, noise, pixels.shape), dtype=np.float32)


def followed(picture: FloatImage, sign: int = 1) -> EdgeCurve:
    """Return the border as it is followed by its steepest place."""
    columns = np.arange(1.0, WIDTH_PX - 1)
    y = np.full_like(columns, ROW_PX - CHAMFER_MM * PX_PER_MM / 2)
    for window_px in (4.0, 2.4):
        edge = track_edge(picture, columns, y, sign, PX_PER_MM, window_px=window_px)
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


@pytest.mark.parametrize("bend_px", [-0.6, 0.0, 0.4])
@pytest.mark.parametrize("mirrored", MIRRORS.values(), ids=MIRRORS)
def test_bend_is_that_of_the_border_whatever_its_chamfer_mirrors(mirrored: Array, bend_px: float) -> None:
    picture = strip(mirrored, bend_px=bend_px, noise=0.01)
    edge = followed(picture)
    got = read_bend(picture, edge, edge, blur_px=SEEN_PX, px_per_mm=PX_PER_MM, fret_px=np.array([500.0, 1100.0]))
    assert got is not None
    least_px, factor = FITTED_LOWER
    # k = 2.6: one draw of a hundred is farther off, and these are twelve.
    assert abs(bow_px(edge) + got.off_px - bend_px) < 2.6 * np.hypot(least_px, factor * got.u_px)
    # A seventh of what the curve followed is off by, up to two pixels here; or the least that is stated.
    assert abs(bow_px(edge) + got.off_px - bend_px) < max(least_px, abs(bow_px(edge) - bend_px) / 7)


def test_the_steepest_place_slides_along_the_chamfer() -> None:
    """What the fit is for: a third of a pixel and more is a twentieth of a millimetre of relief."""
    edge = followed(strip(MIRRORS["the gap at the ends"], bend_px=0.0, noise=0.01))
    assert abs(bow_px(edge)) > 0.3


def test_a_card_before_the_upper_border_does_not_bend_it() -> None:
    """The upper border is the same picture upside down; a card of one light hides a third of it, and glows beside."""
    picture = strip(MIRRORS["something dark"], bend_px=0.3, noise=0.01)[::-1].copy()
    picture[:, 1300:2200] = 0.4 + 0.3 * np.linspace(0, 1, HEIGHT_PX, dtype=np.float32)[:, None]
    upper = level(HEIGHT_PX - 1 - ROW_PX, -1)
    got = read_bend(picture, upper, upper, blur_px=SEEN_PX, px_per_mm=PX_PER_MM)
    assert got is not None
    least_px, factor = FITTED_UPPER
    assert abs(got.off_px + 0.3) < 2.6 * np.hypot(least_px, factor * got.u_px)  # k = 2.6, as above; downwards positive
    assert got.u_px < 0.05


def test_noise_is_told_by_the_uncertainty() -> None:
    """Twenty draws at the noise of a bad phone: their scatter is what is stated, within what twenty draws tell."""
    off, u = [], []
    for seed in range(20):
        picture = strip(np.full(WIDTH_PX, 0.05), bend_px=0.0, noise=0.08, seed=seed)
        edge = level(ROW_PX, 1)
        got = read_bend(picture, edge, edge, blur_px=SEEN_PX, px_per_mm=PX_PER_MM, fret_px=np.array([500.0, 1100.0]))
        assert got is not None
        off.append(got.off_px)
        u.append(got.u_px)
    # Chi-square of 19 degrees of freedom, between its 0.5 and 99.5 per cent: 6.8 to 38.6.
    assert 6.8 < float(np.sum((np.array(off) / np.median(u)) ** 2)) < 38.6


def test_too_little_of_a_border_tells_nothing() -> None:
    picture = strip(MIRRORS["something dark"], bend_px=0.0, noise=0.01)
    edge = followed(picture)
    frets = np.arange(0.0, WIDTH_PX, 20.0)  # two millimetres apart: no window is clear of them
    assert read_bend(picture, edge, edge, blur_px=SEEN_PX, px_per_mm=PX_PER_MM, fret_px=frets) is None
    stub = replace(edge, high_px=edge.low_px + 30)
    assert read_bend(picture, stub, edge, blur_px=SEEN_PX, px_per_mm=PX_PER_MM) is None
