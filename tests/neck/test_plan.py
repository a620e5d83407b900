"""The rod plan: which way, how far, and what it never says."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lightgap.neck.bench import Bench
from lightgap.neck.errors import InputError
from lightgap.neck.plan import HOLDS, TARGET_WIDEST, RodPlan, plan_rod
from lightgap.neck.profile import Finding, Relief
from lightgap.neck.rod_response import RodResponse, size_step
from lightgap.neck.spans import CHORD_UNTOLD, OFF_NECK, SHORT_CHORD

TARGET = (0.10, 0.25)


def relief(value: float, expanded: float = 0.02, shape: str | None = None) -> Relief:
    named = shape or ("up-bow" if value > expanded else "back-bow" if value < -expanded else "cannot-tell")
    return Relief(value, expanded, 2.0, 7, (1, 15), named)  # type: ignore[arg-type]


def plan(value: float, expanded: float = 0.02, **bench: object) -> RodPlan:
    return plan_rod(relief(value, expanded), TARGET, bench=Bench(**bench))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("value", "judgement", "direction"),
    [
        (0.05, "cannot-tell", "none"),
        (0.18, "cannot-tell", "none"),
        (-0.2, "cannot-tell", "none"),
        (0.5, "above", "tighten"),
    ],
)
@pytest.mark.parametrize("chord", [(4, 9), (1, 10), (5, 15)])
def test_part_of_a_neck_bends_less_than_the_whole(
    chord: tuple[int, int], value: float, judgement: str, direction: str
) -> None:
    """A neck of 0.29 mm shows 0.05 between frets 4 and 9: loosened, it would bend further still."""
    part = replace(relief(value), chord=chord)
    for bench, learned in ((None, None), (Bench(), 0.08), (Bench(turned_turns=0.125), 0.08)):
        got = plan_rod(part, TARGET, bench=bench, learned_step_turns=learned)
        assert (got.judgement, got.direction) == (judgement, direction)
        codes = [f.code for f in got.findings]
        assert (SHORT_CHORD in codes) == (judgement != "above")
        assert "cannot-tell" not in codes  # which speaks of the uncertainty
    if judgement != "above":
        assert "rod alone" in got.checklist[0]


@pytest.mark.parametrize("chord", [(1, 12), (1, 15), (2, 14), (1, 17)])
def test_chords_from_the_first_frets_to_the_body_are_judged(chord: tuple[int, int]) -> None:
    """Relief of a parabola goes with the square of its chord: of these it is two thirds of the whole or more."""
    got = plan_rod(replace(relief(0.02), chord=chord), TARGET)
    assert got.judgement == "below"
    first, last = (648.0 * (1 - 2 ** (-fret / 12)) for fret in chord)
    whole = 648.0 * (2 ** (-1 / 12) - 2 ** (-15 / 12))
    assert ((last - first) / whole) ** 2 > 0.64


@pytest.mark.parametrize(
    "value, judgement, direction",
    [
        (0.50, "above", "tighten"),
        (0.18, "inside", "none"),
        (0.02, "below", "loosen"),
        (-0.20, "below", "loosen"),
        (0.24, "cannot-tell", "none"),
        (0.26, "cannot-tell", "none"),
        (0.11, "cannot-tell", "none"),
    ],
)
def test_three_answers_and_cannot_tell(value: float, judgement: str, direction: str) -> None:
    got = plan(value)
    assert (got.judgement, got.direction) == (judgement, direction)
    assert (got.step_turns > 0) == (direction != "none")


def test_without_a_log_an_eighth() -> None:
    assert plan(0.5).step_turns == 0.125
    assert plan(-0.1).step_turns == 0.125
    # Close to straight a lively rod could pull an eighth into back-bow.
    near = plan_rod(relief(0.13, 0.01), (0.0, 0.08))
    assert (near.direction, near.step_turns) == ("tighten", 0.0625)


@pytest.mark.parametrize(
    "bench, code",
    [
        ({"strings": "slack"}, "not-at-pitch"),
        ({"strings": "off"}, "not-at-pitch"),
        ({"rod": "none"}, "no-rod"),
        ({"nut_feel": "stiff"}, "nut-stiff"),
        ({"nut_feel": "at-end"}, "nut-at-end"),
        ({"turned_turns": 0.75}, "visit-cap"),
    ],
)
def test_what_keeps_the_rod_still(bench: dict[str, object], code: str) -> None:
    got = plan(0.5, **bench)
    assert got.direction == "none"
    assert got.step_turns == 0
    assert code in [f.code for f in got.findings]


def test_a_single_action_rod_cannot_push() -> None:
    for rod in ("single-action", "unknown"):
        got = plan(-0.2, rod=rod, nut_feel="slack")
        assert got.direction == "none"
        assert "rod-cannot-push" in [f.code for f in got.findings]
    two_way = plan(-0.2, rod="two-way", nut_feel="slack")
    assert two_way.direction == "loosen"
    assert any("beyond the slack" in item for item in two_way.checklist)


def test_s_bend_and_gross_relief_go_to_a_repairer() -> None:
    assert plan_rod(relief(0.5, shape="s-bend"), TARGET).direction == "none"
    assert plan_rod(relief(2.5), TARGET).direction == "none"


def test_a_fret_is_not_the_rod() -> None:
    got = plan_rod(relief(0.5), TARGET, findings=(Finding("fret-not-rod", "fret 9"),))
    assert got.direction == "none"


def test_what_is_left_of_the_visit() -> None:
    assert plan(0.5, turned_turns=0.70).step_turns == pytest.approx(0.05)
    assert plan(0.5, step_cap_turns=0.05).step_turns == 0.05
    assert plan(0.5, visit_cap_turns=0.1).visit_cap_turns == 0.1


@pytest.mark.parametrize(
    "bench, says",
    [
        ({"step_cap_turns": 0.3}, "lowered, not raised"),
        ({"visit_cap_turns": 1.0}, "lowered, not raised"),
        ({"step_cap_turns": 0.0}, "above 0"),
        ({"step_cap_turns": math.nan}, "above 0"),
        ({"rod": "magic"}, "single-action"),
        ({"turned_turns": -1}, "turns made this visit"),
        ({"turned_turns": math.inf}, "turns made this visit"),
    ],
)
def test_caps_are_lowered_never_raised(bench: dict[str, object], says: str) -> None:
    with pytest.raises(InputError, match=says):
        Bench(**bench)  # type: ignore[arg-type]


@pytest.mark.parametrize("target", [(-0.1, 0.2), (0.2, 0.1), (0.2, 0.2), (0.1, 3.0), (math.nan, 0.2)])
def test_targets_that_make_no_sense(target: tuple[float, float]) -> None:
    with pytest.raises(InputError, match="target relief"):
        plan_rod(relief(0.3), target)


def test_a_small_learned_step_may_finish_what_was_begun() -> None:
    begun = Bench(turned_turns=0.25)
    got = plan_rod(relief(0.24), TARGET, bench=begun, learned_step_turns=0.08)
    assert (got.judgement, got.direction, got.step_turns) == ("cannot-tell", "tighten", 0.08)
    assert plan_rod(relief(0.24), TARGET, bench=Bench(), learned_step_turns=0.08).direction == "none"
    # Never a turn that could tighten a back-bow, whatever was learned.
    assert plan_rod(relief(0.03, 0.05), (0.0, 0.05), bench=begun, learned_step_turns=0.1).direction != "tighten"


STATES = (0.5, 0.18, -0.2)
RODS = ("single-action", "two-way", "none", "unknown")
NUTS = ("free", "snug", "stiff", "at-end", "slack", "unknown")
STRINGS = ("at-pitch", "slack", "off")
ACCESS = ("peghead", "soundhole", "body-end", "unknown")


def test_the_whole_table() -> None:
    """Every state x rod x nut x strings x access gives a complete, ordered and careful checklist."""
    for value, rod, nut, strings, access in itertools.product(STATES, RODS, NUTS, STRINGS, ACCESS):
        got = plan(value, rod=rod, nut_feel=nut, strings=strings, access=access)
        assert got.checklist
        assert got.stop_when
        assert any("repairer" in c for c in got.cautions)
        moves = (
            value != 0.18
            and strings == "at-pitch"
            and rod != "none"
            and nut != "stiff"
            and not (nut == "at-end" and value > 0.18)
        )
        if value < 0 and nut == "slack" and rod != "two-way":
            moves = False
        assert (got.direction != "none") == moves, (value, rod, nut, strings)
        if got.direction == "none":
            continue
        assert got.direction == ("tighten" if value > 0 else "loosen")
        words = [
            "Confirm with the strings at pitch",
            "never a near fit",
            "Slacken the strings",
            "Mark the nut",
            "1/8 turn",
            "Tune to pitch",
            "Measure again",
        ]
        places = [next(i for i, item in enumerate(got.checklist) if word in item) for word in words]
        assert places == sorted(places)
        assert any("kind is not known" in item for item in got.checklist) == (rod == "unknown")
        if value > 0:
            assert any("frets 7 to 9" in item for item in got.checklist)


ANY = st.floats(allow_nan=True, allow_infinity=True)
ANY_BENCH = st.builds(
    Bench,
    rod=st.sampled_from(RODS),
    nut_feel=st.sampled_from(NUTS),
    strings=st.sampled_from(STRINGS),
    step_cap_turns=st.floats(0, 0.25, exclude_min=True),
    visit_cap_turns=st.floats(0, 0.75, exclude_min=True),
    turned_turns=st.floats(0, 10),
    repeated=st.booleans(),
)


ANY_CASE = given(
    value=st.one_of(ANY, st.floats(-1, 1)),
    expanded=st.one_of(st.floats(0, 0.3), st.floats(min_value=0)),
    learned=st.one_of(st.none(), ANY, st.floats(0, 1)),
    low=st.floats(0, 0.5),
    width=st.floats(0.01, 0.5),
    bench=ANY_BENCH,
)


def check_caps(value: float, expanded: float, learned: float | None, low: float, width: float, bench: Bench) -> None:
    """No step above the cap for any input whatever, and no tightening of a back-bow."""
    got = plan_rod(relief(value, expanded), (low, low + width), bench=bench, learned_step_turns=learned)
    assert 0 <= got.step_turns <= min(0.25, bench.step_cap_turns)
    assert got.step_turns + bench.turned_turns <= bench.visit_cap_turns + 1e-12 or got.step_turns == 0
    assert got.visit_cap_turns <= 0.75
    assert (got.step_turns == 0) == (got.direction == "none")
    if not value - expanded > 0:
        assert got.direction != "tighten"
    if got.judgement == "inside":
        assert got.direction == "none"


test_caps = settings(max_examples=1_000, deadline=None)(ANY_CASE(check_caps))
test_caps_ten_thousand = pytest.mark.slow(
    settings(max_examples=10_000, deadline=None, suppress_health_check=list(HealthCheck))(ANY_CASE(check_caps))
)


def test_a_whole_turn_is_never_advised() -> None:
    """Common practice, no published source: a whole turn is a lot; no plan's words ask for one."""
    got = plan_rod(relief(1.9), TARGET, learned_step_turns=1.0)
    assert got.step_turns == 0.25
    assert not any("1 turn" in item or "full turn" in item for item in got.checklist)


