"""Putting measurements together against published worked examples: the weighted mean, its chi-square, the Birge ratio.

P. J. Mohr and B. N. Taylor, CODATA recommended values of the fundamental physical constants: 2002, Rev. Mod. Phys. 77
(2005) 1-107, the Newtonian constant of gravitation: eight values, their weighted mean, chi-square and Birge ratio.
Values and results as printed, quoted from memory; they were recomputed and agree with one another to the rounding of
the printed values.
"""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.neck.combine import combine_profiles
from lightgap.neck.profile import CrownGap, GapProfile

# 10^-11 m^3 kg^-1 s^-2: value, standard uncertainty.
VALUES = (
    (6.6729, 0.0005),
    (6.67398, 0.00070),
    (6.674255, 0.000092),
    (6.67559, 0.00027),
    (6.67422, 0.00098),
    (6.67387, 0.00027),
    (6.6709, 0.0007),
    (6.67407, 0.00022),
)
MEAN, U_MEAN, CHI2, DOF, BIRGE = 6.674232, 0.000075, 57.7, 7, 2.87
# Largest effect of the values' last printed digit (half of 0.0001 on a value known to 0.0005) on the mean.
ROUNDING = 0.00005 * (U_MEAN / 0.0005) ** 2 + 0.0000005 * (U_MEAN / 0.000092) ** 2 + 3e-6


def profile(value: float, u: float, *, other_u: float) -> GapProfile:
    """A neck whose only doubtful height is that of fret 3; the other frets are known as well as need be.

    The constant and the tilt of the profile are then fixed by the other frets, and what is combined is one number.
    """
    gaps = (0.0, 0.0, value, 0.0, 0.0)
    us = (other_u, other_u, u, other_u, other_u)
    crowns = tuple(CrownGap(f, 30.0 * f, g, s) for f, g, s in zip(range(1, 6), gaps, us, strict=True))
    return GapProfile(crowns, np.diag(np.square(us)))


def test_weighted_mean_and_birge_ratio_of_the_gravitational_constant() -> None:
    # A thousandth of the smallest uncertainty adds nothing to the printed digits; the 30 nm of the code neither, in
    # units a thousand times finer.
    scale = 1e3
    centre = 6.674
    profiles = [profile(scale * (v - centre), scale * u, other_u=scale * 1e-7) for v, u in VALUES]
    combined = combine_profiles(profiles, common=[0.0] * len(profiles))
    depth = combined.profile.gap_mm[2] - (combined.profile.gap_mm[0] + combined.profile.gap_mm[4]) / 2
    assert centre + depth / scale == pytest.approx(MEAN, abs=ROUNDING)
    own, _, _ = combined.relief_shares(chord=(1, 5), at_fret=3)
    assert own / scale == pytest.approx(U_MEAN, abs=1e-6)
    # The four frets known for certain agree exactly: all of chi-square is that of fret 3.
    assert combined.consistency.chi2 == pytest.approx(CHI2, abs=0.2)
    assert np.sqrt(combined.consistency.chi2 / DOF) == pytest.approx(BIRGE, abs=0.005)
    assert combined.consistency.p < 0.001
    assert combined.consistency.widening == pytest.approx(np.sqrt(combined.consistency.chi2 / combined.consistency.dof))


def test_correlated_pair_of_peelle_stays_between_its_values() -> None:
    """R. Peelle's puzzle (1987; F. H. Froehner, Nucl. Sci. Eng. 126 (1997) 1-18; from memory, recomputed here).

    1.5 and 1.0, each with 10 % of its own and 20 % in common: least squares with the correlation gives the famous
    0.88 +- 0.22, below both values.
    """
    values, own, both = np.array([1.5, 1.0]), 0.10, 0.20
    full = np.diag((own * values) ** 2) + np.outer(both * values, both * values)
    inverse = np.linalg.inv(full)
    published = float(inverse.sum(axis=0) @ values / inverse.sum()), float(inverse.sum() ** -0.5)
    assert published == pytest.approx((0.88, 0.22), abs=0.005)
    share = both**2 / (own**2 + both**2)
    profiles = [profile(v, v * np.hypot(own, both), other_u=1e-5) for v in values]
    combined = combine_profiles(profiles, common=[share] * 2)
    depth = combined.profile.gap_mm[2] - (combined.profile.gap_mm[0] + combined.profile.gap_mm[4]) / 2
    own_u, common_u, _ = combined.relief_shares(chord=(1, 5), at_fret=3)
    # Inverse-variance weights, and the law of propagation with the full covariance (JCGM 100:2008, 5.2).
    weight = values**-2.0 / np.sum(values**-2.0)
    assert depth == pytest.approx(weight @ values, abs=1e-3)
    assert np.hypot(own_u, common_u) == pytest.approx(np.sqrt(weight @ full @ weight), rel=1e-3)
    assert 1.0 < depth < 1.5
