"""The kept photos through today's program: the same number as then, or changed by how much?"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from lightgap.neck.errors import LightgapError, Refusal
from lightgap.neck.judge import is_above
from lightgap.vision.document import measurement_document
from lightgap.vision.measure import MeasureSettings
from lightgap.vision.several import measure_photos

from .book import Book
from .files import photo_path
from .visits import measured_document, read_visit

REMEASURE_SCHEMA = "lightgap/remeasure/1"
Outcome = Literal["same", "changed within U", "changed beyond U", "refused now", "cannot be read"]
Measure = Callable[[Sequence[Path], Mapping[str, Any]], Mapping[str, Any]]
"""Measures photos with the settings of their stored document, and returns a new profile document."""

SAME_MM = 0.0005
"""Half of the last digit a report shows."""


@dataclass(frozen=True, slots=True)
class Remeasured:
    """One stored measurement against today's.

    Attributes
    ----------
    then_mm, U_then_mm, program_then
        Relief as stored, its expanded uncertainty, and the program that measured it.
    now_mm, U_now_mm
        Relief as measured now; nothing when the photo is refused or cannot be read.
    outcome
        "same" below half of the last digit shown, else against the stated U of then.
    remark
        Why there is no number.
    """

    visit_id: int
    entry_id: int
    instrument: str
    stage: str
    then_mm: float
    U_then_mm: float
    program_then: str
    now_mm: float | None
    U_now_mm: float | None
    outcome: Outcome
    remark: str = ""

    @property
    def change_mm(self) -> float | None:
        """Now minus then."""
        return None if self.now_mm is None else self.now_mm - self.then_mm

    def document(self) -> dict[str, Any]:
        """Return the line as JSON, lengths rounded to 10 nm."""
        values = dataclasses.asdict(self) | {"change_mm": self.change_mm}
        return {name: round(value, 5) if isinstance(value, float) else value for name, value in values.items()}


def remeasure_book(book: Book, measure: Measure, *, visit_id: int | None = None) -> Iterator[Remeasured]:
    """Measure every photo in force again, visit by visit; nothing is written to the book.

    Parameters
    ----------
    measure
        Today's measuring function (`measure_again`).
    visit_id
        Only this visit.
    """
    visits = (
        [visit_id] if visit_id is not None else [row["id"] for row in book.rows("SELECT id FROM visit ORDER BY id")]
    )
    for number in visits:
        visit = read_visit(book, number)
        for entry in visit.measurements():
            document = measured_document(entry)
            now, outcome, remark = _measured_now(book, document, measure=measure)
            then = document["relief"]
            relief = now["relief"] if now is not None else None
            yield Remeasured(
                visit_id=number,
                entry_id=entry.id,
                instrument=visit.instrument.name,
                stage=entry.stage,
                then_mm=then["relief_mm"],
                U_then_mm=then["U_mm"],
                program_then=getattr(entry.detail, "program", ""),
                now_mm=relief["relief_mm"] if relief else None,
                U_now_mm=relief["U_mm"] if relief else None,
                outcome=outcome if relief is None else _judged(then, relief),
                remark=remark,
            )


def measure_again(paths: Sequence[Path], settings: Mapping[str, Any]) -> Mapping[str, Any]:
    """Measure kept photos with the settings stored in their document; settings of another version are left out."""
    known = {field.name for field in dataclasses.fields(MeasureSettings)}
    chosen = {name: _setting(value) for name, value in settings.items() if name in known}
    return measurement_document(measure_photos(paths, MeasureSettings(**chosen)).result)


def _setting(value: Any) -> Any:
    """Return a stored setting as the settings class holds it: a list was a tuple."""
    return tuple(value) if isinstance(value, list) else value


def _measured_now(
    book: Book, document: Mapping[str, Any], *, measure: Measure
) -> tuple[Mapping[str, Any] | None, Outcome, str]:
    paths = []
    for photo in document["photos"]:
        row = book.row("SELECT suffix FROM photo WHERE sha256 = ?", (photo["sha256"],))
        path = photo_path(book.photos, photo["sha256"], suffix=row["suffix"] if row else "")
        if not path.exists():
            return None, "cannot be read", f"the photo {path} is missing"
        paths.append(path)
    try:
        return measure(paths, document.get("settings") or {}), "same", ""
    except Refusal as refusal:
        return None, "refused now", refusal.message
    except LightgapError as problem:
        return None, "cannot be read", str(problem)


def _judged(then: Mapping[str, Any], now: Mapping[str, Any]) -> Outcome:
    change_mm = abs(now["relief_mm"] - then["relief_mm"])
    if not is_above(change_mm, 0.0, limit=SAME_MM):
        return "same"
    return "changed beyond U" if is_above(change_mm, then["U_mm"], limit=0.0) else "changed within U"
