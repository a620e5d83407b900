"""Strings as people name them: one by one, as gauge sets, in tunings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

from .errors import InputError
from .pitch import note_frequency_hz, transpose_note
from .strings import (
    U_GUESSED,
    U_PLAIN,
    U_WOUND,
    Material,
    StringSpec,
    plain_weight_kg_m,
    wound_weight_kg_m,
)
from .units import parse_length

# Unit weight as "5.78e-3kg/m" or "0.0003lb/in".
KG_M_PER_LB_IN = 0.45359237 / 0.0254

# Gauges in thousandths of an inch, treble to bass; "w": wound. Common practice, no published source.
_SETS: dict[str, tuple[str, Material, str]] = {
    "electric-9": ("9 11 16 24w 32w 42w", "nickel-steel", "guitar"),
    "electric-10": ("10 13 17 26w 36w 46w", "nickel-steel", "guitar"),
    "electric-11": ("11 14 18 28w 38w 49w", "nickel-steel", "guitar"),
    "acoustic-11": ("11 15 22w 32w 42w 52w", "phosphor-bronze", "guitar"),
    "acoustic-12": ("12 16 24w 32w 42w 53w", "phosphor-bronze", "guitar"),
    "acoustic-13": ("13 17 26w 35w 45w 56w", "phosphor-bronze", "guitar"),
    "bass-40": ("40w 60w 80w 100w", "nickel-steel", "bass"),
    "bass-45": ("45w 65w 85w 105w", "nickel-steel", "bass"),
    "mandolin-10": ("10 10 14 14 24w 24w 38w 38w", "phosphor-bronze", "mandolin"),
    "mandolin-11": ("11 11 15 15 26w 26w 40w 40w", "phosphor-bronze", "mandolin"),
    "banjo-9": ("9 11 13 20w 9", "nickel-steel", "banjo"),
}
_TUNINGS: dict[str, str] = {
    "guitar": "E4 B3 G3 D3 A2 E2",
    "bass": "G2 D2 A1 E1",
    "mandolin": "E5 E5 A4 A4 D4 D4 G3 G3",
    "banjo": "D4 B3 G3 D3 G4",
}
# Of the instruments that such sets are made for (common practice, no published source).
_USUAL_SCALES_MM: dict[str, float] = {"guitar": 648.0, "bass": 864.0, "mandolin": 352.0, "banjo": 668.0}
SET_NAMES = tuple(_SETS)


def usual_scale_mm(name: str) -> float:
    """Return the scale length that a gauge set is usually strung at.

    Raises
    ------
    InputError
        When the set is not known.
    """
    return _USUAL_SCALES_MM[_known(name)[2]]


def _known(name: str) -> tuple[str, Material, str]:
    if name not in _SETS:
        raise InputError(f"string set {name!r} is not one of {', '.join(SET_NAMES)}")
    return _SETS[name]


def string_set(name: str, *, tuning: str | None = None) -> tuple[StringSpec, ...]:
    """Return a gauge set by name, in its usual tuning or another.

    Parameters
    ----------
    name
        One of `SET_NAMES`.
    tuning
        Notes treble to bass ("E4 B3 G3 D3 A2 D2"), "drop" (lowest string a tone down) or a number of semitones
        ("-1", "-2").
    """
    gauges, wrap, kind = _known(name)
    notes = tuning_notes(tuning, usual=_TUNINGS[kind].split())
    return tuple(_by_gauge(g, note, wrap=wrap) for g, note in zip(gauges.split(), notes, strict=True))


def tuning_notes(tuning: str | None, *, usual: Sequence[str]) -> tuple[str, ...]:
    """Return the notes of a tuning, treble to bass."""
    if tuning is None or tuning.strip() in ("", "standard"):
        return tuple(usual)
    text = tuning.strip()
    if text == "drop":
        lowest = min(range(len(usual)), key=lambda i: note_frequency_hz(usual[i]))
        return tuple(transpose_note(n, -2) if i == lowest else n for i, n in enumerate(usual))
    try:
        shift = int(text)
    except ValueError:
        notes = tuple(text.replace(",", " ").split())
        if len(notes) != len(usual):
            raise InputError(f"tuning {tuning!r} has {len(notes)} notes, the set has {len(usual)} strings") from None
        for note in notes:
            note_frequency_hz(note)
        return notes
    if not -12 <= shift <= 5:
        raise InputError(f"tuning {shift:+d} semitones is out of reach (-12 to +5)")
    return tuple(transpose_note(n, shift) for n in usual)


def parse_string(text: str) -> StringSpec:
    """Return a string from "NOTE=GAUGE[w][:core=LENGTH][:MATERIAL]" or "NOTE=WEIGHTkg/m".

    Examples: "E4=0.010in", "E2=0.046inw", "E2=0.046inw:core=0.018in", "A2=1.07mmw:phosphor-bronze",
    "G3=1.0mm:nylon", "E2=5.78e-3kg/m".

    Raises
    ------
    InputError
        When it cannot be read or there is no such string.
    """
    note, mark, rest = text.partition("=")
    if not mark or not rest.strip():
        raise InputError(f"string {text!r}: write NOTE=GAUGE, for example E4=0.010in or E2=0.046inw")
    note = note.strip()
    note_frequency_hz(note)
    gauge, *options = [part.strip() for part in rest.split(":")]
    for unit, factor in (("kg/m", 1.0), ("lb/in", KG_M_PER_LB_IN)):
        if gauge.endswith(unit):
            return _by_weight(note, gauge[: -len(unit)], factor=factor, text=text)
    wound = gauge.endswith("w")
    diameter = parse_length(gauge[:-1] if wound else gauge, what=f"string {text!r}")
    core_mm, material = _string_options(options, text, wound=wound)
    if not wound:
        weight = plain_weight_kg_m(diameter, material=material)
        return StringSpec(note, weight, U_PLAIN * weight, f"{diameter:.3f} mm plain {material}")
    weight = wound_weight_kg_m(diameter, core_mm=core_mm, wrap=material)
    share = U_GUESSED if core_mm is None else U_WOUND
    return StringSpec(note, weight, share * weight, f"{diameter:.3f} mm wound {material}")


def _by_gauge(gauge: str, note: str, *, wrap: Material) -> StringSpec:
    wound = gauge.endswith("w")
    thou = gauge.removesuffix("w")
    return parse_string(f"{note}={thou}thou{'w:' + wrap if wound else ''}")


def _by_weight(note: str, number: str, *, factor: float, text: str) -> StringSpec:
    try:
        weight = float(number) * factor
    except ValueError:
        raise InputError(f"string {text!r}: cannot read the unit weight {number!r}") from None
    if not 5e-5 <= weight <= 0.05:
        raise InputError(f"string {text!r}: {weight:.3g} kg/m is no string (0.00005 to 0.05 kg/m)")
    return StringSpec(note, weight, U_PLAIN * weight, f"{weight * 1e3:.3g} g/m")


def _string_options(options: Sequence[str], text: str, *, wound: bool) -> tuple[float | None, Material]:
    core_mm: float | None = None
    material: Material = "nickel-steel" if wound else "steel"
    for option in options:
        if option.startswith("core="):
            core_mm = parse_length(option.removeprefix("core="), what=f"string {text!r}, core")
        elif option in get_args(Material):
            material = option  # type: ignore[assignment]
        else:
            raise InputError(
                f"string {text!r}: {option!r} is neither core=LENGTH nor one of {', '.join(get_args(Material))}"
            )
    return core_mm, material
