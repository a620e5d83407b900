"""Documents: read back what was written, refuse what makes no sense, keep to the schema files."""

from __future__ import annotations

import copy
from typing import Any

import jsonschema
import numpy as np
import pytest
from neck_profiles import bow, make_profile

from lightgap.neck.documents import (
    crowns_document,
    plan_document,
    profile_from_document,
    relief_document,
    schema_for,
)
from lightgap.neck.errors import InputError
from lightgap.neck.plan import plan_rod
from lightgap.neck.profile import CrownGap, GapProfile
from lightgap.neck.relief import compute_relief


def document() -> dict[str, Any]:
    profile = make_profile(bow(15, 0.3), scale_length_mm=648.0)
    first = profile.crowns[0]
    seen = CrownGap(first.fret, first.position_mm, first.gap_mm, first.u_gap_mm, touching=True, x_px=10.0, y_px=20.0)
    profile = GapProfile((seen, *profile.crowns[1:]), profile.covariance_mm2, scale_length_mm=648.0)
    photo = {"file": "a.jpg", "sha256": "0" * 64, "width_px": 4032, "height_px": 1400, "taken": None}
    return {
        "schema": "lightgap/profile/1",
        "photos": [photo],
        "scale": {"reference": "card", "px_per_mm": 8.6, "u_px_per_mm": 0.03, "check": None},
        **crowns_document(profile),
        "relief": relief_document(compute_relief(profile)),
        "straightedge": {"points_px": [[100.0, 636.1], [3900.0, 640.9]]},
        "warnings": [],
    }


def test_profile_keeps_to_its_schema_and_reads_back() -> None:
    made = document()
    jsonschema.validate(made, schema_for("profile-1"))
    back = profile_from_document(made)
    assert back.frets == tuple(range(1, 16))
    assert back.source == "photo"
    assert back.scale_length_mm == 648.0
    np.testing.assert_allclose(back.covariance_mm2, np.eye(15) * 0.002**2)
    assert crowns_document(back) == {k: made[k] for k in crowns_document(back)}
    assert relief_document(compute_relief(back)) == made["relief"]


def test_without_covariance_gaps_are_uncorrelated() -> None:
    made = document()
    del made["covariance_mm2"]
    np.testing.assert_allclose(profile_from_document(made).covariance_mm2, np.eye(15) * 0.002**2)


@pytest.mark.parametrize(
    "path, value, says",
    [
        (("schema",), "other/1", "schema is 'other/1'"),
        (("crowns",), [], "no crowns"),
        (("crowns", 3, "fret"), 31, "crowns\\[3\\]: fret must be a whole number 0 to 30, got 31"),
        (("crowns", 3, "fret"), 9, "in order of fret number"),
        (("crowns", 3, "gap_mm"), 40.0, "fret 4: gap_mm must be -10 to 10, got 40"),
        (("crowns", 3, "gap_mm"), "x", "fret 4: gap_mm must be a number, got 'x'"),
        (("crowns", 3, "u_gap_mm"), float("nan"), "fret 4: u_gap_mm must be a number"),
        (("crowns", 3, "u_gap_mm"), -0.1, "fret 4: u_gap_mm must be 0 to 10"),
        (("crowns", 3), 7, "crowns\\[3\\] is not an object"),
        (("covariance_mm2",), [[1.0]], "15 by 15"),
        (("covariance_mm2",), "x", "square table"),
        (("covariance_mm2", 0, 1), 5.0, "not a covariance"),
        (("scale_length_mm",), 5.0, "scale_length_mm must be 100"),
    ],
)
def test_nonsense_is_refused_in_one_line(path: tuple[Any, ...], value: object, says: str) -> None:
    made = copy.deepcopy(document())
    spot: Any = made
    for step in path[:-1]:
        spot = spot[step]
    spot[path[-1]] = value
    with pytest.raises(InputError, match=says) as caught:
        profile_from_document(made)
    assert "\n" not in str(caught.value)


def test_not_an_object() -> None:
    with pytest.raises(InputError, match="not a JSON object"):
        profile_from_document([1])  # type: ignore[arg-type]


def test_plan_keeps_to_its_schema() -> None:
    made = plan_document(plan_rod(compute_relief(make_profile(bow(15, 0.5))), (0.1, 0.25)))
    jsonschema.validate(made, schema_for("plan-1"))
    assert list(made) == [
        "schema", "relief", "target_mm", "judgement", "turn", "checklist", "stop_when", "cautions", "findings"
    ]  # fmt: skip
    assert list(made["turn"]) == ["direction", "step_turns", "visit_cap_turns"]
    assert made["turn"] == {"direction": "tighten", "step_turns": 0.125, "visit_cap_turns": 0.75}


@pytest.mark.parametrize("name", ["profile-1", "refusal-1", "plan-1"])
def test_schema_files_are_valid_schemas(name: str) -> None:
    schema = schema_for(name)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)
