"""`lightgap clearance`: will it buzz, for every string and every fret."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from .neck_input import JsonOption, ProfileOptions, Units, UnitsOption
from .options import spread

if TYPE_CHECKING:
    from lightgap.neck.action import StringLine
    from lightgap.neck.clearance import Clearance, Setup
    from lightgap.neck.profile import Relief
    from lightgap.neck.strings import StringSpec

HELP = """Say where a plucked string would touch a crown.

For every string and every fret played.

A model of the ideal plucked string over the measured crowns, with its inputs stated: string heights over frets 1 and
12, gauge, pluck force and place. Tells the least margin and where it is, the smallest relief that would clear, and the
one crown to level if that is all it takes.

\b
Examples:
  lightgap clearance profile.json --set electric-10 --action 2.0,1.6
  lightgap clearance --reading 7=0.010in --set acoustic-12 --scale-length 645 --action 0.100in,0.075in --plot map.png
"""


@dataclass(frozen=True, slots=True)
class StringOptions:
    """The strings, by set or one by one."""

    gauge_set: Annotated[str, typer.Option("--set", metavar="NAME", help="Gauge set, as in `lightgap tension`.")] = (
        "electric-10"
    )
    string: Annotated[
        list[str] | None, typer.Option(metavar="NOTE=GAUGE", help="Single strings, treble to bass, in place of --set.")
    ] = None
    tuning: Annotated[str | None, typer.Option(metavar="NOTES", help="Tuning of the set.")] = None

    def named(self) -> str:
        """Return which strings are judged, in words."""
        return "strings as given, one by one" if self.string else f"strings of the set {self.gauge_set}"

    def specs(self) -> tuple[StringSpec, ...]:
        """Return the strings."""
        from lightgap.neck.string_sets import parse_string, string_set

        if self.string:
            return tuple(parse_string(text) for text in self.string)
        return string_set(self.gauge_set, tuning=self.tuning)


@dataclass(frozen=True, slots=True)
class PlayOptions:
    """String heights and how the strings are plucked."""

    action: Annotated[
        str, typer.Option(metavar="BASS,TREBLE", help="String height over fret 12, mm or with units (0.080in,0.060in).")
    ] = "2.0mm,1.6mm"
    first_fret: Annotated[
        str, typer.Option("--height-at-1", metavar="LENGTH", help="String height over fret 1, mm or with unit.")
    ] = "0.5mm"
    attack: Annotated[
        Literal["light", "medium", "hard"], typer.Option(help="Pluck of 0.2, 0.4 or 0.6 N across the board's plane.")
    ] = "medium"
    force: Annotated[
        float | None, typer.Option(metavar="N", help="Pluck force across the board's plane, in newtons.")
    ] = None
    pluck_at: Annotated[
        str, typer.Option(metavar="LENGTH", help="Where it is plucked, from the saddle, mm or with unit.")
    ] = "130mm"
    release: Annotated[
        Literal["lifted", "pressed", "either"], typer.Option(help="Which way the string is drawn before it is let go.")
    ] = "either"
    margin: Annotated[str, typer.Option(metavar="LENGTH", help="Least clearance wanted, mm or with unit.")] = "0mm"

    def setup(self, scale_length_mm: float) -> Setup:
        """Return the set-up to judge."""
        from lightgap.neck.action import parse_action
        from lightgap.neck.clearance import FORCE_N, Setup
        from lightgap.neck.units import parse_length

        return Setup(
            scale_length_mm=scale_length_mm,
            action=parse_action(self.action),
            first_fret_mm=parse_length(self.first_fret, what="string height over fret 1"),
            force_N=FORCE_N[self.attack] if self.force is None else self.force,
            pluck_from_saddle_mm=parse_length(self.pluck_at, what="pluck place"),
            release=self.release,
            margin_mm=parse_length(self.margin, what="margin"),
        )


@spread
def clearance(
    source: ProfileOptions,
    *,
    strings: StringOptions,
    play: PlayOptions,
    units: UnitsOption = "mm",
    plot: Annotated[
        Path | None, typer.Option(metavar="PATH.png", help="Draw the map: frets across, strings down.")
    ] = None,
    json: JsonOption = None,
) -> None:
    """Say where a plucked string would touch a crown."""
    from lightgap.neck.action import string_line
    from lightgap.neck.clearance import complete_profile, compute_clearance
    from lightgap.neck.readings import DEFAULT_SCALE_MM
    from lightgap.neck.relief import compute_relief
    from lightgap.neck.result_documents import clearance_document
    from lightgap.neck.strings import string_tension

    from .output import check_outputs, emit_json, say, show, write_bytes

    given = source.gather()
    check_outputs(json, plot, inputs=[given.file])
    length_mm = given.scale_length_mm or DEFAULT_SCALE_MM
    setup = play.setup(length_mm)
    tensions = [string_tension(spec, length_mm) for spec in strings.specs()]
    relief = compute_relief(given.profile, chord=given.chord)
    result = compute_clearance(given.profile, tensions, setup=setup, relief=relief)
    if plot is not None:
        from lightgap.records.plots_clearance import clearance_plot

        write_bytes(plot, clearance_plot(result, setup=setup, units=units))
        say(f"Drawn: {plot}")
    if json != "-":
        full, _ = complete_profile(given.profile, scale_length_mm=length_mm)
        lines = [
            string_line(full, scale_length_mm=length_mm, action_mm=a, first_fret_mm=setup.first_fret_mm)
            for a in (setup.action.bass_mm, setup.action.treble_mm)
        ]
        talk = [f.message for f in (*given.findings, *result.findings)]
        show(_page(result, setup=setup, relief=relief, lines=lines, talk=[strings.named(), *talk], units=units))
    if json is not None:
        emit_json(clearance_document(result, setup=setup, relief=relief), json)


_MARK = {"clears": "", "buzzes": "!", "cannot-tell": "?"}


def _page(
    result: Clearance,
    *,
    setup: Setup,
    relief: Relief,
    lines: list[StringLine],
    talk: list[str],
    units: Units,
) -> str:
    from lightgap.neck.clearance import MODEL
    from lightgap.records.quantities import in_units, with_uncertainty

    from .text import bulleted, table, wrapped

    digits = 2 if units == "mm" else 4
    head = ["played", *[t.string.note for t in result.strings]]
    rows = [
        [
            "open" if fret == 0 else str(fret),
            *[
                f"{round(in_units(float(result.least_mm[s, p]), units), digits) + 0.0:.{digits}f}"
                + (_MARK[result.verdicts[s][p]] or " ")
                for s in range(len(result.strings))
            ],
        ]
        for p, fret in enumerate(result.played)
    ]
    bass, treble = ([f"{in_units(float(v), units):.{digits}f}" for v in line.height_mm] for line in lines)
    heights = table(["fret", "bass", "treble"], list(zip(map(str, lines[0].frets), bass, treble, strict=True)))
    pluck = f"Pluck {setup.force_N:g} N at {setup.pluck_from_saddle_mm:g} mm from the saddle, {setup.release}."
    bow = with_uncertainty(relief.relief_mm, relief.U_mm, units=units)
    return "\n\n".join(
        [
            f"Relief   {bow} (k = {relief.k:g}), {relief.shape}\n"
            + "\n".join(_summary(result, setup=setup, units=units)),
            f"Least clearance beyond the played fret, {units} (! touches, ? cannot tell)\n\n" + table(head, rows),
            f"Height of the open strings over each crown, {units}\n\n" + heights,
            *(["What was found\n" + bulleted(talk)] if talk else []),
            wrapped(f"Model: {MODEL}. {pluck}"),
            "Cautions\n"
            + bulleted(
                [
                    "Level a fret only after the neck is set and the crown is proved high by a straightedge on three "
                    "frets; fret ends and files cut. When unsure, a qualified repairer.",
                ]
            ),
        ]
    )


def _summary(result: Clearance, *, setup: Setup, units: Units) -> list[str]:
    from lightgap.records.quantities import length, with_uncertainty

    s, p = result.worst
    least = with_uncertainty(float(result.least_mm[s, p]), float(result.U_mm[s, p]), units=units)
    played = "open" if result.played[p] == 0 else f"fretted at {result.played[p]}"
    verdict = {"clears": "clears", "buzzes": "touches", "cannot-tell": "cannot tell"}[result.verdicts[s][p]]
    out = [
        f"Least    {least}: {result.strings[s].string.note} string {played}, "
        f"over fret {int(result.at_fret[s, p])} ({verdict})"
    ]
    if result.smallest_relief_mm is None:
        out.append("Relief   no relief clears everything at these string heights: raise them, or pluck lighter")
    else:
        smallest = length(result.smallest_relief_mm, units=units)
        out.append(f"Relief   {smallest} is the smallest that clears at these string heights")
    out.append(f"Margin   {length(setup.margin_mm, units=units)} wanted; raise it with --margin for a cleaner tone")
    if result.levelling is not None:
        amount = length(result.levelling.amount_mm, units=units)
        out.append(f"Fret     or fret {result.levelling.fret} lower by {amount}, and nothing else")
    return out
