"""Crowns and feet joined: against least squares written out in another way, and in the cases that part them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.posterior import BEND_PER_ROOT_MM
from lightgap.neck.profile import Array
from lightgap.neck.straightness import chord_matrix
from lightgap.vision import fall
from lightgap.vision.along import carried_on
from lightgap.vision.camera import OUTER_NEAR_MM, camera_from_comb
from lightgap.vision.comb import Comb
from lightgap.vision.doubts import (
    DOUBT_PER_SCATTER,
    LEAST_DOUBT,
    MOST_BENT,
    U_BOW_ENDS_OUTER_MM,
    U_BOW_MIDDLE_MM,
    U_BOW_OUTER_MM,
    U_UNSEEN_MM,
    U_WORN_MM,
    USUAL_SCATTER,
    beyond_necks_mm2,
    bow_excess_mm2,
    doubt_by_scatter,
)
from lightgap.vision.fall import BOARD_END, COMPOUND_SHARE, FLATTER, fall_mm, u_compound_mm
from lightgap.vision.feet import U_FOOT_MM, U_PER_SCATTER, WIRE_MM, Feet
from lightgap.vision.feet_alone import AGREED_MM, MIN_AGREED, U_AGREED_MM, feet_alone, stand_alone
from lightgap.vision.joined import (
    BAD_MIDDLE,
    BAD_OUTER,
    FAR_OFF_MM,
    MIN_SINGLE,
    U_HEIGHT_MM,
    U_TILT_MM,
    U_UNBORNE_MM,
    U_WHOLE_MM,
    WHOLE_MM,
    Joined,
    join,
    single_off_mm,
)
from lightgap.vision.outline import Outline
from lightgap.vision.readings import CrownFit, CrownSet

FRETS = np.arange(3, 13)
N = len(FRETS)
POSITION_MM = fret_position_mm(FRETS.astype(np.float64), 640.0)
ALONG = (POSITION_MM - POSITION_MM.mean()) / (np.ptp(POSITION_MM) / 2)
BOW_MM = 0.2 * (1 - ALONG**2)
PX_PER_MM, SCATTER_MM, OWN_U_MM, U_EDGE_PX = 10.0, 0.008, 0.02, 0.16
PER_MM = 1 / 300.0


def crowns(gap_mm: Array, u_mm: float, near_mm: float = 3.0) -> CrownSet:
    """Return crowns with a common doubt of their bend, and each its own."""
    comb = Comb(1, float(POSITION_MM.mean()), PX_PER_MM, 0.0, 0.0, 0.0, 1500.0, 4000.0, 640.0)
    seen = replace(camera_from_comb(comb), near_mm=np.array([near_mm, 0.014]))
    rows = tuple(
        CrownFit(int(f), float(x), float(g), 50, 1.0, 0.1, 0.0)
        for f, x, g in zip(FRETS, POSITION_MM, gap_mm, strict=True)
    )
    covariance = OWN_U_MM**2 * np.eye(N) + u_mm**2 * np.outer(ALONG**2, ALONG**2)
    return CrownSet(rows, covariance, np.zeros((N, 6)), Outline(0.7, PER_MM, 0.0, 0.0), seen)


def mean_fall_mm() -> Array:
    """Return what a board falls from its middle to its border, of two in three as round all along: k z^2 / 2."""
    half = 22.0 + 0.014 * POSITION_MM
    return np.asarray(PER_MM / 2 * half**2 * (1 - COMPOUND_SHARE * FLATTER * POSITION_MM / (BOARD_END * 640.0)))


def joined(read: CrownSet, feet: Feet | None) -> Joined:
    """Join crowns, which may be fewer than the frets, with feet."""
    own = np.full(len(read.crowns), OWN_U_MM)
    return join(read, read.covariance_mm2, own, feet, frets=FRETS, position_mm=POSITION_MM, u_edge_px=U_EDGE_PX)


def sagitta_mm(gap_mm: Array) -> float:
    """Return how far the middle lies below the line through both ends."""
    return float((chord_matrix(POSITION_MM, (0, N - 1)) @ gap_mm)[N // 2])


@pytest.mark.parametrize("by_ends", [False, True])
def test_joined_gaps_are_those_of_generalized_least_squares(by_ends: bool) -> None:
    """All unknowns at once (gaps, height of the wire, tilt), whitened by Cholesky, solved by NumPy's least squares."""
    rng = np.random.default_rng(4)
    read = crowns(BOW_MM + rng.normal(0, 0.02, N), 0.05)
    below = 1.0 + BOW_MM + 0.1 * ALONG + rng.normal(0, 0.01, N)
    alone = float(np.hypot(U_FOOT_MM, U_PER_SCATTER * SCATTER_MM))
    # Of two frets the end was not read.
    ends = np.where(np.arange(N) < N - 2, np.linspace(0.004, 0.02, N), np.nan) if by_ends else None
    got = joined(read, Feet(below, SCATTER_MM, 0.95, 1.0, u_with_end_mm=ends))
    bow = (U_BOW_ENDS_OUTER_MM if by_ends else U_BOW_OUTER_MM) * (ALONG**2 - 1 / 3)
    u_each = np.full(N, alone) if ends is None else np.where(np.isnan(ends), alone, ends)
    told = np.diag(u_each**2) + np.outer(bow, bow)
    # Rows: crowns, feet, and what is known of height and tilt; unknowns: n gaps, height, tilt.
    design = np.zeros((2 * N + 2, N + 2))
    design[:N, :N] = design[N : 2 * N, :N] = np.eye(N)
    design[N : 2 * N, N], design[N : 2 * N, N + 1] = 1.0, ALONG
    design[2 * N, N] = design[2 * N + 1, N + 1] = 1.0
    seen = np.concatenate([read.gap_mm, below, [0.0, 0.0]])
    covariance = np.zeros((2 * N + 2, 2 * N + 2))
    covariance[:N, :N], covariance[N : 2 * N, N : 2 * N] = read.covariance_mm2, told
    covariance[2 * N, 2 * N], covariance[2 * N + 1, 2 * N + 1] = U_HEIGHT_MM**2, U_TILT_MM**2
    white = np.linalg.inv(np.linalg.cholesky(covariance))
    solution = np.linalg.lstsq(white @ design, white @ seen, rcond=None)[0]
    np.testing.assert_allclose(got.crowns.gap_mm, solution[:N], atol=1e-9)  # rounding
    whole = np.linalg.inv((white @ design).T @ (white @ design))[:N, :N]
    edge = U_EDGE_PX / PX_PER_MM * (ALONG**2 - 1 / 3)
    np.testing.assert_allclose(got.covariance_mm2, whole + np.outer(edge, edge), atol=1e-9)  # rounding
    assert got.agree
    # What the shares of the budget stand for adds up to the whole.
    parts = got.share @ read.covariance_mm2 @ got.share.T + got.feet_covariance_mm2
    ends = np.array([chord_matrix(POSITION_MM, (0, N - 1))[N // 2]])
    np.testing.assert_allclose(ends @ parts @ ends.T, ends @ whole @ ends.T, rtol=0.02)  # height and tilt, nearly free


def test_feet_bend_back_crowns_that_were_bent_in_common() -> None:
    read = crowns(BOW_MM - 0.1 * (1 - ALONG**2), 0.08)
    got = joined(read, Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0))
    u_mm = float(np.hypot(U_FOOT_MM, U_BOW_OUTER_MM))
    assert abs(sagitta_mm(got.crowns.gap_mm) - sagitta_mm(BOW_MM)) < 2 * u_mm  # k = 2 of the feet alone
    assert abs(sagitta_mm(read.gap_mm) - sagitta_mm(BOW_MM)) > 4 * u_mm


def test_a_board_that_is_round_falls_towards_its_border(monkeypatch: pytest.MonkeyPatch) -> None:
    """The drop of a circle at the half width, by Pythagoras; of boards none of which grows flatter."""
    monkeypatch.setattr(fall, "COMPOUND_SHARE", 0.0)
    half = 22.0 + 0.014 * POSITION_MM
    radius = 1 / PER_MM
    below = 1.0 + BOW_MM + radius - np.sqrt(radius**2 - half**2)
    got = joined(crowns(BOW_MM, 0.08, near_mm=22.0), Feet(below, SCATTER_MM, 0.95, 1.0))
    # The parabola in its place is off by half^4 / 8 R^3: 0.004 mm here, nearly all of it alike or in step.
    np.testing.assert_allclose(sagitta_mm(got.crowns.gap_mm), sagitta_mm(BOW_MM), atol=0.002)


def test_a_crown_that_stands_off_its_foot_is_given_no_number() -> None:
    gap = BOW_MM.copy()
    gap[5] -= 0.15
    got = joined(crowns(gap, 0.05), Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0))
    assert [c.fret for c in got.crowns.crowns] == [f for f in FRETS.tolist() if f != FRETS[5]]
    assert got.off_feet == 1
    np.testing.assert_allclose(got.crowns.gap_mm, np.delete(BOW_MM, 5), atol=0.01)  # a common height: the rest stays


@pytest.mark.parametrize(("off_mm", "stays"), [(-0.1, True), (0.1, True), (-0.16, False)])
def test_a_crown_that_is_off_as_a_bad_fret_stays_in_doubt_where_no_end_tells(off_mm: float, *, stays: bool) -> None:
    """A tenth of a millimetre is a bad fret; a sixth was misread. Two side by side were."""
    gap = BOW_MM.copy()
    gap[5] += off_mm
    feet = Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0)
    got = joined(crowns(gap, 0.05), feet)
    assert (5 + FRETS[0] in [c.fret for c in got.crowns.crowns]) == stays
    assert got.off_feet == (0 if stays else 1)
    assert got.in_doubt == ((FRETS[5],) if stays else ())
    if stays:
        assert np.sqrt(got.covariance_mm2[5, 5]) > U_UNBORNE_MM
        assert abs((got.crowns.gap_mm - gap)[5] - (got.crowns.gap_mm - gap)[4]) < 0.01  # as it was read
    gap[6] += off_mm
    assert joined(crowns(gap, 0.05), feet).off_feet == 2