@pytest.mark.parametrize(
    "bench, words",
    [
        ({"nut_feel": "stiff"}, ["Slacken the strings", "Where the nut comes off", "if not, see a repairer"]),
        ({"nut_feel": "at-end"}, ["no thread left", "repairer"]),
        ({"rod": "none"}, ["lighter set", "repairer"]),
        ({"strings": "off"}, ["Tune all strings to pitch", "Measure again"]),
        ({"turned_turns": 0.75}, ["Leave the instrument a day", "ask again"]),
    ],
)
def test_a_held_rod_has_a_checklist_of_its_own(bench: dict[str, object], words: list[str]) -> None:
    got = plan(0.5, **bench)
    text = " ".join(got.checklist)
    places = [text.index(word) for word in words]
    assert places == sorted(places)


def test_every_finding_that_holds_says_what_to_do() -> None:
    for code in HOLDS - {TARGET_WIDEST}:
        got = plan_rod(relief(0.5), TARGET, findings=(Finding(code, code),))
        assert got.direction == "none"
        assert not any("Turn clockwise" in item for item in got.checklist)
        assert len(got.checklist) >= 2


def test_against_what_is_usual_for_any_only_relief_outside_beyond_doubt_moves_the_rod() -> None:
    untold = (Finding(TARGET_WIDEST, "not told"),)
    for value, told, not_told in ((0.5, "tighten", "tighten"), (0.26, "tighten", "none"), (0.2, "none", "none")):
        for findings, direction in (((), told), (untold, not_told)):
            got = plan_rod(relief(value), TARGET, learned_step_turns=0.05, findings=findings)
            assert got.direction == direction
    assert "--family" in got.checklist[1]


