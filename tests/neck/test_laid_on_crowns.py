"""A straightedge laid on crowns: against where a bar of least potential energy comes to lie."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from neck_profiles import bow, make_profile
from scipy.optimize import linprog

from lightgap.neck.contact import LIFTED_MM, UNSEEN, Beyond, rezero_on_contact
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


# The least uncertainty that errors are held against: a contact's own is nothing.
FIRM_MM = 0.002
# In two of a hundred cases it rests on nothing read, a quarter of a millimetre up in the mean.
LIFT_MM = UNSEEN * LIFTED_MM / 2


def within(got: GapProfile, true: np.ndarray, k: float = 2.0) -> bool:
    """Tell whether all gaps are right within k standard uncertainties."""
    return bool((np.abs(got.gap_mm - true) <= k * np.hypot([c.u_gap_mm for c in got.crowns], FIRM_MM)).all())


def without_first(profile: GapProfile) -> GapProfile:
    return GapProfile(profile.crowns[1:], profile.covariance_mm2[1:, 1:])


def contacts(profile: GapProfile) -> list[int]:
    return [c.fret for c in profile.crowns if c.touching]


def test_constant_and_tilt_are_taken_out() -> None:
    gap = bow(15, 0.3)
    got = rezero_on_contact(make_profile(gap + 0.08 + 0.15 * ALONG))
    np.testing.assert_allclose(got.gap_mm, gap, atol=2 * LIFT_MM)
    assert contacts(got) == [1, 15]
    # The wire of both contacts, and nothing else, where constant and tilt are known about.
    known = rezero_on_contact(make_profile(gap + 0.08 + 0.05 * ALONG), u_constant_mm=0.08, u_tilt_mm=0.05)
    np.testing.assert_allclose(known.gap_mm, gap, atol=0.002)


def test_back_bow_is_rocked_on_its_middle_and_how_far_is_not_known() -> None:
    """A hand may tilt it by what the bow allows: its ends are known no better, unless the tilt was measured."""
    gap = gaps_at_rest(bow(15, -0.2))
    blind = rezero_on_contact(make_profile(gap - 0.05))
    assert within(blind, gap)
    seen = rezero_on_contact(make_profile(gap - 0.05), u_tilt_mm=0.02)
    assert within(seen, gap)
    assert contacts(seen) == [7, 8]
    assert seen.crowns[0].u_gap_mm < 0.5 * blind.crowns[0].u_gap_mm


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
        z.append(off / np.hypot(np.sqrt(np.diag(got.covariance_mm2)), FIRM_MM))
    rms = np.sqrt(np.mean(np.square(after)))
    # 0.01 mm of noise in each gap stays, and what that does to two contacts: as much each, and half again at the ends.
    assert rms < 2.5 * 0.01
    assert rms < 0.4 * np.sqrt(np.mean(np.square(before)))
    # Those that rest on nothing read, and two standard errors of 150 means of 0.01 mm.
    assert abs(np.mean(after)) < LIFT_MM + 0.0016
    # One line for 15 gaps: 150 of them tell a spread to 6 %; the model's necks bend otherwise than these.
    assert 0.75 < np.sqrt(np.mean(np.square(z))) < 1.25


def test_fret_out_of_the_profile_may_bear_it() -> None:
    """Fret 1 was not read: laid on fret 2 the gaps would be off by what that lies lower."""
    true = bow(15, 0.3)
    rest = without_first(make_profile(true + 0.05))
    wrong = rezero_on_contact(rest)
    assert wrong.gap_mm[0] == pytest.approx(0.0, abs=2 * LIFT_MM)  # 0.11 mm is true
    under = Beyond((float(PLACE_MM[0]),), (0.0, 1.0))
    right = rezero_on_contact(rest, nutward=under)
    assert within(right, true[1:])
    # Of 0.11 mm; what the bow carried on is off by, a fret's scatter of 0.016 mm, is less than a fifth.
    assert abs(right.gap_mm[0] - true[1]) < 0.2 * abs(wrong.gap_mm[0] - true[1])
    unsure = rezero_on_contact(rest, nutward=replace(under, chance=(0.5, 0.5)))
    assert within(unsure, true[1:])
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
    assert contacts(without) == []
    assert within(laid, true[kept])
    assert np.abs(laid.gap_mm - true[kept]).max() < 0.3 * np.abs(without.gap_mm - true[kept]).max()


@pytest.mark.parametrize("relief_mm", [0.1, 0.3, -0.2])
def test_close_up_of_a_neck_that_bears_it_out_of_view(relief_mm: float) -> None:
    """Frets 6 to 10 under a straightedge that reaches from the first to the last: a bow carried on tells little."""
    rng = np.random.default_rng(8)
    inside, z, zeroed = slice(5, 10), [], 0
    beyond = (
        Beyond(tuple(PLACE_MM[4::-1].tolist()), (0.1, 0.1, 0.1, 0.0, 0.1, 0.6)),
        Beyond(tuple(PLACE_MM[10:].tolist()), (0.1, 0.1, 0.2, 0.0, 0.3, 0.3)),
    )
    for _ in range(60):
        curve = relief_mm * (1 - ALONG**2) + rng.normal(0, 0.01, 15)
        true = gaps_at_rest(curve, load=float(np.clip(rng.normal(0, 0.3), -0.7, 0.7)))
        seen = true + rng.normal(0, 0.08) + rng.normal(0, 0.04) * np.linspace(-1, 1, 15) + rng.normal(0, 0.01, 15)
        whole = make_profile(seen, u_mm=0.01)
        part = GapProfile(whole.crowns[inside], whole.covariance_mm2[inside, inside])
        got = rezero_on_contact(part, nutward=beyond[0], bodyward=beyond[1], u_constant_mm=0.08, u_tilt_mm=0.04)
        z.append((got.gap_mm - true[inside]) / np.hypot([c.u_gap_mm for c in got.crowns], FIRM_MM))
        zeroed += bool(contacts(got))
    # Of one bow alone, where necks are straight in the mean: 0.3 mm is twice what they bend by. 60 constants tell a
    # spread to 9 %.
    assert np.sqrt(np.mean(np.square(z))) < 1.9
    # Its lowest gap lies a standard uncertainty of the constant up, and more: where it bears is seldom in view.
    if relief_mm > 0:
        assert zeroed < 0.2 * 60


def test_the_farther_it_lies_from_resting_the_less_is_taken_out() -> None:
    """Gaps known to 0.02 mm: a constant of as much is an error, and one of 0.3 mm is what lies under it out of view."""
    true, lifts = bow(8, 0.03), []
    for off_mm in (0.0, 0.02, 0.05, 0.07, 0.08, 0.1, 0.3):
        got = rezero_on_contact(make_profile(off_mm + true), u_constant_mm=0.02, u_tilt_mm=0.02)
        lifts.append(float(np.mean(got.gap_mm - true)))
        assert contacts(got) == ([1, 8] if off_mm < 0.09 else [])
        # Where both are as likely either holds: within k = 2 of the wider.
        assert within(got, true) or within(got, true + off_mm)
    assert lifts == sorted(lifts)
    assert lifts[1] < 0.002
    assert lifts[-1] == pytest.approx(0.3, abs=0.002)


def test_few_crowns_are_not_carried_on() -> None:
    three = make_profile(np.array([0.1, 0.15, 0.1]))
    got = rezero_on_contact(three, nutward=Beyond((10.0,), (0.5, 0.5)), u_constant_mm=0.05, u_tilt_mm=0.05)
    np.testing.assert_array_equal(got.gap_mm, three.gap_mm)
    assert min(c.u_gap_mm for c in got.crowns) > 0.05
    assert contacts(rezero_on_contact(three)) == [1, 3]
    with pytest.raises(ValueError, match="two crowns"):
        rezero_on_contact(make_profile(np.array([0.1])))


def test_chances_are_of_each_fret_and_of_none() -> None:
    for wrong in ((1.0,), (0.5, 0.4)):
        with pytest.raises(ValueError, match="chances"):
            Beyond((10.0,), wrong)


@pytest.mark.parametrize("relief_mm", [0.3, -0.2, 0.02])
def test_relief_and_its_uncertainty_are_untouched(relief_mm: float) -> None:
    noise = np.random.default_rng(4).normal(0, 0.01, 15)
    profile = make_profile(bow(15, relief_mm) + 0.08 + 0.1 * ALONG + noise, u_mm=0.01)
    before, after = compute_relief(profile, chord=CHORD), compute_relief(rezero_on_contact(profile), chord=CHORD)
    # Only a line is added. The rest is arithmetic, and draws of the same numbers through another root of a covariance.
    assert after.relief_mm == pytest.approx(before.relief_mm, abs=1e-6)
    assert after.U_mm == pytest.approx(before.U_mm, rel=0.03)
    assert after.shape == before.shape
