"""The comb: places to columns and back, and the numbering of frets found in a signal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightgap.neck.frets import fret_position_mm
from lightgap.vision.comb import MIN_TEETH, Comb, CombGrid, CombPrior, FretRows, half_nut_mm, search_combs
from lightgap.vision.edge import band_of, significance

MIDDLE_PX, FOCAL_PX, SCALE_LENGTH_MM = 2000.0, 3900.0, 648.0


def comb_with(**changes: float) -> Comb:
    known = {"direction": 1, "x0_mm": 180.0, "px_per_mm": 9.0, "yaw": 0.0, "k1": 0.0}
    return Comb(
        **(known | changes),  # type: ignore[arg-type]
        score=0.0,
        middle_px=MIDDLE_PX,
        focal_px=FOCAL_PX,
        scale_length_mm=SCALE_LENGTH_MM,
    )


@given(
    direction=st.sampled_from([1, -1]),
    x0_mm=st.floats(0, 400),
    px_per_mm=st.floats(5, 16),
    yaw=st.floats(-0.05, 0.05),
    k1=st.floats(-0.05, 0.05),
    x_px=st.floats(0, 2 * MIDDLE_PX),
)
def test_columns_and_places_are_each_other_s_inverse(
    direction: int, x0_mm: float, px_per_mm: float, yaw: float, k1: float, x_px: float
) -> None:
    comb = comb_with(direction=direction, x0_mm=x0_mm, px_per_mm=px_per_mm, yaw=yaw, k1=k1)
    back = comb.x_px(comb.position_mm(np.array([x_px])))
    # Six fixed-point steps, each shrinking the error by 2 k1 (half width / focal)^2 < 0.027: 0.027^6 x 50 px < 1e-6.
    assert float(back[0]) == pytest.approx(x_px, abs=1e-6)


def test_plain_comb_is_a_pinhole_square_to_the_board() -> None:
    comb = comb_with()
    np.testing.assert_allclose(comb.x_px(np.array([80.0, 180.0, 280.0])), [1100.0, 2000.0, 2900.0])
    np.testing.assert_allclose(comb.local_px_per_mm(np.array([300.0, 3000.0])), 9.0)


@pytest.mark.parametrize("direction", [1, -1])
def test_frets_in_view_are_those_between_the_columns(direction: int) -> None:
    comb = comb_with(direction=direction)
    numbers, columns = comb.frets(0, 2 * MIDDLE_PX)
    expected = [n for n in range(1, 25) if abs(float(fret_position_mm(n, SCALE_LENGTH_MM)) - 180) * 9 <= MIDDLE_PX]
    assert numbers.tolist() == expected
    assert np.all(np.diff(columns) * direction > 0)


NEAR_MM = 20.0


def rows_of(truth: Comb, *, missing: tuple[int, ...] = (), noise: float = 0.3, seed: int = 5) -> FretRows:
    """Return the row of crowns and two bands, the second with the fret ends, seen by the comb's own camera."""
    columns = np.arange(0, 2 * MIDDLE_PX + 1, 4.0)
    rows = np.abs(np.random.default_rng(seed).normal(0, noise, (3, len(columns))))
    for n in range(1, 21):
        if n not in missing:
            place = fret_position_mm(np.array([float(n)]), SCALE_LENGTH_MM)
            for row, at in ((0, truth.x_px(place)), (2, truth.end_px(place, NEAR_MM))):
                rows[row] += 4 * np.exp(-0.5 * ((columns - float(at[0])) / 7.0) ** 2)
    return FretRows(rows[0], (rows[1], rows[2]), 4.0)


@pytest.mark.parametrize(
    "truth, missing",
    [
        (comb_with(), ()),
        (comb_with(direction=-1, yaw=0.015), ()),
        (comb_with(x0_mm=260.0, k1=0.02), (9,)),
        (comb_with(px_per_mm=9.15, yaw=-0.02), (3, 7, 8)),
    ],
    ids=["plain", "nut right, turned", "distorted, one missing", "scale off, three missing"],
)
def test_search_finds_which_fret_is_which(truth: Comb, missing: tuple[int, ...]) -> None:
    prior = CombPrior(9.0, SCALE_LENGTH_MM, FOCAL_PX)
    match = search_combs(rows_of(truth, missing=missing), prior)[0]
    best = match.comb
    assert match.band == 1
    assert best.direction == truth.direction
    places = fret_position_mm(np.arange(1.0, 21), SCALE_LENGTH_MM)
    true_px = truth.x_px(places)
    seen = (true_px > 0) & (true_px < 2 * MIDDLE_PX)
    # A quarter of the closest spacing in view: nearer than that, every fret carries its own number.
    limit = np.min(np.abs(np.diff(true_px[seen]))) / 4
    assert np.max(np.abs(best.x_px(places)[seen] - true_px[seen])) < limit


