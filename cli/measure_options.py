"""The options that say what is known of a photo, shared by `measure` and `batch`, and their checks."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated

import typer

from lightgap.neck.errors import InputError

if TYPE_CHECKING:
    from lightgap.vision.measure import MeasureSettings

ScaleLengthOption = Annotated[
    str | None, typer.Option(metavar="MM", help="Open string length, mm or with unit (25.5in).")
]
ReferenceOption = Annotated[
    str,
    typer.Option(
        metavar="KIND[:MM]", help="Known size: card, coin:usd-0.25 (or its MM), marker:MM, straightedge, frets, auto."
    ),
]
HeightOption = Annotated[float | None, typer.Option(metavar="MM", help="Straightedge height, mm.")]
ThicknessOption = Annotated[float | None, typer.Option(metavar="MM", help="Straightedge thickness, mm.")]
RadiusOption = Annotated[float | None, typer.Option(metavar="MM", help="Fingerboard radius, mm.")]
NutOption = Annotated[str | None, typer.Option(metavar="left|right", help="Side of the nut in the picture.")]
FirstFretOption = Annotated[int | None, typer.Option(metavar="N", help="Number of the first fret in view.")]
RestsOnOption = Annotated[str, typer.Option(metavar="crowns|board", help="What the straightedge rests on.")]
ChordOption = Annotated[str | None, typer.Option(metavar="A-B", help="End frets of the chord, as in 1-15.")]
WantUOption = Annotated[
    str | None,
    typer.Option("--want-U", metavar="MM", help="Refuse a relief with a wider U (k = 2), mm or with unit (2thou)."),
]

SCALE_LENGTH_RANGE_MM = (200.0, 1200.0)


def parse_chord(text: str | None) -> tuple[int, int] | None:
    """Return the chord's end frets from "A-B".

    Raises
    ------
    InputError
        The text is not two fret numbers with at least two frets between.
    """
    if text is None:
        return None
    match = re.fullmatch(r"\s*(\d+)\s*-\s*(\d+)\s*", text)
    if match is None:
        raise InputError(f"--chord {text}: give two fret numbers, as in 1-15")
    first, last = sorted((int(match[1]), int(match[2])))
    if last - first < 3 or last > 30:
        raise InputError(f"--chord {text}: ends must be at least three frets apart, none beyond 30")
    return first, last


def parse_wanted_U(text: str | None) -> float | None:
    """Return the widest useful U of the relief in mm.

    Raises
    ------
    InputError
        It is no length, or outside 0.001 to 1 mm.
    """
    from lightgap.neck.units import parse_length

    if text is None:
        return None
    wanted_U_mm = parse_length(text, what="--want-U")
    _in_range("--want-U", wanted_U_mm, 0.001, 1)
    return wanted_U_mm


def check_settings(settings: MeasureSettings) -> MeasureSettings:
    """Return the settings, every one of them in its range.

    Raises
    ------
    InputError
        Names the option, the value got and what is expected.
    """
    from lightgap.vision.reference import parse_reference

    _in_range("--scale-length", settings.scale_length_mm, *SCALE_LENGTH_RANGE_MM)
    _in_range("--straightedge-height", settings.straightedge_height_mm, 5, 150)
    _in_range("--straightedge-thickness", settings.straightedge_thickness_mm, 0.3, 30)
    _in_range("--board-radius", settings.board_radius_mm, 80, 5000)
    _in_range("--first-fret", settings.first_fret, 1, 24, "")
    if settings.nut not in (None, "left", "right"):
        raise InputError(f"--nut {settings.nut}: use left or right")
    if settings.rests_on not in ("crowns", "board"):
        raise InputError(f"--rests-on {settings.rests_on}: use crowns or board")
    request = parse_reference(settings.reference)
    if request.kind == "straightedge" and settings.straightedge_height_mm is None:
        raise InputError("--reference straightedge needs --straightedge-height MM")
    if request.kind == "frets" and settings.scale_length_mm is None:
        raise InputError("--reference frets needs --scale-length MM")
    return settings


def _in_range(name: str, value: float | None, low: float, high: float, unit: str = "mm") -> None:
    if value is not None and not low <= value <= high:
        raise InputError(f"{name} {value:g}: expected {low:g} to {high:g} {unit}".rstrip())
