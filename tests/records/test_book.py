"""The book as a file: made whole, added to only, refused in one line when something is wrong with it."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from lightgap.neck.errors import FileProblem, InputError
from lightgap.records.book import Book, create_book, default_book_path, open_book, schema_version
from lightgap.records.check import check_book
from lightgap.records.entries import Remark
from lightgap.records.instruments import Facts, add_instrument, find_instrument
from lightgap.records.migrations import APPLICATION_ID, LATEST, MIGRATIONS, TABLES
from lightgap.records.visits import Visit, add_entry, find_visit, open_visit

from .conftest import fill
from .makers import keep, make_document, make_photo


def one_line(caught: pytest.ExceptionInfo[BaseException]) -> str:
    text = str(caught.value)
    assert "\n" not in text
    assert "Traceback" not in text
    return text


def test_new_book_is_whole_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "er" / "book.sqlite"
    with open_book(path, create=True) as book:
        assert check_book(book).faults == ()
        assert schema_version(book.connection) == LATEST
        assert book.rows("PRAGMA journal_mode")[0][0] == "wal"
        assert book.rows("PRAGMA foreign_keys")[0][0] == 1
        assert book.rows("PRAGMA application_id")[0][0] == APPLICATION_ID
    assert [file.name for file in path.parent.iterdir()] == ["book.sqlite"]


def test_every_table_is_strict_and_every_length_names_its_unit(tmp_path: Path) -> None:
    with open_book(tmp_path / "b.sqlite", create=True) as book:
        for row in book.rows("PRAGMA table_list"):
            if row["type"] == "table" and not row["name"].startswith("sqlite_"):
                assert row["strict"] == 1, row["name"]
        for table in TABLES:
            for column in book.rows(f"PRAGMA table_info({table})"):
                if column["type"] == "REAL" and column["name"] != "k":
                    assert column["name"].endswith(("_mm", "_turns", "_degc", "_pct")), column["name"]


@pytest.mark.parametrize("verb", ["UPDATE {} SET rowid = rowid", "DELETE FROM {}"])
def test_nothing_can_be_overwritten_or_deleted(filled: Book, verb: str) -> None:
    for table in TABLES:
        assert filled.rows(f"SELECT 1 FROM {table}"), table
        with pytest.raises(InputError, match="only ever added to"), filled.write():
            filled.connection.execute(verb.format(table))


def test_environment_names_the_book(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("LIGHTGAP_BOOK", str(tmp_path / "shop.sqlite"))
    assert default_book_path() == tmp_path / "shop.sqlite"
    monkeypatch.delenv("LIGHTGAP_BOOK")
    assert default_book_path().name == "bench-book.sqlite"


def test_no_book_is_said_with_what_to_do(tmp_path: Path) -> None:
    with (
        pytest.raises(FileProblem, match=r"no bench book at .*lightgap instrument add") as caught,
        open_book(tmp_path / "none.sqlite"),
    ):
        pass
    one_line(caught)
    assert not (tmp_path / "none.sqlite").exists()


def test_book_of_a_newer_version_is_left_alone(filled: Book, tmp_path: Path) -> None:
    path = filled.path
    filled.connection.execute(f"PRAGMA user_version = {LATEST + 1}")
    filled.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    before = path.read_bytes()
    wanted = rf"newer lightgap \(schema {LATEST + 1}.*nothing was changed"
    with pytest.raises(FileProblem, match=wanted) as caught, open_book(path):
        pass
    one_line(caught)
    assert path.read_bytes() == before


@pytest.mark.parametrize("keep", [0, 1, 50, 99, 100, 4096, 0.5, 0.97])
def test_truncated_book_is_refused(filled: Book, keep: float, tmp_path: Path) -> None:
    filled.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = filled.path.read_bytes()
    cut = tmp_path / "cut.sqlite"
    cut.write_bytes(data[: int(keep if isinstance(keep, int) else keep * len(data))])
    before = cut.read_bytes()
    with pytest.raises(FileProblem, match=r"truncated.*restore a backup") as caught, open_book(cut):
        pass
    one_line(caught)
    assert cut.read_bytes() == before


def faults_of(path: Path) -> list[str]:
    """Return what a check finds, or the one line that opening gives."""
    try:
        with open_book(path) as book:
            return [fault.message for fault in check_book(book).faults]
    except FileProblem as problem:
        return [str(problem)]


def test_damaged_page_is_found(filled: Book, tmp_path: Path) -> None:
    filled.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = bytearray(filled.path.read_bytes())
    broken = tmp_path / "broken.sqlite"
    unseen = []
    for page in range(1, len(data) // 4096):
        worse = bytearray(data)
        worse[page * 4096 : page * 4096 + 64] = b"\xff" * 64
        broken.write_bytes(worse)
        if not faults_of(broken):
            unseen.append(page)
    # A page of free space would go unnoticed; a book that never deletes has none.
    assert unseen == []


def test_file_of_another_program_is_refused(tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE t (x)")
    connection.commit()
    connection.close()
    with pytest.raises(FileProblem, match="not a bench book"), open_book(other):
        pass
    text = tmp_path / "notes.txt"
    text.write_text("tune the archtop " * 20)
    with pytest.raises(FileProblem, match="no bench book"), open_book(text):
        pass


def test_two_that_make_the_book_at_once_get_one(tmp_path: Path) -> None:
    path = tmp_path / "b.sqlite"
    create_book(path)
    with open_book(path) as book:
        add_instrument(book, Facts("first"))
    create_book(path)
    with open_book(path) as book:
        assert find_instrument(book, "first").name == "first"


def test_migration_that_fails_leaves_no_trace(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    path = tmp_path / "b.sqlite"
    create_book(path, up_to=1)
    bad = type(MIGRATIONS[1])(2, "bad", (*MIGRATIONS[1].statements, "CREATE TABLE entry (x INTEGER) STRICT"))
    monkeypatch.setattr("lightgap.records.book.MIGRATIONS", (MIGRATIONS[0], bad))
    with pytest.raises(FileProblem, match="already exists"), open_book(path):
        pass
    connection = sqlite3.connect(path)
    assert schema_version(connection) == 1
    assert connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'overlay'").fetchone()[0] == 0
    assert connection.execute("SELECT max(number) FROM migration").fetchone()[0] == 1
    connection.close()
    monkeypatch.undo()
    with open_book(path) as book:
        assert check_book(book).faults == ()
    backups = sorted(tmp_path.glob("b.sqlite.schema-1.*.backup"))
    assert len(backups) == 2


def test_backup_before_migration_is_the_book_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "b.sqlite"
    create_book(path, up_to=1)
    with open_book(path):
        pass
    backup = next(tmp_path.glob("b.sqlite.schema-1.*.backup"))
    connection = sqlite3.connect(backup)
    assert schema_version(connection) == 1
    assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    connection.close()


def test_values_that_do_not_fit_are_refused_by_the_book_itself(book: Book) -> None:
    with pytest.raises(InputError, match="FOREIGN KEY"), book.write():
        book.insert("visit", {"instrument_id": 99, "opened_utc": "x", "purpose": "work"})
    with pytest.raises(InputError, match="cannot store TEXT"), book.write():
        book.insert("photo", {"sha256": "0" * 64, "file_name": "a", "suffix": "", "size_bytes": "x", "added_utc": ""})


# --- places that cannot be written -------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 2 MB in memory, where the user may mount one."""
    place = tmp_path / "small"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)]
    if os.geteuid() != 0 or shutil.which("mount") is None or subprocess.run(command, capture_output=True).returncode:
        pytest.skip("needs a user who may mount a small file system")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def record_until_refused(book: Book, visit: Visit, folder: Path, kept: list[int]) -> None:
    for seed in range(100):
        photo = make_photo(folder, f"{seed}.jpg", seed=seed, size_bytes=150_000)
        keep(book, visit, make_document(photo), photo, advise=False)
        kept.append(seed)


