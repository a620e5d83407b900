"""Pictures of other things are refused: no number is better than a wrong one.

Real photographs come with scikit-image and scikit-learn; pictures that look most like frets under an edge are drawn.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import skimage
import sklearn.datasets
from benchmarks.drawn_things import finished, flat_board, with_object
from numpy.typing import NDArray
from PIL import Image

from lightgap.neck.errors import Refusal
from lightgap.vision.findings import REGISTRY
from lightgap.vision.measure import MeasureSettings, measure_photo

# Of the package's own pictures those that are photographs or scans; none is fetched.
SCENES = [
    "astronaut.png",
    "brick.png",
    "camera.png",
    "cell.png",
    "chelsea.png",
    "clock_motion.png",
    "coffee.png",
    "coins.png",
    "grass.png",
    "gravel.png",
    "hubble_deep_field.jpg",
    "ihc.png",
    "microaneurysms.png",
    "moon.png",
    "motorcycle_left.png",
    "motorcycle_right.png",
    "page.png",
    "retina.jpg",
    "rocket.jpg",
    "text.png",
]
FOLDERS = (Path(skimage.__file__).parent / "data", Path(sklearn.datasets.__file__).parent / "images")
PHOTOS = [p for p in (FOLDERS[0] / name for name in SCENES) if p.exists()] + sorted(FOLDERS[1].glob("*.jpg"))

WITH_CARD = MeasureSettings(scale_length_mm=648.0, reference="card")
WITH_HEIGHT = MeasureSettings(scale_length_mm=648.0, reference="straightedge", straightedge_height_mm=30.0)
BOTH = pytest.mark.parametrize("settings", [WITH_CARD, WITH_HEIGHT], ids=["card", "straightedge"])


def hold_refused(path: Path, settings: MeasureSettings) -> None:
    with pytest.raises(Refusal) as refused:
        measure_photo(path, settings)
    assert refused.value.code in REGISTRY


def test_enough_real_photographs_stand_by() -> None:
    assert len(PHOTOS) >= 15


@BOTH
@pytest.mark.parametrize("photo", PHOTOS, ids=lambda p: p.stem)
def test_photo_of_something_else_is_refused(photo: Path, settings: MeasureSettings) -> None:
    hold_refused(photo, settings)


def draw(kind: str) -> NDArray[np.uint8]:
    """Return a picture 2400 x 900 of something evenly spaced, crisp, noisy a little."""
    noise = np.random.default_rng(7)
    picture = np.full((900, 2400), 190.0)
    if kind == "noise":
        picture = noise.uniform(0, 255, picture.shape)
    elif kind == "bands":
        picture[:] = 127 + 120 * np.sign(np.sin(np.arange(900) / 14))[:, None]
    elif kind == "ruler":
        picture[300:520] = 235
        for i, x in enumerate(range(60, 2340, 20)):
            picture[440 - 60 * (i % 5 == 0) - 30 * (i % 10 == 0) : 520, x : x + 3] = 25
    elif kind == "comb":
        picture[330:420] = 30
        for x in range(80, 2320, 90):
            picture[420:620, x : x + 34] = 30
    elif kind == "ladder":
        picture[300:345], picture[600:645] = 45, 45
        for x in range(90, 2350, 160):
            picture[345:600, x : x + 26] = 45
    elif kind == "blinds":
        for y in range(40, 880, 62):
            picture[y : y + 40] = 90 + 60 * np.linspace(0, 1, 40)[:, None]
        for x in (420, 1200, 1980):
            picture[:, x : x + 5] = 60
    elif kind == "shelf":
        picture[640:690] = 70
        for i, x in enumerate(range(40, 2340, 74)):
            picture[250 + 37 * (i * i % 5) : 640, x : x + 70] = 40 + 29 * (i * 7 % 6)
    elif kind == "fence":
        picture[250:300], picture[560:610] = 220, 220
        for x in range(20, 2380, 110):
            picture[120:800, x : x + 70] = 225
        picture[:120] = 120
    return np.clip(picture + noise.normal(0, 2.5, picture.shape), 0, 255).astype(np.uint8)


@BOTH
@pytest.mark.parametrize("kind", ["noise", "bands", "ruler", "comb", "ladder", "blinds", "shelf", "fence", "blank"])
def test_evenly_spaced_thing_is_refused(kind: str, settings: MeasureSettings, tmp_path: Path) -> None:
    path = tmp_path / f"{kind}.png"
    Image.fromarray(draw(kind)).convert("RGB").save(path)
    hold_refused(path, settings)


@pytest.mark.parametrize("told", ["coin", "card"])
def test_flat_drawing_of_a_bowed_board_has_no_depth(told: str, tmp_path: Path) -> None:
    """Round crowns that touch a bar, spaced like frets, on a bowed board: all a photo has but parallax."""
    picture = with_object(finished(flat_board(gap_px=0.0, bow_px=2.0, crowns=True), seed=1), told)
    reference = "coin:24.26" if told == "coin" else told
    path = tmp_path / "board.png"
    Image.fromarray(picture).save(path)
    with pytest.raises(Refusal) as refused:
        measure_photo(path, MeasureSettings(scale_length_mm=648.0, reference=reference))
    assert refused.value.code == "no-depth"
