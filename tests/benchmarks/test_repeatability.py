"""The numbers of the comparison between camera positions, on made-up readings."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.repeatability import HEIGHT_DEG, Reading, common_chord, pair_numbers, readings, scene_settings

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import CrownGap, GapProfile


def profile_of(frets: range, *, depth_mm: float) -> GapProfile:
    x = fret_position_mm(np.array(frets, dtype=float), 648.0)
    s = (x - x[0]) / (x[-1] - x[0])
    crowns = tuple(
        CrownGap(int(n), float(p), float(4 * depth_mm * t * (1 - t)), 0.01) for n, p, t in zip(frets, x, s, strict=True)
    )
    return GapProfile(crowns, np.eye(len(crowns)) * 1e-4, scale_length_mm=648.0)


def test_pair_number_is_that_of_iso_13528() -> None:
    """E_n = |a - b| / sqrt(U_a^2 + U_b^2): 0.05 over 0.03 and 0.04 makes one."""
    assert pair_numbers([Reading(0, 0.30, 0.03, 0.3), Reading(1, 0.25, 0.04, 0.3)]) == pytest.approx([1.0])
    assert len(pair_numbers([Reading(i, 0.3, 0.03, 0.3) for i in range(10)])) == 45


def test_right_uncertainties_make_nineteen_of_twenty_pairs_agree() -> None:
    rng = np.random.default_rng(4)
    numbers = []
    for _ in range(300):
        u = rng.uniform(0.01, 0.03, 10)
        numbers += pair_numbers(
            [Reading(i, float(s * rng.standard_normal()), 2 * float(s), 0.0) for i, s in enumerate(u)]
        )
    # Pairs share readings: 300 scenes of ten, about 1500 independent pairs, give 0.5 %; three times that.
    assert np.mean(np.array(numbers) <= 1.0) == pytest.approx(0.9545, abs=0.016)


def test_one_chord_for_all_positions_and_those_without_its_ends_left_out() -> None:
    profiles = {p: profile_of(range(1, 14), depth_mm=0.2) for p in range(4)} | {
        4: profile_of(range(3, 14), depth_mm=0.2)
    }
    assert common_chord(list(profiles.values())) == (1, 13)
    truth = [{"fret": c.fret, "x_mm": c.position_mm, "gap_mm": c.gap_mm} for c in profiles[0].crowns]
    read = readings(profiles, {p: {"truth": {"frets": truth}} for p in profiles})
    assert [r.position for r in read] == [0, 1, 2, 3]
    # A spline drawn through gaps good to 0.01 mm levels a bow by a few hundredths of that.
    assert read[0].relief_mm == pytest.approx(read[0].true_mm, abs=0.001)
    assert readings({}, {}) == []


def test_only_the_camera_moves() -> None:
    scenes = [scene_settings(1, position, framing="half") for position in range(10)]
    first = scenes[0]
    for other in scenes[1:]:
        assert (other.neck, other.blade, other.light, other.imaging) == (
            first.neck,
            first.blade,
            first.light,
            first.imaging,
        )
        assert other.camera.px_per_mm * other.camera.distance_mm == pytest.approx(
            first.camera.px_per_mm * first.camera.distance_mm
        )
    elevations = [s.camera.elevation_deg for s in scenes]
    assert 0.5 < max(elevations) - min(elevations) <= 2 * HEIGHT_DEG
    assert len({s.camera.yaw_deg for s in scenes}) == 10
