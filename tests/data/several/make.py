"""Make three more photos of the sample photos' dreadnought: both halves, and the whole neck from farther along.

    python tests/data/several/make.py [NAME ...]

They share the crowns of `sample_images/dreadnought-upbow.jpg` (the same seed): one unchanged neck, several photos.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from lightgap.vision.render import INSTRUMENTS, Blade, Camera, Imaging, Light, Reference, SceneSettings, render_photo

HERE = Path(__file__).parent
SEED = 101
SAMPLES = (2, 8, 16, 48)
HALF = Camera(width_px=3200, height_px=900, px_per_mm=10.6, distance_mm=420.0, edge_row_fraction=0.79)
WHOLE = SceneSettings(
    neck=replace(INSTRUMENTS["dreadnought"], bow_mm=0.30),
    blade=Blade(height_mm=30.0, last_fret=16),
    light=Light(kind="window", background="card", background_distance_mm=350.0),
    reference=Reference(kind="card", x_mm=190.0, colour=(0.06, 0.16, 0.36)),
    imaging=Imaging(psf_sigma_px=0.75, full_well_e=7000.0, read_noise=0.0015, jpeg_quality=84, tone_contrast=0.2),
)
NUT_HALF = replace(HALF, frame_frets=(0.0, 10.0), elevation_deg=0.9, yaw_deg=-0.8, roll_deg=0.4)
BODY_HALF = replace(HALF, frame_frets=(6.0, 17.0), elevation_deg=0.7, yaw_deg=0.9, roll_deg=-0.3)
FARTHER = Camera(
    width_px=3400,
    height_px=900,
    px_per_mm=7.2,
    distance_mm=640.0,
    elevation_deg=0.6,
    yaw_deg=-2.5,
    aim_offset_mm=(40, 0),
)
SCENES = {
    "nut-half": replace(WHOLE, framing="half", camera=NUT_HALF, reference=replace(WHOLE.reference, x_mm=120.0)),
    "body-half": replace(WHOLE, framing="half", camera=BODY_HALF, reference=replace(WHOLE.reference, x_mm=300.0)),
    "farther": replace(WHOLE, camera=FARTHER),
}


def main() -> None:
    for name in sys.argv[1:] or SCENES:
        settings = replace(SCENES[name], name=name, samples=SAMPLES)
        photo = render_photo(settings, rng=np.random.default_rng(SEED))
        (HERE / f"{name}.jpg").write_bytes(photo.jpeg)
        (HERE / f"{name}.json").write_text(json.dumps(photo.sidecar, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
