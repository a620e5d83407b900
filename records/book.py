"""The bench book: one SQLite file, opened, migrated, read and added to; nothing in it is ever changed."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from lightgap.neck.errors import FileProblem, InputError, LightgapError

from .files import file_words, flush_folder, photo_folder, usual_mode
from .migrations import APPLICATION_ID, LATEST, LOG_TABLE, MIGRATIONS

BOOK_VARIABLE = "LIGHTGAP_BOOK"
WAIT_S = 60.0
"""How long a writer waits for another one before it gives up with a word."""

Row = Mapping[str, Any]


def default_book_path() -> Path:
    """Return the book used when none is named: the environment variable, else the user's data folder."""
    named = os.environ.get(BOOK_VARIABLE)
    if named:
        return Path(named)
    import platformdirs

    return platformdirs.user_data_path("lightgap", appauthor=False) / "bench-book.sqlite"


def utc_now() -> str:
    """Return the time now as RFC 3339 in UTC, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def program_text() -> str:
    """Return the program and its version as recorded with every measurement."""
    return f"lightgap {version('lightgap')}"


class Book:
    """An open bench book.

    Attributes
    ----------
    path
        The SQLite file.
    photos
        The folder beside it that holds the photos by content.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self.photos = photo_folder(path)
        self.connection = connection

    def rows(self, sql: str, parameters: Sequence[Any] | Mapping[str, Any] = ()) -> list[sqlite3.Row]:
        """Return all rows of a query.

        Raises
        ------
        FileProblem
            When the file cannot be read or is damaged.
        """
        with book_words(self.path):
            return self.connection.execute(sql, parameters).fetchall()

    def row(self, sql: str, parameters: Sequence[Any] | Mapping[str, Any] = ()) -> sqlite3.Row | None:
        """Return the first row of a query, or nothing."""
        found = self.rows(sql, parameters)
        return found[0] if found else None

    def insert(self, table: str, values: Row) -> int:
        """Add a row inside a transaction of `write` and return its row id."""
        columns = ", ".join(values)
        marks = ", ".join("?" for _ in values)
        with book_words(self.path):
            cursor = self.connection.execute(
                f"INSERT INTO {table} ({columns}) VALUES ({marks})", tuple(values.values())
            )
        return int(cursor.lastrowid or 0)

    @contextlib.contextmanager
    def write(self) -> Iterator[None]:
        """Run a block in one transaction: all of it is in the book afterwards, or none.

        Waits for other writers.

        Raises
        ------
        FileProblem
            When another program keeps the book busy too long, the disk is full, or the book cannot be written.
        """
        with book_words(self.path):
            begin_immediate(self.connection, self.path)
            try:
                yield
                self.connection.execute("COMMIT")
            except BaseException:
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")
                raise


@contextlib.contextmanager
def open_book(path: Path | None = None, *, create: bool = False) -> Iterator[Book]:
    """Open a bench book, bringing it to today's schema after a backup beside it.

    Parameters
    ----------
    path
        The SQLite file; default as `default_book_path`.
    create
        Make the book when there is none.

    Raises
    ------
    FileProblem
        When there is no book, it is damaged, not a bench book, of a newer version, or cannot be opened.
    """
    path = path or default_book_path()
    if not path.exists():
        if not create:
            raise FileProblem(
                f"there is no bench book at {path}: begin one with `lightgap instrument add`, or name it with --book"
            )
        create_book(path)
    with book_words(path):
        connection = _connect(path)
        try:
            _bring_up_to_date(connection, path)
            yield Book(path, connection)
        finally:
            connection.close()


