"""Truth of a rendered photo by hand calculation; no picture is cast here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lightgap.vision.render import Blade, Camera, Neck, Reference, SceneSettings
from lightgap.vision.render.photo import set_up
from lightgap.vision.render.truth import describe_truth, measure_truth
from lightgap.vision.types import Measurement

PARABOLA = SceneSettings(
    neck=Neck(scale_length_mm=645.0, body_joint_fret=14, bow_mm=0.3, crown_scatter_mm=0.0), blade=Blade(last_fret=14)
)


def truth_of(settings: SceneSettings) -> Measurement:
    crowns, line, camera = set_up(settings, rng=np.random.default_rng(2))
    return measure_truth(settings, crowns, line=line, camera=camera, sha256="0" * 64)


def test_parabola_gaps_and_relief_by_hand() -> None:
    truth = truth_of(PARABOLA)
    # Ends at frets 1 and 14 touch; fret n lies 4 s (1 - s) of 0.3 mm below, s = (x_n - x_1) / (x_14 - x_1).
    x = 645.0 * (1.0 - 2.0 ** (-np.arange(1, 15) / 12.0))
    s = (x - x[0]) / (x[-1] - x[0])
    np.testing.assert_allclose(truth.profile.gap_mm, 1.2 * s * (1.0 - s), atol=1e-12)
    assert truth.relief.relief_mm == pytest.approx(max(1.2 * s * (1.0 - s)), abs=1e-12)
    # s is nearest one half at fret 6 (s = 0.4750; fret 7 has 0.5574): 0.29925 mm.
    assert truth.relief.at_fret == 6
    assert truth.relief.relief_mm == pytest.approx(0.29925, abs=5e-6)
    assert truth.relief.shape == "up-bow"
    assert [c.fret for c in truth.profile.crowns if c.touching] == [1, 14]
    assert truth.relief.U_mm == 0.0
    assert not truth.profile.covariance_mm2.any()


def test_back_bow_is_negative() -> None:
    truth = truth_of(replace(PARABOLA, neck=replace(PARABOLA.neck, bow_mm=-0.3)))
    assert truth.relief.relief_mm == pytest.approx(-0.29925, abs=5e-6)
    assert truth.relief.shape == "back-bow"
    assert truth.profile.gap_mm.min() == pytest.approx(0.0, abs=1e-12)


def test_high_fret_lifts_the_straightedge() -> None:
    neck = replace(PARABOLA.neck, bow_mm=0.0, fret_errors_mm=((7, 0.05),))
    truth = truth_of(replace(PARABOLA, neck=neck))
    assert truth.relief.at_fret == 7
    assert truth.relief.relief_mm == pytest.approx(-0.05, abs=1e-12)
    assert next(c for c in truth.profile.crowns if c.fret == 7).touching


def test_outer_line_adds_the_curvature_of_the_radius() -> None:
    """A straight neck measured along a slanted line over a cylinder sags by dz^2 / (8 R) in its middle."""
    neck = Neck(bow_mm=0.0, crown_scatter_mm=0.0, board_radius_mm=250.0)
    settings = SceneSettings(neck=neck, blade=Blade(place="outer", last_fret=17))
    crowns, line, camera = set_up(settings, rng=np.random.default_rng(2))
    truth = measure_truth(settings, crowns, line=line, camera=camera, sha256="")
    x = crowns.x_mm[[0, 16]]
    dz = line.z_slope * (x[1] - x[0])
    # A taller place on the cylinder's flank stands proud of the chord, seen square to the board: -dz^2 / (8 R), to
    # second order; the next order, in z^2 / R^2, is under 1 % here, and fret 7 or 8 is within 1 % of the middle.
    assert truth.relief.relief_mm == pytest.approx(-(dz**2) / (8 * 250.0), rel=0.03)


def test_scale_is_pixels_along_the_edge() -> None:
    settings = replace(PARABOLA, camera=Camera(elevation_deg=0.0, px_per_mm=8.0, distance_mm=500.0))
    truth = truth_of(settings)
    assert truth.scale.px_per_mm == pytest.approx(8.0, rel=2e-4)  # the middle of the span is 3 mm off the aim
    assert truth.scale.u_px_per_mm == 0.0
    outline = truth.scale.outline_px
    assert outline is not None
    # The card stands 1.5 + 0.05 + 0.76 mm before the middle plane, so it is seen 500 / 497.69 larger.
    width = np.linalg.norm(outline[1] - outline[0])
    assert width == pytest.approx(85.60 * 8.0 * 500.0 / 497.69, rel=1e-5)


def test_wrong_reference_is_drawn_larger_than_stated() -> None:
    right = truth_of(PARABOLA).scale.outline_px
    wrong = truth_of(replace(PARABOLA, reference=Reference(true_scale=1.1))).scale.outline_px
    assert right is not None
    assert wrong is not None
    ratio = np.linalg.norm(wrong[1] - wrong[0]) / np.linalg.norm(right[1] - right[0])
    assert ratio == pytest.approx(1.1, rel=1e-3)  # it also stands a little higher


def test_sidecar_says_the_same() -> None:
    crowns, line, camera = set_up(PARABOLA, rng=np.random.default_rng(2))
    truth = measure_truth(PARABOLA, crowns, line=line, camera=camera, sha256="")
    side = describe_truth(PARABOLA, crowns, line=line, camera=camera, exposure=1.0)
    assert side["truth"]["relief_mm"] == pytest.approx(truth.relief.relief_mm, abs=1e-6)  # rounded to 1e-6
    assert side["truth"]["relief_span_frets"] == [1, 14]
    assert side["truth"]["contact_frets"] == [1, 14]
    assert side["inputs"]["reference"] == "card"
    for crown, fret in zip(truth.profile.crowns, side["truth"]["frets"], strict=True):
        assert fret["fret"] == crown.fret
        assert (fret["u_px"], fret["v_px"]) == pytest.approx((crown.x_px, crown.y_px), abs=1e-3)


def test_nothing_to_measure_has_no_crowns() -> None:
    truth = truth_of(replace(PARABOLA, blade=replace(PARABOLA.blade, shown=False)))
    assert truth.profile.crowns == ()
