"""Level lines: means along sheared rows, against rows moved by whole pixels, and lines drawn at a slope."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.vision.edge import MAX_SLOPE, REDUCTION_PX, SLOPES, beside, find_lines, means_along, sheared_means

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


def test_lines_of_an_object_are_left_out_and_those_behind_it_kept() -> None:
    """A striped card before a straightedge that is as wide as the picture."""
    picture = np.full((500, 1600), 0.8)
    picture[200:380] = 0.1
    picture[380:] = 0.5
    picture[120:330, 500:1100] = 0.3
    picture[250:280, 500:1100] = 0.6
    light = (picture + np.random.default_rng(4).normal(0, 0.01, picture.shape)).astype(np.float32)
    corners = np.array([[500.0, 120.0], [1100.0, 120.0], [1100.0, 330.0], [500.0, 330.0]])
    lines = find_lines(light)
    rows = {round(line.middle_y_px) for line in lines}
    left = beside(lines, light, corners)
    # Lines lie on whole rows, the step between two of them.
    for row in (200, 380):
        assert any(abs(line.middle_y_px - row) <= 1.0 for line in left)
    for row in (120, 250, 280, 330):
        assert rows & {row - 1, row}
        assert not any(abs(line.middle_y_px - row) <= 1.0 for line in left)
    (upper,) = (line for line in left if abs(line.middle_y_px - 200) <= 1.0)
    assert upper.step == -1.0  # as everywhere beside the card: log(0.11 / 0.81) is past the limit


@pytest.mark.parametrize("most_rows", [0, 3, 40])
def test_means_along_a_curve_are_those_of_its_pixels_one_by_one(most_rows: int) -> None:
    rng = np.random.default_rng(6)
    picture = rng.normal(0, 1, (30, 120))
    shift = np.sort(rng.integers(-most_rows, most_rows + 1, 120))
    shift[60:] = shift[60:][::-1]  # a curve that turns back, past the borders too
    row = np.clip(np.arange(30)[:, None] + shift, 0, 29)
    summed = np.pad(np.cumsum(picture, axis=1), ((0, 0), (1, 0)))
    # Sums of 120 numbers in double precision.
    np.testing.assert_allclose(means_along(summed, shift), picture[row, np.arange(120)].mean(axis=1), atol=1e-13)
