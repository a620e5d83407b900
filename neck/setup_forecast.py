"""What the plan will do to string height, and what the bridge then needs."""

from __future__ import annotations

import math
from typing import Any

from .action import (
    ActionReading,
    BridgeGeometry,
    action_change_mm,
    bridge_move,
    describe_action,
)
from .advise import Advice
from .budget import half_width_to_u
from .errors import InputError
from .plan import RodPlan
from .result_documents import move_document

# A real joint gives and a real neck tapers: of what the model says of it, the standard uncertainty of the strings' rise
# (common practice, no published source).
U_MODEL_SHARE = 0.25


def forecast_action(
    advice: Advice,
    *,
    now: ActionReading,
    wanted: ActionReading | None,
    geometry: BridgeGeometry,
    joint_fret: int = 14,
) -> dict[str, Any]:
    """Return string heights over fret 12 now and once relief is in the target, and the bridge's move.

    Parameters
    ----------
    advice
        The rod plan; relief is taken to end in the middle of the target when it is to move at all.
    now
        String heights over fret 12 now.
    wanted
        String heights wanted; the ones of now when not given, so that the move gives back what relief takes.
    geometry
        Scale length and bridge.
    joint_fret
        Where the neck is held.

    Returns
    -------
    dict
        As in the `action` member of a plan document. A model: neck as a uniform beam fixed at the body joint. Its
        uncertainties hold that of relief now, where in the target it ends (rectangular), and that of the model.
    """
    per_mm = action_change_mm(
        1.0,
        scale_length_mm=geometry.scale_length_mm,
        chord=advice.plan.relief.chord,
        joint_fret=joint_fret,
    )
    relief_change, u_relief_change = _relief_change_mm(advice.plan)
    change = per_mm * relief_change
    u_change = math.hypot(per_mm * u_relief_change, U_MODEL_SHARE * change)
    after = ActionReading(now.bass_mm + change, now.treble_mm + change, math.hypot(now.u_mm, u_change), now.fret)
    if min(after.bass_mm, after.treble_mm) <= 0:
        raise InputError("with that relief the strings would lie on the frets: raise the bridge first, then ask again")
    goal = wanted or now
    return {
        "fret": now.fret,
        "now_mm": [round(now.bass_mm, 3), round(now.treble_mm, 3)],
        "reads_as": describe_action(now.bass_mm, now.treble_mm),
        "relief_change_mm": round(relief_change, 4),
        "action_change_mm": round(change, 4),
        "U_action_change_mm": round(2 * u_change, 4),
        "after_mm": [round(after.bass_mm, 3), round(after.treble_mm, 3)],
        "U_after_mm": round(2 * after.u_mm, 3),
        "wanted_mm": [round(goal.bass_mm, 3), round(goal.treble_mm, 3)],
        "bridge": move_document(bridge_move(after, goal, geometry=geometry)),
        "model": f"neck as a uniform beam fixed at fret {joint_fret}, constant moment, saddle left alone until the end",
    }


def _relief_change_mm(plan: RodPlan) -> tuple[float, float]:
    """Return the change of relief to come with its standard uncertainty; none while the rod is left alone."""
    if plan.direction == "none":
        return 0.0, 0.0
    low, high = plan.target_mm
    u = math.hypot(plan.relief.U_mm / plan.relief.k, half_width_to_u((high - low) / 2))
    return (low + high) / 2 - plan.relief.relief_mm, u
