"""What was measured of the neck in a visit, by photo or by hand: as it came, and as it leaves."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

from lightgap.neck.documents import profile_from_document, warnings_from_document
from lightgap.neck.errors import InputError
from lightgap.neck.profile import Finding, GapProfile, Relief
from lightgap.neck.relief import compute_relief
from lightgap.vision.types import Measurement

from .advice import plan_for, turn_log
from .book import Book
from .by_hand import hand_document, hand_readings
from .documents import measurement_of
from .entries import Entry, StoredMeasurement, Turn
from .report_parts import Plan
from .visits import Visit, measured_document


@dataclass(frozen=True, slots=True)
class Side:
    """One measurement of a visit, ready to be shown.

    Attributes
    ----------
    name, stage
        When it was made.
    document, profile, relief, findings
        What was measured, and what is to be said of it.
    plan
        For the rod; None where none was made.
    entries
        What it was made of: a photo's measurement, or hand readings.
    measurement
        A photo's; None by hand.
    """

    name: str
    stage: str
    document: dict[str, Any]
    profile: GapProfile
    relief: Relief
    findings: tuple[Finding, ...]
    plan: Plan | None
    entries: tuple[Entry, ...]
    measurement: Measurement | None = None

    @property
    def word(self) -> str:
        """The stage as a word."""
        return self.stage.replace("-", " ")


def sides_of(book: Book, visit: Visit) -> list[Side]:
    """Return the newest intake and the newest later measurement in force: a photo's, or where there is none by hand."""
    first, last = (_newest(book, visit, stages=s) for s in (("intake", "season-check"), ("after", "in-work")))
    if first is not None and last is not None and first.measurement is None:
        first = replace(first, plan=None)  # none was kept with readings, and what holds now was not planned then
    sides = [side for side in (first, last) if side is not None]
    return [*sides[:-1], *(_before_next_turn(visit, side) for side in sides[-1:])]


def _before_next_turn(visit: Visit, side: Side) -> Side:
    """Return a side without its plan, and with the reason, when the rod was turned after it was measured."""
    order = [entry.id for entry in visit.current]
    at = max(order.index(entry.id) for entry in side.entries)
    if not any(isinstance(entry.detail, Turn) for entry in visit.current[at + 1 :]):
        return side
    said = "the rod was turned after this was measured: tune to pitch and measure again before the next step"
    return replace(side, plan=None, findings=(*side.findings, Finding("turned-since", said)))


def _newest(book: Book, visit: Visit, *, stages: tuple[str, ...]) -> Side | None:
    for stage in stages:
        measured = visit.measurements(stage)
        if measured:
            return _by_photo(measured[-1])
    for stage in stages:
        side = _by_hand(book, visit, stage=stage)
        if side is not None:
            return side
    return None


def _by_photo(entry: Entry) -> Side:
    document = measured_document(entry)
    assert isinstance(entry.detail, StoredMeasurement)
    measurement = measurement_of(document)
    return Side(
        name=f"{entry.stage.replace('-', ' ')} {entry.recorded_utc[:10]}",
        stage=entry.stage,
        document=document,
        profile=measurement.profile,
        relief=measurement.relief,
        findings=measurement.warnings,
        plan=json.loads(entry.detail.plan) if entry.detail.plan else None,
        entries=(entry,),
        measurement=measurement,
    )


def _by_hand(book: Book, visit: Visit, *, stage: str) -> Side | None:
    facts = visit.instrument.facts
    entries = hand_readings(visit.current, stage)
    document = hand_document(entries, scale_length_mm=facts.scale_length_mm)
    if document is None:
        return None
    profile = profile_from_document(document)
    return Side(
        name=f"{stage.replace('-', ' ')} {entries[-1].recorded_utc[:10]}, by hand",
        stage=stage,
        document=document,
        profile=profile,
        relief=compute_relief(profile),
        findings=warnings_from_document(document),
        plan=_plan(book, visit, document=document),
        entries=entries,
    )


def _plan(book: Book, visit: Visit, *, document: dict[str, Any]) -> Plan | None:
    """Return the plan that hand readings give now; none where they are too few for one."""
    try:
        log = turn_log(book, visit, now=document)
        return plan_for(visit.instrument.facts, document, turns=visit.turns(), log=log)
    except InputError:
        return None
