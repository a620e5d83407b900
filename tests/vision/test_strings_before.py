"""Strings before the face, told from what only looks like them: drawn strips with known lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from lightgap.neck.errors import Refusal
from lightgap.vision.blade import Candidate
from lightgap.vision.comb import Comb
from lightgap.vision.edge import Line
from lightgap.vision.edges import is_tied, may_be_string
from lightgap.vision.height import below_border, likeliest, not_parallel_mm, parallel_border
from lightgap.vision.locate import BEYOND_FRETS_MM, EdgeCurve, follow_edge
from lightgap.vision.photo import FloatImage
from lightgap.vision.strings import Streak, covered, find_streaks, follow_between, strings_before

WIDTH, HEIGHT, EDGE_PX, PX_PER_MM = 2400, 260, 150.0, 12.0
EDGE = EdgeCurve(np.array([EDGE_PX]), WIDTH / 2, WIDTH / 2, 0.0, WIDTH - 1.0, 1, 0.0)
COLUMNS = np.arange(float(WIDTH))
FRETS_PX = range(100, WIDTH, 230)
Scene = NDArray[np.float64]


def scene(*, face: float = 0.2, gap: float = 0.8, gap_mm: float = 0.5, board: float = 0.05) -> Scene:
    """Return a face, a gap under it and a board, in linear light."""
    below_mm = (np.arange(HEIGHT)[:, None] - EDGE_PX) / PX_PER_MM
    rows = np.where(below_mm < 0, face, np.where(below_mm < gap_mm, gap, board))
    return np.repeat(rows, WIDTH, axis=1)


def with_string(picture: Scene, ends_mm: tuple[float, float], *, light: float, thick_mm: float = 0.4) -> Scene:
    """Lay a string over the picture, `ends_mm` below the edge at its two ends."""
    middle = EDGE_PX + np.linspace(*ends_mm, WIDTH)[None, :] * PX_PER_MM
    return np.where(np.abs(np.arange(HEIGHT)[:, None] - middle) < thick_mm / 2 * PX_PER_MM, light, picture)


def with_frets(picture: Scene, *, from_mm: float, to_mm: float, light: float) -> Scene:
    """Paint frets, 18 px wide, between two heights below the edge."""
    rows = slice(int(EDGE_PX + from_mm * PX_PER_MM), int(EDGE_PX + to_mm * PX_PER_MM))
    out = picture.copy()
    for column in FRETS_PX:
        out[rows, column : column + 18] = light
    return out


def taken(picture: Scene) -> FloatImage:
    """Return the picture as a lens and a sensor would leave it."""
    blurred = gaussian_filter(picture, 0.9)
    noisy = blurred + np.random.default_rng(3).normal(0, 0.01, picture.shape)
    return np.asarray(noisy, dtype=np.float32)


def streaks(picture: Scene) -> list[Streak]:
    return find_streaks(taken(picture), COLUMNS, np.full(WIDTH, EDGE_PX), PX_PER_MM)


def candidate(y_px: float, *, slope: float = 0.0, score: float = 1.0, penalty: float = 0.0) -> Candidate:
    """Return a line as a candidate for the lower edge."""
    return Candidate(Line(slope, y_px, WIDTH / 2, 1.0), PX_PER_MM, 0.01, None, score, penalty)


@pytest.mark.parametrize("light", [0.9, 0.05], ids=["shining", "in shade"])
@pytest.mark.parametrize("ends_mm", [(-0.5, -2.5), (-2.0, -1.8), (0.6, -2.4)], ids=["rising", "level", "crossing"])
def test_string_before_the_face_is_found_where_it_runs(light: float, ends_mm: tuple[float, float]) -> None:
    found = streaks(with_string(scene(), ends_mm, light=light))
    true_px = EDGE_PX + np.linspace(*ends_mm, WIDTH) * PX_PER_MM
    before = true_px < EDGE_PX
    off_px = [np.abs(np.interp(COLUMNS, s.x_px, s.y_px) - true_px)[before].max() for s in found]
    assert min(off_px) < 0.2 * PX_PER_MM  # half the string's width


@pytest.mark.parametrize("gap_mm", [0.2, 0.3, 0.5, 0.9])
@pytest.mark.parametrize(("gap", "board"), [(0.8, 0.05), (0.02, 0.5)], ids=["card", "cloth"])
def test_gap_over_a_board_is_no_string(gap_mm: float, gap: float, board: float) -> None:
    """A narrow light gap over a dark board, or a dark one over a light board, has no line on the face."""
    assert streaks(scene(gap=gap, gap_mm=gap_mm, board=board)) == []


def test_brushed_finish_is_no_string() -> None:
    """Streaks some 25 mm long, a fifth brighter or darker (one standard deviation), end before they make a string."""
    rng = np.random.default_rng(8)
    grain = gaussian_filter(rng.normal(size=(HEIGHT, WIDTH)), (1.3, 100.0))
    picture = scene()
    picture[: int(EDGE_PX)] *= np.exp(0.2 * grain / grain.std())[: int(EDGE_PX)]
    assert streaks(picture) == []


def test_frets_mirrored_in_the_face_are_no_string() -> None:
    picture = scene()
    for column in FRETS_PX:
        picture[: int(EDGE_PX), column : column + 18] *= 2.5
    assert streaks(picture) == []


@pytest.mark.parametrize(("ends_mm", "share"), [((-0.5, -2.5), 0.0), ((-2.0, -1.8), 0.0), ((0.6, -2.4), 0.29)], ids=str)
def test_share_of_the_edge_that_a_string_crosses(ends_mm: tuple[float, float], share: float) -> None:
    """From 0.6 below to 0.25 above is 0.85 of the 3 mm that the last one rises."""
    hidden = covered(taken(with_string(scene(), ends_mm, light=0.95)), EDGE, PX_PER_MM)
    assert hidden.mean() == pytest.approx(share, abs=0.1)  # half its width and a row, 0.3 of 3 mm


def test_edge_is_followed_where_no_string_crosses_it() -> None:
    """A cubic through all columns is drawn down by the string in the first quarter; one through the rest is not."""
    light = taken(with_string(scene(gap=0.5), (0.5, -2.5), light=0.95, thick_mm=0.9))
    hidden = covered(light, EDGE, PX_PER_MM)
    again = follow_between(light, EDGE, hidden, PX_PER_MM)
    x = COLUMNS[int(again.low_px) : int(again.high_px)]
    assert again.low_px > 0.15 * WIDTH
    # The logarithm of light is steepest up to one blur (0.9 px) to the dark side of the border, at row 149.5.
    assert np.abs(again.y_px(x) - 149.5).max() < 0.9


class TestStringsBefore:
    """A string over the edge is one; the edge over the board's border, with frets between, is none."""

    BOARD_MM = 2.0

    def picture(self, string_mm: tuple[float, float] = (-1.6, -1.6)) -> FloatImage:
        strung = with_string(scene(gap_mm=0.4, board=0.1), string_mm, light=0.9)
        below = with_frets(strung, from_mm=0.1, to_mm=self.BOARD_MM, light=0.7)
        below[int(EDGE_PX + self.BOARD_MM * PX_PER_MM) :] = 0.03
        return taken(with_frets(below, from_mm=self.BOARD_MM, to_mm=self.BOARD_MM + 1.5, light=0.6))

    def test_string(self) -> None:
        string, edge = candidate(EDGE_PX - 1.5 * PX_PER_MM), candidate(EDGE_PX)
        assert strings_before(edge, [string, edge], self.picture()) == [string]

    def test_string_that_does_better_is_no_rival_of_the_edge(self) -> None:
        edge, string = candidate(EDGE_PX, score=2.0), candidate(EDGE_PX - 1.5 * PX_PER_MM, score=3.0, penalty=2.0)
        assert likeliest([edge, string], self.picture()) is edge
        with pytest.raises(Refusal, match="likeliest"):
            likeliest([edge, string], np.full((HEIGHT, WIDTH), 0.2, dtype=np.float32))

    def test_line_that_is_not_parallel_is_no_rival_of_the_edge(self) -> None:
        """Over 200 mm it slides by 1 mm; lines are found in steps of 0.2 mm there, and strings slide by 0.3."""
        edge = candidate(EDGE_PX, score=2.0)
        sliding = candidate(EDGE_PX - 1.5 * PX_PER_MM, slope=0.005, score=3.0, penalty=2.0)
        assert likeliest([edge, sliding], np.full((HEIGHT, WIDTH), 0.2, dtype=np.float32)) is edge

    def test_string_likelier_than_the_edge_gives_way(self) -> None:
        """It has no upper edge at its height, slides by 1.2 mm, and is seen before the face of one that has."""
        slope = -1.2 * PX_PER_MM / WIDTH
        string = candidate(EDGE_PX - 1.6 * PX_PER_MM, slope=slope, score=5.0, penalty=2.0)
        edge = candidate(EDGE_PX, score=2.0)
        assert string.total > edge.total
        assert likeliest([string, edge], self.picture((-1.0, -2.2))) is edge

    @pytest.mark.parametrize(
        ("score", "px_per_mm", "tied"), [(1.9, 12.7, True), (1.9, 12.1, False), (1.6, 12.7, False)]
    )
    def test_board_that_does_nearly_as_well_is_a_tie(self, score: float, px_per_mm: float, tied: bool) -> None:
        """At a scale half a fret off or more; a string before the face, proven one, is none."""
        edge = candidate(EDGE_PX, score=2.0)
        board = candidate(EDGE_PX + self.BOARD_MM * PX_PER_MM, score=score)
        string = candidate(EDGE_PX - 1.5 * PX_PER_MM, score=1.9)
        others = [replace(board, px_per_mm=px_per_mm), replace(string, px_per_mm=11.2)]
        assert is_tied([edge, *others], self.picture()) is tied

    @pytest.mark.parametrize(
        ("above_mm", "worse", "doubted"), [(1.5, 0.9, True), (2.3, 1.3, False), (2.6, 1.3, True), (2.6, 1.5, False)]
    )
    def test_string_clearer_than_the_edge_is_doubted(self, above_mm: float, worse: float, *, doubted: bool) -> None:
        """The board's border lies no farther than a tall fret and a gap: from what does a string may differ more."""
        string, edge = candidate(EDGE_PX - above_mm * PX_PER_MM, score=3.0), candidate(EDGE_PX, score=3.0 - worse)
        picture = self.picture((-above_mm - 0.1, -above_mm - 0.1))
        # By the straightedge's height a string has a scale that is too small.
        string = replace(string, px_per_mm=PX_PER_MM * (20.0 - above_mm) / 20.0)
        assert may_be_string([string, edge], picture) is doubted

    def test_edge_over_the_board(self) -> None:
        edge, board = candidate(EDGE_PX), candidate(EDGE_PX + self.BOARD_MM * PX_PER_MM)
        assert strings_before(board, [edge], self.picture()) == []

    def test_nothing_thin_is_no_string(self) -> None:
        other = candidate(EDGE_PX - 4.0 * PX_PER_MM)
        assert strings_before(candidate(EDGE_PX), [other], self.picture()) == []


