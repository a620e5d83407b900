"""Fret numbers and scale without an object: the first fret's number, the nut, and what neither can tell."""

from __future__ import annotations

import json
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchmarks.accuracy import settings_from_inputs

from lightgap.neck.errors import InputError, Refusal
from lightgap.neck.frets import fret_position_mm
from lightgap.vision.comb import Comb, CombPrior
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.measure import MeasureSettings, measure_photo
from lightgap.vision.numbered import Located
from lightgap.vision.numbering import renumbered
from lightgap.vision.odds import Numbering, check_no_border, check_numbering, numbered_by_turn
from lightgap.vision.several import measure_photos
from lightgap.vision.types import Measurement

SAMPLES = Path(__file__).parents[2] / "sample_images"
TRACED = Path(__file__).parents[1] / "data" / "photos"
NUT_IN_VIEW = TRACED / "half-skewed-card-backlit.jpg"
NO_NUT = TRACED / "half-upbow-blackblade-coin.jpg"  # shows frets 5 to 17
FRETS_3U = 3.0


def sidecar(photo: Path) -> dict[str, dict[str, object]]:
    return json.loads(photo.with_suffix(".json").read_text("utf-8"))  # type: ignore[no-any-return]


def told(photo: Path, **changes: object) -> MeasureSettings:
    return replace(settings_from_inputs(sidecar(photo)["inputs"]), **changes)  # type: ignore[arg-type]


def by_frets(photo: Path, first_fret: int | None) -> MeasureSettings:
    """Return what is known without any object: scale length and, perhaps, the first fret in view."""
    truth = sidecar(photo)["truth"]
    return told(
        photo,
        reference="frets",
        straightedge_height_mm=None,
        first_fret=first_fret,
        chord=tuple(truth["relief_span_frets"]),  # type: ignore[arg-type]
    )


def hold_to_truth(measured: Measurement, photo: Path) -> None:
    truth = sidecar(photo)["truth"]
    assert measured.scale.reference == "frets"
    assert measured.scale.check is None
    miss = abs(measured.scale.px_per_mm - float(truth["px_per_mm_at_middle"]))  # type: ignore[arg-type]
    assert miss < FRETS_3U * measured.scale.u_px_per_mm
    # An uncertainty as wide as a fret's step of scale (6 %) would pass the line above.
    assert measured.scale.u_px_per_mm < 0.02 * measured.scale.px_per_mm
    assert abs(measured.relief.relief_mm - float(truth["relief_mm"])) < measured.relief.U_mm  # type: ignore[arg-type]
    assert "scale-by-frets" in {finding.code for finding in measured.warnings}
    true_px = {row["fret"]: row["u_px"] for row in truth["frets"]}  # type: ignore[attr-defined]
    read = [crown for crown in measured.profile.crowns if not crown.extrapolated]  # one carried on is at no place
    assert len(read) >= len(measured.profile.crowns) - 1
    for crown in read:
        # Frets are 10 mm apart and more: 3 mm tell one from the next, whatever smears it.
        assert crown.x_px == pytest.approx(true_px[crown.fret], abs=3 * measured.scale.px_per_mm)


@pytest.mark.parametrize("by", [-3, 1, 5])
@pytest.mark.parametrize("keep_length", [True, False])
def test_renumbered_comb_has_its_frets_where_they_were(by: int, keep_length: bool) -> None:
    comb = Comb(1, 180.0, 9.0, 0.01, 0.01, 0.0, 2000.0, 3900.0, 648.0)
    called = renumbered(comb, by, keep_length=keep_length)
    number = np.arange(4.0, 16.0)
    before = comb.x_px(fret_position_mm(number, comb.scale_length_mm))
    after = called.x_px(fret_position_mm(number + by, called.scale_length_mm))
    np.testing.assert_allclose(after, before, atol=1e-9)  # exact but for rounding of numbers near 4000
    assert (called.scale_length_mm == comb.scale_length_mm) is keep_length
    assert (called.px_per_mm == comb.px_per_mm) is not keep_length


def test_first_fret_and_scale_length_are_enough() -> None:
    hold_to_truth(measure_photo(NO_NUT, by_frets(NO_NUT, 5)), NO_NUT)


def test_nut_in_view_and_scale_length_are_enough() -> None:
    hold_to_truth(measure_photo(NUT_IN_VIEW, by_frets(NUT_IN_VIEW, None)), NUT_IN_VIEW)


