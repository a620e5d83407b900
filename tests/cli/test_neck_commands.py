"""advise, tension, clearance and crosscheck as a user runs them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from lightgap.cli import app as cli
from lightgap.neck.documents import crowns_document, relief_document, schema_for
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import CrownGap, GapProfile
from lightgap.neck.relief import compute_relief
from lightgap.records.book import create_book


def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *words: str) -> tuple[int, str, str]:
    """Run the command line; returns exit status, standard output and standard error."""
    monkeypatch.setattr(sys, "argv", ["lightgap", *words])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    got = capsys.readouterr()
    return int(ended.value.code or 0), got.out, got.err


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch):  # type: ignore[no-untyped-def]
    return lambda *words: run(capsys, monkeypatch, *words)


@pytest.fixture
def profile(tmp_path: Path) -> Path:
    """A profile document as a photo makes it: twenty crowns, 0.40 mm of relief."""
    x = fret_position_mm(np.arange(1, 21), 648.0)
    share = np.clip((x - x[0]) / (x[14] - x[0]), 0, 1)
    crowns = tuple(
        CrownGap(f, float(p), float(g), 0.005, x_px=float(10 * p), y_px=600.0)
        for f, p, g in zip(range(1, 21), x, 1.6 * share * (1 - share), strict=True)
    )
    made = GapProfile(crowns, np.eye(20) * 0.005**2, scale_length_mm=648.0)
    document = {
        "schema": "lightgap/profile/1",
        "photos": [{"file": "a.jpg", "sha256": "0" * 64, "width_px": 4032, "height_px": 1400}],
        "scale": {"reference": "card", "px_per_mm": 8.6, "u_px_per_mm": 0.03},
        **crowns_document(made),
        "relief": relief_document(compute_relief(made)),
        "straightedge": {"points_px": [[1.0, 2.0], [3.0, 4.0]]},
        "warnings": [],
    }
    jsonschema.validate(document, schema_for("profile-1"))
    path = tmp_path / "profile.json"
    path.write_text(json.dumps(document))
    return path


def test_advise_from_a_profile(call, profile: Path) -> None:  # type: ignore[no-untyped-def]
    code, out, err = call("advise", str(profile), "--target", "0.10-0.25", "--rod", "single-action")
    assert (code, err) == (0, "")
    assert "Relief   +0.39" in out  # of 0.4: drawn to a smooth neck by its noise
    assert "tighten (clockwise), 1/8 turn (45 degrees)" in out
    for part in ("Checklist", "Stop when", "Cautions"):
        assert part in out


def test_advise_json_alone_on_standard_output(call) -> None:  # type: ignore[no-untyped-def]
    code, out, err = call(
        "advise", "--reading", "7=0.015in", "--method", "feeler", "--rod", "two-way", "--nut-feel", "snug",
        "--strings", "at-pitch", "--target", "0.10-0.25", "--chord", "1-15", "--json", "-",
    )  # fmt: skip
    assert (code, err) == (0, "")
    document = json.loads(out)
    jsonschema.validate(document, schema_for("plan-1"))
    assert list(document)[:9] == [
        "schema", "relief", "target_mm", "judgement", "turn", "checklist", "stop_when", "cautions", "findings"
    ]  # fmt: skip
    assert document["judgement"] == "above"
    assert document["turn"] == {"direction": "tighten", "step_turns": 0.125, "visit_cap_turns": 0.75}
    assert document["relief"]["relief_mm"] == pytest.approx(0.381)
    assert document["inputs"]["readings"] == ["7=0.015in"]


def test_advise_with_everything(call, profile: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    log = tmp_path / "turns.csv"
    log.write_text("turns,before,after,U\n0.125,0.55mm,0.48mm,0.02mm\n")
    plot, out_json = tmp_path / "p.png", tmp_path / "plan.json"
    code, out, err = call(
        "advise", str(profile), "--log", str(log), "--turned", "0.125", "--family", "electric",
        "--action", "2.3,1.9", "--want-action",
        "2.0,1.6", "--post-pitch", "0.8mm", "--units", "in", "--plot", str(plot), "--json", str(out_json),
    )  # fmt: skip
    assert code == 0
    assert err == f"Drawn: {plot}\n"
    assert plot.read_bytes().startswith(b"\x89PNG")
    assert "Expect" in out
    assert "in turns of the height screws" in out
    document = json.loads(out_json.read_text())
    jsonschema.validate(document, schema_for("plan-1"))
    assert document["response"]["steps"] == 1
    assert document["expected"]["relief_mm"] < 0.4
    # Relief goes down, the strings come down, the saddle must go up again less what was wanted lower.
    assert document["action"]["action_change_mm"] < 0


def test_advise_takes_sheets(call, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    sheet = tmp_path / "readings.toml"
    sheet.write_text('chord = "1-14"\n[readings]\n5 = "0.40..0.45mm"\n7 = "0.45..0.50mm"\n')
    code, out, _ = call("advise", str(sheet))
    assert code == 0
    assert "chord 1-14" in out


@pytest.mark.parametrize(
    "words, says",
    [
        (["advise", "--reading", "7=40mm"], "40 mm is no gap"),
        (["advise", "--reading", "7=3in"], "76.2 mm is no gap"),
        (["advise", "--reading", "31=0.3mm"], "fret must be a whole number 0 to 30"),
        (["advise", "--reading", "7=0.3", "--target", "0.2-0.1"], "target relief must run from a low"),
        (["advise", "--reading", "7=0.3", "--target", "0-40"], "target relief"),
        (["advise", "--reading", "7=0.3", "--target", "0.004-0.010"], "write 0.004-0.010in or"),
        (["advise", "--reading", "7=0.3", "--temperature", "70K", "--humidity", "40"], "as 21C or 70F"),
        (["advise", "--reading", "7=0.3", "--step-cap", "0.5"], "lowered, not raised"),
        (["advise", "--reading", "7=0.3", "--visit-cap", "2"], "lowered, not raised"),
        (["advise", "--reading", "7=0.3", "--chord", "1-40"], "fret must be"),
        (["advise", "--reading", "7=0.3", "--chord", "8-15"], "chord end fret|no crown|lies"),
        (["advise", "--reading", "7=0.3", "--scale-length", "64"], "scale length must be 200 to 1200"),
        (["advise", "--reading", "7=0.3", "--action", "40mm,2mm"], "40 mm is no string height"),
        (["advise", "--reading", "7=0.3", "--want-action", "2,2"], "give --action"),
        (["advise"], "nothing to judge"),
        (["tension"], "no strings"),
        (["tension", "--string", "E4=3mm"], "plain string of 3 mm"),
        (["tension", "--set", "electric-10", "--scale-length", "9000mm"], "scale length"),
        (["tension", "--set", "electric-10", "--to-set", "electric-11", "--seen", "463N=0.3mm"], "two tensions"),
        (["tension", "--set", "electric-10", "--string", "E4=0.010in"], "not both"),
        (["clearance", "--reading", "7=0.3mm", "--force", "99"], "pluck force"),
        (["clearance", "--reading", "7=0.3mm", "--pluck-at", "3in", "--height-at-1", "9mm"], "over fret 1"),
    ],
)
def test_nonsense_is_one_line_and_exit_2(call, words: list[str], says: str) -> None:  # type: ignore[no-untyped-def]
    code, out, err = call(*words)
    assert code == 2
    assert out == ""
    assert err.count("\n") == 1
    assert any(part in err for part in says.split("|"))


@pytest.mark.parametrize(
    "content, code, says",
    [
        ("{", 4, "it is not JSON"),
        ("[]", 2, "not a JSON object"),
        ('{"schema": "lightgap/refusal/1", "code": "x", "message": "too dark"}', 2, "could not be measured: too dark"),
        ('{"schema": "lightgap/profile/1", "crowns": []}', 2, "no crowns"),
        ("[" * 100_000, 4, "it is not JSON"),
    ],
)
def test_bad_documents(call, tmp_path: Path, content: str, code: int, says: str) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "p.json"
    path.write_text(content)
    got, out, err = call("advise", str(path))
    assert (got, out) == (code, "")
    assert says in err
    assert err.count("\n") == 1


def test_missing_file_and_unwritable_target(call, profile: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    assert call("advise", str(tmp_path / "none.json"))[0] == 4
    code, _, err = call("advise", str(profile), "--json", str(tmp_path / "no" / "folder" / "plan.json"))
    assert code == 4
    assert "cannot write" in err


def test_tension(call, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    plot = tmp_path / "t.png"
    words = [
        "tension",
        "--set",
        "electric-10",
        "--scale-length",
        "25.5in",
        "--to-set",
        "electric-11",
        "--plot",
        str(plot),
    ]
    words += ["--seen", "463N=0.20mm", "--seen", "520N=0.24mm"]
    code, out, _ = call(*words)
    assert code == 0
    assert "72.5" in out
    assert "Relief to expect  +0.05" in out
    code, out, err = call(*words, "--json", "-")
    document = json.loads(out)
    jsonschema.validate(document, schema_for("tension-1"))
    assert document["strings"][0]["tension_lbf"] == pytest.approx(16.304, abs=0.001)
    assert document["change"]["relief"]["change_mm"] > 0
    assert "Drawn" in err
    assert plot.read_bytes().startswith(b"\x89PNG")


def test_tension_of_single_strings_and_tunings(call) -> None:  # type: ignore[no-untyped-def]
    code, out, _ = call("tension", "--string", "E4=0.010in", "--string", "E2=0.046inw:core=0.018in", "--json", "-")
    assert code == 0
    assert len(json.loads(out)["strings"]) == 2
    code, out, _ = call("tension", "--set", "electric-10", "--to-tuning", "drop", "--json", "-")
    assert code == 0
    change = json.loads(out)["change"]
    assert change["strings"][-1]["note"] == "D2"
    assert change["pull_N"] < 0


def test_clearance(call, profile: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    plot = tmp_path / "map.png"
    code, out, _ = call("clearance", str(profile), "--set", "electric-10", "--action", "2.0,1.6", "--plot", str(plot))
    assert code == 0
    assert "Least clearance beyond the played fret" in out
    assert "Model: ideal string" in out
    assert plot.read_bytes().startswith(b"\x89PNG")
    code, out, _ = call("clearance", str(profile), "--string", "E4=0.010in", "--units", "in", "--json", "-")
    document = json.loads(out)
    jsonschema.validate(document, schema_for("clearance-1"))
    assert len(document["played"]) == 20
    assert document["least"] == min(document["played"], key=lambda p: p["least_mm"])


def test_crosscheck(call, profile: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    plot = tmp_path / "x.png"
    code, out, _ = call("crosscheck", str(profile), "--reading", "7=0.40mm", "--plot", str(plot))
    assert code == 0
    assert out.startswith("Hand and photo agree")
    code, out, _ = call("crosscheck", str(profile), "--reading", "7=0.60mm", "--json", "-")
    document: dict[str, Any] = json.loads(out)
    jsonschema.validate(document, schema_for("crosscheck-1"))
    assert document["verdict"] == "disagree"
    assert document["repeat_frets"] == [7]
    assert plot.read_bytes().startswith(b"\x89PNG")


def test_help_is_instant_and_shows_examples() -> None:
    """Heavy imports happen inside the command: neither numpy nor matplotlib is loaded for --help."""
    script = (
        "import sys; sys.argv = ['lightgap', sys.argv[1], '--help']\n"
        "from lightgap.cli.app import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "print([m for m in ('numpy', 'scipy', 'matplotlib', 'cv2') if m in sys.modules])"
    )
    for command in ("advise", "tension", "clearance", "crosscheck"):
        done = subprocess.run([sys.executable, "-c", script, command], capture_output=True, text=True, check=True)
        assert done.stdout.rstrip().endswith("[]"), command
        assert done.stdout.count(f"lightgap {command}") >= 2


@pytest.mark.parametrize("name", ["tension-1", "clearance-1", "crosscheck-1"])
def test_schema_files_are_valid(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(schema_for(name))


def test_the_profile_brings_its_chord_and_warnings(call, profile: Path) -> None:  # type: ignore[no-untyped-def]
    document = json.loads(profile.read_text())
    document["relief"]["chord"] = [2, 14]
    document["warnings"] = [{"code": "dim", "message": "the photo is dim"}]
    profile.write_text(json.dumps(document))
    code, out, _ = call("advise", str(profile), "--temperature", "21", "--humidity", "30")
    assert code == 0
    assert call("advise", str(profile), "--temperature", "69.8F", "--humidity", "30%")[1] == out
    assert "chord 2-14" in out
    assert "the photo is dim" in out
    assert "% moisture: dry" in out
    assert "chord 1-15" in call("advise", str(profile), "--chord", "1-15")[1]
    assert call("advise", str(profile), "--humidity", "30")[0] == 2


def test_readings_may_follow_one_option(call, profile: Path) -> None:  # type: ignore[no-untyped-def]
    code, out, _ = call("advise", "--reading", "5=0.30mm", "7=0.35mm", "9=0.32mm", "--json", "-")
    assert code == 0
    assert json.loads(out)["inputs"]["readings"] == ["5=0.30mm", "7=0.35mm", "9=0.32mm"]
    assert call("crosscheck", str(profile), "--reading", "7=0.40mm", "5=0.35mm")[0] == 0
    assert call("advise", "a.json", "b.json")[0] == 2
    assert call("crosscheck", "7=0.40mm")[0] == 2


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a.json", '{"schema": ' + "1" * 5000 + "}"),
        ("a.json", '{"schema": "lightgap/profile/1", "crowns": [{"fret": 1, "position_mm": 1' + "0" * 400 + "}]}"),
        ("a.json", "[" * 100_000),
        ("a.toml", "[readings]\n7 = " + "1" * 5000),
        ("a.toml", "a = " + "[" * 5000),
        ("a.toml", '[readings]\n7 = "1e100000000"'),
        ("a.toml", '[readings]\n7 = "' + "1" * 5000 + '"'),
    ],
)
def test_numbers_and_nesting_beyond_all_measure_are_one_line(call, tmp_path: Path, name: str, text: str) -> None:  # type: ignore[no-untyped-def]
    (tmp_path / name).write_text(text)
    code, _, err = call("advise", str(tmp_path / name))
    assert code in (2, 4)
    assert err.startswith("lightgap: ")
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("turns,before,after,u_expanded\n0.125,0.55mm,0.48mm,0.10mm\n", "unknown column 'u_expanded'"),
        ("turns,before,after\n0.125,0.016,0.014\n", "write 0.016in or 0.016mm"),
    ],
)
def test_a_turn_log_that_may_mean_something_else_is_refused(  # type: ignore[no-untyped-def]
    call, profile: Path, tmp_path: Path, rows: str, message: str
) -> None:
    log = tmp_path / "turns.csv"
    log.write_text(rows)
    code, _, err = call("advise", str(profile), "--log", str(log))
    assert code == 2
    assert message in err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["{profile}", "--json", "{profile}"], "is what is read here"),
        (["{profile}", "--plot", "{profile}"], "is what is read here"),
        (["{profile}", "--json", "{log}", "--log", "{log}"], "is what is read here"),
        (["{profile}", "--json", "{folder}/x", "--plot", "{folder}/./x"], "named for two results"),
        (["{profile}", "--json", "{book}"], "is a bench book"),
        (["{profile}", "--json", "{folder}"], "it is a folder"),
        (["{profile}", "--json", "{folder}/none/x.json"], "there is no folder"),
    ],
)
def test_no_result_takes_the_place_of_what_is_kept(  # type: ignore[no-untyped-def]
    call, profile: Path, tmp_path: Path, words: list[str], message: str
) -> None:
    log, book = tmp_path / "turns.csv", tmp_path / "bench.sqlite"
    log.write_text("turns,before,after\n0.125,0.55mm,0.48mm\n")
    create_book(book)
    before = {path: path.read_bytes() for path in (profile, log, book)}
    places = {"profile": profile, "folder": tmp_path, "log": log, "book": book}
    code, out, err = call("advise", *(word.format(**places) for word in words))
    assert code in (2, 4)
    assert message in err
    assert out == ""  # nothing half done
    assert {path: path.read_bytes() for path in before} == before


@pytest.mark.parametrize(
    ("words", "scale"),
    [
        (["--set", "mandolin-11"], "352 mm (usual"),
        (["--set", "bass-45"], "864 mm (usual"),
        (["--string", "E4=0.010in"], "648 mm (usual"),
        (["--set", "bass-45", "--scale-length", "30in"], "762 mm\n"),
    ],
)
def test_a_set_is_taken_at_the_scale_it_is_made_for(call, words: list[str], scale: str) -> None:  # type: ignore[no-untyped-def]
    assert f"scale length {scale}" in call("tension", *words)[1]


def test_a_change_of_pull_carries_both_sets_into_the_relief(call) -> None:  # type: ignore[no-untyped-def]
    """JCGM 100:2008, 5.1.2 and 5.2.2: of both sets what is common is subtracted, 1 % of each pull is independent."""
    words = ["--set", "electric-10", "--to-set", "electric-11", "--seen", "463N=0.20mm", "--seen", "380N=0.15mm"]
    change = json.loads(call("tension", *words, "--json", "-")[1])["change"]
    sets = [json.loads(call("tension", "--set", f"electric-{n}", "--json", "-")[1])["total"] for n in (10, 11)]
    u_common = sets[1]["u_tension_N"] - sets[0]["u_tension_N"]
    u_pull = np.sqrt(u_common**2 + sum((0.01 * total["tension_N"]) ** 2 for total in sets))
    assert change["U_pull_N"] == pytest.approx(2 * u_pull, rel=1e-3)
    per_N = change["relief"]["change_mm"] / change["pull_N"]
    assert change["relief"]["U_mm"] > 2 * per_N * u_pull > 0.005  # the slope's own comes on top


def test_results_go_through_links_and_into_pipes(call, profile: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    (tmp_path / "link.json").symlink_to(tmp_path / "real.json")
    assert call("advise", str(profile), "--json", str(tmp_path / "link.json"))[0] == 0
    assert (tmp_path / "link.json").is_symlink()
    assert json.loads((tmp_path / "real.json").read_text())["schema"] == "lightgap/plan/1"
    assert call("advise", str(profile), "--json", "/dev/null")[0] == 0
    assert Path("/dev/null").is_char_device()
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        assert call("advise", str(profile), "--json", str(pipe))[0] == 0
        assert json.loads(os.read(reader, 1_000_000))["schema"] == "lightgap/plan/1"
    finally:
        os.close(reader)
    assert pipe.is_fifo()
    code, _, err = call("advise", str(profile), "--json", str(tmp_path / ("x" * 300)))
    assert (code, err.count("\n")) == (4, 1)


@pytest.mark.parametrize("option", ["--plot", "--json"])
def test_a_file_of_another_kind_is_not_written_over(call, profile: Path, tmp_path: Path, option: str) -> None:  # type: ignore[no-untyped-def]
    other = tmp_path / "other.png"
    for content in (b"a note", profile.read_bytes(), b"\xff\xd8\xff\xe0photo"):
        other.write_bytes(content)
        code, _, err = call("advise", "--reading", "7=0.3mm", option, str(other))
        assert code == 2
        assert "of another kind" in err
        assert other.read_bytes() == content


def test_parts_of_a_turn_are_written_as_people_say_them(call, profile: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    log = tmp_path / "turns.csv"
    words = ["--family", "electric", "--log", str(log)]
    said = []
    for turns, options in (
        ("0.125", ["--turned", "0.125", "--step-cap", "0.125"]),
        ("1/8", ["--turned", "1/8", "--step-cap", "1/8"]),
    ):
        log.write_text(f"turns,before,after,U\n{turns},0.55mm,0.48mm,0.02mm\n-{turns},0.48mm,0.55mm,0.02mm\n")
        code, out, _ = call("advise", str(profile), *words, *options)
        assert code == 0
        said.append(out)
    assert said[0] == said[1]
    assert "1/8 turn (45 degrees)" in said[0]
    assert call("advise", str(profile), "--turned", "half")[0] == 2