class TestParallel:
    """Edges 20 mm apart, seen square on: neither may slide from the other by more than half a millimetre."""

    COMB = Comb(1, 100.0, PX_PER_MM, 0.0, 0.0, 9.0, WIDTH / 2, 3000.0, 648.0)
    UPPER = replace(EDGE, coefficients=np.array([EDGE_PX - 20 * PX_PER_MM]))

    def test_parallel(self) -> None:
        assert parallel_border(EDGE, (self.UPPER,), self.COMB) is self.UPPER

    def test_no_upper_edge_tells_nothing(self) -> None:
        assert parallel_border(EDGE, (), self.COMB) is None

    @pytest.mark.parametrize("slide_mm", [-0.8, 0.8])
    def test_gone_over_to_a_string(self, slide_mm: float) -> None:
        slid = replace(EDGE, coefficients=np.array([slide_mm / 2 * PX_PER_MM, EDGE_PX]))
        with pytest.raises(Refusal, match="not parallel") as caught:
            parallel_border(slid, (self.UPPER,), self.COMB)
        assert caught.value.code == "no-straightedge"

    def test_lower_edge_lies_one_height_below_the_upper_one(self) -> None:
        turned = replace(self.COMB, yaw=-0.02)
        below = below_border(self.UPPER, turned, 20.0)
        assert parallel_border(below, (self.UPPER,), turned) is self.UPPER
        np.testing.assert_allclose(below.y_px(np.array([WIDTH / 2])), EDGE_PX, atol=0.01)  # the cubic's rest
        assert not_parallel_mm(below, self.UPPER, turned) < 0.005

    @pytest.mark.parametrize("ends_mm", [(-1.0, 1.0), (-2.0, 1.5)])
    def test_edge_is_followed_from_where_the_upper_one_has_it(self, ends_mm: tuple[float, float]) -> None:
        """From the string's own line the string is followed; from a curve one height below the border, the edge."""
        picture = taken(with_string(scene(), ends_mm, light=0.95))
        slope, middle_px = np.ptp(ends_mm) * PX_PER_MM / WIDTH, EDGE_PX + np.mean(ends_mm) * PX_PER_MM
        string = Line(float(slope), float(middle_px), (WIDTH - 1) / 2, 0.9)
        below = below_border(self.UPPER, self.COMB, 20.0)
        gone, edge = (follow_edge(picture, start, self.COMB, PX_PER_MM) for start in (string, below))
        # The bright row of the gap begins half a pixel higher, and the logarithm is steepest towards the dark face.
        np.testing.assert_allclose(edge.y_px(COLUMNS[300:]), EDGE_PX - 0.8, atol=0.2)
        with pytest.raises(Refusal, match="not parallel"):
            parallel_border(gone, (self.UPPER,), self.COMB)

    @pytest.mark.parametrize("chamfered", [True, False])
    def test_second_boundary_below_the_edge_is_its_chamfer_or_what_lies_beyond(self, *, chamfered: bool) -> None:
        """A board's bright border 0.25 mm below the edge, as near as a chamfer is high: which one is asked for."""
        apart_px = 0.25 * PX_PER_MM
        picture = np.full(scene().shape, 0.05)
        picture[round(EDGE_PX) :] = 0.2
        picture[round(EDGE_PX + apart_px) :] = 0.8
        edge = follow_edge(taken(picture), EDGE.as_line(), self.COMB, PX_PER_MM, chamfered=chamfered)
        boundary_px = EDGE_PX - 0.5 + (apart_px if chamfered else 0.0)
        # Rows are whole, and the blur of one boundary moves the steepest place of the other: well under half their way.
        np.testing.assert_allclose(edge.y_px(COLUMNS[300:]), boundary_px, atol=0.4 * apart_px)

    def test_edge_departs_from_a_curve_known_by_little_where_a_string_crosses_it(self) -> None:
        """A bent edge under a string that slides across it over two fifths: free, it is followed farther off."""
        bent = replace(EDGE, coefficients=np.array([3.0, 0.0, EDGE_PX]))
        rows = np.arange(len(scene()))[:, None]
        x = np.arange(WIDTH, dtype=np.float64)
        picture = np.where(rows < bent.y_px(x), 0.1, 0.3)
        slides = x > 0.6 * WIDTH
        string = bent.y_px(x) + np.where(slides, (x - 0.6 * WIDTH) / (0.4 * WIDTH), np.nan) * 4.0
        picture = taken(np.where(np.abs(rows - string) < 2.0, 0.95, picture))
        known = follow_edge(picture, bent, self.COMB, PX_PER_MM)
        free = follow_edge(picture, bent.as_line(), self.COMB, PX_PER_MM)
        off, off_free = (float(np.abs(e.y_px(x) - bent.y_px(x))[300:-300].max()) for e in (known, free))
        # What the logarithm moves it by, as above, and half a pixel for a tilt; free, at least another half pixel.
        assert off < 0.8 + 0.5
        assert off_free > off + 0.5

    def test_where_hardly_anything_runs_along_a_curve_known_no_edge_is_followed(self) -> None:
        grain = np.random.default_rng(4).normal(0.3, 0.05, scene().shape)
        with pytest.raises(Refusal, match="could not be followed"):
            follow_edge(taken(grain), EDGE, self.COMB, PX_PER_MM)

    @pytest.mark.parametrize("along_px", [-50.0, 0.0, 20.0])
    def test_curve_beside_all_frets_is_no_edge(self, along_px: float) -> None:
        """A border seen to one side only of what the frets reach: none of them lies along it."""
        _, frets = self.COMB.frets(0, WIDTH - 1)
        aside = replace(EDGE, low_px=0.0, high_px=float(frets.min()) - BEYOND_FRETS_MM * PX_PER_MM + along_px)
        with pytest.raises(Refusal, match="hardly any fret") as caught:
            follow_edge(taken(scene()), aside, self.COMB, PX_PER_MM)
        assert caught.value.code == "no-straightedge"

    def test_nearer_end_is_seen_larger(self) -> None:
        """A camera turned so that scale grows by 4 % along the picture: 0.8 mm of 20 are perspective."""
        turned = replace(self.COMB, yaw=-0.02)
        x = np.linspace(0, WIDTH - 1, 50)
        scale = PX_PER_MM * np.sqrt(turned.local_px_per_mm(x) / PX_PER_MM)
        t = (x - EDGE.middle_px) / EDGE.half_px
        upper = replace(EDGE, coefficients=np.polyfit(t, EDGE_PX - 20 * scale, 3))
        assert np.ptp(upper.y_px(x)) > 0.6 * PX_PER_MM
        parallel_border(EDGE, (upper,), turned)
