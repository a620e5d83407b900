"""`lightgap batch`: a folder in, one document a line and one table out."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from PIL import Image
from typer.testing import CliRunner

from lightgap.cli.app import app
from lightgap.cli.batch import COLUMNS, list_photos, summary_csv
from lightgap.neck.documents import schema_for
from lightgap.neck.errors import FileProblem, InputError

SAMPLES = Path(__file__).parents[2] / "sample_images"
KNOWN = ["--scale-length", "645", "--reference", "card", "--straightedge-height", "30"]


def run(*words: object) -> Any:
    return CliRunner().invoke(app, ["batch", *map(str, words)])


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("photos")
    shutil.copy(SAMPLES / "dreadnought-upbow.jpg", folder / "a, neck.jpg")
    (folder / "b.jpg").write_bytes((SAMPLES / "dreadnought-upbow.jpg").read_bytes()[:30000])
    Image.new("RGB", (1200, 500), (120, 120, 120)).save(folder / "c.png")
    (folder / "notes.txt").write_text("no photo")
    done = run(folder, "--out", folder / "deep" / "out", *KNOWN)
    assert done.exit_code == 0, done.output
    return done, folder / "deep" / "out"


def test_results_hold_one_valid_document_a_photo(worked: Any) -> None:
    _, out = worked
    lines = [json.loads(line) for line in (out / "results.jsonl").read_text("utf-8").splitlines()]
    assert [line["schema"] for line in lines] == ["lightgap/profile/1", "lightgap/refusal/1", "lightgap/refusal/1"]
    jsonschema.validate(lines[0], schema_for("profile-1"))
    for line in lines[1:]:
        jsonschema.validate(line, schema_for("refusal-1"))
    assert [line["file"] for line in lines[1:]] == ["b.jpg", "c.png"]
    assert lines[1]["code"] == "file-problem"


def test_summary_is_rfc_4180_and_says_what_the_documents_say(worked: Any) -> None:
    _, out = worked
    data = (out / "summary.csv").read_bytes()
    assert data.count(b"\r\n") == 4
    assert data.replace(b"\r\n", b"").find(b"\n") == -1
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline="")))
    assert tuple(rows[0]) == COLUMNS
    assert [r["status"] for r in rows] == ["measured", "unreadable", "refused"]
    relief = json.loads((out / "results.jsonl").read_text("utf-8").splitlines()[0])["relief"]
    assert rows[0]["file"] == "a, neck.jpg"
    assert float(rows[0]["relief_mm"]) == relief["relief_mm"]
    assert rows[0]["chord"] == "-".join(map(str, relief["chord"]))
    assert rows[2]["relief_mm"] == ""


def test_talk_is_one_line_a_photo_on_standard_error_and_nothing_on_standard_output(worked: Any) -> None:
    done, _ = worked
    assert done.stdout == ""
    said = done.stderr.splitlines()
    assert [line.partition(":")[0] for line in said[:3]] == ["a, neck.jpg", "b.jpg", "c.png"]
    assert said[3].startswith("1 of 3 measured")


def test_photo_less_certain_than_wanted_is_listed_as_refused(tmp_path: Path) -> None:
    shutil.copy(SAMPLES / "dreadnought-upbow.jpg", tmp_path / "a.jpg")
    assert run(tmp_path, "--out", tmp_path / "out", *KNOWN, "--want-U", "0.002mm").exit_code == 0
    table = (tmp_path / "out" / "summary.csv").read_bytes().decode("utf-8")
    (row,) = csv.DictReader(io.StringIO(table, newline=""))
    assert (row["status"], row["code"], row["relief_mm"]) == ("refused", "too-uncertain", "")


def test_folder_that_is_not_there_or_empty_is_a_file_problem(tmp_path: Path) -> None:
    for folder in (tmp_path / "none", tmp_path):
        with pytest.raises(FileProblem, match="cannot"):
            list_photos(folder)
    done = run(tmp_path / "none", "--out", tmp_path / "out")
    assert done.exception is not None
    assert getattr(done.exception, "exit_status", None) == 4
    assert not (tmp_path / "out").exists()


def test_neither_file_is_written_when_one_cannot_be(tmp_path: Path) -> None:
    Image.new("RGB", (100, 100)).save(tmp_path / "small.png")
    out = tmp_path / "out"
    (out / "summary.csv" / "in the way").mkdir(parents=True)
    earlier = '{"schema": "lightgap/profile/1"}\n'
    (out / "results.jsonl").write_text(earlier)
    done = run(tmp_path, "--out", out)
    assert isinstance(done.exception, FileProblem)
    assert (out / "results.jsonl").read_text() == earlier


def test_out_that_is_a_file_is_said_before_anything_is_measured(tmp_path: Path) -> None:
    Image.new("RGB", (100, 100)).save(tmp_path / "small.png")
    (tmp_path / "out").write_text("a file")
    done = run(tmp_path, "--out", tmp_path / "out")
    assert isinstance(done.exception, FileProblem)
    assert done.stderr == ""


def test_bad_options_are_input_errors(tmp_path: Path) -> None:
    for words in (["--scale-length", "10"], ["--reference", "brick"], ["--chord", "5"], ["--nut", "up"]):
        assert isinstance(run(tmp_path, "--out", tmp_path / "out", *words).exception, InputError)


def test_names_with_quotes_survive_the_table() -> None:
    refusal = {"schema": "lightgap/refusal/1", "code": "blurred", "message": "m"}
    text = summary_csv(['say "hi".jpg'], [refusal])
    assert list(csv.reader(io.StringIO(text, newline="")))[1][:3] == ['say "hi".jpg', "refused", "blurred"]
