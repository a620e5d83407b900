"""The scale: a reference held against the straightedge's height, fret spacing alone, blur of the whole picture."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest
from benchmarks.accuracy import settings_from_inputs
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from lightgap.neck.errors import Refusal
from lightgap.vision import calibrate, camera_fit, edges, locate, numbered, numbering
from lightgap.vision.blade import Candidate, candidates_among, clear_uppers, judge_line, upper_edge
from lightgap.vision.border import follow_border, rise_px
from lightgap.vision.camera import BoardCamera
from lightgap.vision.comb import Comb, CombPrior
from lightgap.vision.edge import Line, find_lines, sharpest_px
from lightgap.vision.findings import refusal
from lightgap.vision.height import MAX_HEIGHT_DISAGREEMENT, Face, likeliest, sharpened
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.measure import MeasureSettings, measure_photo
from lightgap.vision.numbered import Located, bend_px
from lightgap.vision.photo import Photo, encode_srgb
from lightgap.vision.reference import ReferenceRequest
from lightgap.vision.survey import MAX_PICTURE_BLUR_PX, survey
from lightgap.vision.types import PhotoFacts

SAMPLES = Path(__file__).parents[2] / "sample_images"
TRACED = Path(__file__).parents[1] / "data" / "photos"


def told(photo: Path) -> MeasureSettings:
    return settings_from_inputs(json.loads(photo.with_suffix(".json").read_text("utf-8"))["inputs"])


@pytest.mark.parametrize("frets_off", [1, -1, 4])
@pytest.mark.parametrize(
    "photo", [TRACED / "half-upbow-blackblade-coin.jpg", SAMPLES / "parlour-backbow.jpg"], ids=lambda p: p.stem
)
def test_reference_wrong_by_frets_is_caught_by_the_height(photo: Path, frets_off: int) -> None:
    """A size wrong by 2^(n/12) renumbers every fret and leaves their spacing right: only the height can tell."""
    settings = told(photo)
    kind, size = settings.reference.split(":")
    wrong = replace(settings, reference=f"{kind}:{float(size) * 2 ** (frets_off / 12):.4f}")
    with pytest.raises(Refusal):
        measure_photo(photo, wrong)


@pytest.mark.parametrize("share", [0.97, 1.0, 1.03])
def test_the_height_is_held_against_the_scale_in_the_middle(share: float) -> None:
    """An object off the middle of a turned camera's picture is seen at another scale than the height is."""
    scale, face, focal_px = 8.0, Face(25.0, 1.0), 4000.0
    prior = CombPrior(scale, 640.0, focal_px, u_scale=0.005)
    middle = scale * share
    rise = face.height_mm * middle * (1 + face.thickness_mm / 2 * middle / focal_px)  # its front face is nearer
    assert sharpened(prior, (rise,), face, middle_share=share).u_scale < prior.u_scale
    with pytest.raises(Refusal):
        sharpened(prior, (rise * (1 + 1.1 * MAX_HEIGHT_DISAGREEMENT),), face, middle_share=share)
    if share != 1.0:
        with pytest.raises(Refusal):
            sharpened(prior, (rise,), face)


def test_fret_spacing_and_the_height_are_the_height_checked_by_the_spacing() -> None:
    photo = SAMPLES / "ukulele-no-reference.jpg"
    settings = told(photo)
    by_frets = measure_photo(photo, replace(settings, reference="frets"))
    by_height = measure_photo(photo, replace(settings, reference="straightedge"))
    assert by_frets.profile.frets == by_height.profile.frets
    assert by_frets.scale.check is not None


def drawn(blur_px: float = 1.0) -> NDArray[np.float32]:
    """Return blade (rows 200 to 449), gap of 12 px, and board with frets every 90 px; 10 px/mm, blurred, noisy."""
    picture = np.full((700, 2400), 0.7)
    picture[200:450, 200:2200] = 0.1
    picture[462:] = 0.05
    for x in range(260, 2200, 90):
        picture[450:470, x : x + 20] = 0.35
    picture = gaussian_filter(picture, blur_px) + np.random.default_rng(3).normal(0, 0.003, picture.shape)
    return np.asarray(picture, dtype=np.float32)


@pytest.mark.parametrize("blur_px", [1.0, 2.0])
def test_blur_of_a_picture_is_that_of_its_sharpest_edges(blur_px: float) -> None:
    # The difference of the rows above and below is the slope averaged over two pixels, whose variance is 1/3; noise and
    # the nearness of gap and board leave a tenth.
    assert sharpest_px(drawn(blur_px)) == pytest.approx(np.hypot(blur_px, 3**-0.5), rel=0.12)


