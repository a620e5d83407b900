"""Relief from made profiles with known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from neck_profiles import bow, make_profile
from scipy.interpolate import make_smoothing_spline

from lightgap.neck import posterior
from lightgap.neck.errors import InputError
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.posterior import crown_posterior
from lightgap.neck.profile import GapProfile, Relief
from lightgap.neck.relief import compute_relief, default_chord, lobes
from lightgap.neck.straightness import chord_matrix


def test_up_bow_is_positive_and_named() -> None:
    relief = compute_relief(make_profile(bow(15, 0.3)))
    assert relief.relief_mm == pytest.approx(0.3, abs=0.005)
    assert relief.shape == "up-bow"
    assert relief.chord == (1, 15)
    assert relief.at_fret in (6, 7)


def test_back_bow_is_negative() -> None:
    relief = compute_relief(make_profile(0.2 + bow(15, -0.2)))
    assert relief.relief_mm == pytest.approx(-0.2, abs=0.005)
    assert relief.shape == "back-bow"


def test_straight_only_when_the_uncertainty_is_small() -> None:
    assert compute_relief(make_profile(bow(15, 0.01))).shape == "straight"
    assert compute_relief(make_profile(bow(15, 0.01), u_mm=0.05)).shape == "cannot-tell"


def test_s_bend_needs_both_sides() -> None:
    x = np.linspace(0, 2 * np.pi, 15)
    assert compute_relief(make_profile(0.2 + 0.15 * np.sin(x))).shape == "s-bend"
    one_high_fret = bow(15, 0.2)
    one_high_fret[12] -= 0.25
    assert compute_relief(make_profile(one_high_fret)).shape != "s-bend"


def test_default_chord_stops_before_the_tongue() -> None:
    assert default_chord(make_profile(bow(22, 0.3))) == (1, 15)
    assert default_chord(make_profile(bow(12, 0.3))) == (1, 12)
    assert default_chord(make_profile(bow(22, 0.3), numbers_relative=True)) == (1, 22)


def test_chord_end_missing_names_the_frets() -> None:
    with pytest.raises(InputError, match="fret 20 is not in the profile; it has frets 1, 2, 3"):
        compute_relief(make_profile(bow(15, 0.3)), chord=(1, 20))
    with pytest.raises(InputError, match="no crown lies between"):
        compute_relief(make_profile(bow(15, 0.3)), chord=(4, 5))
    with pytest.raises(InputError, match="at least three frets"):
        compute_relief(make_profile(np.zeros(2)))


@settings(max_examples=60, deadline=None)
@given(
    shift=st.floats(-0.5, 2),
    tilt=st.floats(-0.004, 0.004),
    relief=st.floats(-0.4, 0.6),
    u=st.sampled_from([0.002, 0.02]),
)
def test_constant_and_tilt_leave_relief_alone(shift: float, tilt: float, relief: float, u: float) -> None:
    noise = np.random.default_rng(5).normal(0, 0.01, 15)
    gap = bow(15, relief) + noise
    x = fret_position_mm(np.arange(1, 16), 648.0)
    plain, moved = compute_relief(make_profile(gap, u)), compute_relief(make_profile(gap + shift + tilt * x, u))
    # Rounding in the mixed model, far below any reading.
    assert moved.relief_mm == pytest.approx(plain.relief_mm, abs=1e-7)
    assert moved.U_mm == pytest.approx(plain.U_mm, abs=1e-7)


def test_common_shift_in_the_covariance_does_not_matter() -> None:
    profile = make_profile(bow(15, 0.3))
    wide = GapProfile(profile.crowns, profile.covariance_mm2 + 0.05**2)
    assert compute_relief(wide).U_mm == pytest.approx(compute_relief(profile).U_mm, rel=1e-3)


def simulate(u_mm: float, fret_spread_mm: float, *, runs: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Errors of relief over its standard uncertainty, errors, and errors of the plain largest depth, truth positive."""
    rng = np.random.default_rng(seed)
    z, shrunk, plain = [], [], []
    x = fret_position_mm(np.arange(1, 16), 648.0)
    matrix = chord_matrix(x, (0, 14))
    for _ in range(runs):
        true = bow(15, rng.uniform(-0.1, 0.4), rng.uniform(-0.4, 0.4)) + rng.normal(0, fret_spread_mm, 15)
        seen = true + rng.normal(0, u_mm, 15)
        want, raw = (d[np.argmax(np.abs(d))] for d in (matrix @ true, matrix @ seen))
        got: Relief = compute_relief(make_profile(seen, u_mm))
        z.append((got.relief_mm - want) / (got.U_mm / got.k))
        shrunk.append((got.relief_mm - want) * np.sign(want))
        plain.append((raw - want) * np.sign(want))
    return np.array(z), np.array(shrunk), np.array(plain)


