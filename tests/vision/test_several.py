"""Photos of one neck put together, against rendered truth; what is said of photos that do not fit."""

from __future__ import annotations

import functools
import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from PIL import Image

from lightgap.neck.documents import schema_for
from lightgap.neck.errors import FileProblem, InputError, Refusal
from lightgap.records.documents import measurement_of
from lightgap.vision import several
from lightgap.vision.document import measurement_document
from lightgap.vision.measure import MeasureSettings, measure_photo
from lightgap.vision.overlay import draw_overlay
from lightgap.vision.several import MeasuredPhotos, common_share, measure_photos

ROOT = Path(__file__).parents[2]
WHOLE = ROOT / "sample_images" / "dreadnought-upbow.jpg"
NUT, BODY = (ROOT / "tests" / "data" / "several" / f"{name}-half.jpg" for name in ("nut", "body"))
NO_STRAIGHTEDGE = ROOT / "sample_images" / "refused-no-straightedge.jpg"
KNOWN = MeasureSettings(645.0, reference="card", straightedge_height_mm=30.0, straightedge_thickness_mm=3.0)


@pytest.fixture(autouse=True)
def measured_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(several, "measure_photo", _measure_once)


@functools.cache
def _measure_once(path: Path, settings: MeasureSettings) -> several.Measurement:
    return measure_photo(path, settings)


@pytest.fixture(scope="module")
def truth_mm() -> dict[int, float]:
    """Crown heights of the neck, the same in all its photos."""
    found: dict[int, float] = {}
    for photo in (WHOLE, NUT, BODY):
        rows = json.loads(photo.with_suffix(".json").read_text())["truth"]["frets"]
        found |= {row["fret"]: row["gap_mm"] for row in rows}
    return found


def true_relief_mm(truth_mm: dict[int, float], result: several.Measurement) -> float:
    profile, chord = result.profile, result.relief.chord
    height = np.array([truth_mm[f] for f in profile.frets])
    ends = [profile.frets.index(f) for f in chord]
    depth = height - np.interp(profile.position_mm, profile.position_mm[ends], height[ends])
    inside = depth[ends[0] + 1 : ends[1]]
    return float(inside[np.argmax(np.abs(inside))])


@pytest.mark.parametrize("photos", [(WHOLE, NUT, BODY), (NUT, BODY), (BODY, WHOLE)])
def test_parts_and_views_of_one_neck_give_its_relief(photos: tuple[Path, ...], truth_mm: dict[int, float]) -> None:
    done = measure_photos(photos, replace(KNOWN, chord=(1, 15)))
    relief = done.result.relief
    assert relief.chord == (1, 15)
    # k = 2 holds 19 of 20; half as much again is what no honest single result should miss by.
    assert abs(relief.relief_mm - true_relief_mm(truth_mm, done.result)) < 1.5 * relief.U_mm
    assert relief.shape == "up-bow"
    assert [facts.file for facts in done.result.photos] == [photo.name for photo in photos]
    assert done.used == tuple(range(len(photos)))


def test_halves_joined_reach_over_the_whole_neck() -> None:
    done = measure_photos((NUT, BODY), KNOWN)
    assert set(done.parts[0].profile.frets) != set(done.parts[1].profile.frets)
    assert done.result.profile.frets[0] == done.parts[0].profile.frets[0]
    assert done.result.profile.frets[-1] == done.parts[1].profile.frets[-1]


@pytest.fixture(scope="module")
def three() -> MeasuredPhotos:
    return measure_photos((WHOLE, NUT, BODY), KNOWN)


def test_uncertainty_is_not_divided_by_the_root_of_the_number(three: MeasuredPhotos) -> None:
    """The model's share of the first photo's variance stays, whatever the others add."""
    for part in three.parts:
        assert 0.3 < common_share(part) < 1.0
    kinds = {line.kind for line in three.result.budget}
    assert kinds == {"A", "B"}
    model = np.sqrt(sum(line.u_mm**2 for line in three.result.budget if line.kind == "B"))
    alone = three.parts[0]
    # Each budget is for its own fret of relief, and end-on frets have several times the share of the others: the photo
    # with the least is the one that the whole cannot have beaten by averaging.
    least = min(np.sqrt(sum(line.u_mm**2 for line in part.budget if line.kind == "B")) for part in three.parts)
    assert model > 0.5 * least
    assert three.result.relief.U_mm > alone.relief.U_mm / np.sqrt(3)


def test_document_lists_all_photos_says_where_a_crown_is_and_comes_back(three: MeasuredPhotos) -> None:
    document = measurement_document(three.result)
    jsonschema.validate(document, schema_for("profile-1"))
    assert [photo["file"] for photo in document["photos"]] == [WHOLE.name, NUT.name, BODY.name]
    for row in document["crowns"]:
        part = three.parts[row["photo"]]
        crown = next(c for c in part.profile.crowns if c.fret == row["fret"])
        assert (row["x_px"], row["y_px"]) == pytest.approx((crown.x_px, crown.y_px), abs=0.001)
        assert not any(row["fret"] in p.profile.frets for p in three.parts[: row["photo"]])
    assert document["scale"] == measurement_document(three.parts[0])["scale"]
    again = measurement_of(document)
    assert measurement_document(again)["photos"] == document["photos"]
    assert again.shown_in == three.result.shown_in


