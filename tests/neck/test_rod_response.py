"""Learning what a turn does, and sizing the next one."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from neck_profiles import bow, make_profile

from lightgap.neck.advise import advise
from lightgap.neck.bench import Bench
from lightgap.neck.errors import InputError
from lightgap.neck.rod_response import (
    PRIOR_MEAN,
    PRIOR_SD,
    RodResponse,
    TurnRecord,
    learn_response,
    no_answer,
    size_step,
)
from lightgap.neck.targets import usual_target


def test_the_prior_alone() -> None:
    got = learn_response(())
    assert (got.mm_per_turn, got.u_mm_per_turn) == pytest.approx((PRIOR_MEAN, PRIOR_SD))


def test_the_textbook_posterior() -> None:
    """Normal prior, normal data with known variance: precisions add (any text on Bayesian regression)."""
    step = TurnRecord(0.25, 0.5, 0.4, U_before_mm=0.02, U_after_mm=0.02)
    variance = 2 * 0.01**2 + 0.015**2 + (0.15 * 0.6 * 0.25) ** 2
    precision = 1 / 0.5**2 + 0.25**2 / variance
    got = learn_response([step])
    assert got.u_mm_per_turn == pytest.approx(precision**-0.5)
    assert got.mm_per_turn == pytest.approx((0.6 / 0.5**2 + 0.25 * 0.1 / variance) / precision)


def test_it_finds_the_rod() -> None:
    rng = np.random.default_rng(4)
    log = []
    for _ in range(12):
        before = rng.uniform(0.2, 0.6)
        log.append(TurnRecord(0.25, before, before - 0.25 * 0.9 + rng.normal(0, 0.012)))
    got = learn_response(log)
    assert got.mm_per_turn == pytest.approx(0.9, abs=2.5 * got.u_mm_per_turn)
    assert got.u_mm_per_turn < 0.06


def test_a_response_is_never_negative() -> None:
    wrong_way = [TurnRecord(0.25, 0.3, 0.5)] * 5
    assert learn_response(wrong_way).mm_per_turn > 0


def test_settling_and_hysteresis_are_noted() -> None:
    log = [
        TurnRecord(0.25, 0.50, 0.40, hour_mm=0.39, day_mm=0.38),
        TurnRecord(0.25, 0.40, 0.30, hour_mm=0.28),
        TurnRecord(-0.25, 0.30, 0.35),
    ]
    got = learn_response(log)
    assert got.settling_mm == pytest.approx(-0.02)
    assert got.hysteresis_mm == pytest.approx((0.4 - 0.2) / 2)
    advice = advise(make_profile(bow(15, 0.6), 0.004), (0.1, 0.25), log=log, bench=Bench())
    codes = [f.code for f in advice.plan.findings]
    assert {"rod-learned", "rod-settles"} <= set(codes)
    assert advice.expected_mm is not None
    assert advice.expected_mm < 0.6


@given(
    relief=st.floats(-0.5, 1.5),
    u=st.floats(0.001, 0.05),
    mean=st.floats(0.05, 2.0),
    sd=st.floats(0.01, 0.5),
    low=st.floats(0, 0.3),
    width=st.floats(0.05, 0.3),
)
def test_sized_steps_stay_short(relief: float, u: float, mean: float, sd: float, low: float, width: float) -> None:
    step = size_step(relief, u, target_mm=(low, low + width), response=RodResponse(mean, sd, 3))
    assert 0 <= step <= 0.25
    assert mean * step <= abs(relief - (low + width / 2)) + 1e-9


def test_the_target_is_not_crossed_with_95_percent() -> None:
    """Draw truths from the stated beliefs: the far limit is crossed in 5 % at most, where the step is not capped."""
    rng = np.random.default_rng(8)
    response, u, target = RodResponse(0.9, 0.35, 1), 0.01, (0.10, 0.25)
    step = size_step(0.30, u, target_mm=target, response=response)
    assert 0 < step < 0.25
    n = 200_000
    move = step * rng.normal(0.9, 0.35, n) + step * 0.9 * rng.normal(0, 0.15, n)
    after = 0.30 + rng.normal(0, u, n) - move + rng.normal(0, 0.015, n)
    assert np.mean(after < target[0]) < 0.0515  # three standard errors over 5 %


@pytest.mark.parametrize(
    "bad", [{"turns": 0.0}, {"turns": 2.0}, {"turns": float("nan")}, {"before_mm": 9.0}, {"U_after_mm": -1.0}]
)
def test_nonsense_in_a_log(bad: dict[str, float]) -> None:
    good = {"turns": 0.25, "before_mm": 0.5, "after_mm": 0.4}
    with pytest.raises(InputError, match="turn log"):
        TurnRecord(**{**good, **bad})  # type: ignore[arg-type]


def test_a_repeated_reading_at_the_limit_gets_a_nudge() -> None:
    profile = make_profile(bow(15, 0.255), 0.004)
    first = advise(profile, (0.10, 0.25), bench=Bench())
    again = advise(profile, (0.10, 0.25), bench=Bench(repeated=True))
    assert (first.plan.judgement, first.plan.direction) == ("cannot-tell", "none")
    assert again.plan.direction == "tighten"
    assert 0 < again.plan.step_turns <= 0.0625


NECK = make_profile(bow(15, 0.6), 0.004)


@pytest.mark.parametrize(
    "steps",
    [
        [(0.125, 0.40, 0.40), (0.125, 0.40, 0.41)],
        [(0.125, 0.40, 0.48), (0.125, 0.48, 0.56)],
        [(0.25, 0.40, 0.48)],
        [(0.25, 0.60, 0.45), (0.25, 0.60, 0.60), (0.25, 0.60, 0.60)],
        [(-0.125, 0.02, 0.02), (-0.125, 0.02, 0.02)],
    ],
)
def test_a_rod_that_does_not_answer_is_left_alone(steps: list[tuple[float, float, float]]) -> None:
    log = [TurnRecord(*step) for step in steps]
    got = advise(NECK, (0.1, 0.25), log=log, bench=Bench(turned_turns=0.25))
    assert got.plan.direction == "none"
    assert "rod-no-answer" in [f.code for f in got.plan.findings]
    assert any("repairer" in item for item in got.plan.checklist)
    assert advise(NECK, (0.1, 0.25), bench=Bench(turned_turns=0.25)).plan.direction == "tighten"


def test_a_rod_that_answers_again_is_believed() -> None:
    mended = [TurnRecord(0.25, 0.6, 0.6)] * 3 + [TurnRecord(0.125, 0.6, 0.52), TurnRecord(0.125, 0.52, 0.45)]
    assert no_answer(mended[:3]) is not None
    assert no_answer(mended) is None


def held_share(per_turn: float, *, U_mm: float, turns: float = 0.125, draws: int = 4000) -> float:
    """Return how often two steps of a rod are taken for no answer; they share the reading between them."""
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(draws):
        moved = per_turn * turns * (1 + rng.normal(0, 0.15, 2)) + rng.normal(0, 0.015, 2)
        true = 0.5 - np.concatenate([[0.0], np.cumsum(moved)])
        seen = true + rng.normal(0, U_mm / 2, 3)
        log = [TurnRecord(turns, float(a), float(b), U_mm, U_mm) for a, b in pairwise(seen)]
        held += no_answer(log) is not None
    return held / draws


@pytest.mark.parametrize(
    ("per_turn", "U_mm", "share"), [(0.0, 0.03, 0.88), (0.6, 0.03, 0.002), (0.6, 0.10, 0.010), (0.3, 0.03, 0.09)]
)
def test_rods_are_held_for_no_answer_as_often_as_said(per_turn: float, U_mm: float, share: float) -> None:
    """Three standard deviations of 4000 draws beside the share stated: 0.015 at 0.88, 0.002 at 0.002, 0.014 at 0.09."""
    room = 3 * (share * (1 - share) / 4000) ** 0.5
    assert held_share(per_turn, U_mm=U_mm) == pytest.approx(share, abs=room)


def test_small_nudges_of_a_proven_rod_are_no_silence() -> None:
    proven = [TurnRecord(0.125, 0.50, 0.42), TurnRecord(0.125, 0.42, 0.35), TurnRecord(0.125, 0.35, 0.27)]
    nudges = [TurnRecord(1 / 32, 0.27, 0.255), TurnRecord(1 / 32, 0.255, 0.24)]
    assert no_answer(proven + nudges) is None


def test_a_log_that_shows_nothing_moves_no_rod_inside_its_target() -> None:
    profile = make_profile(bow(15, 0.27), 0.02)
    for log in ([TurnRecord(0.125, 0.7, 0.6, 1.0, 1.0)], [TurnRecord(0.125, 0.24, 0.32, 0.1, 0.1)]):
        got = advise(profile, (0.10, 0.25), log=log).plan
        assert (got.judgement, got.direction) == ("cannot-tell", "none")


def test_towards_what_is_usual_for_any_a_step_ends_at_the_limit() -> None:
    """A lively rod of 1.5 mm a turn: an eighth would take 0.19 mm out, more than this instrument may want to lose."""
    lively = [TurnRecord(0.125, 0.9, 0.71), TurnRecord(0.125, 0.71, 0.52)]
    profile = make_profile(bow(15, 0.52), 0.004)
    wanted = usual_target()
    got = advise(profile, wanted.range_mm, log=lively, findings=wanted.findings)
    assert got.plan.direction == "tighten"
    assert got.expected_mm == pytest.approx(wanted.high_mm, abs=1e-6)
    assert advise(profile, wanted.range_mm, log=lively).plan.step_turns > got.plan.step_turns


def test_no_step_grows_on_an_answer_that_is_not_sure() -> None:
    rough = [TurnRecord(0.125, 0.7, 0.66, U_before_mm=0.2, U_after_mm=0.2)]
    assert not learn_response(rough).is_shown
    assert advise(NECK, (0.1, 0.25), log=rough).plan.step_turns <= 0.125
    sure = [TurnRecord(0.125, 0.7, 0.65, U_before_mm=0.01, U_after_mm=0.01)] * 3
    assert advise(NECK, (0.1, 0.25), log=sure).plan.step_turns > 0.125


def test_hysteresis_is_found_by_chance_no_more_often_than_stated() -> None:
    """At k = 2 five of a hundred logs of a rod without any, however many steps went one way."""
    rng = np.random.default_rng(6)
    found = 0
    for _ in range(1000):
        turns = np.array([0.25] * 8 + [-0.25])
        moved = 0.6 * turns * (1 + rng.normal(0, 0.15, 9)) + rng.normal(0, np.hypot(0.015 * 2**0.5, 0.015), 9)
        got = learn_response([TurnRecord(float(t), 0.5, 0.5 - float(m)) for t, m in zip(turns, moved, strict=True)])
        assert got.hysteresis_mm is not None
        assert got.u_hysteresis_mm is not None
        found += abs(got.hysteresis_mm) > 2 * got.u_hysteresis_mm
    assert 0.02 < found / 1000 < 0.08  # 0.046 and three standard deviations of it


def test_what_is_expected_of_a_step_carries_all_that_its_size_reckoned_with() -> None:
    log = [TurnRecord(0.25, 0.8, 0.65)] * 3
    got = advise(NECK, (0.1, 0.25), log=log)
    assert got.response is not None
    assert got.u_expected_mm is not None
    _, u_move = got.response.move_mm(got.plan.step_turns)
    assert u_move > 0.015
    assert got.u_expected_mm == pytest.approx(float(np.hypot(got.plan.relief.U_mm / 2, u_move)))
