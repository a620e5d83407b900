"""`lightgap batch`: every photo of a folder, one document a line and one table for the lot."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lightgap.neck.errors import FileProblem, LightgapError, Refusal

from .measure_options import SceneOptions, WantUOption, parse_wanted_U
from .options import spread
from .output import say, write_bytes

if TYPE_CHECKING:
    from lightgap.vision.measure import MeasureSettings

PHOTO_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif"})
COLUMNS = ("file", "status", "code", "relief_mm", "U_mm", "k", "at_fret", "chord", "shape")
# A file that is no picture cannot carry a finding of the photo: it has this code instead.
FILE_PROBLEM = "file-problem"


@spread
def batch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder of photos (JPEG, PNG, TIFF, HEIC).")],
    *,
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder for results.jsonl and summary.csv.")],
    scene: SceneOptions,
    want_U: WantUOption = None,
) -> None:
    """Measure every photo of a folder with the same settings.

    A photo that cannot be measured is listed with why.

    Examples:

    lightgap batch intake --out intake-results --scale-length 648 --reference card

    lightgap batch bench --out results --scale-length 25.5in --reference straightedge --straightedge-height 38
    """
    settings = scene.settings()
    wanted_U_mm = parse_wanted_U(want_U)
    photos = list_photos(folder)
    _make_folder(out)
    documents = []
    for photo in photos:
        documents.append(_document_for(photo, settings, wanted_U_mm=wanted_U_mm))
        say(f"{photo.name}: {_words(documents[-1])}")
    lines = "".join(json.dumps(d, ensure_ascii=False, allow_nan=False) + "\n" for d in documents)
    table = summary_csv([photo.name for photo in photos], documents)
    write_both(out, results=lines.encode("utf-8"), summary=table.encode("utf-8"))
    measured = sum("relief" in d for d in documents)
    say(f"{measured} of {len(photos)} measured; written: {out / 'results.jsonl'}, {out / 'summary.csv'}")


def list_photos(folder: Path) -> list[Path]:
    """Return the photo files of a folder by name; sub-folders and hidden files are left alone.

    Raises
    ------
    FileProblem
        The folder cannot be read, or holds no photo.
    """
    try:
        entries = sorted(folder.iterdir(), key=lambda p: p.name)
    except OSError as problem:
        raise FileProblem(f"cannot read {folder}: {problem.strerror or problem}") from problem
    photos = [p for p in entries if p.suffix.lower() in PHOTO_SUFFIXES and not p.name.startswith(".") and p.is_file()]
    if not photos:
        raise FileProblem(f"cannot find a photo in {folder}: put JPEG, PNG, TIFF or HEIC files there")
    return photos


def summary_csv(names: list[str], documents: list[dict[str, Any]]) -> str:
    """Return the table of a batch (RFC 4180: header, CRLF, quotes where needed), one row a photo."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for name, document in zip(names, documents, strict=True):
        relief = document.get("relief")
        if relief is None:
            status = "unreadable" if document["code"] == FILE_PROBLEM else "refused"
            writer.writerow([name, status, document["code"], "", "", "", "", "", ""])
            continue
        first, last = relief["chord"]
        row = [relief[key] for key in ("relief_mm", "U_mm", "k", "at_fret")]
        writer.writerow([name, "measured", "", *row, f"{first}-{last}", relief["shape"]])
    return text.getvalue()


def write_both(folder: Path, *, results: bytes, summary: bytes) -> None:
    """Write `results.jsonl` and `summary.csv`, both or neither.

    Raises
    ------
    FileProblem
        One of them cannot be written; what stood there before still does.
    """
    first, second = folder / "results.jsonl", folder / "summary.csv"
    try:
        before = first.read_bytes() if first.exists() else None
    except OSError as problem:
        raise FileProblem(f"cannot read {first}: {problem.strerror or problem}") from problem
    write_bytes(first, results)
    try:
        write_bytes(second, summary)
    except BaseException:
        if before is None:
            first.unlink(missing_ok=True)
        else:
            write_bytes(first, before)
        raise


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise FileProblem(f"cannot write {folder}: {problem.strerror or problem}") from problem


def _document_for(photo: Path, settings: MeasureSettings, *, wanted_U_mm: float | None) -> dict[str, Any]:
    from lightgap.vision.document import measurement_document, refusal_document
    from lightgap.vision.measure import measure_photo
    from lightgap.vision.wanted import check_wanted_U

    try:
        return measurement_document(check_wanted_U(measure_photo(photo, settings), wanted_U_mm))
    except LightgapError as problem:
        refused = problem if isinstance(problem, Refusal) else Refusal(FILE_PROBLEM, str(problem))
        return {**refusal_document(refused), "file": photo.name}


def _words(document: dict[str, Any]) -> str:
    relief = document.get("relief")
    if relief is None:
        return str(document["message"])
    return f"relief {relief['relief_mm']:+.3f} mm, U {relief['U_mm']:.3f} mm (k={relief['k']:g}), {relief['shape']}"
