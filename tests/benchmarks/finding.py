"""How well edge and frets are found: the straightedge's lower edge and the numbering against truth, per class of photo.

Run by hand: ``python tests/benchmarks/finding.py --folder sample_images [--folder ...] [--only TEXT] [--all]``. Only
the finding stages run: load, lines, scale, edge, comb, numbering, and the scale check. The library is told what a user
would type (see `accuracy.py`); truth is the straightedge's line and the crowns, projected with the sidecar's camera.

Below the table: how far the scale of reference objects, and the height between the straightedge's followed edges, stand
from the truth, of photos found right.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

try:
    from accuracy import group_of, settings_from_inputs
except ImportError:
    from benchmarks.accuracy import group_of, settings_from_inputs
from numpy.typing import NDArray

from lightgap.neck.errors import Refusal
from lightgap.vision.calibrate import locate_scaled
from lightgap.vision.comb import CombPrior
from lightgap.vision.guesses import ScaleGuess, scale_guesses
from lightgap.vision.height import find_uppers, not_parallel_mm
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.numbered import Located
from lightgap.vision.odds import Numbering, check_numbering
from lightgap.vision.photo import Photo, load_photo
from lightgap.vision.pipeline import DEFAULT_THICKNESS_MM
from lightgap.vision.reference import parse_reference
from lightgap.vision.side_dots import log_odds
from lightgap.vision.survey import survey

Array = NDArray[np.float64]

# An edge's rounding or chamfer, up to 0.2 mm, may count as blade or as gap: farther off, another line was followed.
EDGE_MEDIAN_MM, EDGE_WORST_MM = 0.2, 0.45
# The glow by which frets are found stands up to a foot's width (2 mm) to the side the light comes from, alike for all;
# frets farther than half a foot from the common offset were not followed.
COLUMN_MEDIAN_MM, COLUMN_WORST_MM = 2.0, 1.2


@dataclass(frozen=True, slots=True)
class Found:
    """One photo's finding stage against its truth.

    Attributes
    ----------
    state
        "right", "edge" or "frets" when accepted with that one wrong, or the code of the refusal.
    edge_mm
        (median, 95th percentile) of the edge's distance from the true one, with the median's sign (down positive).
    column_mm
        (median, worst less median) distance along the board between comb and true crowns.
    reference, off_scale
        Kind of the object that told the scale, and by how much it is off, relative to the truth.
    off_height_mm
        By how much the straightedge's height, read between its followed edges, is off.
    not_parallel_mm
        By how much that height changes along them.
    """

    photo: str
    group: str
    seconds: float
    state: str
    edge_mm: tuple[float, float] = (np.nan, np.nan)
    column_mm: tuple[float, float] = (np.nan, np.nan)
    scores: tuple[float, float] = (np.nan, np.nan)
    reference: str = ""
    off_scale: float = np.nan
    off_height_mm: float = np.nan
    not_parallel_mm: float = np.nan


def project(camera: dict[str, Any], x_mm: Array, y_mm: Array, z_mm: Array) -> tuple[Array, Array]:
    """Return the pixel columns and rows at which points of the board's frame are seen by a sidecar's camera."""
    points = np.stack([camera["world_x_sign"] * x_mm, y_mm, z_mm], axis=-1) - np.array(camera["centre_mm"])
    depth = points @ np.array(camera["forward"])
    across, up = points @ np.array(camera["right"]) / depth, points @ np.array(camera["up"]) / depth
    stretch = camera["focal_px"] * (1 + camera["k1"] * (across**2 + up**2))
    return camera["cx"] + stretch * across, camera["cy"] - stretch * up


def true_edge_px(sidecar: dict[str, Any], columns: Array) -> Array:
    """Return the rows of the straightedge's visible lower edge: of its near and far edge, the lower in the picture."""
    line = sidecar["truth"]["blade_line_mm"]
    x = np.linspace(line["x_left"], line["x_right"], 400)
    middle_z = line.get("z0", 0.0) + line.get("z_slope", 0.0) * x
    lean, half = line.get("lean_rad", 0.0), sidecar["inputs"]["blade_thickness_mm"] / 2
    rows = []
    for z in (half, -half):
        y = line["intercept"] + line["slope"] * x - z * np.sin(lean)
        u, v = project(sidecar["camera"], x, y, middle_z + z * np.cos(lean))
        order = np.argsort(u)
        rows.append(np.interp(columns, u[order], v[order]))
    return np.maximum(*rows)


