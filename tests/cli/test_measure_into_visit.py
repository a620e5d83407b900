"""A real photo measured into a visit, and measured again from the book."""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from typer.testing import CliRunner

from lightgap.cli.app import app
from lightgap.neck.errors import InputError
from lightgap.records.documents import schema_for

# The photo of the README's first command; its inputs stand beside it.
PHOTO = Path(__file__).parents[2] / "sample_images" / "dreadnought-upbow.jpg"
HALVES = Path(__file__).parents[1] / "data" / "several"
KNOWN = ("--reference", "card", "--straightedge-height", "30", "--straightedge-thickness", "3")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("bench")


def run(folder: Path, *words: str) -> Any:
    with contextlib.chdir(folder):
        return CliRunner().invoke(app, words, env={**os.environ, "LIGHTGAP_BOOK": str(folder / "book.sqlite")})


def test_photo_goes_into_the_visit_with_the_book_s_scale_length_and_comes_out_the_same(folder: Path) -> None:
    scale_length_mm = json.loads(PHOTO.with_suffix(".json").read_text())["inputs"]["scale_length_mm"]
    run(folder, "instrument", "add", "Blue", "--family", "acoustic", "--scale-length", f"{scale_length_mm}mm")
    run(folder, "visit", "open", "Blue")
    done = run(folder, "measure", str(PHOTO), *KNOWN, "--visit", "Blue", "--json", "-")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document["scale_length_mm"] == scale_length_mm
    assert "kept in visit 1 as intake" in done.stderr

    shown = json.loads(run(folder, "visit", "show", "1", "--json", "-").stdout)
    (entry,) = shown["entries"]
    assert entry["values"]["relief_mm"] == document["relief"]["relief_mm"]
    assert entry["values"]["document"]["settings"]["reference"] == "card"
    assert entry["values"]["plan"]["schema"] == "lightgap/plan/1"

    again = json.loads(run(folder, "book", "remeasure", "--json", "-").stdout)
    jsonschema.validate(again, schema_for("remeasure-1"))
    assert [line["outcome"] for line in again["lines"]] == ["same"]
    assert run(folder, "book", "check").exit_code == 0

    assert run(folder, "visit", "report", "1", "sheet.html").exit_code == 0
    page = (folder / "sheet.html").read_text("utf-8")
    assert page.count("data:image/jpeg;base64,") == 1
    assert document["photos"][0]["sha256"] in page


def test_several_photos_are_kept_as_one_measurement_and_measured_again(folder: Path) -> None:
    run(folder, "instrument", "add", "Halves", "--family", "acoustic", "--scale-length", "645mm")
    run(folder, "visit", "open", "Halves")
    halves = [str(HALVES / f"{name}-half.jpg") for name in ("nut", "body")]
    done = run(folder, "measure", *halves, *KNOWN, "--visit", "Halves", "--json", "-")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    shown = json.loads(run(folder, "visit", "show", "Halves", "--json", "-").stdout)
    (entry,) = shown["entries"]
    assert [p["file"] for p in entry["values"]["document"]["photos"]] == ["nut-half.jpg", "body-half.jpg"]
    number = str(shown["visit"])
    again = json.loads(run(folder, "book", "remeasure", "--visit", number, "--json", "-").stdout)
    assert [line["outcome"] for line in again["lines"]] == ["same"]
    assert run(folder, "visit", "report", number, "halves.html").exit_code == 0
    page = (folder / "halves.html").read_text("utf-8")
    assert all(photo["sha256"] in page for photo in document["photos"])
    assert page.count("data:image/jpeg;base64,") == 1
    assert run(folder, "book", "check").exit_code == 0
    kept = folder / "book.sqlite.photos"
    second = next(kept.rglob(f"{document['photos'][1]['sha256']}*"))
    second.rename(folder / "away.jpg")
    broken = run(folder, "book", "check")
    assert broken.exit_code != 0
    assert f"visit {number}" in broken.stdout + broken.stderr + str(broken.exception)
    (folder / "away.jpg").rename(second)


def test_closed_or_unknown_visit_is_said_before_anything_is_measured(folder: Path) -> None:
    run(folder, "instrument", "add", "Green")
    run(folder, "visit", "open", "Green")
    run(folder, "visit", "close", "Green")
    for visit, message in (("Green", "is closed"), ("Nobody", "no instrument"), ("77", "no visit 77")):
        # the file is not there: were it looked at first, that would be the complaint
        done = run(folder, "measure", "none.jpg", "--visit", visit)
        assert isinstance(done.exception, InputError)
        assert message in str(done.exception)