def create_book(path: Path, *, up_to: int = LATEST) -> None:
    """Make an empty book; it appears under its name whole or not at all, and an existing one is left alone."""
    with file_words(f"make the bench book {path}"), book_words(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".new")
        os.close(handle)
        temporary = Path(name)
        try:
            connection = sqlite3.connect(temporary, isolation_level=None)
            try:
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute("PRAGMA journal_mode = WAL")
                connection.execute("PRAGMA synchronous = FULL")
                migrate(connection, temporary, up_to=up_to)
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            finally:
                connection.close()
            os.chmod(temporary, usual_mode())
            _take_name(temporary, path)
        finally:
            for left in (temporary, Path(f"{name}-wal"), Path(f"{name}-shm")):
                left.unlink(missing_ok=True)
        flush_folder(path.parent)


def _take_name(temporary: Path, path: Path) -> None:
    """Give a finished file its name unless another process was first."""
    try:
        os.link(temporary, path)
    except FileExistsError:
        return
    except OSError:  # a file system without hard links
        if not path.exists():
            os.replace(temporary, path)


def _connect(path: Path) -> sqlite3.Connection:
    _look_at_file(path)
    writable = os.access(path, os.W_OK) and os.access(path.parent, os.W_OK) and not _read_only_system(path)
    if writable or _wal_size(path):
        connection = sqlite3.connect(path, isolation_level=None, timeout=WAIT_S)
    else:
        # With nothing waiting in the write-ahead log the file alone is the whole book, and can be read where it is.
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True, isolation_level=None)
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.create_function("casefold", 1, lambda text: text.casefold() if text else "", deterministic=True)
    return connection


def _read_only_system(path: Path) -> bool:
    with contextlib.suppress(OSError, AttributeError):
        return bool(os.statvfs(path).f_flag & os.ST_RDONLY)
    return False


def _wal_size(path: Path) -> int:
    with contextlib.suppress(OSError):
        return path.with_name(path.name + "-wal").stat().st_size
    return 0


def _look_at_file(path: Path) -> None:
    """Refuse what is no whole book before SQLite takes an empty file for a new one."""
    with file_words(f"open the bench book {path}"), path.open("rb") as stream:
        head = stream.read(100)
        size = os.fstat(stream.fileno()).st_size
    if len(head) < 100 or not head.startswith(b"SQLite format 3\0"):
        raise FileProblem(f"{path} is no bench book, or a truncated one ({size} bytes): {_RESTORE}")
    if int.from_bytes(head[68:72], "big") != APPLICATION_ID:
        raise FileProblem(f"{path} is not a bench book (an SQLite file of another program): name another with --book")
    page_size = int.from_bytes(head[16:18], "big")
    page_size = 65_536 if page_size == 1 else page_size
    pages = int.from_bytes(head[28:32], "big")
    if not _wal_size(path) and size < pages * page_size:
        raise FileProblem(f"the bench book {path} is truncated ({size} of {pages * page_size} bytes): {_RESTORE}")


_RESTORE = "restore a backup under this name; the photos beside it are untouched"


def _bring_up_to_date(connection: sqlite3.Connection, path: Path) -> None:
    found = schema_version(connection)
    if found > LATEST:
        raise FileProblem(
            f"the bench book {path} was written by a newer lightgap (schema {found}, this one knows {LATEST}): "
            "update lightgap; nothing was changed"
        )
    if found < LATEST:
        backup_before(connection, path, found=found)
        migrate(connection, path)


def schema_version(connection: sqlite3.Connection) -> int:
    """Return the number of the last migration the file has."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def backup_before(connection: sqlite3.Connection, path: Path, *, found: int) -> Path:
    """Keep a copy of the book as it is before a migration, beside it, and return where."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%fZ")
    target = path.with_name(f"{path.name}.schema-{found}.{stamp}.{os.getpid()}.backup")
    copy_database(connection, target)
    return target


