"""`lightgap season`: how an instrument's relief moves over the year."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from .bench_input import BookOption, NameArgument
from .neck_input import JsonOption, UnitsOption
from .options import spread
from .output import check_outputs, emit_json, say, show, write_bytes
from .text import table, wrapped

if TYPE_CHECKING:
    from lightgap.records.season import SeasonLine

HELP = """Show an instrument's relief over its visits.

Against humidity and the wood's moisture content.

With enough visits a straight line is fitted, and the next visit's relief expected as an interval; with too few there
is no line, and the reason is said. --temperature and --humidity say for which room the expectation is meant.

\b
Examples:
  lightgap season "Blue archtop"
  lightgap season "Blue archtop" --temperature 21C --humidity 30% --plot season.png
"""


@dataclass(frozen=True, slots=True)
class RoomOptions:
    """The room the next visit is expected in."""

    temperature: Annotated[str | None, typer.Option(metavar="TEMP", help="Room to expect for: 21C or 70F.")] = None
    humidity: Annotated[str | None, typer.Option(metavar="PERCENT", help="Room to expect for: 30%.")] = None

    def moisture_pct(self) -> float | None:
        """Return the wood's moisture content in that room; None when it is not told."""
        from lightgap.neck.climate import equilibrium_moisture_percent
        from lightgap.neck.errors import InputError
        from lightgap.records.inputs import parse_humidity, parse_temperature

        if self.temperature is None and self.humidity is None:
            return None
        if self.temperature is None or self.humidity is None:
            raise InputError("an expectation needs both --temperature and --humidity, or neither")
        return equilibrium_moisture_percent(parse_temperature(self.temperature), parse_humidity(self.humidity))


@spread
def season(
    name: NameArgument,
    *,
    room: RoomOptions,
    plot: Annotated[Path | None, typer.Option(metavar="PATH.png|.svg", help="Draw the season line.")] = None,
    units: UnitsOption = "mm",
    json: JsonOption = None,
    book: BookOption = None,
) -> None:
    """Show an instrument's relief over its visits."""
    from lightgap.records.book import open_book
    from lightgap.records.instruments import find_instrument
    from lightgap.records.season import season_line

    moisture = room.moisture_pct()
    check_outputs(json, plot)
    with open_book(book) as opened:
        line = season_line(opened, find_instrument(opened, name), moisture_pct=moisture)
    if plot is not None:
        _draw(line, plot, units=units)
    if json is not None:
        emit_json(line.document(), json)
        return
    show(_table(line, units=units))
    for sentence in _sentences(line, units=units):
        show(wrapped(sentence))


def _draw(line: SeasonLine, path: Path, *, units: Any) -> None:
    from lightgap.neck.errors import InputError
    from lightgap.records.season_plot import season_plot

    image_format: Any = path.suffix.lower().lstrip(".")
    if image_format not in ("png", "svg"):
        raise InputError(f"the plot {path} must end in .png or .svg")
    if not line.points:
        raise InputError(f"{line.instrument!r} has no measurement to draw yet")
    write_bytes(path, season_plot(line, units=units, image_format=image_format))
    say(f"plot: {path}")


def _table(line: SeasonLine, *, units: Any) -> str:
    from lightgap.records.quantities import with_uncertainty

    if not line.points:
        return "no measurement yet"
    header = ["Day", "Visit", "Stage", "Relief (U, k = 2)", "Humidity", "Room", "Wood moisture", "Rod state"]
    rows = [
        [
            point.when.date().isoformat(),
            str(point.visit_id),
            point.stage,
            with_uncertainty(point.relief_mm, 2 * point.u_mm, units=units),
            "" if point.relative_humidity_pct is None else f"{point.relative_humidity_pct:.0f} %",
            "" if point.temperature_degc is None else f"{point.temperature_degc:.1f} °C",
            "" if point.moisture_content_pct is None else f"{point.moisture_content_pct:.1f} %",
            str(point.rod_state),
        ]
        for point in line.points
    ]
    return table(header, rows, left=3)


def _sentences(line: SeasonLine, *, units: Any) -> list[str]:
    from lightgap.records.quantities import length, with_uncertainty

    fit, expected = line.fit, line.expectation
    if fit is None:
        return [f"no line: {line.silence}"] if line.silence else []
    per = "% of wood moisture" if line.against == "moisture content" else "year"
    slope = with_uncertainty(float(fit.coefficients[0]), fit.U_slope, units=units)
    sentences = [f"relief changes by {slope} per {per} (95 %, {fit.freedom} degrees of freedom)"]
    if expected is None:
        return [*sentences, f"nothing is expected yet: {line.silence}"]
    at = (
        f"at {expected.moisture_content_pct:.1f} % wood moisture"
        if expected.moisture_content_pct is not None
        else f"on {expected.when.date().isoformat()}"
        if expected.when is not None
        else ""
    )
    low, high = (length(value, units=units, decimals=3, signed=True) for value in (expected.low_mm, expected.high_mm))
    sentences.append(f"expected at the next visit, {at}, if nothing is done: {low} to {high} (95 %)")
    return sentences