def hold_edge(edge: EdgeCurve, sidecar: dict[str, Any]) -> tuple[float, float]:
    """Return (median, 95th percentile of the distance) of the edge from the true one between the outer true frets."""
    truth = sidecar["truth"]
    frets = [f["u_px"] for f in truth["frets"]]
    columns = np.linspace(min(frets), max(frets), 200)
    miss = (edge.y_px(columns) - true_edge_px(sidecar, columns)) / truth["px_per_mm_at_middle"]
    return float(np.median(miss)), float(np.quantile(np.abs(miss), 0.95))


def hold_columns(found: Located, sidecar: dict[str, Any]) -> tuple[float, float]:
    """Return the median distance (mm) of the comb's teeth from the true frets, and the worst from that."""
    truth = sidecar["truth"]
    column = np.array([f["u_px"] for f in truth["frets"]])
    number = np.array([float(f["fret"]) for f in truth["frets"]])
    scale_length = found.comb.scale_length_mm
    miss = (found.comb.x_px(scale_length * (1 - 2 ** (-number / 12))) - column) / truth["px_per_mm_at_middle"]
    return float(np.median(miss)), float(np.abs(miss - np.median(miss)).max())


def true_px_per_mm(sidecar: dict[str, Any], column_px: float, z_mm: float) -> float:
    """Return the true scale along the board at a column, in the plane `z_mm` before the straightedge's middle."""
    line = sidecar["truth"]["blade_line_mm"]
    x = np.linspace(line["x_left"] - 60, line["x_right"] + 60, 1001)
    forward = line.get("z0", 0.0) + line.get("z_slope", 0.0) * x + z_mm
    columns, _ = project(sidecar["camera"], x, line["intercept"] + line["slope"] * x, forward)
    order = np.argsort(columns)
    return float(np.interp(column_px, columns[order], np.abs(np.gradient(columns, x))[order]))


def hold_scale(guess: ScaleGuess, sidecar: dict[str, Any]) -> tuple[str, float]:
    """Return the kind of object that told the scale, and its relative error; "" when none did."""
    if guess.source is None:
        return "", np.nan
    true = true_px_per_mm(sidecar, guess.source.centre_px[0], sidecar["reference_front_face_z_mm"])
    return guess.source.kind, guess.source.px_per_mm / true - 1


def hold_height(picture: Photo, found: Located, guess: ScaleGuess, sidecar: dict[str, Any]) -> tuple[float, float]:
    """Return how far the height between the followed edges is off, and by how much it changes along them, in mm.

    Of several upper edges, the nearest and the most nearly parallel.
    """
    inputs, middle = sidecar["inputs"], (picture.facts.width_px - 1) / 2
    if guess.source is None or guess.height_unseen or not inputs.get("blade_height_mm"):
        return np.nan, np.nan
    comb = found.comb
    prior = CombPrior(comb.px_per_mm, comb.scale_length_mm, comb.focal_px)
    uppers = find_uppers(picture.luminance, list(guess.lines), found.edge, prior)
    face = true_px_per_mm(sidecar, middle, inputs["blade_thickness_mm"] / 2)
    off = min((rise / face - inputs["blade_height_mm"] for rise in uppers.rises_px), key=abs, default=np.nan)
    slide = min((not_parallel_mm(found.edge, border, comb) for border in uppers.borders), default=np.nan)
    return float(off), float(slide)


