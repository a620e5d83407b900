"""Files that are whole or not there: temporary name, flushed, renamed, folder flushed."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

from lightgap.neck.errors import FileProblem

_BLOCK = 1 << 20
_INCOMING = ".incoming-"
_ONE_DAY_S = 86_400.0


def usual_mode() -> int:
    """Return the mode that a new file gets by the umask: one made under a temporary name is its owner's alone."""
    umask = os.umask(0)
    os.umask(umask)
    return 0o666 & ~umask


@contextlib.contextmanager
def file_words(doing: str) -> Iterator[None]:
    """Turn an operating system's refusal into one line: what could not be done, and why.

    Raises
    ------
    FileProblem
        For any `OSError`.
    """
    try:
        yield
    except OSError as problem:
        raise FileProblem(f"cannot {doing}: {(problem.strerror or str(problem)).lower()}") from problem


def flush_folder(folder: Path) -> None:
    """Make a rename in `folder` last through a power cut, where the system lets a folder be flushed."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 (FIPS 180-4) of a file's bytes in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def photo_folder(book_path: Path) -> Path:
    """Return the folder beside a book that holds its photos."""
    return book_path.with_name(book_path.name + ".photos")


def photo_path(folder: Path, sha256: str, *, suffix: str) -> Path:
    """Return where a photo of this content is kept."""
    return folder / sha256[:2] / f"{sha256}{suffix}"


def safe_suffix(name: str) -> str:
    """Return a file name's suffix when it is a plain one, else nothing."""
    suffix = Path(name).suffix.lower()
    return suffix if re.fullmatch(r"\.[a-z0-9]{1,5}", suffix) else ""


def keep_file(folder: Path, source: Path, *, suffix: str) -> tuple[str, int]:
    """Copy a file to its place by content, and return its SHA-256 and size in bytes.

    The copy is flushed before it gets its name, and a file already there with the same content is left alone.

    Raises
    ------
    FileProblem
        When the source cannot be read or the folder not written (full, read-only).
    """
    with file_words(f"keep a copy of {source} in {folder}"):
        folder.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=folder, prefix=_INCOMING)
        try:
            digest = hashlib.sha256()
            size = 0
            with os.fdopen(handle, "wb") as target, source.open("rb") as stream:
                while block := stream.read(_BLOCK):
                    digest.update(block)
                    size += len(block)
                    target.write(block)
                target.flush()
                os.fsync(target.fileno())
            place = photo_path(folder, digest.hexdigest(), suffix=suffix)
            place.parent.mkdir(exist_ok=True)
            os.chmod(temporary, 0o444)
            os.replace(temporary, place)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
        flush_folder(place.parent)
        flush_folder(folder)
    return digest.hexdigest(), size


def keep_bytes(folder: Path, data: bytes, *, suffix: str) -> tuple[str, int]:
    """Keep bytes by content, as `keep_file` does a file."""
    with file_words(f"keep a picture in {folder}"):
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=folder, prefix=_INCOMING) as temporary:
            temporary.write(data)
            temporary.flush()
            return keep_file(folder, Path(temporary.name), suffix=suffix)


def sweep_incoming(folder: Path, *, now_s: float) -> None:
    """Remove what a killed copy left behind, once it is a day old."""
    with contextlib.suppress(OSError):
        for left in folder.glob(f"{_INCOMING}*"):
            if now_s - left.stat().st_mtime > _ONE_DAY_S:
                left.unlink(missing_ok=True)
