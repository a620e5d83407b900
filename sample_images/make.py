"""Make the sample photos and their truth again: `python sample_images/make.py [NAME ...]` (needs lightgap[render]).

Every photo has its own seed here, so the same version of the renderer gives the same pictures. Where two photos show
one neck they share the seed of its crowns by sharing the number.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from lightgap.neck.errors import InputError
from lightgap.vision.render import (
    INSTRUMENTS,
    Blade,
    Camera,
    Imaging,
    Light,
    Reference,
    SceneSettings,
    board_slope_deg,
    render_photo,
)

HERE = Path(__file__).parent
SAMPLES = (2, 8, 16, 48)
CARD_BLUE, COIN_STEEL, COIN_COPPER = (0.06, 0.16, 0.36), (0.62, 0.60, 0.56), (0.60, 0.40, 0.26)
GOOD = Imaging(psf_sigma_px=0.75, full_well_e=7000.0, read_noise=0.0015, jpeg_quality=88, tone_contrast=0.2)
PHONE = replace(
    GOOD,
    jpeg_quality=85,
    psf_sigma_px=0.95,
    full_well_e=3500.0,
    read_noise=0.003,
    sharpen_amount=0.5,
    tone_contrast=0.35,
)
DIM = replace(GOOD, psf_sigma_px=1.2, full_well_e=1500.0, read_noise=0.004, sharpen_amount=0.4, jpeg_quality=74)

DREADNOUGHT = replace(INSTRUMENTS["dreadnought"], bow_mm=0.30)
PARLOUR = replace(INSTRUMENTS["parlour"], bow_mm=-0.14, board_colour=(0.07, 0.036, 0.024))
ARCHTOP = replace(INSTRUMENTS["archtop"], bow_mm=0.16, fret_errors_mm=((9, 0.09),))
SOLIDBODY = replace(INSTRUMENTS["solidbody"], bow_family="s", bow_mm=0.10)
BASS = replace(INSTRUMENTS["bass"], bow_mm=0.38, bow_peak_fret=6.0)
MANDOLIN = replace(INSTRUMENTS["mandolin"], bow_mm=0.10, tongue_slope=0.004)
UKULELE = replace(INSTRUMENTS["concert-ukulele"], bow_mm=0.12, neck_colour=(0.30, 0.15, 0.08))
BARITONE = replace(INSTRUMENTS["baritone"], bow_mm=0.26, strings=True)
RULE = Blade(thickness_mm=1.0, height_mm=25.0, chamfer_mm=0.1, finish="satin", place="outer", outside_mm=0.95)

SCENES: dict[str, tuple[int, SceneSettings]] = {
    "dreadnought-upbow": (
        101,
        SceneSettings(
            neck=DREADNOUGHT,
            blade=Blade(height_mm=30.0, last_fret=16),
            camera=Camera(height_px=1100, distance_mm=560.0, elevation_deg=0.8, yaw_deg=0.6, roll_deg=0.5, k1=0.012),
            light=Light(kind="window", background="card", background_distance_mm=350.0),
            reference=Reference(kind="card", x_mm=190.0, colour=CARD_BLUE, turn_deg=1.2),
            imaging=GOOD,
        ),
    ),
    "parlour-backbow": (
        102,
        SceneSettings(
            framing="half",
            neck=PARLOUR,
            blade=Blade(thickness_mm=4.0, height_mm=25.0, first_fret=1, last_fret=13, press=0.6),
            camera=Camera(
                height_px=1000, px_per_mm=11.5, distance_mm=380.0, frame_frets=(0.0, 12.0), elevation_deg=1.1,
                yaw_deg=-1.2, roll_deg=-0.7, k1=-0.02,
            ),
            light=Light(kind="mixed", side=-1, background="cloth", background_distance_mm=200.0),
            reference=Reference(kind="coin", size_mm=24.26, x_mm=165.0, colour=COIN_STEEL),
            imaging=replace(PHONE, exposure_mean=0.14),
        ),
    ),
    "archtop-high-fret": (
        103,
        SceneSettings(
            neck=ARCHTOP,
            blade=Blade(thickness_mm=4.0, height_mm=30.0, finish="satin", last_fret=16),
            camera=Camera(height_px=1000, distance_mm=600.0, elevation_deg=0.4, yaw_deg=1.4, roll_deg=-0.4, k1=0.02),
            light=Light(kind="overhead", background="card", background_level=1.1),
            reference=Reference(kind="marker", size_mm=30.0, marker_id=7, x_mm=260.0, turn_deg=-1.5),
            imaging=GOOD,
        ),
    ),
    "solidbody-s-bend": (
        104,
        SceneSettings(
            nut_side="right",
            neck=SOLIDBODY,
            blade=Blade(thickness_mm=3.0, height_mm=30.0, last_fret=17),
            camera=Camera(height_px=1000, distance_mm=520.0, elevation_deg=1.4, yaw_deg=-0.8, roll_deg=0.9, k1=-0.015),
            light=Light(kind="window", side=-1, background="wall", background_distance_mm=450.0),
            reference=Reference(kind="marker", size_mm=30.0, marker_id=19, x_mm=150.0, turn_deg=0.8),
            imaging=replace(PHONE, exif_orientation=6),
        ),
    ),
    "bass-skewed-bow": (
        105,
        SceneSettings(
            neck=BASS,
            blade=Blade(thickness_mm=4.0, height_mm=30.0, last_fret=16),
            camera=Camera(
                height_px=980, px_per_mm=6.9, distance_mm=620.0, frame_frets=(0.0, 17.0), elevation_deg=0.9,
                yaw_deg=0.4, roll_deg=-0.9, k1=0.027,
            ),
            light=Light(kind="mixed", side=1, background="bench", background_distance_mm=420.0),
            reference=Reference(kind="card", x_mm=300.0, colour=(0.5, 0.10, 0.08), turn_deg=-1.0),
            imaging=PHONE,
        ),
    ),
    "mandolin-falling-tongue": (
        106,
        SceneSettings(
            neck=MANDOLIN,
            blade=Blade(thickness_mm=3.0, height_mm=20.0, last_fret=15),
            camera=Camera(
                height_px=1000, px_per_mm=10.4, distance_mm=430.0, frame_frets=(0.0, 15.0), elevation_deg=0.7,
                yaw_deg=-0.5, roll_deg=0.3, k1=0.01,
            ),
            light=Light(kind="window", side=1, background="card", background_distance_mm=260.0),
            reference=Reference(kind="coin", size_mm=21.21, x_mm=110.0, colour=COIN_COPPER),
            imaging=GOOD,
        ),
    ),
    "ukulele-no-reference": (
        107,
        SceneSettings(
            framing="half",
            neck=UKULELE,
            blade=Blade(thickness_mm=3.0, height_mm=25.0, last_fret=14),
            camera=Camera(
                height_px=1000, px_per_mm=14.5, distance_mm=360.0, frame_frets=(0.0, 12.0), elevation_deg=1.0,
                yaw_deg=0.9, roll_deg=-0.3, k1=-0.03,
            ),
            light=Light(kind="rake", side=1, background="cloth", background_distance_mm=180.0),
            reference=Reference(kind="none"),
            imaging=replace(GOOD, exposure_mean=0.15),
        ),
    ),
    "baritone-strung-outer": (
        108,
        SceneSettings(
            neck=BARITONE,
            blade=replace(RULE, last_fret=16),
            camera=Camera(
                height_px=1000, px_per_mm=8.4, distance_mm=520.0, elevation_deg=0.6 - board_slope_deg(BARITONE, RULE),
                yaw_deg=0.7, roll_deg=0.4, k1=0.015,
            ),
            light=Light(kind="mixed", side=-1, background="card", background_distance_mm=380.0),
            reference=Reference(kind="marker", size_mm=30.0, marker_id=31, x_mm=330.0, turn_deg=1.0),
            imaging=GOOD,
        ),
    ),
    "dreadnought-close": (
        101,
        SceneSettings(
            framing="macro",
            neck=DREADNOUGHT,
            blade=Blade(height_mm=30.0, last_fret=16),
            camera=Camera(
                height_px=1150, px_per_mm=26.0, distance_mm=215.0, frame_frets=(4.0, 9.0), elevation_deg=0.6,
                yaw_deg=-0.6, roll_deg=0.5, k1=0.02, edge_row_fraction=0.72,
            ),
            light=Light(kind="window", side=-1, background="gradient", background_distance_mm=300.0),
            reference=Reference(kind="marker", size_mm=15.0, marker_id=3, x_mm=195.0),
            imaging=replace(PHONE, jpeg_quality=80),
        ),
    ),
    "refused-blurred": (
        104,
        SceneSettings(
            neck=SOLIDBODY,
            blade=Blade(thickness_mm=3.0, height_mm=30.0, last_fret=17),
            camera=Camera(height_px=1000, distance_mm=520.0, elevation_deg=1.4, yaw_deg=0.8, roll_deg=0.9),
            light=Light(kind="window", background="wall", background_distance_mm=450.0),
            reference=Reference(kind="marker", size_mm=30.0, marker_id=19, x_mm=150.0),
            imaging=replace(DIM, psf_sigma_px=9.0),
        ),
    ),
    "refused-no-straightedge": (
        107,
        SceneSettings(
            framing="half",
            neck=UKULELE,
            blade=Blade(shown=False, last_fret=14),
            camera=Camera(
                height_px=900, px_per_mm=14.5, distance_mm=360.0, frame_frets=(0.0, 12.0), elevation_deg=1.2,
                yaw_deg=-0.9, roll_deg=0.5,
            ),
            light=Light(kind="overhead", background="bench", background_distance_mm=350.0),
            reference=Reference(kind="none"),
            imaging=DIM,
        ),
    ),
}  # fmt: skip


def make(name: str) -> None:
    """Render one sample photo and write it with its truth beside this file."""
    if name not in SCENES:
        raise InputError(f"no sample photo named '{name}'; there are: {', '.join(SCENES)}")
    seed, settings = SCENES[name]
    photo = render_photo(replace(settings, name=name, samples=SAMPLES), rng=np.random.default_rng(seed))
    (HERE / f"{name}.jpg").write_bytes(photo.jpeg)
    (HERE / f"{name}.json").write_text(json.dumps(photo.sidecar, indent=1) + "\n", encoding="utf-8")
    sys.stderr.write(f"{name}.jpg  {len(photo.jpeg) // 1024} kB  relief {photo.truth.relief.relief_mm:+.3f} mm\n")


if __name__ == "__main__":
    for wanted in sys.argv[1:] or SCENES:
        make(wanted)
