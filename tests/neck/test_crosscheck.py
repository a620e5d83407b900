"""Hand against photo, targets, and the judgement."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest
from neck_profiles import bow, make_profile

from lightgap.neck.crosscheck import crosscheck
from lightgap.neck.errors import InputError
from lightgap.neck.judge import judge
from lightgap.neck.readings import parse_reading, profile_from_readings
from lightgap.neck.targets import ActionWish, Attack, Family, parse_target, usual_target

PHOTO = make_profile(bow(15, 0.30) + 0.05, 0.006)


def hand(*texts: str):  # type: ignore[no-untyped-def]
    return profile_from_readings([parse_reading(t) for t in texts])[0]


def test_they_agree() -> None:
    got = crosscheck(PHOTO, hand("7=0.30mm", "5=0.27mm", "9=0.28mm"))
    assert got.verdict == "agree"
    assert got.repeat == ()
    assert got.sentence.startswith("Hand and photo agree")
    assert got.bland_altman is not None
    assert got.bland_altman.n == 3


def test_they_disagree_and_it_says_by_how_much() -> None:
    got = crosscheck(PHOTO, hand("7=0.45mm", "5=0.27mm", "9=0.28mm"))
    assert got.verdict == "disagree"
    assert got.repeat == (7,)
    assert "+0.15" in got.sentence
    assert "fret 7 again" in got.sentence
    assert "in" in crosscheck(PHOTO, hand("7=0.45mm"), unit="in").sentence


def test_a_rule_cannot_tell() -> None:
    readings = [parse_reading("7=1/64in", method="rule")]
    got = crosscheck(PHOTO, profile_from_readings(readings)[0])
    assert got.verdict == "cannot-tell"
    assert "tells little" in got.sentence


def test_nothing_in_common() -> None:
    short = make_profile(bow(5, 0.1))
    with pytest.raises(InputError, match="must be in both"):
        crosscheck(short, hand("7=0.3mm"), chord=(1, 15))
    with pytest.raises(InputError, match="share"):
        crosscheck(make_profile(bow(3, 0.1), first=8), hand("7=0.3mm"))


@pytest.mark.parametrize(
    "value, expanded, want",
    [
        (0.30, 0.02, "above"),
        (0.05, 0.02, "below"),
        (0.17, 0.02, "inside"),
        (0.26, 0.02, "cannot-tell"),
        (0.24, 0.02, "cannot-tell"),
        (0.17, 0.50, "cannot-tell"),
        (float("nan"), 0.02, "cannot-tell"),
    ],
)
def test_guard_bands(value: float, expanded: float, want: str) -> None:
    assert judge(value, expanded, low=0.10, high=0.25) == want


@pytest.mark.parametrize("action, attack", [("medium", "medium"), ("low", "light"), ("high", "hard")])
def test_of_an_instrument_not_told_what_is_usual_for_any_is_wanted(action: ActionWish, attack: Attack) -> None:
    wanted = usual_target(action=action, attack=attack)
    usual = [usual_target(family, action=action, attack=attack) for family in get_args(Family)]
    assert wanted.range_mm == (min(t.low_mm for t in usual), max(t.high_mm for t in usual))
    assert [f.code for f in wanted.findings] == ["target-widest"]
    assert not any(t.findings for t in usual)


def test_usual_targets() -> None:
    assert usual_target("electric").range_mm == (0.10, 0.25)
    low, hard = usual_target("electric", action="low"), usual_target("electric", attack="hard")
    assert low.high_mm < hard.high_mm
    assert usual_target("bass").low_mm > usual_target("mandolin").low_mm
    assert "no published source" in low.reason
    for family in ("electric", "acoustic", "classical", "bass", "mandolin", "ukulele", "banjo"):
        for action in ("low", "medium", "high"):
            for attack in ("light", "medium", "hard"):
                target = usual_target(family, action=action, attack=attack)  # type: ignore[arg-type]
                assert 0 < target.low_mm < target.high_mm < 0.6


@pytest.mark.parametrize(
    "text, want",
    [
        ("0.10-0.25", (0.10, 0.25)),
        ("0.10mm-0.25mm", (0.10, 0.25)),
        ("0.004in-0.010in", (0.1016, 0.254)),
        ("4-10thou", (0.1016, 0.254)),
        ("straight", (0.0, 0.08)),
        ("0-0.05", (0.0, 0.05)),
        ("0.004mm-0.010mm", (0.004, 0.010)),
    ],
)
def test_own_wishes(text: str, want: tuple[float, float]) -> None:
    np.testing.assert_allclose(parse_target(text).range_mm, want, atol=1e-12)


@pytest.mark.parametrize("text", ["0.25-0.10", "0.1", "a-b", "-0.2-0.1", "0.1-3in", ""])
def test_wishes_that_make_no_sense(text: str) -> None:
    with pytest.raises(InputError, match="target"):
        parse_target(text)
