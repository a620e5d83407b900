"""The readings by hand of a visit, as a profile document like a photo's."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from lightgap.neck.errors import InputError

from .entries import Entry, Reading


def hand_readings(entries: Sequence[Entry], stage: str) -> tuple[Entry, ...]:
    """Return the hand readings of a stage among entries in force."""
    return tuple(entry for entry in entries if isinstance(entry.detail, Reading) and entry.stage == stage)


def hand_document(entries: Sequence[Entry], stage: str, *, scale_length_mm: float | None) -> dict[str, Any] | None:
    """Return the profile that the hand readings of a stage make, or nothing when they make none.

    Parameters
    ----------
    entries
        Those in force.
    stage
        "intake", "in-work", "after" or "season-check".
    scale_length_mm
        Of the instrument; the usual one where it is not known: it matters only where the bow is uneven.
    """
    from lightgap.neck.documents import PROFILE_SCHEMA, crowns_document, findings_document, relief_document
    from lightgap.neck.readings import DEFAULT_SCALE_MM, profile_from_readings
    from lightgap.neck.readings import Reading as HandReading
    from lightgap.neck.relief import compute_relief

    details = [entry.detail for entry in hand_readings(entries, stage)]
    readings = [
        HandReading(d.fret, d.gap_mm, d.u_gap_mm, d.method, d.as_written)  # type: ignore[arg-type]
        for d in details
        if isinstance(d, Reading)
    ]
    try:
        profile, findings = profile_from_readings(readings, scale_length_mm=scale_length_mm or DEFAULT_SCALE_MM)
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
