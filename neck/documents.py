"""Profiles, relief and plans as JSON documents, and back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np

from .errors import InputError
from .frets import MAX_FRET
from .profile import Array, CrownGap, Finding, GapProfile, Relief, Source

if TYPE_CHECKING:
    from .plan import RodPlan

PROFILE_SCHEMA = "lightgap/profile/1"
REFUSAL_SCHEMA = "lightgap/refusal/1"
PLAN_SCHEMA = "lightgap/plan/1"
MAX_GAP_MM = 10.0
MAX_BOARD_MM = 1500.0


def schema_for(name: str) -> dict[str, Any]:
    """Return the JSON Schema that ships for a document, by the file's stem ("profile-1", "plan-1", ...)."""
    text = files("lightgap.neck").joinpath("schemas", f"{name}.schema.json").read_text(encoding="utf-8")
    document: dict[str, Any] = json.loads(text)
    return document


def relief_document(relief: Relief) -> dict[str, Any]:
    """Return the `relief` member of a profile or plan document."""
    return {
        "relief_mm": round(relief.relief_mm, 5),
        "U_mm": round(relief.U_mm, 5),
        "k": relief.k,
        "at_fret": relief.at_fret,
        "chord": list(relief.chord),
        "shape": relief.shape,
    }


def crowns_document(profile: GapProfile) -> dict[str, Any]:
    """Return the crown members of a profile document: `crowns`, `covariance_mm2`, scale length and numbering."""
    crowns = []
    for c in profile.crowns:
        row: dict[str, Any] = {
            "fret": c.fret,
            "position_mm": round(c.position_mm, 4),
            "gap_mm": round(c.gap_mm, 5),
            "u_gap_mm": round(c.u_gap_mm, 5),
        }
        if c.x_px is not None and c.y_px is not None:
            row |= {"x_px": round(c.x_px, 3), "y_px": round(c.y_px, 3)}
        row |= {"touching": c.touching}
        crowns.append(row | {"extrapolated": True} if c.extrapolated else row)
    covariance = [[float(f"{v:.6g}") for v in row] for row in profile.covariance_mm2]
    return {
        "crowns": crowns,
        "covariance_mm2": covariance,
        "scale_length_mm": profile.scale_length_mm,
        "numbers_relative": profile.numbers_relative,
    }


def findings_document(findings: tuple[Finding, ...]) -> list[dict[str, str]]:
    """Return findings or warnings as a JSON list."""
    return [{"code": f.code, "message": f.message} for f in findings]


def profile_from_document(document: Mapping[str, Any]) -> GapProfile:
    """Read the crowns of a `lightgap/profile/1` document.

    Parameters
    ----------
    document
        The parsed JSON. Without `covariance_mm2` the gaps are taken as uncorrelated with their `u_gap_mm`.

    Raises
    ------
    InputError
        When the document is no profile, or a value makes no sense: says which.
    """
    if not isinstance(document, Mapping):
        raise InputError("the profile is not a JSON object")
    schema = document.get("schema")
    if schema == REFUSAL_SCHEMA:
        raise InputError(f"the photo could not be measured: {document.get('message', 'no reason given')}")
    if schema != PROFILE_SCHEMA:
        raise InputError(f"the document's schema is {schema!r}, expected {PROFILE_SCHEMA!r}")
    rows = document.get("crowns")
    if not isinstance(rows, list) or not rows:
        raise InputError("the profile holds no crowns")
    crowns = tuple(_crown(row, index) for index, row in enumerate(rows))
    frets = [c.fret for c in crowns]
    places = [c.position_mm for c in crowns]
    if frets != sorted(set(frets)) or places != sorted(set(places)):
        raise InputError("crowns must be in order of fret number and of position, each once")
    scale = document.get("scale_length_mm")
    # A photo's profile names its photos; one taken by hand has none.
    source: Source = "photo" if document.get("photos") else "hand"
    return GapProfile(
        crowns,
        _covariance(document.get("covariance_mm2"), crowns),
        source=source,
        scale_length_mm=None if scale is None else _number(scale, "scale_length_mm", low=100, high=MAX_BOARD_MM),
        numbers_relative=bool(document.get("numbers_relative", False)),
    )


