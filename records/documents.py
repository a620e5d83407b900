"""Stored JSON documents, and measurements made of them again."""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

import numpy as np

from lightgap.neck.documents import profile_from_document
from lightgap.neck.errors import InputError
from lightgap.neck.profile import Finding, Relief
from lightgap.vision.types import BudgetLine, Measurement, PhotoFacts, Scale, ScaleCheck, Straightedge

Document = Mapping[str, Any]


def stored_text(document: Document) -> str:
    """Return a document as the one text it is stored and exported as (RFC 8259, no NaN)."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def schema_for(name: str) -> dict[str, Any]:
    """Return the JSON Schema that ships for one of this package's documents, by the file's stem."""
    text = files("lightgap.records").joinpath("schemas", f"{name}.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def relief_of(document: Document) -> Relief:
    """Return the relief of a profile document."""
    relief = document["relief"]
    return Relief(
        relief_mm=float(relief["relief_mm"]),
        U_mm=float(relief["U_mm"]),
        k=float(relief["k"]),
        at_fret=int(relief["at_fret"]),
        chord=(int(relief["chord"][0]), int(relief["chord"][1])),
        shape=relief["shape"],
    )


def measurement_of(document: Document) -> Measurement:
    """Return the measurement a `lightgap/profile/1` document was made of.

    Raises
    ------
    InputError
        When the document is no profile measured from a photo.
    """
    profile = profile_from_document(document)
    try:
        photos, scale = [_facts(photo) for photo in document["photos"]], document["scale"]
        check = scale.get("check")
        outline = scale.get("outline_px")
        return Measurement(
            photo=photos[0],
            scale=Scale(
                reference=scale["reference"],
                px_per_mm=scale["px_per_mm"],
                u_px_per_mm=scale["u_px_per_mm"],
                check=ScaleCheck(check["reference"], check["px_per_mm"]) if check else None,
                outline_px=np.array(outline, dtype=np.float64) if outline else None,
            ),
            straightedge=Straightedge(points_px=np.array(document["straightedge"]["points_px"], dtype=np.float64)),
            profile=profile,
            relief=relief_of(document),
            warnings=tuple(Finding(w["code"], w["message"]) for w in document["warnings"]),
            budget=tuple(
                BudgetLine(b["name"], b["u_mm"], b["kind"], b.get("cure", "")) for b in document.get("budget") or ()
            ),
            facts={name: value for name, value in (document.get("facts") or {}).items() if isinstance(value, float)},
            others=tuple(photos[1:]),
            shown_in=tuple(int(row.get("photo", 0)) for row in document["crowns"]) if len(photos) > 1 else (),
        )
    except (KeyError, IndexError, TypeError) as problem:
        raise InputError(f"the document is no profile measured from a photo: {problem} is missing") from problem


def _facts(photo: Mapping[str, Any]) -> PhotoFacts:
    return PhotoFacts(photo["file"], photo["sha256"], photo["width_px"], photo["height_px"], photo.get("taken"))
