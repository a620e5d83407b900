"""Gaps read in two ways, held against each other and against what boards are like."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from lightgap.neck.errors import Refusal
from lightgap.neck.straightness import chord_matrix
from lightgap.vision import crowns
from lightgap.vision.camera import BoardCamera
from lightgap.vision.comb import Comb
from lightgap.vision.outline import Outline
from lightgap.vision.readings import MAX_STRAIN, CrownFit, CrownSet, averaged, chosen, doubting, without_leaps
from lightgap.vision.uncertainty import doubt
from lightgap.vision.weigh import MAX_STRAIN_BY_HEIGHT, check_crowns

PLACE_MM = np.array([40.0, 110.0, 170.0, 230.0, 280.0])
CAMERA = BoardCamera(Comb(1, 150.0, 10.0, 0.0, 0.0, 10.0, 1000.0, 5000.0, 648.0), 150.0, 500.0, 0.0, np.zeros(2))


def read(gap_mm: list[float]) -> CrownSet:
    crowns = tuple(
        CrownFit(n, float(x), g, 50, 0.5, 0.1, 0.0) for n, (x, g) in enumerate(zip(PLACE_MM, gap_mm, strict=False), 1)
    )
    return CrownSet(crowns, 1e-4 * np.eye(5), np.zeros((5, 6)), Outline(0.7, 0.003, 0.0, 0.0), CAMERA)


def test_offset_and_tilt_between_two_ways_leave_no_doubt() -> None:
    gap = [0.0, 0.1, 0.15, 0.1, 0.0]
    tilted = [g + 0.2 - 0.001 * x for g, x in zip(gap, PLACE_MM, strict=True)]
    covariance = doubting(read(gap), read(tilted)).covariance_mm2
    assert covariance == pytest.approx(1e-4 * np.eye(5), abs=1e-12)


def test_two_ways_that_part_in_the_middle_are_in_doubt_there_and_as_one() -> None:
    gap, other = [0.0, 0.1, 0.15, 0.1, 0.0], [0.0, 0.2, 0.35, 0.2, 0.0]
    added = doubting(read(gap), read(other)).covariance_mm2 - 1e-4 * np.eye(5)
    # Least squares through what parts them, by numpy: what is left is the half width of a rectangular distribution, of
    # standard deviation a / sqrt(3) (JCGM 100:2008, 4.3.7), and one mistake common to all.
    line = np.polynomial.Polynomial.fit(PLACE_MM, np.array(other) - gap, 1)
    u = (np.array(other) - gap - line(PLACE_MM)) / np.sqrt(3)
    assert added == pytest.approx(np.outer(u, u), abs=1e-12)
    assert np.linalg.matrix_rank(added, tol=1e-9) == 1


def test_gap_that_only_one_way_has_is_left_alone() -> None:
    one, other = read([0.0, 0.1, 0.15, 0.1, 0.0]), read([0.0, 0.2, 0.35, 0.2, 0.0])
    fewer = CrownSet(other.crowns[1:], np.eye(4), np.zeros((4, 6)), other.outline, CAMERA)
    assert doubting(one, fewer).covariance_mm2[0] == pytest.approx([1e-4, 0, 0, 0, 0])


@pytest.mark.parametrize(
    ("dark", "outlines_mm", "by_pixels"),
    [
        (False, [0.0, 0.2, 0.35, 0.2, 0.0], True),
        (True, [0.0, 0.2, 0.35, 0.2, 0.0], False),
        (True, [0.0, 0.2, 0.35], True),
        (True, [0.5, 0.6, 0.65, 0.6, 0.5], True),
    ],
    ids=["bright", "dark", "few outlines", "floating outlines"],
)
def test_pixels_count_before_a_bright_gap_and_where_outlines_will_not_do(
    dark: bool, outlines_mm: list[float], by_pixels: bool
) -> None:
    pixels = replace(read([0.0, 0.1, 0.15, 0.1, 0.0]), by_pixels=True, dark=dark)
    outlines = replace(read(outlines_mm + [0.0] * (5 - len(outlines_mm))), crowns=read(outlines_mm).crowns)
    assert chosen(pixels, outlines, 5).by_pixels == by_pixels


@pytest.mark.parametrize("dark", [False, True])
def test_no_pixels_explained_leave_the_outlines_before_a_dark_gap_and_nothing_before_a_bright_one(dark: bool) -> None:
    outlines = read([0.0, 0.2, 0.35, 0.2, 0.0])
    nothing = CrownSet((), np.zeros((0, 0)), np.zeros((0, 6)), outlines.outline, CAMERA, by_pixels=True, dark=dark)
    assert len(chosen(without_leaps(nothing), outlines, 5).crowns) == (5 if dark else 0)


def test_mean_of_two_readings_lies_half_way_but_for_constant_and_tilt() -> None:
    gap = np.array([0.0, 0.1, 0.15, 0.1, 0.0])
    bent = gap + np.array([0.0, 0.03, 0.02, 0.05, 0.0])
    other = read((bent + 0.1 + 0.0005 * PLACE_MM).tolist())
    got = averaged(read(gap.tolist()), other, 5)
    depth = chord_matrix(PLACE_MM, (0, 4))
    np.testing.assert_allclose(depth @ got.gap_mm, depth @ (gap + bent) / 2, atol=1e-12)  # rounding
    assert abs(float(np.polyfit(PLACE_MM, got.gap_mm - gap, 1)[0])) < 1e-4  # a tenth of the tilt: it stays the pixels'
    added = got.covariance_mm2 - 1e-4 * np.eye(5)
    # Either may be right: the doubt reaches both, as of a rectangle of that half width.
    half = got.gap_mm - gap
    np.testing.assert_allclose(added, np.outer(half, half) / 3, atol=1e-12)


def test_crown_that_one_way_did_not_read_moves_as_those_beside_it() -> None:
    gap = [0.0, 0.1, 0.15, 0.2, 0.1, 0.0]
    place = np.array([40.0, 110.0, 170.0, 230.0, 280.0, 330.0])
    rows = tuple(
        CrownFit(n, float(x), g, 50, 0.5, 0.1, 0.0) for n, (x, g) in enumerate(zip(place, gap, strict=True), 1)
    )
    pixels = replace(read(gap[:5]), crowns=rows, covariance_mm2=1e-4 * np.eye(6), sensitivity=np.zeros((6, 6)))
    higher = replace(pixels, crowns=tuple(replace(c, gap_mm=c.gap_mm + 0.04 * (c.fret in (2, 4))) for c in rows))
    got = averaged(pixels, higher.only(np.array([0, 1, 3, 4, 5])), 6)
    moved = got.gap_mm - pixels.gap_mm
    assert moved[2] == pytest.approx(np.interp(place[2], place[[1, 3]], moved[[1, 3]]), abs=1e-12)
    # It is in doubt as they are.
    assert got.covariance_mm2[2, 2] - 1e-4 == pytest.approx(moved[2] ** 2 / 3, abs=1e-12)
    few = averaged(pixels, higher.only(np.array([0, 1, 3, 4])), 6)
    np.testing.assert_array_equal(few.gap_mm, pixels.gap_mm)


@pytest.mark.parametrize("outlines_mm", [[0.0, 0.2, 0.35], [0.4, 0.5, 0.55, 0.5, 0.4]], ids=["few", "floating"])
def test_outlines_that_will_not_do_leave_well_explained_pixels_alone(outlines_mm: list[float]) -> None:
    pixels = replace(read([0.0, 0.1, 0.15, 0.1, 0.0]), by_pixels=True, dark=True)
    outlines = replace(read(outlines_mm + [0.0] * (5 - len(outlines_mm))), crowns=read(outlines_mm).crowns)
    got = averaged(pixels, outlines, 5)
    np.testing.assert_array_equal(got.gap_mm, pixels.gap_mm)
    np.testing.assert_array_equal(got.covariance_mm2, pixels.covariance_mm2)


@pytest.mark.parametrize(("dark", "outlined", "share"), [(True, True, 0.5), (True, False, 0.0), (False, True, 0.0)])
def test_outlines_count_half_before_a_dark_gap_alone(
    monkeypatch: pytest.MonkeyPatch, dark: bool, outlined: bool, share: float
) -> None:
    gap, other = [0.0, 0.1, 0.15, 0.1, 0.0], [0.0, 0.12, 0.21, 0.12, 0.0]
    pixels = replace(read(gap), by_pixels=True, dark=dark)
    monkeypatch.setattr(crowns, "_by_pixels", lambda *_: pixels)
    monkeypatch.setattr(crowns, "find_extrema", lambda *_: None)
    start = (pixels.outline, np.zeros(5), np.ones(5))
    monkeypatch.setattr(crowns, "search_shape", lambda *_, **__: start)
    camera = replace(CAMERA, near_mm=np.array([24.0, 0.0]))
    outlines = replace(read(other), camera=camera)
    monkeypatch.setattr(crowns, "_fit", lambda *_: outlines if outlined else None)
    nothing: Any = None
    got = crowns.measure_crowns(
        nothing, nothing, camera, nothing, frets=np.arange(1, 6), position_mm=PLACE_MM, thickness_mm=3.0
    )
    depth = chord_matrix(PLACE_MM, (0, 4))
    expected = depth @ ((1 - share) * np.array(gap) + share * np.array(other))
    np.testing.assert_allclose(depth @ got.gap_mm, expected, atol=1e-12)  # rounding


def explained(strain: float, misfit: float) -> CrownSet:
    good = read([0.0, 0.1, 0.15, 0.1, 0.0])
    crowns = tuple(replace(c, misfit=misfit) for c in good.crowns)
    return replace(good, crowns=crowns, strain=strain, by_pixels=True)


@pytest.mark.parametrize(("strain", "misfit"), [(90.0, 0.3), (5.0, 2.5)])
def test_crowns_explained_badly_or_unlike_any_are_refused(strain: float, misfit: float) -> None:
    check_crowns(explained(20.0, 1.2))
    with pytest.raises(Refusal) as caught:
        check_crowns(explained(strain, misfit))
    assert caught.value.code == "shapes-disagree"


def test_doubt_grows_with_strain_and_misfit_and_faster_with_both() -> None:
    sure, strained, missed, both = (
        doubt(explained(s, m)) for s, m in ((5.0, 0.8), (45.0, 0.8), (5.0, 1.8), (45.0, 1.8))
    )
    assert sure < min(strained, missed)
    assert both > strained * missed / sure


@pytest.mark.parametrize(
    ("at", "by_mm", "left_out"),
    [(0, 0.9, [0]), (1, 0.5, [1]), (2, -0.5, [2]), (4, 1.0, [4]), (2, 0.25, []), (0, 0.3, [])],
    ids=["outermost", "next to it", "high", "last", "low fret", "low first fret"],
)
def test_crown_that_leaps_off_the_line_of_its_neighbours_is_left_out(
    at: int, by_mm: float, left_out: list[int]
) -> None:
    gap = np.array([0.0, 0.1, 0.15, 0.1, 0.0])
    gap[at] += by_mm
    rest = without_leaps(read(gap.tolist()))
    assert sorted({1, 2, 3, 4, 5} - {c.fret for c in rest.crowns}) == [i + 1 for i in left_out]
    assert rest.covariance_mm2.shape == (len(rest.crowns), len(rest.crowns))


def test_step_in_the_board_is_no_neck() -> None:
    with pytest.raises(Refusal) as caught:
        check_crowns(without_leaps(read([0.0, 0.05, 1.0, 1.05, 1.0])))
    assert caught.value.code == "shapes-disagree"


def test_by_the_height_alone_frets_must_be_likelier() -> None:
    """Between both limits: borne out by an object it may stand, by two lines that may be others it may not."""
    between = (MAX_STRAIN_BY_HEIGHT + MAX_STRAIN) / 2
    check_crowns(explained(between, 1.2))
    check_crowns(explained(MAX_STRAIN_BY_HEIGHT - 0.1, 1.2), by_height=True)
    with pytest.raises(Refusal, match="height alone") as found:
        check_crowns(explained(between, 1.2), by_height=True)
    assert found.value.code == "shapes-disagree"
    assert "reference object" in str(found.value)