def chord_from_document(document: Mapping[str, Any], profile: GapProfile) -> tuple[int, int] | None:
    """Return the chord a profile document's relief was read on, when its ends are in the profile."""
    relief = document.get("relief")
    chord = relief.get("chord") if isinstance(relief, Mapping) else None
    if isinstance(chord, list) and len(chord) == 2 and all(f in profile.frets for f in chord):
        return int(chord[0]), int(chord[1])
    return None


def warnings_from_document(document: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Return the warnings a profile document carries."""
    rows = document.get("warnings")
    return tuple(
        Finding(str(row.get("code", "")), str(row.get("message", "")))
        for row in (rows if isinstance(rows, list) else [])
        if isinstance(row, Mapping)
    )


def plan_document(plan: RodPlan) -> dict[str, Any]:
    """Return a plan as a `lightgap/plan/1` document."""
    return {
        "schema": PLAN_SCHEMA,
        "relief": relief_document(plan.relief),
        "target_mm": [round(v, 5) for v in plan.target_mm],
        "judgement": plan.judgement,
        "turn": {
            "direction": plan.direction,
            "step_turns": plan.step_turns,
            "visit_cap_turns": plan.visit_cap_turns,
        },
        "checklist": list(plan.checklist),
        "stop_when": list(plan.stop_when),
        "cautions": list(plan.cautions),
        "findings": findings_document(plan.findings),
    }


def _crown(row: object, index: int) -> CrownGap:
    if not isinstance(row, Mapping):
        raise InputError(f"crowns[{index}] is not an object")
    fret = row.get("fret")
    if not isinstance(fret, int) or isinstance(fret, bool) or not 0 <= fret <= MAX_FRET:
        raise InputError(f"crowns[{index}]: fret must be a whole number 0 to {MAX_FRET}, got {fret!r}")
    where = f"fret {fret}: "
    return CrownGap(
        fret=fret,
        position_mm=_number(row.get("position_mm"), where + "position_mm", low=-MAX_BOARD_MM, high=MAX_BOARD_MM),
        gap_mm=_number(row.get("gap_mm"), where + "gap_mm", low=-MAX_GAP_MM, high=MAX_GAP_MM),
        u_gap_mm=_number(row.get("u_gap_mm"), where + "u_gap_mm", low=0, high=MAX_GAP_MM),
        touching=bool(row.get("touching", False)),
        extrapolated=bool(row.get("extrapolated", False)),
        x_px=None if row.get("x_px") is None else _number(row["x_px"], where + "x_px", low=-1e6, high=1e6),
        y_px=None if row.get("y_px") is None else _number(row["y_px"], where + "y_px", low=-1e6, high=1e6),
    )


def _number(value: object, name: str, *, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value != value:
        raise InputError(f"{name} must be a number, got {value!r}")
    if not low <= value <= high:
        raise InputError(f"{name} must be {low:g} to {high:g}, got {str(value)[:20]}")
    return float(value)


def _covariance(rows: object, crowns: tuple[CrownGap, ...]) -> Array:
    n = len(crowns)
    if rows is None:
        return np.diag([c.u_gap_mm**2 for c in crowns])
    try:
        matrix = np.array(rows, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise InputError("covariance_mm2 must be a square table of numbers") from None
    if matrix.shape != (n, n) or not np.isfinite(matrix).all():
        raise InputError(f"covariance_mm2 must be {n} by {n} finite numbers, one row a crown")
    scale = max(float(np.abs(matrix).max()), 1e-12)
    if np.abs(matrix - matrix.T).max() > 1e-4 * scale or np.linalg.eigvalsh(matrix).min() < -1e-4 * scale:
        raise InputError("covariance_mm2 is not a covariance: it must be symmetric without negative eigenvalues")
    return (matrix + matrix.T) / 2
