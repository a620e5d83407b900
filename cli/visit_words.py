"""How visits are shown: lines, tables, the change since intake, the report file."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .bench_input import rows_table
from .output import say, show, write_bytes

if TYPE_CHECKING:
    from lightgap.records.compare import Comparison
    from lightgap.records.find import Listing


def visits_table(listing: Listing, *, units: Any) -> str:
    """Return a list of visits as a table."""
    from lightgap.records.quantities import with_uncertainty
    from lightgap.records.text import one_line

    def relief(row: dict[str, Any], stage: str) -> str:
        value = row[f"{stage}_relief_mm"]
        return "" if value is None else with_uncertainty(value, row[f"U_{stage}_relief_mm"], units=units)

    header = ["Visit", "Instrument", "Reference", "Opened", "State", "Relief, intake", "Relief, after", "Turns"]
    rows = [
        [
            str(row["visit"]),
            one_line(row["instrument"]),
            one_line(row["owner_reference"] or ""),
            row["opened_utc"][:10],
            row["state"],
            relief(row, "intake"),
            relief(row, "after"),
            "" if row["turned_turns"] is None else f"{row['turned_turns']:+.3g}",
        ]
        for row in listing.rows
    ]
    return rows_table(header, rows, left=5, total=listing.total)


def entry_line(entry: Any, *, units: Any) -> str:
    """Return one entry of a visit on one line, with its number."""
    from lightgap.records.visit_document import entry_words

    mark = f"  [corrected by {entry.corrected_by}]" if entry.corrected_by else ""
    corrects = f" (in place of {entry.corrects_id})" if entry.corrects_id else ""
    time = entry.recorded_utc[:16].replace("T", " ")
    return f"  {entry.id:>5}  {time}Z  {entry.stage:<12}  {entry_words(entry.detail, units=units)}{corrects}{mark}"


def measuring(visit_id: int) -> str:
    """Return how a visit's neck is measured, by photo or by hand."""
    return f"lightgap measure PHOTO --visit {visit_id}, or lightgap visit add {visit_id} --reading"


def plan_lines(plan: Mapping[str, Any]) -> list[str]:
    """Return where relief stands and the next step, and what was found, each on a line."""
    from lightgap.records.report_parts import judgement_words, turn_sentence

    verdict, _ = judgement_words(plan, otherwise="not held against a range")
    found = [f"note: {finding['message']}" for finding in plan["findings"]]
    return [f"relief: {verdict}. {turn_sentence(plan)}", *found]


def show_comparison(comparison: Comparison | None, *, units: Any) -> None:
    """Say whether relief changed since intake, when there is something to compare."""
    if comparison is None:
        return
    from lightgap.records.compare import verdict_sentence
    from lightgap.records.quantities import with_uncertainty

    change = with_uncertainty(comparison.change_mm, comparison.U_change_mm, units=units)
    show(verdict_sentence(comparison, text_change=change))
    for note in comparison.notes:
        say(f"note: {note}")


def write_report(book: Any, visit: Any, *, path: Path, units: Any, page: Any) -> None:
    """Write a visit's report, HTML or PDF by the name's ending.

    Raises
    ------
    InputError
        For another ending, or when nothing has been measured.
    FileProblem
        When it cannot be written.
    """
    from lightgap.neck.errors import InputError
    from lightgap.records.visit_report import visit_report_html, visit_report_pdf

    suffix = path.suffix.lower()
    if suffix in (".html", ".htm"):
        write_bytes(path, visit_report_html(book, visit, units=units).encode("utf-8"))
    elif suffix == ".pdf":
        write_bytes(path, visit_report_pdf(book, visit, units=units, page=page))
    else:
        raise InputError(f"the report {path} must end in .html or .pdf")
    say(f"report: {path}")
