"""The ordinary computer-vision way on the same photos, beside ours: relief errors per class, and their ratio.

    python tests/benchmarks/stock_way.py --folder sample_images [--folder ...] [--json PATH] [--workers N]

The ordinary way: Canny edges of the coded grey values, probabilistic Hough lines, the longest is the straightedge; in
each fret's column the gap lies between the two half-height crossings of the coded values. It is helped: the true scale
and the true columns of the frets are handed over to it always, and whether the gap is light or dark is looked up
between the frets. Three variants help with the line as well: `longest` none, `best line` the found line that lies
nearest the true edge, `true edge` the true row to a whole pixel. Relief is taken over the chord that our own
measurement used, or over the whole span where ours refused. Both are judged by the truth in the sidecars; the ratio is
over photos that ours measured.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.accuracy import environment, group_of, photos_in, settings_from_inputs, true_relief_mm
from benchmarks.pool import spread

from lightgap.neck.errors import Refusal
from lightgap.vision.measure import measure_photo

Grey = NDArray[np.uint8]
Floats = NDArray[np.float64]
VARIANTS = ("longest", "best line", "true edge")
# Usual choices: Gaussian before Canny, thresholds about the median, half degrees, lines over a fifth of the picture.
BLUR_PX, LOW, HIGH = 1.4, 0.66, 1.33
ABOVE_MM, GAP_MM, BELOW_MM = 0.8, 1.3, 2.2
ON_EDGE_MM = 0.5  # a line nearer than this to the true edge, end to end, is the straightedge's


@dataclass(frozen=True, slots=True)
class Compared:
    """Relief errors of one photo, mm; None where a way gave no number."""

    photo: str
    group: str
    ours_mm: float | None
    longest_mm: float | None
    best_line_mm: float | None
    true_edge_mm: float | None
    longest_is_the_edge: bool

    def stock_mm(self, variant: str) -> float | None:
        """Return the error of a variant of the ordinary way."""
        return {"longest": self.longest_mm, "best line": self.best_line_mm, "true edge": self.true_edge_mm}[variant]


def hough_lines(grey: Grey) -> Floats:
    """Return (n, 4) line segments x1, y1, x2, y2, the longest first."""
    calm = cv2.GaussianBlur(grey, (0, 0), BLUR_PX)
    middle = float(np.median(calm))
    edges = cv2.Canny(calm, LOW * middle, min(HIGH * middle, 254.0))
    width = grey.shape[1]
    lines = cv2.HoughLinesP(
        edges, 1.0, np.pi / 360.0, threshold=width // 20, minLineLength=width / 5.0, maxLineGap=width / 100.0
    )
    if lines is None:
        return np.zeros((0, 4))
    found = np.asarray(lines, dtype=np.float64).reshape(-1, 4)
    return found[np.argsort(-np.hypot(found[:, 2] - found[:, 0], found[:, 3] - found[:, 1]))]


def rows_of(line: Floats, columns: Floats) -> Floats:
    """Return the rows of a line at columns; a line upright in the picture has none."""
    x1, y1, x2, y2 = line
    if abs(x2 - x1) < 1.0:
        return np.full(len(columns), np.nan)
    return np.asarray(y1 + (y2 - y1) * (columns - x1) / (x2 - x1))


def half_height_gap_px(profile: Floats, *, edge_row: float, px_per_mm: float, light: bool) -> float:
    """Return the width of the gap in one column between half-height crossings, 0 where none stands out.

    Parameters
    ----------
    profile
        Coded values down a column.
    edge_row
        Where the straightedge's lower edge is thought to be.
    light
        Whether the gap is lighter than the straightedge.
    """
    top = max(round(edge_row - ABOVE_MM * px_per_mm), 0)
    column = profile[top : round(edge_row + BELOW_MM * px_per_mm)] * (1.0 if light else -1.0)
    first = max(round(edge_row - 2.0) - top, 1)
    searched = column[first : round(edge_row + GAP_MM * px_per_mm) - top]
    if len(searched) < 3:
        return 0.0
    face = float(np.median(column[:first]))
    peak = first + int(np.argmax(searched))
    gap, crown = float(column[peak]), float(column[peak:].min())
    if gap <= face or gap <= crown:
        return 0.0
    upper = crossing(column[: peak + 1][::-1], 0.5 * (face + gap))
    lower = crossing(column[peak:], 0.5 * (gap + crown))
    return 0.0 if upper is None or lower is None else upper + lower


def gap_is_light(grey: Grey, rows: Floats, columns: Floats, px_per_mm: float) -> bool:
    """Return whether the gap beside the frets is lighter than the straightedge."""
    between = 0.5 * (columns[1:] + columns[:-1])
    at = np.interp(between, columns, rows)
    levels = []
    for mm in (-0.5, 0.3):
        y = np.clip(np.round(at + mm * px_per_mm), 0, grey.shape[0] - 1).astype(int)
        levels.append(float(np.median(grey[y, np.round(between).astype(int)])))
    return levels[1] > levels[0]


def crossing(values: Floats, level: float) -> float | None:
    """Return how far along `values` they first reach `level`, between samples; None if they never do."""
    side = values[0] > level
    past = np.flatnonzero((values > level) != side)
    if len(past) == 0:
        return None
    i = int(past[0])
    return float(i - 1 + (values[i - 1] - level) / (values[i - 1] - values[i])) if i else 0.0


def gaps_mm(grey: Grey, rows: Floats, sidecar: dict[str, Any]) -> dict[int, float]:
    """Return the gap at each true fret column, three columns averaged; crowns the line misses are left out."""
    px_per_mm = float(sidecar["truth"]["px_per_mm_at_middle"])
    frets = sidecar["truth"]["frets"]
    gaps: dict[int, float] = {}
    if not np.isfinite(rows).all() or len(frets) < 2:
        return gaps
    columns = np.array([f["u_px"] for f in frets])
    order = np.argsort(columns)
    light = gap_is_light(grey, rows[order], columns[order], px_per_mm)
    for fret, column, row in zip(frets, np.round(columns).astype(int), rows, strict=True):
        if not (1 <= column < grey.shape[1] - 1 and 2 <= row < grey.shape[0] - 3):
            continue
        profile = grey[:, column - 1 : column + 2].mean(axis=1)
        gap_px = half_height_gap_px(profile, edge_row=float(row), px_per_mm=px_per_mm, light=light)
        gaps[fret["fret"]] = gap_px / px_per_mm
    return gaps


def relief_error_mm(gaps: dict[int, float], sidecar: dict[str, Any], chord: tuple[int, int]) -> float | None:
    """Return the relief of the gaps over a chord minus the true one; None when an end of the chord is missing."""
    if not set(chord) <= set(gaps):
        return None
    frets = [{"fret": f["fret"], "x_mm": f["x_mm"], "gap_mm": gaps[f["fret"]]}
             for f in sidecar["truth"]["frets"] if f["fret"] in gaps]  # fmt: skip
    return true_relief_mm({"truth": {"frets": frets}}, chord) - true_relief_mm(sidecar, chord)


def try_both(photo: Path) -> Compared:
    """Measure a photo our way and the ordinary way."""
    sidecar = json.loads(photo.with_suffix(".json").read_text("utf-8"))
    truth = sidecar["truth"]
    chord, ours = tuple(truth["relief_span_frets"]), None
    try:
        result = measure_photo(photo, settings_from_inputs(sidecar["inputs"]))
        if set(result.relief.chord) <= {f["fret"] for f in truth["frets"]}:
            chord = result.relief.chord
            ours = result.relief.relief_mm - true_relief_mm(sidecar, chord)
    except Refusal:
        pass
    grey = cv2.imread(str(photo), cv2.IMREAD_GRAYSCALE)
    columns = np.array([f["u_px"] for f in truth["frets"]])
    edge_px = np.array(truth["blade_edge_px_z0"])
    true_rows = np.interp(columns, *edge_px[np.argsort(edge_px[:, 0])].T)
    rows = {"true edge": np.round(true_rows)}
    lines = hough_lines(grey)
    nearest = False
    if len(lines):
        all_rows = [rows_of(line, columns) for line in lines]
        off = np.array([np.nanmax(np.abs(r - true_rows)) if np.isfinite(r).all() else np.inf for r in all_rows])
        rows |= {"longest": all_rows[0], "best line": all_rows[int(off.argmin())]}
        nearest = bool(off[0] < ON_EDGE_MM * truth["px_per_mm_at_middle"])
    errors = {name: relief_error_mm(gaps_mm(grey, r, sidecar), sidecar, chord) for name, r in rows.items()}
    stock = [errors.get(name) for name in VARIANTS]
    return Compared(photo.name, group_of(sidecar), ours, *stock, longest_is_the_edge=nearest)


def figures_of(compared: Iterable[Compared]) -> dict[str, Any]:
    """Return median and p95 of the relief errors, mm, ours and the ordinary way's, and their ratios."""
    rows = list(compared)
    both = [r for r in rows if r.ours_mm is not None]
    figures: dict[str, Any] = {"photos": len(rows), "measured": len(both)}
    figures["longest_is_the_edge"] = sum(r.longest_is_the_edge for r in rows)
    ours = quantiles([r.ours_mm for r in both])
    figures["ours_mm"] = ours
    for variant in VARIANTS:
        stock = quantiles([r.stock_mm(variant) for r in both])
        figures[variant] = {
            "mm": stock,
            "everywhere_mm": quantiles([r.stock_mm(variant) for r in rows]),
            "numbers": sum(r.stock_mm(variant) is not None for r in rows),
            "ratio": tuple(s / o if o else float("nan") for s, o in zip(stock, ours, strict=True)),
        }
    return figures


