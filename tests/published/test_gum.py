"""The budget code against the GUM's own example and tables."""

from __future__ import annotations

import math

import numpy as np
import pytest

from lightgap.neck.budget import Line, combine, half_width_to_u, sample

# JCGM 100:2008, example H.1, end gauge of 50 mm, Table H.1; inputs and result read in the documentation of a national
# metrology institute's uncertainty library (https://github.com/MSLNZ/GTC, docs/API/GUM_H1.rst) and four transcriptions.
L_S_NM = 50.000623e6
U_L_S_NM, DOF_L_S = 25.0, 18
U_D_PARTS = [(5.8, 24), (3.9, 5), (6.7, 8)]
ALPHA_S, U_ALPHA_S = 11.5e-6, half_width_to_u(2e-6)
THETA, U_THETA = -0.1, math.hypot(0.2, half_width_to_u(0.5, "u-shaped"))
U_DELTA_ALPHA, U_DELTA_THETA = half_width_to_u(1e-6), half_width_to_u(0.05)


def h1_lines() -> list[Line]:
    d = combine([Line(f"d {i}", u, dof=dof) for i, (u, dof) in enumerate(U_D_PARTS)])
    return [
        Line("standard", U_L_S_NM, dof=DOF_L_S),
        Line("difference", d.u, dof=d.dof),
        Line("expansion of the standard", U_ALPHA_S, sensitivity=0.0),
        Line("temperature", U_THETA, sensitivity=0.0),
        Line("difference in expansion", U_DELTA_ALPHA, sensitivity=-L_S_NM * THETA, dof=50),
        Line("difference in temperature", U_DELTA_THETA, sensitivity=-L_S_NM * ALPHA_S, dof=2),
    ]


def test_every_line_of_h1() -> None:
    lines = h1_lines()
    # Printed: 25, 9.7, 0, 0, 2.9, 16.6 nm; dof of d 25.6; u(theta) 0.41 C.
    printed = [25, 9.7, 0, 0, 2.9, 16.6]
    np.testing.assert_allclose([line.contribution for line in lines], printed, atol=0.05)
    assert lines[1].dof == pytest.approx(25.6, abs=0.2)  # the printed parts are rounded to two digits
    assert pytest.approx(0.41, abs=0.005) == U_THETA


def test_result_of_h1() -> None:
    budget = combine(h1_lines())
    assert budget.u**2 == pytest.approx(1002, abs=1)  # printed, nm^2
    assert round(budget.u) == 32  # printed, nm
    assert budget.dof == pytest.approx(16.7, abs=0.1)  # printed 16.7 from rounded figures
    assert budget.coverage_factor(0.99) == pytest.approx(2.92, abs=0.005)  # printed t_99(16)
    assert budget.expanded(0.99) == pytest.approx(93, abs=1)  # printed: 93 nm from the rounded 32 nm
    assert budget.largest.name == "standard"


def test_h1_by_monte_carlo_sees_the_second_order() -> None:
    """JCGM 100, H.1.7: second-order terms raise u from 32 to 34 nm; sampling the model shows it."""

    def normal(mean: float, u: float):  # type: ignore[no-untyped-def]
        return lambda rng, n: rng.normal(mean, u, n)

    def even(mean: float, half: float):  # type: ignore[no-untyped-def]
        return lambda rng, n: rng.uniform(mean - half, mean + half, n)

    def temperature(rng: np.random.Generator, n: int) -> np.ndarray:
        return THETA + rng.normal(0, 0.2, n) + 0.5 * np.sin(rng.uniform(-np.pi, np.pi, n))

    got = sample(
        lambda standard, d, alpha, theta, d_alpha, d_theta: standard + d - L_S_NM * (d_alpha * theta + alpha * d_theta),
        {
            "standard": normal(L_S_NM, U_L_S_NM),
            "d": normal(215, 9.7),
            "alpha": even(ALPHA_S, 2e-6),
            "theta": temperature,
            "d_alpha": even(0, 1e-6),
            "d_theta": even(0, 0.05),
        },
        rng=np.random.default_rng(7),
    )
    assert got.mean == pytest.approx(50.000838e6, abs=0.5)  # printed l; 0.5 nm is six standard errors of the draws
    assert round(got.u) == 34


# Student factors t_p(nu): NIST Technical Note 1297, Table B.1 (JCGM 100 Table G.2), rounded to two decimals.
@pytest.mark.parametrize(
    "dof, row",
    [
        (1, [1.84, 6.31, 12.71, 13.97, 63.66, 235.80]),
        (2, [1.32, 2.92, 4.30, 4.53, 9.92, 19.21]),
        (4, [1.14, 2.13, 2.78, 2.87, 4.60, 6.62]),
        (10, [1.05, 1.81, 2.23, 2.28, 3.17, 3.96]),
        (16, [1.03, 1.75, 2.12, 2.17, 2.92, 3.54]),
        (30, [1.02, 1.70, 2.04, 2.09, 2.75, 3.27]),
        (50, [1.01, 1.68, 2.01, 2.05, 2.68, 3.16]),
        (math.inf, [1.000, 1.645, 1.960, 2.000, 2.576, 3.000]),
    ],
)
def test_student_factors(dof: float, row: list[float]) -> None:
    budget = combine([Line("x", 1.0, dof=dof)])
    for probability, printed in zip([0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973], row, strict=True):
        # Half a unit of the last printed digit; 235.80 and the 95.45 % column carry the rounding of p as well.
        tolerance = 0.0051 + 3e-4 * printed
        assert budget.coverage_factor(probability) == pytest.approx(printed, abs=tolerance)


def test_jcgm_101_additive_example() -> None:
    """JCGM 101:2008, 9.2.3 (from memory, re-derived): four rectangular inputs of unit spread, 95 % interval ± 3.88."""
    a = math.sqrt(3)

    def even(rng: np.random.Generator, n: int) -> np.ndarray:
        return rng.uniform(-a, a, n)

    got = sample(
        lambda w, x, y, z: w + x + y + z, dict.fromkeys("wxyz", even), rng=np.random.default_rng(3), draws=1_000_000
    )
    assert got.u == pytest.approx(2.0, abs=0.01)
    exact = 2 * a * (2 - (3 / 5) ** 0.25)
    np.testing.assert_allclose(got.interval, [-exact, exact], atol=0.02)  # five standard errors of the quantile


def test_correlation_is_kept() -> None:
    """JCGM 100, 5.2.2 note 1: fully correlated inputs add linearly (ten resistors of one calibration)."""
    lines = [Line(f"R{i}", 0.1) for i in range(10)]
    assert combine(lines, correlation=np.ones((10, 10))).u == pytest.approx(1.0)
    assert combine(lines).u == pytest.approx(0.1 * math.sqrt(10))
