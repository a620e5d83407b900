"""Measurements made up for the tests of the records: a parabola with a little scatter, full covariance."""

from __future__ import annotations

import hashlib
import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from lightgap.neck.documents import crowns_document, relief_document
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import CrownGap, Finding, GapProfile, Relief
from lightgap.neck.relief import BODY_JOINT_FRET, compute_relief
from lightgap.records.book import Book
from lightgap.records.recording import NewMeasurement, Recorded, record_measurement
from lightgap.records.visits import Visit
from lightgap.vision.types import (
    BudgetLine,
    Measurement,
    PhotoFacts,
    Scale,
    ScaleCheck,
    Straightedge,
)


def make_measurement(
    relief_mm: float = 0.312, *, U_mm: float = 0.014, seed: int = 1, frets: int = 15, file: str = "neck.jpg"
) -> Measurement:
    """Return a measurement of a parabolic bow of the given relief between frets 1 and `frets`."""
    rng = np.random.default_rng(seed)
    numbers = np.arange(1, frets + 1)
    position_mm = fret_position_mm(numbers.astype(float), 648.0)
    t = (position_mm - position_mm[0]) / (position_mm[-1] - position_mm[0])
    bow_mm = 4 * relief_mm * t * (1 - t)
    gap_mm = np.clip(bow_mm - bow_mm.min(), 0, None) + rng.normal(0, 0.002, frets) * (t * (1 - t) > 0)
    covariance_mm2 = np.diag(np.full(frets, 0.005**2)) + 0.003**2
    at = int(np.argmax(np.abs(gap_mm - gap_mm[0] - (gap_mm[-1] - gap_mm[0]) * t)))
    crowns = tuple(
        CrownGap(
            fret=int(n),
            position_mm=float(position_mm[i]),
            gap_mm=float(gap_mm[i]),
            u_gap_mm=float(np.sqrt(covariance_mm2[i, i])),
            touching=bool(gap_mm[i] < 0.003),
            x_px=200.0 + 8.6 * float(position_mm[i]),
            y_px=640.0 + 8.6 * float(gap_mm[i]),
        )
        for i, n in enumerate(numbers)
    )
    profile = GapProfile(crowns=crowns, covariance_mm2=covariance_mm2, source="photo", scale_length_mm=648.0)
    relief = Relief(
        relief_mm=float(gap_mm[at] - gap_mm[0] - (gap_mm[-1] - gap_mm[0]) * t[at]),
        U_mm=U_mm,
        k=2.0,
        at_fret=int(numbers[at]),
        chord=(1, frets),
        shape="up-bow" if relief_mm > 0.02 else "back-bow" if relief_mm < -0.02 else "straight",
    )
    if frets > BODY_JOINT_FRET:  # as the program reads it: on the neck, not over the body
        on_neck = compute_relief(profile)
        relief = replace(relief, relief_mm=on_neck.relief_mm, at_fret=on_neck.at_fret, chord=on_neck.chord)
    return Measurement(
        photo=PhotoFacts(
            file=file,
            sha256=hashlib.sha256(f"{relief_mm}{seed}".encode()).hexdigest(),
            width_px=4032,
            height_px=1400,
            taken="2026-05-01T10:00:00",
        ),
        scale=Scale(
            reference="card",
            px_per_mm=8.61,
            u_px_per_mm=0.03,
            check=ScaleCheck(reference="frets", px_per_mm=8.58),
            outline_px=np.array([[100.0, 900.0], [837.0, 900.0], [837.0, 1365.0], [100.0, 1365.0]]),
        ),
        straightedge=Straightedge(points_px=np.array([[100.0, 636.1], [3900.0, 640.9]])),
        profile=profile,
        relief=relief,
        warnings=(Finding(code="low-contrast", message="The crowns at frets 6 and 7 stand out little."),),
        budget=(
            BudgetLine(name="fit of the crowns", u_mm=0.005, kind="A", cure="a light card close behind the neck"),
            BudgetLine(name="straightedge straightness", u_mm=0.004, kind="B", cure="a straightedge of a better grade"),
            BudgetLine(name="scale", u_mm=0.001, kind="B", cure="a larger reference object"),
        ),
        facts={"elevation_rad": 0.004, "psf_sigma_px": 0.92},
    )


PLAN = {
    "schema": "lightgap/plan/1",
    "relief": {"relief_mm": 0.312, "U_mm": 0.014, "k": 2.0, "at_fret": 7, "chord": [1, 15], "shape": "up-bow"},
    "target_mm": [0.10, 0.25],
    "judgement": "above",
    "turn": {"direction": "tighten", "step_turns": 0.125, "visit_cap_turns": 0.75},
    "checklist": [
        "Confirm the reading with the strings at pitch.",
        "Slacken the strings.",
        "Mark the nut, then tighten by an eighth of a turn.",
        "Tune to pitch and measure again.",
    ],
    "stop_when": ["the nut turns stiff", "the relief does not answer", "you hear a crack"],
    "cautions": ["Strings at pitch pull hard: keep your eyes away.", "A rod can break: never force it."],
    "findings": [{"code": "no-turn-log", "message": "This rod's answer is not known yet: an eighth at first."}],
}


def make_document(
    photo: Path, relief_mm: float = 0.312, *, U_mm: float = 0.014, seed: int = 1, frets: int = 15
) -> dict[str, Any]:
    """Return the profile document of a made-up measurement of the file `photo`."""
    measured = make_measurement(relief_mm, U_mm=U_mm, seed=seed, frets=frets, file=photo.name)
    return {
        "schema": "lightgap/profile/1",
        "photos": [
            {
                "file": photo.name,
                "sha256": hashlib.sha256(photo.read_bytes()).hexdigest(),
                "width_px": 4032,
                "height_px": 1400,
                "taken": "2026-05-01T10:00:00",
            }
        ],
        "scale": {
            "reference": "card",
            "px_per_mm": 8.61,
            "u_px_per_mm": 0.03,
            "check": {"reference": "frets", "px_per_mm": 8.58},
        },
        **crowns_document(measured.profile),
        "relief": relief_document(measured.relief),
        "straightedge": {"points_px": [[100.0, 636.1], [3900.0, 640.9]]},
        "warnings": [{"code": w.code, "message": w.message} for w in measured.warnings],
        "budget": [{"name": b.name, "u_mm": b.u_mm, "kind": b.kind, "cure": b.cure} for b in measured.budget],
        "facts": dict(measured.facts),
        "settings": {"scale_length_mm": 648.0, "reference": "card"},
    }


def make_photo(folder: Path, name: str = "neck.jpg", *, seed: int = 1, size_bytes: int = 3000) -> Path:
    """Write a file that stands for a photo: a small grey JPEG, filled up with bytes that differ by seed."""
    path = folder / name
    stream = io.BytesIO()
    Image.new("L", (64, 24), 40 + seed % 200).save(stream, format="JPEG")
    head = stream.getvalue()
    path.write_bytes(head + np.random.default_rng(seed).bytes(max(size_bytes - len(head), 8)))
    return path


def keep(
    book: Book,
    visit: Visit | str | int,
    document: dict[str, Any],
    *photos: Path,
    overlay: bytes | None = None,
    advise: bool = True,
) -> Recorded:
    """Keep a made-up measurement in a visit."""
    overlays = () if overlay is None else (overlay,)
    measured = NewMeasurement(document, photos, overlays=overlays)
    return record_measurement(book, visit, measured=measured, advise=advise)
