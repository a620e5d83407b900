"""The rod plan: which way, how far, and when to stop."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from .bench import FIRST_STEP_TURNS, Bench
from .errors import InputError
from .judge import Judgement, is_above, judge
from .profile import Finding, Relief
from .spans import NOT_OF_WHOLE, of_part
from .wording import HELD, cautions_for, checklist_for, stops_for

Direction = Literal["tighten", "loosen", "none"]
Side = Literal["above", "below"]
MovesWhen = Literal["outside", "reads-outside", "not-inside"]
_Add = Callable[[str, str], None]

# Dead straight to what a long, loosely strung bass may want (common practice, no published source).
MAX_TARGET_MM = 1.0
MIN_STEP_TURNS = 1 / 64
# An eighth of a lively rod may take this much out; nearer to straight than that, the first step is a sixteenth
# (common practice, no published source).
LIVELY_FALL_MM = 0.17


@dataclass(frozen=True, slots=True)
class RodPlan:
    """What to do at the rod, and how to do it.

    Attributes
    ----------
    relief
        The relief judged.
    target_mm
        Wanted relief, low to high.
    judgement
        Relief against target, by the decision rule of `lightgap.neck.judge`.
    direction, step_turns, visit_cap_turns
        The next step; `step_turns` is 0 when the rod is not to be turned.
    checklist, stop_when, cautions
        What to do in order; when to stop; what can hurt.
    findings
        Why, and what is in doubt.
    """

    relief: Relief
    target_mm: tuple[float, float]
    judgement: Judgement
    direction: Direction
    step_turns: float
    visit_cap_turns: float
    checklist: tuple[str, ...]
    stop_when: tuple[str, ...]
    cautions: tuple[str, ...]
    findings: tuple[Finding, ...]


def plan_rod(
    relief: Relief,
    target_mm: tuple[float, float],
    *,
    bench: Bench | None = None,
    learned_step_turns: float | None = None,
    numbers_relative: bool = False,
    findings: Sequence[Finding] = (),
) -> RodPlan:
    """Return the next safe step at the truss rod.

    Parameters
    ----------
    relief
        Measured relief with its uncertainty.
    target_mm
        Wanted relief, low and high limit.
    bench
        Rod, nut, strings, access and caps; the cautious defaults when not given.
    learned_step_turns
        A step sized from this instrument's own turn log; an eighth without one (a sixteenth close to straight).
        Either is cut to the caps.
    numbers_relative
        The chord's frets are counted from the first one in view: how much of the neck it spans is not known.
    findings
        What is already known about the neck. A finding whose code is in `HOLDS` keeps the rod still.

    Returns
    -------
    RodPlan
        Tightening is advised for an up-bow beyond doubt only, and no step is ever above a quarter turn. Of a chord over
        part of the neck nothing but too much relief is told. Against what is usual for any instrument
        (`TARGET_WIDEST` among the findings) only relief outside beyond doubt moves the rod.

    Raises
    ------
    InputError
        When the target makes no sense.
    """
    bench = bench or Bench()
    low, high = check_target(target_mm)
    judgement = judge(relief.relief_mm, relief.U_mm, low=low, high=high)
    partly = of_part(relief, judgement, target_mm=(low, high), numbers_relative=numbers_relative)
    findings = [*findings, partly] if partly else findings
    is_short = any(f.code in NOT_OF_WHOLE for f in findings)
    if is_short:
        judgement = "cannot-tell"
    moves: MovesWhen = "not-inside" if bench.turned_turns > 0 else "reads-outside"
    if learned_step_turns is None:
        moves = "outside"
    side = None if is_short else _side(relief, judgement, low=low, high=high, moves_when=moves)
    reasons = [*findings, *_reasons(relief, judgement, target_mm=(low, high), side=side, bench=bench, known=findings)]
    direction: Direction = "none"
    step = 0.0
    # Beyond what is usual for any instrument it is beyond what this one wants, too.
    holds = HOLDS - {TARGET_WIDEST} if judgement in ("above", "below") else HOLDS
    if side is not None and not any(f.code in holds for f in reasons):
        step, held = _step(relief, side, bench=bench, learned=learned_step_turns)
        reasons += held
        if step > 0:
            direction = "tighten" if side == "above" else "loosen"
    codes = {f.code for f in reasons}
    return RodPlan(
        relief=relief,
        target_mm=(low, high),
        judgement=judgement,
        direction=direction,
        step_turns=step,
        visit_cap_turns=bench.visit_cap_turns,
        checklist=checklist_for(relief, judgement, bench=bench, direction=direction, step_turns=step, codes=codes),
        stop_when=stops_for(bench, direction),
        cautions=cautions_for(bench, direction),
        findings=tuple(reasons),
    )


FRET_NOT_ROD = "fret-not-rod"
TARGET_WIDEST = "target-widest"
HOLDS = frozenset(HELD) - {"step-too-small"}
# Beyond this the neck is deformed, or the reading is wrong; neither is a job for the rod nut.
GROSS_RELIEF_MM = 2.0


def check_target(target_mm: tuple[float, float]) -> tuple[float, float]:
    """Return the target when it makes sense.

    Raises
    ------
    InputError
        When it is not 0 <= low < high <= `MAX_TARGET_MM`.
    """
    low, high = float(target_mm[0]), float(target_mm[1])
    if not (math.isfinite(low) and math.isfinite(high) and 0 <= low < high <= MAX_TARGET_MM):
        raise InputError(
            f"target relief must run from a low to a higher value within 0 to {MAX_TARGET_MM:g} mm, "
            f"got {low:g} to {high:g} mm"
        )
    return low, high


def _side(relief: Relief, judgement: Judgement, *, low: float, high: float, moves_when: MovesWhen) -> Side | None:
    """Which side of the target relief is to be brought in from, or None when the rod is to be left alone.

    Without a log only relief outside beyond doubt moves the rod. Once the rod's response has been seen, relief that
    reads outside may be brought in: the step is sized so that it does not cross the target, and does no harm if relief
    was inside. A correction begun in this visit is finished until relief is inside beyond doubt.
    """
    if judgement == "inside" or (judgement == "cannot-tell" and moves_when == "outside"):
        return None
    guard = relief.U_mm if moves_when == "not-inside" else 0.0
    # Steps are sized towards the middle of the target: a neck is never bent away from it.
    if relief.relief_mm > (low + high) / 2:
        # An up-bow beyond doubt is asked for even where the judgement says it: a wrong turn here breaks necks.
        may = relief.relief_mm + guard > high and is_above(relief.relief_mm, relief.U_mm, limit=0.0)
        return "above" if may else None
    return "below" if relief.relief_mm - guard < low else None


def _step(relief: Relief, side: Side, *, bench: Bench, learned: float | None) -> tuple[float, list[Finding]]:
    """The step, and why it is none."""
    if learned is not None and math.isfinite(learned):
        wanted = learned
    else:
        lively = side == "above" and not is_above(relief.relief_mm, relief.U_mm, limit=LIVELY_FALL_MM)
        wanted = FIRST_STEP_TURNS / 2 if lively else FIRST_STEP_TURNS
    if bench.room_turns < MIN_STEP_TURNS:
        message = (
            f"{bench.turned_turns:g} turn has been made this visit and the cap is {bench.visit_cap_turns:g}: "
            "let the neck settle for a day at pitch, then measure again"
        )
        return 0.0, [Finding("visit-cap", message)]
    if wanted < MIN_STEP_TURNS:
        message = "the step this rod needs is too small to make: leave it, relief is as near as it gets"
        return 0.0, [Finding("step-too-small", message)]
    return min(wanted, bench.room_turns), []


def _reasons(
    relief: Relief,
    judgement: Judgement,
    *,
    target_mm: tuple[float, float],
    side: Side | None,
    bench: Bench,
    known: Sequence[Finding],
) -> list[Finding]:
    """Everything that keeps the rod still or is worth saying, from relief and bench."""
    out: list[Finding] = []

    def add(code: str, message: str) -> None:
        if all(f.code != code for f in known):
            out.append(Finding(code, message))

    if bench.strings != "at-pitch":
        state = "slack" if bench.strings == "slack" else "off"
        add(
            "not-at-pitch",
            f"the strings are {state}: relief counts with the strings at pitch; tune up and measure again",
        )
    if abs(relief.relief_mm) > GROSS_RELIEF_MM:
        add(
            "gross-relief",
            f"relief of {relief.relief_mm:+.2f} mm is beyond adjustment: check the reading; if so, see a repairer",
        )
    if judgement == "cannot-tell" and not NOT_OF_WHOLE & {f.code for f in known}:
        if side is not None:
            message = "reaches across a limit of the target: the small step below leads towards its middle"
        elif target_mm[0] <= relief.relief_mm <= target_mm[1]:
            message = "reaches across a limit of the target, but it reads inside: leave it, or measure again, finer"
        else:
            message = "reaches across a limit of the target: measure again, finer, before any turn"
        add("cannot-tell", f"the uncertainty {message}")
    if relief.shape == "s-bend" and judgement != "inside":
        add("s-bend", "the neck bends both ways along the chord: a rod cannot take an S out; see a repairer")
    if side is not None:
        _rod_reasons(side, bench, add=add)
    return out


def _rod_reasons(side: Side, bench: Bench, *, add: _Add) -> None:
    if bench.rod == "none":
        add("no-rod", "there is no rod to turn: string gauge, tuning, fret work or a repairer can change this neck")
    elif bench.nut_feel == "stiff":
        add(
            "nut-stiff",
            "the nut does not want to turn: do not force it; take the load off, clean and lubricate, feel again",
        )
    elif bench.nut_feel == "at-end" and side == "above":  # loosened it comes back onto its thread
        add(
            "nut-at-end",
            "the nut is at the end of its thread: more force strips the thread or snaps the rod; see a repairer",
        )
    elif side == "below" and bench.nut_feel == "slack" and bench.rod != "two-way":
        add(
            "rod-cannot-push",
            "the rod is slack already and a single-action rod cannot push a neck out of back-bow: more string tension, "
            "or a repairer",
        )
    if bench.rod == "unknown" and side == "below" and bench.nut_feel not in ("slack", "stiff"):
        add(
            "rod-unknown",
            "the kind of rod is not known: it is treated as single-action, and loosening ends when the nut goes slack",
        )
