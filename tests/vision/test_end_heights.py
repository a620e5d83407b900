"""How tall the ends stand over their feet: in pictures painted in another way, and what ends and feet tell together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.ndimage import gaussian_filter
from scipy.stats import norm

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array
from lightgap.vision.camera import BoardCamera, camera_from_comb, column_of
from lightgap.vision.camera_fit import U_OUTLINE_MM
from lightgap.vision.comb import Comb
from lightgap.vision.doubts import U_UNSEEN_MM, U_WORN_MM, u_unseen_mm
from lightgap.vision.end_heights import (
    ODD_MM,
    ODD_SHARE,
    EndHeights,
    EndOutlines,
    compare_heights,
    read_outlines,
    with_ends,
)
from lightgap.vision.feet import U_FOOT_MM, U_PER_SCATTER, Feet, find_feet
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.slit import SlitLight

WIDTH, HEIGHT, EDGE_ROW = 3000, 130, 30.0
PX_PER_MM, BLUR_PX = 10.0, 1.0
FRETS = np.arange(3, 13)
N = len(FRETS)
POSITION_MM = fret_position_mm(FRETS.astype(np.float64), 640.0)
NEAR_MM, FOOT_MM = 22.0, 6.0
BOW_MM = 0.25 * np.sin(np.linspace(0, np.pi, N))
UNBENT_MM = np.zeros(N)  # no face burns out
HALF_MM, TALL_MM, BEVEL = 1.05, 0.9, 0.6
BOARD, SIDE, FACE, FLANK = 0.15, 0.05, 0.5, 0.3
EDGE = EdgeCurve(np.array([EDGE_ROW]), WIDTH / 2, WIDTH / 2, 0.0, WIDTH - 1.0, 1, 0.0)
SLIT = SlitLight(BLUR_PX, 0.0, np.full(WIDTH, 0.6), np.full(WIDTH, 0.03), 0.7)
SCATTER_MM = 0.004


def camera(direction: int = 1) -> BoardCamera:
    """Return a camera square on before the middle of the frets."""
    comb = Comb(direction, float(POSITION_MM.mean()), PX_PER_MM, 0.0, 0.0, 0.0, WIDTH / 2, 4000.0, 640.0)
    return replace(camera_from_comb(comb), near_mm=np.array([NEAR_MM, 0.0]))


def picture(seen: BoardCamera, taller_mm: Array, face: float | Array = FACE, noise: float = 0.004) -> Array:
    """Return the board's border through the feet, and on it ends of half an ellipse, with the flanks behind them."""
    fine = 4
    rows = (np.arange(HEIGHT * fine) + 0.5) / fine - 0.5
    columns = (np.arange(WIDTH * fine) + 0.5) / fine - 0.5
    scale = PX_PER_MM * seen.distance_mm / (seen.distance_mm - NEAR_MM)
    middle = column_of(seen, POSITION_MM, np.full(N, NEAR_MM))
    order = np.argsort(middle)
    border = EDGE_ROW + scale * np.interp(columns, middle[order], (FOOT_MM + BOW_MM)[order])
    light = np.where(rows[:, None] > border[None, :], SIDE, BOARD).astype(np.float32)
    # Where a millimetre behind an end is seen, and its fret 2.5 mm behind it.
    one, far = (column_of(seen, POSITION_MM, np.full(N, NEAR_MM - deep)) for deep in (1.0, 2.5))
    faces = np.broadcast_to(face, N)
    for x, back, behind, more, foot, of_end in zip(
        middle, one, far - middle, taller_mm, FOOT_MM + BOW_MM, faces, strict=True
    ):
        near = np.flatnonzero(np.abs(columns - x) < 3 * scale)
        up = (EDGE_ROW + scale * foot - rows[:, None]) / scale - more
        for deep_px, level in ((behind, FLANK), (0.0, of_end)):  # the fret behind its end, seen aslant; the end
            aside = (columns[None, near] - x - deep_px - (back - x) * BEVEL * up) / scale
            inside = (aside / HALF_MM) ** 2 + (up / TALL_MM) ** 2 < 1
            # The fret goes on down to the board, however high its end stands.
            inside |= (np.abs(aside) < HALF_MM) & (up <= 0)
            there = inside & (rows[:, None] < border[None, near])
            light[:, near] = np.where(there, level, light[:, near])
    light = gaussian_filter(light, fine * np.sqrt(BLUR_PX**2 - 1 / 12))
    small = light.reshape(HEIGHT, fine, WIDTH, fine).mean(axis=(1, 3))
    return small + np.random.default_rng(0).normal(0, noise, small.shape).astype(np.float32)


