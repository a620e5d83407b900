"""The book in and out: backup, export as JSON lines with the photos, and import to an equal book."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from lightgap.neck.errors import FileProblem, InputError

from .book import Book, book_words, copy_database, open_book
from .check import record_faults
from .files import file_words, flush_folder, keep_file, photo_folder, photo_path, sha256_of, sweep_incoming
from .migrations import LATEST, MIGRATIONS, TABLES

EXPORT_SCHEMA = "lightgap/book-export/1"
RECORDS_NAME = "book.jsonl"
PHOTOS_NAME = "photos"


def backup_book(book: Book, target: Path) -> int:
    """Copy the live book and its photos to `target` and the folder beside it; return how many photos.

    The copy is a bench book of its own. Other programs may write to the book meanwhile.

    Raises
    ------
    FileProblem
        When the target exists or cannot be written, or a photo is missing.
    """
    if target.exists():
        raise FileProblem(f"{target} exists: a backup never overwrites, name another file")
    with book_words(target), file_words(f"write the backup {target}"):
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        os.close(handle)
        temporary = Path(name)
        try:
            copy_database(book.connection, temporary)
            with open_book(temporary) as copy:
                count = _copy_photos(copy, book.photos, target=photo_folder(target))
            _no_log_left(temporary)
            os.replace(temporary, target)
        finally:
            _no_log_left(temporary)
            temporary.unlink(missing_ok=True)
        flush_folder(target.parent)
    return count


def _no_log_left(path: Path) -> None:
    for ending in ("-wal", "-shm"):
        path.with_name(path.name + ending).unlink(missing_ok=True)


def _copy_photos(book: Book, source: Path, *, target: Path) -> int:
    rows = book.rows("SELECT sha256, suffix, file_name FROM photo ORDER BY sha256")
    for row in rows:
        place = photo_path(source, row["sha256"], suffix=row["suffix"])
        if not place.exists():
            raise FileProblem(f"the photo {place} ({row['file_name']}) is missing: `lightgap book check` tells more")
        if photo_path(target, row["sha256"], suffix=row["suffix"]).exists():
            continue
        sha256, _ = keep_file(target, place, suffix=row["suffix"])
        if sha256 != row["sha256"]:
            raise FileProblem(f"the photo {place} ({row['file_name']}) is not the one recorded: restore it first")
    return len(rows)


def export_book(book: Book, folder: Path) -> dict[str, int]:
    """Write the whole book as JSON lines (UTF-8, RFC 8259) with its photos; return the number of rows by table.

    The first line names the schema, the tables and their number of rows, so that an export cut short is seen. Rows
    stand in the order of their keys: the same book makes the same bytes.

    Raises
    ------
    FileProblem
        When the folder exists and is not empty, or cannot be written, or a photo is missing or changed.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise FileProblem(f"{folder} exists and is not an empty folder: name another")
    with file_words(f"write the export {folder}"):
        folder.parent.mkdir(parents=True, exist_ok=True)
        temporary = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}."))
        try:
            with book_words(book.path):
                book.connection.execute("BEGIN")  # one view of the book, whoever writes meanwhile
                try:
                    counts = _write_records(book, temporary / RECORDS_NAME)
                    _export_photos(book, temporary / PHOTOS_NAME)
                finally:
                    book.connection.execute("ROLLBACK")
            temporary.chmod(0o755)
            if folder.exists():
                folder.rmdir()
            temporary.rename(folder)
        except BaseException:
            shutil.rmtree(temporary, ignore_errors=True)
            raise
        flush_folder(folder.parent)
    return counts


def _write_records(book: Book, path: Path) -> dict[str, int]:
    counts = {table: int(book.rows(f"SELECT count(*) FROM {table}")[0][0]) for table in TABLES}
    head = {"schema": EXPORT_SCHEMA, "book_schema": LATEST, "rows": counts}
    with path.open("w", encoding="utf-8", newline="\n") as stream:
        stream.write(_line(head))
        for table in TABLES:
            for row in book.connection.execute(f"SELECT * FROM {table} ORDER BY {_key(table)}"):
                stream.write(_line({"table": table, "row": dict(row)}))
        stream.flush()
        os.fsync(stream.fileno())
    return counts


def _line(document: dict[str, Any]) -> str:
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n"


def _key(table: str) -> str:
    return "sha256" if table == "photo" else "rowid"


def _export_photos(book: Book, folder: Path) -> None:
    folder.mkdir()
    for row in book.rows("SELECT sha256, suffix, file_name FROM photo ORDER BY sha256"):
        source = photo_path(book.photos, row["sha256"], suffix=row["suffix"])
        target = folder / f"{row['sha256']}{row['suffix']}"
        if not source.exists():
            raise FileProblem(f"the photo {source} ({row['file_name']}) is missing: `lightgap book check` tells more")
        shutil.copyfile(source, target)
        if sha256_of(target) != row["sha256"]:
            raise FileProblem(f"the photo {source} ({row['file_name']}) is not the one recorded: restore it first")


