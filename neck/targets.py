"""Wanted relief by kind of instrument, string height and attack.

Every value here is common practice, no published source. The player's own wish comes first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from .errors import InputError
from .plan import TARGET_WIDEST, check_target
from .profile import Finding
from .readings import THINNEST_MM
from .units import parse_length

Family = Literal["electric", "acoustic", "classical", "bass", "mandolin", "ukulele", "banjo"]
ActionWish = Literal["low", "medium", "high"]
Attack = Literal["light", "medium", "hard"]

SOURCE = "common practice, no published source"
UNTOLD = "the kind of instrument is not told: relief is held against what is usual for any"
DEAD_STRAIGHT_MM = (0.0, 0.08)
_BASE_MM: dict[Family, tuple[float, float]] = {
    "electric": (0.10, 0.25),
    "acoustic": (0.12, 0.30),
    "classical": (0.10, 0.35),
    "bass": (0.20, 0.45),
    "mandolin": (0.04, 0.16),
    "ukulele": (0.05, 0.20),
    "banjo": (0.10, 0.28),
}
_SHIFT_MM = {"low": -0.03, "medium": 0.0, "high": 0.05, "light": -0.03, "hard": 0.06}
_LOWEST_MM = 0.02


@dataclass(frozen=True, slots=True)
class Target:
    """A wanted range of relief.

    Attributes
    ----------
    low_mm, high_mm
        The range.
    reason
        Where it comes from, for the reader.
    is_widest
        It holds what is usual for every family: nothing is known of the instrument.
    """

    low_mm: float
    high_mm: float
    reason: str
    is_widest: bool = False

    @property
    def range_mm(self) -> tuple[float, float]:
        """Low and high limit."""
        return self.low_mm, self.high_mm

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is to be said of it beside the plan."""
        return (Finding(TARGET_WIDEST, UNTOLD),) if self.is_widest else ()


def usual_target(family: Family | None = None, *, action: ActionWish = "medium", attack: Attack = "medium") -> Target:
    """Return the usual range of relief.

    Parameters
    ----------
    family
        Kind of instrument; when it is not told, the range holds what is usual for every kind.
    action
        String height wanted; lower strings go with less relief.
    attack
        How hard it is played; a hard attack needs more room under the string.
    """
    for name, value, kinds in (("family", family, Family), ("action", action, ActionWish), ("attack", attack, Attack)):
        if value not in (*get_args(kinds), *([None] if kinds is Family else [])):
            raise InputError(f"{name} {value!r} is not one of {', '.join(get_args(kinds))}")
    limits = list(_BASE_MM.values()) if family is None else [_BASE_MM[family]]
    shift = _SHIFT_MM[action] + _SHIFT_MM[attack]
    start = max(_LOWEST_MM, min(low for low, _ in limits) + shift)
    end = max(max(high for _, high in limits) + shift, start + 0.10)
    kind = family or "any instrument"
    reason = f"{kind}, {action} strings, {attack} attack: {SOURCE}"
    return Target(round(start, 3), round(end, 3), reason, is_widest=family is None)


def parse_target(text: str) -> Target:
    """Return the player's own wish from "LOW-HIGH" (mm, or with units) or "straight".

    Raises
    ------
    InputError
        When it cannot be read or makes no sense.
    """
    if text.strip().lower() in ("straight", "dead-straight", "dead straight"):
        return Target(*DEAD_STRAIGHT_MM, "asked for: dead straight")
    left, mark, right = text.rpartition("-")
    if not mark or not left.strip():
        raise InputError(f"target {text!r}: write LOW-HIGH, for example 0.10-0.25 or 0.004in-0.010in, or straight")
    high = parse_length(right, what=f"target {text!r}")
    unit = "".join(c for c in right if not (c.isdigit() or c in ". /")) or "mm"
    low = parse_length(left, what=f"target {text!r}", default_unit=unit)
    if high < THINNEST_MM and not any(c.isalpha() or c == '"' for c in right):
        raise InputError(
            f"target {text!r} without a unit would be mm, thinner than a feeler leaf: write {text}in or {text}mm"
        )
    return Target(*check_target((low, high)), "asked for")
