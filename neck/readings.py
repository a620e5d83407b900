"""Readings taken by hand, each with the uncertainty of its method, made into a gap profile.

Where a figure is not from a standard it is common practice, no published source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from .budget import Line, combine, half_width_to_u
from .errors import InputError
from .frets import fret_position_mm, parse_fret
from .profile import CrownGap, Finding, GapProfile
from .units import parse_length

Method = Literal["feeler", "rule", "dial", "depth"]

# No fretted neck that can be set up shows more light than this under a straightedge.
MAX_READING_MM = 5.0
DEFAULT_SCALE_MM = 648.0
DEFAULT_CHORD = (1, 15)

# Half-widths, mm.
# Of feeler leaves (common practice, no published source): a bare number below was meant in inches as likely as not.
THINNEST_MM = 0.03
LEAF_SINGLE = 0.020  # one leaf named: it goes with a light drag; the next ones were not tried
LEAF_THICKNESS = 0.005  # marked against true thickness, worn leaves included
LEAF_FEEL = 0.008  # what one hand calls a light drag and another does not
RULE_MARKS = 0.1  # Directive 2014/32/EU Annex X, class I, between marks up to 1 mm apart
DIAL_STEP, DIAL_ERROR = 0.005, 0.013  # half a division of 0.01; error of indication of a shop indicator (from memory)
DEPTH_STEP, DEPTH_ERROR = 0.010, 0.020  # half a division of 0.02; seat and error of a depth bar
FRACTION_GRADUATION_MM, INCH_GRADUATION_MM, MM_GRADUATION_MM = 25.4 / 64, 0.254, 0.5


@dataclass(frozen=True, slots=True)
class Reading:
    """One gap read by hand.

    Attributes
    ----------
    fret
        Where.
    value_mm, u_mm
        Gap and its standard uncertainty.
    method
        How it was read.
    text
        As the user wrote it.
    """

    fret: int
    value_mm: float
    u_mm: float
    method: Method
    text: str


def parse_reading(text: str, *, method: Method = "feeler") -> Reading:
    """Return a reading from "FRET=VALUE[UNIT]", or "FRET=GOES..NOGO[UNIT]" for a pair of feeler leaves.

    Examples: "7=0.010in", "7=10thou", "7=0.25..0.30mm", "7=2/64in".

    Raises
    ------
    InputError
        When it cannot be read or makes no sense.
    """
    if method not in get_args(Method):
        raise InputError(f"method {method!r} is not one of {', '.join(get_args(Method))}")
    fret_text, mark, value_text = text.partition("=")
    if not mark or not value_text.strip():
        raise InputError(f"reading {text!r}: write FRET=VALUE[UNIT], for example 7=0.010in")
    fret = parse_fret(fret_text, what=f"reading {text!r}")
    where = f"reading at fret {fret}"
    if ".." in value_text:
        if method != "feeler":
            raise InputError(f"{where}: {value_text!r} is a pair of feeler leaves, but the method is {method}")
        goes, nogo = _leaf_pair(value_text, where)
        _sensible(nogo, where, text=value_text)
        u = _combined(*(half_width_to_u(a) for a in ((nogo - goes) / 2, LEAF_THICKNESS, LEAF_FEEL)))
        return Reading(fret, (goes + nogo) / 2, u, method, text)
    value = _sensible(parse_length(value_text, what=where), where, text=value_text)
    return Reading(fret, value, method_uncertainty_mm(method, value_text), method, text)


def method_uncertainty_mm(method: Method, value_text: str = "") -> float:
    """Return the standard uncertainty of one reading.

    Parameters
    ----------
    method
        feeler (one leaf named), rule, dial or depth.
    value_text
        As written: a rule read in fractions is taken as graduated in 1/64 in, in decimal inch as 0.01 in, else 0.5 mm.
    """
    if method == "feeler":
        return _combined(*(half_width_to_u(a) for a in (LEAF_SINGLE, LEAF_THICKNESS, LEAF_FEEL)))
    if method == "rule":
        return _combined(half_width_to_u(_graduation_mm(value_text) / 2), half_width_to_u(RULE_MARKS))
    if method == "dial":
        return _combined(half_width_to_u(DIAL_STEP), half_width_to_u(DIAL_ERROR))
    return _combined(half_width_to_u(DEPTH_STEP), half_width_to_u(DEPTH_ERROR))


def profile_from_readings(
    readings: Sequence[Reading], *, scale_length_mm: float = DEFAULT_SCALE_MM, chord: tuple[int, int] | None = None
) -> tuple[GapProfile, tuple[Finding, ...]]:
    """Return the gap profile that hand readings make.

    Parameters
    ----------
    readings
        At least one. Several at one fret are averaged; the same method repeated earns no smaller uncertainty.
    scale_length_mm
        Gives the places of the frets; matters only where the bow is uneven.
    chord
        The frets the straightedge, or the held-down string, rests on. A chord end that was not read is in contact:
        its gap is 0. Default: 1 and 15, widened to a fret read as touching beyond them.

    Returns
    -------
    tuple
        The profile (source "hand") and what is to be said about it.
    """
    if not readings:
        raise InputError("no readings: give at least one as FRET=VALUE[UNIT], for example 7=0.010in")
    if not 200 <= scale_length_mm <= 1200:
        raise InputError(f"scale length must be 200 to 1200 mm, got {scale_length_mm:g} mm")
    by_fret, findings = _merge(readings)
    ends = chord or (min(DEFAULT_CHORD[0], *by_fret), max(DEFAULT_CHORD[1], *by_fret))
    _check_beyond(by_fret, ends if chord is None else DEFAULT_CHORD)
    findings += _without_gap(by_fret, sorted(ends))
    for end in ends:
        by_fret.setdefault(end, (0.0, 0.0))
    if len(by_fret) == 3 and len({r.fret for r in readings}) == 1:
        findings.append(
            Finding("one-reading", "one reading tells one fret: a bow crowded to either end would be missed")
        )
    frets = sorted(by_fret)
    flat = straightedge_u_mm(float(np.ptp(fret_position_mm(np.array(ends, dtype=float), scale_length_mm))))
    u = {f: _combined(by_fret[f][1], flat) for f in frets}
    crowns = tuple(
        CrownGap(
            f,
            float(fret_position_mm(f, scale_length_mm)),
            by_fret[f][0],
            u[f],
            touching=by_fret[f] == (0.0, 0.0),
        )
        for f in frets
    )
    covariance = np.diag([u[f] ** 2 for f in frets])
    return GapProfile(crowns, covariance, source="hand", scale_length_mm=scale_length_mm), tuple(findings)


def _check_beyond(by_fret: Mapping[int, tuple[float, float]], ends: tuple[int, int]) -> None:
    """Refuse to take a fret beyond the usual chord that was read with a gap for what the straightedge rests on."""
    for end, usual in zip(ends, DEFAULT_CHORD, strict=True):
        if end != usual and by_fret[end][0] > 0:
            raise InputError(
                f"the reading at fret {end} lies outside the chord {DEFAULT_CHORD[0]}-{DEFAULT_CHORD[1]}: say what the "
                "straightedge rests on with --chord"
            )


def _without_gap(by_fret: Mapping[int, tuple[float, float]], ends: Sequence[int]) -> list[Finding]:
    """Return that a neck on which no gap was read may be in back-bow."""
    inside = [gap for f, (gap, _) in by_fret.items() if ends[0] < f < ends[1]]
    if not inside or any(inside) or any(by_fret.get(end, (0.0,))[0] for end in ends):
        return []
    return [
        Finding(
            "no-gap",
            "no gap was read: the neck is straight, or in back-bow, which a straightedge on its middle hides; "
            f"see whether it rocks, and read the ends then, as {ends[0]}=0.10mm 7=0mm {ends[1]}=0.10mm",
        )
    ]


def straightedge_u_mm(length_mm: float) -> float:
    """Return the standard uncertainty from a knife-edge straightedge, tolerance 2 + L/250 µm (DIN 874-2:2003)."""
    return (2 + length_mm / 250) * 1e-3 / (2 * math.sqrt(3))


def _merge(readings: Sequence[Reading]) -> tuple[dict[int, tuple[float, float]], list[Finding]]:
    out: dict[int, tuple[float, float]] = {}
    findings: list[Finding] = []
    for fret in sorted({r.fret for r in readings}):
        same = [r for r in readings if r.fret == fret]
        weight = np.array([1 / r.u_mm**2 for r in same])
        value = np.array([r.value_mm for r in same])
        mean = float(weight @ value / weight.sum())
        u = min(r.u_mm for r in same)
        if np.ptp(value) > 2 * math.hypot(*sorted((r.u_mm for r in same), reverse=True)[:2]):
            u = max(u, float(np.ptp(value)) / 2)
            findings.append(
                Finding(
                    "readings-disagree", f"the readings at fret {fret} differ by {np.ptp(value):.2f} mm: repeat them"
                )
            )
        out[fret] = (mean, u)
    return out, findings


def _leaf_pair(text: str, where: str) -> tuple[float, float]:
    left, _, right = text.partition("..")
    unit = re.search(r'[a-zA-Zµμ"]+\s*$', right)
    nogo = parse_length(right, what=where)
    goes = parse_length(left, what=where, default_unit=unit.group().strip() if unit else "mm")
    if not 0 <= goes < nogo:
        raise InputError(f"{where}: {text.strip()!r} must run from the leaf that goes to a thicker one that does not")
    return goes, nogo


def _sensible(value_mm: float, where: str, *, text: str) -> float:
    if value_mm < 0:
        raise InputError(
            f"{where}: a gap cannot be negative, got {value_mm:g} mm; in back-bow the straightedge rests on the "
            "middle: read the gaps at the ends, as 1=0.10mm 7=0mm 15=0.10mm"
        )
    if value_mm > MAX_READING_MM:
        raise InputError(f"{where}: {value_mm:.4g} mm is no gap under a straightedge (at most {MAX_READING_MM:g} mm)")
    if 0 < value_mm < THINNEST_MM and not any(c.isalpha() or c in '"″' for c in text):
        bare = text.strip()
        raise InputError(
            f"{where}: {bare} without a unit would be {bare} mm, thinner than a feeler leaf: write {bare}in or {bare}mm"
        )
    return value_mm


def _graduation_mm(value_text: str) -> float:
    if "/" in value_text:
        return FRACTION_GRADUATION_MM
    return INCH_GRADUATION_MM if re.search(r'in|"|thou', value_text) else MM_GRADUATION_MM


def _combined(*parts: float) -> float:
    return combine([Line("", u) for u in parts]).u
