"""Strings: weight per length, tension, and what the pull does to the neck.

The law is T = mu (2 L f)^2 for the fundamental f of a string of free length L and mass per length mu (for example
OpenStax, University Physics 1, 16.3 and 16.6). Stiffness of the string is left out: it raises the pitch of a plain
string by well under 1 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from .errors import InputError
from .pitch import note_frequency_hz
from .units import NEWTON_PER_LBF

Material = Literal["steel", "stainless", "nickel", "nickel-steel", "phosphor-bronze", "bronze", "nylon", "fluorocarbon"]

# kg/m3. Rolled steel 7850, phosphor bronze 8780 to 8920 and nickel 8800: simetric.co.uk and wermac.org density tables.
# The others from memory.
DENSITY_KG_M3: dict[Material, float] = {
    "steel": 7850.0,
    "stainless": 7900.0,
    "nickel": 8800.0,
    "nickel-steel": 7900.0,
    "phosphor-bronze": 8850.0,
    "bronze": 8600.0,
    "nylon": 1140.0,
    "fluorocarbon": 1780.0,
}
THINNEST_MM, THICKEST_MM, THICKEST_PLAIN_MM = 0.12, 4.0, 1.5
MAX_TENSION_N = 400.0

# Relative standard uncertainties of the weight per length: gauge and density of plain wire; the core-and-wrap model
# with the core given, and with the core guessed (common practice, no published source).
U_PLAIN, U_WOUND, U_GUESSED = 0.01, 0.02, 0.05


@dataclass(frozen=True, slots=True)
class StringSpec:
    """One string.

    Attributes
    ----------
    note
        Its open pitch.
    weight_kg_m, u_weight_kg_m
        Mass per length and standard uncertainty.
    description
        For the reader.
    """

    note: str
    weight_kg_m: float
    u_weight_kg_m: float
    description: str

    @property
    def frequency_hz(self) -> float:
        """Frequency of the open string."""
        return note_frequency_hz(self.note)


@dataclass(frozen=True, slots=True)
class Tension:
    """Pull of one string.

    Attributes
    ----------
    string
        Which.
    tension_N, u_tension_N
        Pull at pitch and standard uncertainty.
    """

    string: StringSpec
    tension_N: float
    u_tension_N: float

    @property
    def tension_lbf(self) -> float:
        """Pull in pounds-force."""
        return self.tension_N / NEWTON_PER_LBF


def plain_weight_kg_m(diameter_mm: float, *, material: Material = "steel") -> float:
    """Return the mass per length of a plain string, mu = rho pi d^2 / 4.

    Raises
    ------
    InputError
        When there is no such string.
    """
    if not THINNEST_MM <= diameter_mm <= THICKEST_PLAIN_MM:
        raise InputError(
            f"plain string of {diameter_mm:.3g} mm: a plain string is {THINNEST_MM:g} to {THICKEST_PLAIN_MM:g} mm thick"
        )
    return DENSITY_KG_M3[material] * math.pi * (diameter_mm * 1e-3) ** 2 / 4


def wound_weight_kg_m(
    diameter_mm: float,
    *,
    core_mm: float | None = None,
    wrap: Material = "nickel-steel",
    core: Material = "steel",
) -> float:
    """Return the mass per length of a close round-wound string from the core-and-wrap model.

    Parameters
    ----------
    diameter_mm
        Outer diameter.
    core_mm
        Core diameter; `guess_core_mm` when not given.
    wrap, core
        Materials.

    Notes
    -----
    One layer of wire of thickness w = (D - c)/2 lies in a helix of pitch w about radius (c + w)/2, so per length there
    is sqrt((pi (c + w))^2 + w^2)/w of it. Strings of several layers hold a little more air per layer; for them take the
    maker's unit weight.
    """
    if not THINNEST_MM <= diameter_mm <= THICKEST_MM:
        raise InputError(
            f"wound string of {diameter_mm:.3g} mm: a string is {THINNEST_MM:g} to {THICKEST_MM:g} mm thick"
        )
    inner = guess_core_mm(diameter_mm) if core_mm is None else core_mm
    if not THINNEST_MM <= inner < 0.9 * diameter_mm:
        raise InputError(f"core of {inner:.3g} mm does not fit a string of {diameter_mm:.3g} mm")
    wire = (diameter_mm - inner) / 2
    helix = math.hypot(math.pi * (inner + wire), wire) / wire
    area = math.pi * (wire * 1e-3) ** 2 / 4
    return DENSITY_KG_M3[core] * math.pi * (inner * 1e-3) ** 2 / 4 + DENSITY_KG_M3[wrap] * area * helix


def guess_core_mm(diameter_mm: float) -> float:
    """Return a usual core diameter for a wound steel string (common practice, no published source)."""
    return min(0.25 * diameter_mm + 0.13, 0.6 * diameter_mm)


def string_tension(string: StringSpec, scale_length_mm: float, *, frequency_hz: float | None = None) -> Tension:
    """Return the pull of a string at its pitch.

    Parameters
    ----------
    string
        Its weight and pitch.
    scale_length_mm
        Free length.
    frequency_hz
        Another pitch than its own.

    Raises
    ------
    InputError
        When the pull is beyond what any string bears.
    """
    if not 200 <= scale_length_mm <= 1200:
        raise InputError(f"scale length must be 200 to 1200 mm, got {scale_length_mm:g} mm")
    frequency = string.frequency_hz if frequency_hz is None else frequency_hz
    tension = tension_at_pitch_N(string.weight_kg_m, length_m=scale_length_mm * 1e-3, frequency_hz=frequency)
    if tension > MAX_TENSION_N:
        raise InputError(f"{string.description} at {string.note} would pull {tension:.0f} N: check gauge and note")
    return Tension(string, tension, tension * string.u_weight_kg_m / string.weight_kg_m)


def tension_at_pitch_N(weight_kg_m: float, *, length_m: float, frequency_hz: float) -> float:
    """Return T = mu (2 L f)^2, in newtons."""
    return weight_kg_m * (2 * length_m * frequency_hz) ** 2


def wave_speed_m_s(tension_N: float, *, weight_kg_m: float) -> float:
    """Return the speed of a wave on a string under a tension, c = sqrt(T / mu)."""
    return math.sqrt(tension_N / weight_kg_m)


def frequency_hz(tension_N: float, *, weight_kg_m: float, length_m: float, mode: int = 1) -> float:
    """Return the frequency of a mode of an ideal string, f = n / (2 L) sqrt(T / mu)."""
    return mode / (2 * length_m) * wave_speed_m_s(tension_N, weight_kg_m=weight_kg_m)


def total_pull(tensions: Sequence[Tension]) -> tuple[float, float]:
    """Return the pull of all strings and its standard uncertainty, in newtons.

    Errors of gauge and model are taken as common to all strings of a set: they add.
    """
    return sum(t.tension_N for t in tensions), sum(t.u_tension_N for t in tensions)


def pull_change(before: Sequence[Tension], after: Sequence[Tension]) -> tuple[float, float]:
    """Return the change of the whole pull and its standard uncertainty, in newtons.

    Errors of the model (cores guessed, layers of wire) are common to both sets and cancel as far as they are alike;
    those of the gauges, `U_PLAIN` of each pull, are taken as independent.
    """
    (was, u_was), (will_be, u_will_be) = total_pull(before), total_pull(after)
    return will_be - was, math.hypot(u_will_be - u_was, U_PLAIN * was, U_PLAIN * will_be)


def taut_string_deflection_mm(
    at_mm: float, *, force_N: float, force_at_mm: float, length_mm: float, tension_N: float
) -> float:
    """Return the static sag of a taut string under a point force (small angles, constant tension).

    Zero at both ends, X = F a (L - a) / (T L) at the force, straight in between (J. Woodhouse, Euphonics, ideal plucked
    string).
    """
    peak = force_N * force_at_mm * (length_mm - force_at_mm) / (tension_N * length_mm)
    if at_mm <= force_at_mm:
        return peak * at_mm / force_at_mm
    return peak * (length_mm - at_mm) / (length_mm - force_at_mm)
