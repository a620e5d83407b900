"""Where the face above the edge ends: drawn pictures whose end is known, to the column."""

from __future__ import annotations

import math

import numpy as np
import pytest

from lightgap.vision.blade_ends import BESIDE_MM, COLUMN_MM, find_face_ends
from lightgap.vision.border import within_border
from lightgap.vision.comb import Comb
from lightgap.vision.edge import Line
from lightgap.vision.locate import EdgeCurve, follow_edge
from lightgap.vision.photo import FloatImage

PX_PER_MM, EDGE_Y, WIDTH = 8.0, 200, 3000
FACE, BACKGROUND = 0.2, 0.8
COLUMNS = np.arange(100.0, 2900.0)
LEVEL = np.full(len(COLUMNS), float(EDGE_Y))
# Levels are compared across a strip left out at either side: within it every place does as well.
TOLERANCE_PX = (BESIDE_MM + COLUMN_MM) * PX_PER_MM


def picture(rng: np.random.Generator) -> FloatImage:
    """Return a face across the whole width with light below its edge."""
    light = np.full((300, WIDTH), FACE, dtype=np.float32)
    light[EDGE_Y:] = BACKGROUND
    return light + rng.normal(0, 0.01, light.shape).astype(np.float32)


def ends(light: FloatImage) -> tuple[float, float]:
    return find_face_ends(light, COLUMNS, LEVEL, PX_PER_MM)


@pytest.mark.parametrize("end_px", [1700, 2500, 2850])
def test_string_in_the_line_of_the_edge_does_not_carry_the_face_on(end_px: int) -> None:
    light = picture(np.random.default_rng(1))
    light[:EDGE_Y, end_px:] = BACKGROUND
    light[EDGE_Y - 4 : EDGE_Y, end_px:] = 0.1
    low, high = ends(light)
    assert low == -math.inf
    assert high == pytest.approx(end_px, abs=TOLERANCE_PX)
    mirrored_low, mirrored_high = find_face_ends(light[:, ::-1], COLUMNS, LEVEL, PX_PER_MM)
    assert mirrored_low == pytest.approx(WIDTH - 1 - end_px, abs=TOLERANCE_PX)
    assert mirrored_high == math.inf


def test_edge_followed_right_up_to_the_end_is_not_carried_on_past_it() -> None:
    """A board's bright border goes on level with the edge, where following by itself would stop and start again."""
    comb = Comb(1, 180.0, PX_PER_MM, 0.0, 0.0, 0.0, (WIDTH - 1) / 2, 3900.0, 648.0)
    end_px = 2400
    light = picture(np.random.default_rng(5))
    light[:EDGE_Y, end_px:] = 0.02
    light[EDGE_Y:, end_px:] = 0.02
    light[EDGE_Y : EDGE_Y + 6, end_px + 40 :] = BACKGROUND
    edge = follow_edge(light, Line(0.0, float(EDGE_Y), (WIDTH - 1) / 2, 0.9), comb, PX_PER_MM)
    # Blocks of half a millimetre are followed, the last of them whole.
    assert edge.high_px == pytest.approx(end_px, abs=0.5 * PX_PER_MM + TOLERANCE_PX)


def test_object_on_the_face_glow_of_a_fret_and_shade_along_it_are_no_ends() -> None:
    light = picture(np.random.default_rng(2))
    light[EDGE_Y - 60 : EDGE_Y, 2000:2300] = BACKGROUND
    across = np.arange(WIDTH)
    above = np.arange(EDGE_Y)[::-1, None] / PX_PER_MM
    # As a crown that touches is mirrored: bright at the edge, fading within a millimetre or two, wider higher up.
    light[:EDGE_Y] += 0.5 * np.exp(-0.5 * ((across - 2700) / PX_PER_MM / (0.6 + 0.3 * above)) ** 2)
    light[:EDGE_Y] *= np.linspace(1.0, 2.5, WIDTH, dtype=np.float32)
    assert ends(light) == (-math.inf, math.inf)


@pytest.mark.parametrize("width_mm", [6, 14, 30, 85])
@pytest.mark.parametrize("light_there", [0.05, 0.28, 0.8])
@pytest.mark.parametrize("end_px", [None, 2800])
def test_a_card_or_coin_that_leans_on_the_face_is_not_its_end(
    width_mm: int, light_there: float, end_px: int | None
) -> None:
    light = picture(np.random.default_rng(2))
    light[: EDGE_Y - 16, 1800 : 1800 + round(width_mm * PX_PER_MM)] = light_there  # up to 2 mm over the edge
    if end_px:
        light[:EDGE_Y, end_px:] = 0.4
    low, high = ends(light)
    assert low == -math.inf
    assert high == (math.inf if end_px is None else pytest.approx(end_px, abs=TOLERANCE_PX))


def test_background_hardly_brighter_than_the_face_tells_of_no_end() -> None:
    light = picture(np.random.default_rng(3))
    light[:EDGE_Y, 2500:] = 1.05 * FACE  # 0.05 in the logarithm
    assert ends(light) == (-math.inf, math.inf)


TOP_Y = 40  # a straightedge of 20 mm
LOWER_EDGE = EdgeCurve(np.array([0.0, float(EDGE_Y)]), 1500.0, 1400.0, 100.0, 2900.0, 1, 0.05)


def followed_up_to(end_px: float) -> EdgeCurve:
    """Return the upper edge, followed so far."""
    return EdgeCurve(np.array([0.0, float(TOP_Y)]), 1500.0, 1400.0, 100.0, end_px, 1, 0.05)


@pytest.mark.parametrize("background", [0.26, 0.8], ids=["hardly brighter than the face", "bright"])
def test_what_goes_on_past_the_upper_edges_end_is_no_edge_where_the_face_ends(background: float) -> None:
    """Before a wall of nearly the face's light, with another object beyond: level bands tell no lasting step there."""
    light = picture(np.random.default_rng(6))
    light[:TOP_Y] = background
    light[:EDGE_Y, 2700:] = background
    light[:EDGE_Y, 2800:] = FACE
    kept = within_border(light, LOWER_EDGE, followed_up_to(2700.0), px_per_mm=PX_PER_MM)
    assert (kept.low_px, kept.high_px) == (100.0, 2700.0)
    mirrored = EdgeCurve(np.array([0.0, float(TOP_Y)]), 1500.0, 1400.0, WIDTH - 1 - 2700.0, 2900.0, 1, 0.05)
    assert within_border(light[:, ::-1], LOWER_EDGE, mirrored, px_per_mm=PX_PER_MM).low_px == WIDTH - 1 - 2700.0


def test_an_upper_edge_that_is_lost_before_its_end_ends_nothing() -> None:
    """Its background is like the face there, or clutter covers it: the face itself goes on."""
    light = picture(np.random.default_rng(7))
    light[TOP_Y : TOP_Y + 50, 2700:2900] = BACKGROUND  # an object before the upper third of the face
    assert within_border(light, LOWER_EDGE, followed_up_to(2700.0), px_per_mm=PX_PER_MM) == LOWER_EDGE


def test_ends_within_what_an_end_is_seen_to_are_left_alone() -> None:
    light = picture(np.random.default_rng(8))
    light[:EDGE_Y, 2890:] = BACKGROUND
    assert within_border(light, LOWER_EDGE, followed_up_to(2890.0), px_per_mm=PX_PER_MM) == LOWER_EDGE
