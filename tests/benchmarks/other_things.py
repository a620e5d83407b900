"""Photographs of other things: all must be refused. Prints refusals by code, and whatever got a number.

    python tests/benchmarks/other_things.py FOLDER [--workers 2] [--no-render] [--all-ways]

More than two hundred pictures: the photographs that installed libraries carry (scikit-image, scikit-learn, matplotlib,
SciPy), whole, cut, turned, scaled and skewed; drawings of rulers, combs, ladders, blinds, shelves, fences, keys and
staves; noise; rendered scenes with frets and no straightedge, with a straightedge and no frets; and flat drawings of a
board under a bar. Each is measured as a user might, with one of seven things told about the scene in turn (all seven
with `--all-ways`); where a card, coin or marker is told, one is laid into the picture. Pictures that got a number are
kept in FOLDER, and the exit status is 1.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from importlib.util import find_spec
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.accuracy import environment
from benchmarks.drawn_things import DRAWINGS, LIKE_A_BOARD, finished, with_object
from benchmarks.pool import spread

from lightgap.neck.errors import Refusal
from lightgap.vision.measure import MeasureSettings, measure_photo
from lightgap.vision.wanted import check_wanted_U

Picture = NDArray[np.uint8]
PHOTOGRAPHS = {
    "skimage": ("data", (
        "astronaut.png", "brick.png", "camera.png", "cell.png", "chelsea.png", "clock_motion.png", "coffee.png",
        "coins.png", "grass.png", "gravel.png", "hubble_deep_field.jpg", "ihc.png", "microaneurysms.png", "moon.png",
        "motorcycle_left.png", "motorcycle_right.png", "page.png", "retina.jpg", "rocket.jpg", "text.png",
    )),
    "sklearn": ("datasets/images", ("china.jpg", "flower.jpg")),
    "matplotlib": ("mpl-data/sample_data", ("grace_hopper.jpg", "Minduka_Present_Blue_Pack.png", "logo2.png")),
    "scipy": ("ndimage/tests", ("dots.png",)),
}  # fmt: skip
SCALE_MM = 648.0
WAYS: dict[str, MeasureSettings] = {
    "card": MeasureSettings(SCALE_MM, "card"),
    "straightedge height": MeasureSettings(SCALE_MM, "straightedge", straightedge_height_mm=30.0),
    "coin": MeasureSettings(SCALE_MM, "coin:24.26"),
    "marker": MeasureSettings(SCALE_MM, "marker:20"),
    "frets": MeasureSettings(SCALE_MM, "frets"),
    "whatever it sees": MeasureSettings(SCALE_MM, "auto", straightedge_height_mm=30.0),
    "nothing told": MeasureSettings(None, "auto"),
}
RENDERED = {"no straightedge": 4, "no frets": 4}


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of one picture: a refusal's code, or a number (which is wrong)."""

    name: str
    way: str
    code: str | None
    relief_mm: float = 0.0
    U_mm: float = 0.0


def photographs() -> dict[str, Path]:
    """Return the photographs that come with installed libraries; none is fetched."""
    found = {}
    for package, (folder, names) in PHOTOGRAPHS.items():
        spec = find_spec(package)
        if spec is not None and spec.origin is not None:
            paths = (Path(spec.origin).parent / folder / name for name in names)
            found |= {f"{package}-{p.stem}": p for p in paths if p.exists()}
    return found


VERSIONS = ("as it is", "enlarged", "strip", "upright", "tilted", "skewed", "half", "dark")


def versions_of(picture: Picture, *, seed: int) -> dict[str, Picture]:
    """Return a photograph as a phone might have taken it: enlarged, cut to a strip, turned, small, skewed, mirrored."""
    rng = np.random.default_rng(seed)
    height, width = picture.shape[:2]
    whole = cv2.resize(picture, (2400, round(2400 * height / width)), interpolation=cv2.INTER_CUBIC)
    tall = whole.shape[0]
    top = int(rng.integers(0, max(tall - 800, 1)))
    a = float(rng.uniform(0.06, 0.15))
    corners = np.array([[0, 0], [2399, 0], [2399, tall - 1], [0, tall - 1]], dtype=np.float32)
    moved = corners + np.array([[a * 2400, a * tall], [0, 0], [0, 0], [a * 1200, -a * tall]], dtype=np.float32)
    skew = cv2.getPerspectiveTransform(corners, moved)
    turn = cv2.getRotationMatrix2D((1200.0, tall / 2.0), float(rng.uniform(-8, 8)), 1.2)
    return {
        "as it is": picture,
        "enlarged": whole,
        "strip": whole[top : top + 800],
        "upright": np.ascontiguousarray(np.rot90(whole)),
        "tilted": cv2.warpAffine(whole, turn, (2400, tall), borderMode=cv2.BORDER_REFLECT),
        "skewed": cv2.warpPerspective(whole, skew, (2400, tall), borderMode=cv2.BORDER_REFLECT),
        "half": cv2.resize(whole[top : top + 1000], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA),
        "dark": np.asarray(whole[::-1] * 0.45).astype(np.uint8),
    }  # fmt: skip


