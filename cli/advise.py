"""`lightgap advise`: from a profile, by photo or by hand, to the next safe step at the truss rod."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from .neck_input import ChordOption, JsonOption, MethodOption, ReadingOption, ScaleOption, Units, UnitsOption

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
  lightgap advise --reading 7=0.015in --method feeler --rod unknown
"""


def advise(
    profile: Annotated[
        list[str] | None,
        typer.Argument(metavar="PROFILE", help="Profile (.json) or sheet of hand readings (.toml, .csv)."),
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
    repeated: Annotated[
        bool, typer.Option("--repeated", help="Relief was read again, as finely as can be, and reads the same.")
    ] = False,
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
    temperature: Annotated[
        float | None, typer.Option(metavar="C", help="Air temperature, degrees Celsius (with --humidity).")
    ] = None,
    humidity: Annotated[
        float | None, typer.Option(metavar="PERCENT", help="Relative humidity, percent (with --temperature).")
    ] = None,
    units: UnitsOption = "mm",
    plot: Annotated[
        Path | None, typer.Option(metavar="PATH.png", help="Draw the profile with its chord and relief.")
    ] = None,
    json: JsonOption = None,
) -> None:
    """Say what to turn at the truss rod, how far, and when to stop."""
    from lightgap.neck.advise import advise as make_advice
    from lightgap.neck.bench import Bench
    from lightgap.neck.reading_file import read_turn_log
    from lightgap.neck.readings import parse_chord
    from lightgap.neck.result_documents import advice_document

    from .neck_input import gather_profile, parse_scale, split_words
    from .output import emit_json, say, show, write_bytes

    bench = Bench(
        rod=rod,
        nut_feel=nut_feel or "unknown",
        strings=strings,
        access=access,
        step_cap_turns=step_cap,
        visit_cap_turns=visit_cap,
        turned_turns=turned,
        repeated=repeated,
    )
    ends = parse_chord(chord) if chord else None
    length_mm = parse_scale(scale_length)
    file, taken = split_words(profile, reading)
    measured, findings, ends = gather_profile(file, taken, method=method, chord=ends, scale_length_mm=length_mm)
    wanted = _target(target, family=family, play=play, attack=attack)
    advice = make_advice(
        measured,
        wanted.range_mm,
        bench=bench,
        chord=ends,
        log=read_turn_log(log) if log else (),
        findings=(*findings, *_climate(temperature, humidity)),
    )
    forecast = _forecast(
        advice,
        action=action,
        want_action=want_action,
        joint=joint,
        post_pitch=post_pitch,
        scale_length_mm=length_mm or measured.scale_length_mm,
    )
    if plot is not None:
        from lightgap.records.plots import LabelledProfile, profile_plot

        line = LabelledProfile("profile", measured, advice.plan.relief)
        write_bytes(plot, profile_plot([line], units=units))
        say(f"Drawn: {plot}")
    if json != "-":
        show(_page(advice, wanted, bench=bench, forecast=forecast, units=units))
    if json is not None:
        inputs = _inputs(bench, wanted, source=measured.source, method=method, readings=taken)
        emit_json(advice_document(advice, inputs=inputs, action=forecast), json)


def _climate(temperature_C: float | None, humidity_percent: float | None) -> tuple[Finding, ...]:
    from lightgap.neck.climate import climate_finding
    from lightgap.neck.errors import InputError

    if temperature_C is None and humidity_percent is None:
        return ()
    if temperature_C is None or humidity_percent is None:
        raise InputError("the climate needs both, --temperature and --humidity")
    return (climate_finding(temperature_C, humidity_percent),)


def _target(text: str | None, *, family: str, play: str, attack: str) -> Target:
    from lightgap.neck.targets import parse_target, usual_target

    if text is not None:
        return parse_target(text)
    return usual_target(family, action=play, attack=attack)  # type: ignore[arg-type]


def _forecast(
    advice: Advice,
    *,
    action: str | None,
    want_action: str | None,
    joint: int,
    post_pitch: str | None,
    scale_length_mm: float | None,
) -> dict[str, Any] | None:
    from lightgap.neck.action import BridgeGeometry, parse_action
    from lightgap.neck.errors import InputError
    from lightgap.neck.readings import DEFAULT_SCALE_MM
    from lightgap.neck.setup_forecast import forecast_action
    from lightgap.neck.units import parse_length

    if action is None:
        if want_action is not None or post_pitch is not None:
            raise InputError("the bridge's move needs the string heights now: give --action BASS,TREBLE")
        return None
    pitch = parse_length(post_pitch, what="thread pitch") if post_pitch else None
    geometry = BridgeGeometry(scale_length_mm or DEFAULT_SCALE_MM, thread_pitch_mm=pitch)
    wanted = parse_action(want_action, what="wanted action") if want_action else None
    return forecast_action(advice, now=parse_action(action), wanted=wanted, geometry=geometry, joint_fret=joint)


def _inputs(bench: Bench, wanted: Target, *, source: str, method: str, readings: list[str] | None) -> dict[str, Any]:
    return {
        "source": source,
        "method": method if source == "hand" else None,
        "readings": readings or [],
        "target": wanted.reason,
        "rod": bench.rod,
        "nut_feel": bench.nut_feel,
        "strings": bench.strings,
        "access": bench.access,
        "step_cap_turns": bench.step_cap_turns,
        "turned_turns": bench.turned_turns,
        "repeated": bench.repeated,
    }


_VERDICTS = {
    "above": "above the target, beyond doubt",
    "below": "below the target, beyond doubt",
    "inside": "inside the target",
    "cannot-tell": "cannot tell: the uncertainty reaches across a limit",
}


def _page(advice: Advice, wanted: Target, *, bench: Bench, forecast: dict[str, Any] | None, units: Units) -> str:
    from lightgap.records.quantities import length_range, with_uncertainty

    from .text import bulleted, numbered, wrapped

    plan, relief = advice.plan, advice.plan.relief
    head = [
        f"Relief   {with_uncertainty(relief.relief_mm, relief.U_mm, units=units)} (k = {relief.k:g}), "
        f"{relief.shape}, read at fret {relief.at_fret}, chord {relief.chord[0]}-{relief.chord[1]}",
        f"Target   {length_range(*plan.target_mm, units=units)} ({wanted.reason})",
        f"Verdict  {_VERDICTS[plan.judgement]}",
        f"Turn     {_turn_line(advice)}",
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
        f"with relief in the middle of the target {pair(forecast['after_mm'])}"
        if forecast["relief_change_mm"]
        else "relief stays, so does string height",
        f"for {pair(forecast['wanted_mm'])} move the saddle: {pair([move['bass_mm'], move['treble_mm']], signed=True)} "
        f"(± {length(move['U_mm'], units=units)}; + raises)",
    ]
    if move["post_bass_turns"] is not None:
        lines.append(
            "in turns of the height screws: "
            f"bass {move['post_bass_turns']:+.2f}, treble {move['post_treble_turns']:+.2f}"
        )
    return lines
