"""The measurement as a JSON document (`lightgap/profile/1`)."""

from __future__ import annotations

from typing import Any

from lightgap.neck.documents import PROFILE_SCHEMA, crowns_document, findings_document, relief_document
from lightgap.neck.errors import Refusal

from .types import Measurement, PhotoFacts


def measurement_document(measurement: Measurement) -> dict[str, Any]:
    """Return the measurement as the contract's profile document."""
    m = measurement
    scale: dict[str, Any] = {
        "reference": m.scale.reference,
        "px_per_mm": round(m.scale.px_per_mm, 5),
        "u_px_per_mm": round(m.scale.u_px_per_mm, 5),
    }
    if m.scale.check is not None:
        scale["check"] = {"reference": m.scale.check.reference, "px_per_mm": round(m.scale.check.px_per_mm, 5)}
    crowns = crowns_document(m.profile)
    for row, number in zip(crowns["crowns"], m.shown_in, strict=False):
        row["photo"] = number
    return {
        "schema": PROFILE_SCHEMA,
        "photos": [_photo(facts) for facts in m.photos],
        "scale": scale,
        **crowns,
        "relief": relief_document(m.relief),
        "straightedge": {"points_px": [[round(float(x), 2), round(float(y), 2)] for x, y in m.straightedge.points_px]},
        "warnings": findings_document(m.warnings),
        "budget": [{"name": b.name, "u_mm": round(b.u_mm, 5), "kind": b.kind, "cure": b.cure} for b in m.budget],
        "facts": m.facts,
    }


def _photo(facts: PhotoFacts) -> dict[str, Any]:
    photo: dict[str, Any] = {
        "file": facts.file,
        "sha256": facts.sha256,
        "width_px": facts.width_px,
        "height_px": facts.height_px,
    }
    return photo if facts.taken is None else photo | {"taken": facts.taken}


def refusal_document(refused: Refusal) -> dict[str, str]:
    """Return a refusal as the contract's document."""
    return {"schema": "lightgap/refusal/1", "code": refused.code, "message": refused.message}
