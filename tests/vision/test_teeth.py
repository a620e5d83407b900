"""Single frets found to sub-pixel, and numberings weighed against each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lightgap.neck.frets import fret_position_mm
from lightgap.vision.comb import Comb, CombMatch, CombPrior, FretRows
from lightgap.vision.known import EdgeTurn
from lightgap.vision.teeth import MAX_BEYOND, OUTER_BELOW_MM, find_peaks_px, fit_combs, same_numbering

SCALE_LENGTH_MM, MIDDLE_PX, FOCAL_PX, STEP_PX, NEAR_MM = 648.0, 2000.0, 3900.0, 1.0, 20.0
TRUTH = Comb(1, 180.0, 9.0, 0.008, 0.01, 9.0, MIDDLE_PX, FOCAL_PX, SCALE_LENGTH_MM)
SPAN_PX = (0.0, 2 * MIDDLE_PX)


def rows_of(crown_px: np.ndarray, end_px: np.ndarray, *, seed: int = 5) -> FretRows:
    """Return rows with a mark 1 mm wide at each column, over noise."""
    columns = np.arange(0, 2 * MIDDLE_PX + 1, STEP_PX)
    rows = np.abs(np.random.default_rng(seed).normal(0, 0.3, (3, len(columns))))
    for row, places in ((0, crown_px), (2, end_px)):
        for at in places:
            rows[row] += 4 * np.exp(-0.5 * ((columns - at) / 4.0) ** 2)
    return FretRows(rows[0], (rows[1], rows[2]), STEP_PX)


def seen_by(comb: Comb, numbers: np.ndarray) -> FretRows:
    place = fret_position_mm(numbers, comb.scale_length_mm)
    return rows_of(comb.x_px(place), comb.end_px(place, NEAR_MM))


def prior(u_scale: float = 0.01, **changes: float | EdgeTurn | None) -> CombPrior:
    return replace(CombPrior(9.0, SCALE_LENGTH_MM, FOCAL_PX, u_scale=u_scale), **changes)  # type: ignore[arg-type]


def rough(comb: Comb) -> CombMatch:
    """Return a start that is off as the search's steps leave it: 0.6 mm along, 1 % in scale."""
    return CombMatch(replace(comb, x0_mm=comb.x0_mm + 0.6, px_per_mm=9.0 * 1.01, yaw=0.0, k1=0.0), 19.0, 1)


def test_peaks_are_placed_to_a_fraction_of_a_sample() -> None:
    places = np.array([300.3, 1111.7, 2500.0])
    peaks = find_peaks_px(rows_of(places, places).crowns, STEP_PX, 2.0, 9.0)
    near = np.array([peaks.x_px[np.argmin(np.abs(peaks.x_px - p))] for p in places])
    # Noise 0.3 on a mark 4 high and 4 px wide (standard deviation): about 4 x 0.3 / 4 / sqrt(4) = 0.15 px; three of it.
    np.testing.assert_allclose(near, places, atol=0.45)


def test_comb_is_fitted_to_a_tenth_of_a_millimetre() -> None:
    fit = fit_combs(seen_by(TRUTH, np.arange(1.0, 17)), [rough(TRUTH)], prior(), span_px=SPAN_PX)[0]
    places = fret_position_mm(np.arange(1.0, 17), SCALE_LENGTH_MM)
    miss_mm = (fit.comb.x_px(places) - TRUTH.x_px(places)) / TRUTH.px_per_mm
    # Placed to 0.15 px = 0.02 mm each; the glow's shift (0.7 mm beforehand) is told from the ends to about 0.1 mm.
    assert np.abs(miss_mm).max() < 0.2
    assert fit.matched == tuple(range(1, 17))
    assert fit.near_mm + 0.014 * 180 == pytest.approx(NEAR_MM, abs=4.0)  # taper and nearness trade along the board


@pytest.mark.parametrize("numbers", [np.arange(1.0, 17), np.arange(5.0, 11)], ids=["full", "close-up"])
@pytest.mark.parametrize("u_scale", [0.008, 0.012])
def test_next_numbering_is_as_unlikely_as_its_scale(numbers: np.ndarray, u_scale: float) -> None:
    """One fret off wants a scale 2^(1/12) - 1 = 5.9 % off (equal temperament): at least half its chi-square is left.

    Fret ends, yaw and lens may take up some of it, each at its own cost.
    """
    here = replace(TRUTH, x0_mm=float(fret_position_mm(numbers, SCALE_LENGTH_MM).mean()))
    comb = here if len(numbers) > 10 else replace(here, px_per_mm=24.0, yaw=0.0)
    known = prior(u_scale, px_per_mm=comb.px_per_mm)
    fits = fit_combs(seen_by(comb, numbers), [CombMatch(comb, 19.0, 1)], known, span_px=SPAN_PX)
    assert same_numbering(fits[0].comb, comb)
    assert fits[0].evidence - fits[1].evidence > 0.25 * ((2 ** (1 / 12) - 1) / u_scale) ** 2


def test_equal_spacing_is_no_fretboard() -> None:
    """The same number of marks as frets, evenly spaced: a comb of frets finds less than half of the evidence."""
    frets = fit_combs(seen_by(TRUTH, np.arange(1.0, 17)), [rough(TRUTH)], prior(), span_px=SPAN_PX)[0]
    even = np.linspace(200, 3800, 17)
    blinds = fit_combs(rows_of(even, even), [rough(TRUTH)], prior(), span_px=SPAN_PX)[0]
    assert blinds.evidence < 0.5 * frets.evidence


