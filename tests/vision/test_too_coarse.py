"""A picture with too few pixels says so, with both numbers; and one with too little of a straightedge in it."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from lightgap.neck.errors import Refusal
from lightgap.vision.guesses import MIN_PX_PER_MM
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.measure import MeasureSettings, measure_photo
from lightgap.vision.pipeline import MIN_LENGTH, check_length

PHOTO = Path(__file__).parents[2] / "sample_images" / "dreadnought-upbow.jpg"
# True scale of the sample at full size, from its sidecar (camera.px_per_mm).
FULL_PX_PER_MM = 8.6
KNOWN = MeasureSettings(645.0, reference="card", straightedge_height_mm=30.0)


def smaller(folder: Path, px_per_mm: float) -> Path:
    with Image.open(PHOTO) as photo:
        factor = px_per_mm / FULL_PX_PER_MM
        size = (round(photo.width * factor), round(photo.height * factor))
        photo.resize(size, Image.Resampling.LANCZOS).save(folder / "small.jpg", quality=92, exif=photo.getexif())
    return folder / "small.jpg"


def test_limit_leaves_a_tenth_of_a_millimetre_under_half_a_pixel() -> None:
    assert 0.1 * MIN_PX_PER_MM < 0.5


@pytest.mark.parametrize("px_per_mm", [3.0, 3.7])
def test_small_picture_is_refused_with_what_it_has_and_what_is_needed(tmp_path: Path, px_per_mm: float) -> None:
    with pytest.raises(Refusal) as found:
        measure_photo(smaller(tmp_path, px_per_mm), KNOWN)
    assert found.value.code == "too-coarse"
    numbers = re.search(r"\(([\d.]+) px/mm, at least 4 are needed\)", found.value.message)
    assert numbers is not None
    # The card is found to 2 %, its face stands a little nearer than the straightedge's line.
    assert float(numbers[1]) == pytest.approx(px_per_mm, rel=0.03)


@pytest.mark.parametrize(("share", "told"), [(0.3, "30%"), (MIN_LENGTH - 0.01, "44%"), (MIN_LENGTH + 0.01, None)])
def test_two_lines_along_a_part_of_the_picture_are_no_straightedge(share: float, told: str | None) -> None:
    edge = EdgeCurve(np.array([500.0]), 2000.0, 2000.0, 2800.0 - 2000.0 * share, 2800.0 + 2000.0 * share, 1, 0.2)
    if told is None:
        check_length(edge, 4000)
        return
    with pytest.raises(Refusal, match=told) as found:
        check_length(edge, 4000)
    assert found.value.code == "no-straightedge"
