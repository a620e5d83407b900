"""The straight-line fit of the season line against certified reference data."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from lightgap.records.season import fit_line

# NIST Statistical Reference Datasets, linear regression, Norris (J. Norris, NIST, calibration of ozone monitors):
# https://www.itl.nist.gov/div898/strd/lls/data/Norris.shtml, data and certified values LINKS/DATA/Norris.dat
X = """
0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6
556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5
"""
Y = """
0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8
557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2
"""
B0, SD_B0 = -0.262323073774029, 0.232818234301152
B1, SD_B1 = 1.00211681802045, 0.429796848199937e-3
RESIDUAL_SD, RESIDUAL_SS, FREEDOM = 0.884796396144373, 26.6173985294224, 34
# Fifteen digits are certified; double precision and QR keep at least eleven here.
RELATIVE = 1e-11


def test_norris_coefficients_and_their_standard_deviations() -> None:
    x, y = np.array(X.split(), dtype=float), np.array(Y.split(), dtype=float)
    fit = fit_line(x, y, u=np.ones_like(x))
    slope, level = fit.coefficients
    assert slope == pytest.approx(B1, rel=RELATIVE)
    assert level - slope * fit.centre == pytest.approx(B0, rel=RELATIVE * 100)  # a difference of numbers near 430
    assert fit.freedom == FREEDOM
    assert fit.chi_square == pytest.approx(RESIDUAL_SS, rel=RELATIVE)
    residual_sd = np.sqrt(fit.chi_square / fit.freedom)
    assert residual_sd == pytest.approx(RESIDUAL_SD, rel=RELATIVE)
    assert residual_sd * np.sqrt(fit.covariance[0, 0]) == pytest.approx(SD_B1, rel=RELATIVE)
    row = np.array([-fit.centre, 1.0])
    assert residual_sd * np.sqrt(row @ fit.covariance @ row) == pytest.approx(SD_B0, rel=RELATIVE)


@pytest.mark.parametrize(
    ("freedom", "t95"), [(1, 12.71), (2, 4.30), (3, 3.18), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01)]
)
def test_student_factors_are_those_of_the_gum(freedom: int, t95: float) -> None:
    """JCGM 100:2008, table G.2, 95 %: two decimals are printed."""
    x = np.arange(freedom + 2, dtype=float)
    fit = fit_line(x, x, u=np.ones_like(x))
    assert fit.t_factor == pytest.approx(t95, abs=0.0051)


def test_weighted_fit_agrees_with_scipy_where_weights_are_equal() -> None:
    rng = np.random.default_rng(3)
    x = rng.uniform(5, 12, 20)
    y = 0.3 - 0.02 * x + rng.normal(0, 0.01, 20)
    reference = stats.linregress(x, y)
    fit = fit_line(x, y, u=np.full(20, 0.01))
    assert fit.coefficients[0] == pytest.approx(reference.slope, rel=1e-10)
    scale = np.sqrt(fit.chi_square / fit.freedom)
    assert scale * np.sqrt(fit.covariance[0, 0]) == pytest.approx(reference.stderr, rel=1e-10)
