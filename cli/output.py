"""The one place that prints: data to standard output, talk to standard error."""

from __future__ import annotations

import json
import os
import re
import sys
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from lightgap.neck.errors import FileProblem, InputError

# By how a file begins it is told what it is: our documents name their schema first, the others by their formats' marks.
HEAD_BYTES = 200
KINDS = (b"\x89PNG", b"\xff\xd8\xff", b"%PDF", b"II*\x00", b"MM\x00*", b"<", b"{")
DATABASE_MARK = b"SQLite format 3\x00"  # how a bench book begins: SQLite's file format, section 1.2


def show(text: str) -> None:
    """Print the result a user asked for, on standard output."""
    print(text)


def say(text: str) -> None:
    """Print talk (progress, hints, warnings), on standard error."""
    print(text, file=sys.stderr)


def check_outputs(*targets: Path | str | None, inputs: Iterable[Path | None] = ()) -> None:
    """Refuse results that could not be written, or would take the place of what is read or of one another.

    Called before any work is done, so that nothing is lost and nothing half done.

    Parameters
    ----------
    targets
        Where results are to go; None and "-" (standard output) are passed over.
    inputs
        What is read.

    Raises
    ------
    InputError
        Two results have one name, or a result the name of an input or of a bench book.
    FileProblem
        The folder is missing, or the name is a folder's.
    """
    read = {os.path.realpath(path) for path in inputs if path is not None}
    taken: set[str] = set()
    for target in targets:
        if target is None or str(target) == "-":
            continue
        path = os.path.realpath(target)
        if path in read:
            raise InputError(f"{target} is what is read here: give the result another name")
        if path in taken:
            raise InputError(f"{target} is named for two results: give each its own name")
        taken.add(path)
        _refuse_unwritable(Path(path), str(target))


def _refuse_unwritable(path: Path, name: str) -> None:
    if not os.path.isdir(path.parent):
        raise FileProblem(f"cannot write {name}: there is no folder {path.parent}")
    if os.path.isdir(path):
        raise FileProblem(f"cannot write {name}: it is a folder")
    if _head(path, len(DATABASE_MARK)) == DATABASE_MARK:
        raise InputError(f"{name} is a bench book: give the result another name")


def _refuse_other_kind(path: Path, data: bytes) -> None:
    """Refuse to put a picture in the place of a document, a document in that of a photo, a plan in a profile's."""
    found = _head(path, HEAD_BYTES)
    if found and _kind(found) != _kind(data[:HEAD_BYTES]):
        raise InputError(f"{path} exists and is of another kind than what is written: give the result another name")


def _kind(head: bytes) -> bytes:
    """Return what a file is by its first bytes: a picture, a page, a JSON document of one schema, or any text."""
    schema = re.match(rb'\s*\{\s*"schema":\s*"([^"]*)"', head)
    if schema is not None:
        name = schema[1].rpartition(b"/")[0]
        return b"lightgap/profile" if name == b"lightgap/refusal" else name  # measuring writes either
    return next((mark for mark in KINDS if head.lstrip().startswith(mark)), b"")


def _head(path: Path, count: int) -> bytes:
    """Return how a file begins; nothing of what is no file, or cannot be read: writing it will say why."""
    if not os.path.isfile(path):  # a pipe would wait to be read from
        return b""
    try:
        with path.open("rb") as stream:
            return stream.read(count)
    except OSError:
        return b""


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole or not at all: to a temporary name beside it, then renamed.

    A link is followed; what is no file (a pipe, a device) is written to as it is.

    Raises
    ------
    InputError
        When a bench book, or a file of another kind, has that name.
    FileProblem
        When the folder or file cannot be written.
    """
    from lightgap.records.files import usual_mode

    path = Path(os.path.realpath(path))
    _refuse_unwritable(path, str(path))
    _refuse_other_kind(path, data)
    try:
        if os.path.exists(path) and not os.path.isfile(path):
            path.write_bytes(data)
            return
        handle, temporary = tempfile.mkstemp(dir=path.parent or Path("."), prefix=f".{path.name}.", suffix=".tmp")
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(temporary, usual_mode())
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as problem:
        raise FileProblem(f"cannot write {path}: {problem.strerror or problem}") from problem


def dump_json(document: Mapping[str, Any]) -> str:
    """Return a JSON document as text (RFC 8259: no NaN, UTF-8)."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)


def emit_json(document: Mapping[str, Any], target: str) -> None:
    """Write a JSON document to a file, or to standard output when `target` is "-"."""
    text = dump_json(document)
    if target == "-":
        show(text)
    else:
        write_bytes(Path(target), (text + "\n").encode("utf-8"))
