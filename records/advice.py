"""The rod plan for what the book knows of an instrument and of its rod."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, cast

from .book import Book
from .entries import Entry, StoredMeasurement, Turn, read_entries
from .instruments import Facts

if TYPE_CHECKING:
    from lightgap.neck.rod_response import TurnRecord
    from lightgap.neck.targets import Family, Target

Document = Mapping[str, Any]


def target_for(facts: Facts) -> Target:
    """Return the relief aimed for: the player's own wish, else what is usual for the family, or for any."""
    from lightgap.neck.targets import Target, usual_target

    if facts.target_low_mm is not None and facts.target_high_mm is not None:
        return Target(facts.target_low_mm, facts.target_high_mm, "asked for")
    return usual_target(None if facts.family == "other" else cast("Family | None", facts.family))


def plan_for(
    facts: Facts,
    document: Document,
    *,
    turns: Sequence[Turn],
    log: Sequence[TurnRecord] = (),
) -> dict[str, Any]:
    """Return the plan document (lightgap/plan/1) for a measured profile.

    Parameters
    ----------
    facts
        Family, rod and wishes of the instrument.
    document
        The profile document measured.
    turns
        Made in this visit so far.
    log
        What earlier turns of this rod did (`turn_log`).
    """
    from lightgap.neck.advise import advise
    from lightgap.neck.bench import Bench
    from lightgap.neck.documents import plan_document, profile_from_document

    bench = Bench(
        rod=cast("Any", facts.rod_kind or "unknown"),
        access=cast("Any", facts.rod_access or "unknown"),
        nut_feel=turns[-1].feel if turns else "unknown",
        turned_turns=min(sum(turn.amount_turns for turn in turns), 10.0),
    )
    chord = document["relief"]["chord"]
    profile, wanted = profile_from_document(document), target_for(facts)
    ends = int(chord[0]), int(chord[1])
    advice = advise(profile, wanted.range_mm, bench=bench, chord=ends, log=log, findings=wanted.findings)
    return plan_document(advice.plan)


def turn_log(book: Book, instrument_id: int, *, now: Document | None = None) -> list[TurnRecord]:
    """Return what each step at this instrument's rod did: relief before and after, from all its visits.

    A step is what was turned between two measurements of one visit; `now` is a measurement not yet in the book, the
    newest of its visit.
    """
    records: list[TurnRecord] = []
    rows = book.rows("SELECT id FROM visit WHERE instrument_id = ? ORDER BY id", (instrument_id,))
    for number, row in enumerate(rows, start=1):
        entries = [entry for entry in read_entries(book, row["id"]) if entry.is_current]
        records += _steps(entries, now if number == len(rows) else None)
    return records


def _steps(entries: Sequence[Entry], now: Document | None) -> list[TurnRecord]:
    from lightgap.neck.rod_response import MAX_RECORD_TURNS, TurnRecord

    steps: list[TurnRecord] = []
    before: tuple[float, float] | None = None
    turned = 0.0
    events: list[float | tuple[float, float]] = [event for entry in entries if (event := _event(entry)) is not None]
    if now is not None:
        relief = now["relief"]
        events.append((float(relief["relief_mm"]), 2 * float(relief["U_mm"]) / float(relief["k"])))
    for event in events:
        if isinstance(event, float):
            turned += event
            continue
        if before is not None and 0 < abs(turned) <= MAX_RECORD_TURNS and max(event[1], before[1]) <= 1:
            steps.append(
                TurnRecord(
                    turns=turned, before_mm=before[0], after_mm=event[0], U_before_mm=before[1], U_after_mm=event[1]
                )
            )
        before, turned = event, 0.0
    return steps


def _event(entry: Entry) -> float | tuple[float, float] | None:
    """Return signed turns, or relief with its U at k = 2, or nothing."""
    if isinstance(entry.detail, Turn):
        return entry.detail.signed_turns
    if isinstance(entry.detail, StoredMeasurement):
        return entry.detail.relief_mm, 2 * entry.detail.U_relief_mm / entry.detail.k
    return None
