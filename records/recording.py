"""Measuring into a visit: the photo kept, the measurement and its plan entered, the change since intake told."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lightgap.neck.errors import FileProblem, InputError

from .book import Book, program_text, utc_now
from .compare import Comparison
from .entries import StoredMeasurement, insert_entry
from .files import keep_bytes, keep_file, safe_suffix, sweep_incoming
from .visits import Visit, against_intake, find_visit, read_visit, refuse_closed, usual_stage

Document = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Recorded:
    """What recording a measurement led to.

    Attributes
    ----------
    visit_id, entry_id, stage
        Where it stands in the book.
    comparison
        Against the intake, when this is a later measurement of the same visit and they can be compared.
    plan
        The plan document stored with it.
    """

    visit_id: int
    entry_id: int
    stage: str
    comparison: Comparison | None
    plan: Document | None


def record_measurement(
    book: Book,
    visit: Visit | str | int,
    measurement_document: Document,
    photo_path: Path,
    *,
    stage: str | None = None,
    settings: Mapping[str, Any] | None = None,
    overlay: bytes | None = None,
    advise: bool = True,
) -> Recorded:
    """Keep a photo and its measurement in a visit, with the plan for it.

    The photo is copied beside the book and flushed before the book speaks of it; the entry, the measurement and the
    plan then go in together or not at all. When this returns, the measurement is on disk.

    Parameters
    ----------
    visit
        The visit, its number, or the name of an instrument whose newest visit it is.
    measurement_document
        The profile document (`lightgap/profile/1`) of the photo.
    photo_path
        The photo that was measured.
    stage
        "intake", "in-work", "after" or "season-check". By default the purpose decides, and whether the rod or the
        bridge has been moved.
    settings
        The measuring settings by name, kept in the document so that the photo can be measured again.
    overlay
        A picture with the measurement drawn on it (PNG or JPEG), kept for the report.
    advise
        Work out the rod plan and keep it with the measurement.

    Returns
    -------
    Recorded
        With the comparison against the intake when this one comes later.

    Raises
    ------
    InputError
        When the visit does not exist or is closed, or the photo is not the one that was measured.
    FileProblem
        When photo or book cannot be written.
    """
    if not isinstance(visit, Visit):
        visit = find_visit(book, visit)
    refuse_closed(visit)
    if settings is not None:
        measurement_document = {**measurement_document, "settings": dict(settings)}
    wanted = str(measurement_document["photos"][0]["sha256"])
    sweep_incoming(book.photos, now_s=time.time())
    known = book.row("SELECT suffix FROM photo WHERE sha256 = ?", (wanted,))
    suffix = known["suffix"] if known else safe_suffix(photo_path.name)
    sha256, size = keep_file(book.photos, photo_path, suffix=suffix)
    if sha256 != wanted:
        raise FileProblem(f"{photo_path} is no longer the photo that was measured: measure it again")
    kept_overlay = _keep_overlay(book, overlay) if overlay is not None else None
    with book.write():
        visit = read_visit(book, visit.id)
        refuse_closed(visit)
        plan = _plan(book, visit, measurement_document) if advise else None
        stored = _stored(measurement_document, plan)
        _insert_photo(book, sha256, name=photo_path.name, suffix=suffix, size=size)
        entry_id = insert_entry(book, visit.id, stored, stage=stage or usual_stage(visit, stored.table))
        if kept_overlay is not None:
            _insert_photo(book, kept_overlay[0], name="overlay.jpg", suffix=".jpg", size=kept_overlay[1])
            book.insert("overlay", {"entry_id": entry_id, "photo_sha256": kept_overlay[0]})
    visit = read_visit(book, visit.id)
    entry = next(e for e in visit.entries if e.id == entry_id)
    return Recorded(visit.id, entry_id, entry.stage, against_intake(visit, entry), plan)


def _keep_overlay(book: Book, overlay: bytes) -> tuple[str, int]:
    from .sheet import photo_picture

    return keep_bytes(book.photos, photo_picture(overlay, caption="").data, suffix=".jpg")


def _plan(book: Book, visit: Visit, document: Document) -> Document | None:
    """Return the plan for a measurement; none where the profile is too short for one."""
    from .advice import plan_for, turn_log

    try:
        log = turn_log(book, visit.instrument.id, now=document)
        return plan_for(visit.instrument.facts, document, turns=visit.turns(), log=log)
    except InputError:
        return None


def _stored(document: Document, plan: Document | None) -> StoredMeasurement:
    from .documents import stored_text

    relief = document["relief"]
    return StoredMeasurement(
        photo_sha256=str(document["photos"][0]["sha256"]),
        relief_mm=float(relief["relief_mm"]),
        U_relief_mm=float(relief["U_mm"]),
        k=float(relief["k"]),
        at_fret=int(relief["at_fret"]),
        chord_first_fret=int(relief["chord"][0]),
        chord_last_fret=int(relief["chord"][1]),
        shape=str(relief["shape"]),
        document=stored_text(document),
        plan=None if plan is None else stored_text(plan),
        program=program_text(),
    )


def _insert_photo(book: Book, sha256: str, *, name: str, suffix: str, size: int) -> None:
    """Add the photo's row unless the book has this content already."""
    row = book.row("SELECT suffix FROM photo WHERE sha256 = ?", (sha256,))
    if row is None:
        book.insert(
            "photo",
            {"sha256": sha256, "file_name": name, "suffix": suffix, "size_bytes": size, "added_utc": utc_now()},
        )
