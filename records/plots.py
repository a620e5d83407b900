"""The gap profile as a picture: the straightedge on top, the crowns below it, gaps drawn larger than life."""

from __future__ import annotations

import io
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from lightgap.neck.profile import GapProfile, Relief
from lightgap.vision.types import Measurement

from .quantities import Units, in_units, with_uncertainty

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ImageFormat = Literal["png", "svg"]

K = 2.0
"""Coverage factor of every error bar drawn."""

_FIGURE_IN = (7.4, 3.6)
_PNG_DPI = 170
# Told apart without colour: marker, fill and dash differ, the colours also differ in lightness.
_STYLES: tuple[dict[str, Any], ...] = (
    {"marker": "o", "color": "#0b3c6f", "fill": True, "dash": "-"},
    {"marker": "s", "color": "#c8641b", "fill": False, "dash": "--"},
    {"marker": "^", "color": "#3f7d4e", "fill": True, "dash": "-."},
    {"marker": "D", "color": "#7a5195", "fill": False, "dash": ":"},
)


@dataclass(frozen=True, slots=True)
class LabelledProfile:
    """One line of the plot.

    Attributes
    ----------
    label
        What the legend calls it ("intake", "after", a file name).
    profile, relief
        As measured.
    """

    label: str
    profile: GapProfile
    relief: Relief

    @classmethod
    def of(cls, measurement: Measurement, label: str) -> LabelledProfile:
        """Return the line of one measurement."""
        return cls(label=label, profile=measurement.profile, relief=measurement.relief)


def profile_plot(
    measurements: Sequence[LabelledProfile],
    *,
    units: Units = "mm",
    image_format: ImageFormat = "png",
) -> bytes:
    """Draw gap profiles against the place along the fingerboard.

    The straightedge is the line on top; a crown stands as far below it as its gap says. Error bars are expanded
    uncertainties (k = 2), the thin line of each profile is its chord, the arrow its relief; a crown that was not read,
    but carried on from its neighbours, is crossed. The gap scale is exaggerated, and the picture says how many times.

    Parameters
    ----------
    measurements
        At most four profiles, each drawn with a marker and dash of its own (readable in black and white).
    units
        Of both axes: "mm" or "in".
    image_format
        "png" or "svg" (text kept as outlines, so that it looks the same everywhere).

    Returns
    -------
    bytes
        The picture file.

    Raises
    ------
    ValueError
        When there is no profile, or more than can be told apart.
    """
    if not 1 <= len(measurements) <= len(_STYLES):
        raise ValueError(f"measurements must hold 1 to {len(_STYLES)} profiles; got {len(measurements)}")
    from matplotlib.figure import Figure

    figure = Figure(figsize=_FIGURE_IN, dpi=_PNG_DPI, facecolor="white")
    axes = figure.add_axes((0.095, 0.145, 0.885, 0.635))
    _set_limits(axes, measurements, units=units)
    axes.axhline(0.0, color="#202020", linewidth=2.2, zorder=1)
    for index, line in enumerate(measurements):
        _draw_line(axes, line, index=index, units=units, count=len(measurements))
    _label_axes(figure, axes, lines=measurements, units=units)
    return saved_figure(figure, image_format)


def exaggeration(figure: Figure, axes: Axes) -> float:
    """Return how many times larger than lengths along the board the gaps are drawn."""
    box = axes.get_position()
    width_in, height_in = box.width * figure.get_figwidth(), box.height * figure.get_figheight()
    x_low, x_high = axes.get_xlim()
    y_low, y_high = axes.get_ylim()
    return float((height_in / abs(y_high - y_low)) / (width_in / abs(x_high - x_low)))


def _set_limits(axes: Axes, lines: Sequence[LabelledProfile], *, units: Units) -> None:
    positions = np.concatenate([line.profile.position_mm for line in lines])
    bars = [np.sqrt(np.diag(line.profile.covariance_mm2)) * K for line in lines]
    low = min(float(np.min(line.profile.gap_mm - bar)) for line, bar in zip(lines, bars, strict=True))
    high = max(float(np.max(line.profile.gap_mm + bar)) for line, bar in zip(lines, bars, strict=True))
    span = max(float(np.ptp(positions)), 1.0)
    # A straight neck is drawn straight: never magnify a range under 0.15 mm to the full height.
    deep = max(high, 0.15)
    margin = 0.12 * (deep - min(low, 0.0))
    axes.set_xlim(
        in_units(float(positions.min()) - 0.035 * span, units), in_units(float(positions.max()) + 0.035 * span, units)
    )
    axes.set_ylim(in_units(deep + margin, units), in_units(min(low, 0.0) - margin, units))


