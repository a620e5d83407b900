"""How well photos with known truth are measured: errors, refusals and time, per class of photo.

Run by hand: ``python tests/benchmarks/accuracy.py --folder sample_images [--folder ...] [--json PATH]``. Every photo
has a sidecar of the same name (`lightgap/truth/1` or alike) with the crowns' true places and heights. The library is
told only what a user would know and type: scale length, reference object, the straightedge's height and thickness, and
the board radius where the sidecar's `inputs` say so; not the nut's side, not the frets in view.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from lightgap.neck.errors import Refusal
from lightgap.vision.measure import MeasureSettings, measure_photo
from lightgap.vision.types import Measurement

# A crown farther than this along the board from every true one was made up (fret feet are about 2 mm wide).
INVENTED_MM = 2.0
# An accepted relief off by more than the larger of these is wrong.
WRONG_U, WRONG_MM = 1.5, 0.08
HEADER = " measured    bias     rms     max  inside U  gap med  gap max invented misnumb.  wrong   s/photo"


@dataclass(frozen=True, slots=True)
class Outcome:
    """One photo against its truth; errors are measured minus true, in mm."""

    photo: str
    group: str
    seconds: float
    refused: str | None = None
    relief_error_mm: float = 0.0
    U_mm: float = 0.0
    gap_errors_mm: tuple[float, ...] = field(default=(), repr=False)
    invented: int = 0
    misnumbered: int = 0

    @property
    def allowed_mm(self) -> float:
        """How far the relief may be off before it counts as wrong."""
        return max(WRONG_U * self.U_mm, WRONG_MM)


def settings_from_inputs(inputs: dict[str, Any], *, chord: tuple[int, int] | None = None) -> MeasureSettings:
    """Return what a user would type for a photo, from its sidecar's `inputs`."""
    kind, size = inputs["reference"], inputs["reference_size_mm"]
    height = inputs.get("blade_height_mm")
    reference = {
        "card": "card",
        "coin": f"coin:{size}",
        "aruco": f"marker:{size}",
        "marker": f"marker:{size}",
        "none": "straightedge" if height else "frets",
    }[kind]
    return MeasureSettings(
        scale_length_mm=inputs["scale_length_mm"],
        reference=reference,
        straightedge_height_mm=height,
        straightedge_thickness_mm=inputs.get("blade_thickness_mm"),
        board_radius_mm=inputs.get("board_radius_mm"),
        chord=chord,
    )


def group_of(sidecar: dict[str, Any]) -> str:
    """Return framing and situation: strings on, beside the outer string, controlled background or plain."""
    parameters = sidecar["parameters"]
    if parameters.get("strings"):
        situation = "strings"
    elif parameters.get("blade_place") == "outer":
        situation = "outer"
    else:
        situation = "controlled" if parameters.get("background") in ("card", "cloth") else "plain"
    return f"{parameters['framing']} {situation}"


def true_relief_mm(sidecar: dict[str, Any], chord: tuple[int, int]) -> float:
    """Return the true relief over a chord: the largest distance from the line through its ends, below positive."""
    place = {f["fret"]: f["x_mm"] for f in sidecar["truth"]["frets"]}
    gap = {f["fret"]: f["gap_mm"] for f in sidecar["truth"]["frets"]}
    first, last = chord
    inside = [n for n in sorted(gap) if first <= n <= last]
    line = np.interp([place[n] for n in inside], [place[first], place[last]], [gap[first], gap[last]])
    below = np.array([gap[n] for n in inside]) - line
    return float(below[np.argmax(np.abs(below))])


def compare(result: Measurement, sidecar: dict[str, Any]) -> dict[str, Any]:
    """Return relief error, gap errors, invented and misnumbered crowns of one measurement."""
    frets = sidecar["truth"]["frets"]
    columns = np.array([f["u_px"] for f in frets])
    invented = misnumbered = 0
    gaps = []
    for crown in result.profile.crowns:
        distance = np.abs(columns - crown.x_px)
        nearest = frets[int(distance.argmin())]
        if distance.min() > INVENTED_MM * result.scale.px_per_mm:
            invented += 1
        elif nearest["fret"] != crown.fret:
            misnumbered += 1
        else:
            gaps.append(crown.gap_mm - nearest["gap_mm"])
    known = {f["fret"] for f in frets}
    on_truth = set(result.relief.chord) <= known
    truth = true_relief_mm(sidecar, result.relief.chord) if on_truth else sidecar["truth"]["relief_mm"]
    return {
        "relief_error_mm": result.relief.relief_mm - truth,
        "U_mm": result.relief.U_mm,
        "gap_errors_mm": tuple(gaps),
        "invented": invented,
        "misnumbered": misnumbered,
    }