def outlines_in(light: Array, seen: BoardCamera, edge: EdgeCurve = EDGE) -> EndOutlines | None:
    """Read the outlines in a picture, as a camera has them, whose feet were seen where they stand."""
    return read_outlines(light.astype(np.float32), edge, SLIT, seen, position_mm=POSITION_MM, foot_mm=FOOT_MM + BOW_MM)


def heights_by(outlines: EndOutlines | None, seen: BoardCamera, edge: EdgeCurve = EDGE) -> EndHeights | None:
    """Tell how tall ends stand by their outlines."""
    assert outlines is not None
    return compare_heights(outlines, edge, SLIT, seen, position_mm=POSITION_MM, foot_mm=FOOT_MM + BOW_MM)


def read(taller_mm: Array, *, direction: int = 1, face: float = FACE) -> EndHeights | None:
    """Read how tall the ends of a painted picture stand."""
    seen = camera(direction)
    return heights_by(outlines_in(picture(seen, taller_mm, face), seen), seen)


@pytest.mark.parametrize(
    ("odd", "by_mm", "direction", "face"), [(4, -0.1, 1, 0.5), (6, 0.08, -1, 0.5), (3, -0.09, 1, 0.05)]
)
def test_a_fret_that_stands_low_or_high_shows_at_its_end(odd: int, by_mm: float, direction: int, face: float) -> None:
    """Within k = 3 of the uncertainty stated, which must be good enough to tell such a fret."""
    taller = np.zeros(N)
    taller[odd] = by_mm
    ends = read(taller, direction=direction, face=face)
    assert ends is not None
    off = ends.below_mm - (FOOT_MM + BOW_MM) + taller
    assert 3 * ends.u_mm[odd] < abs(by_mm) / 2
    assert abs(off[odd] - np.nanmedian(off)) < 3 * ends.u_mm[odd]
    assert np.nanmax(np.abs(off - np.nanmedian(off)) / ends.u_mm) < 3


@pytest.mark.parametrize("odd", [0, 1, N - 1])
def test_at_a_rows_end_an_odd_fret_is_not_called_sound(odd: int) -> None:
    """A smooth row could follow it there: it is read rightly, or not at all, and its neighbours likewise."""
    taller = np.zeros(N)
    taller[odd] = -0.1
    ends = read(taller)
    assert ends is not None
    off = ends.below_mm - (FOOT_MM + BOW_MM) + taller
    assert np.isfinite(off[2 : N - 2]).all()
    assert np.nanmax(np.abs(off - np.nanmedian(off)) / ends.u_mm) < 3  # k = 3


def test_wire_of_unequal_height_is_read_to_its_uncertainty() -> None:
    """Error over uncertainty, of three photos: 1 when it is right; twice too wide, or a quarter too narrow, fails."""
    ratios = []
    for seed in (3, 4, 5):
        taller = np.random.default_rng(seed).normal(0, 0.01, N)
        ends = read(taller)
        assert ends is not None
        off = ends.below_mm - (FOOT_MM + BOW_MM) + taller
        ratios += ((off - np.nanmean(off)) / ends.u_mm)[np.isfinite(off)].tolist()
    assert len(ratios) > 15
    assert 0.5 < float(np.sqrt(np.mean(np.square(ratios)))) < 1.25


def test_a_border_without_ends_tells_nothing() -> None:
    plain = np.full((HEIGHT, WIDTH), BOARD, dtype=np.float32)
    plain[int(EDGE_ROW + FOOT_MM * PX_PER_MM) :] = SIDE
    plain += np.random.default_rng(1).normal(0, 0.01, plain.shape).astype(np.float32)
    assert outlines_in(plain, camera()) is None


def test_few_ends_in_view_tell_nothing() -> None:
    light = picture(camera(), np.zeros(N))
    assert outlines_in(light[:, :1200], camera(), replace(EDGE, high_px=1200.0)) is None


@pytest.mark.parametrize(("direction", "face", "off_mm"), [(1, 0.5, 0.0), (1, 0.5, 0.3), (-1, 0.05, -0.25)])
def test_columns_are_those_painted_wherever_they_were_expected(direction: int, face: float, off_mm: float) -> None:
    """To k = 2 of what the camera's fit takes an outlined end to be sure to."""
    seen = camera(direction)
    expected = replace(seen, comb=replace(seen.comb, x0_mm=seen.comb.x0_mm + off_mm))
    got = outlines_in(picture(seen, np.zeros(N), face), expected)
    assert got is not None
    painted = column_of(seen, POSITION_MM, np.full(N, NEAR_MM))
    assert np.isfinite(got.column_px).sum() > 0.7 * N
    assert np.nanmax(np.abs(got.column_px - painted)) / PX_PER_MM < 2 * U_OUTLINE_MM


