"""Bow shapes and the contact rule, against hand calculation, a convex hull library and a linear programme."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

from lightgap.neck.contact import rest_on, upper_hull
from lightgap.neck.frets import fret_position_mm
from lightgap.vision.render import Blade, Neck
from lightgap.vision.render.board import bow_height_mm, lay_blade, make_crowns, sag_mm


def test_sag_is_that_of_a_circle() -> None:
    z = np.linspace(-28.0, 28.0, 9)
    np.testing.assert_allclose(sag_mm(z, 1.0 / 184.0), 184.0 - np.sqrt(184.0**2 - z**2), atol=1e-10)
    np.testing.assert_array_equal(sag_mm(z, 0.0), np.zeros(9))


def test_parabola_by_hand() -> None:
    # Fret 1 of 645 mm stands at 36.2010 mm and fret 14 at 357.6830 mm; midway the bow is whole, a quarter of the way
    # 3/4 of it: 4 s (1 - s).
    neck = Neck(scale_length_mm=645.0, body_joint_fret=14, bow_mm=0.4)
    first, joint = 645.0 * (1 - 2 ** (-1 / 12)), 645.0 * (1 - 2 ** (-14 / 12))
    x = np.array([first, 0.75 * first + 0.25 * joint, 0.5 * (first + joint), joint])
    np.testing.assert_allclose(bow_height_mm(x, neck), [0.0, -0.3, -0.4, 0.0], atol=1e-12)


@pytest.mark.parametrize("peak", [4.0, 9.0])
def test_skewed_bow_peaks_at_its_fret(peak: float) -> None:
    neck = Neck(bow_mm=0.3, bow_peak_fret=peak)
    x = np.linspace(0.0, 350.0, 3501)
    at = x[np.argmin(bow_height_mm(x, neck))]
    assert at == pytest.approx(float(fret_position_mm(peak, neck.scale_length_mm)), abs=0.1)  # the step of x
    assert bow_height_mm(x, neck).min() == pytest.approx(-0.3, abs=1e-6)


def test_tongue_falls_past_the_joint() -> None:
    neck = Neck(bow_mm=0.0, tongue_slope=0.003)
    joint = float(fret_position_mm(14.0, neck.scale_length_mm))
    np.testing.assert_allclose(bow_height_mm(np.array([joint, joint + 50.0]), neck), [0.0, -0.15], atol=1e-12)


def test_hull_is_that_of_qhull() -> None:
    rng = np.random.default_rng(3)
    for _ in range(20):
        x, y = np.sort(rng.uniform(0, 400, 18)), rng.normal(0.0, 0.1, 18)
        points = np.column_stack([x, y])
        below = np.vstack([points, [[x[0], -10.0], [x[-1], -10.0]]])  # closes the hull far below: what is left is upper
        want = sorted(i for i in ConvexHull(below).vertices if i < 18)
        assert upper_hull(x, y) == want


def test_rest_minimises_height_at_the_load() -> None:
    """A bar at rest has the lowest height under its load among all lines above every crown: a linear programme."""
    rng = np.random.default_rng(8)
    for _ in range(20):
        x, y = np.sort(rng.uniform(30, 400, 16)), rng.normal(0.0, 0.1, 16)
        load = rng.uniform(x[0], x[-1])
        best = linprog([1.0, load], A_ub=-np.column_stack([np.ones(16), x]), b_ub=-y, bounds=[(None, None)] * 2)
        a, b = rest_on(x, y, load_mm=load)
        slope = (y[b] - y[a]) / (x[b] - x[a])
        assert y[a] + slope * (load - x[a]) == pytest.approx(best.fun, abs=1e-9)


def test_back_bow_rocks() -> None:
    neck = Neck(bow_mm=-0.2, crown_scatter_mm=0.0)
    crowns = make_crowns(neck, rng=np.random.default_rng(1))
    lines = [lay_blade(neck, Blade(last_fret=14, press=p), crowns=crowns) for p in (-0.9, -0.4, 0.0, 0.4, 0.9)]
    assert all(b - a == 1 for a, b in (line.contact_frets for line in lines))  # two neighbours carry it
    contacts = [line.contact_frets[0] for line in lines]
    assert contacts == sorted(contacts)
    assert len(set(contacts)) == 5
    slopes = [line.slope for line in lines]
    assert slopes == sorted(slopes, reverse=True)  # pressed at the body end, that end goes down
    for line in lines:
        under = (crowns.x_mm > line.x_left_mm) & (crowns.x_mm < line.x_right_mm)
        gaps = line.height_mm(crowns.x_mm) - crowns.height_mm
        assert gaps[under].min() > -1e-12


def test_up_bow_does_not_rock() -> None:
    neck = Neck(bow_mm=0.3, crown_scatter_mm=0.0)
    crowns = make_crowns(neck, rng=np.random.default_rng(1))
    assert {lay_blade(neck, Blade(last_fret=14, press=p), crowns=crowns).contact_frets for p in (-0.8, 0.0, 0.8)} == {
        (1, 14)
    }


def test_outer_place_lies_on_the_radius() -> None:
    neck = Neck(bow_mm=0.0, crown_scatter_mm=0.0, board_radius_mm=305.0, joint_width_mm=43.0, bridge_spread_mm=35.5)
    crowns = make_crowns(neck, rng=np.random.default_rng(1))
    line = lay_blade(neck, Blade(place="outer", outside_mm=1.0), crowns=crowns)
    # An untapered board: z = 21.5 - 3.75 + 1 = 18.75 everywhere, sag 305 - sqrt(305^2 - 18.75^2) = 0.5769 mm,
    # lean asin(18.75 / 305) = 3.5245 degrees.
    assert line.z_slope == pytest.approx(0.0)
    assert line.height_mm(200.0) == pytest.approx(-0.5769, abs=5e-5)
    assert np.degrees(line.lean_rad) == pytest.approx(3.5245, abs=5e-5)
