"""The one place that prints: data to standard output, talk to standard error."""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from lightgap.neck.errors import FileProblem


def show(text: str) -> None:
    """Print the result a user asked for, on standard output."""
    print(text)


def say(text: str) -> None:
    """Print talk (progress, hints, warnings), on standard error."""
    print(text, file=sys.stderr)


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole or not at all: to a temporary name beside it, then renamed.

    Raises
    ------
    FileProblem
        When the folder or file cannot be written.
    """
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent or Path("."), prefix=f".{path.name}.", suffix=".tmp")
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            umask = os.umask(0)
            os.umask(umask)
            os.chmod(temporary, 0o666 & ~umask)
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
