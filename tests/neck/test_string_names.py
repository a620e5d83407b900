"""Strings by name, sets, tunings, and what their pull does to the neck."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightgap.neck.errors import InputError
from lightgap.neck.pitch import note_frequency_hz, transpose_note
from lightgap.neck.stiffness import TensionRelief, neck_compliance, parse_seen
from lightgap.neck.string_sets import parse_string, string_set, tuning_notes
from lightgap.neck.strings import DENSITY_KG_M3, string_tension, total_pull, wound_weight_kg_m


def test_core_and_wrap_by_hand() -> None:
    """1.0 mm string, 0.5 mm core: wrap of 0.25 mm in a helix of radius 0.375 mm and pitch 0.25 mm."""
    helix = math.hypot(2 * math.pi * 0.375, 0.25) / 0.25
    want = 7850 * math.pi * 0.25e-6 / 4 + 8850 * math.pi * 0.0625e-6 / 4 * helix
    assert wound_weight_kg_m(1.0, core_mm=0.5, wrap="phosphor-bronze") == pytest.approx(want)


def test_a_wound_string_lies_between_its_solid_bounds() -> None:
    """Air between the windings: lighter than solid wrap metal, heavier than three quarters of it."""
    solid = DENSITY_KG_M3["nickel-steel"] * math.pi * 1e-6 / 4
    assert 0.75 * solid < wound_weight_kg_m(1.0) < solid


@pytest.mark.parametrize("core_in", [0.014, 0.016, 0.018])
def test_the_guessed_core_matters_little(core_in: float) -> None:
    guessed = parse_string("E2=0.046inw")
    known = parse_string(f"E2=0.046inw:core={core_in}in")
    assert abs(known.weight_kg_m - guessed.weight_kg_m) < 2 * guessed.u_weight_kg_m
    assert known.u_weight_kg_m < guessed.u_weight_kg_m


@pytest.mark.parametrize(
    "text, says",
    [
        ("E4=3mm", "plain string of 3 mm"),
        ("E4=0.05mm", "plain string"),
        ("E2=9mmw", "wound string of 9 mm"),
        ("E2=1mmw:core=2mm", "core of 2 mm does not fit"),
        ("E2=1mmw:gold", "neither core=LENGTH nor"),
        ("H2=1mm", "is no note"),
        ("E9=0.3mm", "no string sounds that"),
        ("E2", "write NOTE=GAUGE"),
        ("E2=5kg/m", "is no string"),
        ("E2=xkg/m", "cannot read the unit weight"),
    ],
)
def test_nonsense_strings(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        parse_string(text)


def test_a_string_that_would_break() -> None:
    with pytest.raises(InputError, match="check gauge and note"):
        string_tension(parse_string("E5=0.046inw"), 648.0)
    with pytest.raises(InputError, match="scale length"):
        string_tension(parse_string("E4=0.010in"), 25.5)


def test_tunings() -> None:
    usual = ["E4", "B3", "G3", "D3", "A2", "E2"]
    assert tuning_notes("drop", usual=usual)[-1] == "D2"
    assert tuning_notes("-2", usual=usual)[0] == "D4"
    assert tuning_notes("D4 A3 F#3 D3 A2 D2", usual=usual)[2] == "F#3"
    with pytest.raises(InputError, match="has 2 notes"):
        tuning_notes("E4 B3", usual=usual)
    with pytest.raises(InputError, match="out of reach"):
        tuning_notes("+9", usual=usual)
    with pytest.raises(InputError, match="is not one of"):
        string_set("electric-99")


@given(st.sampled_from(["C", "C#", "D", "Eb", "E", "F", "G", "A", "Bb", "B"]), st.integers(1, 5), st.integers(-5, 5))
def test_transposing_moves_by_semitones(letter: str, octave: int, steps: int) -> None:
    note = f"{letter}{octave}"
    ratio = note_frequency_hz(transpose_note(note, steps)) / note_frequency_hz(note)
    assert ratio == pytest.approx(2 ** (steps / 12), rel=1e-12)


def test_errors_of_a_set_add() -> None:
    strings = [string_tension(s, 648.0) for s in string_set("electric-10")]
    pull, u = total_pull(strings)
    assert pull == pytest.approx(sum(t.tension_N for t in strings))
    assert u == pytest.approx(sum(t.u_tension_N for t in strings))


@given(
    pulls=st.tuples(st.floats(100, 500), st.floats(550, 1000)),
    reliefs=st.tuples(st.floats(-0.5, 1), st.floats(-0.5, 1)),
    more=st.floats(0, 500),
)
def test_more_tension_never_lowers_predicted_up_bow(
    pulls: tuple[float, float], reliefs: tuple[float, float], more: float
) -> None:
    seen = [TensionRelief(p, r) for p, r in zip(pulls, reliefs, strict=True)]
    change, u = neck_compliance(seen).change_mm(more, 0.0)
    assert change >= 0
    assert u >= 0


def test_compliance_by_hand() -> None:
    got = neck_compliance([parse_seen("400N=0.20mm"), parse_seen("500N=0.26mm")])
    assert got.mm_per_N == pytest.approx(6e-4)
    assert got.u_mm_per_N == pytest.approx(math.sqrt(2) * 0.015 / 100)
    assert parse_seen("104lbf=0.012in").pull_N == pytest.approx(462.615, abs=0.01)


@pytest.mark.parametrize("text", ["463N", "x=0.3mm", "9000N=0.3mm", "463N=3in", "=0.3"])
def test_nonsense_seen(text: str) -> None:
    with pytest.raises(InputError, match="seen"):
        parse_seen(text)


def test_two_pulls_are_needed_and_far_enough_apart() -> None:
    with pytest.raises(InputError, match="two tensions"):
        neck_compliance([TensionRelief(400, 0.2)])
    with pytest.raises(InputError, match="at least 20 N"):
        neck_compliance([TensionRelief(400, 0.2), TensionRelief(405, 0.2)])