OFF_MM = 0.055


@pytest.mark.parametrize(("near_mm", "share"), [(3.0, BAD_OUTER), (22.0, BAD_MIDDLE)])
def test_a_single_crown_off_its_foot_by_more_than_others_scatter_counts_by_its_chance(
    near_mm: float, share: float
) -> None:
    """Far within its own doubt, but all others lie on their bow: a bad fret, which no foot shows, or a misread one."""
    gap = BOW_MM.copy()
    gap[6] += OFF_MM
    below = 1.0 + BOW_MM + (mean_fall_mm() if near_mm > 10.0 else 0.0)
    got = joined(crowns(gap, 0.05, near_mm=near_mm), Feet(below, SCATTER_MM, 0.95, 1.0))
    assert got.in_doubt == (FRETS[6],)
    depth = chord_matrix(POSITION_MM, (0, N - 1))[6]
    told = float(depth @ (got.crowns.gap_mm - BOW_MM))
    assert told == pytest.approx(share * OFF_MM, abs=0.006)  # the crown's own weight beside its neighbours
    u_mm = float(np.sqrt(depth @ got.covariance_mm2 @ depth))
    assert max(told, OFF_MM - told) < 2 * u_mm  # either may be true


def test_a_single_crown_whose_end_bears_its_foot_out_gives_way() -> None:
    gap = BOW_MM.copy()
    gap[6] += OFF_MM
    ends = np.full(N, 0.01)
    feet = Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0, u_with_end_mm=ends, moved_mm=np.zeros(N))
    got = joined(crowns(gap, 0.05), feet)
    assert got.in_doubt == ()
    depth = chord_matrix(POSITION_MM, (0, N - 1))[6]
    assert float(depth @ (got.crowns.gap_mm - BOW_MM)) < 0.5 * OFF_MM


@pytest.mark.parametrize(
    ("off_mm", "at", "other_mm"),
    [(0.03, 6, 0.0), (0.055, 6, 0.04), (0.2, 6, 0.0)],
    ids=["too little", "not alone", "too far"],
)
def test_not_every_crown_off_its_foot_is_a_single_one(off_mm: float, at: int, other_mm: float) -> None:
    apart = np.full(N, 1.0)
    apart[at] -= off_mm
    apart[2] += other_mm
    assert not single_off_mm(ALONG, apart).any()


def test_of_few_crowns_none_is_a_single_one() -> None:
    apart = np.full(N, 1.0)
    apart[6] -= OFF_MM
    apart[[1, 4]] = np.nan
    assert np.isfinite(apart).sum() == MIN_SINGLE - 1
    assert not single_off_mm(ALONG, apart).any()


