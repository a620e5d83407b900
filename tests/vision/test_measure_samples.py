"""Photos with known truth, measured as a user would: numbers right, nothing invented, relief within what is allowed.

The sample images are drawn by the project's renderer; those under `data/photos` are path traced by another program,
with depth of field, indirect light, rough metal and a camera's noise, so that the model of the light is not tested
against itself. Allowed for the relief: the larger of 1.5 U (k = 2, so three standard uncertainties) and 0.08 mm, about
a third of the usual relief, below which no truss-rod step is changed.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchmarks.accuracy import Outcome, compare, group_of, settings_from_inputs, summarise, try_photo

from lightgap.neck.errors import Refusal
from lightgap.vision import edges
from lightgap.vision.findings import REGISTRY
from lightgap.vision.height import Uppers
from lightgap.vision.measure import measure_photo

SAMPLES = Path(__file__).parents[2] / "sample_images"
TRACED = Path(__file__).parents[1] / "data" / "photos"
# Half of the smallest gap the trade reads with a feeler gauge, 0.08 mm: common practice, no published source.
MEDIAN_GAP_MM = 0.04


def hold_to_truth(outcome: Outcome) -> None:
    assert outcome.refused is None, outcome
    assert outcome.invented == 0
    assert outcome.misnumbered == 0
    assert abs(outcome.relief_error_mm) <= outcome.allowed_mm
    # An uncertainty wide enough to hold anything would pass the line above: half the usual relief, 0.25, is the most.
    assert outcome.U_mm < 0.125


def test_strings_that_go_on_past_the_straightedge_bear_no_crowns() -> None:
    outcome = try_photo(SAMPLES / "baritone-strung-outer.jpg")
    assert outcome.refused is None
    assert outcome.invented == 0
    assert abs(outcome.relief_error_mm) <= outcome.allowed_mm


def test_height_that_cannot_be_seen_is_said_to_be_unchecked(monkeypatch: pytest.MonkeyPatch) -> None:
    path = SAMPLES / "dreadnought-close.jpg"
    sidecar = json.loads(path.with_suffix(".json").read_text("utf-8"))
    settings = settings_from_inputs(sidecar["inputs"])
    assert "height-unseen" not in [w.code for w in measure_photo(path, settings).warnings]
    # As where a black blade stands before a dark cloth.
    monkeypatch.setattr(edges, "find_uppers", lambda *_: Uppers((), ()))
    result = measure_photo(path, settings)
    assert "height-unseen" in [w.code for w in result.warnings]
    hold_to_truth(Outcome(path.name, "", 0.0, **compare(result, sidecar)))


@pytest.mark.parametrize("name, chord", [("dreadnought-upbow", (1, 16)), ("ukulele-no-reference", (1, 14))])
def test_sample_is_measured(name: str, chord: tuple[int, int]) -> None:
    hold_to_truth(try_photo(SAMPLES / f"{name}.jpg", chord=chord))


@pytest.mark.parametrize("photo", sorted(TRACED.glob("*.jpg")), ids=lambda p: p.stem)
def test_path_traced_photo_is_measured(photo: Path) -> None:
    outcome = try_photo(photo)
    hold_to_truth(outcome)
    assert float(np.median(np.abs(outcome.gap_errors_mm))) < MEDIAN_GAP_MM


@pytest.mark.parametrize("photo", sorted(SAMPLES.glob("refused-*.jpg")), ids=lambda p: p.stem)
def test_hopeless_photo_is_refused_with_a_reason(photo: Path) -> None:
    inputs = json.loads(photo.with_suffix(".json").read_text("utf-8"))["inputs"]
    with pytest.raises(Refusal) as refused:
        measure_photo(photo, settings_from_inputs(inputs))
    assert refused.value.exit_status == 3
    assert refused.value.code == photo.stem.removeprefix("refused-")
    assert REGISTRY[refused.value.code].cure in str(refused.value)


def test_wrong_scale_length_is_not_measured() -> None:
    """The card says one scale, the fret spacing another: one of them is not what was said, so no number."""
    photo = SAMPLES / "dreadnought-upbow.jpg"
    inputs = json.loads(photo.with_suffix(".json").read_text("utf-8"))["inputs"]
    with pytest.raises(Refusal):
        measure_photo(photo, replace(settings_from_inputs(inputs), scale_length_mm=520.0))


def test_benchmark_counts_what_it_says() -> None:
    wrong = Outcome("a.jpg", "full plain", 1.0, None, 0.2, 0.06, (0.01, -0.03), 1, 2, (0.02, 0.02))
    right = Outcome("b.jpg", "full plain", 3.0, None, -0.02, 0.06, (0.02,), gap_U_mm=(0.03,))
    refused = Outcome("c.jpg", "full plain", 2.0, "blurred")
    figures = summarise([wrong, right, refused])
    assert (figures["photos"], figures["measured"], figures["wrong_accepted"]) == (3, 2, 1)
    assert figures["relief_bias_mm"] == pytest.approx(0.09)
    assert figures["inside_U"] == 0.5
    assert (figures["gap_median_mm"], figures["gap_max_mm"]) == pytest.approx((0.02, 0.03))
    assert figures["gap_inside_U"] == pytest.approx(2 / 3)
    assert (figures["invented"], figures["misnumbered"]) == (1, 2)


def test_benchmark_sorts_photos_into_classes() -> None:
    known = {"framing": "half", "background": "wall", "strings": False, "blade_place": "middle"}
    assert group_of({"parameters": known}) == "half plain"
    assert group_of({"parameters": known | {"background": "cloth"}}) == "half controlled"
    assert group_of({"parameters": known | {"strings": True}}) == "half strings"
