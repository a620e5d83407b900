"""A straightedge laid on crowns: against where a bar of least potential energy comes to lie."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from neck_profiles import bow, make_profile
from scipy.optimize import linprog

from lightgap.neck.contact import Beyond, rezero_on_contact
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import GapProfile
from lightgap.neck.relief import compute_relief

FRETS = np.arange(1, 16)
PLACE_MM = fret_position_mm(FRETS.astype(float), 648.0)
ALONG = 2 * (PLACE_MM - PLACE_MM.mean()) / np.ptp(PLACE_MM)
CHORD = (1, 15)


def gaps_at_rest(sag_mm: np.ndarray, *, load: float = 0.0) -> np.ndarray:
    """Return the gaps under a rigid bar on crowns of a sag, its load in halves of their span from the middle.

    At rest the point that bears the load lies as low as it can (least potential energy), by SciPy's linear program: the
    bar's height at the middle and its rise over half the span are free, no gap is negative.
    """
    done = linprog(
        [1.0, load], A_ub=-np.stack([np.ones_like(ALONG), ALONG], axis=1), b_ub=sag_mm, bounds=[(None, None)] * 2
    )
    return np.asarray(sag_mm + done.x[0] + done.x[1] * ALONG)


def neck(rng: np.random.Generator) -> np.ndarray:
    """Return the sag of a random neck: bowed up or back, or twice, with frets that scatter by 0.01 mm."""
    curved = rng.uniform(-0.15, 0.35) * (1 - ALONG**2) + rng.uniform(-0.06, 0.06) * np.sin(np.pi * ALONG)
    return np.asarray(curved + rng.normal(0, 0.01, len(ALONG)))


def test_constant_and_tilt_are_taken_out() -> None:
    gap = bow(15, 0.3)
    got = rezero_on_contact(make_profile(gap + 0.08 + 0.15 * ALONG))
    # The next frets may bear it where they scatter: half of what the end frets lie under them, at most.
    np.testing.assert_allclose(got.gap_mm, gap, atol=0.006)
    assert got.crowns[0].touching
    assert got.crowns[-1].touching
    assert not any(c.touching for c in got.crowns[2:-2])


def test_back_bow_is_rocked_on_its_middle_and_how_far_is_not_known() -> None:
    gap = gaps_at_rest(bow(15, -0.2))
    got = rezero_on_contact(make_profile(gap - 0.05))
    assert [c.fret for c in got.crowns if c.touching] == [5, 6, 7]
    # A hand may tilt it by what the bow allows: the ends are known no better, and that is said.
    assert got.crowns[0].u_gap_mm > 0.1
    assert np.abs(got.gap_mm - gap).max() < 0.1
    seen = rezero_on_contact(make_profile(gap - 0.05), u_tilt_mm=0.02)
    # Frets 6 to 9 differ by 0.01 mm: it may rest on any two of them.
    np.testing.assert_allclose(seen.gap_mm, gap, atol=0.02)
    assert seen.crowns[0].u_gap_mm < 0.03


@pytest.mark.parametrize("u_tilt_mm", [0.03, 0.1])
def test_gaps_of_random_necks_are_right_within_their_uncertainty(u_tilt_mm: float) -> None:
    rng = np.random.default_rng(5)
    before, after, z = [], [], []
    for _ in range(150):
        true = gaps_at_rest(neck(rng), load=float(np.clip(rng.normal(0, 0.3), -0.7, 0.7)))
        seen = true + rng.normal(0, 0.08) + rng.normal(0, u_tilt_mm) * ALONG + rng.normal(0, 0.01, 15)
        got = rezero_on_contact(make_profile(seen, u_mm=0.01), u_constant_mm=0.08, u_tilt_mm=u_tilt_mm)
        off = got.gap_mm - true
        before.append(seen - true)
        after.append(off)
        z.append(off / np.hypot(np.sqrt(np.diag(got.covariance_mm2)), 1e-4))
    rms = np.sqrt(np.mean(np.square(after)))
    # 0.01 mm of noise in each gap stays; what was common, 0.08 mm and the tilt, goes.
    assert rms < 0.025
    assert rms < 0.4 * np.sqrt(np.mean(np.square(before)))
    assert abs(np.mean(after)) < 0.004  # two standard errors of 150 means of 0.02 mm
    # One line for 15 gaps: 150 of them tell a spread to 6 %; the model's necks bend otherwise than these.
    assert 0.75 < np.sqrt(np.mean(np.square(z))) < 1.25


def test_fret_out_of_the_profile_may_bear_it() -> None:
    """Fret 1 was not read: laid on fret 2 the gaps would be off by what that lies lower."""
    true = bow(15, 0.3)
    whole = make_profile(true + 0.05)
    rest = GapProfile(whole.crowns[1:], whole.covariance_mm2[1:, 1:])
    wrong = rezero_on_contact(rest)
    assert wrong.gap_mm[0] - true[1] < -0.05
    under = Beyond((float(PLACE_MM[0]),), (0.0, 1.0))
    right = rezero_on_contact(rest, nutward=under)
    assert abs(right.gap_mm[0] - true[1]) < 2 * right.crowns[0].u_gap_mm < 0.12
    assert abs(right.gap_mm[0] - true[1]) < 0.4 * abs(wrong.gap_mm[0] - true[1])
    unsure = rezero_on_contact(rest, nutward=replace(under, chance=(0.5, 0.5)))
    assert unsure.crowns[0].u_gap_mm > right.crowns[0].u_gap_mm


def test_fret_left_out_between_may_bear_it() -> None:
    """The highest fret of a back-bow was not read: on its neighbours alone the straightedge would lie too low."""
    true = gaps_at_rest(bow(15, -0.8))
    at = int(np.argmin(true))
    whole = make_profile(true + 0.1)
    kept = np.delete(np.arange(15), at)
    rest = GapProfile(tuple(whole.crowns[i] for i in kept), whole.covariance_mm2[np.ix_(kept, kept)])
    without = rezero_on_contact(rest, u_tilt_mm=0.02)
    laid = rezero_on_contact(rest, between_mm=[float(PLACE_MM[at])], u_tilt_mm=0.02)
    # Without it no two of the others bear a bar that lies so level.
    np.testing.assert_array_equal(without.gap_mm, rest.gap_mm)
    off = laid.gap_mm - true[kept]
    assert np.abs(off).max() < 0.01
    assert np.max(np.abs(off) / [c.u_gap_mm for c in laid.crowns]) < 1.5


def test_what_cannot_rest_as_measured_stays_and_bears_nothing() -> None:
    """A close-up of the middle of an up-bow: the gaps are known, and far from zero."""
    profile = make_profile(0.3 + bow(8, 0.03))
    got = rezero_on_contact(profile, u_constant_mm=0.02, u_tilt_mm=0.02)
    np.testing.assert_array_equal(got.gap_mm, profile.gap_mm)
    assert not any(c.touching for c in got.crowns)
    assert got.crowns[4].u_gap_mm == pytest.approx(np.hypot(0.002, 0.02), rel=0.03)  # the tilt is little there


def test_flagged_crowns_are_believed() -> None:
    profile = make_profile(bow(15, 0.3) + 0.05)
    crowns = tuple(replace(c, touching=c.fret in (1, 15)) for c in profile.crowns)
    got = rezero_on_contact(GapProfile(crowns, profile.covariance_mm2))
    assert got.gap_mm[0] == pytest.approx(0.0, abs=1e-9)
    # A mean of two equal readings: variance halves, and every other gap carries it as well.
    assert got.covariance_mm2[5, 5] == pytest.approx(1.5 * 0.002**2, rel=1e-3)
    assert got.covariance_mm2[5, 8] == pytest.approx(0.5 * 0.002**2, rel=1e-3)


@pytest.mark.parametrize("relief_mm", [0.3, -0.2, 0.02])
def test_relief_and_its_uncertainty_are_untouched(relief_mm: float) -> None:
    noise = np.random.default_rng(4).normal(0, 0.01, 15)
    profile = make_profile(bow(15, relief_mm) + 0.08 + 0.1 * ALONG + noise, u_mm=0.01)
    before, after = compute_relief(profile, chord=CHORD), compute_relief(rezero_on_contact(profile), chord=CHORD)
    # Only a line is added. The rest is arithmetic, and draws of the same numbers through another root of a covariance.
    assert after.relief_mm == pytest.approx(before.relief_mm, abs=1e-6)
    assert after.U_mm == pytest.approx(before.U_mm, rel=0.03)
    assert after.shape == before.shape
