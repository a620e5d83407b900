"""`lightgap measure`: one photo or several in, relief out."""

from __future__ import annotations

import re
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lightgap.neck.errors import InputError, Refusal

from .bench_input import BookOption
from .neck_input import parse_scale
from .output import emit_json, say, show, write_bytes
from .record_photo import StageOption, VisitOption, known_sizes, record_photo

if TYPE_CHECKING:
    from lightgap.vision.measure import MeasureSettings
    from lightgap.vision.types import Measurement

SCALE_LENGTH_RANGE_MM = (200.0, 1200.0)


def measure(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photo files (JPEG, PNG, TIFF, HEIC).")],
    scale_length: Annotated[
        str | None, typer.Option(metavar="MM", help="Open string length, mm or with unit (25.5in).")
    ] = None,
    reference: Annotated[
        str, typer.Option(metavar="KIND[:MM]", help="Known size: card, coin:MM, marker:MM, straightedge, frets, auto.")
    ] = "auto",
    straightedge_height: Annotated[float | None, typer.Option(metavar="MM", help="Straightedge height, mm.")] = None,
    straightedge_thickness: Annotated[
        float | None, typer.Option(metavar="MM", help="Straightedge thickness, mm.")
    ] = None,
    board_radius: Annotated[float | None, typer.Option(metavar="MM", help="Fingerboard radius, mm.")] = None,
    nut: Annotated[str | None, typer.Option(metavar="left|right", help="Side of the nut in the picture.")] = None,
    first_fret: Annotated[int | None, typer.Option(metavar="N", help="Number of the first fret in view.")] = None,
    rests_on: Annotated[str, typer.Option(metavar="crowns|board", help="What the straightedge rests on.")] = "crowns",
    chord: Annotated[str | None, typer.Option(metavar="A-B", help="End frets of the chord, as in 1-15.")] = None,
    units: Annotated[str, typer.Option(metavar="mm|in", help="Units of the table.")] = "mm",
    json_to: Annotated[str | None, typer.Option("--json", metavar="PATH|-", help="Write the JSON document.")] = None,
    overlay: Annotated[Path | None, typer.Option(metavar="PATH.png", help="Write the marked photo.")] = None,
    report: Annotated[Path | None, typer.Option(metavar="PATH.html|.pdf", help="Write a report.")] = None,
    budget: Annotated[bool, typer.Option("--budget", help="Print the uncertainty budget, largest line first.")] = False,
    visit: VisitOption = None,
    stage: StageOption = None,
    book: BookOption = None,
) -> None:
    """Measure the gap at every fret and the relief of the neck, with uncertainty.

    Examples:

    lightgap measure neck.jpg --scale-length 648 --reference card

    lightgap measure neck.jpg --scale-length 25.5in --reference straightedge --straightedge-height 38 --chord 1-15
    """
    from lightgap.vision.document import measurement_document, refusal_document
    from lightgap.vision.measure import measure_photo

    scale_length_mm = parse_scale(scale_length)
    if visit is not None:
        scale_length_mm, board_radius = known_sizes(
            visit, book, scale_length_mm=scale_length_mm, board_radius_mm=board_radius
        )
    settings = _settings(
        scale_length=scale_length_mm,
        reference=reference,
        height=straightedge_height,
        thickness=straightedge_thickness,
        radius=board_radius,
        nut=nut,
        first_fret=first_fret,
        rests_on=rests_on,
        chord=chord,
    )
    if units not in ("mm", "in"):
        raise InputError(f"--units {units}: use mm or in")
    if report is not None and report.suffix.lower() not in (".html", ".pdf"):
        raise InputError(f"--report {report}: the name must end in .html or .pdf")
    if len(photos) > 1:
        raise InputError("measure takes one photo at a time; use `lightgap batch FOLDER` for many")
    try:
        result = measure_photo(photos[0], settings)
    except Refusal as refused:
        if json_to:
            emit_json(refusal_document(refused), json_to)
        raise
    if json_to:
        emit_json(measurement_document(result), json_to)
    if overlay is not None or report is not None:
        _write_pictures(photos[0], result, overlay=overlay, report=report, units=units)
    if json_to != "-":
        show(_table(result, units))
    for finding in result.warnings:
        say(f"note: {finding.message}")
    if budget:
        (say if json_to == "-" else show)(_budget(result, units))
    if visit is not None:
        quiet = json_to == "-"
        kept = asdict(settings)
        record_photo(photos[0], result, visit=visit, settings=kept, stage=stage, book=book, units=units, quiet=quiet)


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


