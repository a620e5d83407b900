"""In and out: export, import, export is byte-equal; what is cut short, changed or forged is refused."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest

from lightgap.neck.errors import FileProblem, InputError
from lightgap.records.book import Book, open_book
from lightgap.records.check import check_book
from lightgap.records.files import photo_folder
from lightgap.records.migrations import LATEST, TABLES
from lightgap.records.transfer import backup_book, export_book, import_book
from lightgap.records.visits import find_visit

from .conftest import fill


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_export_import_export_is_byte_equal(filled: Book, tmp_path: Path) -> None:
    fill(filled, tmp_path, name="שלום \x07 <b>Green</b> ‮x")
    first, second, copy = tmp_path / "first", tmp_path / "second", tmp_path / "copy.sqlite"
    counts = export_book(filled, first)
    assert import_book(first, copy) == counts
    with open_book(copy) as book:
        assert check_book(book).faults == ()
        export_book(book, second)
        for table in TABLES:
            ours = [tuple(row) for row in filled.rows(f"SELECT * FROM {table} ORDER BY rowid")]
            theirs = [tuple(row) for row in book.rows(f"SELECT * FROM {table} ORDER BY rowid")]
            # photos are exported by hash, every other table by its number
            assert sorted(ours, key=str) == sorted(theirs, key=str)
    assert contents(first) == contents(second)
    assert len(contents(first)) == 1 + counts["photo"]


def test_every_line_of_an_export_is_json(filled: Book, tmp_path: Path) -> None:
    export_book(filled, tmp_path / "out")
    head, *lines = [json.loads(line) for line in (tmp_path / "out" / "book.jsonl").read_text("utf-8").splitlines()]
    assert head["schema"] == "lightgap/book-export/1"
    assert head["book_schema"] == LATEST
    assert {line["table"] for line in lines} == set(TABLES)
    assert len(lines) == sum(head["rows"].values())


def test_backup_is_a_whole_book_with_its_photos(filled: Book, tmp_path: Path) -> None:
    target = tmp_path / "away" / "backup.sqlite"
    target.parent.mkdir()
    assert backup_book(filled, target) == 3
    with open_book(target) as book:
        assert check_book(book).faults == ()
        assert find_visit(book, 1).entries == find_visit(filled, 1).entries
    assert sorted(file.name for file in target.parent.iterdir()) == ["backup.sqlite", "backup.sqlite.photos"]
    assert target.stat().st_mode == filled.path.stat().st_mode  # whoever may read the book may read its backup
    with pytest.raises(FileProblem, match="a backup never overwrites"):
        backup_book(filled, target)


def test_backup_and_export_refuse_a_missing_photo_and_leave_nothing(filled: Book, tmp_path: Path) -> None:
    next(filled.photos.rglob("*.jpg")).unlink()
    with pytest.raises(FileProblem, match="is missing: `lightgap book check`"):
        backup_book(filled, tmp_path / "backup.sqlite")
    assert not (tmp_path / "backup.sqlite").exists()
    with pytest.raises(FileProblem, match="is missing: `lightgap book check`"):
        export_book(filled, tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert not list(tmp_path.glob(".out*"))


def test_import_fills_only_an_empty_book(filled: Book, tmp_path: Path) -> None:
    export_book(filled, tmp_path / "out")
    with pytest.raises(InputError, match="already holds records"):
        import_book(tmp_path / "out", filled.path)
    with pytest.raises(FileProblem, match="not an empty folder"):
        export_book(filled, tmp_path / "out")


def forge(folder: Path, change) -> None:  # type: ignore[no-untyped-def]
    path = folder / "book.jsonl"
    documents = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    documents = change(documents) or documents
    text = "".join(json.dumps(document, ensure_ascii=False) + "\n" for document in documents)
    path.write_text(text, "utf-8", errors="surrogateescape")


def without_row(documents: list[dict], table: str) -> list[dict]:  # type: ignore[type-arg]
    documents[0]["rows"][table] -= 1
    lost = next(document for document in documents if document.get("table") == table)
    return [document for document in documents if document is not lost]


def row_of(documents: list[dict], table: str) -> dict:  # type: ignore[type-arg]
    return next(document["row"] for document in documents if document.get("table") == table)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d[:-1], "is cut short"),
        (lambda d: d[0].update(book_schema=LATEST + 1), "newer lightgap"),
        (lambda d: d[0].update(schema="other/1"), "no export of a bench book"),
        (lambda d: row_of(d, "photo").update(sha256="0" * 64), "lacks the photo"),
        (lambda d: row_of(d, "photo").update(sha256="../../../etc/passwd", suffix=""), "outside its folder"),
        (lambda d: row_of(d, "visit").update(instrument_id=77), "does not hold together"),
        (lambda d: row_of(d, "visit").update({"id) SELECT 1; --": 1}), "unknown column"),
        (lambda d: d[5].update(table="sqlite_master"), "no record of a bench book"),
        (lambda d: [*d, d[-1]], "does not fit together"),
        (lambda d: d[0]["rows"].update(visit="many"), "number of rows"),
        (lambda d: d[0]["rows"].pop("turn") and None, "number of rows"),
        (lambda d: row_of(d, "visit").update(id=10**30), "larger than any"),
        (lambda d: row_of(d, "remark").update(text="\udcff"), "no Unicode"),
        (lambda d: row_of(d, "entry").update(kind="rumour"), "of a kind no bench book knows"),
        (lambda d: row_of(d, "remark").update(topic="nonsense"), "makes no sense"),
        (lambda d: row_of(d, "reading").update(gap_mm=99.0), "makes no sense"),
        (lambda d: without_row(d, "turn"), "has no turn"),
    ],
)
def test_forged_or_damaged_export_is_refused_whole(filled: Book, tmp_path: Path, change, message: str) -> None:  # type: ignore[no-untyped-def]
    out, copy = tmp_path / "out", tmp_path / "copy.sqlite"
    export_book(filled, out)
    forge(out, change)
    with pytest.raises((FileProblem, InputError), match=message) as caught:
        import_book(out, copy)
    assert "\n" not in str(caught.value)
    assert not list(tmp_path.glob("copy.sqlite*"))


def test_export_cut_in_a_line_and_changed_photo_are_refused(filled: Book, tmp_path: Path) -> None:
    out = tmp_path / "out"
    export_book(filled, out)
    path = out / "book.jsonl"
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(FileProblem, match="not a JSON object"):
        import_book(out, tmp_path / "a.sqlite")
    path.write_bytes(data)
    photo = next((out / "photos").iterdir())
    photo.chmod(0o644)
    photo.write_bytes(b"other")
    with pytest.raises(FileProblem, match="is not the one recorded"):
        import_book(out, tmp_path / "b.sqlite")
    with pytest.raises(FileProblem, match="cannot read the export"):
        import_book(tmp_path / "nowhere", tmp_path / "c.sqlite")


# --- check -------------------------------------------------------------------------------------------------------


def faults(book: Book) -> list[str]:
    return [f"{fault.code}: {fault.message}" for fault in check_book(book).faults]


def test_photo_deleted_behind_its_back_is_named_with_its_visit(filled: Book) -> None:
    photo = next(path for path in filled.photos.rglob("*.jpg"))
    photo.unlink()
    (line,) = faults(filled)
    assert line.startswith("photo-missing: the photo ")
    assert photo.name in line
    assert "visit 1" in line


def test_photo_changed_behind_its_back_is_named(filled: Book) -> None:
    photo = next(path for path in filled.photos.rglob("*.jpg"))
    data = bytearray(photo.read_bytes())
    data[100] ^= 1
    photo.chmod(0o644)
    photo.write_bytes(data)
    (line,) = faults(filled)
    assert line.startswith("photo-changed")


@pytest.mark.parametrize(
    ("statement", "message"),
    [
        ("DROP INDEX entry_by_visit", "schema: entry_by_visit is missing"),
        ("DROP TRIGGER turn_no_update", "schema: turn_no_update is missing"),
        ("CREATE TABLE extra (x INTEGER)", "schema: extra does not belong"),
    ],
)
def test_changed_schema_is_seen(filled: Book, statement: str, message: str) -> None:
    filled.connection.execute(statement)
    assert any(line.startswith(message) for line in faults(filled))


def test_broken_references_and_documents_are_seen(filled: Book) -> None:
    connection = filled.connection
    connection.execute("PRAGMA foreign_keys = OFF")
    for table in ("turn", "measurement", "visit", "instrument"):
        for verb in ("update", "delete"):
            connection.execute(f"DROP TRIGGER {table}_no_{verb}")
    connection.execute("DELETE FROM turn")
    connection.execute("UPDATE measurement SET document = '{}' WHERE rowid = (SELECT min(rowid) FROM measurement)")
    connection.execute("DELETE FROM instrument")
    lines = faults(filled)
    assert any("has no turn" in line for line in lines)
    assert any(line.startswith("document: ") for line in lines)
    assert any(line.startswith("reference: ") for line in lines)


def test_leftovers_of_a_stopped_program_are_counted_and_harmless(filled: Book) -> None:
    (photo_folder(filled.path) / ".incoming-abc").write_bytes(b"half a photo")
    result = check_book(filled)
    assert (result.faults, result.spare_files) == ((), 1)


def test_half_copied_photo_is_swept_up_after_a_day(filled: Book, tmp_path: Path) -> None:
    old, fresh = filled.photos / ".incoming-old", filled.photos / ".incoming-fresh"
    for left in (old, fresh):
        left.write_bytes(b"half")
    a_day_and_a_minute_ago = time.time() - 86_460
    os.utime(old, (a_day_and_a_minute_ago, a_day_and_a_minute_ago))
    fill(filled, tmp_path, name="Green")
    assert (old.exists(), fresh.exists()) == (False, True)


def test_kinds_and_values_that_make_no_sense_are_seen(filled: Book) -> None:
    for table in ("reading", "entry"):
        filled.connection.execute(f"DROP TRIGGER {table}_no_update")
    filled.connection.execute("UPDATE reading SET gap_mm = 99")
    filled.connection.execute("UPDATE entry SET kind = 'rumour' WHERE kind = 'remark'")
    messages = [fault.message for fault in check_book(filled).faults]
    assert any("makes no sense" in message and "99 mm" in message for message in messages)
    assert any("of a kind no bench book knows: 'rumour'" in message for message in messages)
