"""Hand readings and the files they come in."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from lightgap.neck.advise import advise
from lightgap.neck.errors import FileProblem, InputError
from lightgap.neck.frets import parse_chord
from lightgap.neck.reading_file import read_readings, read_turn_log
from lightgap.neck.readings import (
    method_uncertainty_mm,
    parse_reading,
    profile_from_readings,
    straightedge_u_mm,
)
from lightgap.neck.relief import compute_relief


@pytest.mark.parametrize(
    "text, value",
    [("7=0.010in", 0.254), ("7=10thou", 0.254), ("7 = 2/64in", 0.79375), ("7=0.3", 0.3), ("7=0.25..0.30mm", 0.275)],
)
def test_units_mixed_freely(text: str, value: float) -> None:
    got = parse_reading(text)
    assert got.fret == 7
    assert got.value_mm == pytest.approx(value)


def test_a_pair_of_leaves_is_an_interval() -> None:
    """Rectangular over the interval: half-width over sqrt 3 (JCGM 100:2008, 4.3.7), leaf and feel added."""
    got = parse_reading("7=0.010..0.012in")
    assert got.value_mm == pytest.approx(0.2794)
    assert got.u_mm == pytest.approx(math.hypot(0.0254, 0.005, 0.008) / math.sqrt(3))
    assert parse_reading("7=0..0.05mm").value_mm == pytest.approx(0.025)


def test_each_method_has_its_uncertainty() -> None:
    feeler, dial, depth = (method_uncertainty_mm(m) for m in ("feeler", "dial", "depth"))  # type: ignore[arg-type]
    rule = method_uncertainty_mm("rule", "2/64in")
    assert dial < feeler < rule
    assert depth < rule
    # Half a division and the marks of a class I rule, Directive 2014/32/EU Annex X: 0.1 mm.
    assert rule == pytest.approx(math.hypot(25.4 / 128, 0.1) / math.sqrt(3))
    assert method_uncertainty_mm("rule", "0.5mm") == pytest.approx(math.hypot(0.25, 0.1) / math.sqrt(3))
    assert method_uncertainty_mm("rule", "0.02in") == pytest.approx(math.hypot(0.127, 0.1) / math.sqrt(3))


def test_straightedge_tolerance() -> None:
    """DIN 874-2:2003, knife edge, t = 2 + L/250 um: 4 um at 500 mm."""
    assert straightedge_u_mm(500) == pytest.approx(4.0e-3 / (2 * math.sqrt(3)))


@pytest.mark.parametrize(
    "text, says",
    [
        ("7=40mm", "40 mm is no gap under a straightedge"),
        ("7=3in", "76.2 mm is no gap"),
        ("31=0.3", "fret must be a whole number 0 to 30, got '31'"),
        ("-1=0.3", "fret must be"),
        ("7.5=0.3", "fret must be"),
        ("7=-0.2mm", "cannot be negative"),
        ("7", "write FRET=VALUE"),
        ("7=", "write FRET=VALUE"),
        ("7=x", "cannot read 'x'"),
        ("7=0.3..0.2mm", "thicker one"),
        ("7=0.3ft", "unknown unit"),
    ],
)
def test_nonsense_is_refused_in_one_line(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says) as caught:
        parse_reading(text)
    assert "\n" not in str(caught.value)


def test_a_bare_pair_thinner_than_a_leaf_may_be_inches() -> None:
    with pytest.raises(InputError, match=r"write 0\.010\.\.0\.012in or"):
        parse_reading("7=0.010..0.012")
    assert parse_reading("7=0.010..0.012in").value_mm == pytest.approx(25.4 * 0.011)


@pytest.mark.parametrize("text", ["7=0.015", "7=0.010", "7=.02"])
def test_a_bare_number_thinner_than_a_leaf_may_be_inches(text: str) -> None:
    """0.015 in is a usual relief, 0.38 mm; 0.015 mm is thinner than any leaf, and would have the rod loosened."""
    with pytest.raises(InputError, match="thinner than a feeler leaf: write"):
        parse_reading(text)
    assert parse_reading(f"{text}in").value_mm == pytest.approx(25.4 * float(text[2:]))
    assert parse_reading(f"{text}mm").value_mm == pytest.approx(float(text[2:]))
    assert parse_reading("7=0").value_mm == 0.0
    assert parse_reading("7=0.25").value_mm == 0.25


def test_a_pair_needs_the_feeler() -> None:
    with pytest.raises(InputError, match="method is dial"):
        parse_reading("7=0.2..0.3mm", method="dial")


def test_one_reading_rests_on_its_chord_ends() -> None:
    profile, findings = profile_from_readings([parse_reading("7=0.30mm")])
    relief = compute_relief(profile)
    assert profile.source == "hand"
    assert profile.frets == (1, 7, 15)
    assert relief.relief_mm == pytest.approx(0.30)
    assert relief.at_fret == 7
    assert [f.code for f in findings] == ["one-reading"]
    # The ends are in contact: relief carries the reading's uncertainty and the straightedge's.
    assert relief.U_mm == pytest.approx(2 * parse_reading("7=0.30mm").u_mm, rel=0.02)


def test_back_bow_by_hand() -> None:
    readings = [parse_reading(t) for t in ("1=0.20mm", "7=0..0.03mm", "15=0.25mm")]
    relief = compute_relief(profile_from_readings(readings)[0])
    assert relief.relief_mm < -0.15
    assert relief.shape == "back-bow"


def test_repeated_readings_earn_no_smaller_uncertainty_and_disagreement_is_said() -> None:
    one = profile_from_readings([parse_reading("7=0.30mm")])[0]
    three = profile_from_readings([parse_reading("7=0.30mm")] * 3)[0]
    assert three.crowns[1].u_gap_mm == pytest.approx(one.crowns[1].u_gap_mm)
    apart, findings = profile_from_readings([parse_reading("7=0.30mm"), parse_reading("7=0.50mm")])
    assert "readings-disagree" in [f.code for f in findings]
    assert apart.crowns[1].u_gap_mm == pytest.approx(0.1, rel=0.01)


def test_no_readings_and_no_scale() -> None:
    with pytest.raises(InputError, match="no readings"):
        profile_from_readings([])
    with pytest.raises(InputError, match="scale length must be 200 to 1200"):
        profile_from_readings([parse_reading("7=0.3")], scale_length_mm=64)


@pytest.mark.parametrize("text", ["1", "1-2", "a-b", "15-1", "1-31", "1-7-15"])
def test_chord_nonsense(text: str) -> None:
    with pytest.raises(InputError, match="chord"):
        parse_chord(text)


def test_toml_sheet(tmp_path: Path) -> None:
    sheet = tmp_path / "readings.toml"
    sheet.write_text(
        'method = "dial"\nscale_length = "25.5in"\nchord = "1-14"\n[readings]\n5 = "0.2mm"\n7 = ["10thou", "0.26mm"]\n'
    )
    got = read_readings(sheet)
    assert [r.fret for r in got.readings] == [5, 7, 7]
    assert {r.method for r in got.readings} == {"dial"}
    assert got.scale_length_mm == pytest.approx(647.7)
    assert got.chord == (1, 14)


def test_csv_sheet(tmp_path: Path) -> None:
    sheet = tmp_path / "readings.csv"
    sheet.write_text("fret, reading, method\n5, 0.2mm, rule\n7, 0.25..0.30mm,\n")
    got = read_readings(sheet)
    assert [(r.fret, r.method) for r in got.readings] == [(5, "rule"), (7, "feeler")]


@pytest.mark.parametrize(
    "name, content, says",
    [
        ("a.toml", "readings = 3", "table \\[readings\\]"),
        ("a.toml", "x = 1\n[readings]\n7='0.3'", "unknown entry 'x'"),
        ("a.toml", "[readings", "is not TOML"),
        ("a.toml", "[readings]\n7 = '40mm'", "a.toml: reading at fret 7: 40 mm"),
        ("a.csv", "fret,value\n7,0.3\n", "columns fret, reading"),
        ("a.csv", "", "columns fret, reading"),
        ("a.csv", 'fret,reading\n"7,0.3\n', "not CSV|fret must be"),
    ],
)
def test_bad_sheets(tmp_path: Path, name: str, content: str, says: str) -> None:
    sheet = tmp_path / name
    sheet.write_text(content)
    with pytest.raises(InputError, match=says):
        read_readings(sheet)


def test_missing_and_binary_sheets(tmp_path: Path) -> None:
    with pytest.raises(FileProblem, match="cannot read"):
        read_readings(tmp_path / "none.toml")
    (tmp_path / "b.csv").write_bytes(b"\xff\xfe\x00\x9f")
    with pytest.raises(FileProblem, match="UTF-8"):
        read_readings(tmp_path / "b.csv")


def test_turn_log(tmp_path: Path) -> None:
    log = tmp_path / "turns.csv"
    log.write_text("turns,before,after,U,hour,day\n0.125,0.50mm,0.43mm,0.02mm,,0.42mm\n-0.125,0.017in,0.50mm,,,\n")
    first, second = read_turn_log(log)
    assert (first.turns, first.before_mm, first.day_mm, first.U_after_mm) == (0.125, 0.5, 0.42, 0.02)
    assert second.before_mm == pytest.approx(0.4318)
    log.write_text("turns,before,after\n3,0.5,0.4\n")
    with pytest.raises(InputError, match="to 1 turn"):
        read_turn_log(log)
    log.write_text("turns,before,after\nx,0.5,0.4\n")
    with pytest.raises(InputError, match="line 2: turns: cannot read"):
        read_turn_log(log)


@pytest.mark.parametrize(
    ("texts", "target"),
    [
        (["2=0.5mm"], (0.10, 0.25)),
        (["12=0.5mm"], (0.10, 0.25)),
        (["2=0.40mm", "7=0.12mm"], (0.10, 0.25)),
        (["13=0.40mm", "7=0.13mm"], (0.10, 0.25)),
        (["2=0.40mm", "8=0.12mm", "14=0.02mm"], (0.10, 0.25)),
        (["4=0.27mm"], (0.30, 0.45)),
    ],
)
def test_a_gap_read_near_an_end_of_the_chord_turns_no_rod(texts: list[str], target: tuple[float, float]) -> None:
    """There a fret shows; an even bow of 0.33 mm is 0.27 mm deep at fret 4."""
    profile, findings = profile_from_readings([parse_reading(text) for text in texts])
    got = advise(profile, target, findings=findings).plan
    assert got.direction == "none"
    assert "no-middle-reading" in [f.code for f in got.findings] or "fret-not-rod" in [f.code for f in got.findings]


def test_a_bow_read_in_its_middle_turns_the_rod_whatever_else_was_read() -> None:
    for texts in (["7=0.5mm"], ["3=0.3mm", "7=0.5mm", "12=0.2mm"], ["5=0.45mm", "7=0.5mm"]):
        profile, findings = profile_from_readings([parse_reading(text) for text in texts])
        assert advise(profile, (0.10, 0.25), findings=findings).plan.direction == "tighten"


def test_one_reading_that_the_others_do_not_bear_out_turns_no_rod() -> None:
    profile, findings = profile_from_readings([parse_reading(t) for t in ("5=0.10mm", "7=0.10mm", "9=0.30mm")])
    got = advise(profile, (0.10, 0.25), findings=findings).plan
    assert (got.judgement, got.direction) == ("cannot-tell", "none")
    assert "one-reading-decides" in [f.code for f in got.findings]


def test_the_thinnest_leaf_that_does_not_go_is_a_reading() -> None:
    assert parse_reading("7=0..0.05").value_mm == pytest.approx(0.025)
    with pytest.raises(InputError, match="thinner than a feeler leaf"):
        parse_reading("7=0.010..0.012")


def test_no_gap_at_all_may_be_a_back_bow() -> None:
    _, findings = profile_from_readings([parse_reading("7=0mm")])
    assert "no-gap" in [f.code for f in findings]
    back_bow = [parse_reading(text) for text in ("1=0.2mm", "7=0mm", "15=0.2mm")]
    profile, findings = profile_from_readings(back_bow)
    assert "no-gap" not in [f.code for f in findings]
    assert compute_relief(profile).relief_mm == pytest.approx(-0.2, abs=0.01)


def test_a_gap_beyond_the_usual_chord_asks_what_the_straightedge_rests_on() -> None:
    readings = [parse_reading("7=0.3mm"), parse_reading("20=0.5mm")]
    with pytest.raises(InputError, match="reading at fret 20 lies outside the chord 1-15"):
        profile_from_readings(readings)
    assert profile_from_readings(readings, chord=(1, 22))[0].frets == (1, 7, 20, 22)
    touching = [parse_reading("7=0.3mm"), parse_reading("17=0mm")]
    assert profile_from_readings(touching)[0].frets == (1, 7, 17)
