"""Advice, tension, clearance and cross-check as JSON documents."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from .action import BridgeMove
from .advise import Advice
from .agreement import Crosscheck
from .clearance import MODEL, Clearance, Setup
from .documents import findings_document, plan_document, relief_document
from .profile import Finding, Relief
from .stiffness import NeckCompliance
from .strings import Tension, pull_change, total_pull
from .units import NEWTON_PER_LBF

TENSION_SCHEMA = "lightgap/tension/1"
CLEARANCE_SCHEMA = "lightgap/clearance/1"
CROSSCHECK_SCHEMA = "lightgap/crosscheck/1"

STRING_CAUTIONS = (
    "Strings at pitch store energy: wear eye protection, let them down before cutting, keep the face away.",
    "A heavier set or a higher tuning than the instrument was made for can lift a bridge or bow a neck: when unsure, "
    "ask a qualified repairer first.",
)


def advice_document(
    advice: Advice, *, inputs: Mapping[str, Any], action: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Return an advice as a `lightgap/plan/1` document with what it rests on.

    Parameters
    ----------
    advice
        The advice.
    inputs
        What was told: rod, nut, strings, access, method, readings, reason of the target.
    action
        The forecast of string height, when asked for.
    """
    document = plan_document(advice.plan)
    document["inputs"] = dict(inputs)
    document["bow"] = {
        "crowding": advice.bow.crowding,
        "tongue": advice.bow.tongue,
        "odd_frets": [
            {
                "fret": o.fret,
                "kind": o.kind,
                "amount_mm": round(o.amount_mm, 4),
                "U_mm": round(o.U_mm, 4),
                "rocker_mm": round(o.rocker_mm, 4),
                "U_rocker_mm": round(o.U_rocker_mm, 4),
            }
            for o in advice.bow.odd
        ],
        "doubtful_frets": list(advice.bow.doubtful),
        "crowns": [
            {"fret": f, "above_curve_mm": round(float(a), 4), "U_mm": round(float(u), 4)}
            for f, a, u in zip(advice.bow.frets, advice.bow.amount_mm, advice.bow.U_mm, strict=True)
            if u > 0
        ],
    }
    if advice.response is not None:
        document["response"] = {
            "mm_per_turn": round(advice.response.mm_per_turn, 4),
            "u_mm_per_turn": round(advice.response.u_mm_per_turn, 4),
            "steps": advice.response.steps,
        }
    if advice.expected_mm is not None and advice.u_expected_mm is not None:
        document["expected"] = {
            "relief_mm": round(advice.expected_mm, 4),
            "U_mm": round(2 * advice.u_expected_mm, 4),
            "k": 2.0,
        }
    if action is not None:
        document["action"] = dict(action)
    return document


def move_document(move: BridgeMove) -> dict[str, Any]:
    """Return a bridge move as a JSON object; positive raises."""
    return {
        "bass_mm": round(move.bass_mm, 3),
        "treble_mm": round(move.treble_mm, 3),
        "U_mm": round(2 * move.u_mm, 3),
        "post_bass_mm": round(move.post_bass_mm, 3),
        "post_treble_mm": round(move.post_treble_mm, 3),
        "post_bass_turns": None if move.turns_bass is None else round(move.turns_bass, 3),
        "post_treble_turns": None if move.turns_treble is None else round(move.turns_treble, 3),
    }


def tension_document(
    strings: Sequence[Tension],
    *,
    scale_length_mm: float,
    other: Sequence[Tension] | None = None,
    compliance: NeckCompliance | None = None,
) -> dict[str, Any]:
    """Return string pull as a `lightgap/tension/1` document.

    Parameters
    ----------
    strings
        The set.
    scale_length_mm
        Free length.
    other
        Another set or tuning to change to.
    compliance
        What the neck has been seen to do under two tensions.
    """
    document: dict[str, Any] = {
        "schema": TENSION_SCHEMA,
        "scale_length_mm": scale_length_mm,
        "a4_hz": 440.0,
        "strings": [_string(t) for t in strings],
        "total": _total(strings),
        "change": None,
        "cautions": list(STRING_CAUTIONS),
    }
    if other is not None:
        change_N, u_change_N = pull_change(strings, other)
        change: dict[str, Any] = {
            "strings": [_string(t) for t in other],
            "total": _total(other),
            "pull_N": round(change_N, 3),
            "U_pull_N": round(2 * u_change_N, 3),
            "pull_lbf": round(change_N / NEWTON_PER_LBF, 3),
            "relief": None,
        }
        if compliance is not None:
            relief, u = compliance.change_mm(change_N, u_change_N)
            change["relief"] = {"change_mm": round(relief, 4), "U_mm": round(2 * u, 4), "k": 2.0}
        document["change"] = change
    return document


