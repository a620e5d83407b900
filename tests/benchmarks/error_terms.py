"""Where the error of the gaps comes from: the straightedge's edge, the crowns, the feet of the frets, or joining them.

Feet are those moved by their ends, where these were read.

    python tests/benchmarks/error_terms.py --folder FOLDER [--folder ...] [--workers N]

Each reading is held against the sidecar's truth. What is common to all frets and what tilts drops out of the relief and
is taken out here. Of the rest the bow (the factor of t^2, t being -1 and 1 at the outermost frets) is told apart from
what is left fret by fret, both in mm. The edge's bow enters the gaps with the opposite sign.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.accuracy import environment, photos_in, settings_from_inputs
from benchmarks.pool import spread

from lightgap.neck.errors import Refusal
from lightgap.vision import pipeline
from lightgap.vision.fall import fall_mm
from lightgap.vision.feet import Feet
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.measure import measure_photo
from lightgap.vision.readings import CrownSet

Floats = NDArray[np.float64]
TERMS = ("edge", "crowns", "feet", "joined")
FEWEST = 4


@dataclass(frozen=True, slots=True)
class Split:
    """An error of n frets in parts: its bow, and the rms of what is left fret by fret, mm."""

    bow_mm: float
    local_mm: float


@dataclass(frozen=True, slots=True)
class Terms:
    """The errors of one measured photo, by term; those of a reading that is not there are missing."""

    photo: str
    place: str
    split: dict[str, Split]


def split(t: Floats, error_mm: Floats) -> Split | None:
    """Return the parts of an error at places t (n,); None where fewer than four frets have one."""
    seen = np.isfinite(error_mm)
    if seen.sum() < FEWEST:
        return None
    fit = np.polyfit(t[seen], error_mm[seen], 2)
    left = error_mm[seen] - np.polyval(fit, t[seen])
    return Split(float(fit[0]), float(np.sqrt(np.mean(left**2))))


@contextmanager
def overheard() -> Iterator[dict[str, Any]]:
    """Keep what the pipeline weighs: crowns and feet as they were read, and the straightened edge."""
    heard: dict[str, Any] = {}
    weigh = pipeline.weigh

    def listening(crowns: CrownSet, feet: Feet | None, **known: Any) -> Any:
        heard.update(known, crowns=crowns, feet=feet)
        return weigh(crowns, feet, **known)

    pipeline.weigh = listening
    try:
        yield heard
    finally:
        pipeline.weigh = weigh


def terms_of(photo: Path) -> Terms | None:
    """Return the errors of a photo with truth beside it; None when it is refused."""
    sidecar = json.loads(photo.with_suffix(".json").read_text("utf-8"))
    with overheard() as heard:
        try:
            result = measure_photo(photo, settings_from_inputs(sidecar["inputs"]))
        except Refusal:
            return None
    crowns: CrownSet = heard["crowns"]
    feet: Feet | None = heard["feet"]
    edge: EdgeCurve = heard["edge"]
    position: Floats = heard["position_mm"]
    numbers = [int(n) for n in heard["frets"]]
    gap = {f["fret"]: f["gap_mm"] for f in sidecar["truth"]["frets"]}
    true = np.array([gap.get(n, np.nan) for n in numbers])
    t = 2 * (position - position.min()) / np.ptp(position) - 1
    camera = crowns.camera
    seen = np.array(sidecar["truth"]["blade_edge_px_z0"])
    seen = seen[np.argsort(seen[:, 0])]
    x = camera.comb.x_px(position)
    row = np.where((x > seen[0, 0]) & (x < seen[-1, 0]), np.interp(x, seen[:, 0], seen[:, 1]), np.nan)
    by_crown = {c.fret: c.gap_mm for c in crowns.crowns}
    by_all = {c.fret: c.gap_mm for c in result.profile.crowns if not c.extrapolated}
    error = {
        "edge": (edge.y_px(x) - row) / camera.px_per_mm(x),
        "crowns": np.array([by_crown.get(n, np.nan) for n in numbers]) - true,
        "joined": np.array([by_all.get(n, np.nan) for n in numbers]) - true,
    }
    if feet is not None and feet.is_sure:
        error["feet"] = feet.below_mm - fall_mm(crowns, position) - true
    place = "outer" if camera.beside_outer else "middle"
    parts = {term: split(t, values) for term, values in error.items()}
    return Terms(photo.name, place, {term: part for term, part in parts.items() if part is not None})


def table(found: list[Terms]) -> str:
    """Return bow and local error by place and term: median, 90 % and rms, mm."""
    lines = [f"{'place':8s}{'term':8s}{'photos':>7s}   bow: median    90 %     rms   local: median    90 %"]
    for place in ("middle", "outer"):
        for term in TERMS:
            mine = [f.split[term] for f in found if f.place == place and term in f.split]
            if not mine:
                continue
            bow, local = np.abs([s.bow_mm for s in mine]), np.array([s.local_mm for s in mine])
            lines.append(
                f"{place:8s}{term:8s}{len(mine):7d}{np.median(bow):14.4f}{np.quantile(bow, 0.9):8.4f}"
                f"{np.sqrt(np.mean(bow**2)):8.4f}{np.median(local):16.4f}{np.quantile(local, 0.9):8.4f}"
            )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", action="append", required=True, type=Path, help="photos with sidecars; repeatable")
    parser.add_argument("--workers", type=int, default=1, help="processes of one thread each")
    wanted = parser.parse_args()
    print("\n".join(f"{name}: {value}" for name, value in environment().items()))
    found = [terms for _, terms in spread(terms_of, photos_in(wanted.folder), workers=wanted.workers) if terms]
    print(f"\n{table(found)}")


if __name__ == "__main__":
    main()