def quantiles(errors: Iterable[float | None]) -> tuple[float, float]:
    """Return median and 95th percentile of the sizes, NaN for none."""
    sizes = [abs(e) for e in errors if e is not None]
    return (float(np.median(sizes)), float(np.quantile(sizes, 0.95))) if sizes else (float("nan"), float("nan"))


def table(groups: dict[str, dict[str, Any]]) -> str:
    """Return the figures as text."""
    lines = [
        f"{'class':22s}{'measured':>9s}  {'ours med   p95':>16s}"
        + "".join(f"  {v:>12s} med   p95 ratio" for v in VARIANTS)
    ]
    for name, f in groups.items():
        cells = "".join(f"  {f[v]['mm'][0]:16.3f} {f[v]['mm'][1]:5.3f} {f[v]['ratio'][0]:5.1f}" for v in VARIANTS)
        lines.append(
            f"{name:22s}{f['measured']:4d}/{f['photos']:<4d}  {f['ours_mm'][0]:10.3f} {f['ours_mm'][1]:5.3f}{cells}"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", action="append", required=True, type=Path, help="photos with sidecars; repeatable")
    parser.add_argument("--json", type=Path, help="write every photo and the figures here")
    parser.add_argument("--workers", type=int, default=1, help="processes of one thread each")
    wanted = parser.parse_args()
    print("\n".join(f"{name}: {value}" for name, value in environment().items()))
    photos = [p for p in photos_in(wanted.folder) if json.loads(p.with_suffix(".json").read_text())["truth"]["frets"]]
    compared = [c for _, c in spread(try_both, photos, workers=wanted.workers)]
    names = sorted({c.group for c in compared})
    groups = {n: figures_of(c for c in compared if c.group == n) for n in names} | {"all": figures_of(compared)}
    print(f"\nrelief errors in mm over photos that ours measured; ratio of the medians\n{table(groups)}")
    everywhere = groups["all"]
    print(f"\nthe longest line is the straightedge in {everywhere['longest_is_the_edge']} of {everywhere['photos']}")
    for v in VARIANTS:
        median, p95 = everywhere[v]["everywhere_mm"]
        print(f"over all photos, {v}: {everywhere[v]['numbers']} numbers, median {median:.3f} mm, p95 {p95:.3f} mm")
    if wanted.json:
        document = {"environment": environment(), "figures": groups, "photos": [asdict(c) for c in compared]}
        wanted.json.write_text(json.dumps(document, indent=1), "utf-8")


if __name__ == "__main__":
    main()
