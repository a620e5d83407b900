"""The chord asked for reaches past the crowns that were read: carried on over two frets, and no farther."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from benchmarks.accuracy import settings_from_inputs
from PIL import Image

from lightgap.neck.documents import profile_from_document, schema_for
from lightgap.neck.errors import Refusal
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import CrownGap, GapProfile
from lightgap.neck.straightness import chord_matrix
from lightgap.vision import pipeline
from lightgap.vision.document import measurement_document
from lightgap.vision.joined import Joined
from lightgap.vision.measure import measure_photo
from lightgap.vision.overlay import draw_overlay
from lightgap.vision.pipeline import choose_chord, reach_chord
from lightgap.vision.types import Measurement

PHOTO = Path(__file__).parents[2] / "sample_images" / "dreadnought-upbow.jpg"
LENGTH_MM = 645.0


def profile(frets: range, **more: bool) -> GapProfile:
    place = [float(fret_position_mm(float(f), LENGTH_MM)) for f in frets]
    rows = tuple(CrownGap(f, x, 1e-6 * (x - 200) ** 2, 0.01) for f, x in zip(frets, place, strict=True))
    return GapProfile(rows, 1e-4 * np.eye(len(rows)), **more)


@pytest.mark.parametrize(
    ("chord", "carried"),
    [(None, ()), ((3, 14), ()), ((2, 14), (2,)), ((1, 16), (1, 16)), ((1, 14), (1,)), ((5, 17), ()), ((15, 4), (15,))],
)
def test_ends_next_to_crowns_that_were_read_are_carried_on(
    chord: tuple[int, int] | None, carried: tuple[int, ...]
) -> None:
    got = reach_chord(profile(range(3, 15)), chord, LENGTH_MM)
    assert tuple(c.fret for c in got.profile.crowns if c.extrapolated) == carried
    assert len(got.weights) == len(got.profile.crowns)
    if chord == (5, 17):  # three frets past the last one read
        with pytest.raises(Refusal) as refused:
            choose_chord(got.profile, chord)
        assert refused.value.code == "too-few-crowns"


def test_frets_counted_from_the_first_in_view_have_no_place_to_carry_on_to() -> None:
    got = reach_chord(profile(range(3, 15), numbers_relative=True), (2, 14), LENGTH_MM)
    assert got.profile.frets[0] == 3


def test_a_few_crowns_far_from_either_end_tell_nothing_there() -> None:
    few = profile(range(3, 6))
    assert reach_chord(few, (2, 6), LENGTH_MM).profile == few


@pytest.fixture(scope="module")
def carried() -> Measurement:
    """The relief over one fret more than lies under the straightedge."""
    inputs = json.loads(PHOTO.with_suffix(".json").read_text("utf-8"))["inputs"]
    return measure_photo(PHOTO, settings_from_inputs(inputs, chord=(1, 17)))


def test_the_fret_carried_on_is_said_and_marked(carried: Measurement) -> None:
    *read, last = carried.profile.crowns
    assert last.fret == 17
    assert last.extrapolated
    assert last.x_px is None
    assert not any(c.extrapolated for c in read)
    assert last.u_gap_mm > max(c.u_gap_mm for c in read[-3:])
    assert carried.relief.chord == (1, 17)
    said = {w.code: w.message for w in carried.warnings}
    assert "fret 17" in said["end-extrapolated"]


def test_the_document_holds_it_and_reads_back(carried: Measurement) -> None:
    document = json.loads(json.dumps(measurement_document(carried)))
    jsonschema.validate(document, schema_for("profile-1"))
    assert document["crowns"][-1]["extrapolated"] is True
    assert "x_px" not in document["crowns"][-1]
    assert "extrapolated" not in document["crowns"][0]
    back = profile_from_document(document)
    assert back.crowns[-1].extrapolated


def test_the_budget_has_a_line_for_it_and_adds_up(carried: Measurement) -> None:
    """Squares of independent lines add (JCGM 100:2008, 5.1.2)."""
    whole, relief = carried.profile, carried.relief
    ends = whole.frets.index(relief.chord[0]), whole.frets.index(relief.chord[1])
    row = chord_matrix(whole.position_mm, ends)[whole.frets.index(relief.at_fret)]
    variance = float(row @ whole.covariance_mm2 @ row)
    # The re-zero's own choice of the touching crowns moves the variance a little.
    assert sum(line.u_mm**2 for line in carried.budget) == pytest.approx(variance, rel=0.1)
    assert any("carried on" in line.name for line in carried.budget)


def test_the_overlay_marks_only_what_was_seen(carried: Measurement) -> None:
    seen = replace(carried, profile=replace(carried.profile, **_without_last(carried.profile)))
    pictures = []
    for measurement in (carried, seen):
        with Image.open(io.BytesIO(draw_overlay(PHOTO, measurement))) as picture:
            pictures.append(np.asarray(picture.convert("RGB"))[: measurement.photo.height_px])
    np.testing.assert_array_equal(*pictures)


def _without_last(whole: GapProfile) -> dict[str, object]:
    return {"crowns": whole.crowns[:-1], "covariance_mm2": whole.covariance_mm2[:-1, :-1]}


def test_a_fret_kept_in_doubt_is_named_by_its_own_number_where_the_chord_s_end_is_carried_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sidecar = json.loads(PHOTO.with_suffix(".json").read_text("utf-8"))

    def weigh(*given: Any, **more: Any) -> Joined:
        joined = real(*given, **more)
        return replace(joined, in_doubt=(joined.crowns.crowns[4].fret,), by_foot=(joined.crowns.crowns[5].fret,))

    real = pipeline.weigh
    monkeypatch.setattr(pipeline, "weigh", weigh)
    got = measure_photo(PHOTO, replace(settings_from_inputs(sidecar["inputs"]), chord=(1, 17)))
    assert [c.fret for c in got.profile.crowns if c.extrapolated]
    read = [c.fret for c in got.profile.crowns if not c.extrapolated]
    said = {w.code: w.message for w in got.warnings}
    assert f"(fret {read[4]})" in said["crown-off-foot"]
    assert f"by the foot of the fret: {read[5]}" in said["crowns-left-out"]