def test_how_far_a_single_crown_stands_below_its_foot() -> None:
    apart = 1.0 + 0.02 * ALONG**2
    apart[6] -= OFF_MM
    got = single_off_mm(ALONG, apart)
    assert got[6] == pytest.approx(OFF_MM, abs=0.003)  # the bow gives way to it a little
    assert np.flatnonzero(got).tolist() == [6]


@pytest.mark.parametrize("at", [0, N - 1])
def test_an_outermost_crown_is_held_against_the_others(at: int) -> None:
    """A curve through all of them would follow it; so would the chord that begins there."""
    apart = 1.0 + 0.02 * ALONG**2
    apart[at] -= OFF_MM
    got = single_off_mm(ALONG, apart)
    assert got[at] == pytest.approx(OFF_MM, abs=1e-9)  # all others lie on a parabola: rounding
    assert np.flatnonzero(got).tolist() == [at]


def test_the_outermost_crown_is_the_last_one_with_a_foot() -> None:
    apart = np.full(N + 1, 1.0)
    apart[0], apart[1] = np.nan, 1.0 - OFF_MM
    along = np.concatenate([[-1.4], ALONG])
    assert np.flatnonzero(single_off_mm(along, apart)).tolist() == [1]


def test_a_curve_carried_on_scatters_more_at_an_end() -> None:
    """By draws: how far the outermost lies off the parabola of the others, over the scatter of each."""
    rng = np.random.default_rng(8)
    drawn = rng.normal(0, 0.02, (4000, N))
    others = np.polyfit(ALONG[1:], drawn[:, 1:].T, 2)
    off = drawn[:, 0] - np.array([np.polyval(p, ALONG[0]) for p in others.T])
    # 4000 draws tell a standard deviation to 1.1 %: five times that.
    assert carried_on(ALONG, order=2)[0] == pytest.approx(off.std() / 0.02, rel=0.055)


def test_feet_alone_count_a_single_crown_by_its_chance() -> None:
    gap = BOW_MM.copy()
    gap[6] += OFF_MM
    plain, single = (
        feet_alone(
            crowns(g, 0.05), Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0), frets=FRETS, position_mm=POSITION_MM,
            u_edge_px=U_EDGE_PX,
        )
        for g in (BOW_MM, gap)
    )  # fmt: skip
    change = single.crowns.gap_mm - plain.crowns.gap_mm
    assert change[6] == pytest.approx(BAD_OUTER * OFF_MM, abs=0.002)
    assert np.abs(np.delete(change, 6)).max() < 1e-12
    assert single.covariance_mm2[6, 6] > plain.covariance_mm2[6, 6] + 0.2 * (BAD_OUTER * OFF_MM) ** 2


def test_a_crown_that_stands_off_foot_and_end_gives_way_to_them() -> None:
    gap = BOW_MM.copy()
    gap[5] -= 0.15
    feet = Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0, u_with_end_mm=np.full(N, 0.006), moved_mm=np.zeros(N))
    got = joined(crowns(gap, 0.05), feet)
    assert got.by_foot == (FRETS[5],)
    assert got.off_feet == 1
    np.testing.assert_allclose(got.crowns.gap_mm, BOW_MM, atol=0.01)  # a common height: the rest stays
    # It may be worn: what parts them, over the root of three (a rectangle's standard deviation), is in its doubt.
    line = chord_matrix(POSITION_MM, (4, 6))[5]
    assert float(np.sqrt(line @ got.covariance_mm2 @ line)) > 0.9 * 0.15 / np.sqrt(3)


def test_an_end_that_moved_its_foot_far_does_not_speak_against_the_crown() -> None:
    """Three readings, of which one is alone: no number."""
    below, moved = 1.0 + BOW_MM, np.zeros(N)
    moved[5] = 0.15
    feet = Feet(below + moved, SCATTER_MM, 0.95, 1.0, u_with_end_mm=np.full(N, 0.006), moved_mm=moved)
    got = joined(crowns(BOW_MM, 0.05), feet)
    assert got.by_foot == ()
    assert FRETS[5] not in [c.fret for c in got.crowns.crowns]


def test_the_excess_of_a_bow_makes_what_parts_two_readings_as_large_as_expected() -> None:
    """The rule of Paule and Mandel: with the excess, chi-square of the bow is 1, by least squares written out."""
    covariance = 0.01**2 * np.eye(N) + 0.04**2 * np.outer(ALONG**2, ALONG**2)
    apart = 0.16 * (1 - ALONG**2) + 0.03 * ALONG
    bow = ALONG**2 - 1 / 3
    wide = covariance + bow_excess_mm2(ALONG, apart, covariance) * np.outer(bow, bow)
    white = np.linalg.inv(np.linalg.cholesky(wide))
    design = white @ np.vander(ALONG, 3)
    estimate = np.linalg.lstsq(design, white @ apart, rcond=None)[0][0]
    np.testing.assert_allclose(estimate**2 / np.linalg.inv(design.T @ design)[0, 0], 1.0, rtol=1e-9)  # rounding
    assert bow_excess_mm2(ALONG, apart / 10, covariance) == 0


@pytest.mark.parametrize(("deviations", "is_more"), [(1.0, False), (1.4, False), (2.0, True)])
def test_feet_that_bend_as_no_neck_does_are_doubted(deviations: float, *, is_more: bool) -> None:
    """The likely bow from draws: white noise integrated twice, with the feet's scatter, fitted by parabolas."""
    place, own = POSITION_MM[:5], 0.01**2 * np.eye(5)
    rng, step = np.random.default_rng(3), 0.25
    fine = np.arange(place[0], place[-1] + step, step)
    curvature = rng.normal(0, BEND_PER_ROOT_MM / np.sqrt(step), (4000, len(fine)))
    bends = np.cumsum(np.cumsum(curvature, axis=1), axis=1) * step**2
    drawn = np.stack([np.interp(place, fine, bend) for bend in bends]) + rng.normal(0, 0.01, (4000, 5))
    along = (place - place.mean()) / (np.ptp(place) / 2)
    likely_mm = float(np.polyfit(along, drawn.T, 2)[0].std())
    level = 1.0 + 0.1 * along + deviations * likely_mm * along**2
    more_mm2 = beyond_necks_mm2(place, level, own)
    expected_mm2 = max((deviations**2 - MOST_BENT**2) * likely_mm**2, 0.0)
    # The spread of 4000 draws is known to 1.1 %, its square to 2.2 %: five times.
    np.testing.assert_allclose(more_mm2, expected_mm2, rtol=0.15)
    assert (more_mm2 > 0) == is_more


