"""The season line as a picture: relief over time, the room below it, and relief against moisture content."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .plots import ImageFormat, saved_figure
from .quantities import Units, in_units
from .season import SeasonLine

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_INK, _SECOND = "#0b3c6f", "#c8641b"


def season_plot(line: SeasonLine, *, units: Units = "mm", image_format: ImageFormat = "png") -> bytes:
    """Draw the season line.

    Raises
    ------
    ValueError
        When there is no measurement to draw.
    """
    if not line.points:
        raise ValueError("the season line has no points")
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.2, 4.6), dpi=160, facecolor="white")
    against = line.against == "moisture content"
    width = 0.54 if against else 0.83
    above = figure.add_axes((0.085, 0.47, width, 0.43))
    below = figure.add_axes((0.085, 0.13, width, 0.26), sharex=above)
    _draw_relief(above, line, units=units)
    _draw_room(below, line)
    if against:
        _draw_against_moisture(figure.add_axes((0.77, 0.13, 0.215, 0.77)), line, units=units)
    title = figure.text(0.012, 0.95, line.instrument, fontsize=9.5, weight="bold")
    title.set_parse_math(False)
    return saved_figure(figure, image_format)


def _draw_relief(axes: Axes, line: SeasonLine, *, units: Units) -> None:
    scale = in_units(1.0, units)
    states = sorted({point.rod_state for point in line.points})
    for state in states:
        chosen = [point for point in line.points if point.rod_state == state]
        axes.errorbar(
            np.array([point.when for point in chosen]),
            scale * np.array([point.relief_mm for point in chosen]),
            yerr=scale * np.array([2 * point.u_mm for point in chosen]),
            marker="os^Dv"[states.index(state) % 5],
            markersize=4.5,
            color=_INK,
            linestyle="-",
            linewidth=0.9,
            capsize=2.5,
        )
    expected = line.expectation
    if expected is not None and expected.when is not None:
        axes.plot(
            np.array([expected.when] * 2), scale * np.array([expected.low_mm, expected.high_mm]), color=_SECOND, lw=3
        )
    axes.set_ylabel(f"relief ({units})", fontsize=8)
    axes.tick_params(labelsize=7.5, labelbottom=False)
    axes.grid(visible=True, color="#e0e0e0", linewidth=0.5)
    axes.set_title("bars: U, k = 2; a new marker after each change at the rod", fontsize=7.5, loc="right", pad=3)


def _draw_room(axes: Axes, line: SeasonLine) -> None:
    moist = [point for point in line.points if point.relative_humidity_pct is not None]
    when = np.array([point.when for point in moist])
    humidity = np.array([point.relative_humidity_pct for point in moist], dtype=float)
    axes.plot(when, humidity, marker="s", markersize=3.5, color=_INK, linewidth=0.9)
    axes.set_ylabel("humidity (% RH)", fontsize=8)
    axes.tick_params(labelsize=7.5)
    axes.tick_params(axis="x", rotation=20)
    axes.grid(visible=True, color="#e0e0e0", linewidth=0.5)
    wood = [point for point in line.points if point.moisture_content_pct is not None]
    if wood:
        right = axes.twinx()
        right.plot(
            np.array([point.when for point in wood]),
            np.array([point.moisture_content_pct for point in wood], dtype=float),
            marker="^",
            markersize=3.5,
            color=_SECOND,
            linewidth=0.9,
            linestyle="--",
        )
        right.set_ylabel("wood moisture, dashed (%)", fontsize=7.5)
        right.tick_params(labelsize=7.5)


def _draw_against_moisture(axes: Axes, line: SeasonLine, *, units: Units) -> None:
    scale = in_units(1.0, units)
    points = [point for point in line.points if point.moisture_content_pct is not None]
    x = np.array([point.moisture_content_pct for point in points], dtype=float)
    states = sorted({point.rod_state for point in points})
    for state in states:
        chosen = np.array([point.rod_state == state for point in points])
        axes.errorbar(
            x[chosen],
            scale * np.array([p.relief_mm for p in points if p.rod_state == state]),
            yerr=scale * np.array([2 * p.u_mm for p in points if p.rod_state == state]),
            marker="os^Dv"[states.index(state) % 5],
            markersize=4.5,
            color=_INK,
            linestyle="",
            capsize=2.5,
        )
    fit = line.fit
    if fit is not None:
        grid = np.linspace(x.min(), x.max(), 40)
        values = np.array([fit.at(float(value), group=len(states) - 1) for value in grid])
        axes.plot(grid, scale * values[:, 0], color=_SECOND, linewidth=1.2)
        axes.fill_between(
            grid,
            scale * (values[:, 0] - values[:, 1]),
            scale * (values[:, 0] + values[:, 1]),
            color=_SECOND,
            alpha=0.2,
            linewidth=0,
        )
    expected = line.expectation
    if expected is not None and expected.moisture_content_pct is not None:
        ends = scale * np.array([expected.low_mm, expected.high_mm])
        axes.plot([expected.moisture_content_pct] * 2, ends, color="#303030", linewidth=2.5, alpha=0.7)
    axes.set_xlabel("wood moisture (%)", fontsize=8)
    axes.tick_params(labelsize=7.5)
    axes.grid(visible=True, color="#e0e0e0", linewidth=0.5)
    axes.set_title("line, 95 % band; grey: next visit", fontsize=7, pad=3)
