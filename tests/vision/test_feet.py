"""The feet of the frets: found in pictures painted in another way, and not where none stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from lightgap.neck.frets import fret_position_mm
from lightgap.vision.camera import BoardCamera, camera_from_comb, column_of
from lightgap.vision.comb import Comb
from lightgap.vision.feet import MAX_SCATTER_MM, Feet, find_feet
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.slit import SlitLight

WIDTH, HEIGHT, EDGE_ROW = 3000, 260, 60.0
PX_PER_MM, BLUR_PX = 10.0, 1.0
FRETS = np.arange(3, 13)
POSITION_MM = fret_position_mm(FRETS.astype(np.float64), 640.0)
BOW_MM = 0.25 * np.sin(np.linspace(0, np.pi, len(FRETS)))
BLADE, GAP, SIDE, TANG = 0.12, 0.45, 0.03, 0.2
HALF_TANG_MM, HALF_FACE_MM, TALL_MM = 0.3, 1.1, 1.0
EDGE = EdgeCurve(np.array([EDGE_ROW]), WIDTH / 2, WIDTH / 2, 0.0, WIDTH - 1.0, 1, 0.0)


def camera(near_mm: float, direction: int = 1) -> BoardCamera:
    """Return a camera square on before the middle of the frets, whose ends stand `near_mm` before the line."""
    comb = Comb(direction, float(POSITION_MM.mean()), PX_PER_MM, 0.0, 0.0, 0.0, WIDTH / 2, 4000.0, 640.0)
    return replace(camera_from_comb(comb), near_mm=np.array([near_mm, 0.0]))


def slit() -> SlitLight:
    """Return the light of the picture below."""
    level = np.full(WIDTH, GAP)
    return SlitLight(BLUR_PX, 0.0, level, 0.05 * level, 0.7)


def picture(
    seen: BoardCamera,
    foot_mm: np.ndarray,
    face: float,
    *,
    ends: bool = True,
    tangs: Sequence[float] | None = None,
    noise: float = 0.004,
) -> np.ndarray:
    """Return blade, light, the board's dark side under a border through the feet, and on it ends with their tangs.

    The light of the tangs is `tangs`, `TANG` without.
    """
    fine = 4
    rows = (np.arange(HEIGHT * fine) + 0.5) / fine - 0.5
    columns = (np.arange(WIDTH * fine) + 0.5) / fine - 0.5
    near = float(seen.near_mm[0])
    scale = PX_PER_MM * seen.distance_mm / (seen.distance_mm - near)
    middle = column_of(seen, POSITION_MM, np.full(len(FRETS), near))
    order = np.argsort(middle)
    border = EDGE_ROW + scale * np.interp(columns, middle[order], foot_mm[order])
    below = rows[:, None] - border[None, :]
    light = np.where(below > 0, SIDE, GAP).astype(np.float32)
    light[rows < EDGE_ROW] = BLADE
    for i, x in enumerate(middle if ends else []):
        across = np.abs(columns - x) / scale
        light[(across[None, :] < HALF_FACE_MM) & (below <= 0) & (below > -TALL_MM * scale)] = face
        tang = TANG if tangs is None else tangs[i]
        light[(across[None, :] < HALF_TANG_MM) & (below > 0)] = tang
    light = gaussian_filter(light, fine * np.sqrt(BLUR_PX**2 - 1 / 12))
    small = light.reshape(HEIGHT, fine, WIDTH, fine).mean(axis=(1, 3))
    return small + np.random.default_rng(0).normal(0, noise, small.shape).astype(np.float32)


@pytest.mark.parametrize(
    ("near_mm", "level_mm", "face", "direction"),
    [(3.0, 1.1, 0.9, 1), (3.0, 1.1, 0.2, -1), (22.0, 2.6, 0.9, 1), (22.0, 4.5, 0.3, -1)],
)
def test_feet_beside_the_outer_string_and_from_the_middle(
    near_mm: float, level_mm: float, face: float, direction: int
) -> None:
    """The painter's rows are a fortieth of a mm, and a step of light is placed to a fifth of its blur of 0.1 mm.

    The root of the light is steepest under the border, by no more than the blur: alike for all, it tells nothing.
    """
    seen = camera(near_mm, direction)
    foot = level_mm + BOW_MM
    feet = find_feet(picture(seen, foot, face), EDGE, slit(), seen, position_mm=POSITION_MM)
    assert feet is not None
    assert feet.is_sure
    assert feet.seen.sum() >= len(FRETS) - 1
    off = (feet.below_mm - foot)[feet.seen]
    assert np.abs(off).max() < 0.1
    assert np.abs(off - off.mean()).max() < 0.0225


def test_one_foot_in_a_shade_is_left_out_and_the_others_stand() -> None:
    seen = camera(3.0)
    foot = 1.1 + BOW_MM
    shaded = foot.copy()
    shaded[4] += 0.12
    feet = find_feet(picture(seen, shaded, 0.9), EDGE, slit(), seen, position_mm=POSITION_MM)
    assert feet is not None
    assert np.flatnonzero(~feet.seen).tolist() == [4]
    assert np.ptp((feet.below_mm - foot)[feet.seen]) < 0.045  # as above
    assert feet.astray_mm is not None
    assert np.flatnonzero(np.isfinite(feet.astray_mm)).tolist() == [4]
    off = (np.where(feet.seen, feet.below_mm, feet.astray_mm) - shaded)[[3, 4, 5]]
    assert np.ptp(off) < 0.045


def test_a_neck_bent_twice_with_unequal_lobes_is_followed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A cubic leaves 0.05 mm of it, and would call the row ragged."""
    frets = np.arange(4, 19)
    place = fret_position_mm(frets.astype(np.float64), 640.0)
    for name, value in (("FRETS", frets), ("POSITION_MM", place)):
        monkeypatch.setitem(globals(), name, value)
    t = (place - place.mean()) / (np.ptp(place) / 2)
    foot = 1.3 - 0.25 * np.exp(-(((t + 0.55) / 0.3) ** 2)) + 0.12 * np.cos(2.5 * t)
    cubic = np.polyval(np.polyfit(t, foot, 3), t)
    assert 1.48 * np.median(np.abs(foot - cubic)) > MAX_SCATTER_MM
    seen = camera(3.0)
    feet = find_feet(picture(seen, foot, 0.9), EDGE, slit(), seen, position_mm=place)
    assert feet is not None
    assert feet.is_sure
    assert np.ptp((feet.below_mm - foot)[feet.seen]) < 0.045  # as above
    assert feet.seen.sum() >= len(frets) - 2


