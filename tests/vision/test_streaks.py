"""Strings before the face, told from what only looks like them: drawn strips with known lines."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from lightgap.vision.locate import EdgeCurve
from lightgap.vision.pipeline import MAX_STRING
from lightgap.vision.streaks import string_share

WIDTH, HEIGHT, EDGE_PX, PX_PER_MM = 2400, 260, 150.0, 12.0
EDGE = EdgeCurve(np.array([EDGE_PX]), WIDTH / 2, WIDTH / 2, 0.0, WIDTH - 1.0, 1, 0.0)
Scene = NDArray[np.float64]


def scene(*, face: float = 0.2, gap: float = 0.8, gap_mm: float = 0.5, board: float = 0.05) -> Scene:
    """Return a face, a gap under it and a board, in linear light."""
    below_mm = (np.arange(HEIGHT)[:, None] - EDGE_PX) / PX_PER_MM
    rows = np.where(below_mm < 0, face, np.where(below_mm < gap_mm, gap, board))
    return np.repeat(rows, WIDTH, axis=1)


def with_string(picture: Scene, ends_mm: tuple[float, float], *, light: float, thick_mm: float = 0.4) -> Scene:
    """Lay a string over the picture, `ends_mm` below the edge at its two ends."""
    middle = EDGE_PX + np.linspace(*ends_mm, WIDTH)[None, :] * PX_PER_MM
    return np.where(np.abs(np.arange(HEIGHT)[:, None] - middle) < thick_mm / 2 * PX_PER_MM, light, picture)


def share(picture: Scene) -> float:
    """Return the share found in the picture as a lens and a sensor would leave it."""
    blurred = gaussian_filter(picture, 0.9)
    noisy = blurred + np.random.default_rng(3).normal(0, 0.01, picture.shape)
    return string_share(noisy.astype(np.float32), EDGE, PX_PER_MM)


@pytest.mark.parametrize("light", [0.9, 0.05], ids=["shining", "in shade"])
@pytest.mark.parametrize("ends_mm", [(-0.5, -2.5), (-2.0, -1.8), (0.6, -2.4)], ids=["rising", "level", "crossing"])
def test_string_before_the_face_is_found(light: float, ends_mm: tuple[float, float]) -> None:
    assert share(with_string(scene(), ends_mm, light=light)) > MAX_STRING


@pytest.mark.parametrize("gap_mm", [0.2, 0.3, 0.5, 0.9])
@pytest.mark.parametrize(("gap", "board"), [(0.8, 0.05), (0.02, 0.5)], ids=["card", "cloth"])
def test_gap_over_a_board_is_no_string(gap_mm: float, gap: float, board: float) -> None:
    """A narrow light gap over a dark board, or a dark one over a light board, has no line on the face."""
    assert share(scene(gap=gap, gap_mm=gap_mm, board=board)) < 0.5 * MAX_STRING


def test_brushed_finish_is_no_string() -> None:
    """Streaks some 25 mm long, a fifth brighter or darker (one standard deviation), end before they make a string."""
    rng = np.random.default_rng(8)
    grain = gaussian_filter(rng.normal(size=(HEIGHT, WIDTH)), (1.3, 100.0))
    picture = scene()
    picture[: int(EDGE_PX)] *= np.exp(0.2 * grain / grain.std())[: int(EDGE_PX)]
    assert share(picture) < MAX_STRING


def test_frets_mirrored_in_the_face_are_no_string() -> None:
    picture = scene()
    for column in range(100, WIDTH, 230):
        picture[: int(EDGE_PX), column : column + 18] *= 2.5
    assert share(picture) < 0.5 * MAX_STRING
