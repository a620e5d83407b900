"""Comparison statistics against published worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.neck.agreement import bartlett_statistic, bland_altman, e_n

# NIST/SEMATECH e-Handbook of Statistical Methods, GEAR.DAT, ten batches of ten:
# https://www.itl.nist.gov/div898/handbook/eda/section3/eda354.htm
GEAR = """
1.006 .996 .998 1.000 .992 .993 1.002 .999 .994 1.000
.998 1.006 1.000 1.002 .997 .998 .996 1.000 1.006 .988
.991 .987 .997 .999 .995 .994 1.000 .999 .996 .996
1.005 1.002 .994 1.000 .995 .994 .998 .996 1.002 .996
.998 .998 .982 .990 1.002 .984 .996 .993 .980 .996
1.009 1.013 1.009 .997 .988 1.002 .995 .998 .981 .996
.990 1.004 .996 1.001 .998 1.000 1.018 1.010 .996 1.002
.998 1.000 1.006 1.000 1.002 .996 .998 .996 1.002 1.006
1.002 .998 .996 .995 .996 1.004 1.004 .998 .999 .991
.991 .995 .984 .994 .997 .997 .991 .998 1.004 .997
"""


def gear() -> np.ndarray:
    return np.array(GEAR.split(), dtype=float).reshape(10, 10)


def test_e_n_of_the_gear_data() -> None:
    """NIST Dataplot, E_n score: x_ref = 1, U_ref two SD of all, U_lab two SD of batch 1.

    https://itl.nist.gov/div898/software/dataplot/refman2/auxillar/enscore.htm; printed 0.393, -0.262, -0.131, 0.000.
    """
    data = gear()
    u_lab, u_ref = 2 * data[0].std(ddof=1), 2 * data.std(ddof=1)
    assert u_lab == pytest.approx(0.009, abs=0.00051)
    got = [e_n(y, 1.0, U_value=u_lab, U_reference=u_ref) for y in (1.006, 0.996, 0.998, 1.000)]
    np.testing.assert_allclose(got, [0.393, -0.262, -0.131, 0.000], atol=0.00051)


def test_bartlett_of_the_gear_data() -> None:
    """Same handbook: Bartlett's statistic 20.785873 on 9 degrees of freedom."""
    assert bartlett_statistic([list(row) for row in gear()]) == pytest.approx(20.785873428, abs=1e-6)


# Bland and Altman, Lancet 1986; 327(8476): 307-310, doi 10.1016/S0140-6736(86)90837-8, peak flow, l/min, first readings
# (transcription: https://github.com/deepankardatta/blandr).
METER_A = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
METER_B = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_bland_altman_as_published() -> None:
    got = bland_altman(METER_A, METER_B, factor=2)
    assert got.mean == pytest.approx(-2.1, abs=0.051)
    assert got.sd == pytest.approx(38.8, abs=0.051)
    # Printed limits -79.7 and 75.5 come from the rounded mean and SD.
    np.testing.assert_allclose(got.limits, [-79.7, 75.5], atol=0.11)


def test_bland_altman_with_196() -> None:
    """Derived from the same data."""
    got = bland_altman(METER_A, METER_B)
    assert got.mean == pytest.approx(-2.117647, abs=1e-6)
    assert got.sd == pytest.approx(38.765130, abs=1e-6)
    np.testing.assert_allclose(got.limits, [-78.0973, 73.8620], atol=1e-4)
    assert got.se_mean == pytest.approx(9.4019, abs=1e-4)


def test_three_pairs_are_the_least() -> None:
    with pytest.raises(ValueError, match="at least three"):
        bland_altman([1, 2], [1, 2])
    with pytest.raises(ValueError, match="needs an uncertainty"):
        e_n(1, 2, U_value=0, U_reference=0)
