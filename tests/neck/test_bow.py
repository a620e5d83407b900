"""Bow against frets."""

from __future__ import annotations

import numpy as np
import pytest
from neck_profiles import bow, make_profile

from lightgap.neck.advise import advise
from lightgap.neck.bow import analyse_bow, rocker_test
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.relief import compute_relief


def noisy(gap: np.ndarray, u_mm: float, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.asarray(gap + rng.normal(0, 0.008, len(gap)) + rng.normal(0, u_mm, len(gap)))


def analyse(gap: np.ndarray, u_mm: float = 0.004):  # type: ignore[no-untyped-def]
    profile = make_profile(gap, u_mm)
    return analyse_bow(profile, compute_relief(profile))


@pytest.mark.parametrize(
    "fret, height, kind", [(9, 0.12, "high"), (4, 0.15, "high"), (7, -0.12, "low"), (1, 0.2, "high")]
)
def test_one_odd_fret_is_found(fret: int, height: float, kind: str) -> None:
    gap = noisy(bow(15, 0.25), 0.004)
    gap[fret - 1] -= height
    got = analyse(gap)
    assert [(o.fret, o.kind) for o in got.odd] == [(fret, kind)]
    assert got.odd[0].amount_mm == pytest.approx(height, abs=0.05)
    assert f"fret-{kind}" in [f.code for f in got.findings]


def test_two_odd_frets() -> None:
    gap = noisy(bow(15, 0.25), 0.004)
    gap[4] -= 0.15
    gap[10] -= 0.15
    assert [o.fret for o in analyse(gap).odd] == [5, 11]


def test_even_necks_have_no_odd_frets() -> None:
    claimed = [
        len(analyse(noisy(bow(15, 0.3, s), 0.004, seed)).odd) for seed, s in enumerate(np.linspace(-0.5, 0.5, 30))
    ]
    assert sum(claimed) == 0


def test_cannot_tell_at_a_large_uncertainty() -> None:
    gap = noisy(bow(15, 0.25), 0.004)
    gap[8] -= 0.08
    assert analyse(gap, u_mm=0.05).odd == ()


def test_few_crowns_say_so() -> None:
    got = analyse(bow(5, 0.1))
    assert got.odd == ()
    assert [f.code for f in got.findings] == ["few-crowns"]


def test_rocker() -> None:
    gap = bow(15, 0.0)
    gap[6] -= 0.1
    height, expanded = rocker_test(make_profile(gap, 0.004), 7)
    assert height == pytest.approx(0.1, abs=1e-9)
    # Three equal readings through the weights 1, about 1/2, about 1/2: u about 0.004 sqrt(1.5), k = 2.
    assert expanded == pytest.approx(2 * 0.004 * np.sqrt(1.5), rel=0.01)
    with pytest.raises(ValueError, match="no neighbour"):
        rocker_test(make_profile(gap), 1)


def test_crowded_bows() -> None:
    x = np.linspace(0, 1, 15)
    assert analyse(noisy(1.6 * x * (1 - x) ** 3, 0.002)).crowding == "nut"
    assert analyse(noisy(1.6 * (1 - x) * x**3, 0.002)).crowding == "body"
    assert analyse(noisy(bow(15, 0.3), 0.002)).crowding == "middle"
    assert analyse(noisy(bow(15, 0.02), 0.02), u_mm=0.02).crowding == "cannot-tell"


@pytest.mark.parametrize("relief_mm", [0.0, 0.25, -0.15])
@pytest.mark.parametrize("angle, name", [(-0.004, "rising"), (0.004, "falling"), (0.0, "level")])
def test_tongue_against_the_line_of_the_neck(relief_mm: float, angle: float, name: str) -> None:
    """A tongue that carries on the neck's end straight is level, however bowed the neck."""
    x = fret_position_mm(np.arange(1, 21), 648.0)
    beyond = x[15:] - x[14]
    slope = -4 * relief_mm / (x[14] - x[0])
    gap = np.concatenate([bow(15, relief_mm), (slope + angle) * beyond])
    got = analyse(gap, u_mm=0.002)
    assert got.tongue == name
    assert ("tongue-rises" in [f.code for f in got.findings]) == (name == "rising")


def test_tongue_not_seen_or_not_told() -> None:
    assert analyse(bow(15, 0.2)).tongue == "not-seen"
    assert analyse(np.concatenate([bow(15, 0.2), np.zeros(5)]), u_mm=0.08).tongue == "cannot-tell"


def test_this_is_a_fret_not_the_rod() -> None:
    """A low fret reads as too much relief; the neck itself is in range."""
    gap = noisy(bow(15, 0.17), 0.003)
    gap[6] += 0.25
    got = advise(make_profile(gap, 0.003), (0.10, 0.25))
    assert got.plan.judgement == "above"
    assert got.plan.direction == "none"
    finding = next(f for f in got.plan.findings if f.code == "fret-not-rod")
    assert "this is a fret, not the rod" in finding.message
    assert "fret 7" in finding.message


def test_an_odd_fret_does_not_hide_a_bowed_neck() -> None:
    gap = noisy(bow(15, 0.6), 0.003)
    gap[8] -= 0.12
    got = advise(make_profile(gap, 0.003), (0.10, 0.25))
    assert got.plan.direction == "tighten"
    assert "fret-high" in [f.code for f in got.plan.findings]
