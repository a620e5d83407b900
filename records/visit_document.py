"""A visit in words and as JSON."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Any

from .entries import (
    Action,
    BridgeMove,
    Climate,
    Closing,
    Detail,
    NutHeight,
    Reading,
    Remark,
    StoredMeasurement,
    Turn,
    Withdrawal,
)
from .quantities import Units, length, turns_text, with_uncertainty
from .text import one_line
from .visits import Visit, visit_comparison

VISIT_SCHEMA = "lightgap/visit/1"


def visit_document(visit: Visit) -> dict[str, Any]:
    """Return a visit with all its entries, corrected ones too, as its JSON document (schema lightgap/visit/1)."""
    comparison = visit_comparison(visit)
    return {
        "schema": VISIT_SCHEMA,
        "visit": visit.id,
        "instrument": visit.instrument.name,
        "opened_utc": visit.opened_utc,
        "purpose": visit.purpose,
        "state": "open" if visit.is_open else "closed",
        "entries": [
            {
                "entry": entry.id,
                "stage": entry.stage,
                "kind": entry.detail.table,
                "recorded_utc": entry.recorded_utc,
                "corrects": entry.corrects_id,
                "corrected_by": entry.corrected_by,
                "values": _values(entry.detail),
            }
            for entry in visit.entries
        ],
        "comparison": None if comparison is None else comparison.document(),
    }


def _values(detail: Detail) -> dict[str, Any]:
    values = asdict(detail)
    for name in ("document", "plan"):
        if isinstance(values.get(name), str):
            values[name] = json.loads(values[name])
    return values


def entry_words(detail: Detail, *, units: Units = "mm") -> str:
    """Return what an entry says, on one line, every value with its unit."""
    match detail:
        case StoredMeasurement():
            relief = with_uncertainty(detail.relief_mm, detail.U_relief_mm, units=units)
            chord = f"frets {detail.chord_first_fret} to {detail.chord_last_fret}"
            words = f"relief {relief} (k = {detail.k:g}) at fret {detail.at_fret}, {chord}; {detail.shape}"
        case Turn():
            words = f"{detail.direction} {turns_text(detail.amount_turns)}, nut felt {detail.feel}"
        case Reading():
            gap = length(detail.gap_mm, units=units, decimals=3)
            spread = length(2 * detail.u_gap_mm, units=units, decimals=3)
            words = (
                f"by {detail.method} at fret {detail.fret}: gap {gap}, U {spread} (k = 2); written {detail.as_written}"
            )
        case BridgeMove():
            words = f"bridge moved {_pair(detail.bass_mm, detail.treble_mm, units=units, signed=True)} (+ is up)"
        case Action():
            words = f"action over fret {detail.at_fret}: {_pair(detail.bass_mm, detail.treble_mm, units=units)}"
        case NutHeight():
            words = f"height over fret 1: {_pair(detail.bass_mm, detail.treble_mm, units=units)}"
        case Climate():
            parts = []
            if detail.temperature_degc is not None:
                parts.append(f"{detail.temperature_degc:.1f} °C")
            if detail.relative_humidity_pct is not None:
                parts.append(f"{detail.relative_humidity_pct:.0f} % RH")
            words = f"room: {', '.join(parts)}"
        case Remark():
            where = f" at {detail.place}" if detail.place else ""
            words = f"{detail.topic.replace('-', ' ')}{where}: {detail.text}"
        case Closing():
            words = f"visit closed{': ' + detail.remark if detail.remark else ''}"
        case Withdrawal():
            words = f"entry withdrawn{': ' + detail.reason if detail.reason else ''}"
    return one_line(words)


def _pair(bass_mm: float | None, treble_mm: float | None, *, units: Units, signed: bool = False) -> str:
    parts = [
        f"{name} {length(value, units=units, signed=signed)}"
        for name, value in (("bass", bass_mm), ("treble", treble_mm))
        if value is not None
    ]
    return ", ".join(parts)
