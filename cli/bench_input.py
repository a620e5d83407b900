"""What the bench-book commands share: the book, completion of names, prompts, and lists as table, JSON or CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lightgap.neck.errors import LightgapError

from .neck_input import JsonOption
from .output import check_outputs, emit_json, show, write_bytes
from .text import table

if TYPE_CHECKING:
    from lightgap.records.find import Listing

BookOption = Annotated[
    Path | None,
    typer.Option(
        "--book",
        metavar="FILE",
        envvar="LIGHTGAP_BOOK",
        help="The bench book (SQLite file); default: in your data folder.",
        show_envvar=True,
    ),
]


@dataclass(frozen=True, slots=True)
class ListOptions:
    """How a list is shown: how much of it, and as what."""

    limit: Annotated[int, typer.Option(metavar="N", help="Show at most N rows; 0 shows all.", min=0)] = 50
    json: JsonOption = None
    csv: Annotated[
        str | None, typer.Option(metavar="PATH|-", help="Write the list as CSV to PATH; - prints it alone.")
    ] = None


def complete_instrument(incomplete: str) -> list[str]:
    """Return instrument names that begin as typed; says nothing when the book cannot be read."""
    from lightgap.records.book import open_book
    from lightgap.records.instruments import instrument_names

    try:
        with open_book() as book:
            return instrument_names(book, beginning=incomplete)
    except LightgapError:
        return []


NewNameArgument = Annotated[str, typer.Argument(metavar="NAME", help="What the bench calls the instrument.")]
NameArgument = Annotated[
    str, typer.Argument(metavar="INSTRUMENT", help="Name of the instrument.", autocompletion=complete_instrument)
]
VisitArgument = Annotated[
    str,
    typer.Argument(
        metavar="VISIT",
        help="Number of the visit, or the instrument's name for its newest visit.",
        autocompletion=complete_instrument,
    ),
]


def ask(fields: Iterable[tuple[str, str]], check: Callable[[str, str], Any]) -> dict[str, str]:
    """Ask for each field at the prompt, naming what to type and its unit; an empty answer leaves it out.

    A value that cannot be read is explained and asked for again.
    """
    answers: dict[str, str] = {}
    for name, expects in fields:
        while True:
            text = str(typer.prompt(f"{name} ({expects})", default="", show_default=False, err=True)).strip()
            if not text:
                break
            try:
                check(name, text)
            except LightgapError as problem:
                typer.echo(f"  {problem}", err=True)
                continue
            answers[name] = text
            break
    return answers


def show_listing(listing: Listing, options: ListOptions, *, human: Callable[[Listing], str]) -> None:
    """Show a list once: as JSON, as CSV, or as a table for people."""
    check_outputs(options.json, options.csv)
    if options.json is not None:
        emit_json(listing.document(), options.json)
    if options.csv is not None:
        _emit(csv_text(listing.columns, listing.rows), options.csv)
    if options.json is None and options.csv is None:
        show(human(listing))


def csv_text(columns: Iterable[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Return rows as CSV (RFC 4180: CRLF line ends, quoted where needed).

    A text that a spreadsheet would run as a formula gets an apostrophe before it.
    """
    names = list(columns)
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(names)
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in names])
    return stream.getvalue()


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return f"'{value}"
    return value


def _emit(text: str, target: str) -> None:
    if target == "-":
        show(text.replace("\r\n", "\n").rstrip("\n"))
    else:
        write_bytes(Path(target), text.encode("utf-8"))


def rows_table(header: list[str], rows: list[list[str]], *, left: int, total: int) -> str:
    """Return a table and, when not all is shown, how much there is."""
    if not rows:
        return "nothing found"
    more = f"\n{len(rows)} of {total}; --limit 0 shows all" if total > len(rows) else ""
    return table(header, rows, left=left) + more
