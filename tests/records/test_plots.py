"""The gap profile plot: a readable picture for every profile, honest about its exaggeration."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from lightgap.records.plots import LabelledProfile, _draw_line, _set_limits, exaggeration, profile_plot

from .makers import make_measurement


def line(relief_mm: float, label: str, **kwargs: int) -> LabelledProfile:
    return LabelledProfile.of(make_measurement(relief_mm, **kwargs), label)


@pytest.mark.parametrize("units", ["mm", "in"])
@pytest.mark.parametrize("relief_mm", [0.31, 0.0, -0.08])
def test_png_is_a_picture_as_wide_as_a_page(units: str, relief_mm: float) -> None:
    with Image.open(io.BytesIO(profile_plot([line(relief_mm, "intake")], units=units))) as image:  # type: ignore[arg-type]
        assert image.format == "PNG"
        assert image.width > 1200


def test_svg_is_well_formed_and_carries_no_link_outside() -> None:
    root = ElementTree.fromstring(profile_plot([line(0.3, "a"), line(0.1, "b")], image_format="svg"))
    text = ElementTree.tostring(root, encoding="unicode")
    assert not re.findall(r'href="(?!#)', text)
    assert "<script" not in text


def test_same_profile_makes_the_same_file() -> None:
    lines = [line(0.3, "intake"), line(0.1, "after")]
    assert profile_plot(lines, image_format="svg") == profile_plot(lines, image_format="svg")
    assert profile_plot(lines) == profile_plot(lines)


@pytest.mark.parametrize("label", ["_hidden.jpg", "a$\\frac$b", "名前", "שלום", ""])
def test_any_file_name_can_be_a_label(label: str) -> None:
    plain = profile_plot([line(0.2, "x")], image_format="svg")
    named = profile_plot([line(0.2, label)], image_format="svg")
    assert named != plain
    assert len(named) > 0.8 * len(plain)


def test_a_crown_carried_on_is_crossed() -> None:
    """Two crosses with two ends carried on, none without: counted among the markers of matplotlib's own axes."""
    from matplotlib.figure import Figure

    read = line(0.3, "x")
    last = len(read.profile.crowns) - 1
    crowns = tuple(replace(c, extrapolated=i in (0, last)) for i, c in enumerate(read.profile.crowns))
    carried = replace(read, profile=replace(read.profile, crowns=crowns))
    crosses = []
    for drawn in (read, carried):
        axes = Figure().add_subplot()
        _draw_line(axes, drawn, index=0, units="mm", count=1)
        crosses.append(sum(len(mark.get_xdata()) for mark in axes.lines if mark.get_marker() == "x"))
    assert crosses == [0, 2]


def test_stated_exaggeration_is_the_drawn_one() -> None:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 4))
    axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
    _set_limits(axes, [line(0.3, "x")], units="mm")
    # pixels per millimetre of both axes, through matplotlib's own transform of data to the page
    along, down = np.abs(axes.transData.transform((1.0, 1.0)) - axes.transData.transform((0.0, 0.0)))
    assert exaggeration(figure, axes) == pytest.approx(down / along, rel=1e-9)


def test_too_many_lines_are_refused() -> None:
    with pytest.raises(ValueError, match="1 to 4 profiles; got 5"):
        profile_plot([line(0.1, str(i)) for i in range(5)])
    with pytest.raises(ValueError, match="got 0"):
        profile_plot([])
