"""Measure one photo: what is known of the scene, and where the work begins."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from .findings import refusal
from .photo import load_photo
from .reference import ReferenceRequest, parse_reference
from .survey import Survey, survey
from .types import Measurement


@dataclass(frozen=True, slots=True)
class MeasureSettings:
    """What the user knows of the scene.

    Attributes
    ----------
    scale_length_mm
        Open string length; without it fret numbers are relative.
    reference
        `card`, `coin:MM` or `coin:NAME` (see `coins`), `marker:MM`, `straightedge`, `frets` or `auto`.
    straightedge_height_mm, straightedge_thickness_mm
        Of the straightedge, when known.
    board_radius_mm
        Fingerboard radius, when known; estimated from the frets' outlines otherwise.
    nut
        Side of the nut in the picture, "left" or "right"; found when not given.
    first_fret
        Number of the first fret in view.
    rests_on
        "crowns" (straightedge on the frets), or "board" (a notched one, standing between them), which is refused.
    chord
        End frets of the chord.
    """

    scale_length_mm: float | None = None
    reference: str = "auto"
    straightedge_height_mm: float | None = None
    straightedge_thickness_mm: float | None = None
    board_radius_mm: float | None = None
    nut: str | None = None
    first_fret: int | None = None
    rests_on: str = "crowns"
    chord: tuple[int, int] | None = None


def measure_photo(path: Path, settings: MeasureSettings) -> Measurement:
    """Measure relief in one photo.

    Raises
    ------
    FileProblem
        The file cannot be read.
    InputError
        A setting makes no sense.
    Refusal
        The photo cannot be measured; says why and what to change.
    """
    if settings.rests_on == "board":
        raise refusal("rests-on-board")
    request = parse_reference(settings.reference)
    with ThreadPoolExecutor(1) as reader:
        seen = reader.submit(_look_over, path, request)
        # The first time this loads what the work needs, for about as long as it takes to look over a picture.
        import cv2  # noqa: F401
        import scipy.optimize  # noqa: F401

        from .pipeline import measure_surveyed

        found = seen.result()
    return measure_surveyed(found, settings)


def _look_over(path: Path, request: ReferenceRequest) -> Survey:
    return survey(load_photo(path), request)
