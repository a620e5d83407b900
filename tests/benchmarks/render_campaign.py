"""Render seeded random photos with truth for the accuracy script, which then measures them.

Run by hand: ``python tests/benchmarks/render_campaign.py FOLDER --count 36 --kind controlled``, then
``python tests/benchmarks/accuracy.py --folder FOLDER``. A photo takes 8 to 20 seconds of one core; framings take turns.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np

from lightgap.vision.render.draw import draw_scene_settings
from lightgap.vision.render.photo import render_photo

FIRST_SEED = 1000
FRAMINGS = ("full", "half", "macro")
BACKGROUNDS = {"controlled": ("card", "cloth"), "plain": ("wall", "bench", "gradient")}


def wanted(kind: str, number: int) -> dict[str, Any]:
    """Return what is held fixed in photo `number` of a kind."""
    if kind in BACKGROUNDS:
        kinds = BACKGROUNDS[kind]
        return {"background": kinds[number // 3 % len(kinds)], "strings": False, "place": "middle"}
    return {"strings": {"strings": True, "place": "middle"}, "outer": {"place": "outer"}, "any": {}}[kind]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=36)
    parser.add_argument("--kind", choices=["controlled", "plain", "strings", "outer", "any"], default="any")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    for number in range(options.count):
        rng = np.random.default_rng(FIRST_SEED + number)
        settings = draw_scene_settings(rng, framing=FRAMINGS[number % 3], **wanted(options.kind, number))
        photo = render_photo(settings, rng=rng)
        stem = options.folder / f"{options.kind}-{number:03d}-{settings.framing}"
        stem.with_suffix(".jpg").write_bytes(photo.jpeg)
        stem.with_suffix(".json").write_text(json.dumps(photo.sidecar, indent=1))
        print(stem.name, flush=True)


if __name__ == "__main__":
    main()
