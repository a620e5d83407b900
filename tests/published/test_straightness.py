"""Straightness and line fit against published data, through the chord code that relief is read with."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.neck.profile import CrownGap, GapProfile
from lightgap.neck.relief import compute_relief
from lightgap.neck.straightness import (
    end_point_straightness,
    fit_line,
    least_squares_straightness,
    minimum_zone_straightness,
)

# Autocollimator exercise of a machine-tool metrology course, "Straightness checking - autocollimator", base 100 mm,
# 1 arc-second taken as 0.5 um; printed result: straightness error 3 um.
# https://www.coursehero.com/file/pgh1bs/ (read 2026)
AUTOCOLLIMATOR_S = [(8, 12), (8, 12), (11, 15), (15, 19), (8, 8), (9, 11), (14, 14)]

# Laser straightness examples of a laser measurement system user's guide, October 1987, section 21, pp. 21-2 to 21-7.
# Printed: raw data, end-point slope and residuals (one decimal), least-squares slope (two decimals).
LASER_1_X_M = np.arange(10) * 0.1
LASER_1_Y_UM = np.array([-0.3, 0.9, 1.5, 2.5, 2.9, 3.6, 4.2, 5.1, 5.9, 7.2])
LASER_1_RESIDUAL_UM = [0.0, 0.4, 0.1, 0.3, -0.1, -0.3, -0.5, -0.4, -0.5, 0.0]
LASER_2_X_M = np.arange(10) * 0.05
LASER_2_Y_UM = np.array([-0.5, -1.2, -2.5, -3.8, -4.0, -4.8, -5.9, -6.2, -7.4, -8.8])
# The second residual is printed negative; arithmetic on the printed data gives +0.22 (a misprint).
LASER_2_RESIDUAL_UM = [0.0, 0.22, -0.16, -0.53, 0.19, 0.31, 0.13, 0.76, 0.48, 0.0]


def autocollimator_heights() -> tuple[np.ndarray, np.ndarray]:
    mean_s = np.array([sum(pair) / 2 for pair in AUTOCOLLIMATOR_S])
    return np.arange(7) * 100.0, np.cumsum((mean_s - mean_s[0]) * 0.5)


def test_autocollimator_exercise() -> None:
    x, y = autocollimator_heights()
    got = end_point_straightness(x, y)
    assert got.range_mm == pytest.approx(3.0, abs=1e-12)
    np.testing.assert_allclose(got.deviation_mm, [0, -1, -0.5, 2, 0, -1, 0], atol=1e-12)
    assert minimum_zone_straightness(x, y).range_mm == pytest.approx(3.0, abs=1e-12)
    # Derived by exact arithmetic from the same data, not printed.
    assert least_squares_straightness(x, y).range_mm == pytest.approx(3.035714, abs=1e-6)


@pytest.mark.parametrize(
    "x, y, slope, residual, tolerance, ls_slope",
    [
        # Half a unit of the last printed digit.
        (LASER_1_X_M, LASER_1_Y_UM, 8.33, LASER_1_RESIDUAL_UM, 0.051, 7.65),
        (LASER_2_X_M, LASER_2_Y_UM, -18.44, LASER_2_RESIDUAL_UM, 0.0051, -17.42),
    ],
)
def test_laser_examples(
    x: np.ndarray, y: np.ndarray, slope: float, residual: list[float], tolerance: float, ls_slope: float
) -> None:
    ends = end_point_straightness(x, y)
    assert ends.slope == pytest.approx(slope, abs=0.0051)
    np.testing.assert_allclose(ends.deviation_mm, residual, atol=tolerance)
    assert least_squares_straightness(x, y).slope == pytest.approx(ls_slope, abs=0.0051)


@pytest.mark.parametrize(
    "x, y, end_point, least_squares, minimum_zone",
    # Derived by exact arithmetic from the printed data, not printed.
    [
        (LASER_1_X_M, LASER_1_Y_UM, 0.866667, 0.703636, 0.650000),
        (LASER_2_X_M, LASER_2_Y_UM, 1.288889, 1.083636, 0.933333),
    ],
)
def test_three_reference_lines(
    x: np.ndarray, y: np.ndarray, end_point: float, least_squares: float, minimum_zone: float
) -> None:
    assert end_point_straightness(x, y).range_mm == pytest.approx(end_point, abs=1e-6)
    assert least_squares_straightness(x, y).range_mm == pytest.approx(least_squares, abs=1e-6)
    assert minimum_zone_straightness(x, y).range_mm == pytest.approx(minimum_zone, abs=1e-6)


@pytest.mark.parametrize(
    "x_mm, height_um, relief_um, at",
    [
        (*autocollimator_heights(), 2.0, 3),
        (LASER_1_X_M * 1000, LASER_1_Y_UM, -0.5, 6),
        (LASER_2_X_M * 1000, LASER_2_Y_UM, 0.755556, 7),
    ],
)
def test_relief_reads_the_same_chord(x_mm: np.ndarray, height_um: np.ndarray, relief_um: float, at: int) -> None:
    """The published profiles as gaps (a gap grows downwards): relief is the end-point deviation of largest size."""
    pairs = zip(x_mm, height_um, strict=True)
    crowns = tuple(CrownGap(i, float(x), float(g), 1e-9) for i, (x, g) in enumerate(pairs, start=1))
    relief = compute_relief(GapProfile(crowns, np.eye(len(crowns)) * 1e-18))
    assert relief.relief_mm == pytest.approx(relief_um, abs=1e-6)
    assert relief.at_fret == at + 1


# NIST Statistical Reference Datasets, linear regression, Norris (J. Norris, ozone calibration):
# https://www.itl.nist.gov/div898/strd/lls/data/Norris.shtml, certified values.
NORRIS_X = """0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 556.0
228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"""
NORRIS_Y = """0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 557.7
228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"""


def test_norris() -> None:
    fit = fit_line(np.array(NORRIS_X.split(), dtype=float), np.array(NORRIS_Y.split(), dtype=float))
    # Ten digits: what double precision can keep on this well-conditioned set with room to spare.
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert fit.u_intercept == pytest.approx(0.232818234301152, rel=1e-10)
    assert fit.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-10)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-10)
    assert fit.dof == 34


def test_norris_through_the_weighted_fit() -> None:
    x, y = np.array(NORRIS_X.split(), dtype=float), np.array(NORRIS_Y.split(), dtype=float)
    sd = 0.884796396144373
    fit = fit_line(x, y, covariance=np.eye(36) * sd**2)
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert fit.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-10)
    assert fit.residual_sd == pytest.approx(1.0, rel=1e-10)
