"""`lightgap advise`: from a profile, by photo or by hand, to the next safe step at the truss rod."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from .neck_input import ChordOption, JsonOption, MethodOption, ReadingOption, ScaleOption, UnitsOption

if TYPE_CHECKING:
    pass

HELP = """Say what to turn at the truss rod, how far, and when to stop.

Takes a profile document of `lightgap measure`, a sheet of hand readings (.toml, .csv), or --reading. No step is ever
above a quarter turn. When the uncertainty reaches across a limit of the target the answer is: cannot tell.

\b
Examples:
  lightgap advise profile.json --target 0.10-0.25 --rod single-action
  lightgap advise --reading 7=0.015in --method feeler --rod unknown
"""


def advise(
    profile: Annotated[
        Path | None,
        typer.Argument(metavar="[PROFILE]", help="Profile (.json) or sheet of hand readings (.toml, .csv)."),
    ] = None,
    reading: ReadingOption = None,
    method: MethodOption = "feeler",
    chord: ChordOption = None,
    scale_length: ScaleOption = None,
    target: Annotated[
        str | None,
        typer.Option(metavar="LOW-HIGH", help="Wanted relief, mm or with units (0.004in-0.010in), or straight."),
    ] = None,
    family: Annotated[
        Literal["electric", "acoustic", "classical", "bass", "mandolin", "ukulele", "banjo"],
        typer.Option(help="Kind of instrument, when no --target is given."),
    ] = "electric",
    play: Annotated[
        Literal["low", "medium", "high"], typer.Option(help="String height wanted, when no --target is given.")
    ] = "medium",
    attack: Annotated[
        Literal["light", "medium", "hard"], typer.Option(help="Playing attack, when no --target is given.")
    ] = "medium",
    rod: Annotated[
        Literal["single-action", "two-way", "none", "unknown"], typer.Option(help="Kind of truss rod.")
    ] = "unknown",
    nut_feel: Annotated[
        Literal["free", "snug", "stiff", "at-end", "slack"] | None,
        typer.Option(help="How the rod nut feels; leave out if not tried."),
    ] = None,
    strings: Annotated[
        Literal["at-pitch", "slack", "off"], typer.Option(help="State of the strings when relief was measured.")
    ] = "at-pitch",
    access: Annotated[
        Literal["peghead", "soundhole", "body-end", "unknown"], typer.Option(help="Where the rod nut is reached.")
    ] = "unknown",
    turned: Annotated[float, typer.Option(metavar="TURNS", help="Turned already this visit, in turns.")] = 0.0,
    step_cap: Annotated[
        float, typer.Option(metavar="TURNS", help="Largest step, in turns; can be lowered, not raised.")
    ] = 0.25,
    visit_cap: Annotated[
        float, typer.Option(metavar="TURNS", help="Largest sum of steps in a visit, in turns; can only be lowered.")
    ] = 0.75,
    log: Annotated[
        Path | None,
        typer.Option(metavar="CSV", help="Turn log of this instrument: turns,before,after[,U,hour,day] (+ tightens)."),
    ] = None,
    action: Annotated[
        str | None,
        typer.Option(metavar="BASS,TREBLE", help="String height over fret 12 now, mm or with units (0.090in,0.070in)."),
    ] = None,
    want_action: Annotated[
        str | None, typer.Option(metavar="BASS,TREBLE", help="String height over fret 12 wanted, mm or with units.")
    ] = None,
    joint: Annotated[int, typer.Option(metavar="FRET", help="Fret at the body joint (for the action forecast).")] = 14,
    post_pitch: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Thread pitch of bridge posts, mm or with unit (1/32in).")
    ] = None,
    units: UnitsOption = "mm",
    plot: Annotated[
        Path | None, typer.Option(metavar="PATH.png", help="Draw the profile, chord, odd frets and target.")
    ] = None,
    json: JsonOption = None,
) -> None:
    """Say what to turn at the truss rod, how far, and when to stop."""
