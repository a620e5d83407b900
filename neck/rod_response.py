"""What a turn of this rod does, learned from the turns made on this instrument."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import ndtri

from .bench import STEP_CAP_TURNS
from .errors import InputError
from .judge import is_above, is_below
from .profile import Finding

# Relief change for one whole turn (never made in one go), mm: wide, since rods differ that much (common practice,
# no published source).
PRIOR_MEAN, PRIOR_SD = 0.6, 0.5
# What a step does beside the rod's response, mm: settling, friction, seating of the nut; and the share of the response
# that differs from step to step.
STEP_SCATTER_MM = 0.015
RESPONSE_SCATTER = 0.15
CROSSING_PROBABILITY = 0.05
MIN_RECORD_TURNS, MAX_RECORD_TURNS = 1 / 256, 1.0
# So many steps without an answer are enough (common practice, no published source). The newest count: a rod that was
# mended answers again.
STEPS_TO_TELL = 2
ROD_NO_ANSWER = "rod-no-answer"
MAX_RECORD_RELIEF_MM = 5.0


@dataclass(frozen=True, slots=True)
class TurnRecord:
    """One step of the turn log.

    Attributes
    ----------
    turns
        Signed: + tightened, - loosened.
    before_mm, after_mm
        Relief before and after, at pitch.
    U_before_mm, U_after_mm, k
        Expanded uncertainties and their coverage factor.
    hour_mm, day_mm
        Relief an hour and a day later, when it was measured again.
    """

    turns: float
    before_mm: float
    after_mm: float
    U_before_mm: float = 0.03
    U_after_mm: float = 0.03
    k: float = 2.0
    hour_mm: float | None = None
    day_mm: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.turns) and MIN_RECORD_TURNS <= abs(self.turns) <= MAX_RECORD_TURNS):
            raise InputError(f"turn log: a step must be 1/256 to 1 turn either way, got {self.turns}")
        for value in (self.before_mm, self.after_mm, self.hour_mm, self.day_mm):
            if value is not None and not abs(value) <= MAX_RECORD_RELIEF_MM:
                raise InputError(f"turn log: relief must be within ±{MAX_RECORD_RELIEF_MM:g} mm, got {value}")
        if not (0 <= self.U_before_mm <= 1 and 0 <= self.U_after_mm <= 1 and self.k > 0):
            raise InputError("turn log: uncertainties must be 0 to 1 mm")


@dataclass(frozen=True, slots=True)
class RodResponse:
    """Relief taken out per turn of tightening.

    Attributes
    ----------
    mm_per_turn, u_mm_per_turn
        Mean and standard uncertainty.
    steps
        Steps learned from; 0 for the prior alone.
    settling_mm, u_settling_mm
        Change of relief from right after a step to a day (or an hour) later, when it was recorded.
    hysteresis_mm, u_hysteresis_mm
        Half the difference between the response of tightening and of loosening steps, in mm per turn, when both exist.
    """

    mm_per_turn: float
    u_mm_per_turn: float
    steps: int = 0
    settling_mm: float | None = None
    u_settling_mm: float | None = None
    hysteresis_mm: float | None = None
    u_hysteresis_mm: float | None = None

    @property
    def is_shown(self) -> bool:
        """Whether the rod was seen to move the neck, beyond doubt."""
        return is_above(self.mm_per_turn, 2 * self.u_mm_per_turn, limit=0.0)

    def move_mm(self, turns: float) -> tuple[float, float]:
        """Return by how much a step of `turns` will take relief out, and the standard uncertainty of that."""
        move = self.mm_per_turn * turns
        u = math.hypot(STEP_SCATTER_MM, turns * self.u_mm_per_turn, RESPONSE_SCATTER * move)
        return move, u


def learn_response(log: Sequence[TurnRecord]) -> RodResponse:
    """Return the response of the rod from its turn log.

    Notes
    -----
    Bayesian linear regression of one slope: before - after = response * turns + noise, noise known per step (both
    measurements, settling, step-to-step scatter of the response), prior N(0.6, 0.5^2) mm per turn. The posterior is
    normal with precision 1/sd^2 + sum turns^2/var and the matching mean. A response is never taken as negative.
    """
    precision, moment = 1 / PRIOR_SD**2, PRIOR_MEAN / PRIOR_SD**2
    for step in log:
        variance = _step_variance(step)
        precision += step.turns**2 / variance
        moment += step.turns * (step.before_mm - step.after_mm) / variance
    mean = max(moment / precision, 0.02)
    settling = [(s.day_mm if s.day_mm is not None else s.hour_mm, s) for s in log]
    drifts = [later - s.after_mm for later, s in settling if later is not None]
    hysteresis, u_hysteresis = _hysteresis(log)
    return RodResponse(
        mean,
        math.sqrt(1 / precision),
        len(log),
        settling_mm=sum(drifts) / len(drifts) if drifts else None,
        u_settling_mm=_drift_u(drifts, log) if drifts else None,
        hysteresis_mm=hysteresis,
        u_hysteresis_mm=u_hysteresis,
    )


def no_answer(log: Sequence[TurnRecord]) -> Finding | None:
    """Return that the rod does not act as thought, when the newest steps of its log say so.

    A step that moved relief the wrong way beyond its expanded uncertainty (k = 2) is enough. So are `STEPS_TO_TELL`
    that together, with one standard uncertainty on top, moved it by less than half of what a usual rod, or this one as
    it answered before, would have: seven of eight dead rods after two eighths read with U of 0.03 mm; of live ones of
    0.6 mm a turn one of 500, one of 100 with U of 0.1 mm.
    """
    newest = log[-STEPS_TO_TELL:]
    for step in newest:
        moved, u = (step.before_mm - step.after_mm) * math.copysign(1, step.turns), math.sqrt(_step_variance(step))
        if is_below(moved, 2 * u, limit=0.0):
            way = "tightening" if step.turns > 0 else "loosening"
            said = f"{way} moved relief by {step.after_mm - step.before_mm:+.2f} ± {2 * u:.2f} mm, the wrong way"
            return Finding(ROD_NO_ANSWER, f"{said}: the rod does not act as thought")
    if len(newest) < STEPS_TO_TELL:
        return None
    precision = sum(step.turns**2 / _step_variance(step) for step in newest)
    slope = sum(step.turns * (step.before_mm - step.after_mm) / _step_variance(step) for step in newest) / precision
    before = learn_response(log[:-STEPS_TO_TELL])
    usual = min(before.mm_per_turn, PRIOR_MEAN) if before.is_shown else PRIOR_MEAN
    if not is_below(slope, precision**-0.5, limit=usual / 2):
        return None
    turned, moved = sum(abs(step.turns) for step in newest), newest[-1].after_mm - newest[0].before_mm
    U_mm = 2 * math.hypot(newest[0].U_before_mm / newest[0].k, newest[-1].U_after_mm / newest[-1].k)
    said = f"over {STEPS_TO_TELL} steps, {turned:g} turn in all, relief changed by {moved:+.2f} ± {U_mm:.2f} mm"
    return Finding(ROD_NO_ANSWER, f"{said}: the rod does not act as thought")


def size_step(relief_mm: float, u_relief_mm: float, *, target_mm: tuple[float, float], response: RodResponse) -> float:
    """Return the step, in turns, that brings relief towards the middle of the target without crossing the target.

    Parameters
    ----------
    relief_mm, u_relief_mm
        Relief now, with standard uncertainty.
    target_mm
        Wanted range.
    response
        Of this rod.

    Returns
    -------
    float
        At least 0, at most `STEP_CAP_TURNS`: the largest step that, with 95 % probability, leaves relief short of
        the far limit of the target, and does not aim beyond its middle.
    """
    low, high = target_mm
    middle = (low + high) / 2
    far = low if relief_mm > middle else high
    way, room = abs(relief_mm - middle), abs(relief_mm - far)
    aimed = min(way / response.mm_per_turn, STEP_CAP_TURNS)
    z = float(ndtri(1 - CROSSING_PROBABILITY))

    def short(turns: float) -> bool:
        move, u_move = response.move_mm(turns)
        return move + z * math.hypot(u_relief_mm, u_move) <= room

    if short(aimed):
        return aimed
    inside, outside = 0.0, aimed
    if not short(inside):
        return 0.0
    for _ in range(40):
        half = (inside + outside) / 2
        inside, outside = (half, outside) if short(half) else (inside, half)
    return inside


def _step_variance(step: TurnRecord) -> float:
    measured = (step.U_before_mm**2 + step.U_after_mm**2) / step.k**2
    return measured + STEP_SCATTER_MM**2 + (RESPONSE_SCATTER * PRIOR_MEAN * step.turns) ** 2


def _drift_u(drifts: Sequence[float], log: Sequence[TurnRecord]) -> float:
    u = max(s.U_after_mm / s.k for s in log)
    return math.hypot(u, u) / math.sqrt(len(drifts))


def _hysteresis(log: Sequence[TurnRecord]) -> tuple[float, float] | tuple[None, None]:
    tight = [s for s in log if s.turns > 0]
    loose = [s for s in log if s.turns < 0]
    if not tight or not loose:
        return None, None

    def slope(steps: Sequence[TurnRecord]) -> tuple[float, float]:
        turned = sum(s.turns for s in steps)
        u = math.sqrt(sum(_step_variance(s) for s in steps)) / abs(turned)
        return sum(s.before_mm - s.after_mm for s in steps) / turned, u

    (tightening, u_tightening), (loosening, u_loosening) = slope(tight), slope(loose)
    return (tightening - loosening) / 2, math.hypot(u_tightening, u_loosening) / 2
