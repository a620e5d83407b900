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
from lightgap.vision.locate import EdgeCurve
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


def test_gaps_are_laid_on_the_ends_of_an_up_bow() -> None:
    """Both ends of the straightedge are seen; what passed for its edge lay 0.06 mm low, and tilted."""
    got = laid(UP_BOW - 0.06 + 0.04 * ALONG, 5.0, 5.0)
    off = got.gap_mm - UP_BOW
    # An end that may be hidden, in three of ten, may bear it on a fret that a bow carried on holds higher.
    assert np.abs(off).max() < 0.035
    assert np.max(np.abs(off) / [c.u_gap_mm for c in got.crowns]) < 1.5
    assert got.crowns[0].touching
    assert got.crowns[-1].touching


def test_end_out_of_view_leaves_gaps_less_sure() -> None:
    """The straightedge goes on past the picture's end: what bears it there is not known."""
    seen, unseen = laid(UP_BOW, 5.0, 5.0), laid(UP_BOW, 5.0, 11.4)
    assert unseen.crowns[-1].u_gap_mm > 1.3 * seen.crowns[-1].u_gap_mm
    assert unseen.crowns[-1].gap_mm > seen.crowns[-1].gap_mm


def test_fret_under_the_edge_that_was_not_read_may_bear_it() -> None:
    """Of the frets under the edge the first was not read: the second, lower by 0.07 mm, does not touch."""
    got = laid(UP_BOW, 5.0, 5.0, first=1)
    assert got.crowns[0].fret == NUMBERS[1]
    assert abs(got.gap_mm[0] - UP_BOW[1]) < 0.035
    assert not got.crowns[0].touching


def test_feet_alone_tell_neither_height_nor_tilt() -> None:
    off_mm = 0.3 + 0.4 * ALONG
    got = laid(UP_BOW + off_mm, 5.0, 5.0, by_feet=True)
    assert np.abs(got.gap_mm - UP_BOW).max() < 0.06
    by_crowns = laid(UP_BOW + off_mm, 5.0, 5.0)
    # Crowns so far from resting, eight standard uncertainties, rest on what was not read.
    np.testing.assert_allclose(by_crowns.gap_mm, UP_BOW + off_mm)
    assert not any(c.touching for c in by_crowns.crowns)
