"""Measuring into a visit: keep the photo and what it gave, say what changed since intake and what to do next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from .bench_input import BookOption, complete_instrument
from .output import say, show
from .visit_words import plan_lines

if TYPE_CHECKING:
    from lightgap.vision.several import MeasuredPhotos


@dataclass(frozen=True, slots=True)
class KeepOptions:
    """Where in the bench book a measurement is kept."""

    visit: Annotated[
        str | None,
        typer.Option(
            metavar="VISIT",
            help="Keep photo and measurement in the bench book: number of the visit, or the instrument's name.",
            autocompletion=complete_instrument,
        ),
    ] = None
    stage: Annotated[
        Literal["intake", "in-work", "after", "season-check"] | None,
        typer.Option(help="With --visit: where in the visit; default: after once rod or bridge was moved."),
    ] = None
    book: BookOption = None


def known_sizes(
    visit: str, book: Path | None, *, scale_length_mm: float | None, board_radius_mm: float | None
) -> tuple[float | None, float | None]:
    """Return scale length and board radius in mm: those given, else those the book has of the visit's instrument.

    Raises
    ------
    FileProblem, InputError
        When the book cannot be read, or the visit does not exist or is closed: known before anything is measured.
    """
    from lightgap.records.book import open_book
    from lightgap.records.visits import find_visit, refuse_closed

    with open_book(book) as opened:
        found = find_visit(opened, visit)
    refuse_closed(found)
    facts = found.instrument.facts
    return scale_length_mm or facts.scale_length_mm, board_radius_mm or facts.board_radius_mm


def record_photos(
    photos: Sequence[Path],
    measured: MeasuredPhotos,
    *,
    keep: KeepOptions,
    settings: Mapping[str, Any],
    units: Any = "mm",
    quiet: bool = False,
) -> None:
    """Keep measured photos in a visit, as one measurement, and say what it means there.

    Parameters
    ----------
    photos, measured
        The files given and what they gave; a photo that was left out is not kept.
    keep
        Where: the visit must be named.
    settings
        The measuring settings by name (`dataclasses.asdict` of `MeasureSettings`), kept for measuring again.
    quiet
        Standard output belongs to a document: talk goes to standard error.

    Raises
    ------
    FileProblem, InputError
        When the book cannot be written, or the visit does not exist or is closed.
    """
    from lightgap.records.book import open_book
    from lightgap.records.compare import verdict_sentence
    from lightgap.records.quantities import with_uncertainty
    from lightgap.records.recording import NewMeasurement, record_measurement
    from lightgap.records.visits import find_visit
    from lightgap.vision.document import measurement_document
    from lightgap.vision.overlay import draw_overlay

    tell = say if quiet else show
    assert keep.visit is not None
    with open_book(keep.book) as opened:
        found = find_visit(opened, keep.visit)
        done = record_measurement(
            opened,
            found,
            measured=NewMeasurement(
                document=measurement_document(measured.result),
                photos=tuple(photos[number] for number in measured.used),
                settings=settings,
                overlays=tuple(
                    draw_overlay(photos[number], part)
                    for number, part in zip(measured.used, measured.parts, strict=True)
                ),
            ),
            stage=keep.stage,
        )
    tell(f"kept in visit {done.visit_id} as {done.stage}, entry {done.entry_id}")
    if done.comparison is not None:
        change = with_uncertainty(done.comparison.change_mm, done.comparison.U_change_mm, units=units)
        tell(f"against intake: {verdict_sentence(done.comparison, text_change=change)}")
        for note in done.comparison.notes:
            say(f"note: {note}")
    if done.plan is not None:
        first, *notes = plan_lines(done.plan)
        tell(first)
        for note in notes:
            say(note)