def pictures() -> Iterator[tuple[str, Callable[[], Picture]]]:
    """Yield the name and the maker of every picture but the rendered ones."""
    for i, (name, path) in enumerate(photographs().items()):
        for version in VERSIONS:
            yield f"photo {name} {version}", partial(_version, path, version, i)
    for i, (name, draw) in enumerate(DRAWINGS.items()):
        yield f"drawn {name}", partial(_drawn, draw, i)
    for i, (name, draw) in enumerate(LIKE_A_BOARD.items()):
        yield f"like a board {name}", partial(_drawn, draw, i)


def _version(path: Path, version: str, seed: int) -> Picture:
    return versions_of(np.asarray(cv2.imread(str(path), cv2.IMREAD_COLOR), dtype=np.uint8), seed=seed)[version]


def _drawn(draw: Callable[[], NDArray[np.float64]], seed: int) -> Picture:
    return finished(draw(), seed=seed)


def render_without(kind: str, number: int) -> Picture:
    """Return a photo of frets without a straightedge, or of a straightedge without frets."""
    from lightgap.vision.render.draw import draw_scene_settings
    from lightgap.vision.render.photo import render_photo

    rng = np.random.default_rng(7000 + number)
    framing, background = ("half", "full")[number % 2], ("card", "wall", "cloth", "bench")[number % 4]
    scene = draw_scene_settings(rng, framing=framing, background=background, place="middle")  # type: ignore[arg-type]
    if kind == "no straightedge":
        scene = replace(scene, blade=replace(scene.blade, shown=False))
    else:
        scene = replace(scene, neck=replace(scene.neck, frets_shown=False))
    photo = render_photo(scene, rng=rng)
    return np.ascontiguousarray(photo.image[:, :, ::-1])


def picture_of(name: str, way: str, *, folder: Path) -> Picture:
    """Return a picture as it is measured this way; rendered ones are kept in the folder."""
    if not name.startswith("rendered "):
        picture = dict(pictures())[name]()
        return with_object(picture, way) if way in ("card", "coin", "marker") else picture
    path = folder / (name.replace(" ", "_") + ".png")
    if not path.exists():
        kind, _, number = name.removeprefix("rendered ").rpartition(" ")
        unfinished = path.with_name(f"{path.stem}-{way.replace(' ', '-')}.part.png")  # whole or not at all
        cv2.imwrite(str(unfinished), render_without(kind, int(number)))
        unfinished.replace(path)
    return np.asarray(cv2.imread(str(path)), dtype=np.uint8)


def judge(which: tuple[str, str], *, folder: Path) -> Verdict:
    """Measure one picture one way; keep it when it got a number."""
    name, way = which
    path = folder / (f"{name}--{way}".replace(" ", "_") + ".png")
    cv2.imwrite(str(path), picture_of(name, way, folder=folder))
    try:
        result = check_wanted_U(measure_photo(path, WAYS[way]), None)
    except Refusal as refused:
        path.unlink()
        return Verdict(name, way, refused.code)
    return Verdict(name, way, None, result.relief.relief_mm, result.relief.U_mm)


def cases(*, render: bool, all_ways: bool) -> list[tuple[str, str]]:
    """Return every picture with the way it is measured: ways take turns, or all of them; those like a board get all."""
    names = [name for name, _ in pictures()]
    if render:
        names += [f"rendered {kind} {n}" for kind, count in RENDERED.items() for n in range(count)]
    chosen = []
    for i, name in enumerate(names):
        every = all_ways or name.startswith(("like a board", "rendered"))
        chosen += [(name, way) for j, way in enumerate(WAYS) if every or j == i % len(WAYS)]
    return chosen


def table(verdicts: list[Verdict]) -> str:
    """Return refusals by code and kind of picture, and what got a number."""
    lines = []
    for kind in ("photo", "drawn", "like a board", "rendered"):
        mine = [v for v in verdicts if v.name.startswith(kind)]
        codes = Counter(v.code for v in mine if v.code)
        refused = sum(codes.values())
        lines.append(f"{kind}: {len({v.name for v in mine})} pictures, {refused} of {len(mine)} measurements refused")
        lines += [f"    {code}: {count}" for code, count in codes.most_common()]
    lines += [
        f"GOT A NUMBER: {v.name}, told {v.way}: relief {v.relief_mm:+.3f} mm, U {v.U_mm:.3f} mm"
        for v in verdicts
        if v.code is None
    ]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="pictures that got a number are kept here, rendered ones always")
    parser.add_argument("--workers", type=int, default=1, help="processes of one thread each")
    parser.add_argument("--no-render", action="store_true", help="leave out the rendered scenes")
    parser.add_argument("--all-ways", action="store_true", help="measure each picture all seven ways")
    parser.add_argument("--json", type=Path, help="write every verdict here")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    print("\n".join(f"{name}: {value}" for name, value in environment().items()))
    verdicts = []
    chosen = cases(render=not options.no_render, all_ways=options.all_ways)
    for _, v in spread(partial(judge, folder=options.folder), chosen, workers=options.workers):
        verdicts.append(v)
        if v.code is None:
            print(f"got a number: {v.name}, told {v.way}: {v.relief_mm:+.3f} mm, U {v.U_mm:.3f} mm", flush=True)
    print(f"\n{table(verdicts)}")
    if options.json:
        options.json.write_text(json.dumps([[v.name, v.way, v.code, v.relief_mm, v.U_mm] for v in verdicts], indent=1))
    sys.exit(1 if any(v.code is None for v in verdicts) else 0)


if __name__ == "__main__":
    main()
