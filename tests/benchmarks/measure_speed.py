"""How long one photo takes, the command started cold; beside it, the time to start Python and decode the same photo.

    python tests/benchmarks/measure_speed.py [PHOTO.jpg ...] [--times 5]

Without a photo it renders three of 12 megapixels (4032 x 3024), which takes a minute. Each photo is measured as a user
would, with its sidecar's inputs, in turn with the yardstick: machines slow down and recover, the ratio hardly does.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.accuracy import environment, settings_from_inputs
from benchmarks.render_campaign import drawn

from lightgap.vision.render.photo import render_photo

NUMBERS = (301, 321, 330)  # one of each framing and reference
HEIGHT_PX = 3024
YARDSTICK = "import sys; from PIL import Image; Image.open(sys.argv[1]).convert('RGB')"


def render_whole(number: int, folder: Path) -> Path:
    """Render photo `number` of the controlled kind at the height of a whole sensor, straightedge in the middle."""
    settings, rng = drawn(number, kind="controlled")
    photo = render_photo(
        replace(settings, camera=replace(settings.camera, height_px=HEIGHT_PX, edge_row_fraction=0.5)), rng=rng
    )
    path = folder / f"whole-{number}.jpg"
    path.write_bytes(photo.jpeg)
    path.with_suffix(".json").write_text(json.dumps(photo.sidecar))
    return path


def options(inputs: dict[str, Any]) -> list[str]:
    """Return what a user would type after the photo's name."""
    s = settings_from_inputs(inputs)
    given = {
        "--scale-length": s.scale_length_mm,
        "--reference": s.reference,
        "--straightedge-height": s.straightedge_height_mm,
        "--straightedge-thickness": s.straightedge_thickness_mm,
        "--board-radius": s.board_radius_mm,
    }
    return [text for name, value in given.items() if value is not None for text in (name, str(value))]


def seconds(command: Sequence[str]) -> tuple[float, int]:
    """Run a command; return how long it took, and its exit status."""
    begin = time.perf_counter()
    status = subprocess.run(command, capture_output=True, check=False).returncode
    return time.perf_counter() - begin, status


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("photos", nargs="*", type=Path)
    parser.add_argument("--times", type=int, default=5)
    wanted = parser.parse_args()
    for name, value in environment().items():
        print(f"{name}: {value}")
    with tempfile.TemporaryDirectory() as made:
        photos = wanted.photos or [render_whole(number, Path(made)) for number in NUMBERS]
        for photo in photos:
            inputs = json.loads(photo.with_suffix(".json").read_text())["inputs"]
            measure = [str(Path(sys.executable).parent / "lightgap"), "measure", str(photo), *options(inputs)]
            yardstick = [sys.executable, "-c", YARDSTICK, str(photo)]
            pairs = [(seconds(measure), seconds(yardstick)) for _ in range(wanted.times)]
            took = sorted(m for (m, _), _ in pairs)
            ratio = statistics.median(m / y for (m, _), (y, _) in pairs)
            end = "measured" if pairs[0][0][1] == 0 else f"exit status {pairs[0][0][1]}"
            print(
                f"{photo.name}: {end} in {statistics.median(took):.2f} s ({took[0]:.2f} to {took[-1]:.2f}), "
                f"{ratio:.1f} times what it takes to start and decode it"
            )


if __name__ == "__main__":
    main()
