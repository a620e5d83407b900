"""Photographs of other things are refused, whatever the user says of them: never a number.

The pictures are those that scikit-image and scikit-learn install with their code (no download): people, animals, walls,
coins, a page of print, a chessboard, a temple, a flower. None of them shows a neck, so any number would be invented.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest
from PIL import Image

from lightgap.neck.errors import Refusal
from lightgap.vision.findings import REGISTRY
from lightgap.vision.measure import MeasureSettings, measure_photo

WIDTH_PX = 2000  # enlarged, so that not the mere size is what they are refused for


def _carried() -> list[Path]:
    found: list[Path] = []
    for package in ("skimage", "sklearn"):
        spec = importlib.util.find_spec(package)
        assert spec is not None
        assert spec.origin is not None
        found += [p for p in Path(spec.origin).parent.rglob("*") if p.suffix in (".jpg", ".png")]
    return sorted(p for p in found if "tests" not in p.parts)


PICTURES = _carried()
# Straight edges and rows of marks, in every test run; all pictures with all settings only in the slow set.
QUICK = ("brick", "coffee", "color", "text")
SETTINGS = {
    "card": MeasureSettings(645.0, "card"),
    "height": MeasureSettings(645.0, "straightedge", straightedge_height_mm=30.0),
    "nothing said": MeasureSettings(),
}


def test_there_are_pictures_to_refuse() -> None:
    assert len(PICTURES) > 20
    assert {"astronaut.png", "brick.png", "text.png", "china.jpg"} <= {p.name for p in PICTURES}


def refuse(picture: Path, settings: MeasureSettings, folder: Path) -> None:
    """Measure an enlarged copy and fail unless it is refused by a registered code, in one line."""
    with Image.open(picture) as opened:
        image = opened.convert("RGB")
    image = image.resize((WIDTH_PX, round(image.height * WIDTH_PX / image.width)), Image.Resampling.BICUBIC)
    copy = folder / "photo.jpg"
    image.save(copy, quality=92)
    with pytest.raises(Refusal) as refused:
        measure_photo(copy, settings)
    assert REGISTRY[refused.value.code].severity == "refusal"
    assert "\n" not in refused.value.message


@pytest.mark.parametrize("picture", [p for p in PICTURES if p.stem in QUICK], ids=lambda p: p.stem)
def test_photograph_of_something_else_is_refused(picture: Path, tmp_path: Path) -> None:
    refuse(picture, SETTINGS["height"], tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("said", SETTINGS)
@pytest.mark.parametrize("picture", PICTURES, ids=lambda p: p.stem)
def test_every_photograph_of_something_else_is_refused(picture: Path, said: str, tmp_path: Path) -> None:
    refuse(picture, SETTINGS[said], tmp_path)
