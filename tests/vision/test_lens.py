"""A straight edge through a lens: against the camera model of OpenCV (cv2.projectPoints), an independent one."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from lightgap.neck.profile import Array
from lightgap.vision.camera import BoardCamera, camera_from_comb
from lightgap.vision.chamfer import ExtraBend
from lightgap.vision.comb import Comb
from lightgap.vision.lens import U_LEAST_PX, U_LOWER_PX, is_whole, straighten, under_straight
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.outline import Outline
from lightgap.vision.readings import CrownFit, CrownSet

WIDTH_PX, HEIGHT_PX, FOCAL_PX = 4000, 1240, 4800.0
COLUMNS_PX = np.linspace(300.0, 3700.0, 201)
# Rows of the lower and the upper edge, and of the lens's axis, off the picture's middle: it was cropped.
LOWER_PX, UPPER_PX, AXIS_PX = 790.0, 450.0, 700.0
TURN = 0.02  # of the straightedge in the picture


def seen_px(row_px: float, k1: float) -> Array:
    """Return the rows at which OpenCV sees a straight line, at `COLUMNS_PX`."""
    middle = (WIDTH_PX - 1) / 2
    x = np.linspace(-0.8, 0.8, 2001)
    line = np.stack([x, (row_px - AXIS_PX) / FOCAL_PX + TURN * x, np.ones_like(x)], axis=1)
    matrix = np.array([[FOCAL_PX, 0, middle], [0, FOCAL_PX, AXIS_PX], [0, 0, 1]])
    points = cv2.projectPoints(line, np.zeros(3), np.zeros(3), matrix, np.array([k1, 0, 0, 0]))[0][:, 0]
    return np.interp(COLUMNS_PX, points[:, 0], points[:, 1])


def curve(y_px: Array, bend_px: float = 0.0) -> EdgeCurve:
    """Return a cubic through rows at `COLUMNS_PX`, bent by a bow of `bend_px`."""
    middle, half = (COLUMNS_PX[0] + COLUMNS_PX[-1]) / 2, np.ptp(COLUMNS_PX) / 2
    t = (COLUMNS_PX - middle) / half
    fit = np.polyfit(t, y_px + bend_px * t * t, 3)
    return EdgeCurve(fit, middle, half, COLUMNS_PX[0], COLUMNS_PX[-1], 1, 0.15)


def camera(k1: float, u_k1: float = 0.004) -> BoardCamera:
    """Return a camera whose comb has told the lens."""
    comb = Comb(1, 200.0, 9.0, 0.0, k1, 10.0, (WIDTH_PX - 1) / 2, FOCAL_PX, 640.0)
    return replace(camera_from_comb(comb), u_k1=u_k1)


def off_px(edge: EdgeCurve, true: Array) -> float:
    """Return the bend of an edge against the true rows, as a factor of t^2."""
    return float(np.polyfit(np.linspace(-1, 1, len(true)), edge.y_px(COLUMNS_PX) - true, 2)[0])


@pytest.mark.parametrize("k1", [-0.04, 0.03])
@pytest.mark.parametrize("row_px", [LOWER_PX, UPPER_PX])
def test_shift_is_that_of_opencv(row_px: float, k1: float) -> None:
    straight = row_px + TURN * (COLUMNS_PX - (WIDTH_PX - 1) / 2)
    shift = k1 * camera(k1).comb.lens_shift_px(COLUMNS_PX, straight, AXIS_PX)
    got = np.polyfit(COLUMNS_PX, straight + shift - seen_px(row_px, k1), 2)[0] * (np.ptp(COLUMNS_PX) / 2) ** 2
    # The shift is taken where a point would be seen without the lens: off by 3 k1 r^2, half a per cent at the ends.
    assert abs(got) < 0.01 * float(np.ptp(shift)) + 1e-3


@pytest.mark.parametrize("k1", [-0.04, -0.01, 0.0, 0.02, 0.04])
@pytest.mark.parametrize("bend_px", [-0.4, -0.2, 0.0, 0.2, 0.4])
def test_straight_edge_lies_within_its_uncertainty(k1: float, bend_px: float) -> None:
    """The frets' spacing tells the lens to 0.003; the lower edge was followed with a bend that is not its own."""
    true = seen_px(LOWER_PX, k1)
    got = straighten(curve(true, bend_px), curve(seen_px(UPPER_PX, k1)), camera(k1 + 0.003), HEIGHT_PX)
    assert abs(off_px(got.edge, true)) < 2.1 * got.u_bend_px  # k = 2, and two figures of it
    # Not much more than of the lower edge alone: where readings contradict by two of its own, each counts less.
    assert U_LEAST_PX <= got.u_bend_px < 1.3 * U_LOWER_PX