def test_a_long_row_bends_as_it_likes() -> None:
    assert beyond_necks_mm2(POSITION_MM, 1.0 + 3.0 * ALONG**2, 0.01**2 * np.eye(N)) == 0
    assert beyond_necks_mm2(POSITION_MM[:3], np.array([1.0, 3.0, 1.0]), 0.01**2 * np.eye(3)) == 0


def test_a_few_feet_that_bend_as_no_neck_does_leave_the_bow_to_the_crowns_and_do_not_agree() -> None:
    """Five frets, their crowns bowed by 0.02 mm, their feet by 0.3: no neck bends so within 130 mm."""
    frets, place, along = FRETS[:5], POSITION_MM[:5], np.linspace(-1, 1, 5)
    read = crowns(0.02 * (1 - ALONG**2), 0.03).only(np.arange(5))
    own_u = np.full(5, OWN_U_MM)
    feet = [Feet(1.0 + bow_mm * (1 - along**2), SCATTER_MM, 0.95, 1.0) for bow_mm in (0.3, 0.02)]
    strange, usual = (
        join(read, read.covariance_mm2, own_u, f, frets=frets, position_mm=place, u_edge_px=U_EDGE_PX) for f in feet
    )
    alone = join(read, read.covariance_mm2, own_u, None, frets=frets, position_mm=place, u_edge_px=U_EDGE_PX)
    depth = chord_matrix(place, (0, 4))[2]
    u_mm = [float(np.sqrt(depth @ j.covariance_mm2 @ depth)) for j in (strange, usual, alone)]
    assert usual.agree
    assert not strange.agree
    assert u_mm[0] > u_mm[1]
    # Nearer to the crowns than to the feet, which one sure row may not make twice as sure as these are alone.
    sagitta = float(depth @ strange.crowns.gap_mm)
    assert abs(sagitta - float(depth @ read.gap_mm)) < abs(sagitta - float(depth @ feet[0].below_mm))
    assert u_mm[0] > 0.5 * u_mm[2]
    assert stand_alone(read, feet[1], place)
    assert not stand_alone(read, feet[0], place)


def test_crowns_bent_beyond_their_uncertainty_leave_the_bow_to_feet_with_ends() -> None:
    read = crowns(BOW_MM - 0.16 * (1 - ALONG**2), 0.04)
    u_ends = np.full(N, np.hypot(U_FOOT_MM, U_PER_SCATTER * SCATTER_MM))
    feet = [Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0, u_with_end_mm=ends) for ends in (u_ends, None)]
    with_ends, without = (joined(read, f) for f in feet)
    off = [abs(sagitta_mm(j.crowns.gap_mm) - sagitta_mm(BOW_MM)) for j in (with_ends, without)]
    depth = chord_matrix(POSITION_MM, (0, N - 1))[N // 2]
    assert off[0] < np.sqrt(depth @ with_ends.covariance_mm2 @ depth)  # k = 1
    assert off[1] > 3 * off[0]  # three times as much: what the ends are read for
    # Bent by so much more, feet are not believed either: what parts them is in the doubt.
    apart = joined(crowns(BOW_MM - 0.6 * (1 - ALONG**2), 0.04), feet[0])
    assert not apart.agree
    assert np.sqrt(depth @ apart.covariance_mm2 @ depth) > 5 * np.sqrt(depth @ with_ends.covariance_mm2 @ depth)
    # The budget's parts still add up to the whole.
    parts = with_ends.share @ read.covariance_mm2 @ with_ends.share.T + with_ends.feet_covariance_mm2
    whole = with_ends.covariance_mm2 - with_ends.edge_covariance_mm2
    np.testing.assert_allclose(depth @ parts @ depth, depth @ whole @ depth, rtol=0.02)  # height and tilt, nearly free


def test_along_the_middle_crowns_bent_beyond_their_uncertainty_leave_the_bow_to_a_sure_row() -> None:
    """By the rule of Paule and Mandel; a row that may be the board's border is joined as it is stated."""
    read = crowns(BOW_MM - 0.16 * (1 - ALONG**2), 0.04, near_mm=22.0)
    depth = chord_matrix(POSITION_MM, (0, N - 1))[N // 2]
    sure, faint = (joined(read, Feet(1.0 + BOW_MM + mean_fall_mm(), SCATTER_MM, 0.95, faces)) for faces in (1.0, 0.2))
    off = [abs(sagitta_mm(j.crowns.gap_mm) - sagitta_mm(BOW_MM)) for j in (sure, faint)]
    assert off[0] < np.sqrt(depth @ sure.covariance_mm2 @ depth)  # k = 1
    # Beside the outer string such a row is joined as it is stated, too.
    outer = joined(crowns(BOW_MM - 0.16 * (1 - ALONG**2), 0.04), Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0))
    assert abs(sagitta_mm(outer.crowns.gap_mm) - sagitta_mm(BOW_MM)) > 3 * off[0]
    # Of the 0.16 mm that the crowns are bent by, u of 0.04 against a border's 0.045 leaves about half.
    assert off[1] > 3 * off[0]


@pytest.mark.parametrize("by_pixels", [True, False])
def test_crowns_that_scatter_are_doubted_by_the_ratio_of_birge(by_pixels: bool) -> None:
    """The root of chi-square per degree of freedom, of NumPy's cubic; with two crowns of a usual scatter."""
    kind = 0 if by_pixels else 1
    own = np.full(N, OWN_U_MM)
    for size in (0.0, 0.02, 0.04, 0.08):
        gap = BOW_MM + size * np.random.default_rng(1).uniform(-1.5, 1.5, N)
        read = replace(crowns(gap, 0.05), by_pixels=by_pixels)
        left = gap - np.polyval(np.polyfit(ALONG, gap, 3), ALONG)
        square = 2 * USUAL_SCATTER[kind] ** 2 + float((left**2).sum()) / (OWN_U_MM**2 + WIRE_MM**2)
        ratio = DOUBT_PER_SCATTER[kind] * np.sqrt(square / (2 + N - 4))
        # The polynomial is drawn through most of them: a tenth off that through all.
        np.testing.assert_allclose(doubt_by_scatter(read, own), max(LEAST_DOUBT[kind], ratio), rtol=0.1)


def test_feet_with_ends_are_sure_whatever_the_light_of_the_faces() -> None:
    faint = Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 0.2)
    assert not faint.is_sure
    assert replace(faint, u_with_end_mm=np.full(N, 0.008)).bears_out


