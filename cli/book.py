"""`lightgap book`: check, back up, move and re-measure the bench book."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from .bench_input import BookOption
from .neck_input import JsonOption, UnitsOption
from .output import emit_json, say, show
from .text import table

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Look after the bench book. Check it, back it up, move it, measure its photos again.",
)

CHECK_HELP = """Check the whole book. Its pages, references, schema, entries, and every photo by its SHA-256.

Exit status 0: whole; 4: not, one line for each fault.

\b
Examples:
  lightgap book check
  lightgap book check --book /media/stick/bench-book.sqlite
"""
BACKUP_HELP = """Copy the live book and its photos.

To a new file and the folder beside it; others may go on writing.

The copy is a bench book of its own: name it with --book.

\b
Examples:
  lightgap book backup /media/stick/bench-book-2026-05.sqlite
  lightgap book backup monday.sqlite --book shop.sqlite
"""
EXPORT_HELP = """Write the whole book as JSON lines, with its photos.

To a new folder.

\b
Examples:
  lightgap book export bench-book-export
  lightgap book export /media/stick/export --book shop.sqlite
"""
IMPORT_HELP = """Read an export into a new book. Nothing is kept when any of it is missing or damaged.

\b
Examples:
  lightgap book import bench-book-export --book new.sqlite
  lightgap book import /media/stick/export
"""
REMEASURE_HELP = """Measure the kept photos again with this version.

It says for each: same, or changed by how much.

Nothing in the book changes. A change is held against the expanded uncertainty stated then. Exit status 0 also when
numbers changed; 4 when a photo cannot be read.

\b
Examples:
  lightgap book remeasure
  lightgap book remeasure --visit 12 --json remeasured.json
"""


@app.command("path")
def path(book: BookOption = None) -> None:
    """Show which file the bench book is.

    \b
    Examples:
      lightgap book path
      LIGHTGAP_BOOK=shop.sqlite lightgap book path
    """
    from lightgap.records.book import default_book_path

    show(str(book or default_book_path()))


@app.command("check", help=CHECK_HELP)
def check(json: JsonOption = None, book: BookOption = None) -> None:
    """Check the whole book."""
    from lightgap.neck.errors import FileProblem
    from lightgap.records.book import open_book
    from lightgap.records.check import check_book

    with open_book(book) as opened:
        result = check_book(opened)
    if json is not None:
        emit_json(result.document(), json)
    else:
        for fault in result.faults:
            show(f"{fault.code}: {fault.message}")
        if not result.faults:
            show(f"whole: {result.visits} visits, {result.entries} entries, {result.photos} photos")
    if result.spare_files:
        say(f"{result.spare_files} spare files lie in the photo folder, left by a program that was stopped: harmless")
    if result.faults:
        raise FileProblem(f"the book is not whole: {len(result.faults)} faults")


@app.command("backup", help=BACKUP_HELP)
def backup(
    target: Annotated[Path, typer.Argument(metavar="FILE", help="File to write; must not exist.")],
    book: BookOption = None,
) -> None:
    """Copy the live book and its photos."""
    from lightgap.records.book import open_book
    from lightgap.records.transfer import backup_book

    with open_book(book) as opened:
        count = backup_book(opened, target)
    show(f"{target}: the book and {count} photos")


@app.command("export", help=EXPORT_HELP)
def export(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder to write; must be new or empty.")],
    book: BookOption = None,
) -> None:
    """Write the whole book as JSON lines with its photos."""
    from lightgap.records.book import open_book
    from lightgap.records.transfer import export_book

    with open_book(book) as opened:
        counts = export_book(opened, folder)
    show(f"{folder}: {_counted(counts)}")


@app.command("import", help=IMPORT_HELP)
def import_(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder that lightgap book export wrote.")],
    book: BookOption = None,
) -> None:
    """Read an export into a new book."""
    from lightgap.records.book import default_book_path
    from lightgap.records.transfer import import_book

    target = book or default_book_path()
    counts = import_book(folder, target, progress=_progress if sys.stderr.isatty() else None)
    show(f"{target}: {_counted(counts)}")


@app.command("remeasure", help=REMEASURE_HELP)
def remeasure(
    *,
    visit: Annotated[int | None, typer.Option(metavar="N", help="Only this visit.")] = None,
    units: UnitsOption = "mm",
    json: JsonOption = None,
    book: BookOption = None,
) -> None:
    """Measure the kept photos again."""
    from lightgap.neck.errors import FileProblem
    from lightgap.records.book import open_book
    from lightgap.records.remeasure import REMEASURE_SCHEMA, measure_again, remeasure_book

    lines = []
    with open_book(book) as opened:
        for line in remeasure_book(opened, measure_again, visit_id=visit):
            lines.append(line)
            if sys.stderr.isatty():
                say(f"visit {line.visit_id}: {line.outcome}")
    if json is not None:
        emit_json({"schema": REMEASURE_SCHEMA, "lines": [line.document() for line in lines]}, json)
    else:
        show(_remeasured(lines, units=units))
    unread = sum(line.outcome == "cannot be read" for line in lines)
    if unread:
        raise FileProblem(f"{unread} photos cannot be read: `lightgap book check` tells more")


def _remeasured(lines: list[Any], *, units: Any) -> str:
    from lightgap.records.quantities import with_uncertainty
    from lightgap.records.text import one_line

    if not lines:
        return "no photo to measure again"
    header = ["Visit", "Instrument", "Stage", "Then (U, k = 2)", "Now", "Change", "Outcome"]
    rows = []
    for line in lines:
        then = with_uncertainty(line.then_mm, line.U_then_mm, units=units)
        now = change = ""
        if line.now_mm is not None:
            now = with_uncertainty(line.now_mm, line.U_now_mm, units=units)
            change = with_uncertainty(line.change_mm, line.U_then_mm, units=units).split(" ±")[0]
        outcome = f"{line.outcome}: {one_line(line.remark)}" if line.remark else line.outcome
        rows.append([str(line.visit_id), one_line(line.instrument), line.stage, then, now, change, outcome])
    return table(header, rows, left=3)


def _counted(counts: dict[str, int]) -> str:
    return (
        f"{counts.get('instrument', 0)} instruments, {counts.get('visit', 0)} visits, "
        f"{counts.get('entry', 0)} entries, {counts.get('photo', 0)} photos"
    )


def _progress(done: int, total: int) -> None:
    say(f"{done} of {total} records")
