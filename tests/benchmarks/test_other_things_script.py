"""The pictures of other things are as many and as different as said, and a number is reported loudly."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from benchmarks.drawn_things import (
    DRAWINGS,
    LIKE_A_BOARD,
    PX_PER_MM,
    SCALE_PX,
    finished,
    tempered_columns,
    with_object,
)
from benchmarks.other_things import VERSIONS, WAYS, Verdict, cases, judge, photographs, table, versions_of

from lightgap.neck.frets import fret_position_mm


def test_more_than_two_hundred_pictures_each_way_in_turn() -> None:
    chosen = cases(render=True, all_ways=False)
    names = {name for name, _ in chosen}
    assert len(names) >= 200
    assert len(photographs()) >= 15
    assert {way for _, way in chosen} == set(WAYS)
    assert len(cases(render=True, all_ways=True)) == len(names) * len(WAYS)


def test_drawings_are_pictures_and_no_two_alike() -> None:
    drawings = [*list(DRAWINGS.values())[::7], *list(LIKE_A_BOARD.values())[::2]]
    seen = [finished(draw(), seed=1) for draw in drawings]
    assert {(p.shape, p.dtype.name) for p in seen} == {((900, 2400, 3), "uint8")}
    assert len({p.tobytes() for p in seen}) == len(drawings)


def test_flat_board_is_spaced_like_one() -> None:
    """The twelfth root of two, by the library's own fret places (held to published tables elsewhere)."""
    np.testing.assert_allclose(
        tempered_columns(12, 0.0) / SCALE_PX, fret_position_mm(np.arange(1.0, 13.0), 648.0) / 648.0, rtol=1e-12
    )


def test_versions_differ() -> None:
    photo = np.random.default_rng(1).integers(0, 255, (300, 400, 3)).astype(np.uint8)
    versions = versions_of(photo, seed=3)
    assert tuple(versions) == VERSIONS
    assert versions["strip"].shape == (800, 2400, 3)
    assert versions["upright"].shape[:2] == versions["enlarged"].shape[1::-1]


@pytest.mark.parametrize("way", ["card", "nothing told"])
def test_refused_picture_is_taken_away(way: str, tmp_path: Path) -> None:
    verdict = judge(("drawn blank-dark", way), folder=tmp_path)
    assert verdict.code is not None
    assert list(tmp_path.iterdir()) == []


def test_object_laid_into_the_picture_is_found_at_its_size() -> None:
    """OpenCV's marker reader finds the marker, and the library the card, at the scale of the flat board."""
    picture = with_object(np.full((900, 2400, 3), 120, dtype=np.uint8), "marker")
    corners, ids, _ = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)).detectMarkers(
        picture
    )
    assert ids is not None
    assert ids.ravel().tolist() == [7]
    side = float(np.linalg.norm(np.diff(np.vstack([corners[0][0], corners[0][0][:1]]), axis=0), axis=1).mean())
    assert side == pytest.approx(20.0 * PX_PER_MM, abs=1.5)  # drawn to whole pixels
    plain = np.full((300, 400, 3), 120, dtype=np.uint8)
    np.testing.assert_array_equal(with_object(plain, "card"), plain)  # no room for one


def test_number_is_shouted() -> None:
    text = table([Verdict("drawn a", "card", "no-comb"), Verdict("drawn b", "card", None, 0.3, 0.1)])
    assert "1 of 2 measurements refused" in text
    assert "GOT A NUMBER: drawn b, told card: relief +0.300 mm" in text
