"""Boundaries placed by the rendered slit of light, against slits drawn with a known boundary."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.stats import norm

from lightgap.vision.locate import EdgeCurve
from lightgap.vision.photo import encode_srgb
from lightgap.vision.slit import SlitLight, place_boundaries, step

BLUR_PX, WIDTH, HEIGHT, EDGE_PX = 1.0, 400, 60, 24.3
BLADE, GAP, FRET = 0.04, 0.75, 0.10
FINE = 40  # sub-rows a pixel
# The slit model is exact for this picture but for the pixel's own width (drawn as a box, modelled as part of the
# Gaussian) and the parabola through trial places 0.2 px apart: a twentieth of a pixel, 0.006 mm at 8 px/mm.
BIAS_PX = 0.05


def draw_slit(gap_px: float) -> NDArray[np.float64]:
    """Return one column of linear light: blade, light, fret; area sampled, blurred by a Gaussian."""
    rows = (np.arange(HEIGHT * FINE) + 0.5) / FINE - 0.5
    light = np.where(rows < EDGE_PX, BLADE, np.where(rows < EDGE_PX + gap_px, GAP, FRET))
    # The point spread without the pixel: a box of one pixel has a variance of 1/12.
    blurred = gaussian_filter1d(light, math.sqrt(BLUR_PX**2 - 1 / 12) * FINE, mode="nearest")
    return np.asarray(blurred.reshape(HEIGHT, FINE).mean(axis=1))


def place(gap_px: float, *, noise: float = 0.0, off_px: float = 0.3) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    picture = np.repeat(draw_slit(gap_px)[:, None], WIDTH, axis=1)
    picture += np.random.default_rng(11).normal(0, noise, picture.shape) if noise else 0
    edge = EdgeCurve(np.array([EDGE_PX]), WIDTH / 2, WIDTH / 2, 0.0, WIDTH - 1.0, 1, 0.0)
    light = SlitLight(BLUR_PX, 0.0, np.full(WIDTH, GAP), np.full(WIDTH, 0.02), 0.95)
    columns = np.arange(20.0, WIDTH - 20)
    found, u, sure = place_boundaries(
        picture.astype(np.float32), edge, light, columns, np.full(len(columns), gap_px + off_px), reach_px=1.2
    )
    assert sure.mean() > 0.9
    return found[sure], u[sure]


def half_height_px(gap_px: float) -> float:
    """Return where the coded value crosses half way between its brightest and the fret, linearly between rows."""
    coded = encode_srgb(draw_slit(gap_px))
    top = int(coded.argmax())
    half = (coded[top] + coded[-1]) / 2
    below = top + int(np.argmax(coded[top:] < half))
    share = (coded[below - 1] - half) / (coded[below - 1] - coded[below])
    return float(below - 1 + share - EDGE_PX)


def test_step_is_the_normal_distribution() -> None:
    x = np.linspace(-4, 4, 33)
    np.testing.assert_allclose(step(x, 1.3), norm.cdf(x / 1.3), atol=1e-14)


@pytest.mark.parametrize("gap_px", [1.5, 2.0, 2.7, 4.0, 6.0])
def test_boundary_is_placed_without_bias(gap_px: float) -> None:
    found, _ = place(gap_px)
    assert abs(float(found.mean()) - gap_px) < BIAS_PX


@pytest.mark.parametrize("gap_px", [1.5, 2.7, 6.0])
def test_noise_scatters_the_boundary_and_does_not_shift_it(gap_px: float) -> None:
    noise = 0.012
    found, u = place(gap_px, noise=noise)
    # Four standard deviations of the mean beside the bias of the clean picture.
    assert abs(float(found.mean()) - gap_px) < BIAS_PX + 4 * float(found.std()) / math.sqrt(len(found))
    assert np.all(u > 0)
    # Gatherer, Stanford CSL-TR-93-560 (1993), general form for a blurred step of known levels: no estimator scatters
    # less than (noise / step) sqrt(2 sqrt(pi) blur). A tenth is left for the sampling of 360 columns.
    bound = noise / (GAP - FRET) * math.sqrt(2 * math.sqrt(math.pi) * BLUR_PX)
    assert float(found.std()) > 0.9 * bound


@pytest.mark.parametrize("gap_px", [1.5, 2.0])
def test_half_height_of_coded_values_is_far_worse_in_a_narrow_gap(gap_px: float) -> None:
    ours = abs(float(place(gap_px)[0].mean()) - gap_px)
    assert abs(half_height_px(gap_px) - gap_px) > 5 * ours
