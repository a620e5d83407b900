"""The drawn fret under a straightedge: geometry against brute force, light against its own sum, and a fit recovered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightgap.vision.camera import BoardCamera
from lightgap.vision.comb import Comb
from lightgap.vision.halves import Halves
from lightgap.vision.joint import SHARED, JointFit, Prior, fit_jointly
from lightgap.vision.patches import pixel_weights, soften
from lightgap.vision.pixels import ALIKE_COST, SOFT_PX, among, prior_for, strain
from lightgap.vision.readings import LIKELY_STRAIN
from lightgap.vision.search import search_starts
from lightgap.vision.shading import FAR_BEVEL_MM, SUBROWS, Patches, Shape, crown, draw, shape_from, silhouette
from lightgap.vision.slit import SlitLight

PX_PER_MM = 9.0
DISTANCE_MM = 550.0
FOOT_MM = 200.0


def drawn_patches(position_mm: np.ndarray, *, rows: int = 18, columns: int = 60) -> Patches:
    """Return empty patches of a level camera before frets at `position_mm`, blade's edge on the fifth row."""
    slant = (FOOT_MM - position_mm) / DISTANCE_MM
    centre = position_mm - 6.0 * slant
    x = centre[:, None] + (np.arange(columns) - columns / 2)[None, :] / PX_PER_MM
    sub = (np.arange(rows * SUBROWS) + 0.5) / SUBROWS - 0.5 - 4.3
    shape = (len(position_mm), rows, columns)
    below = np.broadcast_to(sub[None, :, None] / PX_PER_MM, (shape[0], rows * SUBROWS, columns))
    flat = np.ones((shape[0], columns))
    along = (position_mm - position_mm.mean()) / (np.ptp(position_mm) / 2)
    return Patches(
        np.zeros(shape), np.array(below), x, position_mm, along, PX_PER_MM * flat, 0.8 * flat, 0.01 * flat,
        np.full(shape[0], 0.3), np.ones(shape), np.full(shape[0], 22.0), 1.0, DISTANCE_MM, 3.0,
    )  # fmt: skip


FRETS = np.array([36.0, 70.0, 103.0, 134.0, 163.0, 190.0, 216.0, 240.0, 263.0])
shapes = st.builds(
    Shape,
    place_mm=st.tuples(st.floats(-0.3, 0.3), st.just(0.0), st.just(0.0), st.just(0.0)),
    foot_mm=st.just(FOOT_MM),
    elevation_rad=st.floats(-0.02, 0.03),
    board_per_mm=st.floats(1 / 500, 1 / 180),
    width_mm=st.floats(1.9, 2.9),
    height_mm=st.floats(0.8, 1.3),
    lip_mm=st.sampled_from([0.0, 0.15]),
)


@settings(max_examples=25, deadline=None)
@given(shapes)
def test_silhouette_is_the_least_drop_over_the_depth(shape: Shape) -> None:
    """Newton's minimum against a grid over the depth.

    The grid is never more than (k + c s^2) step^2 / 8 off, 1e-5 mm; four Newton steps may leave a little at the crown's
    straightened edge: 2 microns are a quarter of the smallest standard uncertainty of a gap.
    """
    patches = drawn_patches(FRETS[:4])
    _, drop = silhouette(patches, shape)
    z = np.linspace(FAR_BEVEL_MM - 22.0, 25, 4001)[None, None, :]  # from the fret's far end
    beside, slant = patches.beside_mm(shape)[..., None], patches.slant(shape)[..., None]
    surface = crown(beside + slant * z, shape)[0] + 0.5 * shape.board_per_mm * z**2 + shape.elevation_rad * z
    near = np.abs(patches.beside_mm(shape)) < 2.0
    assert np.abs(drop - surface.min(axis=2))[near].max() < 2e-3  # mm


def test_crown_is_an_ellipse() -> None:
    shape = Shape(width_mm=2.0, height_mm=1.0)
    delta = np.linspace(-0.9, 0.9, 19)
    drop, slope = crown(delta, shape)
    assert (delta**2 + (1 - drop) ** 2) == pytest.approx(1.0)
    # Implicit derivative of delta^2 + (1 - drop)^2 = 1.
    assert slope == pytest.approx(delta / (1 - drop))


