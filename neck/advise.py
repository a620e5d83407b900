"""From a profile to the plan: relief, bow against frets, what the rod has been seen to do, and the next safe step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .bench import FIRST_STEP_TURNS, Bench
from .bow import Bow, analyse_bow, without_frets
from .errors import InputError
from .judge import is_above, judge
from .plan import FRET_NOT_ROD, TARGET_WIDEST, RodPlan, plan_rod
from .profile import Finding, GapProfile, Relief
from .relief import compute_relief
from .rod_response import RodResponse, TurnRecord, learn_response, no_answer, size_step
from .spans import off_middle


@dataclass(frozen=True, slots=True)
class Advice:
    """A plan and what it rests on.

    Attributes
    ----------
    plan
        The next step.
    bow
        Neck and single frets.
    response
        Of the rod; None without a turn log.
    expected_mm, u_expected_mm
        Relief expected after the step, when the rod's response has been seen.
    """

    plan: RodPlan
    bow: Bow
    response: RodResponse | None
    expected_mm: float | None = None
    u_expected_mm: float | None = None


def advise(
    profile: GapProfile,
    target_mm: tuple[float, float],
    *,
    bench: Bench | None = None,
    chord: tuple[int, int] | None = None,
    log: Sequence[TurnRecord] = (),
    findings: Sequence[Finding] = (),
) -> Advice:
    """Return the plan for a measured neck.

    Parameters
    ----------
    profile
        By photo or by hand.
    target_mm
        Wanted relief.
    bench
        Rod, nut, strings, access, caps.
    chord
        End frets of the chord; see `compute_relief` for the default.
    log
        Turns made on this instrument before.
    findings
        What is already known.

    Raises
    ------
    InputError
        When chord, target or bench make no sense.
    """
    relief = compute_relief(profile, chord=chord)
    bow = analyse_bow(profile, relief)
    said = {f.code for f in findings}
    from_bow = [f for f in bow.findings if not (f.code == "few-crowns" and "one-reading" in said)]
    known = [*findings, *from_bow, *_fret_not_rod(profile, relief, bow=bow, target_mm=target_mm)]
    aside = off_middle(profile, relief, target_mm=target_mm)
    known += [aside] if aside else []
    response = learn_response(log) if log else None
    silent = no_answer(log)
    known += [silent] if silent else []
    step = _sized_step(relief, target_mm, bench=bench, response=response)
    if step is not None and any(f.code == TARGET_WIDEST for f in known):
        step = min(step, _to_limit(relief, target_mm, response=response))
    if response is not None:
        known += _response_findings(response)
    plan = plan_rod(
        relief,
        target_mm,
        bench=bench,
        learned_step_turns=step,
        numbers_relative=profile.numbers_relative,
        findings=known,
    )
    if response is None or plan.direction == "none":
        return Advice(plan, bow, response)
    moved, u_moved = response.move_mm(plan.step_turns if plan.direction == "tighten" else -plan.step_turns)
    return Advice(plan, bow, response, relief.relief_mm - moved, math.hypot(relief.U_mm / relief.k, u_moved))


def _sized_step(
    relief: Relief, target_mm: tuple[float, float], *, bench: Bench | None, response: RodResponse | None
) -> float | None:
    """The step by this rod's log; without one, a nudge for a repeated reading at the limit; else none of its own."""
    u = relief.U_mm / relief.k
    if response is not None and response.is_shown:
        return size_step(relief.relief_mm, u, target_mm=target_mm, response=response)
    at_limit = judge(relief.relief_mm, relief.U_mm, low=target_mm[0], high=target_mm[1]) == "cannot-tell"
    if bench is None or not bench.repeated or not at_limit:
        return None
    return min(FIRST_STEP_TURNS / 2, size_step(relief.relief_mm, u, target_mm=target_mm, response=learn_response(())))


def _to_limit(relief: Relief, target_mm: tuple[float, float], *, response: RodResponse | None) -> float:
    """The step to what is usual for any instrument, and no farther into it: more may be too much for this one."""
    way = max(relief.relief_mm - target_mm[1], target_mm[0] - relief.relief_mm, 0.0)
    return min(way / (response or learn_response(())).mm_per_turn, FIRST_STEP_TURNS)


def _fret_not_rod(
    profile: GapProfile, relief: Relief, *, bow: Bow, target_mm: tuple[float, float]
) -> tuple[Finding, ...]:
    """The judgement rests on odd frets alone: without them it is another one."""
    if not bow.odd:
        return ()
    odd = {o.fret for o in bow.odd}
    ends = [f for f in bow.frets if f not in odd]
    chord = (
        relief.chord[0] if relief.chord[0] not in odd else ends[0],
        relief.chord[1] if relief.chord[1] not in odd else ends[-1],
    )
    try:
        rest = compute_relief(without_frets(profile, odd), chord=chord)
    except InputError:
        return ()
    low, high = target_mm
    with_frets = judge(relief.relief_mm, relief.U_mm, low=low, high=high)
    neck_alone = judge(rest.relief_mm, rest.U_mm, low=low, high=high)
    in_reach = neck_alone == "cannot-tell" and low <= rest.relief_mm <= high
    if with_frets == neck_alone or with_frets == "inside" or (neck_alone == "cannot-tell" and not in_reach):
        return ()
    named = ", ".join(str(o.fret) for o in bow.odd)
    return (
        Finding(
            FRET_NOT_ROD,
            f"this is a fret, not the rod: without fret {named} relief is {rest.relief_mm:+.2f} ± {rest.U_mm:.2f} mm "
            f"({neck_alone}); see to the fret first",
        ),
    )


def _response_findings(response: RodResponse) -> list[Finding]:
    out = [
        Finding(
            "rod-learned",
            f"from {response.steps} step(s) this rod moves relief by {response.mm_per_turn:.2f} ± "
            f"{2 * response.u_mm_per_turn:.2f} mm per turn",
        )
    ]
    if response.settling_mm is not None and response.u_settling_mm is not None:
        sure = abs(response.settling_mm) > 2 * response.u_settling_mm
        drift = f"by {response.settling_mm:+.2f} mm" if sure else "by less than can be told"
        out.append(Finding("rod-settles", f"after a step the neck settles {drift}: measure again a day later"))
    lost, u_lost = response.hysteresis_mm, response.u_hysteresis_mm
    if lost is not None and u_lost is not None and is_above(abs(lost), 2 * u_lost, limit=0.0):
        out.append(
            Finding("rod-hysteresis", "tightening and loosening do not answer alike: come to the target from one side")
        )
    return out
