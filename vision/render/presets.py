"""Instruments by trade name: scale lengths and sizes as commonly found (common practice, no published source)."""

from __future__ import annotations

from .settings import Neck

INSTRUMENTS: dict[str, Neck] = {
    "dreadnought": Neck(),
    "parlour": Neck("parlour", 628.0, 20, 12, 305.0, nut_width_mm=44.5, joint_width_mm=56.0),
    "archtop": Neck("archtop", 635.0, 20, 14, 305.0, nut_width_mm=43.0, joint_width_mm=54.0, fret_height_mm=1.0),
    "solidbody": Neck(
        "solidbody", 648.0, 22, 16, 241.0, nut_width_mm=42.0, joint_width_mm=56.0, fret_width_mm=2.6,
        neck_colour=(0.55, 0.38, 0.20), board_colour=(0.07, 0.035, 0.022), body_colour=(0.30, 0.04, 0.03),
    ),
    "baritone": Neck("baritone", 686.0, 22, 16, 406.0, nut_width_mm=43.0, joint_width_mm=55.0, fret_width_mm=2.8),
    "classical": Neck(
        "classical", 650.0, 19, 12, None, nut_width_mm=52.0, joint_width_mm=62.0, nut_inset_mm=4.5,
        bridge_spread_mm=58.0, string_gauges_mm=(1.10, 0.90, 0.74, 1.02, 0.82, 0.71), action_at_12_mm=2.8,
        neck_colour=(0.30, 0.15, 0.08),
    ),
    "bass": Neck(
        "bass", 864.0, 20, 16, 305.0, nut_width_mm=42.0, joint_width_mm=60.0, fret_width_mm=2.8, neck_depth_mm=18.0,
        string_gauges_mm=(2.67, 2.16, 1.65, 1.14), bridge_spread_mm=57.0, action_at_12_mm=2.2,
        neck_colour=(0.50, 0.34, 0.18),
    ),
    "short-bass": Neck(
        "short-bass", 762.0, 20, 15, 305.0, nut_width_mm=41.0, joint_width_mm=57.0, fret_width_mm=2.6,
        string_gauges_mm=(2.54, 2.03, 1.52, 1.02), bridge_spread_mm=57.0, neck_depth_mm=18.0, action_at_12_mm=2.1,
    ),
    "mandolin": Neck(
        "mandolin", 352.0, 20, 12, 305.0, nut_width_mm=29.0, joint_width_mm=38.0, fret_width_mm=2.0,
        fret_height_mm=0.9, neck_depth_mm=13.0, board_thickness_mm=5.0, bow_mm=0.12,
        string_gauges_mm=(0.99, 0.97, 0.66, 0.64, 0.41, 0.38, 0.28, 0.27), bridge_spread_mm=41.0, nut_inset_mm=3.0,
        action_at_12_mm=1.3,
    ),
    "tenor-ukulele": Neck(
        "tenor-ukulele", 432.0, 18, 14, None, nut_width_mm=36.0, joint_width_mm=46.0, fret_width_mm=2.0,
        fret_height_mm=0.9, neck_depth_mm=13.0, board_thickness_mm=4.5, bow_mm=0.12,
        string_gauges_mm=(0.62, 0.90, 0.76, 0.62), bridge_spread_mm=43.0, action_at_12_mm=2.2,
        neck_colour=(0.32, 0.16, 0.08),
    ),
    "concert-ukulele": Neck(
        "concert-ukulele", 381.0, 18, 12, None, nut_width_mm=35.0, joint_width_mm=44.0, fret_width_mm=2.0,
        fret_height_mm=0.9, neck_depth_mm=13.0, board_thickness_mm=4.5, bow_mm=0.10,
        string_gauges_mm=(0.60, 0.86, 0.72, 0.60), bridge_spread_mm=42.0, action_at_12_mm=2.2,
    ),
}  # fmt: skip
