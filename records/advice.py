"""The rod plan for what the book knows of an instrument and of its rod."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, cast

from lightgap.neck.errors import InputError

from .book import Book
from .by_hand import between_turns, hand_document
from .compare import relief_on
from .entries import Entry, StoredMeasurement, Turn, in_force, read_entries
from .instruments import Facts
from .visits import Visit

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


def turn_log(book: Book, visit: Visit, *, now: Document) -> list[TurnRecord]:
    """Return what each step at an instrument's rod did: relief before and after, from all its visits.

    A step is what was turned between two measurements of one visit, by photo or by hand. All reliefs are read on the
    chord of `now`, the newest measurement of `visit`; a step is left out where one has not got that chord, or counts
    its frets from anywhere.
    """
    records: list[TurnRecord] = []
    length_mm = visit.instrument.facts.scale_length_mm
    for row in book.rows("SELECT id FROM visit WHERE instrument_id = ? ORDER BY id", (visit.instrument.id,)):
        entries = in_force(read_entries(book, row["id"]))
        seen = [(turned, _measured(group, scale_length_mm=length_mm)) for turned, group in between_turns(entries)]
        if row["id"] == visit.id:
            turned = seen.pop()[0] if seen else 0.0
            seen.append((turned, now))
        records += _steps(seen, chord=now["relief"]["chord"])
    return records


def _steps(seen: Sequence[tuple[float, Document | None]], *, chord: Sequence[int]) -> list[TurnRecord]:
    from lightgap.neck.rod_response import MAX_RECORD_TURNS, MIN_RECORD_TURNS, TurnRecord

    steps: list[TurnRecord] = []
    before: tuple[float, float] | None = None
    turned = 0.0
    for more, document in seen:
        turned += more
        if document is None:
            continue
        after = _relief_at(document, chord)
        if before is not None and after is not None and MIN_RECORD_TURNS <= abs(turned) <= MAX_RECORD_TURNS:
            steps.append(TurnRecord(turned, before[0], after[0], U_before_mm=before[1], U_after_mm=after[1]))
        before, turned = after, 0.0
    return steps


def _measured(group: Sequence[Entry], *, scale_length_mm: float | None) -> Document | None:
    """Return the newest measurement between two turns: a photo's, else what was read by hand."""
    photos = [entry.detail for entry in group if isinstance(entry.detail, StoredMeasurement)]
    if photos:
        document: Document = json.loads(photos[-1].document)
        return document
    return hand_document(group, scale_length_mm=scale_length_mm)


def _relief_at(document: Document, chord: Sequence[int]) -> tuple[float, float] | None:
    """Return relief on a chord with its U at k = 2; None where it cannot be had, or is too unsure for a log."""
    if document.get("numbers_relative"):
        return None
    relief = document["relief"]
    try:
        if list(relief["chord"]) != list(chord):
            relief = relief_on(document, (int(chord[0]), int(chord[1])))
    except InputError:
        return None
    U_mm = 2 * float(relief["U_mm"]) / float(relief["k"])
    return (float(relief["relief_mm"]), U_mm) if U_mm <= 1 else None