@pytest.mark.slow
@pytest.mark.parametrize(
    "photo, first_fret",
    [
        (TRACED / "full-falling-noref-backlit.jpg", 1),
        (TRACED / "full-falling-noref-backlit.jpg", None),
        (TRACED / "half-outer-marker-wall.jpg", 1),
        (SAMPLES / "dreadnought-upbow.jpg", 1),
        (SAMPLES / "archtop-high-fret.jpg", None),
        (SAMPLES / "ukulele-no-reference.jpg", None),
        (SAMPLES / "parlour-backbow.jpg", 1),
    ],
    ids=lambda value: value.stem if isinstance(value, Path) else str(value),
)
def test_more_photos_by_frets_alone(photo: Path, first_fret: int | None) -> None:
    hold_to_truth(measure_photo(photo, by_frets(photo, first_fret)), photo)


@pytest.mark.parametrize(
    "photo", [NO_NUT, TRACED / "half-outer-marker-wall.jpg"], ids=["out of view", "black on black"]
)
def test_without_number_and_nut_it_is_refused_with_what_helps(photo: Path) -> None:
    with pytest.raises(Refusal) as refused:
        measure_photo(photo, by_frets(photo, None))
    assert refused.value.code == "numbering-ambiguous"
    for way in ("--first-fret", "nut", "reference object", "height"):
        assert way in refused.value.message


@pytest.mark.slow
def test_wrong_first_fret_is_told_by_the_nut() -> None:
    with pytest.raises(Refusal) as refused:
        measure_photo(NUT_IN_VIEW, by_frets(NUT_IN_VIEW, 2))
    assert refused.value.code == "nut-contradicts"
    assert "is 1, not 2" in refused.value.message


@pytest.mark.parametrize("first_fret", [4, 6])
def test_wrong_first_fret_is_told_by_an_object(first_fret: int) -> None:
    with pytest.raises(Refusal):
        measure_photo(NO_NUT, told(NO_NUT, first_fret=first_fret))


@pytest.mark.parametrize("off", [-2, -1, 1, 2])
def test_wrong_first_fret_is_told_by_the_dots_on_the_side(off: int) -> None:
    with pytest.raises(Refusal, match="dots on the board's side") as refused:
        measure_photo(NO_NUT, by_frets(NO_NUT, 5 + off))
    assert refused.value.code == "numbering-ambiguous"


