"""Ten camera positions of one unchanged scene: do the reliefs agree within their own uncertainties?

    python tests/benchmarks/repeatability.py FOLDER [--scenes 3] [--positions 10] [--framing half] [--workers 2]

Each scene is drawn from a seed and photographed from ten places: distance, height within 1.5 degrees, yaw, roll and aim
changed, and nothing else (the same crowns, straightedge and light; noise and rays are new). Agreement is judged by the
number E_n = |a - b| / sqrt(U_a^2 + U_b^2) of ISO 13528 for every pair measured over the same chord; up to 1 the two
agree. With right uncertainties (k = 2) 95.45 % of pairs do. Photos stay in FOLDER; those there are not rendered again.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.accuracy import environment, settings_from_inputs, true_relief_mm
from benchmarks.pool import spread

from lightgap.neck.errors import Refusal
from lightgap.neck.profile import GapProfile
from lightgap.neck.relief import compute_relief
from lightgap.vision.measure import measure_photo
from lightgap.vision.render.draw import draw_scene_settings
from lightgap.vision.render.photo import render_photo
from lightgap.vision.render.settings import Camera, SceneSettings

FIRST_SEED = 5000
BACKGROUNDS = ("card", "cloth", "wall")
HEIGHT_DEG = 1.5


@dataclass(frozen=True, slots=True)
class Reading:
    """The relief over a chord from one camera position, mm, and the true one."""

    position: int
    relief_mm: float
    U_mm: float
    true_mm: float


def move_camera(camera: Camera, *, rng: np.random.Generator) -> Camera:
    """Return the camera elsewhere: nearer or farther, higher or lower, turned, aimed beside; the lens stays."""
    factor = float(rng.uniform(0.94, 1.06))
    return replace(
        camera,
        distance_mm=camera.distance_mm * factor,
        px_per_mm=camera.px_per_mm / factor,
        elevation_deg=camera.elevation_deg + float(rng.uniform(-HEIGHT_DEG, HEIGHT_DEG)),
        yaw_deg=float(rng.uniform(-3.0, 3.0)),
        roll_deg=float(rng.uniform(-3.0, 3.0)),
        aim_offset_mm=(float(rng.uniform(-4.0, 4.0)), float(rng.uniform(-1.0, 1.0))),
        focus_error_mm=float(rng.uniform(-3.0, 3.0)),
    )


def scene_settings(scene: int, position: int, *, framing: str) -> SceneSettings:
    """Return a scene before a controlled or plain background, photographed from a position."""
    rng = np.random.default_rng(FIRST_SEED + scene)
    background: Any = BACKGROUNDS[scene % len(BACKGROUNDS)]
    drawn = draw_scene_settings(rng, framing=framing, background=background, strings=False, place="middle")  # type: ignore[arg-type]
    level = replace(drawn.camera, elevation_deg=float(rng.uniform(0.2, 1.2)))
    return replace(drawn, camera=move_camera(level, rng=np.random.default_rng([FIRST_SEED + scene, position])))


def photograph(which: tuple[int, int], *, folder: Path, framing: str) -> Path:
    """Render a scene from a position unless the photo is there; the crowns are the same from each position."""
    scene, position = which
    stem = folder / f"{framing}-scene-{scene:02d}-position-{position:02d}"
    if stem.with_suffix(".json").exists():
        return stem.with_suffix(".jpg")
    settings = scene_settings(scene, position, framing=framing)
    photo = render_photo(
        settings,
        rng=np.random.default_rng(FIRST_SEED + scene),
        grain=np.random.default_rng([FIRST_SEED, scene, position]),
    )
    stem.with_suffix(".jpg").write_bytes(photo.jpeg)
    unfinished = stem.with_suffix(".json.part")
    unfinished.write_text(json.dumps(photo.sidecar, indent=1), "utf-8")
    unfinished.replace(stem.with_suffix(".json"))
    return stem.with_suffix(".jpg")


def measure_position(photo: Path) -> GapProfile | str:
    """Return the gap profile of a photo, or the code of its refusal."""
    sidecar = json.loads(photo.with_suffix(".json").read_text("utf-8"))
    try:
        result = measure_photo(photo, settings_from_inputs(sidecar["inputs"]))
    except Refusal as refused:
        return refused.code
    return result.profile


def work_on(which: tuple[int, int], *, folder: Path, framing: str) -> GapProfile | str:
    """Photograph a scene from a position, and measure it."""
    return measure_position(photograph(which, folder=folder, framing=framing))


def common_chord(profiles: list[GapProfile]) -> tuple[int, int]:
    """Return the outermost frets that most of the profiles have."""
    counts = Counter(fret for profile in profiles for fret in profile.frets)
    enough = [fret for fret, count in counts.items() if count > 0.7 * len(profiles)]
    return min(enough), max(enough)


def readings(profiles: dict[int, GapProfile], sidecars: dict[int, dict[str, Any]]) -> list[Reading]:
    """Return the reliefs of one scene over one chord; positions that do not show its ends are left out."""
    if not profiles:
        return []
    chord = common_chord(list(profiles.values()))
    read = []
    for position, profile in sorted(profiles.items()):
        known = {f["fret"] for f in sidecars[position]["truth"]["frets"]}
        if set(chord) <= set(profile.frets) and set(chord) <= known:
            relief = compute_relief(profile, chord=chord)
            read.append(Reading(position, relief.relief_mm, relief.U_mm, true_relief_mm(sidecars[position], chord)))
    return read


def pair_numbers(read: list[Reading]) -> list[float]:
    """Return E_n of every pair: the difference over its expanded uncertainty (ISO 13528)."""
    return [abs(a.relief_mm - b.relief_mm) / float(np.hypot(a.U_mm, b.U_mm)) for a, b in combinations(read, 2)]


def row(name: str, read: list[Reading], numbers: list[float], refused: list[str]) -> str:
    """Return a line of the table."""
    if len(read) < 2:
        return f"{name:10s}{len(read):9d}  too few to compare; refused: {', '.join(refused) or 'none'}"
    relief, error = np.array([r.relief_mm for r in read]), np.array([r.relief_mm - r.true_mm for r in read])
    return (
        f"{name:10s}{len(read):9d} {relief.mean():+8.3f} {relief.std(ddof=1):8.4f} {error.mean():+8.4f} "
        f"{np.median([r.U_mm for r in read]):8.3f} {np.median(numbers):8.2f} {max(numbers):7.2f} "
        f"{np.mean(np.array(numbers) <= 1.0):8.0%}   {', '.join(refused)}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="photos are kept here, and looked for")
    parser.add_argument("--scenes", type=int, default=3)
    parser.add_argument("--positions", type=int, default=10)
    parser.add_argument("--framing", choices=["full", "half", "macro"], default="half")
    parser.add_argument("--workers", type=int, default=1, help="processes of one thread each")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    print("\n".join(f"{name}: {value}" for name, value in environment().items()))
    which = [(s, p) for s in range(options.scenes) for p in range(options.positions)]
    work = partial(work_on, folder=options.folder, framing=options.framing)
    results = dict(spread(work, which, workers=options.workers))
    print(f"\n{'scene':10s}{'measured':>9s} {'mean':>8s} {'sd':>8s} {'bias':>8s} {'U med':>8s} {'E_n med':>8s} "
          f"{'E_n max':>7s} {'E_n <= 1':>8s}   refused")  # fmt: skip
    every: list[float] = []
    for scene in range(options.scenes):
        mine = {p: results[scene, p] for p in range(options.positions)}
        profiles = {p: r for p, r in mine.items() if not isinstance(r, str)}
        stems = {p: options.folder / f"{options.framing}-scene-{scene:02d}-position-{p:02d}.json" for p in profiles}
        read = readings(profiles, {p: json.loads(f.read_text("utf-8")) for p, f in stems.items()})
        numbers = pair_numbers(read)
        every += numbers
        print(row(str(scene), read, numbers, [r for r in mine.values() if isinstance(r, str)]))
    if every:
        share = np.mean(np.array(every) <= 1.0)
        print(f"all scenes: {len(every)} pairs, {share:.1%} with E_n up to 1 (95.45 % with right uncertainties)")


if __name__ == "__main__":
    main()
