"""Measuring into a visit: keep the photo and what it gave, say what changed since intake and what to do next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from .bench_input import complete_instrument
from .output import say, show

if TYPE_CHECKING:
    from lightgap.vision.several import MeasuredPhotos

VisitOption = Annotated[
    str | None,
    typer.Option(
        "--visit",
        metavar="VISIT",
        help="Keep photo and measurement in the bench book: number of the visit, or the instrument's name.",
        autocompletion=complete_instrument,
    ),
]
StageOption = Annotated[
    Literal["intake", "in-work", "after", "season-check"] | None,
    typer.Option("--stage", help="With --visit: where in the visit; default: after once rod or bridge was moved."),
]


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
    visit: str,
    settings: Mapping[str, Any],
    stage: str | None = None,
    book: Path | None = None,
    units: Any = "mm",
    quiet: bool = False,
) -> None:
    """Keep measured photos in a visit, as one measurement, and say what it means there.

    Parameters
    ----------
    photos, measured
        The files given and what they gave; a photo that was left out is not kept.
    visit
        Number of the visit, or the instrument's name for its newest.
    settings
        The measuring settings by name (`dataclasses.asdict` of `MeasureSettings`), kept for measuring again.
    stage, book
        As the options.
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
    from lightgap.records.report_parts import turn_sentence
    from lightgap.records.visits import find_visit
    from lightgap.vision.document import measurement_document
    from lightgap.vision.overlay import draw_overlay

    tell = say if quiet else show
    with open_book(book) as opened:
        found = find_visit(opened, visit)
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
            stage=stage,
        )
    tell(f"kept in visit {done.visit_id} as {done.stage}, entry {done.entry_id}")
    if done.comparison is not None:
        change = with_uncertainty(done.comparison.change_mm, done.comparison.U_change_mm, units=units)
        tell(f"against intake: {verdict_sentence(done.comparison, text_change=change)}")
        for note in done.comparison.notes:
            say(f"note: {note}")
    if done.plan is not None:
        judgement = {"inside": "inside", "above": "above", "below": "below"}.get(
            done.plan["judgement"], "too close to call against"
        )
        tell(f"relief is {judgement} the range aimed for: {turn_sentence(done.plan)}")
