"""`lightgap advise`: from a profile, by photo or by hand, to the next safe step at the truss rod."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from .neck_input import Gathered, JsonOption, ProfileOptions, Units, UnitsOption
from .options import spread

if TYPE_CHECKING:
    from lightgap.neck.advise import Advice
    from lightgap.neck.bench import Bench
    from lightgap.neck.profile import Finding
    from lightgap.neck.targets import Target

HELP = """Say what to turn at the truss rod, how far, and when to stop.

Takes a profile document of `lightgap measure`, a sheet of hand readings (.toml, .csv), or --reading. No step is ever
above a quarter turn. When the uncertainty reaches across a limit of the target the answer is: cannot tell.

\b
Examples:
  lightgap advise profile.json --target 0.10-0.25 --rod single-action
  lightgap advise --reading 7=0.015in --method feeler --family electric --rod unknown
"""


@dataclass(frozen=True, slots=True)
class TargetOptions:
    """The relief wanted, or what it follows from."""

    target: Annotated[
        str | None,
        typer.Option(metavar="LOW-HIGH", help="Wanted relief, mm or with units (0.004in-0.010in), or straight."),
    ] = None
    family: Annotated[
        Literal["electric", "acoustic", "classical", "bass", "mandolin", "ukulele", "banjo"] | None,
        typer.Option(help="Kind of instrument, when no --target is given; what is usual for any when neither is."),
    ] = None
    play: Annotated[
        Literal["low", "medium", "high"], typer.Option(help="String height wanted, when no --target is given.")
    ] = "medium"
    attack: Annotated[
        Literal["light", "medium", "hard"], typer.Option(help="Playing attack, when no --target is given.")
    ] = "medium"

    def wanted(self) -> Target:
        """Return the range of relief wanted."""
        from lightgap.neck.targets import parse_target, usual_target

        if self.target is not None:
            return parse_target(self.target)
        return usual_target(self.family, action=self.play, attack=self.attack)


@dataclass(frozen=True, slots=True)
class RodOptions:
    """The rod, and what was done at it."""

    rod: Annotated[Literal["single-action", "two-way", "none", "unknown"], typer.Option(help="Kind of truss rod.")] = (
        "unknown"
    )
    nut_feel: Annotated[
        Literal["free", "snug", "stiff", "at-end", "slack"] | None,
        typer.Option(help="How the rod nut feels; leave out if not tried."),
    ] = None
    strings: Annotated[
        Literal["at-pitch", "slack", "off"], typer.Option(help="State of the strings when relief was measured.")
    ] = "at-pitch"
    access: Annotated[
        Literal["peghead", "soundhole", "body-end", "unknown"], typer.Option(help="Where the rod nut is reached.")
    ] = "unknown"
    turned: Annotated[str, typer.Option(metavar="TURNS", help="Turned already this visit: 1/4 or 0.25.")] = "0"
    repeated: Annotated[
        bool, typer.Option("--repeated", help="Relief was read again, as finely as can be, and reads the same.")
    ] = False
    step_cap: Annotated[
        str, typer.Option(metavar="TURNS", help="Largest step, in turns; can be lowered, not raised.")
    ] = "1/4"
    visit_cap: Annotated[
        str, typer.Option(metavar="TURNS", help="Largest sum of steps in a visit, in turns; can only be lowered.")
    ] = "3/4"
    log: Annotated[
        Path | None,
        typer.Option(metavar="CSV", help="Turn log of this instrument: turns,before,after[,U,hour,day] (+ tightens)."),
    ] = None

    def bench(self) -> Bench:
        """Return what the planner is told of the bench."""
        from lightgap.neck.bench import Bench
        from lightgap.neck.units import parse_turns

        return Bench(
            rod=self.rod,
            nut_feel=self.nut_feel or "unknown",
            strings=self.strings,
            access=self.access,
            step_cap_turns=parse_turns(self.step_cap, what="--step-cap"),
            visit_cap_turns=parse_turns(self.visit_cap, what="--visit-cap"),
            turned_turns=parse_turns(self.turned, what="--turned"),
            repeated=self.repeated,
        )


@dataclass(frozen=True, slots=True)
class BridgeOptions:
    """String heights now and wanted, and the bridge."""

    action: Annotated[
        str | None,
        typer.Option(metavar="BASS,TREBLE", help="String height over fret 12 now, mm or with units (0.090in,0.070in)."),
    ] = None
    want_action: Annotated[
        str | None, typer.Option(metavar="BASS,TREBLE", help="String height over fret 12 wanted, mm or with units.")
    ] = None
    joint: Annotated[int, typer.Option(metavar="FRET", help="Fret at the body joint (for the action forecast).")] = 14
    post_pitch: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Thread pitch of bridge posts, mm or with unit (1/32in).")
    ] = None

    def forecast(self, advice: Advice, scale_length_mm: float | None) -> dict[str, Any] | None:
        """Return the forecast of the string heights; None when they are not given."""
        from lightgap.neck.action import BridgeGeometry, parse_action
        from lightgap.neck.errors import InputError
        from lightgap.neck.readings import DEFAULT_SCALE_MM
        from lightgap.neck.setup_forecast import forecast_action
        from lightgap.neck.units import parse_length

        if self.action is None:
            if self.want_action is not None or self.post_pitch is not None:
                raise InputError("the bridge's move needs the string heights now: give --action BASS,TREBLE")
            return None
        pitch = parse_length(self.post_pitch, what="thread pitch") if self.post_pitch else None
        geometry = BridgeGeometry(scale_length_mm or DEFAULT_SCALE_MM, thread_pitch_mm=pitch)
        wanted = parse_action(self.want_action, what="wanted action") if self.want_action else None
        now = parse_action(self.action)
        return forecast_action(advice, now=now, wanted=wanted, geometry=geometry, joint_fret=self.joint)


@dataclass(frozen=True, slots=True)
class RoomOptions:
    """The air of the room."""

    temperature: Annotated[
        str | None,
        typer.Option(metavar="TEMP", help="Air temperature, °C or with unit: 21C, 70F (with --humidity)."),
    ] = None
    humidity: Annotated[
        str | None, typer.Option(metavar="PERCENT", help="Relative humidity, percent (with --temperature).")
    ] = None

    def findings(self) -> tuple[Finding, ...]:
        """Return what the room's air says; nothing when it is not given."""
        from lightgap.neck.climate import climate_finding
        from lightgap.neck.errors import InputError

        if self.temperature is None and self.humidity is None:
            return ()
        if self.temperature is None or self.humidity is None:
            raise InputError("the climate needs both, --temperature and --humidity")
        from lightgap.records.inputs import parse_humidity, parse_temperature

        temperature, humidity = _with_unit(self.temperature, "C"), _with_unit(self.humidity, "%")
        return (climate_finding(parse_temperature(temperature), parse_humidity(humidity)),)


