"""A straightedge must rest on the frets: what the gaps found say, and when they can say it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lightgap.neck.errors import Refusal
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import CrownGap, GapProfile
from lightgap.vision.camera import BoardCamera
from lightgap.vision.comb import Comb
from lightgap.vision.contact import (
    RISE_MM,
    check_contact,
    check_edge,
    lay_on_crowns,
    rests_in_view,
    touching_mm,
)
from lightgap.vision.locate import BEYOND_FRETS_MM, EdgeCurve
from lightgap.vision.outline import Outline
from lightgap.vision.readings import CONTACT_MM, CrownFit, CrownSet

WIDTH_PX = 4000
NUMBERS = np.arange(5, 16)
PLACE_MM = fret_position_mm(NUMBERS.astype(float), 648.0)
COMB = Comb(1, float(PLACE_MM[[0, -1]].mean()), 17.0, 0.0, 0.0, 10.0, WIDTH_PX / 2, 5000.0, 648.0)


def crowns(gap_mm: np.ndarray) -> CrownSet:
    rows = tuple(
        CrownFit(int(n), float(x), float(g), 50, 0.5, 0.1, 0.0)
        for n, x, g in zip(NUMBERS, PLACE_MM, gap_mm, strict=True)
    )
    camera = BoardCamera(COMB, float(PLACE_MM.mean()), 500.0, 0.0, np.zeros(2))
    return CrownSet(rows, 1e-6 * np.eye(11), np.zeros((11, 6)), Outline(0.7, 0.003, 0.0, 0.0), camera)


def edge(low_mm: float, high_mm: float) -> EdgeCurve:
    """Return an edge seen from so far before the first fret to so far past the last."""
    first, last = COMB.x_px(PLACE_MM[[0, -1]])
    return EdgeCurve(np.zeros(1), 2000.0, 2000.0, first - 17.0 * low_mm, last + 17.0 * high_mm, 1, 0.1)


TILTED = np.linspace(0.0, 0.6, 11)
NO_SCATTER = 1e-6 * np.eye(11)


def test_straightedge_that_rests_at_one_end_only_is_refused() -> None:
    with pytest.raises(Refusal, match="floating"):
        check_contact(crowns(TILTED), NO_SCATTER, edge(5.0, 5.0), WIDTH_PX)


def test_straightedge_that_touches_nothing_is_refused() -> None:
    with pytest.raises(Refusal, match="floating"):
        check_contact(crowns(np.full(11, 0.4)), NO_SCATTER, edge(5.0, 5.0), WIDTH_PX)


def test_crowns_known_badly_may_seem_to_float() -> None:
    unsure = np.diag(np.linspace(0.01, 0.3, 11) ** 2)
    check_contact(crowns(np.where(np.arange(11) < 6, 0.0, 0.5)), unsure, edge(5.0, 5.0), WIDTH_PX)


def test_fret_out_of_view_may_bear_the_far_end() -> None:
    """The straightedge runs on as far as it was followed, and the next fret would stand beyond the picture."""
    assert not rests_in_view(crowns(TILTED), edge(5.0, 11.4), WIDTH_PX)
    check_contact(crowns(TILTED), NO_SCATTER, edge(5.0, 11.4), WIDTH_PX)


def test_straightedge_that_ends_in_the_picture_rests_in_it() -> None:
    assert rests_in_view(crowns(TILTED), edge(5.0, 5.0), WIDTH_PX)


def test_a_line_that_no_crown_comes_near_gives_no_scale_by_the_height() -> None:
    """A string before the face passes for the lower edge: what is read above it is not the straightedge's height."""
    check_edge(crowns(TILTED))
    with pytest.raises(Refusal, match=r"lowest gap \+0\.40 mm.*: use a reference object"):
        check_edge(crowns(np.full(11, 0.4)))


@pytest.mark.parametrize(
    ("near_mm", "proven", "most_mm"),
    [(3.0, True, RISE_MM), (3.0, False, CONTACT_MM), (22.0, True, CONTACT_MM), (22.0, False, CONTACT_MM)],
)
def test_crowns_may_be_seen_lower_only_beside_the_outer_string_and_proven(
    near_mm: float, most_mm: float, *, proven: bool
) -> None:
    """The rise of a board: 4 mm inwards at four degrees, with a twentieth of a millimetre to spare."""
    camera = BoardCamera(COMB, float(PLACE_MM.mean()), 500.0, 0.0, np.array([near_mm, 0.01]))
    assert touching_mm(camera, proven=proven) == most_mm
    assert 0.0 < RISE_MM - 4.0 * np.tan(np.radians(4.0)) < 0.05


