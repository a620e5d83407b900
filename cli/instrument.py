"""`lightgap instrument`: the instruments of the bench book."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from .bench_input import (
    BookOption,
    ListOptions,
    NameArgument,
    NewNameArgument,
    ask,
    rows_table,
    show_listing,
)
from .neck_input import JsonOption, UnitsOption
from .options import spread, typed_values
from .output import emit_json, say, show

if TYPE_CHECKING:
    from lightgap.records.find import Listing
    from lightgap.records.instruments import Instrument

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Keep instruments in the bench book. What was known before stays readable.",
)


@dataclass(frozen=True, slots=True)
class FactsOptions:
    """What is known of an instrument, as typed."""

    owner_reference: Annotated[
        str | None, typer.Option(help="Free text, such as a ticket number; no personal data is needed.")
    ] = None
    family: Annotated[
        str | None, typer.Option(help="electric, acoustic, classical, bass, mandolin, ukulele, banjo or other.")
    ] = None
    scale_length: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Scale length with unit: 648mm, 25.5in.")
    ] = None
    frets: Annotated[str | None, typer.Option(metavar="N", help="Number of frets.")] = None
    body_joint: Annotated[str | None, typer.Option(metavar="FRET", help="Fret number at the body joint.")] = None
    board_radius: Annotated[str | None, typer.Option(metavar="LENGTH", help="Board radius with unit: 305mm, 12in.")] = (
        None
    )
    rod: Annotated[str | None, typer.Option(help="Truss rod: single-action, two-way, none or unknown.")] = None
    rod_access: Annotated[
        str | None, typer.Option(help="Where the rod's nut is reached: peghead, soundhole, body-end.")
    ] = None
    rod_drive: Annotated[
        str | None, typer.Option(help="Drive of the rod's nut, with its size: 4 mm hex, 5/16 in socket.")
    ] = None
    string_set: Annotated[str | None, typer.Option(help="String set, free text with units.")] = None
    tuning: Annotated[str | None, typer.Option(help="Notes from the lowest string: E2 A2 D3 G3 B3 E4.")] = None
    target: Annotated[
        str | None,
        typer.Option(metavar="LOW-HIGH", help="Wanted relief with units: 0.10-0.25mm, 0.004in-0.010in, straight."),
    ] = None
    wishes: Annotated[str | None, typer.Option(help="What the player wants, free text.")] = None


FromFile = Annotated[Path | None, typer.Option("--from", metavar="FILE.toml", help="Read the values from a TOML file.")]

ADD_HELP = """Add an instrument to the bench book. The book is begun when there is none.

Every value but the name may be left open and told later.

\b
Examples:
  lightgap instrument add "Blue archtop" --family electric --scale-length 648mm --rod single-action
  lightgap instrument add "Ticket 114" --from ticket-114.toml
"""
SET_HELP = """Tell more of an instrument, or correct it. The earlier entry stays readable.

An empty text ("") leaves a value open again.

\b
Examples:
  lightgap instrument set "Blue archtop" --string-set "11 to 49 nickel, inch thousandths"
  lightgap instrument set "Blue archtop" --name "Blue archtop 2" --board-radius 12in
"""
LIST_HELP = """List instruments. All, or those whose name, owner reference or wishes hold a text.

\b
Examples:
  lightgap instrument list
  lightgap instrument list archtop --csv instruments.csv
"""
SHOW_HELP = """Show what the book knows of an instrument. With --history also what it knew before.

\b
Examples:
  lightgap instrument show "Blue archtop"
  lightgap instrument show "Blue archtop" --history --units in
"""


def _given(facts: FactsOptions, file: Path | None) -> dict[str, str]:
    """Return what was typed: the file's values, overridden by options."""
    from lightgap.neck.errors import InputError
    from lightgap.records.inputs import read_toml

    values: dict[str, str] = {}
    for name, value in (read_toml(file) if file is not None else {}).items():
        if isinstance(value, list):
            raise InputError(f"{file}: {name} takes one value")
        values[name] = value
    return values | typed_values(facts)


def _asked() -> dict[str, str]:
    from lightgap.records.inputs import INSTRUMENT_FIELDS, facts_changes, facts_from

    fields = [(field.name, field.expects) for field in INSTRUMENT_FIELDS]
    fields.append(("target", "wanted relief LOW-HIGH, e.g. 0.10-0.25mm"))

    def check(name: str, text: str) -> None:
        facts_changes({name: text})
        facts_from("x", {name: text})

    return ask(fields, check)


