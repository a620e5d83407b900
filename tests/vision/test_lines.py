"""Level lines: means along sheared rows, against rows moved by whole pixels, and lines drawn at a slope."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.vision.edge import MAX_SLOPE, REDUCTION_PX, SLOPES, find_lines, sheared_means

HEIGHT_PX, COLUMNS = 900, 251


def test_a_column_is_moved_by_its_place_times_the_slope() -> None:
    """The outermost column, 125 from the middle one, moves by two rows a slope: 16 px x 125 x 0.001."""
    assert pytest.approx(2) == 2 * MAX_SLOPE / (SLOPES - 1) * REDUCTION_PX * (COLUMNS // 2)
    column = np.random.default_rng(2).normal(0, 1, HEIGHT_PX).astype(np.float32)
    picture = np.zeros((HEIGHT_PX, COLUMNS), dtype=np.float32)
    picture[:, -1] = column
    means = sheared_means(picture)
    beyond = np.zeros(SLOPES, dtype=np.float32)
    padded = np.concatenate([beyond, column, beyond])
    for slope in range(SLOPES):
        first = SLOPES + 2 * (slope - SLOPES // 2)
        # Transforms of some thousand points in single precision: errors of a few 1e-7 of the largest value, 3.
        np.testing.assert_allclose(means[slope] * COLUMNS, padded[first : first + HEIGHT_PX], atol=3e-5)


@pytest.mark.parametrize("slope", [-0.07, 0.0, 0.013])
def test_a_drawn_edge_is_found_at_its_place_and_slope(slope: float) -> None:
    width, height, middle_y = 1600, 500, 240.3
    x, y = np.arange(width), np.arange(height)[:, None]
    below = np.clip(y - (middle_y + slope * (x - (width - 1) / 2)) + 0.5, 0, 1)
    noise = np.random.default_rng(4).normal(0, 0.01, (height, width))
    line = find_lines((0.1 + 0.5 * below + noise).astype(np.float32))[0]
    # Slopes are tried in steps of 0.001, rows one by one; limited, an edge gives neighbouring slopes the same votes.
    assert line.slope == pytest.approx(slope, abs=0.0015)
    assert line.middle_y_px == pytest.approx(middle_y, abs=1.0)
    assert line.strength > 0.9
    assert line.step > 0.9
