"""The bound is the textbook's on a picture where it is known, and cut windows show the picture they are cut from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.cramer_rao import (
    Window,
    bound_mm,
    brighter,
    central,
    clean_settings,
    contrast,
    fisher,
    fisher_free_columns,
    lay_out,
    noise_variance,
)
from scipy.special import ndtr

from lightgap.vision.render.camera import place_camera
from lightgap.vision.render.settings import Imaging

SIGMA_PX, NOISE = 0.9, 0.01
ROWS = np.arange(40.0)[:, None, None] + np.zeros((1, 25, 1))


def edge(row: float, level: float = 1.0, blur: float = 0.0) -> np.ndarray:
    return level * ndtr((ROWS - row) / (SIGMA_PX + blur))


def test_bound_of_a_blurred_edge_is_the_textbook_one() -> None:
    """An edge of unit height blurred by s in noise n: information per column 1 / (2 sqrt(pi) s n^2), by hand."""
    slope = central(lambda h: edge(20.3 + h), 0.01)
    variance = np.full(slope.shape, NOISE**2)
    got = bound_mm(fisher([slope], [slope], variance), np.array([1.0]))
    want = NOISE * np.sqrt(2.0 * np.sqrt(np.pi) * SIGMA_PX / 25)
    assert got == pytest.approx(want, rel=2e-3)  # the sum over pixels is the integral to exp(-(pi s)^2), the step 1e-4


def test_maximum_likelihood_reaches_it() -> None:
    """The scatter of a least-squares row over made-up noise against the bound, brightness unknown too."""
    slope, level = central(lambda h: edge(20.3 + h), 0.01), central(lambda v: edge(20.3, 1.0 + v), 0.01)
    variance = np.full(slope.shape, NOISE**2)
    bound = bound_mm(fisher([slope, level], [slope, level], variance), np.array([1.0]))
    rng = np.random.default_rng(5)
    design = np.stack([slope.ravel(), level.ravel()], axis=1)
    rows = [np.linalg.lstsq(design, NOISE * rng.standard_normal(len(design)), rcond=None)[0][0] for _ in range(600)]
    assert np.std(rows) == pytest.approx(bound, rel=0.09)  # 1 / sqrt(2 * 600) = 2.9 %; three times that


def test_free_columns_know_less_and_never_more() -> None:
    slope, level, blur = (
        central(lambda h: edge(20.3 + h), 0.01),
        central(lambda v: edge(20.3, 1.0 + v), 0.01),
        central(lambda b: edge(20.3, 1.0, b), 0.01),
    )
    variance = np.full(slope.shape, NOISE**2)
    parts = [slope, level, blur]
    joint = bound_mm(fisher(parts, parts, variance), np.array([1.0]))
    free = bound_mm(fisher_free_columns(parts, parts, variance, local=(1,)), np.array([1.0]))
    # Every column is alike here, so one brightness for all is as good as one for each.
    assert free == pytest.approx(joint, rel=1e-6)
    parts = [slope * (1.0 + 0.5 * np.arange(25.0)[None, :, None]), level, blur]
    joint = bound_mm(fisher(parts, parts, variance), np.array([1.0]))
    assert bound_mm(fisher_free_columns(parts, parts, variance, local=(1,)), np.array([1.0])) > joint


def test_relief_is_a_contrast_that_knows_no_constant_and_no_tilt() -> None:
    x = np.array([10.0, 35.0, 58.0, 80.0])
    weights = contrast(x, 2)
    assert weights @ np.ones(4) == pytest.approx(0.0, abs=1e-12)
    assert weights @ x == pytest.approx(0.0, abs=1e-12)
    assert weights @ np.array([0.0, 0.0, -0.3, 0.0]) == pytest.approx(0.3)


def test_noise_holds_shot_read_and_rounding_and_clipped_pixels_say_nothing() -> None:
    imaging = Imaging(full_well_e=9000.0, read_noise=0.0012)
    got = noise_variance(np.array([0.5, 0.99]), imaging)
    step = 1.0 / 255.0 / (1.055 / 2.4 * 0.5 ** (1 / 2.4 - 1.0))
    assert got[0] == pytest.approx(0.5 / 9000.0 + 0.0012**2 + step**2 / 12.0)
    assert np.isinf(got[1])


def test_window_shows_every_pixel_where_it_was() -> None:
    settings = clean_settings("macro", 0)
    whole = place_camera(settings)
    part = place_camera(Window(700, 1100, 500, 640).cut(settings, samples=(1, 1, 1, 16)))
    points = np.array([[150.0, 0.0, 0.0], [180.0, -1.0, 20.0]])
    np.testing.assert_allclose(part.project_px(points), whole.project_px(points) - [700.0, 500.0], atol=1e-9)


def test_raised_crown_and_brighter_backdrop_change_what_they_should() -> None:
    settings = clean_settings("macro", 0)
    small = replace(
        settings, camera=replace(settings.camera, width_px=150, height_px=60, px_per_mm=1.25), samples=(1, 1, 1, 16)
    )
    clean, _ = lay_out(small, 3)
    flat, raised = clean.packed(), clean.packed(raised={4: 0.01})
    np.testing.assert_allclose(raised.frets[:, 3] - flat.frets[:, 3], np.eye(20)[4] * 0.01, atol=1e-12)
    np.testing.assert_array_equal(raised.backdrop, flat.backdrop)  # the same random numbers
    lifted = clean.packed(offset_mm=0.01)
    assert not np.allclose(lifted.planes[:, 3], flat.planes[:, 3])
    assert brighter(flat, "backdrop", 0.1).backdrop[2] == pytest.approx(1.1 * flat.backdrop[2])
