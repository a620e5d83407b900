"""What people type: units read and demanded, nonsense refused in one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from lightgap.neck.errors import FileProblem, InputError
from lightgap.neck.units import parse_turns
from lightgap.records.entries import Action, BridgeMove, Climate, Remark, Turn
from lightgap.records.inputs import (
    INSTRUMENT_FIELDS,
    VISIT_FIELDS,
    details_from,
    facts_from,
    parse_temperature,
    read_toml,
)


@pytest.mark.parametrize(
    ("text", "degc"),
    # NIST SP 811 B.9 (from memory): t/°C = (t/°F - 32)/1.8
    [("21C", 21.0), ("70 °F", 70 / 1.8 - 32 / 1.8), ("32F", 0.0), ("-4F", -20.0), ("212F", 100.0)],
)
def test_temperature(text: str, degc: float) -> None:
    assert parse_temperature(text) == pytest.approx(degc, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "turns"), [("1/8", 0.125), ("1 1/4", 1.25), ("0.25 turns", 0.25), (".1", 0.1), ("3/16 turn", 0.1875)]
)
def test_turns(text: str, turns: float) -> None:
    assert parse_turns(text) == turns


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"temperature": "21"}, "write a number and C or F"),
        ({"humidity": "45"}, "write a percentage with its sign"),
        ({"humidity": "145%"}, "makes no sense"),
        ({"action": "1.9mm"}, "bass and treble with a comma"),
        ({"action": "40mm,30mm"}, "makes no sense"),
        ({"turn": "push 1/8"}, "write it as: tighten 1/8 snug"),
        ({"turn": "tighten 1/0"}, "cannot read"),
        ({"reading": "7=40mm"}, "40"),
        ({"mood": "fine"}, "'mood' is not known"),
        ({"note": " "}, "the text is empty"),
    ],
)
def test_nonsense_is_refused(values: dict[str, str], message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        details_from(values)
    assert "\n" not in str(caught.value)


def test_everything_a_visit_takes() -> None:
    details = details_from(
        {
            "action": "5/64in,1.6mm",
            "temperature": "68F",
            "humidity": "45 %RH",
            "bridge-move": "+0.3mm,-0.2mm",
            "note": ["one", "two: three"],
            "crack": "top, bass side: 40 mm, old",
            "buzz": "everywhere",
            "turn": "loosen 1/8 snug",
        }
    )
    # 5/64 in = 1.984375 mm exactly
    assert Action(1.984375, 1.6) in details
    assert Climate(20.0, 45.0) in details
    assert BridgeMove(0.3, -0.2) in details
    assert Remark("note", "two: three") in details
    assert Remark("crack", "40 mm, old", "top, bass side") in details
    assert Remark("buzz", "everywhere") in details
    assert Turn("loosen", 0.125, "snug") in details


def test_action_of_one_side() -> None:
    assert details_from({"action": "-,1.6mm"}) == [Action(None, 1.6)]


def test_facts_with_units_and_open_values() -> None:
    facts = facts_from(
        "Blue", {"scale-length": "25.5in", "board-radius": "12in", "frets": "22", "target": "0.10-0.25mm", "tuning": ""}
    )
    assert facts.scale_length_mm == pytest.approx(647.7)
    assert facts.board_radius_mm == pytest.approx(304.8)
    assert (facts.fret_count, facts.target_low_mm, facts.target_high_mm) == (22, 0.10, 0.25)
    assert facts.tuning is None


def test_every_field_says_what_to_type() -> None:
    assert all(field.expects for field in (*INSTRUMENT_FIELDS, *VISIT_FIELDS))


def test_toml(tmp_path: Path) -> None:
    path = tmp_path / "t.toml"
    path.write_text('scale_length_mm = 648\nfrets = 22\nhumidity_pct = 45\nnote = ["a", "b"]\nrod-drive = "4 mm hex"\n')
    assert read_toml(path) == {
        "scale-length": "648mm",
        "frets": "22",
        "humidity": "45%",
        "note": ["a", "b"],
        "rod-drive": "4 mm hex",
    }


@pytest.mark.parametrize(
    ("text", "error", "message"),
    [
        ("scale_length = 648", InputError, "has no unit"),
        ("a = [1, 2]", InputError, "must be text, a number or a list of texts"),
        ("a = true", InputError, "must be text"),
        ("a = ", FileProblem, "it is no TOML"),
    ],
)
def test_toml_that_cannot_be_read(tmp_path: Path, text: str, error: type[Exception], message: str) -> None:
    path = tmp_path / "t.toml"
    path.write_text(text)
    with pytest.raises(error, match=message) as caught:
        read_toml(path)
    assert "\n" not in str(caught.value)
    with pytest.raises(FileProblem, match="cannot read"):
        read_toml(tmp_path / "none.toml")
