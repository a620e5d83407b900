"""One photo measured: its picture, its covariance and its budget hang together."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from benchmarks.accuracy import settings_from_inputs
from PIL import Image

from lightgap.neck.straightness import chord_matrix
from lightgap.vision.measure import measure_photo
from lightgap.vision.overlay import draw_overlay
from lightgap.vision.types import Measurement

PHOTO = Path(__file__).parents[2] / "sample_images" / "dreadnought-upbow.jpg"


@pytest.fixture(scope="module")
def result() -> Measurement:
    inputs = json.loads(PHOTO.with_suffix(".json").read_text("utf-8"))["inputs"]
    return measure_photo(PHOTO, settings_from_inputs(inputs))


def test_overlay_is_the_photo_with_the_strip_and_the_words_below(result: Measurement) -> None:
    with Image.open(io.BytesIO(draw_overlay(PHOTO, result))) as picture:
        assert picture.format == "PNG"
        assert picture.width == result.photo.width_px
        assert picture.height > result.photo.height_px + 100
        drawn = np.asarray(picture.convert("RGB"))
    with Image.open(PHOTO) as photo:
        plain = np.asarray(photo.convert("RGB"))
    changed = (drawn[: plain.shape[0]] != plain).any(axis=2)
    # Marks, not a new picture; and every crown has its mark.
    assert changed.mean() < 0.1
    for crown in result.profile.crowns:
        assert crown.x_px is not None
        assert crown.y_px is not None
        assert changed[round(crown.y_px), round(crown.x_px)]


def test_covariance_is_symmetric_and_positive(result: Measurement) -> None:
    covariance = result.profile.covariance_mm2
    count = len(result.profile.crowns)
    assert covariance.shape == (count, count)
    # It comes from the inverse of a joint fit's normal matrix: symmetric to the rounding of that inverse.
    np.testing.assert_allclose(covariance, covariance.T, rtol=1e-4, atol=1e-12)
    least, *_, most = np.linalg.eigvalsh(covariance)
    # The re-zero at contact ties the gaps together: rounding may leave a hair below nothing.
    assert least > -1e-9 * most
    u = [c.u_gap_mm for c in result.profile.crowns if not c.touching]
    assert min(u) > 0


def test_budget_adds_up_to_the_relief_s_variance_before_smoothing(result: Measurement) -> None:
    """A budget's lines are independent: squares add (JCGM 100:2008, 5.1.2).

    The depth is a difference from the chord, so a common offset taken out at contact changes nothing; the relief's own
    U comes from the neck's smooth posterior, and may be smaller or, where another fret is a rival, larger.
    """
    profile, relief = result.profile, result.relief
    ends = profile.frets.index(relief.chord[0]), profile.frets.index(relief.chord[1])
    row = chord_matrix(profile.position_mm, ends)[profile.frets.index(relief.at_fret)]
    whole = float(row @ profile.covariance_mm2 @ row)
    lines = sum(line.u_mm**2 for line in result.budget)
    # The re-zero's own choice of the touching crowns moves the variance a little.
    assert lines == pytest.approx(whole, rel=0.1)
    assert [b.u_mm for b in result.budget] == sorted((b.u_mm for b in result.budget), reverse=True)
    assert all(b.cure and b.kind in "AB" for b in result.budget)
    assert 0 < relief.U_mm < 4 * np.sqrt(lines)
