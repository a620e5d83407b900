"""Instruments: what is known of each, added to and never overwritten."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields, replace
from typing import Any, get_args

from lightgap.neck.bench import Access, RodKind
from lightgap.neck.errors import InputError

from .book import Book, utc_now
from .entries import check_choice, check_range
from .text import one_line

INSTRUMENT_SCHEMA = "lightgap/instrument/1"
FAMILIES = ("electric", "acoustic", "classical", "bass", "mandolin", "ukulele", "banjo", "other")
MAX_TEXT = 2000


@dataclass(frozen=True, slots=True)
class Facts:
    """What the book knows of an instrument; everything but the name may be left open.

    Attributes
    ----------
    name
        What the bench calls it, the handle for every command.
    owner_reference
        Free text ("ticket 114"); no personal data is asked for.
    target_low_mm, target_high_mm
        Relief the player wants, where it is not the usual.
    """

    name: str
    owner_reference: str | None = None
    family: str | None = None
    scale_length_mm: float | None = None
    fret_count: int | None = None
    body_joint_fret: int | None = None
    board_radius_mm: float | None = None
    rod_kind: str | None = None
    rod_access: str | None = None
    rod_drive: str | None = None
    string_set: str | None = None
    tuning: str | None = None
    target_low_mm: float | None = None
    target_high_mm: float | None = None
    wishes: str | None = None

    def __post_init__(self) -> None:
        if not self.name.strip() or self.name.strip() != self.name:
            raise InputError(f"the instrument's name must not be empty or begin or end with a space, got {self.name!r}")
        if self.name.isdigit():
            raise InputError(f"the instrument's name must not be a bare number, got {self.name!r}: numbers name visits")
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, str) and len(value) > MAX_TEXT:
                raise InputError(f"{field.name}: longer than {MAX_TEXT} characters")
        if self.family is not None:
            check_choice("family", self.family, choices=FAMILIES)
        if self.rod_kind is not None:
            check_choice("rod kind", self.rod_kind, choices=get_args(RodKind))
        if self.rod_access is not None:
            check_choice("rod access", self.rod_access, choices=get_args(Access))
        check_range("a scale length", self.scale_length_mm, low=200, high=1200, unit="mm")
        check_range("a number of frets", self.fret_count, low=1, high=36, unit="frets")
        check_range("a body joint", self.body_joint_fret, low=1, high=36, unit="(fret)")
        check_range("a board radius", self.board_radius_mm, low=100, high=2000, unit="mm")
        check_range("a wanted relief", self.target_low_mm, low=0, high=1, unit="mm")
        check_range("a wanted relief", self.target_high_mm, low=0, high=1, unit="mm")
        low, high = self.target_low_mm, self.target_high_mm
        if (low is None) != (high is None) or (low is not None and high is not None and low >= high):
            raise InputError("the wanted relief needs a low and a higher limit")


@dataclass(frozen=True, slots=True)
class Instrument:
    """An instrument as the book knows it now."""

    id: int
    recorded_utc: str
    facts: Facts

    @property
    def name(self) -> str:
        """Its name."""
        return self.facts.name


_COLUMNS = tuple(field.name for field in fields(Facts))


def add_instrument(book: Book, facts: Facts) -> Instrument:
    """Add an instrument.

    Raises
    ------
    InputError
        When another instrument has this name.
    """
    with book.write():
        _refuse_taken_name(book, facts.name, except_id=None)
        instrument_id = book.insert("instrument", {"created_utc": utc_now()})
        _insert_facts(book, instrument_id, facts=facts)
    return find_instrument(book, facts.name)


def change_instrument(book: Book, instrument: Instrument, **changes: Any) -> Instrument:
    """Add a later entry with some facts changed; the earlier one stays readable.

    Raises
    ------
    InputError
        When a value makes no sense or another instrument has the new name.
    """
    facts = replace(instrument.facts, **changes)
    with book.write():
        _refuse_taken_name(book, facts.name, except_id=instrument.id)
        _insert_facts(book, instrument.id, facts=facts)
    return find_instrument(book, facts.name)


def find_instrument(book: Book, name: str) -> Instrument:
    """Return the instrument of this name; capital letters do not matter.

    Raises
    ------
    InputError
        When there is none: names those that come near.
    """
    row = book.row("SELECT * FROM current_instrument WHERE name_key = ?", (name.casefold(),))
    if row is None:
        near = instrument_names(book, beginning=name[:1])[:5]
        hint = f"; there is {', '.join(map(one_line, near))}" if near else "; `lightgap instrument list` names all"
        raise InputError(f"the book has no instrument {one_line(name)!r}{hint}")
    return _instrument(row)


def instrument_by_id(book: Book, instrument_id: int) -> Instrument:
    """Return the instrument with this number in the book."""
    row = book.row("SELECT * FROM current_instrument WHERE instrument_id = ?", (instrument_id,))
    if row is None:
        raise InputError(f"the book has no instrument number {instrument_id}")
    return _instrument(row)


def instrument_history(book: Book, instrument: Instrument) -> tuple[Instrument, ...]:
    """Return everything ever recorded of an instrument, oldest first."""
    rows = book.rows("SELECT * FROM instrument_entry WHERE instrument_id = ? ORDER BY id", (instrument.id,))
    return tuple(map(_instrument, rows))


def instrument_names(book: Book, *, beginning: str = "") -> list[str]:
    """Return the names of all instruments that begin so, in order; for completion and hints."""
    rows = book.rows("SELECT name, name_key FROM current_instrument ORDER BY name_key")
    start = beginning.casefold()
    return [row["name"] for row in rows if row["name_key"].startswith(start)]


def _insert_facts(book: Book, instrument_id: int, *, facts: Facts) -> None:
    values = {name: getattr(facts, name) for name in _COLUMNS}
    book.insert(
        "instrument_entry",
        {
            "instrument_id": instrument_id,
            "recorded_utc": utc_now(),
            "name_key": facts.name.casefold(),
            **values,
        },
    )


def _refuse_taken_name(book: Book, name: str, *, except_id: int | None) -> None:
    row = book.row("SELECT instrument_id FROM current_instrument WHERE name_key = ?", (name.casefold(),))
    if row is not None and row["instrument_id"] != except_id:
        raise InputError(f"the book already has an instrument {one_line(name)!r}: choose another name")


def _instrument(row: Any) -> Instrument:
    return Instrument(
        id=row["instrument_id"],
        recorded_utc=row["recorded_utc"],
        facts=Facts(**{name: row[name] for name in _COLUMNS}),
    )


def instrument_document(
    instrument: Instrument, *, visits: list[int], earlier: tuple[Instrument, ...]
) -> dict[str, Any]:
    """Return an instrument as its JSON document (schema lightgap/instrument/1)."""

    def known(item: Instrument) -> dict[str, Any]:
        return {"recorded_utc": item.recorded_utc, **asdict(item.facts)}

    return {
        "schema": INSTRUMENT_SCHEMA,
        **known(instrument),
        "visits": visits,
        "history": [known(item) for item in earlier],
    }
