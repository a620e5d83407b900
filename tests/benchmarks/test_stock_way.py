"""The ordinary way does what it says on drawn pictures: the comparison is not won against a straw man."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from benchmarks.stock_way import (
    Compared,
    crossing,
    figures_of,
    gaps_mm,
    half_height_gap_px,
    hough_lines,
    relief_error_mm,
    rows_of,
)


def test_crossing_lies_between_samples() -> None:
    assert crossing(np.array([10.0, 8.0, 4.0, 0.0]), 5.0) == pytest.approx(1.75)
    assert crossing(np.array([0.0, 1.0]), 5.0) is None


@pytest.mark.parametrize(("dark", "light"), [(30.0, 220.0), (220.0, 30.0)])
def test_wide_sharp_gap_is_read_to_a_fraction_of_a_pixel(dark: float, light: float) -> None:
    """A gap of 23.4 px whose edge pixels are partly covered: half height tells it to half a pixel."""
    column = np.full(200, dark)
    column[80:103] = light
    column[103] = dark + 0.4 * (light - dark)
    got = half_height_gap_px(column, edge_row=80.0, px_per_mm=30.0, light=light > dark)
    assert got == pytest.approx(23.4, abs=0.5)


def test_no_gap_where_nothing_stands_out() -> None:
    assert half_height_gap_px(np.full(200, 50.0), edge_row=80.0, px_per_mm=30.0, light=True) == 0.0


def sidecar_of(gaps: dict[int, float], px_per_mm: float) -> dict:  # type: ignore[type-arg]
    frets = [{"fret": n, "x_mm": 30.0 * n, "u_px": 100.0 * n, "gap_mm": g} for n, g in gaps.items()]
    return {"truth": {"px_per_mm_at_middle": px_per_mm, "frets": frets}}


def test_relief_of_a_drawn_board_is_right() -> None:
    """Wide, sharp gaps drawn to whole pixels under a straight bar: line found, gaps and relief right to a pixel."""
    true = {1: 1.0, 2: 1.4, 3: 1.6, 4: 1.4, 5: 1.0}
    px_per_mm = 40.0
    picture = np.full((500, 620), 225, dtype=np.uint8)
    picture[100:200] = 40
    for n, gap in true.items():
        picture[200 + round(gap * px_per_mm) :, 100 * n - 30 : 100 * n + 30] = 60
    picture = cv2.GaussianBlur(picture, (0, 0), 0.8)
    lines = hough_lines(picture)
    sidecar = sidecar_of(true, px_per_mm)
    columns = np.array([100.0 * n for n in true])
    rows = min((rows_of(line, columns) for line in lines), key=lambda r: float(np.abs(r - 199.5).max()))
    assert np.abs(rows - 199.5).max() < 1.5
    found = gaps_mm(picture, rows, sidecar)
    assert found == pytest.approx(true, abs=1.5 / px_per_mm)
    assert relief_error_mm(found, sidecar, (1, 5)) == pytest.approx(0.0, abs=1.5 / px_per_mm)
    assert relief_error_mm({1: 1.0}, sidecar, (1, 5)) is None


def test_upright_line_has_no_rows() -> None:
    assert np.isnan(rows_of(np.array([5.0, 0.0, 5.0, 90.0]), np.array([1.0, 2.0]))).all()


def test_ratio_is_over_photos_that_ours_measured() -> None:
    rows = [
        Compared("a", "g", 0.01, 0.5, 0.4, 0.1, False),
        Compared("b", "g", None, 9.0, 9.0, 9.0, True),
    ]
    figures = figures_of(rows)
    assert figures["longest"]["ratio"] == pytest.approx((50.0, 50.0))
    assert figures["longest"]["everywhere_mm"][0] == pytest.approx(4.75)
    assert (figures["measured"], figures["longest_is_the_edge"]) == (1, 1)
