"""`lightgap measure`: one photo or several in, relief out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lightgap.neck.errors import InputError, Refusal

from .measure_options import SceneOptions, WantUOption, parse_wanted_U
from .options import spread
from .output import check_outputs, emit_json, say, show, write_bytes
from .record_photo import KeepOptions, record_photos
from .text import hung, table, wrapped

if TYPE_CHECKING:
    from lightgap.vision.several import MeasuredPhotos
    from lightgap.vision.types import Measurement


@dataclass(frozen=True, slots=True)
class OutputOptions:
    """What is shown and written."""

    units: Annotated[str, typer.Option(metavar="mm|in", help="Units of the table.")] = "mm"
    json_to: Annotated[str | None, typer.Option("--json", metavar="PATH|-", help="Write the JSON document.")] = None
    overlay: Annotated[
        Path | None,
        typer.Option(metavar="PATH.png", help="Write the marked photo; of several: PATH-1.png, PATH-2.png."),
    ] = None
    report: Annotated[Path | None, typer.Option(metavar="PATH.html|.pdf", help="Write a report.")] = None
    budget: Annotated[bool, typer.Option("--budget", help="Print the uncertainty budget, largest line first.")] = False

    def check(self, photos: Sequence[Path]) -> None:
        """Raise an `InputError` for an option without sense, a `FileProblem` for a name that cannot be written."""
        if self.units not in ("mm", "in"):
            raise InputError(f"--units {self.units}: use mm or in")
        if self.report is not None and self.report.suffix.lower() not in (".html", ".pdf"):
            raise InputError(f"--report {self.report}: the name must end in .html or .pdf")
        if self.overlay is not None and self.overlay.suffix.lower() != ".png":
            raise InputError(f"--overlay {self.overlay}: the name must end in .png")
        overlays = [overlay_path(self.overlay, n, of=len(photos)) for n in range(len(photos))] if self.overlay else []
        check_outputs(self.json_to, self.report, *overlays, inputs=photos)


@spread
def measure(
    photos: Annotated[
        list[Path],
        typer.Argument(metavar="PHOTO...", help="Photos (JPEG, PNG, TIFF, HEIC): several of one unchanged neck."),
    ],
    *,
    scene: SceneOptions,
    want_U: WantUOption = None,
    output: OutputOptions,
    keep: KeepOptions,
) -> None:
    """Measure the gap at every fret and relief, with uncertainty.

    Several photos of one unchanged neck, views of it or parts that share three frets, give one result.

    Examples:

    lightgap measure neck.jpg --scale-length 648 --reference card

    lightgap measure nut-half.jpg body-half.jpg --scale-length 25.5in --reference straightedge --straightedge-height 38
    """
    from lightgap.vision.several import measure_photos
    from lightgap.vision.wanted import check_wanted_U

    settings = scene.settings(keep)
    output.check(photos)
    wanted_U_mm = parse_wanted_U(want_U)
    json_to, units = output.json_to, output.units
    try:
        measured = measure_photos(photos, settings)
        result = check_wanted_U(measured.result, wanted_U_mm)
    except Refusal as refused:
        if json_to:
            from lightgap.vision.document import refusal_document

            emit_json(refusal_document(refused), json_to)
        raise
    if json_to:
        from lightgap.vision.document import measurement_document

        emit_json(measurement_document(result), json_to)
    if output.overlay is not None or output.report is not None:
        _write_pictures(photos, measured, output=output)
    if json_to != "-":
        show(_table(result, units))
    for finding in result.warnings:
        say(f"note: {finding.message}")
    if output.budget:
        (say if json_to == "-" else show)(_budget(result, units))
    if keep.visit is not None:
        record_photos(photos, measured, keep=keep, settings=asdict(settings), units=units, quiet=json_to == "-")


def overlay_path(path: Path, number: int, *, of: int) -> Path:
    """Return where the marked photo goes: PATH itself, or PATH-N for the N-th of several photos given."""
    return path if of == 1 else path.with_name(f"{path.stem}-{number + 1}{path.suffix}")


def _length(value_mm: float, units: str) -> str:
    value, places = (value_mm, 3) if units == "mm" else (value_mm / 25.4, 4)
    return f"{round(value, places) + 0.0:+.{places}f}"  # nothing is not negative


def _table(result: Measurement, units: str) -> str:
    rows = [
        [
            str(c.fret),
            f"{c.position_mm:.1f}" if units == "mm" else f"{c.position_mm / 25.4:.3f}",
            _length(c.gap_mm, units),
            _length(2 * c.u_gap_mm, units).lstrip("+"),
            "rests here" if c.touching else "not read: carried on" if c.extrapolated else "",
        ]
        for c in result.profile.crowns
    ]
    header = ["fret", f"place {units}", f"gap {units}", f"U (k=2) {units}", ""]
    relief = result.relief
    words = {"up-bow": "up-bow (crowns sag below the chord)", "back-bow": "back-bow (crowns stand above the chord)"}
    lines = [
        table(header, rows),
        "",
        wrapped(
            f"relief {_length(relief.relief_mm, units)} {units}, U {_length(relief.U_mm, units).lstrip('+')} {units} "
            f"(k={relief.k:g}), at fret {relief.at_fret}, chord {relief.chord[0]}-{relief.chord[1]}: "
            f"{words.get(relief.shape, relief.shape.replace('-', ' '))}"
        ),
        f"scale {result.scale.px_per_mm:.3f} px/mm from {result.scale.reference}"
        + (f", {result.scale.check.px_per_mm:.3f} px/mm from the fret spacing" if result.scale.check else ""),
    ]
    if result.others:
        lines.append(wrapped(f"{len(result.photos)} photos: {', '.join(facts.file for facts in result.photos)}"))
    return "\n".join(lines)


BUDGET_NOTE = (
    "Each line is for the fret of relief read by itself; U is smaller where its neighbours, on a neck that bends "
    "smoothly, speak for it."
)


def _budget(result: Measurement, units: str) -> str:
    lines = [f"budget of the relief (u in {units}, type, what; and what shrinks it)"]
    for line in result.budget:
        lead = f"  {_length(line.u_mm, units).lstrip('+')}  {line.kind}  "
        lines.append(hung(lead, line.name))
        lines.append(hung(" " * len(lead) + "- ", line.cure))
    return "\n".join([*lines, wrapped(BUDGET_NOTE)])


def _write_pictures(photos: Sequence[Path], measured: MeasuredPhotos, *, output: OutputOptions) -> None:
    from lightgap.vision.overlay import draw_overlay

    result, overlay, report = measured.result, output.overlay, output.report
    units: Any = output.units
    pictures = [draw_overlay(photos[number], part) for number, part in zip(measured.used, measured.parts, strict=True)]
    if overlay is not None:
        for number, picture in zip(measured.used, pictures, strict=True):
            write_bytes(overlay_path(overlay, number, of=len(photos)), picture)
    if report is None:
        return
    from lightgap.neck.advise import advise
    from lightgap.neck.documents import plan_document
    from lightgap.neck.targets import usual_target
    from lightgap.records.report import photo_report_html, photo_report_pdf

    wanted = usual_target()
    advice = advise(result.profile, wanted.range_mm, chord=result.relief.chord, findings=wanted.findings)
    plan = plan_document(advice.plan)
    if report.suffix.lower() == ".html":
        html = photo_report_html(result, overlays=pictures, plan=plan, units=units)
        write_bytes(report, html.encode("utf-8"))
    else:
        write_bytes(report, photo_report_pdf(result, overlays=pictures, plan=plan, units=units))