def test_consistent_crowns_and_feet_with_ends_agree() -> None:
    """Drawn from their own covariances; chi-square for each fret past 2.5, of eight, is one in a hundred."""
    rng, agreed = np.random.default_rng(8), 0
    bow = U_BOW_ENDS_OUTER_MM * (ALONG**2 - 1 / 3)
    for _ in range(60):
        gap = BOW_MM + rng.normal(0, OWN_U_MM, N) + rng.normal(0, 0.05) * ALONG**2
        below = 1.0 + BOW_MM + rng.normal(0, 0.008, N) + rng.normal() * bow
        feet = Feet(below, SCATTER_MM, 0.95, 1.0, u_with_end_mm=np.full(N, 0.008))
        agreed += joined(crowns(gap, 0.05), feet).agree
    assert agreed >= 56


def test_a_board_that_may_grow_flatter_falls_less_and_leaves_the_bow_of_feet_more_open() -> None:
    """Curvature that shrinks in proportion: the change of the fall, k z^2 / 2, and its mean and standard deviation.

    Of boards that are either: those of a Bernoulli trial.
    """
    half = 22.0 + 0.014 * POSITION_MM
    flatter = FLATTER * POSITION_MM / (BOARD_END * 640.0)
    change = PER_MM / 2 * half**2 * flatter
    bow = float(np.polyfit(ALONG, change, 2)[0])
    got = u_compound_mm(crowns(BOW_MM, 0.05, near_mm=22.0), POSITION_MM)
    often = stats.bernoulli(COMPOUND_SHARE)
    np.testing.assert_allclose(got, often.std() * bow, rtol=1e-9)  # rounding
    whole = PER_MM / 2 * half**2
    np.testing.assert_allclose(
        fall_mm(crowns(BOW_MM, 0.05, near_mm=22.0), POSITION_MM), whole - often.mean() * change, rtol=1e-9
    )
    assert u_compound_mm(crowns(BOW_MM, 0.05), POSITION_MM) == 0  # beside the outer string


def test_what_an_unseen_crown_may_hide_is_wear_alone_where_its_end_was_read() -> None:
    some = crowns(BOW_MM, 0.05, near_mm=22.0).only(np.array([0, 1, 2, 4, 5, 6, 7, 8, 9]))
    ends = np.full(N, float(np.hypot(U_FOOT_MM, U_PER_SCATTER * SCATTER_MM)))
    alone = joined(some, Feet(2.0 + BOW_MM, SCATTER_MM, 0.95, 1.0))
    with_end = joined(some, Feet(2.0 + BOW_MM, SCATTER_MM, 0.95, 1.0, u_with_end_mm=ends))
    line = chord_matrix(POSITION_MM, (2, 4))[3]
    less = line @ (alone.covariance_mm2 - with_end.covariance_mm2) @ line
    np.testing.assert_allclose(less, U_UNSEEN_MM**2 - U_WORN_MM**2, rtol=0.1)  # a bow takes part between three frets


def test_where_a_crown_was_not_read_its_foot_speaks() -> None:
    read = crowns(BOW_MM, 0.05)
    some = read.only(np.array([0, 1, 2, 4, 5, 6, 7, 8]))  # the fourth and the last were not
    got = joined(some, Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0))
    assert [c.fret for c in got.crowns.crowns] == FRETS.tolist()
    assert got.by_foot == (FRETS[3], FRETS[9])
    assert got.off_feet == 0
    # What is known of the height of the wire and of the tilt, 1.5 and 0.5 mm, draws by as much.
    np.testing.assert_allclose(got.crowns.gap_mm - BOW_MM, (got.crowns.gap_mm - BOW_MM)[0], atol=2e-4)
    u = np.sqrt(np.diag(got.covariance_mm2))
    assert (u[[3, 9]] > U_UNSEEN_MM).all()  # of a fret that nobody saw
    assert (u[[2, 4]] < u[3]).all()
    # The parts of the budget are of the same frets.
    assert got.share.shape == got.feet_covariance_mm2.shape == (N, N)
    assert got.crowns.sensitivity.shape == (N, 6)


def test_a_faint_row_speaks_for_no_crown_and_bends_crowns_less() -> None:
    bent = BOW_MM + 0.05 * ALONG**2
    some = crowns(bent, 0.05).only(np.array([0, 1, 2, 4, 5, 6, 7, 8, 9]))
    faint = joined(some, Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 0.2))
    sure = joined(some, Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0))
    assert faint.by_foot == ()
    assert FRETS[3] not in [c.fret for c in faint.crowns.crowns]
    faint_mm, sure_mm = (_bow_mm(j) for j in (faint, sure))
    assert abs(sure_mm - _bow_mm(None)) < abs(faint_mm - _bow_mm(None))


def _bow_mm(read: Joined | None) -> float:
    """Return how far the crown in the middle lies under the line through the outermost ones, or truly lies."""
    gap = (
        dict(zip(FRETS.tolist(), BOW_MM, strict=True))
        if read is None
        else {c.fret: c.gap_mm for c in read.crowns.crowns}
    )
    share = (POSITION_MM[5] - POSITION_MM[0]) / (POSITION_MM[-1] - POSITION_MM[0])
    return float(gap[FRETS[5]] - (1 - share) * gap[FRETS[0]] - share * gap[FRETS[-1]])


def test_feet_whose_ends_stand_out_bend_even_crowns_that_leave_the_bow_open() -> None:
    got = joined(crowns(BOW_MM - 0.1 * ALONG**2, 0.5), Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0))
    assert abs(sagitta_mm(got.crowns.gap_mm) - sagitta_mm(BOW_MM)) < 2 * float(np.hypot(U_FOOT_MM, U_BOW_OUTER_MM))


def test_feet_speak_for_no_more_than_three_frets_in_ten() -> None:
    feet = Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0)
    assert joined(crowns(BOW_MM, 0.05).only(np.arange(0, N, 2)), feet).by_foot == ()
    assert len(joined(crowns(BOW_MM, 0.05).only(np.arange(7)), feet).by_foot) == 3


