"""Visits: opened, added to, measured into, corrected by later entries, closed."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Literal

from lightgap.neck.errors import InputError

from .book import Book, utc_now
from .by_hand import hand_document, hand_readings
from .compare import Comparison, compare_profiles
from .entries import (
    Closing,
    Detail,
    Entry,
    StoredMeasurement,
    Turn,
    Withdrawal,
    in_force,
    insert_entry,
    read_entries,
)
from .instruments import Instrument, find_instrument, instrument_by_id

Purpose = Literal["work", "season-check"]
Document = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Visit:
    """One visit with everything entered, corrected entries too.

    Attributes
    ----------
    id
        The visit's number.
    instrument
        As the book knows it now.
    opened_utc, purpose
        When and what for.
    entries
        In the order of recording.
    """

    id: int
    instrument: Instrument
    opened_utc: str
    purpose: Purpose
    entries: tuple[Entry, ...]

    @property
    def current(self) -> tuple[Entry, ...]:
        """The entries in force, in the order of what they tell of."""
        return in_force(self.entries)

    @property
    def is_open(self) -> bool:
        """True until it is closed."""
        return not any(isinstance(entry.detail, Closing) for entry in self.current)

    def measurements(self, *stages: str) -> tuple[Entry, ...]:
        """Return the measurements in force, of some stages or of all."""
        return tuple(
            entry
            for entry in self.current
            if isinstance(entry.detail, StoredMeasurement) and (not stages or entry.stage in stages)
        )

    def turns(self) -> tuple[Turn, ...]:
        """Return the turns of the rod in force."""
        return tuple(entry.detail for entry in self.current if isinstance(entry.detail, Turn))


def open_visit(book: Book, instrument: Instrument, *, purpose: Purpose = "work") -> Visit:
    """Begin a visit.

    Raises
    ------
    InputError
        When the instrument has a visit that is still open.
    """
    with book.write():
        _refuse_open(book, instrument)
        visit_id = book.insert("visit", {"instrument_id": instrument.id, "opened_utc": utc_now(), "purpose": purpose})
    return read_visit(book, visit_id)


def _refuse_open(book: Book, instrument: Instrument) -> None:
    for row in book.rows("SELECT id FROM visit WHERE instrument_id = ? ORDER BY id DESC", (instrument.id,)):
        if read_visit(book, row["id"]).is_open:
            raise InputError(
                f"visit {row['id']} of {instrument.name!r} is still open: "
                f"go on with it, or `lightgap visit close {row['id']}`"
            )


def read_visit(book: Book, visit_id: int) -> Visit:
    """Return a visit by its number.

    Raises
    ------
    InputError
        When the book has none of this number.
    """
    row = book.row("SELECT * FROM visit WHERE id = ?", (visit_id,))
    if row is None:
        raise InputError(f"the book has no visit {visit_id}: `lightgap visit list` shows them")
    return Visit(
        id=visit_id,
        instrument=instrument_by_id(book, row["instrument_id"]),
        opened_utc=row["opened_utc"],
        purpose=row["purpose"],
        entries=read_entries(book, visit_id),
    )


def find_visit(book: Book, reference: str | int) -> Visit:
    """Return the visit meant: by its number, or by an instrument's name its open visit, else its newest.

    Raises
    ------
    InputError
        When there is none.
    """
    text = str(reference).strip()
    if re.fullmatch("[0-9]{1,18}", text):
        return read_visit(book, int(text))
    instrument = find_instrument(book, text)
    row = book.row("SELECT max(id) AS newest FROM visit WHERE instrument_id = ?", (instrument.id,))
    if row is None or row["newest"] is None:
        raise InputError(f'{instrument.name!r} has no visit yet: `lightgap visit open "{instrument.name}"`')
    return read_visit(book, row["newest"])


def usual_stage(visit: Visit, detail_table: str) -> str:
    """Return the stage an entry belongs to when none is named."""
    if visit.purpose == "season-check":
        return "season-check"
    if detail_table in ("turn", "bridge_move"):
        return "in-work"
    worked = any(entry.detail.table in ("turn", "bridge_move") for entry in visit.current)
    return "after" if worked else "intake"


def add_entry(book: Book, visit: Visit, *, detail: Detail, stage: str | None = None) -> int:
    """Add one entry to an open visit and return its number.

    Raises
    ------
    InputError
        When the visit is closed.
    """
    return add_entries(book, visit, details=[detail], stage=stage)[0]


def add_entries(book: Book, visit: Visit, *, details: list[Detail], stage: str | None = None) -> list[int]:
    """Add several entries, all or none, and return their numbers.

    Raises
    ------
    InputError
        When the visit is closed.
    """
    with book.write():
        visit = read_visit(book, visit.id)
        refuse_closed(visit)
        return [
            insert_entry(book, visit.id, detail=detail, stage=stage or usual_stage(visit, detail.table))
            for detail in details
        ]


def close_visit(book: Book, visit: Visit, *, remark: str | None = None) -> Comparison | None:
    """Close a visit and return the comparison of after with intake, when both are there."""
    add_entry(book, visit, detail=Closing(remark=remark))
    return visit_comparison(read_visit(book, visit.id))


def reopen_visit(book: Book, visit: Visit, *, reason: str | None = None) -> None:
    """Open a closed visit again: its closing is withdrawn by a later entry.

    Raises
    ------
    InputError
        When it is open, or another visit of the instrument is.
    """
    with book.write():
        closed = [entry for entry in read_visit(book, visit.id).current if isinstance(entry.detail, Closing)]
        if not closed:
            raise InputError(f"visit {visit.id} is open")
        _refuse_open(book, visit.instrument)
        _withdraw(book, closed[0].id, reason=reason)


def correct_entry(book: Book, entry_id: int, *, detail: Detail) -> int:
    """Put a later entry in the place of an earlier one, which stays readable; closed visits too.

    What the later one leaves open (one of two strings, the room's humidity, how the nut felt) stays as it was entered.

    Raises
    ------
    InputError
        When the entry does not exist, is of another kind, or has been corrected before.
    """
    with book.write():
        visit, earlier = _correctable(book, entry_id)
        if earlier.detail.table != detail.table:
            raise InputError(f"entry {entry_id} is a {earlier.detail.table}, not a {detail.table}")
        left_open = [f.name for f in fields(detail) if getattr(detail, f.name) in (None, "unknown")]
        kept = {name: getattr(earlier.detail, name) for name in left_open}
        whole = replace(detail, **kept)
        return insert_entry(book, visit.id, detail=whole, stage=earlier.stage, corrects_id=entry_id)


def withdraw_entry(book: Book, entry_id: int, *, reason: str | None = None) -> int:
    """Take an earlier entry out of force; it stays readable.

    Raises
    ------
    InputError
        When the entry does not exist or is no longer in force.
    """
    with book.write():
        return _withdraw(book, entry_id, reason=reason)


def _withdraw(book: Book, entry_id: int, *, reason: str | None) -> int:
    visit, earlier = _correctable(book, entry_id)
    return insert_entry(book, visit.id, detail=Withdrawal(reason=reason), stage=earlier.stage, corrects_id=entry_id)


def find_entry(book: Book, entry_id: int) -> tuple[Visit, Entry]:
    """Return an entry by its number, with its visit.

    Raises
    ------
    InputError
        When there is none.
    """
    row = book.row("SELECT visit_id FROM entry WHERE id = ?", (entry_id,))
    if row is None:
        raise InputError(f"the book has no entry {entry_id}: `lightgap visit show` lists a visit's entries")
    visit = read_visit(book, row["visit_id"])
    return visit, next(entry for entry in visit.entries if entry.id == entry_id)


def _correctable(book: Book, entry_id: int) -> tuple[Visit, Entry]:
    visit, earlier = find_entry(book, entry_id)
    if earlier.corrected_by is not None:
        raise InputError(f"entry {entry_id} has been corrected by entry {earlier.corrected_by}: correct that one")
    if isinstance(earlier.detail, Withdrawal):
        raise InputError(f"entry {entry_id} is a withdrawal: enter what holds now anew")
    return visit, earlier


def visit_comparison(visit: Visit) -> Comparison | None:
    """Return the newest after measurement compared with the newest intake, or nothing when one is missing.

    Hand readings stand where a stage has no photo.
    """
    after = visit.measurements("after")
    if after and visit.measurements("intake"):
        return against_intake(visit, after[-1])
    before_document, after_document = (_stage_document(visit, stage) for stage in ("intake", "after"))
    return _compared(before_document, after_document) if before_document and after_document else None


def _stage_document(visit: Visit, stage: str) -> dict[str, Any] | None:
    measured = visit.measurements(stage)
    if measured:
        return measured_document(measured[-1])
    readings = hand_readings(visit.current, stage)
    return hand_document(readings, scale_length_mm=visit.instrument.facts.scale_length_mm)


def _compared(before: Document, after: Document) -> Comparison | None:
    try:
        return compare_profiles(before, after)
    except InputError:
        return None


def measured_document(entry: Entry) -> dict[str, Any]:
    """Return the profile document of a measurement entry."""
    if not isinstance(entry.detail, StoredMeasurement):
        raise InputError(f"entry {entry.id} is no measurement")
    document: dict[str, Any] = json.loads(entry.detail.document)
    return document


def against_intake(visit: Visit, entry: Entry) -> Comparison | None:
    """Return a later measurement compared with the newest intake before it, or nothing where there is none."""
    measured = visit.measurements()
    at = next((i for i, e in enumerate(measured) if e.id == entry.id), 0)
    intake = [e for e in measured[:at] if e.stage == "intake"]
    if not intake or entry.stage == "intake":
        return None
    return _compared(measured_document(intake[-1]), measured_document(entry))


def refuse_closed(visit: Visit) -> None:
    """Refuse to add to a closed visit.

    Raises
    ------
    InputError
        Says how to go on.
    """
    if not visit.is_open:
        raise InputError(
            f"visit {visit.id} of {visit.instrument.name!r} is closed: open a new one, or "
            f"`lightgap visit reopen {visit.id}`"
        )