def copy_database(connection: sqlite3.Connection, target: Path) -> None:
    """Copy a live database to a file by SQLite's online backup; it appears whole or not at all."""
    with file_words(f"write the backup {target}"):
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        os.close(handle)
        try:
            copy = sqlite3.connect(name, isolation_level=None)
            try:
                connection.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
                copy.execute("PRAGMA journal_mode = WAL")
                copy.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            finally:
                copy.close()
            with open(name, "rb+") as stream:
                os.fsync(stream.fileno())
            os.chmod(name, usual_mode())
            os.replace(name, target)
        finally:
            for left in (name, f"{name}-wal", f"{name}-shm"):
                Path(left).unlink(missing_ok=True)
        flush_folder(target.parent)


def migrate(connection: sqlite3.Connection, path: Path, *, up_to: int = LATEST) -> None:
    """Apply every migration still missing, each in one transaction with its row in the log."""
    for step in MIGRATIONS[:up_to]:
        begin_immediate(connection, path)
        try:
            # Asked again inside the transaction: another process may have been first.
            if schema_version(connection) < step.number:
                connection.execute(LOG_TABLE)
                for statement in step.statements:
                    connection.execute(statement)
                connection.execute(
                    "INSERT INTO migration (number, name, applied_utc, program) VALUES (?, ?, ?, ?)",
                    (step.number, step.name, utc_now(), program_text()),
                )
                connection.execute(f"PRAGMA user_version = {step.number}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


def begin_immediate(connection: sqlite3.Connection, path: Path) -> None:
    """Begin a writing transaction, waiting for other writers.

    Raises
    ------
    FileProblem
        When another program holds the book longer than `WAIT_S`.
    """
    deadline = time.monotonic() + WAIT_S
    pause_s = 0.005
    while True:
        try:
            connection.execute("BEGIN IMMEDIATE")
            return
        except sqlite3.OperationalError as problem:
            if not _is_busy(problem):
                raise
            if time.monotonic() > deadline:
                raise FileProblem(
                    f"another program has been writing to the bench book {path} for {WAIT_S:.0f} s: "
                    "wait until it is done, and try again"
                ) from problem
        time.sleep(pause_s)
        pause_s = min(2 * pause_s, 0.25)


def _is_busy(problem: sqlite3.Error) -> bool:
    return getattr(problem, "sqlite_errorname", "").startswith(("SQLITE_BUSY", "SQLITE_LOCKED"))


_CAUSES = (
    ("SQLITE_BUSY", "another program keeps it busy: wait until it is done, and try again"),
    ("SQLITE_LOCKED", "another program keeps it busy: wait until it is done, and try again"),
    ("SQLITE_FULL", "the disk is full: make room, and do the last step again; nothing of it was kept"),
    ("SQLITE_READONLY", "it, or its folder, is read-only: the book can be read here but not added to"),
    ("SQLITE_CANTOPEN", "it cannot be opened: look at the folder's permissions"),
    ("SQLITE_NOTADB", f"it is no bench book, or damaged: {_RESTORE}"),
    ("SQLITE_CORRUPT", f"it is damaged or truncated: {_RESTORE}"),
    ("SQLITE_IOERR", "the disk does not answer as it should (full or failing): nothing of the last step was kept"),
)


@contextlib.contextmanager
def book_words(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into one line about the book.

    Raises
    ------
    FileProblem
        For every `sqlite3.Error`: a constraint is an `InputError`.
    InputError
        For a number or a text that SQLite cannot hold.
    """
    try:
        yield
    except LightgapError:
        raise
    except sqlite3.Error as problem:
        name = getattr(problem, "sqlite_errorname", "")
        cause = next((text for code, text in _CAUSES if name.startswith(code)), str(problem))
        if isinstance(problem, sqlite3.IntegrityError):
            cause = "the book refused what does not fit together; nothing of it was kept"
            raise InputError(f"bench book {path}: {cause} ({problem})") from problem
        raise FileProblem(f"bench book {path}: {cause}") from problem
    except OverflowError as problem:
        raise InputError(f"bench book {path}: a number is larger than any the book can hold") from problem
    except UnicodeEncodeError as problem:
        raise InputError(f"bench book {path}: a text has characters that are no Unicode: type it anew") from problem
