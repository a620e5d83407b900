"""Dots on the board's side in drawn pictures, and what they say of the numbers."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from lightgap.neck.errors import Refusal
from lightgap.neck.frets import fret_position_mm
from lightgap.vision.camera import BoardCamera, camera_from_comb, column_of
from lightgap.vision.comb import Comb, CombPrior
from lightgap.vision.guesses import ScaleGuess
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.numbered import Located, number_frets
from lightgap.vision.numbering import check_lines, renumbered
from lightgap.vision.odds import Numbering, check_dots, is_numbered, margin
from lightgap.vision.side_dots import Dots, bear_out, log_odds, prove_height, read_dots
from lightgap.vision.teeth import TAPER, TeethFit

PX_PER_MM, SCALE_LENGTH_MM, NEAR_MM, EDGE_PX = 9.0, 648.0, 20.0, 100.0
BOARD, INLAY = 0.05, 0.6
# By common practice, no published source: on guitars and basses, on banjos and ukuleles, on some classical guitars.
USUAL = {
    "guitar": [(3, 1), (5, 1), (7, 1), (9, 1), (12, 2), (15, 1), (17, 1), (19, 1)],
    "ukulele": [(5, 1), (7, 1), (10, 1), (12, 2), (15, 1)],
    "classical": [(5, 1), (7, 1), (9, 1)],
}


def camera(direction: int = 1, yaw: float = 0.0) -> BoardCamera:
    comb = Comb(direction, 170.0, PX_PER_MM, yaw, 0.0, 9.0, 2000.0, 3900.0, SCALE_LENGTH_MM)
    return replace(camera_from_comb(comb), near_mm=np.array([NEAR_MM, TAPER]))


def edge() -> EdgeCurve:
    return EdgeCurve(np.array([0.0, EDGE_PX]), 2000.0, 1900.0, 100.0, 3900.0, 1, 0.1)


def column(place: float, seen: BoardCamera) -> float:
    position = fret_position_mm(np.array([place]), SCALE_LENGTH_MM)
    return float(column_of(seen, position, seen.ends_mm(position))[0])


def drawn(
    dots: list[tuple[int, int]],
    *,
    wood: float = BOARD,
    inlay: float = INLAY,
    radius_mm: float = 1.0,
    aside_mm: float = 0.0,
    long: float = 1.0,
    apart_mm: float = 6.0,
    seen: BoardCamera | None = None,
) -> NDArray[np.float32]:
    """Return a board's side, 2 to 9 mm under the edge, with fret ends, tangs, and dots between the frets."""
    seen = seen or camera()
    picture = np.full((260, 4001), 0.4)
    top, bottom = (round(EDGE_PX + mm * PX_PER_MM) for mm in (2.0, 9.0))
    picture[top:bottom] = wood
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    for fret in range(1, 22):
        at = column(fret, seen)
        if 15 < at < 3985:
            head, tang = ((round(at - w * PX_PER_MM), round(at + w * PX_PER_MM)) for w in (1.1, 0.25))
            picture[top - 9 : top + 2, slice(*head)] = INLAY
            picture[top + 2 : top + 18, slice(*tang)] = INLAY
    for fret, count in dots:
        middle = (column(fret - 1, seen) + column(fret, seen)) / 2
        for off in (0.0,) if count == 1 else (-apart_mm / 2, apart_mm / 2):
            u = (x - middle) / PX_PER_MM - off - aside_mm
            v = (y - EDGE_PX) / PX_PER_MM - 5.5
            picture[(u / long) ** 2 + v**2 < radius_mm**2] = inlay
    noise = np.random.default_rng(7).normal(0, 0.002, picture.shape)
    return np.asarray(gaussian_filter(picture, 0.9) + noise, dtype=np.float32)


def seen_in(picture: NDArray[np.float32], by: BoardCamera | None = None) -> list[tuple[int, int]]:
    return [(d.fret, d.count) for d in read_dots(picture, edge(), by or camera())]