def test_scores_are_what_the_teeth_of_each_comb_stand_on() -> None:
    """Against the definition, tooth by tooth; in single precision, 24 teeth of heights below 1 add to within 1e-5."""
    rng = np.random.default_rng(5)
    grid = CombGrid(CombPrior(9.0, SCALE_LENGTH_MM, FOCAL_PX), rows_of(comb_with()))
    wide = rng.random((2, grid.size), dtype=np.float32)
    scores = grid.scores(wide, 0.0)
    for which, place in zip(rng.integers(0, len(grid.combs), 40), rng.integers(0, len(grid.x0), 40), strict=True):
        comb = replace(grid.combs[which], x0_mm=float(grid.x0[place]))
        _, columns = comb.frets(0.01, 2 * MIDDLE_PX - 0.01)
        at = np.rint(columns / grid.step_px).astype(np.intp)
        expected = wide[:, at].sum(axis=1) / np.sqrt(max(len(at), 1)) if len(at) >= MIN_TEETH else np.full(2, -9.0)
        np.testing.assert_allclose(scores[:, which, place], expected, atol=1e-5)


def test_search_finds_nothing_much_in_noise() -> None:
    prior = CombPrior(9.0, SCALE_LENGTH_MM, FOCAL_PX)
    columns = round(2 * MIDDLE_PX / 4) + 1
    empty = np.abs(np.random.default_rng(3).normal(0, 0.3, (3, columns)))
    in_noise = search_combs(FretRows(empty[0], (empty[1], empty[2]), 4.0), prior)[0].comb.score
    in_frets = search_combs(rows_of(comb_with()), prior)[0].comb.score
    assert in_frets > 1.5 * in_noise


def test_fret_ends_are_seen_by_a_pinhole_camera() -> None:
    """A camera 400 mm away, turned by nothing: a point 20 mm nearer is seen 400 / 380 times as far from the middle."""
    comb = comb_with(px_per_mm=FOCAL_PX / 400)
    at = comb.end_px(np.array([80.0, 180.0, 280.0]), 20.0)
    np.testing.assert_allclose(at, MIDDLE_PX + np.array([-1, 0, 1]) * 100 * FOCAL_PX / 380)


@given(yaw=st.floats(-0.04, 0.04), near_mm=st.floats(0, 30))
def test_points_on_a_line_of_sight_share_a_column(yaw: float, near_mm: float) -> None:
    """Rays through the camera's foot and distance, by similar triangles, are what `end_px` draws."""
    comb = comb_with(yaw=yaw)
    foot, distance = comb.stand()
    x = 120.0
    on_line = comb.x0_mm + foot + (x - comb.x0_mm - foot) * distance / (distance - near_mm)
    np.testing.assert_allclose(comb.end_px(np.array([x]), near_mm), comb.x_px(np.array([on_line])), atol=1e-6)


def test_significance_limits_single_bright_specks() -> None:
    texture = np.full((50, 300), 0.01, np.float32)
    texture[3, 40] = 1e4
    texture[:, 200] = 0.2
    mean = band_of(significance(texture))
    assert mean[200] > 5 * mean[40]


@pytest.mark.parametrize(
    "scale_length_mm, nut_mm",
    [(352.0, 29.0), (381.0, 35.0), (432.0, 36.0), (648.0, 42.0), (650.0, 52.0), (864.0, 42.0)],
)
def test_half_a_nut_goes_with_the_scale_length(scale_length_mm: float, nut_mm: float) -> None:
    """Mandolin, ukuleles, solid body, classical guitar and bass: common widths, no published source.

    Within one and a half of the 3.5 mm that the fit to single frets allows.
    """
    assert abs(half_nut_mm(scale_length_mm) - nut_mm / 2) < 1.5 * 3.5
