"""Pictures of the calculator: clearance map, string pull, hand against photo."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from lightgap.neck.agreement import Crosscheck
from lightgap.neck.clearance import Clearance, Setup
from lightgap.neck.strings import Tension

from .quantities import Units, in_units

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_DPI = 150
_INK, _BLUE, _ORANGE = "#202020", "#0b3c6f", "#c8641b"


def clearance_plot(result: Clearance, *, setup: Setup, units: Units = "mm") -> bytes:
    """Return a PNG map of least clearance: frets across, strings down; text and hatching carry it without colour.

    Parameters
    ----------
    result, setup
        As computed.
    units
        Of the numbers in the cells.
    """
    from matplotlib.figure import Figure

    least = np.asarray(result.least_mm)
    rows, columns = least.shape
    height_in = 0.46 * rows + 1.45
    figure = Figure(figsize=(max(7.4, 0.52 * columns + 1.8), height_in), dpi=_DPI, facecolor="white")
    axes = figure.add_axes((0.075, 0.85 / height_in, 0.82, 0.46 * rows / height_in))
    top = max(0.3, float(np.quantile(least, 0.95)))
    image = axes.imshow(
        least, cmap="RdYlBu", vmin=setup.margin_mm - top, vmax=setup.margin_mm + top, aspect="auto", zorder=0
    )
    _cells(axes, result, units=units, strong=0.72 * top)
    axes.set_xticks(range(columns), ["open", *[str(f) for f in result.played[1:]]], fontsize=8)
    axes.set_yticks(range(rows), [t.string.note for t in result.strings], fontsize=9)
    axes.set_xlabel("fret played", fontsize=9)
    axes.tick_params(length=0)
    bar_axes = figure.add_axes((0.91, axes.get_position().y0, 0.014, axes.get_position().height))
    bar = figure.colorbar(image, cax=bar_axes)
    bar.ax.tick_params(labelsize=7)
    bar.set_label("clearance, mm", fontsize=8)
    figure.text(
        0.075,
        1 - 0.18 / height_in,
        f"Least clearance to any crown beyond, {units}   (framed and bold: touches; ?: cannot tell)",
        fontsize=10,
        color=_INK,
        va="top",
    )
    figure.text(
        0.075,
        0.12 / height_in,
        f"Model: ideal string, no damping. Pluck {setup.force_N:g} N at {setup.pluck_from_saddle_mm:g} mm from the "
        f"saddle, {setup.release}; strings {setup.action.bass_mm:g} / {setup.action.treble_mm:g} mm over fret 12.",
        fontsize=7.5,
        color="#505050",
    )
    return _png(figure)


def tension_plot(strings: Sequence[Tension], other: Sequence[Tension] | None = None) -> bytes:
    """Return a PNG of the pull of each string, with the set to change to beside it."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.4, 3.4), dpi=_DPI, facecolor="white")
    axes = figure.add_axes((0.09, 0.16, 0.88, 0.70))
    sets = [strings] if other is None else [strings, other]
    width = 0.8 / len(sets)
    for index, tensions in enumerate(sets):
        place = np.arange(len(tensions)) + (index - (len(sets) - 1) / 2) * width
        pulls = [t.tension_N for t in tensions]
        bars = axes.bar(
            place,
            pulls,
            width * 0.92,
            yerr=[2 * t.u_tension_N for t in tensions],
            capsize=3,
            color=(_BLUE, "white")[index],
            edgecolor=(_BLUE, _ORANGE)[index],
            hatch=("", "///")[index],
            ecolor="#707070",
            label=f"{('now', 'changed to')[index]}: {sum(pulls):.0f} N",
        )
        axes.bar_label(bars, [f"{p:.0f}" for p in pulls], fontsize=8, padding=2)
    notes = [t.string.note for t in strings]
    if other is not None:
        pairs = zip(strings, other, strict=False)
        notes = [
            a.string.note if a.string.note == b.string.note else f"{a.string.note} → {b.string.note}" for a, b in pairs
        ]
    axes.set_xticks(range(len(notes)), notes, fontsize=9)
    axes.set_ylabel("pull, N (± 2 u)", fontsize=9)
    axes.set_ylim(0, axes.get_ylim()[1] * 1.12)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(labelsize=8)
    axes.legend(frameon=False, fontsize=8, loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2)
    return _png(figure)


def crosscheck_plot(result: Crosscheck, *, units: Units = "mm") -> bytes:
    """Return a PNG of hand minus photo by fret, with expanded uncertainties and the limits of agreement."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.4, 3.4), dpi=_DPI, facecolor="white")
    axes = figure.add_axes((0.115, 0.15, 0.86, 0.70))
    frets = [p.fret for p in result.pairs]
    difference = [in_units(p.hand_mm - p.photo_mm, units) for p in result.pairs]
    bars = [in_units(float(np.hypot(p.U_hand_mm, p.U_photo_mm)), units) for p in result.pairs]
    axes.axhline(0, color=_INK, linewidth=1)
    for index, pair in enumerate(result.pairs):
        marker, color = ("o", _BLUE) if pair.agrees else ("X", _ORANGE)
        axes.errorbar(frets[index], difference[index], yerr=bars[index], capsize=3, fmt=marker, color=color)
    if result.bland_altman is not None:
        spread = result.bland_altman
        for value, dash in ((spread.mean, "-."), (spread.limits[0], ":"), (spread.limits[1], ":")):
            axes.axhline(in_units(value, units), color="#707070", linestyle=dash, linewidth=1)
        label = "mean (dash-dot) and limits of agreement (dotted)"
        axes.text(0.995, 1.02, label, transform=axes.transAxes, ha="right", fontsize=7.5, color="#505050")
    axes.set_xticks(frets)
    axes.margins(x=0.08, y=0.15)
    axes.set_xlabel("fret", fontsize=9)
    axes.set_ylabel(f"hand minus photo, {units}", fontsize=9)
    axes.tick_params(labelsize=8)
    axes.spines[["top", "right"]].set_visible(False)
    figure.text(
        0.02, 0.95, "Hand minus photo, bars U (k = 2); a cross: |E_n| above 1", fontsize=9.5, color=_INK, va="top"
    )
    return _png(figure)


def _cells(axes: object, result: Clearance, *, units: Units, strong: float) -> None:
    from matplotlib.axes import Axes
    from matplotlib.patches import Rectangle

    assert isinstance(axes, Axes)
    digits = 2 if units == "mm" else 3
    for s, row in enumerate(result.verdicts):
        for p, verdict in enumerate(row):
            value = float(result.least_mm[s, p])
            number = f"{round(in_units(value, units), digits) + 0.0:.{digits}f}".replace("0.", ".", 1)
            touches = verdict == "buzzes"
            axes.text(
                p,
                s,
                number + ("?" if verdict == "cannot-tell" else ""),
                ha="center",
                va="center",
                fontsize=7.5,
                fontweight="bold" if touches else "normal",
                color="white" if abs(value) > strong else _INK,
            )
            if touches:
                frame = Rectangle((p - 0.46, s - 0.44), 0.92, 0.88, fill=False, edgecolor="#3a0505", linewidth=1.1)
                axes.add_patch(frame)


def _png(figure: Figure) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()