def _with_unit(text: str, unit: str) -> str:
    """Return a number with its unit: `unit` where it has none."""
    bare = text.strip().rstrip(".")
    return f"{bare}{unit}" if bare[-1:].isdigit() else text


@dataclass(frozen=True, slots=True)
class OutputOptions:
    """What is shown and written."""

    units: UnitsOption = "mm"
    plot: Annotated[
        Path | None, typer.Option(metavar="PATH.png", help="Draw the profile with its chord and relief.")
    ] = None
    json: JsonOption = None


@spread
def advise(
    source: ProfileOptions,
    *,
    target: TargetOptions,
    rod: RodOptions,
    bridge: BridgeOptions,
    room: RoomOptions,
    output: OutputOptions,
) -> None:
    """Say what to turn at the truss rod, how far, and when to stop."""
    from lightgap.neck.advise import advise as make_advice
    from lightgap.neck.reading_file import read_turn_log
    from lightgap.neck.result_documents import advice_document

    from .output import check_outputs, emit_json, say, show, write_bytes

    bench = rod.bench()
    given = source.gather()
    check_outputs(output.json, output.plot, inputs=(given.file, rod.log))
    wanted = target.wanted()
    advice = make_advice(
        given.profile,
        wanted.range_mm,
        bench=bench,
        chord=given.chord,
        log=read_turn_log(rod.log) if rod.log else (),
        findings=(*given.findings, *room.findings(), *wanted.findings),
    )
    forecast = bridge.forecast(advice, given.scale_length_mm)
    if output.plot is not None:
        from lightgap.records.plots import LabelledProfile, profile_plot

        line = LabelledProfile("profile", given.profile, advice.plan.relief)
        write_bytes(output.plot, profile_plot([line], units=output.units))
        say(f"Drawn: {output.plot}")
    if output.json != "-":
        show(_page(advice, wanted, bench=bench, forecast=forecast, units=output.units))
    if output.json is not None:
        inputs = _inputs(bench, wanted, given=given, method=source.method)
        emit_json(advice_document(advice, inputs=inputs, action=forecast), output.json)