@pytest.mark.slow
@pytest.mark.parametrize("off", [-1, 1])
def test_wrong_first_fret_alone_scales_the_relief_by_a_semitone(off: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without dots nothing can tell: what the documents say of it is what happens, 6 % a fret and the sign right."""
    monkeypatch.setattr("lightgap.vision.numbering.read_dots", lambda *_: ())
    right = measure_photo(NO_NUT, by_frets(NO_NUT, 5)).relief
    settings = by_frets(NO_NUT, 5 + off)
    wrong = measure_photo(NO_NUT, replace(settings, chord=(5 + off, 17 + off))).relief
    # What is read of a crown is in pixels; the outline's model in mm shifts with the scale by a part of U.
    assert wrong.relief_mm == pytest.approx(right.relief_mm * 2 ** (-off / 12), abs=0.3 * right.U_mm)
    assert np.sign(wrong.relief_mm) == np.sign(right.relief_mm)


def test_nut_makes_the_numbers_absolute_without_the_scale_length() -> None:
    measured = measure_photo(NUT_IN_VIEW, told(NUT_IN_VIEW, scale_length_mm=None))
    truth = sidecar(NUT_IN_VIEW)
    assert not measured.profile.numbers_relative
    assert "numbers-relative" not in {finding.code for finding in measured.warnings}
    true_px = {row["fret"]: row["u_px"] for row in truth["truth"]["frets"]}  # type: ignore[attr-defined]
    for crown in measured.profile.crowns:
        assert crown.x_px == pytest.approx(true_px[crown.fret], abs=3 * measured.scale.px_per_mm)
    # The scale length then comes out of the picture: as good as the card's scale, 1.2 %, three times over.
    assert measured.facts["scale_length_mm"] == pytest.approx(float(truth["inputs"]["scale_length_mm"]), rel=0.036)  # type: ignore[arg-type]


@pytest.mark.slow
def test_out_of_view_nut_leaves_the_numbers_relative() -> None:
    measured = measure_photo(NO_NUT, told(NO_NUT, scale_length_mm=None))
    assert measured.profile.numbers_relative
    assert measured.profile.frets[0] == 1
    counted = measure_photo(NO_NUT, told(NO_NUT, scale_length_mm=None, first_fret=5))
    assert not counted.profile.numbers_relative
    assert counted.profile.frets == tuple(number + 4 for number in measured.profile.frets)


@pytest.mark.parametrize("frets_off", [-1, 1])
def test_reference_wrong_by_a_fret_is_caught_by_the_nut(frets_off: int) -> None:
    photo = SAMPLES / "parlour-backbow.jpg"
    settings = told(photo, straightedge_height_mm=None)
    kind, size = settings.reference.split(":")
    with pytest.raises(Refusal) as refused:
        measure_photo(photo, replace(settings, reference=f"{kind}:{float(size) * 2 ** (frets_off / 12):.4f}"))
    assert refused.value.code == "nut-contradicts"


def test_mistakes_are_said_before_anything_is_measured() -> None:
    with pytest.raises(InputError, match="needs --scale-length"):
        measure_photo(NO_NUT, MeasureSettings(reference="frets"))
    with pytest.raises(InputError, match="each has its own"):
        measure_photos([NO_NUT, NUT_IN_VIEW], replace(by_frets(NO_NUT, 5), chord=None))


@pytest.mark.parametrize(("margin", "numbered"), [(8.0, False), (10.0, True)])
def test_fret_ends_are_numbered_by_clear_spacing_or_by_what_is_told(margin: float, *, numbered: bool) -> None:
    """Odds of 8000 to 1 against the next numbering: exp 9."""
    edge = EdgeCurve(np.array([200.0]), 800.0, 800.0, 0.0, 1599.0, 1, 0.0)
    comb = Comb(1, 100.0, 12.0, 0.0, 0.0, 0.0, 800.0, 1600.0, 648.0)
    found = Located(edge, comb, (3, 4, 5), 100.0, 100.0 - margin, beside_outer=True)
    check_numbering(found, Numbering(648.0, None, 3))
    check_numbering(replace(found, beside_outer=False), Numbering(648.0, None, None))
    with nullcontext() if numbered else pytest.raises(Refusal, match="which fret is which"):
        check_numbering(found, Numbering(648.0, None, None))


@pytest.mark.parametrize(
    ("edge_px", "mirrored", "may_be"), [(200, False, True), (188, False, False), (188, True, False)]
)
def test_by_its_height_alone_no_edge_is_taken_that_frets_stand_above(
    edge_px: int, *, mirrored: bool, may_be: bool
) -> None:
    """Frets stand in the 12 px (1.2 mm, a fret's height) over the board's border, and below it where they end.

    Where the straightedge's face mirrors them as bright, the border below its edge tells it.
    """
    rng = np.random.default_rng(3)
    comb = Comb(1, 100.0, 10.0, 0.0, 0.0, 0.0, 800.0, 1600.0, 648.0)
    light = np.full((300, 1600), 0.5, np.float32)
    light[188:200], light[200:] = 0.4, 0.1
    for column in comb.frets(0.0, 1599.0)[1]:
        light[168 if mirrored else 188 : 210, round(column) - 8 : round(column) + 8] = 0.9
    light += rng.normal(0, 0.005, light.shape).astype(np.float32)
    edge = EdgeCurve(np.array([float(edge_px)]), 800.0, 800.0, 0.0, 1599.0, 1, 0.0)
    found = Located(edge, comb, (3, 4, 5), 100.0, 0.0)
    with pytest.raises(Refusal, match="the board's border") if may_be else nullcontext():
        check_no_border(light, found)


@pytest.mark.parametrize(
    ("outer_before", "outer_after", "evidence", "odds", "sure"),
    [
        (False, False, 31.0, 3.9, False),
        (False, False, 31.0, 4.1, True),
        (True, False, 31.0, 8.9, False),
        (True, True, 31.0, 9.1, True),
        (False, False, 29.0, 4.1, False),  # less than without: the frets do not bear the turn out
    ],
)
def test_the_edges_turn_numbers_frets_where_the_odds_are_then_clear(
    monkeypatch: pytest.MonkeyPatch, outer_before: bool, outer_after: bool, evidence: float, odds: float, sure: bool
) -> None:
    """Odds of 55 to 1 (exp 4), beside the outer string 8000 (exp 9), also where only one of the two has it there."""
    edge = EdgeCurve(np.array([400.0]), 800.0, 800.0, 0.0, 1599.0, 1, 0.0)
    comb = Comb(1, 100.0, 12.0, 0.0, 0.0, 0.0, 800.0, 1600.0, 648.0)
    before = Located(edge, comb, (3, 4, 5), 30.0, 29.0, beside_outer=outer_before)
    after = Located(edge, comb, (4, 5, 6), evidence, evidence - odds, beside_outer=outer_after)
    asked = []

    def number(_: np.ndarray, __: EdgeCurve, prior: CombPrior) -> Located:
        asked.append(prior.turn)
        return after

    monkeypatch.setattr("lightgap.vision.turn.number_frets", number)
    upper = replace(edge, coefficients=np.array([-8.0, 100.0]))  # 300 px over the lower one, and 8 each way at its ends
    got = numbered_by_turn(np.zeros((600, 1600), np.float32), edge, upper, before, CombPrior(12.0, 648.0, 1600.0))
    assert got == (after if sure else before)
    assert asked[0].yaw == pytest.approx(-8 / 300, rel=0.01)  # seen higher on the right: nearer there