def write_until_refused(book: Book, visit: Visit) -> None:
    for _ in range(1000):
        add_entry(book, visit, detail=Remark("note", "x" * 1500))


def test_full_disk_is_said_and_nothing_is_damaged(small_disk: Path, tmp_path: Path) -> None:
    path = small_disk / "book.sqlite"
    kept: list[int] = []
    with open_book(path, create=True) as book:
        visit = open_visit(book, add_instrument(book, Facts("Blue")))
        with pytest.raises(FileProblem, match=r"no space left|disk is full") as caught:
            record_until_refused(book, visit, tmp_path, kept)
        one_line(caught)
        with pytest.raises(FileProblem, match=r"full|no space") as caught:
            write_until_refused(book, visit)
        one_line(caught)
    with open_book(path) as book:
        assert check_book(book).faults == ()
        assert len(find_visit(book, visit.id).measurements()) == len(kept) > 2


def test_read_only_disk_is_read_and_not_written(small_disk: Path, tmp_path: Path) -> None:
    path = small_disk / "book.sqlite"
    with open_book(path, create=True) as book:
        fill(book, tmp_path)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with open_book(path) as book:
        visit = find_visit(book, 1)
        assert len(visit.measurements()) == 2
        with pytest.raises(FileProblem, match="read-only") as caught:
            add_instrument(book, Facts("Green"))
        one_line(caught)
    with pytest.raises(FileProblem, match="read-only") as caught:
        create_book(small_disk / "other.sqlite")
    one_line(caught)


READER = """
import sys
from pathlib import Path
from lightgap.records.book import open_book
from lightgap.records.instruments import Facts, add_instrument
from lightgap.records.visits import find_visit
from lightgap.neck.errors import FileProblem
with open_book(Path(sys.argv[1])) as book:
    print(len(find_visit(book, 1).measurements()))
    try:
        add_instrument(book, Facts("Green"))
    except FileProblem as problem:
        print(problem)
"""


def test_read_only_folder_is_read_and_not_written(tmp_path: Path) -> None:
    path = tmp_path / "shelf" / "book.sqlite"
    with open_book(path, create=True) as book:
        fill(book, tmp_path)
    for place in (path, path.parent):
        place.chmod(0o555 if place.is_dir() else 0o444)
    command = [sys.executable, "-c", READER, str(path)]
    if os.geteuid() == 0:
        # The permission bits bind root only without its power to pass over them.
        if shutil.which("setpriv") is None:
            pytest.skip("root passes over permission bits, and setpriv is not there to take that away")
        command = ["setpriv", "--bounding-set", "-dac_override", "--inh-caps", "-dac_override", *command]
    try:
        done = subprocess.run(command, capture_output=True, text=True)
    finally:
        path.parent.chmod(0o755)
    assert done.returncode == 0, done.stderr
    count, line = done.stdout.splitlines()
    assert count == "2"
    assert "read-only" in line