@pytest.mark.parametrize(("wood", "inlay"), [(BOARD, INLAY), (0.5, 0.02)], ids=["light on dark", "dark on light"])
@pytest.mark.parametrize("radius_mm", [0.75, 1.5])
def test_dots_are_read_where_they_stand(wood: float, inlay: float, radius_mm: float) -> None:
    """In view are the spaces before fret 1 to 16; dots are 1.5 to 3 mm wide (common practice, no published source)."""
    dots = [d for d in USUAL["guitar"] if d[0] <= 16]
    assert seen_in(drawn(dots, wood=wood, inlay=inlay, radius_mm=radius_mm)) == dots


@pytest.mark.parametrize(("direction", "yaw"), [(-1, 0.0), (1, 0.03), (-1, -0.03)])
def test_dots_are_read_whichever_way_neck_and_camera_are_turned(direction: int, yaw: float) -> None:
    by = camera(direction, yaw)
    dots = [d for d in USUAL["guitar"] if d[0] <= 12]
    assert seen_in(drawn(dots, seen=by), by) == dots


def test_a_space_that_the_border_cuts_has_no_dots() -> None:
    """Of the space before fret 9 a part is in the picture, its dot whole."""
    picture = drawn([(3, 1), (5, 1), (9, 1)])
    seen = camera()
    cut = round((column(8, seen) + 2 * column(9, seen)) / 3)
    assert seen_in(picture) == [(3, 1), (5, 1), (9, 1)]
    assert seen_in(picture[:, :cut]) == [(3, 1), (5, 1)]


def test_what_lies_deeper_than_the_others_is_no_dot() -> None:
    picture = drawn([(3, 1), (5, 1), (9, 1)])
    low = drawn([(7, 1)])
    rows = round(2 * PX_PER_MM)
    seen = camera()
    columns = slice(round(column(6, seen)) + 20, round(column(7, seen)) - 20)
    picture[rows:, columns] = low[:-rows, columns]  # 2 mm lower, with the wood around it
    assert seen_in(picture) == [(3, 1), (5, 1), (9, 1)]


def test_coarse_grain_has_no_dots() -> None:
    """Patches a millimetre wide, a quarter brighter or darker, rms: of 12 boards with 16 spaces none has one."""
    rng = np.random.default_rng(5)
    found = []
    for _ in range(12):
        grain = gaussian_filter(rng.normal(size=(260, 4001)), 0.5 * PX_PER_MM)
        found += seen_in(np.asarray(drawn([]) * np.exp(0.25 * grain / grain.std()), dtype=np.float32))
    assert found == []


@pytest.mark.parametrize(
    "picture",
    [
        pytest.param(drawn([(12, 2)], apart_mm=14.0), id="too far apart"),
        pytest.param(drawn([]), id="a bare side"),
        pytest.param(drawn([(5, 1), (7, 1)], aside_mm=4.0), id="beside the middle"),
        pytest.param(drawn([(5, 1), (7, 1)], long=3.0), id="long"),
        pytest.param(drawn([(5, 1), (7, 1)], radius_mm=2.4), id="too large"),
        pytest.param(drawn([(5, 1), (7, 1)], radius_mm=0.35), id="too small"),
        pytest.param(drawn([(5, 1), (7, 1)], inlay=1.1 * BOARD), id="of the wood's own light"),
    ],
)
def test_what_is_no_dot_is_none(picture: NDArray[np.float32]) -> None:
    assert seen_in(picture) == []


@pytest.mark.parametrize("instrument", USUAL)
def test_dots_in_their_places_bear_the_numbers_out(instrument: str) -> None:
    dots = tuple(Dots(*d) for d in USUAL[instrument])
    # Of those that have dots one in five has them so (by judgement).
    assert log_odds(dots) == pytest.approx(np.log(0.2) if (10, 1) in USUAL[instrument] else 0.0)
    assert bear_out(dots)
    check_dots(dots)