@settings(max_examples=15, deadline=None)
@given(shapes, st.floats(-0.05, 0.5))
def test_every_pixel_is_painted_once(shape: Shape, gap_mm: float) -> None:
    """Blade, gap (in units of its light), the crown's mirrored shares, board and chamfer add up to one everywhere."""
    patches = drawn_patches(FRETS)
    pictures = draw(patches, shape, np.full(len(FRETS), gap_mm))
    total = pictures[0] + pictures[1] / 0.8 + pictures[3:7].sum(axis=0) + pictures[8:].sum(axis=0)
    assert total == pytest.approx(1.0, abs=1e-6)


def test_a_crown_mirrors_the_gap_where_a_traced_ray_passes_under_the_blade() -> None:
    """Rays reflected off the swept crown, traced to the blade's far edge, against the share of mirrored gap."""
    shape = Shape(foot_mm=FOOT_MM, elevation_rad=0.01, gloss=0.0)
    gap = 0.4
    k, a = shape.board_per_mm, shape.elevation_rad
    position = np.array([60.0])
    patches = replace(drawn_patches(np.array([60.0, 90.0])), blur_px=0.05)
    pictures = draw(patches, shape, np.array([gap, gap]))
    slant = float((FOOT_MM - position[0]) / DISTANCE_MM)
    agreed = tried = 0
    for depth in np.linspace(3.0, 12.0, 40):
        for delta in np.linspace(-0.5, 0.5, 11):
            fall, slope = (float(v) for v in crown(np.array(delta), shape))
            normal = np.array([slope, -1.0, k * depth])
            normal /= np.linalg.norm(normal)
            x = position[0] + delta
            sight = np.array([-(FOOT_MM - x) / DISTANCE_MM, a, -1.0])
            sight /= np.linalg.norm(sight)
            if sight @ normal >= -0.02:
                continue
            away = sight - 2 * (sight @ normal) * normal
            height = gap + fall + 0.5 * k * depth**2
            at_far_edge = height + away[1] / -away[2] * (depth + 1.5)
            below = (height + a * depth) * DISTANCE_MM / (DISTANCE_MM - depth)
            row = np.argmin(np.abs(patches.row_below_mm[0, :, 0] - below))
            column = np.argmin(np.abs(patches.x_mm[0] - (x - slant * depth)))
            share = pictures[3][0, row, column]
            if 1 < column < 58 and abs(at_far_edge) > 0.5:
                tried += 1
                agreed += bool((share > 0.5) == (at_far_edge > 0))
    # Rays and pixels are paired to half a pixel, so those next to a boundary may fall on its other side.
    assert tried > 50
    assert agreed > 0.9 * tried


def test_the_board_s_far_edge_is_its_horizon_where_it_is_flat() -> None:
    """Between frets the light ends where the board's far edge, seen from above, rises.

    A pixel is 0.11 mm, and the boundary is read between its neighbours' shares: to a tenth of it.
    """
    shape = Shape(foot_mm=FOOT_MM, elevation_rad=0.03, board_per_mm=1e-5, height_mm=1.0)
    patches = replace(drawn_patches(np.array([150.0, 400.0])), blur_px=0.05)
    pictures = draw(patches, shape, np.array([0.1, 0.1]))
    column = 2  # some 3 mm beside the fret
    lit = float((pictures[1][0, :, column] / 0.8).sum()) / PX_PER_MM  # mm of light from the edge down
    far = -22.0
    assert lit == pytest.approx((0.1 + 1.0 + 0.03 * far) * DISTANCE_MM / (DISTANCE_MM - far), abs=0.011)


def test_an_outline_before_the_next_fret_s_far_half_does_not_count() -> None:
    """Looking down on a flat board and far from the foot, the same fret with near and with far neighbours."""
    shape = Shape(foot_mm=FOOT_MM, elevation_rad=0.05, board_per_mm=1e-5)
    used = []
    for apart in (12.0, 90.0):
        patches = drawn_patches(420.0 + apart * np.array([-1.0, 0.0, 1.0]))
        used.append(int((pixel_weights(patches, shape, np.full(3, 0.1))[1] > 0).any(axis=0).sum()))
    assert used[0] < used[1]