@pytest.mark.parametrize("k1", [-0.01, 0.0, 0.01])
@pytest.mark.parametrize("bend_px", [-1.0, 1.0])
def test_what_pulls_at_the_lower_edge_is_told_from_the_lens(k1: float, bend_px: float) -> None:
    true = seen_px(LOWER_PX, k1)
    got = straighten(curve(true, bend_px), curve(seen_px(UPPER_PX, k1)), camera(k1), HEIGHT_PX)
    # A reading five standard uncertainties off counts a quarter by Cauchy's loss: of a whole pixel, most goes.
    assert abs(off_px(got.edge, true)) < 0.3


@pytest.mark.parametrize("off_axis_px", [0.0, 20.0])
def test_an_edge_near_the_axis_is_not_taken_for_certain(off_axis_px: float) -> None:
    """There no lens bends it, whatever k1; but the axis is not known to lie there (drawn from what is known)."""
    rng = np.random.default_rng(5)
    middle, rise, ratio = (HEIGHT_PX - 1) / 2, LOWER_PX - UPPER_PX, []
    comb = camera(0.0).comb
    lower, upper = np.full_like(COLUMNS_PX, middle + off_axis_px), np.full_like(COLUMNS_PX, middle + off_axis_px - rise)
    for _ in range(60):
        k1, axis_px = rng.normal(0, 0.01), middle + rng.normal(0, 0.1 * HEIGHT_PX)
        true = lower + k1 * comb.lens_shift_px(COLUMNS_PX, lower, axis_px)
        above = upper + k1 * comb.lens_shift_px(COLUMNS_PX, upper, axis_px)
        seen = camera(k1 + rng.normal(0, 0.004))
        got = straighten(curve(true, rng.normal(0, U_LOWER_PX)), curve(above), seen, HEIGHT_PX)
        ratio.append(off_px(got.edge, true) / got.u_bend_px)
    # Of an honest u fewer than 53 of 60 draws lie within k = 2 once in 160 trials (binomial, 0.954).
    assert np.sum(np.abs(ratio) < 2) >= 53


@pytest.mark.parametrize("height_px", [400, 600])
@pytest.mark.parametrize("axis_off_px", [-250.0, -170.0, 170.0, 250.0])
@pytest.mark.parametrize("k1", [-0.02, 0.02])
def test_a_narrow_crop_leaves_the_axis_as_open_as_a_wide_one(height_px: int, axis_off_px: float, k1: float) -> None:
    """Its middle is where the crop was made, and not where the camera was aimed: off by 1.5 u of that at most."""
    low, middle = 0.64 * height_px, (WIDTH_PX - 1) / 2
    comb, axis_px = camera(k1).comb, (height_px - 1) / 2 + axis_off_px
    seen = []
    for row in (low, low - 300.0):
        straight = row + TURN * (COLUMNS_PX - middle)
        seen.append(straight + k1 * comb.lens_shift_px(COLUMNS_PX, straight, axis_px))
    got = straighten(curve(seen[0], 0.2), curve(seen[1]), camera(k1), height_px)
    assert abs(off_px(got.edge, seen[0])) < 2 * got.u_bend_px  # k = 2


@pytest.mark.parametrize("axis_off_px", [-40.0, 0.0, 40.0])
@pytest.mark.parametrize("k1", [-0.03, -0.01, 0.02, 0.04])
def test_a_whole_picture_has_the_axis_in_its_middle(k1: float, axis_off_px: float) -> None:
    """An edge that lies half as far off the axis as the upper one: that one tells the lens, where the axis is known."""
    comb, axis_px = camera(k1).comb, 1499.5 + axis_off_px
    seen = []
    for row in (1350.0, 1010.0):
        straight = row + TURN * (COLUMNS_PX - (WIDTH_PX - 1) / 2)
        seen.append(straight + k1 * comb.lens_shift_px(COLUMNS_PX, straight, axis_px))
    edges = curve(seen[0], 0.3), curve(seen[1]), camera(k1 + 0.003)
    whole, cropped = straighten(*edges, 3000), straighten(*edges, 2900)
    assert abs(off_px(whole.edge, seen[0])) < 2 * whole.u_bend_px  # k = 2
    assert whole.u_bend_px < 0.8 * cropped.u_bend_px
    assert abs(off_px(whole.edge, seen[0])) < 1.1 * abs(off_px(cropped.edge, seen[0]))