@pytest.mark.parametrize("instrument", USUAL)
@pytest.mark.parametrize("by", [-1, 1])
def test_numbers_one_off_put_most_dots_where_no_instrument_has_them(instrument: str, by: int) -> None:
    dots = tuple(Dots(fret + by, count) for fret, count in USUAL[instrument])
    assert log_odds(dots) < np.log(1e-3)  # two strays at 0.03 each and more
    assert not bear_out(dots)
    with pytest.raises(Refusal, match="dots on the board's side") as refused:
        check_dots(dots)
    assert refused.value.code == "numbering-ambiguous"


def test_a_knot_among_right_dots_refuses_nothing() -> None:
    dots = (Dots(3, 1), Dots(4, 1), Dots(5, 1))
    check_dots(dots)
    assert not bear_out(dots)


def test_two_alike_refuse_wherever_single_ones_stand() -> None:
    """With numbers two too high 3, 5 and 7 are called by the next that have one, and the two before 12 stand at 14."""
    with pytest.raises(Refusal, match="two before fret 14"):
        check_dots((Dots(5, 1), Dots(7, 1), Dots(9, 1), Dots(14, 2)))


def test_one_single_dot_bears_nothing_out() -> None:
    """Every second space has one: a mark on the wood would do."""
    assert not bear_out((Dots(7, 1),))
    assert bear_out((Dots(12, 2),))


@pytest.mark.parametrize(
    ("dots", "by_one", "by_two"),
    [
        ([(5, 1), (7, 1)], True, False),  # two lower 3 and 5, two higher 7 and 9
        ([(3, 1), (5, 1), (7, 1), (9, 1)], True, False),  # two lower 1 and 3, 5, 7: some have one at 1
        ([(5, 1), (7, 1), (9, 1), (12, 2)], True, True),
        ([(15, 1), (17, 1), (19, 1), (21, 1)], True, False),  # two lower 13 alone
        ([(9, 1)], False, False),
        ([(1, 1), (9, 1)], False, False),  # what may be tells nothing
        ([(5, 2)], False, False),
    ],
)
def test_how_far_off_dots_rule_numbers_out(dots: list[tuple[int, int]], *, by_one: bool, by_two: bool) -> None:
    seen = tuple(Dots(*d) for d in dots)
    assert bear_out(seen) is by_one
    assert bear_out(seen, within=2) is by_two


@pytest.mark.parametrize(
    ("dots", "height_mm", "proves"),
    [
        ([(9, 1), (12, 2)], 20.0, True),
        ([(9, 1), (12, 2)], 28.0, False),
        ([(7, 1), (9, 1)], 20.0, False),  # two lower 5 and 7
        ([(12, 2)], 20.0, False),
        ([], 20.0, False),
    ],
)
def test_no_single_mark_proves_a_scale_by_the_height(
    dots: list[tuple[int, int]], height_mm: float, *, proves: bool
) -> None:
    """A border 0.8 mm lower makes 28 mm larger by 2.9 %, less than half a fret's step, 2^(1/24): 2.93 %."""
    assert prove_height(tuple(Dots(*d) for d in dots), height_mm) is proves


@pytest.mark.parametrize(("changed", "code"), [("may_be_string", "strings-in-front"), ("tied", "numbering-ambiguous")])
def test_lines_that_may_be_others_are_refused(changed: str, code: str) -> None:
    guess = replace(ScaleGuess(PX_PER_MM, 0.01, None, ()), **{changed: True})  # type: ignore[arg-type]
    with pytest.raises(Refusal) as refused:
        check_lines(guess, told=False)
    assert refused.value.code == code
    with nullcontext() if changed == "tied" else pytest.raises(Refusal):
        check_lines(guess, told=True)


def test_no_dots_say_nothing() -> None:
    assert log_odds(()) == 0.0
    assert not bear_out(())
    check_dots(())