def test_frets_beyond_the_nut_are_counted() -> None:
    """Called with a scale length four frets too short, the first frets stand where the headstock should be."""
    shorter = SCALE_LENGTH_MM * 2 ** (-4 / 12)
    renumbered = replace(TRUTH, scale_length_mm=shorter, x0_mm=TRUTH.x0_mm - (SCALE_LENGTH_MM - shorter))
    rows = seen_by(TRUTH, np.arange(1.0, 17))
    known = replace(prior(), scale_length_mm=shorter)
    assert fit_combs(rows, [CombMatch(renumbered, 19.0, 1)], known, span_px=SPAN_PX)[0].beyond > MAX_BEYOND
    assert fit_combs(rows, [rough(TRUTH)], prior(), span_px=SPAN_PX)[0].beyond == 0


def test_mark_seen_in_both_rows_counts_once() -> None:
    """Ends that reach up to the edge stand in both rows at the same columns: that is one row of frets, not two."""
    place = fret_position_mm(np.arange(1.0, 17), SCALE_LENGTH_MM)
    once, twice = (
        fit_combs(rows_of(TRUTH.x_px(place), TRUTH.end_px(place, near)), [start], prior(), span_px=SPAN_PX)[0]
        for near, start in ((0.0, replace(rough(TRUTH), near_mm=0.0)), (NEAR_MM, rough(TRUTH)))
    )
    assert once.matched == twice.matched
    # Half as much, as the rows are alike; what camera and board cost beforehand, a unit or two each, is within a tenth.
    assert once.evidence == pytest.approx(0.5 * twice.evidence, rel=0.1)


def test_row_across_the_frets_themselves_is_not_their_ends() -> None:
    """Seen from above, frets run as streaks from the line to their ends; two ends are hidden, and still they are."""
    numbers = np.arange(1.0, 17)
    place = fret_position_mm(numbers, SCALE_LENGTH_MM)
    across = rows_of(TRUTH.x_px(place), TRUTH.end_px(place, 2.5))
    ends = rows_of(TRUTH.x_px(place), TRUTH.end_px(place[1:-1], NEAR_MM), seed=6)
    rows = FretRows(across.crowns, (across.ends[1], ends.ends[1]), STEP_PX)
    start = replace(rough(TRUTH), near_mm=2.0, band=0)
    assert fit_combs(rows, [start], prior(), span_px=SPAN_PX)[0].near_mm > OUTER_BELOW_MM
    beside = FretRows(across.crowns, (across.ends[1], across.ends[0]), STEP_PX)
    assert fit_combs(beside, [start], prior(), span_px=SPAN_PX)[0].near_mm < OUTER_BELOW_MM


def test_close_numberings_are_weighed_again_where_marks_follow_closely(monkeypatch: pytest.MonkeyPatch) -> None:
    """Six frets and a scale known to 2 %: the next numbering comes close."""
    numbers = np.arange(5.0, 11)
    place = fret_position_mm(numbers, SCALE_LENGTH_MM)
    comb = replace(TRUTH, x0_mm=float(place.mean()), px_per_mm=24.0, yaw=0.0)
    stray_px = 24.0 * np.random.default_rng(3).normal(0, 0.4, (2, 6))
    exact, astray = (rows_of(comb.x_px(place) + a, comb.end_px(place, NEAR_MM) + b) for a, b in ((0.0, 0.0), stray_px))

    def evidence(rows: FretRows) -> float:
        fits = fit_combs(rows, [CombMatch(comb, 19.0, 1)], prior(0.02, px_per_mm=24.0), span_px=SPAN_PX)
        return fits[0].evidence

    again = evidence(exact), evidence(astray)
    monkeypatch.setattr("lightgap.vision.teeth.CLOSE", -1.0)
    once = evidence(exact), evidence(astray)
    # Of twelve marks each stands where it must with a density twice as high; a unit for what is known beforehand.
    assert again[0] - once[0] == pytest.approx(12 * np.log(2), abs=1.0)
    # Marks 0.4 mm astray, as much as is allowed them at all, speak hardly for it.
    assert again[1] - once[1] < 0.25 * (again[0] - once[0])


def test_the_turn_tells_numberings_apart_that_spacing_leaves_open() -> None:
    """Five frets in view, their marks placed badly: another number wants another turn.

    The next number is 5.9 % larger in scale (equal temperament), and part of that a turn of the camera makes up for.
    """
    numbers = np.arange(5.0, 10.0)
    place = fret_position_mm(numbers, SCALE_LENGTH_MM)
    truth = replace(TRUTH, x0_mm=float(place.mean()), px_per_mm=24.0, yaw=0.015, k1=0.0)
    margins: dict[bool, list[float]] = {False: [], True: []}
    for seed in range(6):  # 5 px are 0.2 mm, where marks are reckoned good to 0.35
        off = np.random.default_rng(seed).normal(0, 5.0, (2, len(numbers)))
        rows = rows_of(truth.x_px(place) + off[0], truth.end_px(place, NEAR_MM) + off[1])
        for turn in (None, EdgeTurn(truth.yaw, 0.0, 0.001)):
            known = prior(0.02, px_per_mm=24.0, turn=turn)
            fits = fit_combs(rows, [CombMatch(truth, 19.0, 1)], known, span_px=SPAN_PX)
            margins[turn is not None].append(fits[0].evidence - fits[1].evidence)
            assert turn is None or same_numbering(fits[0].comb, truth)
            assert turn is None or abs(fits[0].comb.yaw - truth.yaw) < 3 * turn.u
    assert np.mean(margins[True]) > np.mean(margins[False]), margins