@pytest.mark.parametrize("kind", ["straightedge", "card"])
def test_hopeless_blur_is_told(kind: Literal["straightedge", "card"]) -> None:
    """Twelve rows hold no whole edge of 5 px: it reads low, and still above what is refused."""
    for blur_px in (1.0, 5.0):
        light = np.clip(drawn(blur_px), 0, 1)
        shown = np.repeat(np.rint(255 * encode_srgb(light)).astype(np.uint8)[..., None], 3, axis=2)
        photo = Photo(PhotoFacts("neck.png", "", light.shape[1], light.shape[0], None), light, shown)
        if blur_px < MAX_PICTURE_BLUR_PX:
            assert survey(photo, ReferenceRequest(kind)).lines
        else:
            with pytest.raises(Refusal) as refused:
                survey(photo, ReferenceRequest(kind))
            assert refused.value.code == "blurred"


def test_lower_edge_is_worth_more_than_the_board_s() -> None:
    picture = drawn()
    lines = find_lines(picture)
    rows = [line.middle_y_px for line in lines]
    edge, board = (lines[int(np.argmin([abs(r - row) for r in rows]))] for row in (449.5, 461.5))
    assert (edge.middle_y_px, board.middle_y_px) == pytest.approx((449.5, 461.5), abs=1.5)  # lines lie on whole rows
    assert judge_line(picture, edge, px_per_mm=10.0) > judge_line(picture, board, px_per_mm=10.0)


def test_upper_edge_is_found_at_its_height_and_nowhere_else() -> None:
    lines = find_lines(drawn())
    lower = min(lines, key=lambda line: abs(line.middle_y_px - 449.5))
    found = upper_edge(lines, lower, height_px=250.0, px_per_mm=10.0, focal_px=2600.0)
    assert found is not None
    assert found[0] == pytest.approx(250.0, abs=6.0)  # a soft edge shows as lines a few rows apart
    assert upper_edge(lines, lower, height_px=200.0, px_per_mm=10.0, focal_px=2600.0) is None
    rises = [rise for _, rise in clear_uppers(lines, lower, CombPrior(10.0, 648.0, 2600.0))]
    assert min(abs(rise - 250.0) for rise in rises) < 2.0
    assert max(abs(rise - 250.0) for rise in rises) < 6.0  # beside it only the same soft edge


@pytest.mark.parametrize(("height_mm", "out"), [(60.0, True), (47.0, False), (38.0, False)])
def test_upper_edge_far_out_of_the_picture_is_not_missed(height_mm: float, out: bool) -> None:
    """The lower edge lies 450 rows down: at 10 px/mm a face of 60 mm leaves the picture were the scale 12 % smaller.

    One of 47 mm does not, so that a wrong scale cannot excuse itself; one of 38 mm has its edge in the picture's plain.
    """
    lines = find_lines(drawn())
    found = candidates_among(drawn(), lines, prior=CombPrior(10.0, 648.0, 2600.0), height_mm=height_mm)
    lower = min(found, key=lambda c: abs(c.line.middle_y_px - 449.5))
    assert lower.rise_px is None
    assert (lower.penalty == 0.0) is out


def test_upper_edge_is_not_excused_for_having_none_above_it() -> None:
    """One more straightedge's height above row 200 is far out of the picture; so it is above any upper edge."""
    lines = find_lines(drawn())
    found = candidates_among(drawn(), lines, prior=CombPrior(10.0, 648.0, 2600.0), height_mm=25.0)
    lower, upper = (min(found, key=lambda c: abs(c.line.middle_y_px - row)) for row in (449.5, 199.5))
    assert lower.rise_px == pytest.approx(250.0, abs=6.0)
    assert upper.penalty > 1.0 > lower.penalty


BLANK = np.full((700, 2400), 0.2, dtype=np.float32)
FLAT = EdgeCurve(np.array([0.0, 0.0, 0.0, 449.5]), 1200.0, 1000.0, 200.0, 2199.0, 1, 0.1)


@pytest.mark.parametrize("off_px", [-3.0, 0.0, 3.0])
def test_upper_edge_is_followed_from_a_line_a_few_pixels_off(off_px: float) -> None:
    line = Line(0.0005, 199.5 + off_px, 1200.0, -1.0)
    border = follow_border(drawn(), FLAT, line, px_per_mm=10.0)
    assert border is not None
    # The logarithm of light is steepest up to one blur (1 px) to the dark side, whatever line led there.
    assert rise_px(FLAT, border, 1200.0) == pytest.approx(249.5, abs=0.5)