def try_photo(photo: Path, *, chord: tuple[int, int] | None = None) -> Outcome:
    """Measure one photo as a user would, and hold it against its sidecar."""
    sidecar = json.loads(photo.with_suffix(".json").read_text("utf-8"))
    settings = settings_from_inputs(sidecar["inputs"], chord=chord)
    start = time.perf_counter()
    try:
        result = measure_photo(photo, settings)
    except Refusal as refused:
        return Outcome(photo.name, group_of(sidecar), time.perf_counter() - start, refused.code)
    seconds = time.perf_counter() - start
    return Outcome(photo.name, group_of(sidecar), seconds, **compare(result, sidecar))


def summarise(outcomes: Iterable[Outcome]) -> dict[str, Any]:
    """Return the figures of a group of photos."""
    every = list(outcomes)
    done = [o for o in every if o.refused is None]
    figures: dict[str, Any] = {"photos": len(every), "measured": len(done)}
    figures["median_seconds"] = float(np.median([o.seconds for o in every]))
    if not done:
        return figures
    error = np.array([o.relief_error_mm for o in done])
    gaps = np.abs(np.array([g for o in done for g in o.gap_errors_mm]))
    return figures | {
        "relief_bias_mm": float(error.mean()),
        "relief_rms_mm": float(np.sqrt(np.mean(error**2))),
        "relief_max_mm": float(np.abs(error).max()),
        "inside_U": float(np.mean([abs(o.relief_error_mm) <= o.U_mm for o in done])),
        "gap_median_mm": float(np.median(gaps)) if len(gaps) else float("nan"),
        "gap_max_mm": float(gaps.max()) if len(gaps) else float("nan"),
        "invented": sum(o.invented for o in done),
        "misnumbered": sum(o.misnumbered for o in done),
        "wrong_accepted": sum(abs(o.relief_error_mm) > o.allowed_mm for o in done),
    }


def environment() -> dict[str, str]:
    """Return what the figures were made with."""
    libraries = {name: version(name) for name in ("numpy", "scipy", "opencv-python")}
    return {
        "python": platform.python_version(),
        "system": platform.platform(),
        "cores": str(os.cpu_count()),
    } | libraries


def _row(name: str, s: dict[str, Any]) -> str:
    head = f"{name:18s} {s['measured']:3d}/{s['photos']:<3d}"
    if not s["measured"]:
        return f"{head} {'':78s}{s['median_seconds']:6.1f}"
    return (
        f"{head} {s['relief_bias_mm']:+7.3f} {s['relief_rms_mm']:7.3f} {s['relief_max_mm']:7.3f} {s['inside_U']:8.0%} "
        f"{s['gap_median_mm']:8.3f} {s['gap_max_mm']:8.3f} {s['invented']:8d} {s['misnumbered']:8d} "
        f"{s['wrong_accepted']:6d}   {s['median_seconds']:6.1f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", action="append", required=True, type=Path, help="photos with sidecars; repeatable")
    parser.add_argument("--json", type=Path, help="write every outcome and the figures here")
    wanted = parser.parse_args()
    print("\n".join(f"{name}: {value}" for name, value in environment().items()))
    outcomes = []
    for folder in wanted.folder:
        for photo in sorted(p for p in folder.glob("*.jpg") if p.with_suffix(".json").exists()):
            outcomes.append(try_photo(photo))
            o = outcomes[-1]
            print(
                f"{o.photo}: " + (o.refused or f"relief {o.relief_error_mm:+.3f} mm off, U {o.U_mm:.3f} mm"), flush=True
            )
    groups = {g: [o for o in outcomes if o.group == g] for g in sorted({o.group for o in outcomes})}
    figures = {name: summarise(members) for name, members in [*groups.items(), ("all", outcomes)] if members}
    print(f"\n{'class':18s}{HEADER}")
    print("\n".join(_row(name, s) for name, s in figures.items()))
    if wanted.json:
        document = {"environment": environment(), "figures": figures, "photos": [asdict(o) for o in outcomes]}
        wanted.json.write_text(json.dumps(document, indent=1), "utf-8")


if __name__ == "__main__":
    main()