def test_under_another_edge_the_same_ends_stand_as_tall() -> None:
    """Feet and ends move together: what is told of the wire stays."""
    seen = camera()
    taller = np.random.default_rng(6).normal(0, 0.01, N)
    outlines = outlines_in(picture(seen, taller), seen)
    bent = EdgeCurve(np.array([EDGE_ROW, 0.4, -0.6]), WIDTH / 2, WIDTH / 2, 0.0, WIDTH - 1.0, 1, 0.0)
    at_px = column_of(seen, POSITION_MM, np.full(N, NEAR_MM))
    scale = PX_PER_MM * seen.distance_mm / (seen.distance_mm - NEAR_MM)
    moved = FOOT_MM + BOW_MM - (bent.straight_on_y_px(at_px) - EDGE_ROW) / scale
    assert outlines is not None
    there = compare_heights(outlines, bent, SLIT, seen, position_mm=POSITION_MM, foot_mm=moved)
    here = heights_by(outlines, seen)
    assert there is not None
    assert here is not None
    # Ends are read a little beside where they are expected, where the bent edge is a little elsewhere: microns.
    np.testing.assert_allclose(there.below_mm - moved, here.below_mm - (FOOT_MM + BOW_MM), atol=0.002)


def feet(below_mm: Array) -> Feet:
    """Return a sure row."""
    return Feet(below_mm, SCATTER_MM, 0.95, 1.0)


@pytest.mark.parametrize("apart_mm", [0.0, 0.008, -0.025, 0.04, -0.1])
def test_ends_and_feet_together_are_bayes_rule(apart_mm: float) -> None:
    """Posterior mean and deviation of the wire's height, by numerical integration (SciPy's quad)."""
    u_mm, usual = 0.006, float(np.hypot(U_FOOT_MM, U_PER_SCATTER * SCATTER_MM))
    foot = FOOT_MM + BOW_MM
    end = foot.copy()
    end[4] += apart_mm
    got = with_ends(feet(foot), EndHeights(end, np.full(N, u_mm), UNBENT_MM), outer=False)

    def weight(w: float) -> float:
        wide = float(np.hypot(ODD_MM, usual))
        prior = (1 - ODD_SHARE) * norm.pdf(w, 0, usual) + ODD_SHARE * norm.pdf(w, 0, wide)
        return float(prior * norm.pdf(apart_mm, w, u_mm))

    whole, first, second = (
        quad(lambda w, k=k: w**k * weight(w), -0.4, 0.4, points=[0.0, apart_mm], limit=200)[0] for k in range(3)
    )
    mean = first / whole
    np.testing.assert_allclose(got.below_mm[4] - foot[4], mean, atol=1e-6)  # of the integration
    np.testing.assert_allclose(got.u_each_mm[4], np.sqrt(second / whole - mean**2), rtol=1e-4)
    assert got.with_end.all()


def test_an_end_speaks_for_a_foot_not_seen_and_feet_without_end_stay() -> None:
    foot, end = FOOT_MM + BOW_MM, FOOT_MM + BOW_MM + 0.01
    foot[3], end[7] = np.nan, np.nan
    got = with_ends(feet(foot), EndHeights(end, np.where(np.isnan(end), np.nan, 0.006), UNBENT_MM), outer=False)
    assert got.below_mm[3] == end[3]
    assert got.below_mm[7] == foot[7]
    assert got.with_end.tolist() == [i != 7 for i in range(N)]
    assert got.by_ends
    back = got.without_ends(np.arange(N) == 5)
    assert back.below_mm[5] == foot[5]
    assert not back.with_end[5]
    np.testing.assert_allclose(got.u_each_mm[7], np.hypot(U_FOOT_MM, U_PER_SCATTER * SCATTER_MM))
    assert got.u_each_mm[3] == 0.006  # of the end alone
    assert got.u_each_mm[4] < 0.006