@pytest.mark.parametrize("value", [0.02, 0.15, 0.5])
def test_frets_counted_from_the_first_in_view_are_held_against_no_target(value: float) -> None:
    """Of a neck of 0.20 mm, frets 5 to 16, counted 1 to 12, are too straight for the whole, and with the board over the
    body, where it rises, far too bowed."""
    part = replace(relief(value), chord=(1, 12))
    got = plan_rod(part, TARGET, numbers_relative=True)
    assert (got.judgement, got.direction) == ("cannot-tell", "none")
    assert CHORD_UNTOLD in [f.code for f in got.findings]


@pytest.mark.parametrize("chord", [(8, 20), (1, 20), (0, 15), (0, 12)])
@pytest.mark.parametrize("value", [0.02, 0.5])
def test_a_chord_past_the_neck_turns_no_rod(chord: tuple[int, int], value: float) -> None:
    got = plan_rod(replace(relief(value), chord=chord), TARGET)
    assert (got.judgement, got.direction) == ("cannot-tell", "none")
    assert OFF_NECK in [f.code for f in got.findings]


@pytest.mark.parametrize(
    ("chord", "value", "judgement"),
    [
        ((2, 15), 0.085, "cannot-tell"),
        ((1, 12), 0.086, "cannot-tell"),
        ((2, 15), 0.06, "below"),
        ((1, 12), 0.05, "below"),
        ((1, 12), 0.15, "inside"),
        ((2, 15), 0.3, "above"),
    ],
)
def test_on_a_shorter_chord_an_even_bow_reads_less(chord: tuple[int, int], value: float, judgement: str) -> None:
    """By the square of the chords' lengths 0.085 mm from fret 2 is 0.105 mm from fret 1, and 0.086 mm to fret 12 is
    0.119 mm to fret 15: inside, not too little."""
    got = plan_rod(replace(relief(value, 0.003), chord=chord), TARGET)
    assert got.judgement == judgement
    assert (SHORT_CHORD in [f.code for f in got.findings]) == (judgement == "cannot-tell")
    assert plan_rod(relief(0.086, 0.003), TARGET).judgement == "below"


