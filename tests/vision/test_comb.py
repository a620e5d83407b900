"""The comb: places to columns and back, and the numbering of frets found in a signal."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightgap.neck.frets import fret_position_mm
from lightgap.vision.comb import Comb, CombPrior, search_combs, significance

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


def signal_of(truth: Comb, *, missing: tuple[int, ...] = (), noise: float = 0.3, seed: int = 5) -> np.ndarray:
    columns = np.arange(0, 2 * MIDDLE_PX + 1, 4.0)
    signal = np.abs(np.random.default_rng(seed).normal(0, noise, len(columns)))
    for n in range(1, 21):
        if n not in missing:
            at = float(truth.x_px(fret_position_mm(np.array([float(n)]), SCALE_LENGTH_MM))[0])
            signal += 4 * np.exp(-0.5 * ((columns - at) / 7.0) ** 2)
    return signal


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
    best = search_combs(signal_of(truth, missing=missing), 4.0, prior)[0]
    assert best.direction == truth.direction
    places = fret_position_mm(np.arange(1.0, 21), SCALE_LENGTH_MM)
    true_px = truth.x_px(places)
    seen = (true_px > 0) & (true_px < 2 * MIDDLE_PX)
    # A quarter of the closest spacing in view: nearer than that, every fret carries its own number.
    limit = np.min(np.abs(np.diff(true_px[seen]))) / 4
    assert np.max(np.abs(best.x_px(places)[seen] - true_px[seen])) < limit


def test_search_finds_nothing_much_in_noise() -> None:
    prior = CombPrior(9.0, SCALE_LENGTH_MM, FOCAL_PX)
    columns = round(2 * MIDDLE_PX / 4) + 1
    empty = np.abs(np.random.default_rng(3).normal(0, 0.3, columns))
    in_noise = search_combs(empty, 4.0, prior)[0].score
    in_frets = search_combs(signal_of(comb_with()), 4.0, prior)[0].score
    assert in_frets > 1.5 * in_noise


def test_significance_limits_single_bright_specks() -> None:
    texture = np.full((50, 300), 0.01, np.float32)
    texture[3, 40] = 1e4
    texture[:, 200] = 0.2
    mean = significance(texture)
    assert mean[200] > 5 * mean[40]
