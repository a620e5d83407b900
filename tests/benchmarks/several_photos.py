"""What more photos of one neck are worth: single photos against two, three, ... put together, on rendered scenes.

    python tests/benchmarks/several_photos.py FOLDER [--scenes 3] [--positions 3] [--framing full] [--workers 2]

The scenes are those of `repeatability.py`: one unchanged neck from several places. Every set of positions of a size is
put together, and its relief over the common chord held against the truth. `shared` is the share of the squared error
that two photos of one neck have in common (mean product of their errors over the mean square), `claimed` the share the
program takes as common. Photos stay in FOLDER; those there are not rendered again.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.accuracy import environment, settings_from_inputs, true_relief_mm
from benchmarks.pool import spread
from benchmarks.repeatability import common_chord, photograph

from lightgap.neck.errors import InputError, Refusal
from lightgap.neck.relief import compute_relief
from lightgap.vision.measure import measure_photo
from lightgap.vision.several import common_share, put_together
from lightgap.vision.types import Measurement


@dataclass(frozen=True, slots=True)
class Result:
    """A relief against its truth, mm; the code of the refusal in place of a number."""

    error_mm: float = 0.0
    U_mm: float = 0.0
    refused: str = ""


def work_on(which: tuple[int, int], *, folder: Path, framing: str) -> Measurement | str:
    """Photograph a scene from a position and measure it, or say why not."""
    photo = photograph(which, folder=folder, framing=framing)
    inputs = json.loads(photo.with_suffix(".json").read_text("utf-8"))["inputs"]
    try:
        return measure_photo(photo, settings_from_inputs(inputs))
    except Refusal as refused:
        return refused.code


def result_of(parts: Sequence[Measurement], *, chord: tuple[int, int], true_mm: float) -> Result:
    """Return what photos give together, against the truth."""
    try:
        if len(parts) == 1:
            relief = compute_relief(parts[0].profile, chord=chord)
        else:
            relief = put_together(parts, [part.photo.file for part in parts], chord=chord).relief
    except (Refusal, InputError) as problem:
        return Result(refused=problem.code if isinstance(problem, Refusal) else "chord")
    return Result(relief.relief_mm - true_mm, relief.U_mm)


def shared_error(errors: Sequence[Sequence[float]]) -> float:
    """Return the share of the squared error that photos of one neck have in common, over necks."""
    products = [a * b for neck in errors for a, b in combinations(neck, 2)]
    squares = [e * e for neck in errors if len(neck) > 1 for e in neck]
    return float(np.mean(products) / np.mean(squares))


def row(size: int, results: Sequence[Result]) -> str:
    """Return a line of the table."""
    good = [r for r in results if not r.refused]
    if not good:
        return f"{size:6d} {0:9d}"
    error, U = np.array([r.error_mm for r in good]), np.array([r.U_mm for r in good])
    why = sorted({r.refused for r in results if r.refused})
    return (
        f"{size:6d} {len(good):5d}/{len(results):<4d} {error.mean():+8.4f} {np.sqrt(np.mean(error**2)):8.4f} "
        f"{np.median(U):8.4f} {np.mean(np.abs(error) <= U):8.0%}   {', '.join(why)}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="photos are kept here, and looked for")
    parser.add_argument("--scenes", type=int, default=3)
    parser.add_argument("--positions", type=int, default=3)
    parser.add_argument("--framing", choices=["full", "half"], default="full")
    parser.add_argument("--workers", type=int, default=1, help="processes of one thread each")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    print("\n".join(f"{name}: {value}" for name, value in environment().items()))
    which = [(s, p) for s in range(options.scenes) for p in range(options.positions)]
    work = partial(work_on, folder=options.folder, framing=options.framing)
    measured = dict(spread(work, which, workers=options.workers))
    by_size: dict[int, list[Result]] = {}
    singles: list[list[float]] = []
    claimed: list[float] = []
    for scene in range(options.scenes):
        found = {p: m for p in range(options.positions) if not isinstance(m := measured[scene, p], str)}
        print(f"scene {scene}: " + ", ".join(m if isinstance(m := measured[scene, p], str) else "measured"
                                             for p in range(options.positions)))  # fmt: skip
        if len(found) < 2:
            continue
        chord = common_chord([m.profile for m in found.values()])
        stem = options.folder / f"{options.framing}-scene-{scene:02d}-position-{min(found):02d}.json"
        true_mm = true_relief_mm(json.loads(stem.read_text("utf-8")), chord)
        for size in range(1, len(found) + 1):
            for chosen in combinations(found.values(), size):
                by_size.setdefault(size, []).append(result_of(chosen, chord=chord, true_mm=true_mm))
        alone = [result_of([m], chord=chord, true_mm=true_mm) for m in found.values()]
        singles.append([r.error_mm for r in alone if not r.refused])
        claimed += [common_share(m) for m in found.values()]
    print(f"\n{'photos':>6s} {'measured':>10s} {'bias':>8s} {'rms':>8s} {'U med':>8s} {'inside U':>8s}   refused")
    for size, results in by_size.items():
        print(row(size, results))
    if any(len(neck) > 1 for neck in singles):
        print(f"shared {shared_error(singles):.2f}, claimed {np.mean(claimed):.2f}")


if __name__ == "__main__":
    main()
