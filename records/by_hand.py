"""The readings by hand of a visit, as a profile document like a photo's."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from lightgap.neck.errors import InputError

from .entries import Entry, Reading, Turn


def between_turns(entries: Sequence[Entry]) -> list[tuple[float, tuple[Entry, ...]]]:
    """Return what was entered between turns of the rod, each group after the sum of turns made before it.

    Parameters
    ----------
    entries
        Those in force, in the order of what they tell of.
    """
    groups: list[tuple[float, tuple[Entry, ...]]] = []
    turned, group = 0.0, list[Entry]()
    for entry in entries:
        if isinstance(entry.detail, Turn):
            if group:
                groups.append((turned, tuple(group)))
                turned, group = 0.0, []
            turned += entry.detail.signed_turns
        else:
            group.append(entry)
    return [*groups, (turned, tuple(group))] if group or turned else groups


def hand_readings(entries: Sequence[Entry], stage: str) -> tuple[Entry, ...]:
    """Return the newest hand readings of a stage: those that no turn of the rod parts."""
    found: tuple[Entry, ...] = ()
    for _, group in between_turns(entries):
        found = tuple(e for e in group if isinstance(e.detail, Reading) and e.stage == stage) or found
    return found


def hand_document(readings: Sequence[Entry], *, scale_length_mm: float | None) -> dict[str, Any] | None:
    """Return the profile that hand readings make, or nothing when they make none.

    Parameters
    ----------
    readings
        Of one state of the neck; other entries are passed over.
    scale_length_mm
        Of the instrument; the usual one where it is not known: it matters only where the bow is uneven.
    """
    from lightgap.neck.documents import PROFILE_SCHEMA, crowns_document, findings_document, relief_document
    from lightgap.neck.readings import DEFAULT_SCALE_MM, profile_from_readings
    from lightgap.neck.readings import Reading as HandReading
    from lightgap.neck.relief import compute_relief

    taken = [
        HandReading(d.fret, d.gap_mm, d.u_gap_mm, d.method, d.as_written)  # type: ignore[arg-type]
        for d in (entry.detail for entry in readings)
        if isinstance(d, Reading)
    ]
    try:
        profile, findings = profile_from_readings(taken, scale_length_mm=scale_length_mm or DEFAULT_SCALE_MM)
        relief = compute_relief(profile)
    except InputError:
        return None
    return {
        "schema": PROFILE_SCHEMA,
        "photos": [],
        **crowns_document(profile),
        "relief": relief_document(relief),
        "warnings": findings_document(findings),
    }