def _in_range(name: str, value: float | None, low: float, high: float, unit: str = "mm") -> None:
    if value is not None and not low <= value <= high:
        raise InputError(f"{name} {value:g}: expected {low:g} to {high:g} {unit}")


def _settings(
    *,
    scale_length: float | None,
    reference: str,
    height: float | None,
    thickness: float | None,
    radius: float | None,
    nut: str | None,
    first_fret: int | None,
    rests_on: str,
    chord: str | None,
) -> MeasureSettings:
    from lightgap.vision.measure import MeasureSettings
    from lightgap.vision.reference import parse_reference

    _in_range("--scale-length", scale_length, *SCALE_LENGTH_RANGE_MM)
    _in_range("--straightedge-height", height, 5, 150)
    _in_range("--straightedge-thickness", thickness, 0.3, 30)
    _in_range("--board-radius", radius, 80, 5000)
    _in_range("--first-fret", first_fret, 1, 24, "")
    if nut not in (None, "left", "right"):
        raise InputError(f"--nut {nut}: use left or right")
    if rests_on not in ("crowns", "board"):
        raise InputError(f"--rests-on {rests_on}: use crowns or board")
    request = parse_reference(reference)
    if request.kind == "straightedge" and height is None:
        raise InputError("--reference straightedge needs --straightedge-height MM")
    if request.kind == "frets" and scale_length is None:
        raise InputError("--reference frets needs --scale-length MM")
    return MeasureSettings(
        scale_length, reference, height, thickness, radius, nut, first_fret, rests_on, parse_chord(chord)
    )


def _length(value_mm: float, units: str) -> str:
    return f"{value_mm:+.3f}" if units == "mm" else f"{value_mm / 25.4:+.4f}"


def _table(result: Measurement, units: str) -> str:
    from .text import table

    rows = [
        [
            str(c.fret),
            f"{c.position_mm:.1f}" if units == "mm" else f"{c.position_mm / 25.4:.3f}",
            _length(c.gap_mm, units),
            _length(2 * c.u_gap_mm, units).lstrip("+"),
            "rests here" if c.touching else "",
        ]
        for c in result.profile.crowns
    ]
    header = ["fret", f"place {units}", f"gap {units}", f"U (k=2) {units}", ""]
    relief = result.relief
    words = {"up-bow": "up-bow (crowns sag below the chord)", "back-bow": "back-bow (crowns stand above the chord)"}
    lines = [
        table(header, rows),
        "",
        f"relief {_length(relief.relief_mm, units)} {units}, U {_length(relief.U_mm, units).lstrip('+')} {units} "
        f"(k={relief.k:g}), at fret {relief.at_fret}, chord {relief.chord[0]}-{relief.chord[1]}: "
        f"{words.get(relief.shape, relief.shape.replace('-', ' '))}",
        f"scale {result.scale.px_per_mm:.3f} px/mm from {result.scale.reference}"
        + (f", {result.scale.check.px_per_mm:.3f} px/mm from the fret spacing" if result.scale.check else ""),
    ]
    return "\n".join(lines)


def _budget(result: Measurement, units: str) -> str:
    from .text import table

    rows = [[b.name, _length(b.u_mm, units).lstrip("+"), b.kind, b.cure] for b in result.budget]
    return table(["budget of the relief", f"u {units}", "type", "to shrink it"], rows)


def _write_pictures(photo: Path, result: Measurement, *, overlay: Path | None, report: Path | None, units: Any) -> None:
    from lightgap.vision.overlay import draw_overlay

    picture = draw_overlay(photo, result)
    if overlay is not None:
        write_bytes(overlay, picture)
    if report is None:
        return
    from lightgap.neck.documents import plan_document
    from lightgap.neck.plan import plan_rod
    from lightgap.neck.targets import usual_target
    from lightgap.records.report import photo_report_html, photo_report_pdf

    plan = plan_document(plan_rod(result.relief, usual_target().range_mm))
    if report.suffix.lower() == ".html":
        html = photo_report_html(result, overlay_png=picture, plan=plan, units=units)
        write_bytes(report, html.encode("utf-8"))
    else:
        write_bytes(report, photo_report_pdf(result, overlay_png=picture, plan=plan, units=units))