@pytest.mark.parametrize("falls", [False, True])
def test_fit_finds_the_heights_it_was_drawn_with(*, falls: bool) -> None:
    """Noise of 1 % of full light: heights within 0.02 mm, a tenth of the drawn bow, and the place within a pixel.

    The picture is drawn by the model that is fitted: this holds the search and the fit, not the physics, for which the
    path-traced photos stand.
    """
    rng = np.random.default_rng(5)
    lip = 0.15 if falls else 0.0
    truth = Shape((0.25, -0.3, 0.0, 0.0), FOOT_MM, 0.012, 1 / 300, 2.5, 1.0, 0.02, lip_mm=lip)
    gap = 0.25 * (1 - ((FRETS - 150) / 120) ** 2).clip(0) + 0.02 + lip
    patches = drawn_patches(FRETS)
    level = np.array([1.0, 0.0, 0.7, 0.03, 0.25, 0.4, 0.0, 0.15, 0.1])
    pictures = draw(patches, truth, gap)
    light = 0.05 * pictures[0] + np.einsum("ifrc,i->frc", pictures[1:], level)
    patches = replace(patches, light=light + 0.01 * rng.standard_normal(light.shape))
    prior = prior_for_foot(falls=falls)
    start = search_starts(
        soften(patches, SOFT_PX), Shape(foot_mm=FOOT_MM, lip_mm=float(prior.mean[11])), prior, both=Halves(None)
    )[0]
    fit = fit_jointly(patches, start.shape, start.gap_mm, prior, rounds=10)
    miss = fit.gap_mm - gap
    miss -= np.median(miss)  # a common constant is taken out at contact
    assert np.abs(miss).max() < 0.02
    assert fit.shape.place_mm[0] == pytest.approx(0.25, abs=1 / PX_PER_MM)


def prior_for_foot(*, falls: bool) -> Prior:
    """Return the shared prior of a camera whose foot is known as the photo's comb tells it."""
    slit = SlitLight(1.0, 0.0, np.full(2, 0.8), np.full(2, 0.01), 0.9, falls)
    comb = Comb(1, 150.0, PX_PER_MM, 0.0, 0.0, 10.0, 1000.0, 5000.0, 648.0)
    camera = BoardCamera(comb, FOOT_MM, DISTANCE_MM, 0.0, np.array([21.0, 0.014]))
    return prior_for(camera, None, slit, dark=False)


@pytest.mark.parametrize(
    "change", [{"place_mm": (2.5, 0.0, 0.0, 0.0)}, {"blur": 1.6}, {"height_mm": 0.38}, {"gloss": 0.17}]
)
def test_strain_tells_a_shape_unlike_any_and_not_a_tall_wide_fret(change: dict[str, object]) -> None:
    """The limit is a chi-square's: each change is five standard deviations of what is known, or nearly, by itself."""
    prior = prior_for_foot(falls=False)
    usual = shape_from(prior.mean)

    def of(shape: Shape) -> float:
        return strain(JointFit(shape, *6 * [np.zeros(1)], 0.0), prior)

    assert of(usual) == pytest.approx(0.0, abs=1e-12)
    assert of(replace(usual, width_mm=1.2 * usual.width_mm, height_mm=1.44 * usual.height_mm)) < 1e-9
    assert of(replace(usual, **change)) > LIKELY_STRAIN  # type: ignore[arg-type]


def test_shape_goes_to_a_row_of_numbers_and_back() -> None:
    shape = Shape((0.1, 0.2, -0.1, 0.05), 180.0, 0.01, 1 / 250, 2.2, 0.9, 0.03, 1.1, 0.15)
    assert shape_from(shape.vector()) == shape


def test_explanations_as_good_as_one_another_are_averaged_and_their_spread_is_stated() -> None:
    """Two alike in cost: the mean, and half their distance as deviation; a much costlier one: hardly any change."""
    whole = np.eye(SHARED + 2) * 1e-6

    def explained(gap_mm: list[float], cost: float) -> JointFit:
        none = np.zeros(2)
        return JointFit(Shape(), np.array(gap_mm), whole, none, none, none, none, cost)

    first, second = explained([0.1, 0.2], 1.0), explained([0.2, 0.2], 1.0)
    both = among(first, [first, second])
    np.testing.assert_allclose(both.gap_mm, [0.15, 0.2], rtol=1e-12)
    np.testing.assert_allclose(both.covariance[SHARED, SHARED], 1e-6 + 0.05**2, rtol=1e-12)
    np.testing.assert_allclose(both.covariance[:SHARED], whole[:SHARED], rtol=1e-12)
    costly = among(first, [first, explained([0.2, 0.2], 1.0 + 10 * ALIKE_COST)])
    np.testing.assert_allclose(costly.gap_mm, first.gap_mm, atol=1e-5)
