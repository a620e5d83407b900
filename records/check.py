"""Is the book whole? Every page, every reference, the schema, and every photo by its hash."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from lightgap.neck.errors import InputError

from .book import Book
from .entries import KINDS
from .files import photo_path, sha256_of
from .instruments import instrument_by_id
from .migrations import LATEST, MIGRATIONS

CHECK_SCHEMA = "lightgap/book-check/1"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong with a book."""

    code: str
    message: str


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What a check found.

    Attributes
    ----------
    faults
        Empty when the book is whole.
    visits, entries, photos
        How many were looked at.
    spare_files
        Files in the photo folder no record speaks of: left by a program that was stopped, harmless.
    """

    faults: tuple[Fault, ...]
    visits: int
    entries: int
    photos: int
    spare_files: int

    def document(self) -> dict[str, Any]:
        """Return the result as its JSON document (schema lightgap/book-check/1)."""
        return {
            "schema": CHECK_SCHEMA,
            "whole": not self.faults,
            "faults": [{"code": fault.code, "message": fault.message} for fault in self.faults],
            "visits": self.visits,
            "entries": self.entries,
            "photos": self.photos,
            "spare_files": self.spare_files,
        }


def record_faults(book: Book) -> Iterator[Fault]:
    """Return what does not fit together in the records, photos' bytes not looked at."""
    yield from _references(book)
    yield from _entries(book)


def check_book(book: Book) -> CheckResult:
    """Check a whole book: SQLite's integrity, foreign keys, schema, entries, and every photo's bytes."""
    faults = [*_pages(book), *_schema(book), *record_faults(book), *_photos(book)]
    count = {table: book.rows(f"SELECT count(*) FROM {table}")[0][0] for table in ("visit", "entry", "photo")}
    return CheckResult(
        faults=tuple(faults),
        visits=count["visit"],
        entries=count["entry"],
        photos=count["photo"],
        spare_files=_spare_files(book),
    )


def _pages(book: Book) -> Iterator[Fault]:
    for row in book.rows("PRAGMA integrity_check"):
        if row[0] != "ok":
            yield Fault("damaged", f"the database is damaged: {row[0]}")


def _references(book: Book) -> Iterator[Fault]:
    for row in book.rows("PRAGMA foreign_key_check"):
        yield Fault("reference", f"table {row[0]} row {row[1]} refers to a {row[2]} that is not there")


def _schema(book: Book) -> Iterator[Fault]:
    """Compare every table, index, trigger and view with what the migrations make."""
    fresh = sqlite3.connect(":memory:", isolation_level=None)
    try:
        for step in MIGRATIONS:
            for statement in step.statements:
                fresh.execute(statement)
        wanted = dict(fresh.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall())
    finally:
        fresh.close()
    rows = book.rows("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL AND name <> 'migration'")
    found = {row["name"]: row["sql"] for row in rows}
    for name in sorted(wanted.keys() | found.keys()):
        if name not in found:
            yield Fault("schema", f"{name} is missing from the schema")
        elif name not in wanted:
            yield Fault("schema", f"{name} does not belong in the schema")
        elif found[name] != wanted[name]:
            yield Fault("schema", f"{name} is not as the schema has it")
    logged = [row["number"] for row in book.rows("SELECT number FROM migration ORDER BY number")]
    if logged != list(range(1, LATEST + 1)):
        yield Fault("schema", f"the log of migrations says {logged}, expected 1 to {LATEST}")


def _entries(book: Book) -> Iterator[Fault]:
    """Every entry has its detail, of its own kind, with sense in it; every document names its own photo."""
    for row in book.rows(f"SELECT id, kind FROM entry WHERE kind NOT IN ({', '.join('?' * len(KINDS))})", tuple(KINDS)):
        yield Fault("entry", f"entry {row['id']} is of a kind no bench book knows: {row['kind']!r}")
    for kind, cls in KINDS.items():
        names = [f.name for f in fields(cls)]
        for row in book.connection.execute(f"SELECT entry_id, {', '.join(names)} FROM {kind}"):
            try:
                cls(**{name: row[name] for name in names})
            except (InputError, TypeError, ValueError) as problem:
                yield Fault("entry", f"entry {row['entry_id']} makes no sense: {problem}")
    for row in book.rows("SELECT id FROM instrument"):
        try:
            instrument_by_id(book, row["id"])
        except (InputError, TypeError, ValueError) as problem:
            yield Fault("entry", f"instrument {row['id']} makes no sense: {problem}")
    for kind in KINDS:
        for row in book.rows(
            f"SELECT entry.id FROM entry LEFT JOIN {kind} ON entry_id = entry.id WHERE kind = ? AND entry_id IS NULL",
            (kind,),
        ):
            yield Fault("entry", f"entry {row['id']} has no {kind}")
    for row in book.rows(
        "SELECT id FROM visit WHERE NOT EXISTS (SELECT 1 FROM instrument_entry AS i "
        "WHERE i.instrument_id = visit.instrument_id)"
    ):
        yield Fault("entry", f"visit {row['id']} has no instrument")
    known = {row[0] for row in book.rows("SELECT sha256 FROM photo")}
    with_documents = book.connection.execute("SELECT entry_id, photo_sha256, relief_mm, document FROM measurement")
    for entry_id, sha256, relief_mm, text in with_documents:
        try:
            document = json.loads(text)
            named = [photo["sha256"] for photo in document["photos"]]
            fits = named[0] == sha256 and document["relief"]["relief_mm"] == relief_mm and known.issuperset(named)
        except (ValueError, KeyError, IndexError, TypeError):
            fits = False
        if not fits:
            yield Fault("document", f"the document of entry {entry_id} does not fit its photos and relief")


def _photos(book: Book) -> Iterator[Fault]:
    for row in book.rows("SELECT sha256, suffix, size_bytes, file_name FROM photo ORDER BY sha256"):
        place = photo_path(book.photos, row["sha256"], suffix=row["suffix"])
        where = f"{place} ({row['file_name']}, {_used_by(book, row['sha256'])})"
        try:
            same_size = place.stat().st_size == row["size_bytes"]
            if not same_size or sha256_of(place) != row["sha256"]:
                yield Fault("photo-changed", f"the photo {where} is not the one recorded: restore it from a backup")
        except FileNotFoundError:
            yield Fault("photo-missing", f"the photo {where} is missing: restore it from a backup")
        except OSError as problem:
            yield Fault("photo-unreadable", f"the photo {where} cannot be read: {problem.strerror}")


def _used_by(book: Book, sha256: str) -> str:
    rows = book.rows(
        "SELECT DISTINCT visit_id FROM entry WHERE id IN (SELECT entry_id FROM measurement WHERE instr(document, ?) "
        "UNION SELECT entry_id FROM overlay WHERE photo_sha256 = ?) ORDER BY visit_id LIMIT 4",
        (sha256, sha256),
    )
    return "visit " + ", ".join(str(row[0]) for row in rows) if rows else "no visit"


def _spare_files(book: Book) -> int:
    if not book.photos.is_dir():
        return 0
    known = {f"{row[0]}{row[1]}" for row in book.rows("SELECT sha256, suffix FROM photo")}
    return sum(1 for file in book.photos.rglob("*") if file.is_file() and file.name not in known)
