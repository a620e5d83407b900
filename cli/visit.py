"""`lightgap visit`: from intake to the sheet that goes home with the instrument."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from .bench_input import (
    BookOption,
    ListOptions,
    NameArgument,
    VisitArgument,
    ask,
    complete_instrument,
    show_listing,
)
from .neck_input import JsonOption, MethodOption, ReadingOption, UnitsOption
from .options import spread, typed_values
from .output import emit_json, say, show
from .visit_words import entry_line, measuring, plan_lines, show_comparison, visits_table, write_report

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Keep visits, from intake to the report.",
)

Stage = Literal["intake", "in-work", "after", "season-check"]


@dataclass(frozen=True, slots=True)
class SetupOptions:
    """String heights, room and bridge, as typed."""

    action: Annotated[
        str | None, typer.Option(metavar="BASS,TREBLE", help="String height over fret 12, with units: 1.9mm,5/64in.")
    ] = None
    nut_height: Annotated[
        str | None, typer.Option(metavar="BASS,TREBLE", help="String height over fret 1, with units.")
    ] = None
    temperature: Annotated[str | None, typer.Option(metavar="TEMP", help="Of the room, with unit: 21C or 70F.")] = None
    humidity: Annotated[str | None, typer.Option(metavar="PERCENT", help="Relative, of the room: 45%.")] = None
    bridge_move: Annotated[
        str | None, typer.Option(metavar="BASS,TREBLE", help="How far the bridge was moved, + up, with units.")
    ] = None


@dataclass(frozen=True, slots=True)
class SeenOptions:
    """What was read by hand or seen, as often as wanted."""

    note: Annotated[list[str] | None, typer.Option(help="A note; repeat for more.")] = None
    crack: Annotated[list[str] | None, typer.Option(help="WHERE: WHAT; repeat for more.")] = None
    lifted_fret: Annotated[list[str] | None, typer.Option(help="WHERE: WHAT; repeat for more.")] = None
    buzz: Annotated[list[str] | None, typer.Option(help="WHERE: WHAT; repeat for more.")] = None
    reading: ReadingOption = None


@dataclass(frozen=True, slots=True)
class InsteadOptions:
    """What takes an entry's place: once."""

    turn: Annotated[str | None, typer.Option(metavar="WORDS", help="tighten 1/8 snug (in turns).")] = None
    note: Annotated[str | None, typer.Option(help="A note.")] = None
    crack: Annotated[str | None, typer.Option(help="WHERE: WHAT.")] = None
    lifted_fret: Annotated[str | None, typer.Option(help="WHERE: WHAT.")] = None
    buzz: Annotated[str | None, typer.Option(help="WHERE: WHAT.")] = None
    reading: Annotated[
        str | None, typer.Option(metavar="FRET=VALUE[UNIT]", help="A gap read by hand, with its unit.")
    ] = None


