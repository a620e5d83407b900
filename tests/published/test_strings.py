"""String tension, frequencies and static sag against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.neck.pitch import note_frequency_hz
from lightgap.neck.string_sets import SET_NAMES, parse_string, string_set
from lightgap.neck.strings import (
    frequency_hz,
    plain_weight_kg_m,
    string_tension,
    taut_string_deflection_mm,
    tension_at_pitch_N,
    total_pull,
    wave_speed_m_s,
)
from lightgap.neck.units import NEWTON_PER_LBF

# Frequencies printed to two decimals with ISO 16 tuning (A4 = 440 Hz): http://auditoryneuroscience.com/topics/
# fundamental-frequencies-notes-western-music and https://unix4lyfe.org/note-freq/ ; the guitar's six also in OpenStax.
FREQUENCIES_HZ = {
    "E1": 41.20, "A1": 55.00, "D2": 73.42, "G2": 98.00, "E2": 82.41, "A2": 110.00, "D3": 146.83, "G3": 196.00,
    "B3": 246.94, "E4": 329.63,
}  # fmt: skip


@pytest.mark.parametrize("note, printed", FREQUENCIES_HZ.items())
def test_equal_temperament_on_iso_16(note: str, printed: float) -> None:
    assert note_frequency_hz(note) == pytest.approx(printed, abs=0.0051)  # half a unit of the last printed digit


def test_tuning_note() -> None:
    assert note_frequency_hz("A4") == 440.0  # ISO 16:1975


class TestOpenStax:
    """University Physics Volume 1, sections 16.3 and 16.6, OpenStax.

    https://openstax.org/books/university-physics-volume-1/pages/16-3-wave-speed-on-a-stretched-string
    """

    def test_wave_speed_of_a_guitar_string(self) -> None:
        high_e, low_e = 3.09e-4, 5.78e-3
        speed = wave_speed_m_s(56.40, weight_kg_m=high_e)
        assert speed == pytest.approx(427.23, abs=0.0051)
        # Printed 1055.00 N at the same speed.
        assert low_e * 427.23**2 == pytest.approx(1055.00, abs=0.01)

    def test_the_book_tension_is_that_of_a_648_mm_scale(self) -> None:
        # Derived: T = mu (2 L f)^2 with the book's mu and its 329.63 Hz.
        assert tension_at_pitch_N(3.09e-4, length_m=0.648, frequency_hz=329.63) == pytest.approx(56.393, abs=0.001)

    def test_standing_wave_example(self) -> None:
        pull = 2.00 * 9.8
        assert wave_speed_m_s(pull, weight_kg_m=0.006) == pytest.approx(57.15, abs=0.0051)
        got = [frequency_hz(pull, weight_kg_m=0.006, length_m=2.00, mode=n) for n in (1, 2, 3)]
        np.testing.assert_allclose(got, [14.29, 28.58, 42.87], atol=0.01)

    def test_linear_density(self) -> None:
        assert pytest.approx(3.00e-5) == 0.06 / 2.00 * 1e-3  # printed: mass of a 1.00 mm piece
        assert parse_string("E2=0.03kg/m").weight_kg_m == 0.03


def test_school_exercise_at_50_hz() -> None:
    """Antonine Physics, waves 4, answer 3: 1.60 m of string has 1.25e-3 kg; 50 Hz on 1.15 m: T = 10.3 N, v = 115 m/s.

    http://antonine-education.co.uk/Pages/Physics_2/Waves/WAV_04/answer_to_question_3.htm
    """
    weight = 1.25e-3 / 1.60
    assert weight == pytest.approx(7.8125e-4)
    pull = tension_at_pitch_N(weight, length_m=1.15, frequency_hz=50.0)
    assert pull == pytest.approx(10.3, abs=0.051)
    assert wave_speed_m_s(pull, weight_kg_m=weight) == pytest.approx(115, abs=0.51)


# Plain steel at 7850 kg/m3 (density of rolled steel: simetric.co.uk density table); derived by arithmetic, six digits.
PLAIN_KG_M = {
    8: 2.54570e-4, 9: 3.22190e-4, 10: 3.97765e-4, 11: 4.81296e-4, 12: 5.72782e-4, 13: 6.72223e-4, 14: 7.79620e-4,
    16: 1.01828e-3, 17: 1.14954e-3, 18: 1.28876e-3, 20: 1.59106e-3, 24: 2.29113e-3,
}  # fmt: skip


@pytest.mark.parametrize("thou, weight", PLAIN_KG_M.items())
def test_plain_steel(thou: int, weight: float) -> None:
    assert plain_weight_kg_m(thou * 0.0254) == pytest.approx(weight, rel=2e-6)
    assert parse_string(f"E4={thou}thou").weight_kg_m == pytest.approx(weight, rel=2e-6)


def test_unit_weight_in_pounds_per_inch() -> None:
    # 0.45359237 kg and 25.4 mm by definition; 0.010 in: 2.2274e-5 lb/in.
    assert parse_string("E4=0.000022274lb/in").weight_kg_m == pytest.approx(3.97765e-4, rel=3e-5)


def test_tension_of_a_plain_string() -> None:
    """Derived: 0.010 in, 647.7 mm, 329.6276 Hz: 72.524 N = 16.304 lbf."""
    pull = string_tension(parse_string("E4=0.010in"), 647.7)
    assert pull.tension_N == pytest.approx(72.524, abs=0.001)
    assert pull.tension_lbf == pytest.approx(16.304, abs=0.001)


class TestTautString:
    """X = F a (L - a) / (T L), straight either side: J. Woodhouse, Euphonics, ideal plucked string, eqs (1), (2), (6).

    https://euphonics.org/?p=1330
    """

    def sag(self, x: float, force: float = 0.1, at: float = 323.85) -> float:
        return taut_string_deflection_mm(x, force_N=force, force_at_mm=at, length_mm=647.7, tension_N=72.524)

    def test_value_at_the_load(self) -> None:
        assert self.sag(323.85) == pytest.approx(0.22327, abs=5e-6)  # F L / (4 T)

    def test_shape(self) -> None:
        assert self.sag(0.0) == 0.0
        assert self.sag(647.7) == pytest.approx(0.0, abs=1e-15)
        assert self.sag(100.0, force=0.3) == pytest.approx(3 * self.sag(100.0))
        assert self.sag(100.0, at=200.0) == pytest.approx(self.sag(547.7, at=447.7))
        assert self.sag(100.0, at=200.0) == pytest.approx(self.sag(200.0, at=200.0) / 2)


@pytest.mark.parametrize("name", SET_NAMES)
def test_total_pull_of_ordinary_sets(name: str) -> None:
    """Common practice, no published source: a full set pulls at most about 200 lbf, and no less than about 60."""
    scale = {"electric": 648.0, "acoustic": 645.0, "bass": 864.0, "mandolin": 350.0, "banjo": 670.0}[name.split("-")[0]]
    pull, _ = total_pull([string_tension(s, scale) for s in string_set(name)])
    assert 60 < pull / NEWTON_PER_LBF < 200