def test_a_faint_row_leaves_no_crown_out_and_the_doubt_that_crowns_have_alone() -> None:
    """It may be the board's border, which does not rise with a fret."""
    gap = BOW_MM.copy()
    gap[5] -= 0.15
    got = joined(crowns(gap, 0.05), Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 0.2))
    assert got.off_feet == 0
    assert got.widened == doubt_by_scatter(crowns(gap, 0.05), np.full(N, OWN_U_MM))
    np.testing.assert_allclose(got.own_u_mm[[0, 1, 2]], OWN_U_MM)  # not yet widened
    assert abs((got.crowns.gap_mm - gap)[5] - (got.crowns.gap_mm - gap)[4]) < 0.02  # it stands as high as it was read


@pytest.mark.parametrize(
    ("foot_mm", "crown_mm", "counts", "doubt_mm"),
    [
        (-0.1, -0.1, True, U_WHOLE_MM),
        (-0.1, -0.1 + 1.6 * WHOLE_MM, True, U_UNBORNE_MM),  # they part by more than two witnesses do
        (-0.8 * FAR_OFF_MM, -0.8 * FAR_OFF_MM, True, U_UNBORNE_MM),  # so near the row it may be a shade
        (-0.1, 0.0, False, U_UNBORNE_MM),
    ],
)
def test_a_foot_off_the_row_counts_where_its_crown_bears_it_out(
    foot_mm: float, crown_mm: float, *, counts: bool, doubt_mm: float
) -> None:
    """A fret that is not driven home stands high with its end; a shade under the end of a good one does not."""
    gap, below, astray = BOW_MM.copy(), 1.0 + BOW_MM, np.full(N, np.nan)
    gap[5] += crown_mm
    below[5], astray[5] = np.nan, 1.0 + BOW_MM[5] + foot_mm
    feet = Feet(below, SCATTER_MM, 0.95, 1.0, astray)
    got = joined(crowns(gap, 0.02), feet)
    assert got.off_feet == 0
    # By itself the crown is sure to 0.02, without a foot on the row to 0.05 more; so is the foot, and both are surer.
    # Where they tell the same they are the more so.
    alone_mm = float(np.hypot(U_FOOT_MM, U_PER_SCATTER * SCATTER_MM))
    lone_mm, foot_u_mm = (float(np.hypot(u, doubt_mm)) for u in (OWN_U_MM, alone_mm))
    both_mm = (lone_mm**-2 + foot_u_mm**-2) ** -0.5
    own = float(np.sqrt(got.covariance_mm2[5, 5] - got.covariance_mm2[4, 5]))
    assert own == pytest.approx(both_mm if counts else lone_mm, rel=0.2)  # what its neighbours share is not quite all
    off = got.crowns.gap_mm - gap
    # Crowns that are right are not moved; one that is not goes towards its foot by the weight of that.
    weight = foot_u_mm**-2 / (lone_mm**-2 + foot_u_mm**-2) if counts else 0.0
    assert off[5] - off[4] == pytest.approx(weight * (foot_mm - crown_mm) if counts else 0.0, abs=0.003)


def test_a_missing_foot_leaves_its_crown_to_the_others() -> None:
    below = 1.0 + BOW_MM
    below[N // 2] = np.nan
    got = joined(crowns(BOW_MM + 0.05 * ALONG**2, 0.08), Feet(below, SCATTER_MM, 0.95, 1.0))
    # The crowns' common doubt is corrected at that crown too.
    assert abs(sagitta_mm(got.crowns.gap_mm) - sagitta_mm(BOW_MM)) < 2 * float(np.hypot(U_FOOT_MM, U_BOW_OUTER_MM))


@pytest.mark.parametrize(("feet", "left"), [(slice(2, None), FRETS[2:]), (slice(1, -2), FRETS[1:-2])])
def test_crowns_at_an_end_that_no_foot_bears_out_are_left_out(feet: slice, left: NDArray[np.int64]) -> None:
    below = np.full(N, np.nan)
    below[feet] = (1.0 + BOW_MM)[feet]
    got = joined(crowns(BOW_MM, 0.05), Feet(below, SCATTER_MM, 0.95, 1.0))
    assert [c.fret for c in got.crowns.crowns] == left.tolist()
    assert got.without_foot == N - len(left)
    assert got.off_feet == 0
    faint = joined(crowns(BOW_MM, 0.05), Feet(below, SCATTER_MM, 0.95, 0.2))
    assert len(faint.crowns.crowns) == N


@pytest.mark.parametrize(("with_foot", "left"), [(4, 5), (5, 5)])
def test_crowns_are_left_out_only_where_feet_of_five_others_are(with_foot: int, left: int) -> None:
    """All feet but the first are seen; of the crowns the first, and so many after it."""
    below = 1.0 + BOW_MM
    below[0] = np.nan
    got = joined(crowns(BOW_MM, 0.05).only(np.arange(with_foot + 1)), Feet(below, SCATTER_MM, 0.95, 1.0))
    assert len(got.crowns.crowns) == left
    assert got.without_foot == (1 if with_foot == 5 else 0)


def test_a_crown_without_a_foot_stays_where_a_foot_speaks_beyond_it() -> None:
    below = 1.0 + BOW_MM
    below[2] = np.nan
    got = joined(crowns(BOW_MM, 0.05).only(np.arange(2, N)), Feet(below, SCATTER_MM, 0.95, 1.0))
    assert [c.fret for c in got.crowns.crowns] == FRETS.tolist()
    assert got.by_foot == (3, 4)


def test_a_crown_left_out_for_want_of_a_foot_silences_no_other_foot() -> None:
    below = 1.0 + BOW_MM
    below[0] = np.nan
    got = joined(crowns(BOW_MM, 0.05).only(np.arange(7)), Feet(below, SCATTER_MM, 0.95, 1.0))
    assert got.by_foot == (10, 11, 12)
    assert [c.fret for c in got.crowns.crowns] == FRETS[1:].tolist()


def test_an_end_crown_that_its_foot_off_the_row_contradicts_is_left_out() -> None:
    gap, below, astray = BOW_MM.copy(), 1.0 + BOW_MM, np.full(N, np.nan)
    gap[0] += 0.12
    below[0], astray[0] = np.nan, 0.6 + BOW_MM[0]
    got = joined(crowns(gap, 0.05), Feet(below, SCATTER_MM, 0.95, 1.0, astray))
    assert got.crowns.crowns[0].fret == FRETS[1]
    assert got.without_foot == 1


@pytest.mark.parametrize(
    ("feet", "u_mm"),
    [(None, 0.05), (Feet(1.0 + BOW_MM, SCATTER_MM, 0.6, 1.0), 0.05), (Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 0.7), 0.5)],
)
def test_unsure_feet_and_crowns_locked_on_nothing_are_left_alone(feet: Feet | None, u_mm: float) -> None:
    read = crowns(BOW_MM - 0.1, u_mm)
    got = joined(read, feet)
    assert got.crowns == read
    assert not got.agree
    edge = U_EDGE_PX / PX_PER_MM * (ALONG**2 - 1 / 3)  # what the crowns too were read under
    wide = doubt_by_scatter(read, np.full(N, OWN_U_MM))
    told = wide**2 * read.covariance_mm2 + np.outer(edge, edge)
    np.testing.assert_allclose(got.covariance_mm2, told, rtol=1e-12)  # rounding
    assert got.widened == wide
    assert not got.feet_covariance_mm2.any()