@given(
    value=st.floats(-0.5, 1.0),
    expanded=st.floats(0.005, 0.4),
    low=st.sampled_from([0.0, 0.1, 0.2]),
    width=st.sampled_from([0.08, 0.15, 0.25]),
    per_turn=st.floats(0.05, 1.6),
    turned=st.sampled_from([0.0, 0.25]),
)
def test_no_step_bends_the_neck_away_from_the_middle_of_the_target(
    value: float, expanded: float, low: float, width: float, per_turn: float, turned: float
) -> None:
    target = (low, low + width)
    rod = RodResponse(per_turn, per_turn / 5, 3)
    step = size_step(value, expanded / 2, target_mm=target, response=rod)
    got = plan_rod(relief(value, expanded), target, bench=Bench(turned_turns=turned), learned_step_turns=step)
    if got.direction != "none":
        assert (got.direction == "tighten") == (value > low + width / 2)


@pytest.mark.parametrize(("value", "expanded", "named"), [(-0.1, 0.26, True), (0.4, 0.05, True), (0.17, 0.03, False)])
def test_an_s_is_named_whether_or_not_a_side_can_be_told(value: float, expanded: float, *, named: bool) -> None:
    got = plan_rod(relief(value, expanded, "s-bend"), TARGET)
    assert got.direction == "none"
    assert ("s-bend" in [f.code for f in got.findings]) == named
    assert any("deepen the other" in item for item in got.checklist) == named
