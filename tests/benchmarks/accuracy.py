"""How well photos with known truth are measured: errors, refusals and time, per class of photo.

    python tests/benchmarks/accuracy.py --folder sample_images [--folder ...] [--json PATH] [--workers N] [--whole]

Every photo has a sidecar of the same name (`lightgap/truth/1` or alike) with the crowns' true places and heights. The
library is told only what a user would know and type: scale length, reference object, the straightedge's height and
thickness, and the board radius where the sidecar's `inputs` say so; not the nut's side, not the frets in view. With
`--whole` the relief is asked for over all frets under the straightedge (`--chord`), readable or not, past the body's
joint too; without, over the usual chord of what was read.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.pool import spread

from lightgap.neck.errors import Refusal
from lightgap.vision.measure import MeasureSettings, measure_photo
from lightgap.vision.types import Measurement
from lightgap.vision.wanted import check_wanted_U

# A crown farther than this along the board from every true one was made up (fret feet are about 2 mm wide).
INVENTED_MM = 2.0
# An accepted relief off by more than the larger of these is wrong.
WRONG_U, WRONG_MM = 1.5, 0.04
COVERAGE_FACTOR = 2.0
U_CONTACT_MM = 0.004  # of a crown that is taken to touch, at least: less is no light to see
NORMAL_MEDIAN = 0.6745  # of the size of a standard normal number
# What is aimed at: 95 of 100 relief errors within this, mm.
SITUATIONS = ("controlled", "plain", "strings", "outer lowered")
AIMS_MM = {
    "full": (0.015, 0.030, 0.050, 0.012),
    "half": (0.010, 0.015, 0.030, 0.008),
    "macro": (0.006, 0.008, 0.015, 0.005),
}
ALLOWANCE_MM = {
    f"{framing} {s}": aim for framing, aims in AIMS_MM.items() for s, aim in zip(SITUATIONS, aims, strict=True)
}
LOWERED_DEG = (-1.0, 2.2)  # how far off the board's slope a camera may be that was lowered to it
HEADER = " measured    bias     rms     max  inside U  gap med  gap max  gap in U invented misnumb.  wrong   s/photo"
SPREAD_HEADER = " yield    bias     p95  allowed  inside U   u med  error/u rms  robust"


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
    gap_U_mm: tuple[float, ...] = field(default=(), repr=False)

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
    """Return framing and situation: beside the outer string, strings on, controlled background or plain."""
    parameters = sidecar["parameters"]
    if parameters.get("blade_place") == "outer":
        lean_rad = sidecar["truth"].get("blade_line_mm", {}).get("lean_rad", 0.0)
        off_deg = parameters["elevation_deg"] + float(np.degrees(lean_rad))
        situation = "outer lowered" if LOWERED_DEG[0] <= off_deg <= LOWERED_DEG[1] else "outer level"
    elif parameters.get("strings"):
        situation = "strings"
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
    gaps, gap_U = [], []
    for crown in result.profile.crowns:
        if crown.x_px is None:  # carried on from the others, not seen
            continue
        distance = np.abs(columns - crown.x_px)
        nearest = frets[int(distance.argmin())]
        if distance.min() > INVENTED_MM * result.scale.px_per_mm:
            invented += 1
        elif nearest["fret"] != crown.fret:
            misnumbered += 1
        else:
            gaps.append(crown.gap_mm - nearest["gap_mm"])
            gap_U.append(max(COVERAGE_FACTOR * crown.u_gap_mm, U_CONTACT_MM))
    known = {f["fret"] for f in frets}
    on_truth = set(result.relief.chord) <= known
    truth = true_relief_mm(sidecar, result.relief.chord) if on_truth else sidecar["truth"]["relief_mm"]
    return {
        "relief_error_mm": result.relief.relief_mm - truth,
        "U_mm": result.relief.U_mm,
        "gap_errors_mm": tuple(gaps),
        "gap_U_mm": tuple(gap_U),
        "invented": invented,
        "misnumbered": misnumbered,
    }


def try_photo(photo: Path, *, chord: tuple[int, int] | None = None, whole: bool = False) -> Outcome:
    """Measure one photo as a user would, and hold it against its sidecar; `whole` asks for all frets it shows."""
    sidecar = json.loads(photo.with_suffix(".json").read_text("utf-8"))
    if whole and chord is not None:
        raise ValueError("a chord, or the whole of it")
    if whole:
        first, last = sidecar["truth"]["relief_span_frets"]
        chord = first, last
    settings = settings_from_inputs(sidecar["inputs"], chord=chord)
    start = time.perf_counter()
    try:
        result = check_wanted_U(measure_photo(photo, settings), None)
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
    gap_U = np.array([U for o in done for U in o.gap_U_mm])
    return (
        figures
        | {
            "relief_bias_mm": float(error.mean()),
            "relief_rms_mm": float(np.sqrt(np.mean(error**2))),
            "relief_max_mm": float(np.abs(error).max()),
            "relief_p95_mm": float(np.quantile(np.abs(error), 0.95)),
            "inside_U": float(np.mean([abs(o.relief_error_mm) <= o.U_mm for o in done])),
            "gap_median_mm": float(np.median(gaps)) if len(gaps) else float("nan"),
            "gap_max_mm": float(gaps.max()) if len(gaps) else float("nan"),
            "gap_inside_U": float(np.mean(gaps <= gap_U)) if len(gap_U) else float("nan"),
            "invented": sum(o.invented for o in done),
            "misnumbered": sum(o.misnumbered for o in done),
            "wrong_accepted": sum(abs(o.relief_error_mm) > o.allowed_mm for o in done),
        }
        | error_over_u(done)
    )


def error_over_u(done: list[Outcome]) -> dict[str, float]:
    """Return how errors spread in standard uncertainties, 1 when these are right: rms, and 1.48 times the median."""
    u = np.array([o.U_mm for o in done]) / COVERAGE_FACTOR
    ratio = np.abs([o.relief_error_mm for o in done]) / np.maximum(u, 1e-9)
    return {
        "u_median_mm": float(np.median(u)),
        "error_over_u_rms": float(np.sqrt(np.mean(ratio**2))),
        "error_over_u_robust": float(np.median(ratio) / NORMAL_MEDIAN),
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
        return f"{head} {'':88s}{s['median_seconds']:6.1f}"
    return (
        f"{head} {s['relief_bias_mm']:+7.3f} {s['relief_rms_mm']:7.3f} {s['relief_max_mm']:7.3f} {s['inside_U']:8.0%} "
        f"{s['gap_median_mm']:8.3f} {s['gap_max_mm']:8.3f} {s['gap_inside_U']:9.0%} "
        f"{s['invented']:8d} {s['misnumbered']:8d} "
        f"{s['wrong_accepted']:6d}   {s['median_seconds']:6.1f}"
    )


def _spread_row(name: str, s: dict[str, Any]) -> str:
    head = f"{name:18s} {s['measured'] / s['photos']:5.0%}"
    if not s["measured"]:
        return head
    aim = ALLOWANCE_MM.get(name)
    aimed = "" if aim is None else f"{aim:.3f} {'yes' if s['relief_p95_mm'] <= aim else 'NO'}"
    return (
        f"{head} {s['relief_bias_mm']:+7.3f} {s['relief_p95_mm']:7.3f} {aimed:>9s} {s['inside_U']:8.0%} "
        f"{s['u_median_mm']:8.3f} {s['error_over_u_rms']:11.2f} {s['error_over_u_robust']:8.2f}"
    )


def photos_in(folders: Iterable[Path]) -> list[Path]:
    """Return the photos of the folders that have a sidecar."""
    return [p for folder in folders for p in sorted(folder.glob("*.jpg")) if p.with_suffix(".json").exists()]


def by_group(outcomes: list[Outcome]) -> dict[str, list[Outcome]]:
    """Return the outcomes of each class, and all of them."""
    groups = {g: [o for o in outcomes if o.group == g] for g in sorted({o.group for o in outcomes})}
    return groups | {"all": outcomes}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", action="append", required=True, type=Path, help="photos with sidecars; repeatable")
    parser.add_argument("--json", type=Path, help="write every outcome and the figures here")
    parser.add_argument("--workers", type=int, default=1, help="processes of one thread each")
    parser.add_argument("--whole", action="store_true", help="ask for the chord over all frets under the straightedge")
    wanted = parser.parse_args()
    print("\n".join(f"{name}: {value}" for name, value in environment().items()))
    outcomes = []
    for _, o in spread(partial(try_photo, whole=wanted.whole), photos_in(wanted.folder), workers=wanted.workers):
        outcomes.append(o)
        print(f"{o.photo}: " + (o.refused or f"relief {o.relief_error_mm:+.3f} mm off, U {o.U_mm:.3f} mm"), flush=True)
    outcomes.sort(key=lambda o: o.photo)
    figures = {name: summarise(members) for name, members in by_group(outcomes).items() if members}
    print(f"\n{'class':18s}{HEADER}")
    print("\n".join(_row(name, s) for name, s in figures.items()))
    print(f"\nrelief, mm; error/u is 1 when the uncertainties are right\n{'class':18s}{SPREAD_HEADER}")
    print("\n".join(_spread_row(name, s) for name, s in figures.items()))
    if wanted.json:
        document = {"environment": environment(), "figures": figures, "photos": [asdict(o) for o in outcomes]}
        wanted.json.write_text(json.dumps(document, indent=1), "utf-8")


if __name__ == "__main__":
    main()