def laid(gap_mm: np.ndarray, low_mm: float, high_mm: float, *, first: int = 0, by_feet: bool = False) -> GapProfile:
    """Return the gaps of crowns from the `first` on, with the straightedge laid on them."""
    whole = crowns(gap_mm)
    whole = replace(whole, camera=replace(whole.camera, near_mm=np.array([22.0, 0.0])), by_feet=by_feet)
    read = replace(whole, crowns=whole.crowns[first:], covariance_mm2=NO_SCATTER[first:, first:])
    rows = tuple(CrownGap(c.fret, c.position_mm, c.gap_mm, 1e-3) for c in read.crowns)
    return lay_on_crowns(GapProfile(rows, NO_SCATTER[first:, first:]), read, edge(low_mm, high_mm), WIDTH_PX)


ALONG = 2 * (PLACE_MM - PLACE_MM.mean()) / np.ptp(PLACE_MM)
UP_BOW = 0.2 * (1 - (2 * (PLACE_MM - PLACE_MM[0]) / np.ptp(PLACE_MM) - 1) ** 2)


def right_within_k2(got: GapProfile, true: np.ndarray) -> bool:
    return bool((np.abs(got.gap_mm - true) < 2 * np.array([c.u_gap_mm for c in got.crowns])).all())


def test_gaps_are_laid_on_the_ends_of_an_up_bow() -> None:
    """Both ends of the straightedge are seen; what passed for its edge lay 0.06 mm low, and tilted."""
    got = laid(UP_BOW - 0.06 + 0.04 * ALONG, 5.0, 5.0)
    assert right_within_k2(got, UP_BOW)
    assert np.abs(got.gap_mm - UP_BOW).max() < 0.2 * 0.1  # a fifth of what it lay low at one end
    assert [c.fret for c in got.crowns if c.touching] == [5, 15]


def test_end_out_of_view_leaves_gaps_less_sure() -> None:
    """The straightedge goes on past the picture's end: what bears it there is not known, and may lie higher."""
    seen, unseen = laid(UP_BOW, 5.0, 5.0), laid(UP_BOW, 5.0, 11.4)
    assert right_within_k2(seen, UP_BOW)
    assert right_within_k2(unseen, UP_BOW)
    assert unseen.crowns[-1].u_gap_mm > seen.crowns[-1].u_gap_mm
    assert unseen.crowns[-1].gap_mm > seen.crowns[-1].gap_mm
    assert [c.fret for c in unseen.crowns if c.touching] == [5]


def test_fret_under_the_edge_that_was_not_read_may_bear_it() -> None:
    """Of the frets under the edge the first was not read: the second, lower by 0.09 mm, does not touch."""
    got = laid(UP_BOW, 5.0, 5.0, first=1)
    assert got.crowns[0].fret == NUMBERS[1]
    assert right_within_k2(got, UP_BOW[1:])
    assert not got.crowns[0].touching


def test_feet_alone_tell_neither_height_nor_tilt() -> None:
    off_mm = 0.3 + 0.4 * ALONG
    assert right_within_k2(laid(UP_BOW + off_mm, 5.0, 5.0, by_feet=True), UP_BOW)
    # Crowns four and a half standard uncertainties over the edge rest on what was not read.
    high = laid(UP_BOW + 0.36, 5.0, 5.0)
    assert right_within_k2(high, UP_BOW + 0.36)
    assert not any(c.touching for c in high.crowns)


@pytest.mark.parametrize("relative", [False, True])
def test_frets_counted_from_the_first_in_view_may_go_on_nutward(*, relative: bool) -> None:
    """The comb may count the first crown read as 1: where its numbers tell nothing, it need not bear the end."""
    numbers = np.arange(1, 12)
    place_mm = fret_position_mm(numbers.astype(float), 648.0)
    comb = replace(COMB, x0_mm=float(place_mm[[0, -1]].mean()), px_per_mm=11.0)
    rows = tuple(CrownFit(int(n), float(x), 0.1, 50, 0.5, 0.1, 0.0) for n, x in zip(numbers, place_mm, strict=True))
    camera = BoardCamera(comb, comb.x0_mm, 500.0, 0.0, np.array([22.0, 0.0]))
    read = CrownSet(rows, NO_SCATTER, np.zeros((11, 6)), Outline(0.7, 0.003, 0.0, 0.0), camera)
    seen = tuple(CrownGap(c.fret, c.position_mm, c.gap_mm, 1e-3) for c in rows)
    first, last = comb.x_px(place_mm[[0, -1]])
    goes_on = EdgeCurve(np.zeros(1), 2000.0, 2000.0, first - 11.0 * BEYOND_FRETS_MM, last + 55.0, 1, 0.1)
    profile = GapProfile(seen, NO_SCATTER, numbers_relative=relative)
    got = lay_on_crowns(profile, read, goes_on, WIDTH_PX)
    assert got.crowns[0].touching != relative
    assert relative == (got.crowns[0].u_gap_mm > 0.02)