@dataclass(frozen=True, slots=True)
class EntryOptions:
    """How values are entered."""

    from_file: Annotated[
        Path | None, typer.Option("--from", metavar="FILE.toml", help="Read the values from a TOML file.")
    ] = None
    ask_all: Annotated[bool, typer.Option("--ask", help="Ask for each value at the prompt, with its unit.")] = False
    stage: Annotated[
        Stage | None,
        typer.Option(
            help="Where in the visit this belongs; default: intake until rod or bridge was moved, then after."
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class WithdrawOptions:
    """An entry taken out of force."""

    withdraw: Annotated[bool, typer.Option("--withdraw", help="Take the entry out of force.")] = False
    reason: Annotated[str | None, typer.Option(help="Why it is withdrawn.")] = None


OPEN_HELP = """Open a visit. With --season-check it is a look at how the neck moved over the year.

\b
Examples:
  lightgap visit open "Blue archtop"
  lightgap visit open "Blue archtop" --season-check
"""
ADD_HELP = """Enter what was read or seen in a visit.

String heights, room, bridge moves, readings by hand, remarks.

Every length, temperature and humidity is typed with its unit. Nothing is overwritten: see lightgap visit correct.

\b
Examples:
  lightgap visit add 12 --action 1.9mm,1.6mm --nut-height 0.5mm,0.4mm --temperature 21C --humidity 45%
  lightgap visit add "Blue archtop" --lifted-fret "fret 14: treble end" --reading 7=0.010in --method feeler
"""
CORRECT_HELP = """Correct an entry by a later one. The earlier stays readable (lightgap visit show --all).

Give the one value that takes its place, or --withdraw.

\b
Examples:
  lightgap visit correct 31 --action 1.8mm,1.6mm
  lightgap visit correct 32 --withdraw --reason "read at the wrong fret"
"""
SHOW_HELP = """Show everything entered in a visit, with its entry numbers.

\b
Examples:
  lightgap visit show 12
  lightgap visit show "Blue archtop" --all --units in
"""
CLOSE_HELP = """Close a visit. The after measurement is compared with the intake, and the report can go out.

\b
Examples:
  lightgap visit close 12
  lightgap visit close "Blue archtop" --remark "set up, strings new" --report sheet.pdf
"""
REPORT_HELP = """Write a visit's report. One self-contained HTML page, or a PDF of the same.

\b
Examples:
  lightgap visit report 12 sheet.html
  lightgap visit report "Blue archtop" sheet.pdf --page letter --units in
"""
LIST_HELP = """List visits, newest first. Of one instrument, or where a text stands in names, notes and remarks.

\b
Examples:
  lightgap visit list --instrument "Blue archtop"
  lightgap visit list --search "lifted" --json -
"""


@app.command("open", help=OPEN_HELP)
def open_(
    name: NameArgument,
    *,
    season_check: Annotated[bool, typer.Option("--season-check", help="Only a look, no work.")] = False,
    book: BookOption = None,
) -> None:
    """Open a visit."""
    from lightgap.records.book import open_book
    from lightgap.records.instruments import find_instrument
    from lightgap.records.text import one_line
    from lightgap.records.visits import open_visit

    with open_book(book) as opened:
        purpose: Any = "season-check" if season_check else "work"
        visit = open_visit(opened, find_instrument(opened, name), purpose=purpose)
    show(f"visit {visit.id} of {one_line(visit.instrument.name)} is open")
    say(f"next: {measuring(visit.id)}")


@app.command("add", help=ADD_HELP)
@spread
def add(
    visit: VisitArgument,
    *,
    setup: SetupOptions,
    seen: SeenOptions,
    method: MethodOption = "feeler",
    how: EntryOptions,
    book: BookOption = None,
) -> None:
    """Enter what was read or seen."""
    from lightgap.neck.errors import InputError
    from lightgap.records.book import open_book
    from lightgap.records.entries import Reading
    from lightgap.records.inputs import VISIT_FIELDS, details_from, read_toml
    from lightgap.records.sides import sides_of
    from lightgap.records.visits import add_entries, find_visit, read_visit

    values: dict[str, Any] = read_toml(how.from_file) if how.from_file is not None else {}
    stage = values.pop("stage", None) if how.stage is None else how.stage
    file_method = values.pop("method", method)
    values |= {name: value for name, value in typed_values(setup, seen).items() if value}
    if how.ask_all:
        fields = [(field.name, field.expects) for field in VISIT_FIELDS]
        values = ask(fields, lambda name, text: details_from({name: text})) | values
    details = details_from(values, method=method if seen.reading else file_method)
    if not details:
        raise InputError("nothing to enter: give at least one value, or --ask")
    with open_book(book) as opened:
        found = find_visit(opened, visit)
        numbers = set(add_entries(opened, found, details=details, stage=stage))
        found = read_visit(opened, found.id)
        sides = sides_of(opened, found) if any(isinstance(detail, Reading) for detail in details) else []
    for entry in found.entries:
        if entry.id in numbers:
            show(entry_line(entry, units="mm"))
    for side in sides[-1:]:
        if side.plan is not None and numbers & {entry.id for entry in side.entries}:
            first, *notes = plan_lines(side.plan)
            show(first)
            for note in notes:
                say(note)


@app.command("correct", help=CORRECT_HELP)
@spread
def correct(
    entry: Annotated[int, typer.Argument(metavar="ENTRY", help="Number of the entry, as lightgap visit show says.")],
    *,
    setup: SetupOptions,
    instead: InsteadOptions,
    method: MethodOption = "feeler",
    withdrawal: WithdrawOptions,
    book: BookOption = None,
) -> None:
    """Correct an entry by a later one."""
    from lightgap.neck.errors import InputError
    from lightgap.records.book import open_book
    from lightgap.records.inputs import details_from
    from lightgap.records.visits import correct_entry, find_entry, withdraw_entry

    typed = {name: value for name, value in typed_values(setup, instead).items() if value}
    details = details_from(typed, method=method)
    if withdrawal.withdraw == bool(details) or len(details) > 1:
        raise InputError("give the one value that takes the entry's place, or --withdraw")
    with open_book(book) as opened:
        if withdrawal.withdraw:
            number = withdraw_entry(opened, entry, reason=withdrawal.reason)
        else:
            number = correct_entry(opened, entry, detail=details[0])
        _, later = find_entry(opened, number)
    show(entry_line(later, units="mm"))


@app.command("show", help=SHOW_HELP)
def show_one(
    visit: VisitArgument,
    *,
    everything: Annotated[bool, typer.Option("--all", help="Show corrected and withdrawn entries too.")] = False,
    units: UnitsOption = "mm",
    json: JsonOption = None,
    book: BookOption = None,
) -> None:
    """Show everything entered in a visit."""
    from lightgap.records.book import open_book
    from lightgap.records.text import one_line
    from lightgap.records.visit_document import visit_document
    from lightgap.records.visits import find_visit, visit_comparison

    with open_book(book) as opened:
        found = find_visit(opened, visit)
    if json is not None:
        emit_json(visit_document(found), json)
        return
    state = "open" if found.is_open else "closed"
    show(f"visit {found.id} of {one_line(found.instrument.name)}, opened {found.opened_utc[:16]}Z, {state}")
    for entry in found.entries if everything else found.current:
        show(entry_line(entry, units=units))
    show_comparison(visit_comparison(found), units=units)


@app.command("close", help=CLOSE_HELP)
def close(
    visit: VisitArgument,
    *,
    remark: Annotated[str | None, typer.Option(help="A last word on the visit, printed in the report.")] = None,
    report: Annotated[
        Path | None, typer.Option(metavar="PATH.html|.pdf", help="Write the report in the same go.")
    ] = None,
    units: UnitsOption = "mm",
    book: BookOption = None,
) -> None:
    """Close a visit."""
    from lightgap.records.book import open_book
    from lightgap.records.text import one_line
    from lightgap.records.visits import close_visit, find_visit, read_visit

    with open_book(book) as opened:
        found = find_visit(opened, visit)
        comparison = close_visit(opened, found, remark=remark)
        show(f"visit {found.id} of {one_line(found.instrument.name)} is closed")
        show_comparison(comparison, units=units)
        if report is not None:
            write_report(opened, read_visit(opened, found.id), path=report, units=units, page="A4")


@app.command("reopen")
def reopen(
    visit: VisitArgument,
    *,
    reason: Annotated[str | None, typer.Option(help="Why.")] = None,
    book: BookOption = None,
) -> None:
    """Open a closed visit again. That it was closed stays readable.

    \b
    Examples:
      lightgap visit reopen 12
      lightgap visit reopen 12 --reason "came back the same day"
    """
    from lightgap.records.book import open_book
    from lightgap.records.visits import find_visit, reopen_visit

    with open_book(book) as opened:
        found = find_visit(opened, visit)
        reopen_visit(opened, found, reason=reason)
    show(f"visit {found.id} is open again")


@app.command("report", help=REPORT_HELP)
def report(
    visit: VisitArgument,
    path: Annotated[Path, typer.Argument(metavar="PATH.html|.pdf", help="File to write.")],
    *,
    page: Annotated[Literal["A4", "letter"], typer.Option(help="Paper of a PDF.")] = "A4",
    units: UnitsOption = "mm",
    book: BookOption = None,
) -> None:
    """Write a visit's report."""
    from lightgap.records.book import open_book
    from lightgap.records.visits import find_visit

    with open_book(book) as opened:
        write_report(opened, find_visit(opened, visit), path=path, units=units, page=page)


@app.command("list", help=LIST_HELP)
@spread
def list_all(
    *,
    instrument: Annotated[
        str | None,
        typer.Option(metavar="INSTRUMENT", help="Only of this instrument.", autocompletion=complete_instrument),
    ] = None,
    search: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Only where this text stands in names, notes and remarks.")
    ] = None,
    listed: ListOptions,
    units: UnitsOption = "mm",
    book: BookOption = None,
) -> None:
    """List visits, newest first."""
    from lightgap.neck.errors import InputError
    from lightgap.records.book import open_book
    from lightgap.records.find import list_visits, search_visits
    from lightgap.records.instruments import find_instrument

    if instrument is not None and search is not None:
        raise InputError("give --instrument or --search, not both")
    limit = listed.limit or None
    with open_book(book) as opened:
        if search is not None:
            listing = search_visits(opened, search, limit=limit)
        else:
            chosen = None if instrument is None else find_instrument(opened, instrument).id
            listing = list_visits(opened, instrument_id=chosen, limit=limit)
    show_listing(listing, listed, human=lambda rows: visits_table(rows, units=units))