@pytest.mark.parametrize(
    ("width_px", "height_px", "whole"),
    [
        (4032, 3024, True),
        (3024, 4032, True),
        (6000, 4000, True),
        (4624, 3472, True),
        (3840, 2160, False),  # as pictures are resized to
        (2048, 1536, False),
        (4080, 3072, True),
        (4032, 1240, False),
        (4004, 3003, False),  # cropped to the shape by hand
        (3024, 3024, False),
    ],
)
def test_a_picture_is_whole_by_shape_and_steps(width_px: int, height_px: int, *, whole: bool) -> None:
    assert is_whole(width_px, height_px) == whole


def test_an_upper_edge_seen_on_a_short_stretch_tells_little() -> None:
    true, upper = seen_px(LOWER_PX, 0.02), curve(seen_px(UPPER_PX, 0.02))
    whole, part, stub = (
        straighten(curve(true), replace(upper, high_px=high), camera(0.02), HEIGHT_PX)
        for high in (3700.0, 2700.0, 1500.0)
    )
    alone = straighten(curve(true), None, camera(0.02), HEIGHT_PX)
    assert whole.u_bend_px < part.u_bend_px < stub.u_bend_px == alone.u_bend_px


def test_gaps_grow_where_the_edge_is_raised() -> None:
    """A straight edge 3 px above the one followed, at 9 px/mm: a third of a millimetre more."""
    comb = camera(0.0).comb
    rows = tuple(CrownFit(n, x, 0.1, 50, 0.5, 0.1, 0.0) for n, x in ((3, 150.0), (4, 200.0), (5, 250.0)))
    read = CrownSet(rows, np.eye(3), np.zeros((3, 6)), Outline(), camera_from_comb(comb))
    level = np.full_like(COLUMNS_PX, LOWER_PX)
    got = under_straight(read, curve(level), curve(level - 3.0))
    np.testing.assert_allclose(got.gap_mm, 0.1 + 3.0 / 9.0, rtol=1e-9)


def test_edges_that_agree_leave_less_doubt_than_the_lower_one_alone() -> None:
    true = seen_px(LOWER_PX, 0.02)
    alone = straighten(curve(true), None, camera(0.02), HEIGHT_PX)
    both = straighten(curve(true), curve(seen_px(UPPER_PX, 0.02)), camera(0.02), HEIGHT_PX)
    assert both.u_bend_px < alone.u_bend_px < np.hypot(U_LOWER_PX, U_LEAST_PX)  # no more than its own
    assert abs(off_px(both.edge, true)) < 0.02  # nothing contradicts: the cubic's rest


def test_line_through_the_lower_edge_stays_where_it_was() -> None:
    true = seen_px(LOWER_PX, 0.02)
    edge = curve(true, 0.6)
    got = straighten(edge, curve(seen_px(UPPER_PX, 0.02)), camera(0.02), HEIGHT_PX).edge
    change = np.polyfit(COLUMNS_PX, got.y_px(COLUMNS_PX) - edge.y_px(COLUMNS_PX), 1)
    # A hundredth of the bend: the shift's own cubic.
    np.testing.assert_allclose(np.polyval(change, COLUMNS_PX), 0, atol=0.005)
    assert (got.low_px, got.high_px, got.sign) == (edge.low_px, edge.high_px, edge.sign)


def test_a_fit_of_the_chamfer_counts_for_more_than_what_was_followed() -> None:
    true, above = seen_px(LOWER_PX, 0.02), curve(seen_px(UPPER_PX, 0.02))
    followed = curve(true, 0.4)
    alone = straighten(followed, above, camera(0.02, 0.01), HEIGHT_PX)
    got = straighten(followed, above, camera(0.02, 0.01), HEIGHT_PX, fitted=ExtraBend(-0.4, 0.07))
    assert got.u_bend_px < alone.u_bend_px
    assert abs(off_px(got.edge, true)) < 2 * got.u_bend_px < 0.3  # k = 2; of it the fit alone has 0.28


@pytest.mark.parametrize("followed_px", [0.0, 0.7])
def test_a_fit_of_the_wrong_line_of_the_chamfer_is_outvoted(followed_px: float) -> None:
    """It is sure of itself; the upper edge and the frets' spacing say otherwise, whatever was followed."""
    true, upper = seen_px(LOWER_PX, 0.0), seen_px(UPPER_PX, 0.0)
    fit = ExtraBend(0.9 - followed_px, 0.07)
    got = straighten(curve(true, followed_px), curve(upper), camera(0.0), HEIGHT_PX, fitted=fit)
    # k = 2: a reading three standard uncertainties and more off the others counts for little, and leaves doubt.
    assert abs(off_px(got.edge, true)) < 2 * got.u_bend_px
