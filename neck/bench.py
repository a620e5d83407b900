"""What stands on the bench: the rod, how its nut feels, the strings, and how far a visit may go."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

from .errors import InputError

RodKind = Literal["single-action", "two-way", "none", "unknown"]
NutFeel = Literal["free", "snug", "stiff", "at-end", "slack", "unknown"]
StringState = Literal["at-pitch", "slack", "off"]
Access = Literal["peghead", "soundhole", "body-end", "unknown"]

STEP_CAP_TURNS = 0.25
VISIT_CAP_TURNS = 0.75
FIRST_STEP_TURNS = 0.125


@dataclass(frozen=True, slots=True)
class Bench:
    """The state of the instrument before the rod is touched.

    Attributes
    ----------
    rod
        single-action pulls against string tension only, two-way can push either way.
    nut_feel
        free: turns lightly, no load yet; snug: loaded, turns with an even pull; stiff: does not want to turn;
        at-end: its thread is used up; slack: loosened until it carries nothing.
    strings
        Relief means relief with the strings at pitch.
    access
        Where the rod nut is reached.
    step_cap_turns, visit_cap_turns
        Limits for one step and for one visit without measuring again. They can be lowered, never raised.
    turned_turns
        Already turned this visit, in turns, whichever way.
    repeated
        Relief was read again, as finely as can be, and reads the same: what stands at a limit may then be nudged.
    """

    rod: RodKind = "unknown"
    nut_feel: NutFeel = "unknown"
    strings: StringState = "at-pitch"
    access: Access = "unknown"
    step_cap_turns: float = STEP_CAP_TURNS
    visit_cap_turns: float = VISIT_CAP_TURNS
    turned_turns: float = 0.0
    repeated: bool = False

    def __post_init__(self) -> None:
        for name, kinds in (("rod", RodKind), ("nut_feel", NutFeel), ("strings", StringState), ("access", Access)):
            value = getattr(self, name)
            if value not in get_args(kinds):
                raise InputError(f"{name.replace('_', '-')}: {value!r} is not one of {', '.join(get_args(kinds))}")
        _check_cap("step cap", self.step_cap_turns, highest=STEP_CAP_TURNS)
        _check_cap("visit cap", self.visit_cap_turns, highest=VISIT_CAP_TURNS)
        if not (math.isfinite(self.turned_turns) and 0 <= self.turned_turns <= 10):
            raise InputError(f"turns made this visit must be 0 to 10 turns, got {self.turned_turns}")

    @property
    def room_turns(self) -> float:
        """The largest step still allowed this visit."""
        return max(0.0, min(self.step_cap_turns, self.visit_cap_turns - self.turned_turns))


def _check_cap(name: str, value: float, *, highest: float) -> None:
    if not (math.isfinite(value) and 0 < value <= highest):
        raise InputError(
            f"{name} must be above 0 and at most {highest:g} turn (it can be lowered, not raised), got {value}"
        )