@pytest.mark.parametrize("u_mm, fret_spread_mm", [(0.003, 0.012), (0.01, 0.006), (0.03, 0.012)])
def test_uncertainty_covers_and_the_largest_depth_is_not_biased_high(u_mm: float, fret_spread_mm: float) -> None:
    z, shrunk, plain = simulate(u_mm, fret_spread_mm, runs=200, seed=11)
    # 200 runs: the standard error of a 95 % share is 1.5 %, of the spread of z 5 %; model mismatch takes the rest.
    assert 0.89 <= np.mean(np.abs(z) < 2) <= 1.0
    assert 0.7 <= np.sqrt(np.mean(z**2)) <= 1.25
    assert np.sqrt(np.mean(shrunk**2)) <= 1.03 * np.sqrt(np.mean(plain**2))
    assert abs(shrunk.mean()) <= max(0.002, 0.6 * u_mm)


def unsure_at(fret: int, off_mm: float, *, u_mm: float) -> GapProfile:
    """Return five crowns of a close-up, exact to 2 um but for one that is off."""
    gap, u = bow(5, 0.05), np.full(5, 0.002)
    gap[fret - 1] += off_mm
    u[fret - 1] = u_mm
    whole = make_profile(gap)
    rows = tuple(replace(c, u_gap_mm=float(v)) for c, v in zip(whole.crowns, u, strict=True))
    return GapProfile(rows, np.diag(u**2))


def test_crown_hardly_seen_among_few_is_where_its_neighbours_have_it() -> None:
    """Least squares through the four others, by numpy, is all that is known of it."""
    profile = unsure_at(3, 0.4, u_mm=0.3)
    others = [0, 1, 3, 4]
    through = np.polynomial.Polynomial.fit(profile.position_mm[others], profile.gap_mm[others], 2)
    expected = profile.gap_mm.copy()
    expected[2] = through(profile.position_mm[2])
    relief = compute_relief(profile)
    deepest = (chord_matrix(profile.position_mm, (0, 4)) @ expected).max()
    # A fret may stand 0.02 mm out as a rule of the prior: it draws the crown by 0.4 (0.02 / 0.3)^2 = 0.002, five times
    # that with the prior's tail.
    assert relief.relief_mm == pytest.approx(deepest, abs=0.01)
    # An odd fret of a tenth of a millimetre is not shut out, and the 0.6 mm of that crown by itself is not kept.
    assert 0.04 < relief.U_mm < 0.2


def test_odd_fret_that_is_seen_surely_stays_among_few() -> None:
    assert compute_relief(unsure_at(3, 0.1, u_mm=0.002)).relief_mm == pytest.approx(0.15, abs=0.003)


def test_a_fret_read_in_doubt_that_would_turn_the_relief_s_sign_is_covered() -> None:
    """A back-bow of 0.07 mm, and one fret that stands low by more, at one and a half of its standard uncertainties.

    Neither is beyond doubt: nobody is to turn a rod on the sign.
    """
    gap, u = -bow(15, 0.07), np.full(15, 0.005)
    gap[3] += 0.13
    u[3] = 0.06
    whole = make_profile(gap)
    rows = tuple(replace(c, u_gap_mm=float(v)) for c, v in zip(whole.crowns, u, strict=True))
    profile = GapProfile(rows, np.diag(u**2))
    low = float((chord_matrix(profile.position_mm, (0, 14)) @ gap)[3])
    assert 1.2 < low / u[3] < 1.8
    relief = compute_relief(profile)
    assert relief.relief_mm < 0
    assert relief.relief_mm + relief.U_mm > 0.99 * low


