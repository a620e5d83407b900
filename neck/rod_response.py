"""What a turn of this rod does, learned from the turns made on this instrument."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import stats

from .bench import STEP_CAP_TURNS
from .errors import InputError

# Relief change for one whole turn (never made in one go), mm: wide, since rods differ that much (common practice,
# no published source).
PRIOR_MEAN, PRIOR_SD = 0.6, 0.5
# What a step does beside the rod's response, mm: settling, friction, seating of the nut; and the share of the response
# that differs from step to step.
STEP_SCATTER_MM = 0.015
RESPONSE_SCATTER = 0.15
CROSSING_PROBABILITY = 0.05
MAX_RECORD_TURNS = 1.0
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
        if not (math.isfinite(self.turns) and 0 < abs(self.turns) <= MAX_RECORD_TURNS):
            raise InputError(f"turn log: a step must be above 0 and at most 1 turn either way, got {self.turns}")
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
    hysteresis_mm
        Half the difference between the response of tightening and of loosening steps, in mm per turn, when both exist.
    """

    mm_per_turn: float
    u_mm_per_turn: float
    steps: int = 0
    settling_mm: float | None = None
    u_settling_mm: float | None = None
    hysteresis_mm: float | None = None


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
    return RodResponse(
        mean,
        math.sqrt(1 / precision),
        len(log),
        settling_mm=sum(drifts) / len(drifts) if drifts else None,
        u_settling_mm=_drift_u(drifts, log) if drifts else None,
        hysteresis_mm=_hysteresis(log),
    )


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
    z = float(stats.norm.ppf(1 - CROSSING_PROBABILITY))

    def short(turns: float) -> bool:
        move = response.mm_per_turn * turns
        spread = math.sqrt(
            u_relief_mm**2 + STEP_SCATTER_MM**2 + (turns * response.u_mm_per_turn) ** 2 + (RESPONSE_SCATTER * move) ** 2
        )
        return move + z * spread <= room

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


def _hysteresis(log: Sequence[TurnRecord]) -> float | None:
    tight = [s for s in log if s.turns > 0]
    loose = [s for s in log if s.turns < 0]
    if not tight or not loose:
        return None

    def slope(steps: Sequence[TurnRecord]) -> float:
        return sum(s.before_mm - s.after_mm for s in steps) / sum(s.turns for s in steps)

    return (slope(tight) - slope(loose)) / 2
