"""`lightgap tension`: what the strings pull, and what another set or tuning changes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .neck_input import JsonOption
from .options import spread

if TYPE_CHECKING:
    from lightgap.neck.stiffness import NeckCompliance
    from lightgap.neck.strings import StringSpec, Tension

HELP = """Say what each string pulls at pitch, and the total.

In newtons and pounds-force.

Plain strings go by diameter and density, wound ones by core and wrap (± 5 % with a guessed core) or by the maker's unit
weight. With --to-set, --to-string or --to-tuning it tells the change of pull; with relief --seen at two pulls, the
change of relief to expect. Tuning: A4 = 440 Hz (ISO 16).

\b
Examples:
  lightgap tension --set electric-10 --scale-length 25.5in --to-set electric-11
  lightgap tension --string E4=0.010in --string E2=0.046inw:core=0.018in --scale-length 648
"""
_SETS = "electric-9|10|11, acoustic-11|12|13, bass-40|45, mandolin-10|11, banjo-9"


@dataclass(frozen=True, slots=True)
class StringOptions:
    """The strings now, by set or one by one."""

    gauge_set: Annotated[str | None, typer.Option("--set", metavar="NAME", help=f"Gauge set: {_SETS}.")] = None
    string: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NOTE=GAUGE",
            help="One string, repeat treble to bass: E4=0.010in plain, E2=0.046inw wound, with :core=0.018in and "
            ":MATERIAL if known, or by unit weight E2=5.78e-3kg/m.",
        ),
    ] = None
    tuning: Annotated[
        str | None,
        typer.Option(metavar="NOTES", help="Tuning of the set: notes treble to bass, drop, or semitones (-1)."),
    ] = None


@dataclass(frozen=True, slots=True)
class ChangeOptions:
    """The strings to change to."""

    to_set: Annotated[str | None, typer.Option(metavar="NAME", help="Gauge set to change to.")] = None
    to_string: Annotated[
        list[str] | None,
        typer.Option(metavar="NOTE=GAUGE", help="All strings to change to, as --string; repeat."),
    ] = None
    to_tuning: Annotated[str | None, typer.Option(metavar="NOTES", help="Tuning to change to, as --tuning.")] = None


@spread
def tension(
    *,
    scale_length: Annotated[
        str | None,
        typer.Option(
            "--scale-length",
            metavar="LENGTH",
            help="Scale length, mm or with unit (25.5in); by default what the set is usually strung at, else 648mm.",
        ),
    ] = None,
    now: StringOptions,
    then: ChangeOptions,
    seen: Annotated[
        list[str] | None,
        typer.Option(
            metavar="PULL=RELIEF",
            help="Relief seen at a total pull (N, or lbf), rod untouched: 463N=0.20mm. Give at least two.",
        ),
    ] = None,
    plot: Annotated[Path | None, typer.Option(metavar="PATH.png", help="Draw the pull of each string, in N.")] = None,
    json: JsonOption = None,
) -> None:
    """Say what each string pulls at pitch, and the total."""
    from lightgap.neck.errors import InputError
    from lightgap.neck.readings import DEFAULT_SCALE_MM
    from lightgap.neck.result_documents import tension_document
    from lightgap.neck.stiffness import neck_compliance, parse_seen
    from lightgap.neck.string_sets import usual_scale_mm
    from lightgap.neck.strings import string_tension

    from .neck_input import parse_scale
    from .output import check_outputs, emit_json, say, show, write_bytes

    check_outputs(json, plot)
    usual_mm = usual_scale_mm(now.gauge_set) if now.gauge_set else DEFAULT_SCALE_MM
    length_mm = parse_scale(scale_length) or usual_mm
    specs = _strings(now.gauge_set, now.string, tuning=now.tuning, option="--set")
    if specs is None:
        raise InputError(f"no strings: give --set NAME ({_SETS}) or --string NOTE=GAUGE")
    strings = [string_tension(s, length_mm) for s in specs]
    to_set = then.to_set or (now.gauge_set if then.to_tuning and not then.to_string else None)
    wanted = _strings(to_set, then.to_string, tuning=then.to_tuning, option="--to-set")
    other = None if wanted is None else [string_tension(s, length_mm) for s in wanted]
    compliance = neck_compliance([parse_seen(s) for s in seen]) if seen else None
    if compliance is not None and other is None:
        raise InputError("relief seen at two pulls tells the change for another set: give --to-set or --to-tuning")
    if plot is not None:
        from lightgap.records.plots_clearance import tension_plot

        write_bytes(plot, tension_plot(strings, other))
        say(f"Drawn: {plot}")
    if json != "-":
        assumed = "" if scale_length else " (usual; say which with --scale-length)"
        show(_page(strings, other, compliance=compliance, scale=f"{length_mm:g} mm{assumed}"))
    if json is not None:
        emit_json(tension_document(strings, scale_length_mm=length_mm, other=other, compliance=compliance), json)


def _strings(
    name: str | None, texts: list[str] | None, *, tuning: str | None, option: str
) -> tuple[StringSpec, ...] | None:
    from lightgap.neck.errors import InputError
    from lightgap.neck.string_sets import parse_string, string_set

    if name and texts:
        raise InputError(f"give {option} or single strings, not both")
    if name:
        return string_set(name, tuning=tuning)
    if tuning is not None:
        raise InputError(f"a tuning goes with a set ({option}); single strings carry their note")
    return tuple(parse_string(t) for t in texts) if texts else None


def _page(
    strings: list[Tension],
    other: list[Tension] | None,
    *,
    compliance: NeckCompliance | None,
    scale: str,
) -> str:
    from lightgap.neck.result_documents import STRING_CAUTIONS
    from lightgap.neck.strings import pull_change
    from lightgap.neck.units import NEWTON_PER_LBF

    from .text import bulleted, hung

    parts = [f"At pitch, A4 = 440 Hz, scale length {scale}\n\n{_table(strings)}"]
    if other is not None:
        change, u_change = pull_change(strings, other)
        parts.append(f"Changed to\n\n{_table(other)}")
        parts.append(
            f"Change of pull  {change:+.0f} ± {2 * u_change:.0f} N (k = 2; {change / NEWTON_PER_LBF:+.1f} lbf)"
        )
        if compliance is not None:
            relief, u = compliance.change_mm(change, u_change)
            parts.append(
                hung(
                    "Relief to expect  ",
                    f"{relief:+.2f} ± {2 * u:.2f} mm (k = 2), rod left alone, from the neck's answer to two pulls",
                )
            )
        elif abs(change) > 2 * u_change:
            way = "more up-bow" if change > 0 else "less up-bow"
            parts.append(
                hung(
                    "Relief  ",
                    f"{way}; how much is this neck's own: measure at both and give --seen PULL=RELIEF twice",
                )
            )
    parts.append("Cautions\n" + bulleted(STRING_CAUTIONS))
    return "\n\n".join(parts)


def _table(strings: list[Tension]) -> str:
    from lightgap.neck.strings import total_pull
    from lightgap.neck.units import NEWTON_PER_LBF

    from .text import table

    rows = [
        [
            t.string.note,
            t.string.description,
            f"{t.string.frequency_hz:.2f}",
            f"{t.string.weight_kg_m * 1e3:.3f}",
            f"{t.tension_N:.1f}",
            f"{2 * t.u_tension_N:.1f}",
            f"{t.tension_lbf:.1f}",
        ]
        for t in strings
    ]
    pull, u = total_pull(strings)
    rows.append(["all", "", "", "", f"{pull:.0f}", f"{2 * u:.0f}", f"{pull / NEWTON_PER_LBF:.1f}"])
    return table(["note", "string", "Hz", "g/m", "pull N", "± N", "lbf"], rows, left=2)