def test_readings_that_contradict_each_other_widen_the_doubt() -> None:
    def u_of(part_mm: float) -> tuple[float, bool]:
        got = joined(crowns(BOW_MM + part_mm * ALONG**2, 0.02), Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0))
        row = chord_matrix(POSITION_MM, (0, N - 1))[N // 2]
        return float(np.sqrt(row @ got.covariance_mm2 @ row)), got.agree

    (together_u, together), (apart_u, apart) = u_of(0.02), u_of(0.25)
    assert together
    assert not apart
    assert apart_u > 2 * together_u


def test_frets_without_a_crown_are_none_that_agree() -> None:
    """Three frets of ten were not read: the seven that were contradict their feet as much as they do by themselves."""
    off = 0.035 * np.array([1, -1, 1, -1, 1, -1, 1, 0, 0, 0])  # chi-square: 3.1 for each of five, 1.9 of eight
    read = crowns(BOW_MM + off, 0.02)
    feet = Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0)
    alone = replace(feet, below_mm=np.where(np.arange(N) < 7, feet.below_mm, np.nan))
    with_feet, by_themselves = (joined(read.only(np.arange(7)), row) for row in (feet, alone))
    assert with_feet.by_foot == tuple(FRETS[7:])
    assert not by_themselves.agree
    assert not with_feet.agree


def test_feet_whose_ends_hardly_stand_out_bear_no_crown_out() -> None:
    """A string followed for feet is straight, and so are crowns that lie along one."""
    assert joined(crowns(BOW_MM, 0.02), Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0)).agree
    assert not joined(crowns(BOW_MM, 0.02), Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 0.6)).agree


@pytest.mark.parametrize(
    ("low_mm", "near_mm", "foot_mm", "score", "faces", "proven"),
    [
        (0.0, 3.0, 1.0, 0.95, 0.9, True),
        (0.0, 22.0, 1.0, 0.95, 0.9, True),
        (0.0, 22.0, 1.0, 0.87, 0.9, False),  # sure enough to be joined, not to stand alone
        (0.0, 22.0, 1.0, 0.95, 0.52, False),  # a string goes on between the ends
        (1.0, 3.0, 1.0, 0.95, 0.52, True),  # ... but not a fret's height over the board's border
        (2.0, 3.0, 1.0, 0.95, 0.52, False),  # deeper than any fret is high
        (0.0, 3.0, 2.1, 0.95, 0.9, False),  # a string a millimetre up passed for the edge
        (2.0, 22.0, 3.0, 0.95, 0.9, False),  # ... or one two millimetres up
    ],
)
def test_only_a_strong_row_of_feet_stands_for_itself(
    low_mm: float, near_mm: float, foot_mm: float, score: float, faces: float, *, proven: bool
) -> None:
    read = crowns(BOW_MM - BOW_MM.min() + low_mm, 0.05, near_mm=near_mm)
    below = foot_mm + BOW_MM - BOW_MM.min()
    if near_mm > OUTER_NEAR_MM:
        below = below + PER_MM / 2 * read.camera.ends_mm(POSITION_MM) ** 2
    assert stand_alone(read, Feet(below, SCATTER_MM, score, faces), POSITION_MM) == proven


@pytest.mark.parametrize(("score", "proven"), [(0.95, True), (0.87, True), (0.84, False)])
@pytest.mark.parametrize("proof", [{"tangs": 0.9}, {"u_with_end_mm": np.full(N, 0.006), "moved_mm": np.zeros(N)}])
def test_a_row_over_tangs_or_of_ends_read_stands_for_itself_though_weaker(
    proof: dict[str, Any], score: float, *, proven: bool
) -> None:
    row = Feet(1.0 + BOW_MM - BOW_MM.min(), SCATTER_MM, score, 0.6)
    read = crowns(BOW_MM - BOW_MM.min(), 0.05)
    assert stand_alone(read, row, POSITION_MM) == (score > 0.9)
    assert stand_alone(read, replace(row, **proof), POSITION_MM) == proven


def test_a_row_over_tangs_stands_for_itself_in_any_light() -> None:
    row = Feet(1.0 + BOW_MM - BOW_MM.min(), SCATTER_MM, 0.95, 0.2)
    read = crowns(BOW_MM - BOW_MM.min(), 0.05)
    assert not stand_alone(read, row, POSITION_MM)
    assert stand_alone(read, replace(row, tangs=0.9), POSITION_MM)


def test_feet_alone_bend_as_the_feet_and_the_highest_touches() -> None:
    read = crowns(BOW_MM + 1.0, 0.05)
    below = 1.0 + BOW_MM - BOW_MM.min()
    below[7] = np.nan
    got = feet_alone(
        read, Feet(below, SCATTER_MM, 0.95, 1.0), frets=FRETS, position_mm=POSITION_MM, u_edge_px=U_EDGE_PX
    )
    assert got.crowns.by_feet
    assert [c.fret for c in got.crowns.crowns] == np.delete(FRETS, 7).tolist()
    np.testing.assert_allclose(got.crowns.gap_mm, np.delete(BOW_MM - BOW_MM.min(), 7), atol=1e-12)  # as seen
    assert got.crowns.lowest_gap_mm == 0.0
    np.testing.assert_allclose(got.covariance_mm2, got.feet_covariance_mm2 + got.edge_covariance_mm2)