def clearance_document(result: Clearance, *, setup: Setup, relief: Relief) -> dict[str, Any]:
    """Return clearances as a `lightgap/clearance/1` document."""
    worst = result.worst
    played = [
        {
            "string": s,
            "fret": fret,
            "least_mm": round(float(result.least_mm[s, p]), 4),
            "U_mm": round(float(result.U_mm[s, p]), 4),
            "at_fret": int(result.at_fret[s, p]),
            "verdict": result.verdicts[s][p],
        }
        for s in range(len(result.strings))
        for p, fret in enumerate(result.played)
    ]
    return {
        "schema": CLEARANCE_SCHEMA,
        "model": MODEL,
        "inputs": {
            "scale_length_mm": setup.scale_length_mm,
            "action_bass_mm": setup.action.bass_mm,
            "action_treble_mm": setup.action.treble_mm,
            "u_action_mm": setup.action.u_mm,
            "first_fret_mm": setup.first_fret_mm,
            "force_N": setup.force_N,
            "pluck_from_saddle_mm": setup.pluck_from_saddle_mm,
            "release": setup.release,
            "margin_mm": setup.margin_mm,
        },
        "relief": relief_document(relief),
        "strings": [_string(t) for t in result.strings],
        "played": played,
        "least": played[worst[0] * len(result.played) + worst[1]],
        "smallest_relief_mm": result.smallest_relief_mm,
        "level": None
        if result.levelling is None
        else {"fret": result.levelling.fret, "amount_mm": round(result.levelling.amount_mm, 4)},
        "findings": findings_document(result.findings),
    }


def crosscheck_document(result: Crosscheck, *, findings: tuple[Finding, ...] = ()) -> dict[str, Any]:
    """Return a cross-check as a `lightgap/crosscheck/1` document; differences are hand minus photo."""
    spread = result.bland_altman
    return {
        "schema": CROSSCHECK_SCHEMA,
        "verdict": result.verdict,
        "sentence": result.sentence,
        "repeat_frets": list(result.repeat),
        "k": 2.0,
        "pairs": [
            {
                "fret": p.fret,
                "hand_mm": round(p.hand_mm, 4),
                "U_hand_mm": round(p.U_hand_mm, 4),
                "photo_mm": round(p.photo_mm, 4),
                "U_photo_mm": round(p.U_photo_mm, 4),
                "difference_mm": round(p.hand_mm - p.photo_mm, 4),
                "E_n": round(p.E_n, 3),
                "agrees": p.agrees,
            }
            for p in result.pairs
        ],
        "bland_altman": None
        if spread is None
        else {
            "n": spread.n,
            "mean_mm": round(spread.mean, 4),
            "sd_mm": round(spread.sd, 4),
            "low_mm": round(spread.limits[0], 4),
            "high_mm": round(spread.limits[1], 4),
            "factor": spread.factor,
        },
        "findings": findings_document(findings),
    }


def _string(tension: Tension) -> dict[str, Any]:
    return {
        "note": tension.string.note,
        "frequency_hz": round(tension.string.frequency_hz, 3),
        "description": tension.string.description,
        "weight_kg_m": float(f"{tension.string.weight_kg_m:.6g}"),
        "tension_N": round(tension.tension_N, 3),
        "u_tension_N": round(tension.u_tension_N, 3),
        "tension_lbf": round(tension.tension_lbf, 3),
    }


def _total(strings: Sequence[Tension]) -> dict[str, float]:
    pull, u = total_pull(strings)
    return {"tension_N": round(pull, 2), "u_tension_N": round(u, 2), "tension_lbf": round(pull / NEWTON_PER_LBF, 2)}
