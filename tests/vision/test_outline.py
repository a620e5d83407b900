"""The visible outline of a fret, against brute force."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from lightgap.vision.camera import BoardCamera
from lightgap.vision.comb import Comb
from lightgap.vision.outline import Outline, mirrored_rim, outline_drop
from lightgap.vision.votes import NEAR_MM, Board, Extrema, search_shape

outlines = st.builds(
    Outline,
    crown_per_mm=st.floats(0.3, 1.5),
    board_per_mm=st.floats(1 / 500, 1 / 180),
    elevation_rad=st.floats(-0.05, 0.05),
)
slants = st.floats(-0.5, 0.5)
besides = st.floats(-1.0, 1.0)


@given(outlines, slants, besides)
def test_outline_is_the_least_drop_over_the_depth(outline: Outline, slant: float, beside_mm: float) -> None:
    """The eye sees the highest point of the swept crown in each column; scipy finds it by search."""
    c, k, a = outline.crown_per_mm, outline.board_per_mm, outline.elevation_rad

    def below(z: float) -> float:
        return 0.5 * c * (beside_mm + slant * z) ** 2 + 0.5 * k * z**2 + a * z

    brute = minimize_scalar(below, bounds=(-60, 60), method="bounded", options={"xatol": 1e-9})
    drop, z = outline_drop(outline, np.array([slant]), np.array([beside_mm]))
    assert below(float(z[0])) == pytest.approx(float(drop[0]), abs=1e-9)
    if abs(z[0]) < 60:
        # A search on values finds a parabola's least value to the square of its step.
        assert float(drop[0]) == pytest.approx(float(brute.fun), abs=1e-8)


def test_fret_seen_end_on_is_its_own_cross_section() -> None:
    """Level camera, no slant: a parabola of the crown's curvature, seen at the line itself."""
    outline = Outline(crown_per_mm=0.8, elevation_rad=0.0)
    beside = np.linspace(-1, 1, 9)
    drop, z = outline_drop(outline, np.zeros(9), beside)
    np.testing.assert_allclose(drop, 0.4 * beside**2, atol=1e-15)
    np.testing.assert_allclose(z, 0.0, atol=1e-15)


def test_raised_camera_sees_a_radiused_board_s_far_side_rise() -> None:
    """End on, the outline stands a^2 / (2 k) above the apex: 0.02 rad on a 300 mm radius gives 0.06 mm."""
    outline = Outline(board_per_mm=1 / 300, elevation_rad=0.02)
    drop, z = outline_drop(outline, np.zeros(1), np.zeros(1))
    assert float(drop[0]) == pytest.approx(-0.06)
    assert float(z[0]) == pytest.approx(-6.0)


@given(outlines, slants, st.floats(-5, 15), st.floats(0.0, 1.0), st.floats(-3, 0))
def test_mirrored_rim_solves_its_own_equation(
    outline: Outline, slant: float, z_mm: float, apparent_mm: float, near_face_mm: float
) -> None:
    k = outline.board_per_mm + outline.crown_per_mm * slant**2
    m = z_mm - near_face_mm
    rim = float(mirrored_rim(outline, np.array([slant]), np.array([z_mm]), np.array([apparent_mm]), near_face_mm)[0])
    assert 0 <= rim <= 0.3
    if rim < 0.3:
        s = np.sqrt(2 * rim / k)
        assert 2 * k * s * (m + s) == pytest.approx(apparent_mm + k * s**2 / 2, abs=1e-6)


def test_dull_crown_has_no_rim_and_a_half_polished_one_half() -> None:
    place = (np.array([0.2]), np.array([5.0]), np.array([0.3]), -1.5)
    full = float(mirrored_rim(Outline(mirror=1.0), *place)[0])
    assert full > 0
    assert float(mirrored_rim(Outline(mirror=0.5), *place)[0]) == pytest.approx(full / 2)
    assert float(mirrored_rim(Outline(mirror=0.0), *place)[0]) == 0.0


def test_closed_gap_before_the_outline_mirrors_nothing() -> None:
    rim = mirrored_rim(Outline(), np.array([0.1]), np.array([5.0]), np.array([0.0]), -1.5)
    assert float(rim[0]) == pytest.approx(0.0, abs=1e-15)


@pytest.mark.parametrize(
    ("near_mm", "place_mm", "within_mm", "gap_within_mm"),
    # A step of the search; gaps within two of its steps, as shape and height trade; a wrong place makes any gap.
    [(None, 0.3, 0.301, 0.1), (0.35, 0.3, 0.301, 0.1), (-0.6, -0.6, NEAR_MM, 1.5)],
)
def test_search_finds_the_place_of_crowns_and_keeps_to_another_reading_s(
    near_mm: float | None, place_mm: float, *, within_mm: float, gap_within_mm: float
) -> None:
    """Boundaries drawn where outlines of known shape have them, a column a tenth of a millimetre."""
    comb = Comb(1, 150.0, 10.0, 0.0, 0.0, 10.0, 1000.0, 5000.0, 648.0)
    camera = BoardCamera(comb, 150.0, 500.0, 0.0, np.array([24.0, 0.0]))
    place = np.array([70.0, 105.0, 140.0, 175.0, 210.0])
    board = Board(camera, np.arange(2, 7), place, 1.5)
    true = Outline(0.75, 1 / 300, 0.02, 0.3)
    columns, below = [], []
    for middle in place:
        x = np.arange(middle - 3.5, middle + 3.5, 0.1)
        beside = x - middle - true.shift_mm
        drop, _ = board.drop(true, camera.slant(x), beside, np.full_like(x, middle))
        seen = np.abs(beside + camera.slant(x) * 5) < 2.5
        columns.append(camera.comb.x_px(x)[seen])
        below.append(0.3 + drop[seen])
    extrema = Extrema(np.concatenate(columns), np.concatenate(below), np.full(sum(map(len, below)), 0.1))
    found, gap, _ = search_shape(board, extrema, near_mm=near_mm)
    assert found.shift_mm == pytest.approx(place_mm, abs=within_mm)
    np.testing.assert_allclose(gap, 0.3, atol=gap_within_mm)