def import_book(folder: Path, target: Path, *, progress: Callable[[int, int], None] | None = None) -> dict[str, int]:
    """Read an export into an empty or new book; return the number of rows by table.

    Photos are copied first, checked by their hash; then all records go in as one transaction.

    Parameters
    ----------
    progress
        Called now and then with rows done and rows in all.

    Raises
    ------
    FileProblem
        When the export cannot be read, is cut short, of a newer version, or a photo is missing or changed.
    InputError
        When the book already holds something, or the records do not fit together.
    """
    head, lines = _read_export(folder / RECORDS_NAME)
    counts: dict[str, int] = head["rows"]
    with _nothing_left(target), open_book(target, create=True) as book:
        sweep_incoming(book.photos, now_s=time.time())
        _refuse_filled(book)
        done = dict.fromkeys(counts, 0)
        total = sum(counts.values())
        with book.write():
            _refuse_filled(book)
            book.connection.execute("PRAGMA defer_foreign_keys = ON")
            for number, (table, row) in enumerate(lines):
                if table == "photo":
                    _import_photo(folder, book, row=row)
                book.insert(table, row)
                done[table] += 1
                if progress is not None and number % 5000 == 0:
                    progress(number, total)
            if done != counts:
                raise FileProblem(f"the export {folder} is cut short: it says {counts}, and holds {done}")
            fault = next(record_faults(book), None)
            if fault is not None:
                raise FileProblem(f"the export {folder} does not hold together: {fault.message}")
    return counts


@contextlib.contextmanager
def _nothing_left(target: Path) -> Iterator[None]:
    """Take away a book, and its photos, that an import began and did not finish."""
    photos = photo_folder(target)
    begun = [path for path in (target, photos) if not path.exists()]
    try:
        yield
    except BaseException:
        if target in begun:
            _no_log_left(target)
            target.unlink(missing_ok=True)
        if photos in begun:
            shutil.rmtree(photos, ignore_errors=True)
        raise


def _refuse_filled(book: Book) -> None:
    if book.row("SELECT 1 FROM instrument LIMIT 1") is not None:
        raise InputError(f"the bench book {book.path} already holds records: import into a new one, with --book")


def _read_export(path: Path) -> tuple[dict[str, Any], Iterator[tuple[str, dict[str, Any]]]]:
    """Return the head of an export and its rows, read as they are asked for."""
    with file_words(f"read the export {path}"), path.open(encoding="utf-8", errors="surrogateescape") as stream:
        head = _parsed(stream.readline(), path, number=1)
    if head.get("schema") != EXPORT_SCHEMA or not isinstance(head.get("rows"), dict):
        raise FileProblem(f"{path} is no export of a bench book (schema {head.get('schema')!r})")
    if not isinstance(head.get("book_schema"), int) or head["book_schema"] > LATEST:
        raise FileProblem(f"the export {path} was written by a newer lightgap: update lightgap, and import again")
    counts = head["rows"]
    if counts.keys() != set(TABLES) or not all(type(n) is int and n >= 0 for n in counts.values()):
        raise FileProblem(f"{path}, line 1: the number of rows of each table is missing; the export is damaged")
    return head, _rows(path)


def _rows(path: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    columns = _columns()
    with file_words(f"read the export {path}"), path.open(encoding="utf-8", errors="surrogateescape") as stream:
        for number, text in enumerate(stream, start=1):
            if number == 1:
                continue
            document = _parsed(text, path, number=number)
            table, row = document.get("table"), document.get("row")
            if table not in columns or not isinstance(row, dict) or not row:
                raise FileProblem(f"{path}, line {number}: no record of a bench book")
            if not row.keys() <= columns[table]:
                raise FileProblem(f"{path}, line {number}: unknown column {min(row.keys() - columns[table])!r}")
            yield table, row


def _columns() -> dict[str, frozenset[str]]:
    """Return the columns of every table as the migrations make them: no other name ever reaches the database."""
    fresh = sqlite3.connect(":memory:", isolation_level=None)
    try:
        for step in MIGRATIONS:
            for statement in step.statements:
                fresh.execute(statement)
        return {table: frozenset(row[1] for row in fresh.execute(f"PRAGMA table_info({table})")) for table in TABLES}
    finally:
        fresh.close()


def _parsed(text: str, path: Path, *, number: int) -> dict[str, Any]:
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        document = None
    if not isinstance(document, dict):
        raise FileProblem(f"{path}, line {number}: not a JSON object; the export is damaged or cut short")
    return document


def _import_photo(folder: Path, book: Book, *, row: dict[str, Any]) -> None:
    name = f"{row.get('sha256')}{row.get('suffix')}"
    if Path(name).name != name:
        raise FileProblem(f"the export names a photo {name!r} outside its folder")
    source = folder / PHOTOS_NAME / name
    if not source.exists():
        raise FileProblem(f"the export lacks the photo {source}")
    sha256, _ = keep_file(book.photos, source, suffix=str(row.get("suffix")))
    if sha256 != row.get("sha256"):
        raise FileProblem(f"the photo {source} is not the one recorded: the export is damaged")