def test_a_bad_fret_that_a_smooth_neck_levels_is_covered_as_it_was_read() -> None:
    """One of nine frets of a slight back-bow stands 0.13 mm proud, at three of its standard uncertainties."""
    gap, u = bow(9, -0.03), np.full(9, 0.01)
    gap[4] -= 0.13
    u[4] = 0.042
    whole = make_profile(gap)
    rows = tuple(replace(c, u_gap_mm=float(v)) for c, v in zip(whole.crowns, u, strict=True))
    relief = compute_relief(GapProfile(rows, np.diag(u**2)))
    read = float((chord_matrix(whole.position_mm, (0, 8)) @ gap)[4])
    assert abs(relief.relief_mm) < 0.5 * abs(read)  # levelled
    assert relief.relief_mm - relief.U_mm < 0.99 * read


def test_the_lesser_lobe_of_an_s_is_not_levelled() -> None:
    """A cubic through these gaps leaves 0.03 of its 0.11 mm, and makes 0.14 of the other's 0.11."""
    profile = make_profile(unequal_s(), u_mm=0.03)
    x, gap = profile.position_mm, profile.gap_mm
    cubic = np.polyval(np.polyfit(x, gap, 3), x)
    matrix = chord_matrix(x, (0, len(x) - 1))
    lobe = int(np.argmin(matrix @ gap))
    assert (matrix @ cubic)[lobe] > 0.6 * (matrix @ gap)[lobe]  # above the chord is negative: levelled by four tenths
    mean = matrix @ crown_posterior(profile).mean_mm
    assert mean[lobe] == pytest.approx((matrix @ gap)[lobe], abs=0.03)  # the noise of one gap


def test_expected_gaps_are_the_smoothing_spline_where_frets_do_not_scatter(monkeypatch: pytest.MonkeyPatch) -> None:
    """Posterior mean of twice integrated white noise seen through noise: Wahba 1978, by SciPy's smoothing spline."""
    monkeypatch.setattr(posterior, "TAU_GRID_MM", np.array([1e-6]))
    rng = np.random.default_rng(9)
    profile = make_profile(unequal_s() + rng.normal(0, 0.02, 15), u_mm=0.02)
    spline = make_smoothing_spline(profile.position_mm, profile.gap_mm, lam=0.02**2 / posterior.BEND_PER_ROOT_MM**2)
    # Both solve the same equations; the rest is the fret heights' 1e-6 and arithmetic.
    np.testing.assert_allclose(crown_posterior(profile).mean_mm, spline(profile.position_mm), atol=1e-6)


def unequal_s() -> np.ndarray:
    """Return a neck that sags by 0.11 mm towards the nut and stands up by 0.1 mm at one fret near the body."""
    x = fret_position_mm(np.arange(1, 16), 648.0)
    t = (x - x[0]) / (x[-1] - x[0])
    return np.asarray(0.11 * np.sin(np.pi * np.clip(t / 0.62, 0, 1)) - 0.12 * np.exp(-(((t - 0.86) / 0.09) ** 2)))


def test_both_bends_of_an_s_are_told_each_with_its_own_u() -> None:
    x = fret_position_mm(np.arange(1, 16), 648.0)
    t = (x - x[0]) / (x[-1] - x[0])
    profile = make_profile(0.3 + 0.1 * np.sin(2 * np.pi * t), 0.004)
    relief = compute_relief(profile)
    assert relief.shape == "s-bend"
    below, above = lobes(profile, relief)
    sine = {n: float(0.1 * np.sin(2 * np.pi * share)) for n, share in zip(range(1, 16), t, strict=True)}
    for lobe, sign in ((below, 1), (above, -1)):
        assert sign * lobe.depth_mm > 0
        assert lobe.depth_mm == pytest.approx(sine[lobe.at_fret], abs=lobe.U_mm)
        # One crown less two ends in shares of a whole: 0.004 mm times sqrt(1 + 1) at most, doubled.
        assert 0 < lobe.U_mm < 2 * 0.004 * 2**0.5
    assert relief.U_mm > 0.15  # of the one number, which may be either
