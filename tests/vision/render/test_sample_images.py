"""The sample photos in the tree are those their script makes, and their truth is not stale."""

from __future__ import annotations

import importlib.util
import json
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from types import ModuleType
from typing import Any

import jsonschema
import numpy as np
import pytest
from PIL import Image, ImageOps

from lightgap.vision.render.photo import set_up
from lightgap.vision.render.truth import describe_truth

FOLDER = Path(__file__).parents[3] / "sample_images"
PHOTOS = sorted(FOLDER.glob("*.jpg"))
SCHEMA = json.loads(files("lightgap.vision.render").joinpath("schemas", "truth-1.schema.json").read_text("utf-8"))


def load_maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_samples", FOLDER / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def side_of(photo: Path) -> dict[str, Any]:
    return dict(json.loads(photo.with_suffix(".json").read_text("utf-8")))


def test_every_scene_has_its_photo_and_nothing_else() -> None:
    assert {p.stem for p in PHOTOS} == set(load_maker().SCENES)
    assert len(PHOTOS) >= 8
    assert sum(p.stat().st_size for p in PHOTOS) < 6_000_000


@pytest.mark.parametrize("photo", PHOTOS, ids=lambda p: p.stem)
def test_truth_beside_the_photo(photo: Path) -> None:
    side = side_of(photo)
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(side, SCHEMA, cls=jsonschema.Draft202012Validator)
    seed, settings = load_maker().SCENES[photo.stem]
    crowns, line, camera = set_up(settings, rng=np.random.default_rng(seed))
    fresh = describe_truth(
        replace(settings, name=photo.stem), crowns, line=line, camera=camera, exposure=side["exposure"]
    )
    fresh = json.loads(json.dumps(fresh))
    assert side["truth"] == fresh["truth"]
    assert side["inputs"] == fresh["inputs"]
    with Image.open(photo) as picture:
        upright = ImageOps.exif_transpose(picture)
        assert upright.size == (settings.camera.width_px, settings.camera.height_px)


def test_demo_photo_is_what_the_demo_says() -> None:
    side = side_of(FOLDER / "dreadnought-upbow.jpg")
    assert side["inputs"]["scale_length_mm"] == 645.0
    assert side["inputs"]["reference"] == "card"
    assert side["parameters"]["framing"] == "full"
    assert side["parameters"]["strings"] is False
    assert side["truth"]["relief_mm"] > 0.2