def try_finding(photo: Path) -> Found:
    """Run the finding stages on one photo and hold them against its sidecar."""
    sidecar = json.loads(photo.with_suffix(".json").read_text("utf-8"))
    settings = settings_from_inputs(sidecar["inputs"])
    height = settings.straightedge_height_mm
    start = time.perf_counter()
    try:
        picture = load_photo(photo)
        guesses = scale_guesses(survey(picture, parse_reference(settings.reference)), height_mm=height)
        numbering = Numbering(settings.scale_length_mm, None, None)
        found, guess = locate_scaled(
            picture,
            guesses,
            numbering,
            height_mm=height,
            thickness_mm=settings.straightedge_thickness_mm or DEFAULT_THICKNESS_MM,
        )
        refused = ""
        try:
            check_numbering(found, numbering)
        except Refusal as problem:
            refused = problem.code
    except Refusal as problem:
        return Found(photo.name, group_of(sidecar), time.perf_counter() - start, problem.code)
    seconds = time.perf_counter() - start
    edge, column = hold_edge(found.edge, sidecar), hold_columns(found, sidecar)
    wrong = ""
    if abs(edge[0]) > EDGE_MEDIAN_MM or edge[1] > EDGE_WORST_MM:
        wrong = "edge"
    elif abs(column[0]) > COLUMN_MEDIAN_MM or column[1] > COLUMN_WORST_MM:
        wrong = "frets"
    state = refused or wrong or "right"
    scores = (found.evidence + log_odds(found.dots), found.rival_evidence)
    kind, off = hold_scale(guess, sidecar)
    height = hold_height(picture, found, guess, sidecar)
    return Found(photo.name, group_of(sidecar), seconds, state, edge, column, scores, kind, off, *height)


def table(results: list[Found]) -> Iterable[str]:
    """Yield a line for each class: how many were right, wrong and refused."""
    yield f"{'class':18s}  right  refused  wrong edge  wrong frets  s/photo"
    for group in [*sorted({r.group for r in results}), None]:
        mine = [r for r in results if group in (None, r.group)]
        count = {s: sum(r.state == s for r in mine) for s in ("right", "edge", "frets")}
        refused = len(mine) - sum(count.values())
        seconds = float(np.median([r.seconds for r in mine]))
        yield (
            f"{group or 'all':18s} {count['right']:3d}/{len(mine):<3d} {refused:6d} {count['edge']:10d} "
            f"{count['frets']:12d} {seconds:9.2f}"
        )


def scales(results: list[Found]) -> Iterable[str]:
    """Yield a line for each kind of object, and one for the height, of photos found right."""
    right = [r for r in results if r.state == "right"]
    for kind in sorted({r.reference for r in right} - {""}):
        off = 100 * np.array([r.off_scale for r in right if r.reference == kind])
        largest = np.abs(off).max()
        yield f"{kind:8s} {len(off):3d}  mean {off.mean():+.2f} %  rms {rms(off):.2f} %  largest {largest:.2f} %"
    heights = np.array([r.off_height_mm for r in right if np.isfinite(r.off_height_mm)])
    if len(heights):
        yield (
            f"height   {len(heights):3d}  mean {heights.mean():+.3f} mm  rms {rms(heights):.3f} mm  "
            f"largest {np.abs(heights).max():.3f} mm"
        )
    slides = np.array([r.not_parallel_mm for r in right if np.isfinite(r.not_parallel_mm)])
    if len(slides):
        median, most, largest = np.quantile(slides, [0.5, 0.95, 1.0])
        yield f"parallel {len(slides):3d}  median {median:.2f} mm  95 % {most:.2f} mm  largest {largest:.2f} mm"


def rms(values: Array) -> float:
    """Return the root of the mean square."""
    return float(np.sqrt(np.mean(values**2)))


def main() -> None:
    """Try the photos of the given folders, print what failed, and a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, action="append", required=True)
    parser.add_argument("--only", action="append", default=[], help="part of the file names to try")
    parser.add_argument("--all", action="store_true", help="also print the photos found right")
    chosen = parser.parse_args()
    photos = [p for folder in chosen.folder for p in sorted(folder.glob("*.jpg")) if p.with_suffix(".json").exists()]
    photos = [p for p in photos if json.loads(p.with_suffix(".json").read_text("utf-8"))["truth"]["frets"]]
    results = []
    for photo in photos:
        if chosen.only and not any(text in photo.name for text in chosen.only):
            continue
        result = try_finding(photo)
        results.append(result)
        if chosen.all or result.state != "right":
            print(
                f"{photo.stem:34s} {result.group:16s} {result.state:28s} edge {result.edge_mm[0]:+6.2f} "
                f"{result.edge_mm[1]:5.2f}  columns {result.column_mm[0]:6.2f} {result.column_mm[1]:6.2f}  "
                f"evidence {result.scores[0]:5.1f} {result.scores[1]:5.1f}  {result.seconds:.1f} s",
                flush=True,
            )
    print("\n".join([*table(results), *scales(results)]))


if __name__ == "__main__":
    main()
