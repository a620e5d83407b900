"""Few rays on even parts of the picture: what stands for pixels without a ray, and how grain is evened out."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.vision.render.caster import fill_between, smooth_rows
from lightgap.vision.render.packed import BEHIND, BLADE, MIXED, NECK
from lightgap.vision.render.sampling import EVEN_STEP, find_edges


def checkered(height: int, width: int) -> np.ndarray:
    return np.indices((height, width)).sum(axis=0) % 2 == 1


def test_even_neighbours_stand_for_the_pixel_between_and_uneven_ones_do_not() -> None:
    slope = 1.0 + 0.01 * np.arange(12.0)
    light = np.repeat(np.broadcast_to(slope, (9, 12))[..., None], 3, axis=2).copy()
    light[:, 6:] *= 2.0  # a step in the backdrop
    between = checkered(9, 12)
    given = light.copy()
    light[between] = 0.0
    met = np.full((9, 12), BEHIND + 1)
    met[6:, :4] = NECK
    fill_between(between, EVEN_STEP, light, met)
    inner = np.zeros((9, 12), dtype=bool)
    inner[1:5, 1:5] = inner[1:-1, 7:11] = True
    assert not between[inner].any()
    np.testing.assert_allclose(light[inner], given[inner], rtol=1e-12)  # a mean of four is exact on a slope
    assert between[2, 5]  # right of it is the step
    assert between[5, 2]  # below it is the neck


def test_no_ray_no_material() -> None:
    between = checkered(5, 5)
    met = np.full((5, 5), MIXED)
    fill_between(between, EVEN_STEP, np.ones((5, 5, 3)), met)
    np.testing.assert_array_equal(between, checkered(5, 5))


def test_smoothing_stays_within_a_material_and_keeps_its_light() -> None:
    rng = np.random.default_rng(3)
    light = rng.uniform(0.0, 1.0, (4, 200, 3))
    before = light.copy()
    met = np.full((4, 200), BLADE)
    met[:, 90:] = NECK
    met[:, 160:] = BEHIND
    where = np.ones((4, 200), dtype=bool)
    where[:, 40] = False
    smooth_rows(where, met, 5, np.inf, light)
    np.testing.assert_array_equal(light[:, 160:], before[:, 160:])
    np.testing.assert_array_equal(light[:, 40], before[:, 40])
    np.testing.assert_allclose(light[:, 20], before[:, 15:26].mean(axis=1))
    np.testing.assert_allclose(light[:, 92], before[:, 90:98].mean(axis=1))
    np.testing.assert_allclose(light[:, 39], before[:, 34:40].mean(axis=1))


def test_lone_bright_pixel_is_held_down() -> None:
    light = np.ones((1, 41, 3))
    light[0, 20] = 100.0
    where = np.ones((1, 41), dtype=bool)
    smooth_rows(where, np.full((1, 41), BLADE), 4, 2.0, light)
    # The mean of nine about it is 12; held to 24 it leaves (24 + 8) / 9.
    np.testing.assert_allclose(light[0, 20], 32.0 / 9.0)
    np.testing.assert_allclose(light[0, [0, 40]], 1.0)


def test_edges_lie_either_side_of_a_change() -> None:
    met = np.full((5, 9), BLADE)
    met[:, 4:] = NECK
    met[4, 8] = MIXED
    want = np.zeros((5, 9), dtype=bool)
    want[:, 3:6] = True
    want[3:, 8] = want[4, 7:] = True
    np.testing.assert_array_equal(find_edges(met), want)


@pytest.mark.parametrize("kind", [0, BEHIND])
def test_one_material_has_no_edges(kind: int) -> None:
    assert not find_edges(np.full((6, 6), kind)).any()