def test_feet_on_half_a_board_alone_are_no_row(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half of eighteen ends lie in black: what is left is too few for a curve of many orders, and no row."""
    frets = np.arange(2, 20)
    place = fret_position_mm(frets.astype(np.float64), 640.0)
    for name, value in (("FRETS", frets), ("POSITION_MM", place)):
        monkeypatch.setitem(globals(), name, value)
    seen = camera(3.0)
    light = picture(seen, np.full(len(frets), 1.2), 0.9, noise=0.0)
    for kept in (6, 8, 10):
        dark = light.copy()
        dark[:, int(column_of(seen, place[kept : kept + 1], np.array([3.0]))[0]) - 15 :] = 0.0
        feet = find_feet(dark, EDGE, slit(), seen, position_mm=place)
        assert feet is None or not feet.is_row


@pytest.mark.parametrize("noise", [0.004, 0.05])
def test_where_nothing_stands_in_a_row_no_feet_are_sure(noise: float) -> None:
    """Places thrown at random, a millimetre about: votes for any one row stay below what feet in a row have."""
    seen = camera(22.0)
    scattered = 3.0 + np.random.default_rng(1).uniform(-0.8, 0.8, len(FRETS))
    feet = find_feet(picture(seen, scattered, 0.9, noise=noise), EDGE, slit(), seen, position_mm=POSITION_MM)
    assert feet is not None
    assert not feet.is_sure


def test_a_border_on_which_no_ends_stand_is_no_row_of_feet() -> None:
    """A string or the board's own border steps as evenly at the ends' places as beside them."""
    seen = camera(3.0)
    feet = find_feet(picture(seen, 1.1 + BOW_MM, 0.9, ends=False), EDGE, slit(), seen, position_mm=POSITION_MM)
    assert feet is not None
    assert feet.score > 0.9
    assert not feet.is_sure


DARK = 0.005  # against the board's side of 0.03


@pytest.mark.parametrize(
    ("tangs", "share"),
    [
        ([TANG] * 10, 1.0),
        ([DARK] * 10, 1.0),
        ([TANG] * 7 + [SIDE] * 3, 0.7),
        ([TANG] * 5 + [SIDE] * 5, 0.5),
        ([TANG, DARK] * 5, 0.5),
        ([SIDE] * 10, 0.0),
    ],
    ids=["lighter", "darker", "most", "half", "of either kind", "none"],
)
def test_ends_as_light_as_what_is_behind_them_are_sure_by_their_tangs(tangs: list[float], share: float) -> None:
    """Of ten frets more than six must have one, all lighter than the board's side or all darker."""
    seen = camera(3.0)
    painted = picture(seen, 1.1 + BOW_MM, GAP, tangs=tangs, noise=0.001)
    feet = find_feet(painted, EDGE, slit(), seen, position_mm=POSITION_MM)
    assert feet is not None
    assert feet.faces < 0.5
    assert feet.tangs == pytest.approx(share)
    assert feet.is_sure == feet.bears_out == (share > 0.6)


def test_light_that_climbs_along_the_board_is_no_tang() -> None:
    """The middle is lighter than one side and darker than the other, by the logarithm's 0.9 and more."""
    seen = camera(3.0)
    painted = picture(seen, 1.1 + BOW_MM, GAP, tangs=[SIDE] * len(FRETS), noise=0.001)
    tall = np.arange(HEIGHT)[:, None] > EDGE_ROW + 14.0 + PX_PER_MM * BOW_MM.max()
    for x in column_of(seen, POSITION_MM, np.full(len(FRETS), 3.0)):
        across = (np.arange(WIDTH)[None, :] - x) / PX_PER_MM
        painted[tall & (np.abs(across) < HALF_TANG_MM)] = 0.08
        painted[tall & (across >= HALF_TANG_MM) & (across < 1.2)] = TANG
    feet = find_feet(painted, EDGE, slit(), seen, position_mm=POSITION_MM)
    assert feet is not None
    assert feet.tangs == 0.0


@pytest.mark.parametrize("half_mm", [0.75, 0.85, 1.15])
@pytest.mark.parametrize("crown", [0.2, 0.9])
def test_crowns_in_the_gap_under_the_edge_are_no_tangs(half_mm: float, crown: float) -> None:
    """What was followed lies a millimetre above the edge: that is a row, and crowns widen under it, half-ellipses."""
    seen, row_mm, tall_mm = camera(3.0), 1.0, 1.0
    below = (np.arange(HEIGHT)[:, None] - EDGE_ROW) / PX_PER_MM
    light = np.where(below < row_mm, BLADE, GAP) * np.ones((1, WIDTH))
    light[np.broadcast_to(below > row_mm + 1.3, light.shape)] = SIDE
    for x, bow in zip(column_of(seen, POSITION_MM, np.full(len(FRETS), 3.0)), BOW_MM, strict=True):
        across = (np.arange(WIDTH)[None, :] - x) / PX_PER_MM
        under = (below - row_mm - bow - tall_mm) / tall_mm
        light[((across / half_mm) ** 2 + under**2 < 1) & (under < 0)] = crown
    soft = gaussian_filter(light, BLUR_PX) + np.random.default_rng(3).normal(0, 0.004, light.shape)
    feet = find_feet(soft.astype(np.float32), EDGE, slit(), seen, position_mm=POSITION_MM)
    assert feet is not None
    assert feet.is_row
    assert feet.tangs == 0.0


def test_below_the_picture_there_are_none() -> None:
    seen = camera(22.0)
    painted = picture(seen, 3.0 + BOW_MM, 0.9)[: int(EDGE_ROW + 12)]
    assert find_feet(painted, EDGE, slit(), seen, position_mm=POSITION_MM) is None


@pytest.mark.parametrize(
    ("score", "scatter_mm", "missing", "faces"),
    [(0.6, 0.01, 0, 1.0), (0.75, 0.02, 0, 1.0), (0.95, 0.05, 0, 1.0), (0.95, 0.01, 4, 1.0), (0.95, 0.01, 0, 0.2)],
)
def test_a_row_is_sure_only_when_straight_strong_whole_and_of_ends(
    score: float, scatter_mm: float, missing: int, faces: float
) -> None:
    below = 1.0 + BOW_MM
    assert Feet(below, 0.01, 0.95, 1.0).is_sure
    below = np.where(np.arange(len(below)) < missing, np.nan, below)
    assert not Feet(below, scatter_mm, score, faces).is_sure