def test_dots_are_asked_for_where_there_are_frets_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    none = TeethFit(camera().comb, -np.inf, (), NEAR_MM, np.inf)
    monkeypatch.setattr("lightgap.vision.numbered.fit_combs", lambda *_, **__: [none])
    prior = CombPrior(PX_PER_MM, SCALE_LENGTH_MM, 3900.0, with_dots=True)
    with pytest.raises(Refusal) as refused:
        number_frets(np.full((260, 4001), 0.4, np.float32), edge(), prior)
    assert refused.value.code == "no-crowns"


def located(dots: tuple[Dots, ...], *, odds: float = 20.0, against_frets: bool = False) -> Located:
    """Return frets whose numbers are so much likelier than the next, dots and all."""
    rival = 40.0 + log_odds(dots) - odds
    return Located(
        edge(), camera().comb, (3, 4, 5), 40.0, rival, beside_outer=True, dots=dots, against_frets=against_frets
    )


@pytest.mark.parametrize(
    ("dots", "odds", "against_frets", "sure"),
    [
        ((), 8.0, False, False),
        ((Dots(12, 2),), 8.0, False, True),
        ((Dots(12, 2),), 3.0, False, False),
        ((Dots(12, 2),), 8.0, True, False),  # they overruled the frets, and count once
        ((Dots(12, 2),), 9.1, True, True),
    ],
)
def test_beside_the_outer_string_dots_rule_one_fret_off_out(
    dots: tuple[Dots, ...], odds: float, *, against_frets: bool, sure: bool
) -> None:
    """Then odds of 55 to 1 (exp 4) will do, as along the middle, where 8000 (exp 9) are asked for without."""
    found = located(dots, odds=odds, against_frets=against_frets)
    assert is_numbered(found, Numbering(SCALE_LENGTH_MM, None, None)) == sure


@pytest.mark.parametrize("ahead", [-3.0, 3.0, 12.0])
def test_numberings_are_weighed_by_the_dots_that_each_sees(monkeypatch: pytest.MonkeyPatch, ahead: float) -> None:
    """Four dots one space off cost the odds against an instrument with dots of its own, 10000 to 1: 9.2."""
    right = camera().comb
    wrong = renumbered(right, 1, keep_length=True)
    fits = [
        TeethFit(wrong, 40.0 + ahead, tuple(range(2, 14)), NEAR_MM, 0.1),
        TeethFit(right, 40.0, tuple(range(1, 13)), NEAR_MM, 0.1),
    ]
    fits.sort(key=lambda f: -f.evidence)
    monkeypatch.setattr("lightgap.vision.numbered.fit_combs", lambda *_, **__: fits)
    prior = CombPrior(PX_PER_MM, SCALE_LENGTH_MM, 3900.0, with_dots=True)
    picture = drawn([(3, 1), (5, 1), (7, 1), (12, 2)])
    found = number_frets(picture, edge(), prior)
    cost = np.log(1e-4)
    by = int(ahead > -cost)
    assert found.comb == (wrong if by else right)
    assert [(d.fret, d.count) for d in found.dots] == [(3 + by, 1), (5 + by, 1), (7 + by, 1), (12 + by, 2)]
    assert found.evidence == fits[0 if bool(by) == (ahead > 0) else 1].evidence  # the frets' alone
    assert margin(found) == pytest.approx(abs(ahead + cost))
    assert found.against_frets == (0 < ahead < -cost)
    with pytest.raises(Refusal) if by else nullcontext():
        check_dots(found.dots)
    assert number_frets(picture, edge(), replace(prior, with_dots=False)).comb == (wrong if ahead > 0 else right)


def test_a_single_mark_says_nothing_against_a_number_that_was_told() -> None:
    with pytest.raises(Refusal):
        check_dots((Dots(4, 1),))
    check_dots((Dots(4, 1),), told=True)
    with pytest.raises(Refusal, match="--first-fret"):
        check_dots((Dots(4, 1), Dots(6, 1)), told=True)
