"""A picture with too few pixels says so, with both numbers."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from PIL import Image

from lightgap.neck.errors import Refusal
from lightgap.vision.guesses import MIN_PX_PER_MM
from lightgap.vision.measure import MeasureSettings, measure_photo

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