@app.command("add", help=ADD_HELP)
@spread
def add(
    name: NewNameArgument,
    *,
    facts: FactsOptions,
    from_file: FromFile = None,
    ask_all: Annotated[bool, typer.Option("--ask", help="Ask for each value at the prompt, with its unit.")] = False,
    book: BookOption = None,
) -> None:
    """Add an instrument to the bench book."""
    from lightgap.records.book import open_book
    from lightgap.records.inputs import facts_from
    from lightgap.records.instruments import add_instrument

    values = _given(facts, from_file)
    if ask_all:
        values = _asked() | values
    values.pop("name", None)
    with_name = facts_from(name, values)
    with open_book(book, create=True) as opened:
        instrument = add_instrument(opened, with_name)
        say(f"bench book: {opened.path}")
    show(_card(instrument, units="mm"))
    say(f'next: lightgap visit open "{instrument.name}"')


@app.command("set", help=SET_HELP)
@spread
def set_values(
    name: NameArgument,
    *,
    new_name: Annotated[str | None, typer.Option("--name", help="A new name.")] = None,
    facts: FactsOptions,
    from_file: FromFile = None,
    book: BookOption = None,
) -> None:
    """Tell more of an instrument, or correct it."""
    from lightgap.neck.errors import InputError
    from lightgap.records.book import open_book
    from lightgap.records.inputs import facts_changes
    from lightgap.records.instruments import change_instrument, find_instrument

    given = _given(facts, from_file) | ({} if new_name is None else {"name": new_name})
    changes = facts_changes(given)
    if not changes:
        raise InputError("nothing to change: give at least one value")
    with open_book(book) as opened:
        instrument = change_instrument(opened, find_instrument(opened, name), **changes)
    show(_card(instrument, units="mm"))


@app.command("list", help=LIST_HELP)
@spread
def list_all(
    text: Annotated[str, typer.Argument(metavar="[TEXT]", help="Show only instruments where this text stands.")] = "",
    *,
    listed: ListOptions,
    book: BookOption = None,
) -> None:
    """List instruments."""
    from lightgap.records.book import open_book
    from lightgap.records.find import list_instruments

    with open_book(book) as opened:
        listing = list_instruments(opened, text=text, limit=listed.limit or None)
    show_listing(listing, listed, human=_human)


@app.command("show", help=SHOW_HELP)
def show_one(
    name: NameArgument,
    *,
    history: Annotated[bool, typer.Option("--history", help="Show every earlier entry too.")] = False,
    units: UnitsOption = "mm",
    json: JsonOption = None,
    book: BookOption = None,
) -> None:
    """Show what the book knows of an instrument."""
    from lightgap.records.book import open_book
    from lightgap.records.find import list_visits
    from lightgap.records.instruments import find_instrument, instrument_document, instrument_history

    with open_book(book) as opened:
        instrument = find_instrument(opened, name)
        earlier = instrument_history(opened, instrument)[:-1] if history else ()
        visits = list_visits(opened, instrument_id=instrument.id)
    if json is not None:
        numbers = [row["visit"] for row in visits.rows]
        document = instrument_document(instrument, visits=numbers, earlier=earlier)
        emit_json(document, json)
        return
    show(_card(instrument, units=units))
    show(f"  visits: {', '.join(str(row['visit']) for row in visits.rows) or 'none'}")
    for item in reversed(earlier):
        show(f"\nuntil a later entry, from {item.recorded_utc}:\n{_card(item, units=units)}")


def _human(listing: Listing) -> str:
    from lightgap.records.text import one_line

    header = ["Instrument", "Reference", "Family", "Scale (mm)", "Rod", "Visits", "Last visit"]
    rows = [
        [
            one_line(row["instrument"]),
            one_line(row["owner_reference"] or ""),
            row["family"] or "",
            f"{row['scale_length_mm']:.1f}" if row["scale_length_mm"] else "",
            row["rod_kind"] or "",
            str(row["visits"]),
            f"{row['last_visit']} ({row['last_visit_utc'][:10]})" if row["last_visit"] else "",
        ]
        for row in listing.rows
    ]
    return rows_table(header, rows, left=3, total=listing.total)


def _card(instrument: Instrument, *, units: Any) -> str:
    """Return an instrument's facts, one a line, each with its unit."""
    from lightgap.records.quantities import length, length_range
    from lightgap.records.text import one_line

    facts = instrument.facts
    low, high = facts.target_low_mm, facts.target_high_mm
    pairs = (
        ("owner reference", facts.owner_reference),
        ("family", facts.family),
        ("scale length", length(facts.scale_length_mm, units=units) if facts.scale_length_mm else None),
        ("frets", facts.fret_count),
        ("body joint", f"fret {facts.body_joint_fret}" if facts.body_joint_fret else None),
        ("board radius", length(facts.board_radius_mm, units=units, decimals=1) if facts.board_radius_mm else None),
        ("rod", facts.rod_kind),
        ("rod access", facts.rod_access),
        ("rod drive", facts.rod_drive),
        ("string set", facts.string_set),
        ("tuning", facts.tuning),
        ("wanted relief", length_range(low, high, units=units) if low is not None and high is not None else None),
        ("wishes", facts.wishes),
    )
    lines = [f"  {name}: {one_line(str(value))}" for name, value in pairs if value is not None]
    return "\n".join([one_line(facts.name), *lines])