def test_feet_alone_count_a_foot_off_the_row_with_doubt() -> None:
    """A fret that stands high as a whole must not be left out as a scratch."""
    read = crowns(BOW_MM + 1.0 - 0.1 * (np.arange(N) == 7), 0.05)
    below = 1.0 + BOW_MM - BOW_MM.min()
    astray = np.full(N, np.nan)
    below[7], astray[7] = np.nan, below[7] - 0.1
    row = Feet(below, SCATTER_MM, 0.95, 1.0, astray)
    given: dict[str, Any] = {"frets": FRETS, "position_mm": POSITION_MM, "u_edge_px": U_EDGE_PX}
    got = feet_alone(read, row, **given)
    assert [c.fret for c in got.crowns.crowns] == FRETS.tolist()
    true = BOW_MM - 0.1 * (np.arange(N) == 7)
    np.testing.assert_allclose(got.crowns.gap_mm, true - true.min(), atol=1e-12)  # as seen
    u2 = np.diag(got.covariance_mm2)
    on_row = np.diag(feet_alone(read, replace(row, below_mm=true + 1.0, astray_mm=None), **given).covariance_mm2)
    assert u2[7] - on_row[7] == pytest.approx(U_UNBORNE_MM**2, rel=1e-9)  # rounding
    np.testing.assert_allclose(np.delete(u2 - on_row, 7), 0.0, atol=1e-12)


def test_feet_alone_from_the_middle_bend_as_the_feet() -> None:
    """The row is seen with a tilt of its own, which stays: the straightedge is laid on the crowns later."""
    read = crowns(np.zeros(N), 0.5, near_mm=22.0)
    below = 1.0 + BOW_MM + 0.15 * ALONG + mean_fall_mm()
    got = feet_alone(
        read, Feet(below, SCATTER_MM, 0.95, 1.0), frets=FRETS, position_mm=POSITION_MM, u_edge_px=U_EDGE_PX
    )
    row = chord_matrix(POSITION_MM, (0, N - 1))
    np.testing.assert_allclose(row @ got.crowns.gap_mm, row @ BOW_MM, atol=1e-12)  # rounding
    assert got.crowns.lowest_gap_mm == 0.0
    # Wire, scatter, a fret that may be bad, the bows of feet and edge.
    row = row[N // 2]
    bow = (row @ ALONG**2) ** 2
    lone = np.sum(row**2) * (U_FOOT_MM**2 + (U_PER_SCATTER * SCATTER_MM) ** 2 + U_UNSEEN_MM**2)
    compound_mm = u_compound_mm(read, POSITION_MM)
    u2 = lone + bow * (U_BOW_MIDDLE_MM**2 + compound_mm**2 + (U_EDGE_PX / PX_PER_MM) ** 2)
    assert row @ got.covariance_mm2 @ row == pytest.approx(u2, rel=1e-9)  # rounding


@pytest.mark.parametrize(
    ("near_mm", "few", "low_mm", "off_mm", "hidden_mm", "hidden_there_mm"),
    [
        (3.0, 0, 0.0, 0.0, U_AGREED_MM, U_AGREED_MM),
        (3.0, 0, 0.0, 1.5 * AGREED_MM, U_AGREED_MM, U_UNSEEN_MM),  # off, but not as far as a bad fret
        (3.0, 0, 0.0, 4.0 * AGREED_MM, U_UNSEEN_MM, None),  # a single one: some crowns are misread, or a fret is bad
        (3.0, N - MIN_AGREED + 1, 0.0, 0.0, U_UNSEEN_MM, U_UNSEEN_MM),  # few lie in any curve
        (3.0, 0, 1.0, 0.0, U_UNSEEN_MM, U_UNSEEN_MM),  # the board's border, which knows of no crown
        (22.0, 0, 0.0, 0.0, U_UNSEEN_MM, U_UNSEEN_MM),  # from the middle: not the same ends
    ],
)
def test_feet_alone_hide_no_bad_fret_where_crowns_beside_the_outer_string_stand_over_them_alike(
    near_mm: float, few: int, low_mm: float, *, off_mm: float, hidden_mm: float, hidden_there_mm: float | None
) -> None:
    gap = BOW_MM + 0.05 * ALONG**2 + low_mm  # their bow may be another
    gap[4] += off_mm
    read = crowns(gap, 0.5, near_mm=near_mm).only(np.arange(few, N))
    below = 1.0 + BOW_MM + (0.0 if near_mm < OUTER_NEAR_MM else mean_fall_mm())
    got = feet_alone(
        read, Feet(below, SCATTER_MM, 0.95, 1.0), frets=FRETS, position_mm=POSITION_MM, u_edge_px=U_EDGE_PX
    )
    row = chord_matrix(POSITION_MM, (0, N - 1))
    own = U_FOOT_MM**2 + (U_PER_SCATTER * SCATTER_MM) ** 2
    bent = (row @ ALONG**2) ** 2
    compound_mm = u_compound_mm(read, POSITION_MM)
    usual = U_BOW_OUTER_MM if near_mm < OUTER_NEAR_MM else U_BOW_MIDDLE_MM
    common = bent * (usual**2 + compound_mm**2 + (U_EDGE_PX / PX_PER_MM) ** 2)
    for at, here_mm in ((6, hidden_mm), (4, hidden_there_mm)):
        if here_mm is not None:
            each = np.full(N, own + hidden_mm**2)
            each[4] = own + (hidden_mm if hidden_there_mm is None else hidden_there_mm) ** 2
            u2 = float(row[at] ** 2 @ each + common[at])
            assert row[at] @ got.covariance_mm2 @ row[at] == pytest.approx(u2, rel=1e-9)  # rounding


@pytest.mark.parametrize("at", [0, N - 1])
def test_an_outermost_crown_off_its_foot_gets_no_number(at: int) -> None:
    """Nothing tells whether crown or foot is right, and the relief would hang on it."""
    gap = BOW_MM.copy()
    gap[at] += OFF_MM
    got = joined(crowns(gap, 0.05), Feet(1.0 + BOW_MM, SCATTER_MM, 0.95, 1.0))
    assert [c.fret for c in got.crowns.crowns] == np.delete(FRETS, at).tolist()
    assert got.without_foot == 1