def test_beside_the_outer_string_an_end_far_off_its_foot_was_misread() -> None:
    foot = FOOT_MM + BOW_MM
    end = foot.copy()
    end[4] -= 0.06
    ends = EndHeights(end, np.full(N, 0.006), UNBENT_MM)
    assert with_ends(feet(foot), ends, outer=True).below_mm[4] == foot[4]
    assert with_ends(feet(foot), ends, outer=False).below_mm[4] < foot[4] - 0.05
    assert with_ends(feet(foot), None, outer=False).with_end.sum() == 0


def test_ends_that_are_hardly_any_prove_no_row() -> None:
    foot = FOOT_MM + BOW_MM
    few = np.where(np.arange(N) < N // 2 - 1, foot, np.nan)
    got = with_ends(feet(foot), EndHeights(few, np.where(np.isnan(few), np.nan, 0.006), UNBENT_MM), outer=False)
    assert not got.by_ends
    far = EndHeights(foot - 0.1, np.full(N, 0.006), UNBENT_MM)
    assert not with_ends(feet(foot), far, outer=True).by_ends


def test_a_foot_seen_off_the_row_is_left_to_its_crown() -> None:
    foot, astray = FOOT_MM + BOW_MM, np.full(N, np.nan)
    astray[4], foot[4] = foot[4] - 0.1, np.nan
    ends = EndHeights(FOOT_MM + BOW_MM, np.full(N, 0.006), UNBENT_MM)
    got = with_ends(replace(feet(foot), astray_mm=astray), ends, outer=False)
    assert np.isnan(got.below_mm[4])
    assert not got.with_end[4]


@pytest.mark.parametrize("outer", [False, True])
@pytest.mark.parametrize(("apart_mm", "counts"), [(0.01, True), (0.028, True), (-0.028, True), (0.032, False)])
def test_a_foot_off_the_row_counts_where_its_end_stands_off_as_far(
    apart_mm: float, *, counts: bool, outer: bool
) -> None:
    """As far means within 0.03 mm."""
    foot, astray = FOOT_MM + BOW_MM, np.full(N, np.nan)
    high = foot.copy()
    high[4] -= 0.1
    astray[4], foot[4] = high[4], np.nan
    end = high.copy()
    end[4] += apart_mm
    got = with_ends(replace(feet(foot), astray_mm=astray), EndHeights(end, np.full(N, 0.006), UNBENT_MM), outer=outer)
    assert got.borne_out is not None
    assert np.flatnonzero(got.borne_out).tolist() == ([4] if counts else [])
    assert got.seen[4] == counts
    assert u_unseen_mm(got, outer=outer)[4] == (U_WORN_MM if counts else U_UNSEEN_MM)
    if counts:
        assert abs(got.below_mm[4] - high[4]) <= abs(apart_mm)
        back = got.without_ends(np.arange(N) == 4)
        assert not back.seen[4]
        np.testing.assert_allclose(back.astray_mm, astray, atol=1e-12)  # rounding


def test_ends_that_scatter_about_their_feet_were_misread() -> None:
    """Each moved by a twentieth of a millimetre up or down: no wire is so uneven."""
    taller = 0.05 * np.where(np.arange(N) % 2, 1, -1)
    assert read(taller) is None


@pytest.mark.parametrize("more", [2.0, 1.2])
def test_feet_of_burnt_out_faces_are_bent_back(more: float) -> None:
    """Faces of one to two and three times white, clipped, the brightest in the middle.

    Of the bend that feet are seen with two fifths must go: the share bent back is that of whole scenes, whose sides and
    lights behind the ends differ from these.
    """
    seen, along = camera(), np.linspace(-1, 1, N)
    bright = 1.0 + more * (1 - along**2)
    light = np.minimum(picture(seen, np.zeros(N), bright), 1.0).astype(np.float32)
    feet = find_feet(light, EDGE, SLIT, seen, position_mm=POSITION_MM)
    assert feet is not None
    outlines = outlines_in(light, seen)
    assert outlines is not None
    heights = compare_heights(outlines, EDGE, SLIT, seen, position_mm=POSITION_MM, foot_mm=feet.below_mm)
    assert heights is not None
    bends = [
        np.polyfit(along, at - (FOOT_MM + BOW_MM), 2)[0] for at in (feet.below_mm, feet.below_mm + heights.bent_mm)
    ]
    assert abs(bends[1]) < 0.6 * abs(bends[0])
    # Where no end moves a foot, it is bent back all the same.
    silent = replace(heights, below_mm=np.full(N, np.nan))
    np.testing.assert_allclose(with_ends(feet, silent, outer=False).below_mm, feet.below_mm + heights.bent_mm)
