"""Measuring into a visit: the photo kept, the measurement and its plan entered, the change since intake told."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
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
class NewMeasurement:
    """What is to be kept of a measurement.

    Attributes
    ----------
    document
        The profile document (`lightgap/profile/1`).
    photos
        The files measured, in the order of the document's photos.
    settings
        The measuring settings by name, kept in the document so that the photos can be measured again.
    overlays
        Pictures with the measurement drawn on them (PNG or JPEG), kept for the report as one, below one another.
    """

    document: Document
    photos: tuple[Path, ...]
    settings: Mapping[str, Any] | None = None
    overlays: tuple[bytes, ...] = ()


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
    *,
    measured: NewMeasurement,
    stage: str | None = None,
    advise: bool = True,
) -> Recorded:
    """Keep photos and their measurement in a visit, with the plan for it.

    The photos are copied beside the book and flushed before the book speaks of them; the entry, the measurement and the
    plan then go in together or not at all. When this returns, the measurement is on disk.

    Parameters
    ----------
    visit
        The visit, its number, or the name of an instrument whose newest visit it is.
    measured
        The profile document, its photos, settings and overlays.
    stage
        "intake", "in-work", "after" or "season-check". By default the purpose decides, and whether the rod or the
        bridge has been moved.
    advise
        Work out the rod plan and keep it with the measurement.

    Returns
    -------
    Recorded
        With the comparison against the intake when this one comes later.

    Raises
    ------
    InputError
        When the visit does not exist or is closed.
    FileProblem
        When a photo is not the one that was measured, or a photo or the book cannot be written.
    """
    if not isinstance(visit, Visit):
        visit = find_visit(book, visit)
    refuse_closed(visit)
    document = measured.document
    if measured.settings is not None:
        document = {**document, "settings": dict(measured.settings)}
    sweep_incoming(book.photos, now_s=time.time())
    kept = [
        _keep_photo(book, path, sha256=str(facts["sha256"]))
        for path, facts in zip(measured.photos, document["photos"], strict=True)
    ]
    if measured.overlays:
        kept_overlay = _keep_overlay(book, measured.overlays)
    with book.write():
        visit = read_visit(book, visit.id)
        refuse_closed(visit)
        plan = _plan(book, visit, document=document) if advise else None
        stored = _stored(document, plan)
        for photo in kept:
            _insert_photo(book, photo)
        entry_id = insert_entry(book, visit.id, detail=stored, stage=stage or usual_stage(visit, stored.table))
        if measured.overlays:
            _insert_photo(book, kept_overlay)
            book.insert("overlay", {"entry_id": entry_id, "photo_sha256": kept_overlay.sha256})
    visit = read_visit(book, visit.id)
    entry = next(e for e in visit.entries if e.id == entry_id)
    return Recorded(visit.id, entry_id, entry.stage, against_intake(visit, entry), plan)


@dataclass(frozen=True, slots=True)
class _Kept:
    """A file kept by content."""

    sha256: str
    name: str
    suffix: str
    size_bytes: int


def _keep_photo(book: Book, path: Path, *, sha256: str) -> _Kept:
    known = book.row("SELECT suffix FROM photo WHERE sha256 = ?", (sha256,))
    suffix = known["suffix"] if known else safe_suffix(path.name)
    found, size_bytes = keep_file(book.photos, path, suffix=suffix)
    if found != sha256:
        raise FileProblem(f"{path} is no longer the photo that was measured: measure it again")
    return _Kept(found, path.name, suffix, size_bytes)


def _keep_overlay(book: Book, overlays: Sequence[bytes]) -> _Kept:
    from .sheet import photo_picture, stacked_pictures

    picture = overlays[0] if len(overlays) == 1 else stacked_pictures(overlays)
    sha256, size_bytes = keep_bytes(book.photos, photo_picture(picture, caption="").data, suffix=".jpg")
    return _Kept(sha256, "overlay.jpg", ".jpg", size_bytes)


def _plan(book: Book, visit: Visit, *, document: Document) -> Document | None:
    """Return the plan for a measurement; none where the profile is too short for one."""
    from .advice import plan_for, turn_log

    try:
        log = turn_log(book, visit, now=document)
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


def _insert_photo(book: Book, kept: _Kept) -> None:
    """Add the photo's row unless the book has this content already."""
    row = book.row("SELECT suffix FROM photo WHERE sha256 = ?", (kept.sha256,))
    if row is None:
        book.insert(
            "photo",
            {
                "sha256": kept.sha256,
                "file_name": kept.name,
                "suffix": kept.suffix,
                "size_bytes": kept.size_bytes,
                "added_utc": utc_now(),
            },
        )