def test_one_photo_has_the_document_it_always_had() -> None:
    done = measure_photos((WHOLE,), KNOWN)
    document = measurement_document(done.result)
    assert document == measurement_document(_measure_once(WHOLE, KNOWN))
    assert not any("photo" in row for row in document["crowns"])


def test_overlay_of_a_combined_result_marks_only_what_the_photo_shows(three: MeasuredPhotos) -> None:
    assert draw_overlay(WHOLE, three.result).startswith(b"\x89PNG")
    mixed = replace(three.result, shown_in=(1,) * len(three.result.profile.crowns))
    assert draw_overlay(WHOLE, mixed) != draw_overlay(WHOLE, three.result)


def test_each_warning_is_said_once_with_its_photos(three: MeasuredPhotos) -> None:
    messages = [finding.message for finding in three.result.warnings]
    assert len(messages) == len(set(messages))
    said = {(w.code, w.message) for part in three.parts for w in part.warnings if w.code != "gaps-not-zeroed"}
    assert len(messages) == len(said)
    assert all(any(photo.name in message for photo in (WHOLE, NUT, BODY)) for message in messages)


def test_photo_that_is_refused_is_left_out_and_named() -> None:
    done = measure_photos((NUT, NO_STRAIGHTEDGE, BODY), KNOWN)
    assert done.used == (0, 2)
    (left_out,) = [w for w in done.result.warnings if w.code == "photo-left-out"]
    assert NO_STRAIGHTEDGE.name in left_out.message
    with pytest.raises(Refusal) as reason:
        _measure_once(NO_STRAIGHTEDGE, KNOWN)
    assert reason.value.message in left_out.message


def test_one_photo_left_is_that_photo_with_the_chord_asked_for() -> None:
    done = measure_photos((NO_STRAIGHTEDGE, WHOLE), replace(KNOWN, chord=(2, 12)))
    assert done.used == (1,)
    assert done.result.others == ()
    assert done.result.relief == _measure_once(WHOLE, replace(KNOWN, chord=(2, 12))).relief
    assert done.result.warnings[0].code == "photo-left-out"


def test_all_refused_is_the_first_reason(tmp_path: Path) -> None:
    grey = tmp_path / "grey.png"
    Image.new("RGB", (1200, 500), (120, 120, 120)).save(grey)
    with pytest.raises(Refusal) as both:
        measure_photos((NO_STRAIGHTEDGE, grey), KNOWN)
    with pytest.raises(Refusal) as first:
        _measure_once(NO_STRAIGHTEDGE, KNOWN)
    assert both.value.code == first.value.code
    assert str(both.value) == f"{NO_STRAIGHTEDGE.name}: {first.value}"


def test_contradiction_is_refused_with_the_photo_and_the_fret(monkeypatch: pytest.MonkeyPatch) -> None:
    def bent(path: Path, settings: MeasureSettings) -> several.Measurement:
        part = _measure_once(path, settings)
        if path != NUT:
            return part
        crowns = tuple(replace(c, gap_mm=c.gap_mm + 0.1 * (c.fret - 5) ** 2) for c in part.profile.crowns)
        return replace(part, profile=replace(part.profile, crowns=crowns))

    monkeypatch.setattr(several, "measure_photo", bent)
    with pytest.raises(
        Refusal, match=r"contradict one another \(most at fret \d+ in .*\.jpg, by \d\.\d\d mm\)"
    ) as found:
        measure_photos((WHOLE, NUT), KNOWN)
    assert found.value.code == "photos-disagree"


def test_parts_without_three_common_frets_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    def cut(path: Path, settings: MeasureSettings) -> several.Measurement:
        part = _measure_once(path, settings)
        if path != NUT:
            return part
        profile = part.profile
        keep = [i for i, f in enumerate(profile.frets) if f <= 5]
        crowns = tuple(profile.crowns[i] for i in keep)
        return replace(
            part, profile=replace(profile, crowns=crowns, covariance_mm2=profile.covariance_mm2[np.ix_(keep, keep)])
        )

    monkeypatch.setattr(several, "measure_photo", cut)
    with pytest.raises(Refusal, match=r"body-half\.jpg shows frets") as found:
        measure_photos((NUT, BODY), KNOWN)
    assert found.value.code == "photos-apart"


def test_mistakes_are_said_before_or_instead_of_a_number(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="--scale-length"):
        measure_photos((WHOLE, NUT), MeasureSettings())
    copy = tmp_path / "copy.jpg"
    copy.write_bytes(WHOLE.read_bytes())
    for other, words in ((copy, "copy.jpg are the same photo"), (WHOLE, "given twice")):
        with pytest.raises(InputError, match=words):
            measure_photos((WHOLE, other), KNOWN)
    with pytest.raises(FileProblem, match=r"none\.jpg"):
        measure_photos((WHOLE, tmp_path / "none.jpg"), KNOWN)
