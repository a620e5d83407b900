"""A book of the first schema version, opened and measured again by today's program."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from lightgap.neck.errors import FileProblem, Refusal
from lightgap.records.book import Book, open_book, schema_version
from lightgap.records.check import check_book
from lightgap.records.migrations import LATEST
from lightgap.records.remeasure import Remeasured, remeasure_book
from lightgap.records.visit_report import visit_report_html
from lightgap.records.visits import find_visit, measured_document

STORED = Path(__file__).parents[1] / "data" / "book-schema-1"


@pytest.fixture
def older(tmp_path: Path) -> Path:
    """A copy of the stored book."""
    shutil.copytree(STORED, tmp_path / "older")
    return tmp_path / "older" / "book.sqlite"


class Meter:
    """Stands for a measuring program: returns what the book holds, changed as asked for by photo."""

    def __init__(self, book: Book, change_mm: Mapping[int, float] | None = None) -> None:
        self.change_mm = change_mm or {}
        self.seen: list[Mapping[str, Any]] = []
        self.documents = {}
        for row in book.rows("SELECT id FROM visit"):
            for entry in find_visit(book, row["id"]).measurements():
                document = measured_document(entry)
                self.documents[document["photos"][0]["sha256"]] = (entry.id, document)

    def __call__(self, paths: Sequence[Path], settings: Mapping[str, Any]) -> Mapping[str, Any]:
        self.seen.append(settings)
        path = paths[0]
        number, document = self.documents[path.stem]
        relief = dict(document["relief"])
        relief["relief_mm"] += self.change_mm.get(number, 0.0)
        return document | {"relief": relief}


def test_older_book_is_brought_up_to_date_and_keeps_everything(older: Path) -> None:
    connection = sqlite3.connect(older)
    assert schema_version(connection) == 1
    before = {
        table: connection.execute(f"SELECT * FROM {table} ORDER BY rowid").fetchall()
        for table in ("instrument_entry", "visit", "entry", "photo", "measurement", "turn", "action", "climate")
    }
    connection.close()
    with open_book(older) as book:
        assert schema_version(book.connection) == LATEST
        assert check_book(book).faults == ()
        for table, rows in before.items():
            assert [tuple(row) for row in book.rows(f"SELECT * FROM {table} ORDER BY rowid")] == rows
        assert "±" in visit_report_html(book, find_visit(book, "Stored 1"))
    assert len(list(older.parent.glob("book.sqlite.schema-1.*.backup"))) == 1


def outcomes(lines: list[Remeasured]) -> list[str]:
    return [line.outcome for line in lines]


def test_unchanged_program_says_same(older: Path) -> None:
    with open_book(older) as book:
        meter = Meter(book)
        lines = list(remeasure_book(book, meter))
    assert outcomes(lines) == ["same"] * 4
    assert [line.visit_id for line in lines] == [1, 1, 2, 2]
    assert meter.seen[0] == {"scale_length_mm": 648.0, "reference": "card"}


def test_change_is_held_against_the_uncertainty_stated_then(older: Path) -> None:
    with open_book(older) as book:
        entries = [entry.id for number in (1, 2) for entry in find_visit(book, number).measurements()]
        # stated U is 0.014 mm; the last digit shown is 0.001 mm
        change = dict(zip(entries, (0.0004, 0.0006, 0.013, -0.015), strict=True))
        lines = list(remeasure_book(book, Meter(book, change)))
    assert outcomes(lines) == ["same", "changed within U", "changed within U", "changed beyond U"]
    assert lines[3].change_mm == pytest.approx(-0.015)
    assert lines[3].document()["change_mm"] == pytest.approx(-0.015)


def test_refusal_and_missing_photo_are_said_and_the_rest_goes_on(older: Path) -> None:
    with open_book(older) as book:
        meter = Meter(book)
        first, second = [entry for entry in find_visit(book, 1).measurements()]
        photos = [measured_document(entry)["photos"][0]["sha256"] for entry in (first, second)]
        next(book.photos.rglob(f"{photos[0]}*")).unlink()

        def measure(paths: Sequence[Path], settings: Mapping[str, Any]) -> Mapping[str, Any]:
            if paths[0].stem == photos[1]:
                raise Refusal("blurred", "the photo is blurred: hold still")
            return meter(paths, settings)

        lines = list(remeasure_book(book, measure))
        assert outcomes(lines) == ["cannot be read", "refused now", "same", "same"]
        assert "is missing" in lines[0].remark
        assert lines[1].remark == "the photo is blurred: hold still"
        assert list(remeasure_book(book, meter, visit_id=2)) == lines[2:]


def test_file_problem_of_one_photo_does_not_stop_the_rest(older: Path) -> None:
    def measure(paths: Sequence[Path], settings: Mapping[str, Any]) -> Mapping[str, Any]:
        raise FileProblem(f"cannot read {paths[0]}")

    with open_book(older) as book:
        assert outcomes(list(remeasure_book(book, measure))) == ["cannot be read"] * 4
