"""A crown carried on from the others: against SciPy's smoothing spline, and on simulated necks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from neck_profiles import bow, make_profile
from scipy.interpolate import make_smoothing_spline

from lightgap.neck.extrapolate import BEND_PER_ROOT_MM, U_FRET_MM, extrapolate
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import GapProfile
from lightgap.neck.relief import compute_relief


def without(profile: GapProfile, fret: int) -> GapProfile:
    kept = [i for i, c in enumerate(profile.crowns) if c.fret != fret]
    crowns = tuple(profile.crowns[i] for i in kept)
    return replace(profile, crowns=crowns, covariance_mm2=profile.covariance_mm2[np.ix_(kept, kept)])


@pytest.mark.parametrize("u_mm", [0.002, 0.03])
@pytest.mark.parametrize("fret", [1, 15])
def test_it_is_the_smoothing_spline_carried_on_straight(fret: int, u_mm: float) -> None:
    rng = np.random.default_rng(3)
    profile = make_profile(bow(15, 0.3, skew=0.4) + rng.normal(0, 0.02, 15), u_mm)
    rest = without(profile, fret)
    # Posterior mean of a twice integrated white noise seen through noise: Wahba 1978, lambda = noise / bend variance.
    spline = make_smoothing_spline(rest.position_mm, rest.gap_mm, lam=(U_FRET_MM**2 + u_mm**2) / BEND_PER_ROOT_MM**2)
    end, at = rest.position_mm[0 if fret == 1 else -1], float(fret_position_mm(float(fret), 648.0))
    carried = float(spline(end) + spline.derivative()(end) * (at - end))
    got = next(c for c in extrapolate(rest, {fret: at}).profile.crowns if c.fret == fret)
    assert got.gap_mm == pytest.approx(carried, abs=1e-6)  # of arithmetic: both solve the same equations
    assert got.extrapolated


def test_simulated_necks_lie_within_the_uncertainty_stated() -> None:
    rng = np.random.default_rng(4)
    inside, relief_inside = [], []
    for _ in range(200):
        heights = bow(16, rng.uniform(-0.3, 0.5), rng.uniform(-0.6, 0.6)) + rng.normal(0, 0.012, 16)
        u_mm = rng.uniform(0.005, 0.03)
        seen = make_profile(heights + rng.normal(0, u_mm, 16), u_mm)
        missing = int(rng.choice([1, 16]))
        at = float(fret_position_mm(float(missing), 648.0))
        whole = extrapolate(without(seen, missing), {missing: at}).profile
        crown = whole.crowns[missing - 1]
        inside.append(abs(crown.gap_mm - heights[missing - 1]) < 2 * crown.u_gap_mm)
        relief = compute_relief(whole, chord=(1, 16))
        true = compute_relief(make_profile(heights, 1e-6), chord=(1, 16))
        relief_inside.append(abs(relief.relief_mm - true.relief_mm) < relief.U_mm)
    # At least the 90 of 100 asked of U elsewhere, less three standard deviations of a share of 200 (0.064).
    assert np.mean(inside) > 0.836
    assert np.mean(relief_inside) > 0.836


def test_the_covariance_is_whole_and_the_others_stay() -> None:
    profile = make_profile(bow(12, 0.2), 0.01)
    rest = without(profile, 12)
    whole = extrapolate(rest, {12: float(fret_position_mm(12.0, 648.0))}).profile
    assert whole.frets == tuple(range(1, 13))
    np.testing.assert_array_equal(whole.covariance_mm2[:-1, :-1], rest.covariance_mm2)
    np.testing.assert_array_equal(whole.covariance_mm2, whole.covariance_mm2.T)
    assert np.sqrt(whole.covariance_mm2[-1, -1]) == pytest.approx(whole.crowns[-1].u_gap_mm)
    assert np.linalg.eigvalsh(whole.covariance_mm2).min() > 0
    assert whole.crowns[-1].u_gap_mm > 0.01


def test_a_fret_that_is_there_or_too_few_are_refused() -> None:
    profile = make_profile(bow(5, 0.2))
    with pytest.raises(ValueError, match="fret 3 is in"):
        extrapolate(profile, {3: 100.0})
    with pytest.raises(ValueError, match="2 crowns"):
        extrapolate(make_profile(bow(5, 0.2)[:2]), {5: 100.0})
