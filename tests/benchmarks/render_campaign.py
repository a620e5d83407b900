"""Render seeded random photos with truth for the accuracy script, which then measures them.

    python tests/benchmarks/render_campaign.py FOLDER [--count 300] [--kind any] [--workers 2] [--shard 1/4]
    python tests/benchmarks/accuracy.py --folder FOLDER
    python tests/benchmarks/render_campaign.py --ranges

A photo takes 8 to 20 seconds of one core. Photos that stand in the folder already are not made again, so a run that was
cut short goes on where it stopped. `--ranges` renders nothing and prints what the seeds would draw.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.accuracy import LOWERED_DEG
from benchmarks.pool import shard, spread

from lightgap.vision.render.draw import board_slope_deg, draw_scene_settings
from lightgap.vision.render.photo import render_photo, set_up
from lightgap.vision.render.settings import Camera, SceneSettings

FIRST_SEED = 1000
FRAMINGS = ("full", "half", "macro")
BACKGROUNDS = {"controlled": ("card", "cloth"), "plain": ("wall", "bench", "gradient")}
KINDS = ("controlled", "plain", "strings", "outer", "any", "aimed", "whole")
# Of photos aimed beside the edge, cropped along the neck or whole: how far the lens's axis lies off the edge, in
# shares of the picture's width, and the shape of a whole picture (common practice, no published source).
U_AIMED, WHOLE_SHAPE = 0.06, 0.75


def wanted(kind: str, number: int) -> dict[str, Any]:
    """Return what is held fixed in photo `number` of a kind."""
    if kind in BACKGROUNDS:
        kinds = BACKGROUNDS[kind]
        return {"background": kinds[number // 3 % len(kinds)], "strings": False, "place": "middle"}
    return {"strings": {"strings": True, "place": "middle"}, "outer": {"place": "outer"}}.get(kind, {})


def drawn(number: int, *, kind: str) -> tuple[SceneSettings, np.random.Generator]:
    """Return the scene of photo `number`, and the random numbers to render it with."""
    rng = np.random.default_rng(FIRST_SEED + number)
    scene = draw_scene_settings(rng, framing=FRAMINGS[number % 3], **wanted(kind, number))  # type: ignore[arg-type]
    if kind in ("aimed", "whole"):
        off_px = float(np.random.default_rng([FIRST_SEED, number]).normal(0, U_AIMED * scene.camera.width_px))
        scene = replace(scene, camera=aimed_beside(scene.camera, off_px, whole=kind == "whole"))
    return scene, rng


def aimed_beside(camera: Camera, off_px: float, *, whole: bool) -> Camera:
    """Return the camera turned up: the edge lies so far under its axis, which a `whole` picture has in the middle."""
    if not whole:
        return replace(camera, axis_row_fraction=camera.edge_row_fraction - off_px / camera.height_px)
    height_px = round(WHOLE_SHAPE * camera.width_px)
    row = 0.5 + off_px / height_px
    return replace(camera, height_px=height_px, edge_row_fraction=row, axis_row_fraction=0.5)


def render_one(number: int, *, folder: Path, kind: str) -> str:
    """Render photo `number` unless it is there; the sidecar is written last, whole, and marks the photo as done."""
    stem = folder / f"{kind}-{number:03d}-{FRAMINGS[number % 3]}"
    if stem.with_suffix(".json").exists():
        return f"{stem.name} is there"
    settings, rng = drawn(number, kind=kind)
    photo = render_photo(settings, rng=rng)
    stem.with_suffix(".jpg").write_bytes(photo.jpeg)
    unfinished = stem.with_suffix(".json.part")
    unfinished.write_text(json.dumps(photo.sidecar, indent=1), "utf-8")
    unfinished.replace(stem.with_suffix(".json"))
    return stem.name


def numbers_of(s: SceneSettings) -> dict[str, float]:
    """Return the numbers of a scene whose ranges are of interest."""
    slope = board_slope_deg(s.neck, s.blade)
    outer = s.blade.place == "outer"
    numbers = {
        "px per mm": s.camera.px_per_mm,
        "distance, mm": s.camera.distance_mm,
        "yaw, deg": s.camera.yaw_deg,
        "roll, deg": s.camera.roll_deg,
        "distortion k1": s.camera.k1,
        "blur sigma, px": s.imaging.psf_sigma_px,
        "JPEG quality": float(s.imaging.jpeg_quality),
        "sharpening": s.imaging.sharpen_amount,
        "tone contrast": s.imaging.tone_contrast,
        "electrons at white": s.imaging.full_well_e,
        "read noise, of white": s.imaging.read_noise,
        "signal to noise at 18 % grey": grey_signal_to_noise(s.imaging.full_well_e, s.imaging.read_noise),
        "bow, mm": s.neck.bow_mm,
        "board radius, mm": s.neck.board_radius_mm or np.inf,
        "blade thickness, mm": s.blade.thickness_mm,
        "chamfer, mm": s.blade.chamfer_mm,
        "backdrop distance, mm": s.light.background_distance_mm,
        "strength of the light": s.light.strength,
    }
    key = "elevation over the board's slope, outer place" if outer else "elevation, middle of the board, deg"
    return numbers | {key: s.camera.elevation_deg + slope}


def grey_signal_to_noise(full_well_e: float, read_noise: float) -> float:
    """Return the signal to noise ratio of a pixel at 18 % of white."""
    return float(0.18 / np.sqrt(0.18 / full_well_e + read_noise**2))


def kinds_of(s: SceneSettings, seed: int) -> dict[str, str]:
    """Return the kinds a scene is of."""
    _, line, _ = set_up(s, rng=np.random.default_rng(seed))
    along = LOWERED_DEG[0] <= s.camera.elevation_deg + board_slope_deg(s.neck, s.blade) <= LOWERED_DEG[1]
    place = s.blade.place if s.blade.place == "middle" else f"outer, seen {'along' if along else 'across'} the board"
    if s.neck.bow_family == "s":
        bow = "s-bend"
    elif s.neck.bow_mm == 0.0:
        bow = "straight"
    else:
        bow = "back-bow" if s.neck.bow_mm < 0 else "skewed up-bow" if s.neck.bow_peak_fret else "up-bow"
    neighbours = line.contact_frets[1] - line.contact_frets[0] == 1
    resting = "on neighbours, " if neighbours else "on two far crowns, "
    return {
        "framing": s.framing,
        "instrument": s.neck.instrument,
        "light": s.light.kind,
        "background": s.light.background,
        "strings": "on" if s.neck.strings else "off",
        "place": place,
        "bow": bow,
        "tongue": "level" if s.neck.tongue_slope == 0 else "falling" if s.neck.tongue_slope > 0 else "rising",
        "odd fret": "yes" if s.neck.fret_errors_mm else "no",
        "board": "flat" if s.neck.board_radius_mm is None else "compound" if s.neck.board_radius_end_mm else "round",
        "contact": resting + ("own weight" if s.blade.press == 0 else "pressed at one end"),
        "finish": s.blade.finish,
        "reference": s.reference.kind,
        "sharpened": "yes" if s.imaging.sharpen_amount else "no",
        "chroma": s.imaging.chroma_subsampling,
        "nut": s.nut_side,
        "Exif turn": str(s.imaging.exif_orientation),
    }


def ranges(scenes: Iterable[tuple[int, SceneSettings]]) -> str:
    """Return a table of what was drawn."""
    numbers: dict[str, list[float]] = {}
    kinds: dict[str, Counter[str]] = {}
    for seed, scene in scenes:
        for name, value in numbers_of(scene).items():
            numbers.setdefault(name, []).append(value)
        for name, kind in kinds_of(scene, seed).items():
            kinds.setdefault(name, Counter())[kind] += 1
    lines = [f"{'':48s}{'least':>10s}{'10 %':>10s}{'median':>10s}{'90 %':>10s}{'most':>10s}"]
    for name, values in numbers.items():
        spots = np.quantile(values, [0.0, 0.1, 0.5, 0.9, 1.0], method="nearest")
        lines.append(f"{name:48s}" + "".join(f"{v:10.4g}" for v in spots))
    lines += [f"{name}: " + ", ".join(f"{k} {n}" for k, n in c.most_common()) for name, c in kinds.items()]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--first", type=int, default=0, help="number of the first photo")
    parser.add_argument("--kind", choices=KINDS, default="any")
    parser.add_argument("--workers", type=int, default=1, help="processes of one thread each")
    parser.add_argument("--shard", default="1/1", help="2/5 renders every fifth photo from the second on")
    parser.add_argument("--ranges", action="store_true", help="render nothing, print what is drawn")
    options = parser.parse_args()
    photos = shard(list(range(options.first, options.first + options.count)), options.shard)
    if options.ranges:
        print(ranges((FIRST_SEED + n, drawn(n, kind=options.kind)[0]) for n in photos))
        return
    if options.folder is None:
        parser.error("a folder to render into is needed")
    options.folder.mkdir(parents=True, exist_ok=True)
    work = partial(render_one, folder=options.folder, kind=options.kind)
    for _, said in spread(work, photos, workers=options.workers):
        print(said, flush=True)


if __name__ == "__main__":
    main()
