"""The options that say what is known of a photo, shared by `measure` and `batch`, and their checks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

from lightgap.neck.errors import InputError

from .neck_input import parse_scale
from .record_photo import KeepOptions, known_sizes

if TYPE_CHECKING:
    from lightgap.vision.measure import MeasureSettings


@dataclass(frozen=True, slots=True)
class SceneOptions:
    """What the user says of the scene, as typed."""

    scale_length: Annotated[
        str | None, typer.Option(metavar="MM", help="Open string length, mm or with unit (25.5in).")
    ] = None
    reference: Annotated[
        str,
        typer.Option(
            metavar="KIND[:MM]",
            help="Known size: card, coin:usd-0.25 (or its MM), marker:MM, straightedge, frets (with the nut in view or "
            "--first-fret), auto.",
        ),
    ] = "auto"
    straightedge_height: Annotated[
        str | None, typer.Option(metavar="MM", help="Straightedge height, mm or with unit (1.5in).")
    ] = None
    straightedge_thickness: Annotated[
        str | None, typer.Option(metavar="MM", help="Straightedge thickness, mm or with unit.")
    ] = None
    board_radius: Annotated[
        str | None, typer.Option(metavar="MM", help="Fingerboard radius, mm or with unit (12in).")
    ] = None
    nut: Annotated[str | None, typer.Option(metavar="left|right", help="Side of the nut in the picture.")] = None
    first_fret: Annotated[
        int | None,
        typer.Option(
            metavar="N", help="Number of the lowest fret in view; with --reference frets one off is 6 % in the gaps."
        ),
    ] = None
    rests_on: Annotated[str, typer.Option(metavar="crowns|board", help="What the straightedge rests on.")] = "crowns"
    chord: Annotated[str | None, typer.Option(metavar="A-B", help="End frets of the chord, as in 1-15.")] = None

    def settings(self, keep: KeepOptions | None = None) -> MeasureSettings:
        """Return the measuring settings, checked; what is not typed comes from the visit's instrument, if there is one.

        Raises
        ------
        InputError
            Names the option, the value got and what is expected.
        FileProblem
            The bench book cannot be read.
        """
        from lightgap.neck.frets import parse_chord
        from lightgap.vision.measure import MeasureSettings

        scale_length_mm = parse_scale(self.scale_length)
        board_radius_mm = parse_size(self.board_radius, option="--board-radius")
        if keep is not None and keep.visit is not None:
            scale_length_mm, board_radius_mm = known_sizes(
                keep.visit, keep.book, scale_length_mm=scale_length_mm, board_radius_mm=board_radius_mm
            )
        return check_settings(
            MeasureSettings(
                scale_length_mm,
                self.reference,
                parse_size(self.straightedge_height, option="--straightedge-height"),
                parse_size(self.straightedge_thickness, option="--straightedge-thickness"),
                board_radius_mm,
                self.nut,
                self.first_fret,
                self.rests_on,
                None if self.chord is None else parse_chord(self.chord),
            )
        )


WantUOption = Annotated[
    str | None,
    typer.Option("--want-U", metavar="MM", help="Refuse a relief with a wider U (k = 2), mm or with unit (2thou)."),
]


def parse_size(text: str | None, *, option: str) -> float | None:
    """Return a length in mm; None where none is given.

    Raises
    ------
    InputError
        It is no length.
    """
    from lightgap.neck.units import parse_length

    return None if text is None else parse_length(text, what=option)


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
    _in_range("--want-U", wanted_U_mm, low=0.001, high=1)
    return wanted_U_mm


def check_settings(settings: MeasureSettings) -> MeasureSettings:
    """Return the settings, every one of them in its range.

    Raises
    ------
    InputError
        Names the option, the value got and what is expected.
    """
    from lightgap.vision.reference import parse_reference

    _in_range("--scale-length", settings.scale_length_mm, low=200, high=1200)
    _in_range("--straightedge-height", settings.straightedge_height_mm, low=5, high=150)
    _in_range("--straightedge-thickness", settings.straightedge_thickness_mm, low=0.3, high=30)
    _in_range("--board-radius", settings.board_radius_mm, low=80, high=5000)
    _in_range("--first-fret", settings.first_fret, low=1, high=24, unit="")
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


def _in_range(name: str, value: float | None, *, low: float, high: float, unit: str = "mm") -> None:
    if value is not None and not low <= value <= high:
        raise InputError(f"{name} {value:g}: expected {low:g} to {high:g} {unit}".rstrip())