def _inputs(bench: Bench, wanted: Target, *, given: Gathered, method: str) -> dict[str, Any]:
    return {
        "source": given.profile.source,
        "method": method if given.profile.source == "hand" else None,
        "readings": list(given.readings),
        "target": wanted.reason,
        "rod": bench.rod,
        "nut_feel": bench.nut_feel,
        "strings": bench.strings,
        "access": bench.access,
        "step_cap_turns": bench.step_cap_turns,
        "turned_turns": bench.turned_turns,
        "repeated": bench.repeated,
    }


def _page(advice: Advice, wanted: Target, *, bench: Bench, forecast: dict[str, Any] | None, units: Units) -> str:
    from lightgap.neck.wording import verdict_words
    from lightgap.records.quantities import length_range, with_uncertainty

    from .text import bulleted, hung, numbered, wrapped

    plan, relief = advice.plan, advice.plan.relief
    head = [
        hung(
            "Relief   ",
            f"{with_uncertainty(relief.relief_mm, relief.U_mm, units=units)} (k = {relief.k:g}), "
            f"{relief.shape}, read at fret {relief.at_fret}, chord {relief.chord[0]}-{relief.chord[1]}",
        ),
        hung("Target   ", f"{length_range(*plan.target_mm, units=units)} ({wanted.reason})"),
        hung("Verdict  ", verdict_words(plan.judgement, {f.code for f in plan.findings})),
        hung("Turn     ", _turn_line(advice)),
    ]
    if advice.expected_mm is not None and advice.u_expected_mm is not None:
        expected = with_uncertainty(advice.expected_mm, 2 * advice.u_expected_mm, units=units)
        head.append(f"Expect   {expected} after this step, from this rod's log")
    parts = ["\n".join(head)]
    if plan.findings:
        parts.append("What was found\n" + bulleted([f.message for f in plan.findings]))
    parts.append("Checklist\n" + numbered(plan.checklist))
    parts.append("Stop when\n" + bulleted(plan.stop_when))
    if forecast is not None:
        parts.append("String height over fret 12 (model)\n" + bulleted(_action_lines(forecast, units=units)))
    parts.append("Cautions\n" + bulleted(plan.cautions))
    if bench.rod == "unknown" and plan.direction != "none":
        parts.append(wrapped("Next: name the rod with --rod once its kind is known."))
    return "\n\n".join(parts)


def _turn_line(advice: Advice) -> str:
    from lightgap.neck.wording import turn_words

    plan = advice.plan
    if plan.direction == "none":
        return "none: leave the rod alone"
    way = "clockwise" if plan.direction == "tighten" else "anti-clockwise"
    return (
        f"{plan.direction} ({way}), {turn_words(plan.step_turns)}; "
        f"this visit at most {turn_words(plan.visit_cap_turns)} in all"
    )


def _action_lines(forecast: dict[str, Any], *, units: Units) -> list[str]:
    from lightgap.records.quantities import length

    def pair(values: list[float], *, signed: bool = False) -> str:
        bass, treble = (length(v, units=units, signed=signed) for v in values)
        return f"bass {bass}, treble {treble}"

    move = forecast["bridge"]
    lines = [
        f"now {pair(forecast['now_mm'])} (reads as {forecast['reads_as']})",
        f"with relief in the target {pair(forecast['after_mm'])} (± {length(forecast['U_after_mm'], units=units)})"
        if forecast["relief_change_mm"]
        else "relief stays, so does string height",
        f"for {pair(forecast['wanted_mm'])} move the saddle: {pair([move['bass_mm'], move['treble_mm']], signed=True)} "
        f"(± {length(move['U_mm'], units=units)}; + raises)",
    ]
    if forecast["relief_change_mm"]:
        lines.append("settle the rod first and measure string height anew: move or cut nothing at the bridge before")
    if move["post_bass_turns"] is not None:
        lines.append(
            "in turns of the height screws: "
            f"bass {move['post_bass_turns']:+.2f}, treble {move['post_treble_turns']:+.2f}"
        )
    return lines