def test_shade_on_the_face_is_no_upper_edge() -> None:
    """A shade that comes on over 3 mm, and a border on half the length: neither is a border along the straightedge."""
    shaded = drawn()
    shaded[200:330] *= np.linspace(1.3, 1.0, 130, dtype=np.float32)[:, None]
    assert follow_border(shaded, FLAT, Line(0.0, 300.0, 1200.0, -0.3), px_per_mm=10.0) is None
    half = drawn()
    half[:210, 1200:] = 0.1
    assert follow_border(half, FLAT, Line(0.0, 199.5, 1200.0, -0.5), px_per_mm=10.0) is None


@pytest.mark.parametrize(
    "photo", [SAMPLES / "ukulele-no-reference.jpg", SAMPLES / "dreadnought-close.jpg"], ids=lambda p: p.stem
)
def test_scale_by_the_height_is_that_of_the_line_of_crowns(photo: Path) -> None:
    """The front face stands half a thickness nearer than the crowns: from close by it is a per cent larger."""
    sidecar = json.loads(photo.with_suffix(".json").read_text("utf-8"))
    scale = measure_photo(photo, replace(told(photo), reference="straightedge")).scale
    # The edges of these straightedges are rounded by 0.1 mm or less each: two standard uncertainties hold it.
    assert abs(scale.px_per_mm - sidecar["truth"]["px_per_mm_at_middle"]) < 2 * scale.u_px_per_mm


@pytest.mark.parametrize("away_px, refused", [(20.0, True), (3.0, False)])
def test_edge_chosen_for_its_height_must_do_as_well_by_itself(away_px: float, refused: bool) -> None:
    """A wrong scale finds an upper edge over the board's edge, 2 mm too low; 0.3 mm off is the same one."""
    board = Candidate(Line(0.0, 450.0 + away_px, 1200.0, 0.5), 10.0, 0.01, 250.0, 0.5, 0.0)
    blade = Candidate(Line(0.0, 450.0, 1200.0, 0.9), 10.0, 0.01, None, 2.0, 2.0)
    assert board.total > blade.total
    if not refused:
        likeliest([board, blade], BLANK)
        return
    with pytest.raises(Refusal, match="likeliest") as caught:
        likeliest([board, blade], BLANK)
    assert caught.value.code == "reference-contradicts-height"
    likeliest([replace(blade, penalty=0.0), board], BLANK)


@pytest.mark.parametrize("below_mm, refused", [(1.5, False), (3.0, True)])
def test_board_s_own_edge_right_below_is_no_rival(below_mm: float, refused: bool) -> None:
    """It looks much like a lower edge; a line farther down than a fret and a gap is something else."""
    blade = Candidate(Line(0.0, 450.0, 1200.0, 0.9), 10.0, 0.01, 250.0, 1.0)
    other = Candidate(Line(0.0, 450.0 + 10.0 * below_mm, 1200.0, 0.9), 10.0, 0.01, None, 2.0, 2.0)
    assert blade.total > other.total
    assert blade.by_itself < other.by_itself
    if not refused:
        likeliest([blade, other], BLANK)
        return
    with pytest.raises(Refusal, match="likeliest"):
        likeliest([blade, other], BLANK)


def test_grain_is_no_edge_of_a_blade() -> None:
    grain, border = Line(0.0, 300.0, 1200.0, 0.9, 0.01), Line(0.0, 200.0, 1200.0, 0.9, 0.8)
    lower = Line(0.0, 450.0, 1200.0, 0.9, 0.8)
    assert clear_uppers([grain, border, lower], lower, CombPrior(10.0, 648.0, 2600.0)) == [(border, 250.0)]


