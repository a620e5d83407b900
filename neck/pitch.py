"""Pitches: names to frequencies in twelve-tone equal temperament, tuned to ISO 16 (A4 = 440 Hz)."""

from __future__ import annotations

import re

from .errors import InputError

A4_HZ = 440.0  # ISO 16:1975
_STEPS = {"C": -9, "D": -7, "E": -5, "F": -4, "G": -2, "A": 0, "B": 2}
_NOTE = re.compile(r"([A-Ga-g])([#♯b♭]?)(-?\d)")
LOWEST_HZ, HIGHEST_HZ = 15.0, 3000.0


def note_frequency_hz(note: str, *, a4_hz: float = A4_HZ) -> float:
    """Return the frequency of a note such as "E2", "F#3" or "Bb1" (scientific pitch names, A4 the tuning note).

    Raises
    ------
    InputError
        When it is no note, or no string of an instrument could sound it.
    """
    match = _NOTE.fullmatch(note.strip())
    if match is None:
        raise InputError(f"{note!r} is no note; write letter, sharp # or flat b, octave, for example E2 or F#3")
    if not 400 <= a4_hz <= 480:
        raise InputError(f"A4 must be 400 to 480 Hz, got {a4_hz:g}")
    letter, accidental, octave = match.groups()
    step = _STEPS[letter.upper()] + {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}[accidental] + 12 * (int(octave) - 4)
    frequency = float(a4_hz * 2 ** (step / 12))
    if not LOWEST_HZ <= frequency <= HIGHEST_HZ:
        raise InputError(f"{note!r} is {frequency:.0f} Hz: no string sounds that")
    return frequency


def transpose_note(note: str, semitones: int) -> str:
    """Return the note so many semitones higher (negative: lower), named with sharps."""
    match = _NOTE.fullmatch(note.strip())
    if match is None:
        raise InputError(f"{note!r} is no note")
    letter, accidental, octave = match.groups()
    shift = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}[accidental]
    number = _STEPS[letter.upper()] + 9 + shift + 12 * int(octave) + semitones
    names = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
    return f"{names[number % 12]}{number // 12}"