def _draw_line(axes: Axes, line: LabelledProfile, *, index: int, units: Units, count: int) -> None:
    style = _STYLES[index]
    profile, relief = line.profile, line.relief
    # Profiles side by side at one fret would hide each other's bars.
    shift_mm = (index - (count - 1) / 2) * 0.005 * float(np.ptp(profile.position_mm))
    x = in_units(1.0, units) * (profile.position_mm + shift_mm)
    y = in_units(1.0, units) * profile.gap_mm
    bars = in_units(K, units) * np.sqrt(np.diag(profile.covariance_mm2))
    axes.errorbar(
        x,
        y,
        yerr=bars,
        marker=style["marker"],
        markersize=5,
        markerfacecolor=style["color"] if style["fill"] else "white",
        markeredgecolor=style["color"],
        ecolor=style["color"],
        color=style["color"],
        linestyle=style["dash"],
        linewidth=1.1,
        elinewidth=1.0,
        capsize=2.5,
        # matplotlib hides a label that begins with an underscore: a file name may
        label=f" {line.label}: relief {with_uncertainty(relief.relief_mm, relief.U_mm, units=units)}",
        zorder=3,
    )
    carried = np.array([c.extrapolated for c in profile.crowns])
    if carried.any():
        axes.plot(
            x[carried],
            y[carried],
            marker="x",
            markersize=9,
            color=style["color"],
            linestyle="",
            zorder=4,
        )
    _draw_chord(axes, x, y=y, line=line, color=style["color"])


def _draw_chord(axes: Axes, x: np.ndarray, *, y: np.ndarray, line: LabelledProfile, color: str) -> None:
    """Draw the chord and the arrow of relief from the chord to the crown."""
    frets = line.profile.frets
    ends = line.relief.chord
    if not set((*ends, line.relief.at_fret)) <= set(frets):
        return
    first, last, at = (frets.index(f) for f in (*ends, line.relief.at_fret))
    axes.plot([x[first], x[last]], [y[first], y[last]], color=color, linewidth=0.8, alpha=0.9, zorder=2)
    chord_y = y[first] + (y[last] - y[first]) * (x[at] - x[first]) / (x[last] - x[first])
    axes.annotate(
        "",
        xy=(x[at], y[at]),
        xytext=(x[at], chord_y),
        arrowprops={"arrowstyle": "<->", "color": color, "linewidth": 1.2, "shrinkA": 0, "shrinkB": 0},
        zorder=4,
    )


def _label_axes(figure: Figure, axes: Axes, *, lines: Sequence[LabelledProfile], units: Units) -> None:
    places: dict[int, float] = {}
    for line in lines:
        for crown in line.profile.crowns:
            places.setdefault(crown.fret, in_units(crown.position_mm, units))
    frets = sorted(places)
    x_low, x_high = axes.get_xlim()
    shown: list[int] = []
    for fret in frets:  # labels nearer than 2.6 % of the axis would run into each other
        if not shown or places[fret] - places[shown[-1]] > 0.026 * (x_high - x_low):
            shown.append(fret)
    axes.set_xticks([places[f] for f in shown], [str(f) for f in shown], fontsize=8)
    axes.set_xticks([places[f] for f in frets if f not in shown], minor=True)
    relative = any(line.profile.numbers_relative for line in lines)
    axes.set_xlabel("fret, counted from the first one seen" if relative else "fret", fontsize=8.5, labelpad=1)
    axes.set_ylabel(f"gap below the straightedge ({units})", fontsize=8.5)
    axes.tick_params(axis="y", labelsize=8)
    above = axes.secondary_xaxis("top")
    above.tick_params(labelsize=7, length=2.5)
    above.set_xlabel(f"along the fingerboard ({units} from the nut)" if not relative else f"({units})", fontsize=7.5)
    axes.grid(visible=True, axis="x", color="#d8d8d8", linewidth=0.5, zorder=0)
    for side in ("left", "right", "bottom"):
        axes.spines[side].set_color("#808080")
    legend = figure.legend(
        loc="upper right", bbox_to_anchor=(0.99, 1.0), fontsize=8, frameon=False, ncols=1 if len(lines) < 3 else 2
    )
    for text in legend.get_texts():  # a dollar sign in a file name is no formula
        text.set_parse_math(False)
    figure.text(
        0.98,
        0.015,
        f"thick line: straightedge; arrow: relief, from the chord; bars: U, k = 2; "
        f"gaps drawn {exaggeration(figure, axes):.0f} times larger than lengths along the board",
        fontsize=7.2,
        ha="right",
        color="#303030",
    )
    figure.text(0.012, 0.94, "Gap profile", fontsize=9.5, weight="bold")
    if any(crown.extrapolated for line in lines for crown in line.profile.crowns):
        figure.text(0.012, 0.9, "crossed: not read, carried on from its neighbours", fontsize=7.2, color="#303030")


def saved_figure(figure: Figure, image_format: ImageFormat) -> bytes:
    """Return a figure as a picture's bytes; no date goes in, so that the same profile makes the same file."""
    import matplotlib

    stream = io.BytesIO()
    metadata: dict[str, Any] = {"Date": None} if image_format == "svg" else {"Software": "lightgap"}
    with matplotlib.rc_context({"svg.hashsalt": "lightgap", "svg.fonttype": "path"}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from", category=UserWarning)  # drawn as a box
        figure.savefig(stream, format=image_format, metadata=metadata)
    return stream.getvalue()