@pytest.mark.parametrize("k1", [-0.03, 0.0, 0.03])
def test_lens_bends_a_straight_edge_and_is_forgiven(k1: float) -> None:
    comb = Comb(1, 180.0, 9.0, 0.0, 0.0, 9.0, 2000.0, 3900.0, 648.0)
    x = np.linspace(100, 3900, 200)
    r2 = ((x - 2000) ** 2 + 350.0**2) / 3900**2
    for sag_px, straight in ((0.0, True), (8.0, False)):
        y = 600 + 350 * (1 + k1 * r2) + sag_px * ((x - 2000) / 1900) ** 2
        fit = np.polyfit((x - 2000) / 1900, y, 3)
        bend = bend_px(EdgeCurve(fit, 2000.0, 1900.0, 100.0, 3900.0, 1, 0.1), comb, 1201)
        # Nine trial values of k1, 0.01 apart: half a step times the sag of 83 px per unit of k1 is 0.4 px; a lens of
        # 0.04 and the given one on the other side take up 0.07 times 83 px, 5.8 px, of a bend.
        assert bend < 0.5 if straight else bend > 1.5


def test_an_edge_that_was_followed_bent_is_followed_anew_from_the_upper_one(monkeypatch: pytest.MonkeyPatch) -> None:
    photo = SAMPLES / "dreadnought-upbow.jpg"
    settings = told(photo)
    straight, bent = measure_photo(photo, settings), []

    def number_frets(*given: Any, **more: Any) -> Located:
        bent.append(True)
        if len(bent) == 1:
            raise refusal("no-straightedge", "what was followed is bent by 0.30 mm")
        return numbered.number_frets(*given, **more)

    monkeypatch.setattr(calibrate, "number_frets", number_frets)
    again = measure_photo(photo, settings)
    assert len(bent) > 1
    # The same edge, followed from elsewhere: as near as its own share of the budget.
    edge = next(line.u_mm for line in straight.budget if line.name.startswith("the straightedge's edge"))
    assert again.relief.relief_mm == pytest.approx(straight.relief.relief_mm, abs=2 * edge)
    assert again.profile.frets == straight.profile.frets


@pytest.mark.parametrize("reference", ["card", "straightedge"])
def test_a_turn_is_looked_for_farther_where_an_object_tells_the_scale(
    monkeypatch: pytest.MonkeyPatch, reference: str
) -> None:
    photo = SAMPLES / "dreadnought-upbow.jpg"
    seen: list[CombPrior] = []

    def number_frets(luminance: Any, edge: EdgeCurve, prior: CombPrior, **more: Any) -> Located:
        seen.append(prior)
        return numbered.number_frets(luminance, edge, prior, **more)

    monkeypatch.setattr(calibrate, "number_frets", number_frets)
    measure_photo(photo, replace(told(photo), reference=reference))
    assert seen
    assert {prior.by_object for prior in seen} == {reference == "card"}


def test_by_the_height_alone_an_edge_followed_anew_brings_its_own_scale(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first edge is 1 mm too low, as a board's border is, and bent: by it the scale is a thirtieth too large."""
    photo = SAMPLES / "dreadnought-upbow.jpg"
    settings = replace(told(photo), reference="straightedge")
    straight, followed = measure_photo(photo, settings), []

    def follow_edge(*given: Any, **more: Any) -> EdgeCurve:
        edge = locate.follow_edge(*given, **more)
        followed.append(edge)
        if len(followed) > 1:
            return edge
        low = edge.coefficients + np.array([0.0, 4.0, 0.0, straight.scale.px_per_mm - 4.0])
        return replace(edge, coefficients=low)

    monkeypatch.setattr(edges, "follow_edge", follow_edge)
    monkeypatch.setattr(calibrate, "follow_edge", follow_edge)
    again = measure_photo(photo, settings)
    assert len(followed) > 1
    assert again.scale.px_per_mm == pytest.approx(
        straight.scale.px_per_mm, rel=0.01
    )  # a third of what the first was off
    assert again.profile.frets == straight.profile.frets
    assert abs(again.relief.relief_mm - straight.relief.relief_mm) < max(again.relief.U_mm, straight.relief.U_mm)


@pytest.mark.parametrize(("name", "turned"), [("dreadnought-upbow", True), ("baritone-strung-outer", False)])
def test_the_camera_is_turned_as_the_edges_have_it_along_the_middle_only(
    monkeypatch: pytest.MonkeyPatch, name: str, *, turned: bool
) -> None:
    seen = []

    def fit_camera(*given: Any, **more: Any) -> BoardCamera:
        seen.append(more["turn"] is not None)
        return camera_fit.fit_camera(*given, **more)

    monkeypatch.setattr(numbering, "fit_camera", fit_camera)
    measure_photo(SAMPLES / f"{name}.jpg", told(SAMPLES / f"{name}.jpg"))
    # Along the middle it is fitted once more, to the outlines of the fret ends.
    assert seen == ([turned, turned] if turned else [turned])
