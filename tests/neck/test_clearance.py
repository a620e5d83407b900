"""Clearance of plucked strings over crowns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from neck_profiles import bow, make_profile

from lightgap.neck.action import ActionReading, string_line
from lightgap.neck.clearance import Setup, complete_profile, compute_clearance
from lightgap.neck.errors import InputError
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.pluck import dip_envelope_mm
from lightgap.neck.profile import GapProfile
from lightgap.neck.readings import parse_reading, profile_from_readings
from lightgap.neck.relief import compute_relief
from lightgap.neck.string_sets import parse_string, string_set
from lightgap.neck.strings import string_tension, taut_string_deflection_mm

STRINGS = [string_tension(s, 648.0) for s in string_set("electric-10")]


def run(profile: GapProfile, **setup: object):  # type: ignore[no-untyped-def]
    return compute_clearance(profile, STRINGS, setup=Setup(**setup), relief=compute_relief(profile))  # type: ignore[arg-type]


def board(relief_mm: float = 0.2) -> np.ndarray:
    """Twenty frets: a bowed neck and a straight tongue."""
    return np.concatenate([bow(15, relief_mm), np.zeros(5)])


def test_a_flat_board_by_hand() -> None:
    """One string over a flat board, worked out from the geometry alone."""
    profile = make_profile(np.zeros(20), 0.001)
    string = string_tension(parse_string("E4=0.010in"), 648.0)
    setup = Setup(action=ActionReading(1.8, 1.8), first_fret_mm=0.4, force_N=0.3, pluck_from_saddle_mm=130.0)
    got = compute_clearance(profile, [string], setup=setup, relief=compute_relief(profile))
    x = fret_position_mm(np.arange(0, 21), 648.0)
    saddle = 0.4 + (1.8 - 0.4) * (648.0 - x[1]) / (x[12] - x[1])
    for played in (3, 12, 17):
        length = 648.0 - x[played]
        place = min(130.0, length / 2)
        peak = taut_string_deflection_mm(
            place, force_N=0.3, force_at_mm=place, length_mm=length, tension_N=string.tension_N
        )
        rooms = [
            saddle * (x[m] - x[played]) / length
            - dip_envelope_mm(np.array([x[m] - x[played]]), length_mm=length, pluck_from_saddle_mm=place, peak_mm=peak)[
                0
            ]
            for m in range(played + 1, 21)
        ]
        assert got.least_mm[0, played] == pytest.approx(min(rooms), abs=1e-9)
        assert got.at_fret[0, played] == played + 1 + int(np.argmin(rooms))


def test_harder_plucks_and_lower_strings_leave_less_room() -> None:
    profile = make_profile(board(), 0.003)
    usual, hard = run(profile), run(profile, force_N=0.6)
    low = run(profile, action=ActionReading(1.6, 1.2))
    assert (hard.least_mm < usual.least_mm).all()
    assert low.least_mm.min() < usual.least_mm.min()


def test_the_uncertainty_covers() -> None:
    """Errors of gaps and readings drawn as stated: clearances scatter as stated."""
    rng = np.random.default_rng(5)
    u = 0.02
    true = make_profile(board(), u)
    exact = run(true)
    s, p = 2, 6
    at = int(exact.at_fret[s, p])
    seen = []
    for _ in range(90):
        gap = board() + rng.normal(0, u, 20)
        action = ActionReading(2.0 + (e := rng.normal(0, 0.06)), 1.6 + e)
        got = run(make_profile(gap, u), action=action, first_fret_mm=0.5 + rng.normal(0, 0.05))
        if int(got.at_fret[s, p]) == at:
            seen.append(got.least_mm[s, p])
    # The least of several is chosen by the noise as well; the spread of 60 and more draws is known to 9 %.
    assert 0.6 * exact.U_mm[s, p] / 2 < np.std(seen) < 1.3 * exact.U_mm[s, p] / 2


def test_a_high_fret_is_named_and_levelled() -> None:
    gap = board()
    gap[8] -= 0.10
    got = run(make_profile(gap, 0.002))
    assert got.levelling is not None
    assert got.levelling.fret == 9
    gap[8] += got.levelling.amount_mm + 1e-6
    assert run(make_profile(gap, 0.002)).least_mm.min() >= -1e-9
    s, p = got.worst
    assert (got.played[p], int(got.at_fret[s, p])) == (8, 9)
    assert got.verdicts[s][p] == "buzzes"


def test_a_crown_that_string_height_was_read_over_is_levelled_alone() -> None:
    """Filed lower, it leaves nut and saddle where they are: what is read over it grows by what was taken off."""
    gap = board()
    gap[11] -= 0.10
    got = run(make_profile(gap, 0.002), action=ActionReading(2.0, 1.6))
    assert got.levelling is not None
    assert got.levelling.fret == 12
    taken = got.levelling.amount_mm + 1e-6
    gap[11] += taken
    after = run(make_profile(gap, 0.002), action=ActionReading(2.0 + taken, 1.6 + taken))
    assert after.least_mm.min() >= -1e-9


def test_the_smallest_relief_clears_and_less_does_not() -> None:
    straight = make_profile(board(0.0), 0.002)
    setup = {"force_N": 0.6, "action": ActionReading(2.0, 1.8), "release": "lifted"}
    got = run(straight, **setup)
    assert got.smallest_relief_mm is not None
    assert got.smallest_relief_mm > 0
    enough = run(make_profile(board(got.smallest_relief_mm), 0.002), **setup)
    less = run(make_profile(board(got.smallest_relief_mm - 0.02), 0.002), **setup)
    # Relief is read through the crowns, at a hundredth of a millimetre.
    assert enough.least_mm.min() > -0.004
    assert less.least_mm.min() < 0


def test_too_hard_a_pluck_no_relief_cures() -> None:
    assert run(make_profile(board(), 0.002), force_N=5.0).smallest_relief_mm is None


def test_string_height_over_every_crown() -> None:
    profile = make_profile(board(0.3), 0.003)
    line = string_line(profile, scale_length_mm=648.0, action_mm=2.0, first_fret_mm=0.5)
    assert line.height_mm[0] == pytest.approx(0.5)
    assert line.height_mm[11] == pytest.approx(2.0)
    flat = string_line(make_profile(np.zeros(20)), scale_length_mm=648.0, action_mm=2.0, first_fret_mm=0.5)
    # In an up-bow the string stands higher over the middle of the neck.
    assert line.height_mm[5] > flat.height_mm[5]
    assert line.u_height_mm[11] == pytest.approx(0.06)
    with pytest.raises(InputError, match="fret 12 is missing"):
        string_line(make_profile(bow(8, 0.1)), scale_length_mm=648.0, action_mm=2.0)


def test_hand_readings_are_filled_in_and_it_is_said() -> None:
    profile, _ = profile_from_readings([parse_reading("7=0.30mm")])
    full, findings = complete_profile(profile, scale_length_mm=648.0)
    assert full.frets == tuple(range(1, 16))
    assert full.gap_mm[6] == pytest.approx(0.30)
    assert (full.gap_mm >= -1e-12).all()
    assert full.covariance_mm2[3, 3] > 0.015**2
    assert [f.code for f in findings] == ["crowns-assumed", "crowns-not-seen"]


def test_profiles_it_cannot_use() -> None:
    with pytest.raises(InputError, match="fret 13 or beyond"):
        run(make_profile(bow(9, 0.1)))
    with pytest.raises(InputError, match="count from the first crown seen"):
        run(make_profile(board(), numbers_relative=True))


@pytest.mark.parametrize(
    "setup, says",
    [
        ({"force_N": 50.0}, "pluck force must be 0.01 to 10 N"),
        ({"pluck_from_saddle_mm": 400.0}, "pluck place"),
        ({"first_fret_mm": 3.0}, "string height over fret 1"),
        ({"scale_length_mm": 64.8}, "scale length"),
        ({"margin_mm": -1.0}, "margin"),
    ],
)
def test_nonsense(setup: dict[str, float], says: str) -> None:
    with pytest.raises(InputError, match=says):
        Setup(**setup)  # type: ignore[arg-type]


def test_a_profile_of_which_nothing_was_read_is_refused_in_a_line() -> None:
    profile = make_profile(bow(14, 0.2))
    crowns = tuple(replace(c, extrapolated=True) for c in profile.crowns)
    with pytest.raises(InputError, match="it ends at 0"):
        complete_profile(replace(profile, crowns=crowns), scale_length_mm=648.0)
