"""The nut in drawn pictures: where the board ends at a bar, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from lightgap.neck.frets import fret_position_mm
from lightgap.vision.camera import BoardCamera, camera_from_comb, column_of
from lightgap.vision.comb import Comb
from lightgap.vision.fret_ends import FretEnds
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.numbering import renumbered
from lightgap.vision.nut import board_end, find_nut

PX_PER_MM, SCALE_LENGTH_MM, NEAR_MM, EDGE_PX = 9.0, 648.0, 20.0, 300.0
FRETS = tuple(range(1, 13))
BACKGROUND, BOARD, NUT, FRET, HEAD = 0.7, 0.05, 0.4, 0.5, 0.15


def camera() -> BoardCamera:
    comb = Comb(1, 170.0, PX_PER_MM, 0.0, 0.0, 9.0, 2000.0, 3900.0, SCALE_LENGTH_MM)
    return replace(camera_from_comb(comb), near_mm=np.array([NEAR_MM, 0.0]))


def edge() -> EdgeCurve:
    return EdgeCurve(np.array([0.0, EDGE_PX]), 2000.0, 1700.0, 560.0, 3500.0, 1, 0.1)


def column(place: float) -> float:
    position = fret_position_mm(np.array([place]), SCALE_LENGTH_MM)
    return float(column_of(camera(), position, np.array([NEAR_MM]))[0])


def drawn(*, width_mm: float = 5.0, end_at: float = 0.0, nut: float = NUT) -> NDArray[np.float32]:
    """Return a board from 2 to 8 mm under the edge with fret ends and tangs, a bar at its end, and a headstock."""
    picture = np.full((520, 4001), BACKGROUND)
    top, bottom = (round(EDGE_PX + mm * PX_PER_MM) for mm in (2.0, 8.0))
    end = round(column(end_at))
    picture[top:bottom, end:] = BOARD
    for fret in range(1, 20):
        at = column(fret)
        if 15 < at < 3985 and at > end:
            head, tang = ((round(at - w * PX_PER_MM), round(at + w * PX_PER_MM)) for w in (1.1, 0.25))
            picture[top - 9 : top + 2, slice(*head)] = FRET
            picture[top + 2 : top + 18, slice(*tang)] = FRET
    first = max(0, round(end - width_mm * PX_PER_MM))
    picture[bottom:, :first] = HEAD
    if width_mm:
        picture[top - 18 : bottom + 6, first:end] = nut
    noise = np.random.default_rng(7).normal(0, 0.003, picture.shape)
    return np.asarray(gaussian_filter(picture, 0.9) + noise, dtype=np.float32)


def find(picture: NDArray[np.float32], by: int = 0) -> int | None:
    seen = camera()
    comb = renumbered(seen.comb, by, keep_length=True)
    ratio = comb.px_per_mm / PX_PER_MM
    moved = replace(camera_from_comb(comb), near_mm=np.array([NEAR_MM / ratio, 0.0]))
    matched = tuple(fret + by for fret in FRETS if fret + by > 0)
    return find_nut(picture, edge(), moved, matched)


@pytest.mark.parametrize("by", [0, 1, 2, -1])
def test_nut_tells_by_how_much_the_numbers_are_off(by: int) -> None:
    assert find(drawn(), by) == by


@pytest.mark.parametrize("width_mm", [3.5, 6.5])
def test_nut_may_be_thin_or_thick(width_mm: float) -> None:
    picture = drawn(width_mm=width_mm)
    assert find(picture) == 0
    end = board_end(picture, edge(), camera(), 0)
    assert end is not None
    # Steps are told over windows 0.7 mm wide on either side: the bar's width to about one of them.
    assert end.width_mm == pytest.approx(width_mm, abs=0.7)
    assert end.off_mm == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize(
    "picture",
    [
        pytest.param(drawn(nut=BOARD), id="as dark as the board"),
        pytest.param(drawn(end_at=0.2), id="board ends beside the comb's place"),
        pytest.param(drawn(end_at=-40.0), id="no end in view"),
    ],
)
def test_what_is_no_nut_for_sure_is_none(picture: NDArray[np.float32]) -> None:
    assert find(picture) is None


def test_fret_ends_are_seen_where_frets_are_and_only_there() -> None:
    seen = camera()
    ends = FretEnds(drawn(end_at=-40.0), edge(), seen, FRETS[2:])
    assert ends.seen([2, 1, 0, -1, -2]) == [True, True, False, False, None]
