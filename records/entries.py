"""What a visit is made of: one frozen class for each kind of entry, with the sense of every number checked.

The class's fields are the columns of the table of the same name, so the unit stands in both.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, ClassVar, Literal, cast, get_args

from lightgap.neck.errors import InputError

from .book import Book, utc_now

Stage = Literal["intake", "in-work", "after", "season-check"]
Feel = Literal["free", "snug", "stiff", "at-end", "slack", "unknown"]
Topic = Literal["note", "crack", "lifted-fret", "buzz"]

STAGES = get_args(Stage)
FEELS = get_args(Feel)
TOPICS = get_args(Topic)

# Above these no instrument is adjusted; a value beyond is a slip of the pen (common practice, no published source).
MAX_TURN = 1.0
MAX_ACTION_MM = 15.0
MAX_NUT_MM = 5.0
MAX_BRIDGE_MOVE_MM = 20.0
MAX_GAP_MM = 5.0


def check_range(what: str, value: float | None, *, low: float, high: float, unit: str) -> None:
    """Refuse a number outside what an instrument can have.

    Raises
    ------
    InputError
        Names the quantity, the value and the range.
    """
    if value is not None and not (math.isfinite(value) and low <= value <= high):
        raise InputError(f"{what} of {value:g} {unit} makes no sense: expected {low:g} to {high:g} {unit}")


def check_choice(what: str, value: str, *, choices: tuple[str, ...]) -> None:
    """Refuse a word that is not among the choices.

    Raises
    ------
    InputError
        Names the word and the choices.
    """
    if value not in choices:
        raise InputError(f"{what}: {value!r} is not one of {', '.join(choices)}")


def _need_one(what: str, *values: object) -> None:
    if all(value is None for value in values):
        raise InputError(f"{what}: give at least one value")


@dataclass(frozen=True, slots=True)
class Reading:
    """A gap read by hand at one fret."""

    table: ClassVar[str] = "reading"
    fret: int
    gap_mm: float
    u_gap_mm: float
    method: str
    as_written: str

    def __post_init__(self) -> None:
        check_range("fret", self.fret, low=0, high=36, unit="")
        check_range("a gap", self.gap_mm, low=0, high=MAX_GAP_MM, unit="mm")
        check_range("a reading's uncertainty", self.u_gap_mm, low=0, high=MAX_GAP_MM, unit="mm")


@dataclass(frozen=True, slots=True)
class Turn:
    """A turn of the rod's nut: which way, how much, and how it felt."""

    table: ClassVar[str] = "turn"
    direction: Literal["tighten", "loosen"]
    amount_turns: float
    feel: Feel = "unknown"

    def __post_init__(self) -> None:
        check_choice("direction", self.direction, choices=("tighten", "loosen"))
        check_choice("feel", self.feel, choices=FEELS)
        if not (math.isfinite(self.amount_turns) and 0 < self.amount_turns <= MAX_TURN):
            raise InputError(
                f"a turn of {self.amount_turns:g} makes no sense in one go: expected more than 0 and at most "
                f"{MAX_TURN:g} turn"
            )

    @property
    def signed_turns(self) -> float:
        """Positive when tightened."""
        return self.amount_turns if self.direction == "tighten" else -self.amount_turns


@dataclass(frozen=True, slots=True)
class BridgeMove:
    """How far saddle or bridge posts were moved at either end, up positive."""

    table: ClassVar[str] = "bridge_move"
    bass_mm: float
    treble_mm: float

    def __post_init__(self) -> None:
        for value in (self.bass_mm, self.treble_mm):
            check_range("a bridge move", value, low=-MAX_BRIDGE_MOVE_MM, high=MAX_BRIDGE_MOVE_MM, unit="mm")


@dataclass(frozen=True, slots=True)
class Action:
    """String height over a fret, outer strings."""

    table: ClassVar[str] = "action"
    bass_mm: float | None = None
    treble_mm: float | None = None
    at_fret: int = 12

    def __post_init__(self) -> None:
        _need_one("action", self.bass_mm, self.treble_mm)
        check_range("fret", self.at_fret, low=1, high=36, unit="")
        for value in (self.bass_mm, self.treble_mm):
            check_range("an action", value, low=0, high=MAX_ACTION_MM, unit="mm")


@dataclass(frozen=True, slots=True)
class NutHeight:
    """String height over the first fret, open strings."""

    table: ClassVar[str] = "nut_height"
    bass_mm: float | None = None
    treble_mm: float | None = None

    def __post_init__(self) -> None:
        _need_one("nut height", self.bass_mm, self.treble_mm)
        for value in (self.bass_mm, self.treble_mm):
            check_range("a nut height", value, low=0, high=MAX_NUT_MM, unit="mm")


