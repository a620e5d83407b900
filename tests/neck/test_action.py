"""String height, what relief does to it, and the bridge."""

from __future__ import annotations

import numpy as np
import pytest
from neck_profiles import bow, make_profile

from lightgap.neck.action import (
    ActionReading,
    BridgeGeometry,
    action_change_mm,
    bridge_move,
    describe_action,
    parse_action,
)
from lightgap.neck.advise import advise
from lightgap.neck.errors import InputError
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.setup_forecast import forecast_action


def test_seventy_and_fifty_thou_read_as_low() -> None:
    """Common practice, no published source: 0.070 in bass and 0.050 in treble over fret 12 is low."""
    reading = parse_action("0.070in,0.050in")
    assert describe_action(reading.bass_mm, reading.treble_mm) == "low"
    assert describe_action(2.0, 1.6) == "medium"
    assert describe_action(3.0, 2.5) == "high"


def test_the_constant_moment_model_by_hand() -> None:
    """Uniform beam fixed at fret 14: nut up by q s^2 / 2, relief the sagitta q c^2 / 8 of the arc."""
    length = 648.0
    joint = float(fret_position_mm(14, length))
    q = 1e-6
    chord = joint - float(fret_position_mm(1, length))
    relief = q * chord**2 / 8
    nut = q * joint**2 / 2
    twelfth = q * (joint - length / 2) ** 2 / 2
    want = nut / 2 - twelfth
    got = action_change_mm(relief, scale_length_mm=length, chord=(1, 14), joint_fret=14)
    # The deepest of 201 places and linear interpolation between 400: a few parts in a hundred thousand.
    assert got == pytest.approx(want, rel=1e-4)


def test_more_relief_lifts_the_strings() -> None:
    change = [action_change_mm(r, scale_length_mm=648.0) for r in (-0.2, 0.0, 0.1, 0.2)]
    assert change[0] < 0 == change[1] < change[2]
    assert change[3] == pytest.approx(2 * change[2])
    assert action_change_mm(0.1, scale_length_mm=648.0, taper=0.8) != pytest.approx(change[2], rel=0.01)


def test_saddle_moves_twice_the_change_over_the_twelfth() -> None:
    move = bridge_move(ActionReading(2.3, 1.9), ActionReading(2.0, 1.6))
    assert (move.bass_mm, move.treble_mm) == pytest.approx((-0.6, -0.6))
    assert (move.post_bass_mm, move.post_treble_mm) == pytest.approx((-0.6, -0.6))
    assert move.turns_bass is None


def test_posts_outside_the_strings_move_more() -> None:
    """The bridge is a straight line through both string moves, drawn on to the posts."""
    geometry = BridgeGeometry(string_spread_mm=52.0, post_span_mm=74.0, thread_pitch_mm=0.8)
    move = bridge_move(ActionReading(2.0, 1.6), ActionReading(1.8, 1.6), geometry=geometry)
    line = np.polyfit([-26.0, 26.0], [move.bass_mm, move.treble_mm], 1)
    assert move.post_bass_mm == pytest.approx(np.polyval(line, -37.0))
    assert move.post_treble_mm == pytest.approx(np.polyval(line, 37.0))
    assert move.turns_bass == pytest.approx(move.post_bass_mm / 0.8)


@pytest.mark.parametrize("text", ["2.0", "40mm,2mm", "0,0", "a,b", "2.0,1.6,1.2"])
def test_nonsense_action(text: str) -> None:
    with pytest.raises(InputError, match="action"):
        parse_action(text)


def test_nonsense_geometry() -> None:
    with pytest.raises(InputError, match="thread pitch"):
        BridgeGeometry(thread_pitch_mm=9.0)
    with pytest.raises(InputError, match="stand outside"):
        BridgeGeometry(post_span_mm=40.0)
    with pytest.raises(InputError, match="body joint"):
        action_change_mm(0.1, scale_length_mm=648.0, joint_fret=3)


def test_the_forecast_carries_relief_target_and_model() -> None:
    """JCGM 100:2008, 5.1.2: u^2 = (c u_r)^2 + (c half / sqrt 3)^2 (4.3.7) + the model's share, beside the reading's."""
    advice = advise(make_profile(bow(15, 0.6), 0.004), (0.1, 0.25))
    now = ActionReading(2.3, 1.9)
    got = forecast_action(advice, now=now, wanted=None, geometry=BridgeGeometry())
    relief = advice.plan.relief
    per_mm = action_change_mm(1.0, scale_length_mm=648.0, chord=relief.chord)
    change = per_mm * (0.175 - relief.relief_mm)
    u = np.sqrt((per_mm * relief.U_mm / 2) ** 2 + (per_mm * 0.075) ** 2 / 3 + (0.25 * change) ** 2)
    assert got["U_action_change_mm"] == pytest.approx(2 * u, abs=1e-4)
    assert got["U_after_mm"] == pytest.approx(2 * np.hypot(now.u_mm, u), abs=1e-3)
    lever = 648.0 / fret_position_mm(12.0, 648.0)
    assert got["bridge"]["U_mm"] == pytest.approx(2 * lever * np.hypot(now.u_mm, u), abs=1e-3)
    inside = advise(make_profile(bow(15, 0.2), 0.004), (0.1, 0.25))
    still = forecast_action(inside, now=now, wanted=None, geometry=BridgeGeometry())
    assert still["U_action_change_mm"] == 0
    assert still["bridge"]["U_mm"] == pytest.approx(2 * lever * now.u_mm, abs=1e-3)