@dataclass(frozen=True, slots=True)
class Climate:
    """Temperature and relative humidity of the room."""

    table: ClassVar[str] = "climate"
    temperature_degc: float | None = None
    relative_humidity_pct: float | None = None

    def __post_init__(self) -> None:
        _need_one("climate", self.temperature_degc, self.relative_humidity_pct)
        check_range("a temperature", self.temperature_degc, low=-40, high=60, unit="°C")
        check_range("a relative humidity", self.relative_humidity_pct, low=0, high=100, unit="%")


@dataclass(frozen=True, slots=True)
class Remark:
    """A note, or a remark on condition and where: a crack, a lifted fret, a buzz."""

    table: ClassVar[str] = "remark"
    topic: Topic
    text: str
    place: str | None = None

    def __post_init__(self) -> None:
        check_choice("topic", self.topic, choices=TOPICS)
        if not self.text.strip():
            raise InputError(f"{self.topic}: the text is empty")


@dataclass(frozen=True, slots=True)
class Closing:
    """The end of a visit."""

    table: ClassVar[str] = "closing"
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """Takes an earlier entry out of force without putting another in its place."""

    table: ClassVar[str] = "withdrawal"
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class StoredMeasurement:
    """A photo's measurement as the book keeps it; `document` and `plan` are JSON texts."""

    table: ClassVar[str] = "measurement"
    photo_sha256: str
    relief_mm: float
    U_relief_mm: float
    k: float
    at_fret: int
    chord_first_fret: int
    chord_last_fret: int
    shape: str
    document: str
    plan: str | None
    program: str


Detail = Reading | Turn | BridgeMove | Action | NutHeight | Climate | Remark | Closing | Withdrawal | StoredMeasurement

KINDS: Mapping[str, type[Detail]] = {cast(Any, kind).table: kind for kind in get_args(Detail)}
"""Every kind of entry by the name of its table."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a visit.

    Attributes
    ----------
    id, visit_id
        Numbers in the book.
    stage, recorded_utc
        When in the visit, and when in time.
    corrects_id
        The earlier entry it takes the place of.
    detail
        What it says.
    corrected_by
        The later entry that took its place; the newest has none.
    """

    id: int
    visit_id: int
    stage: Stage
    recorded_utc: str
    detail: Detail
    corrects_id: int | None = None
    corrected_by: int | None = None

    @property
    def is_current(self) -> bool:
        """True when no later entry took its place, and it takes nothing away."""
        return self.corrected_by is None and not isinstance(self.detail, Withdrawal)


def in_force(entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """Return the entries in force, each in the place of the first one it corrects: it tells what was done then."""
    first: dict[int, int] = {}
    for entry in entries:
        first[entry.id] = entry.id if entry.corrects_id is None else first.get(entry.corrects_id, entry.corrects_id)
    return tuple(sorted((e for e in entries if e.is_current), key=lambda e: first[e.id]))


def insert_entry(book: Book, visit_id: int, *, detail: Detail, stage: str, corrects_id: int | None = None) -> int:
    """Add an entry inside a running transaction and return its number."""
    check_choice("stage", stage, choices=STAGES)
    entry_id = book.insert(
        "entry",
        {
            "visit_id": visit_id,
            "stage": stage,
            "kind": detail.table,
            "recorded_utc": utc_now(),
            "corrects_id": corrects_id,
        },
    )
    values = {f.name: getattr(detail, f.name) for f in fields(detail)}
    book.insert(detail.table, {"entry_id": entry_id, **values})
    return entry_id


def read_entries(book: Book, visit_id: int) -> tuple[Entry, ...]:
    """Return every entry of a visit in the order of recording, corrected ones too."""
    heads = book.rows(
        "SELECT entry.*, later.id AS corrected_by FROM entry LEFT JOIN entry AS later ON later.corrects_id = entry.id "
        "WHERE entry.visit_id = ? ORDER BY entry.id",
        (visit_id,),
    )
    details: dict[int, Detail] = {}
    for kind in {head["kind"] for head in heads}:
        details |= _read_details(book, visit_id, kind=kind)
    return tuple(
        Entry(
            id=head["id"],
            visit_id=visit_id,
            stage=head["stage"],
            recorded_utc=head["recorded_utc"],
            detail=details[head["id"]],
            corrects_id=head["corrects_id"],
            corrected_by=head["corrected_by"],
        )
        for head in heads
    )


def _read_details(book: Book, visit_id: int, *, kind: str) -> dict[int, Detail]:
    cls = KINDS[kind]
    names = [f.name for f in fields(cls)]
    rows = book.rows(
        f"SELECT entry_id, {', '.join(names)} FROM {kind} JOIN entry ON entry.id = entry_id "
        "WHERE entry.visit_id = ? AND entry.kind = ?",
        (visit_id, kind),
    )
    return {row["entry_id"]: cls(**{name: row[name] for name in names}) for row in rows}
