"""Random scenes over the ranges in which photos are taken at a bench."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lightgap.neck.errors import InputError
from lightgap.neck.frets import fret_number, fret_position_mm

from .board import curvature_per_mm, string_path_mm
from .objects import CARD_MM, MARKER_CELLS
from .presets import INSTRUMENTS
from .settings import Background, Blade, Camera, Framing, Imaging, Light, Neck, Place, Reference, SceneSettings

BACKGROUNDS: tuple[Background, ...] = ("card", "cloth", "wall", "bench", "gradient")
SIZES_PX = {"full": (4032, 1240), "half": (4032, 1200), "macro": (4032, 1400)}
ROWS = {"full": 0.64, "half": 0.64, "macro": 0.72}
COINS_MM = (24.26, 23.25, 25.75, 21.21)
MARKERS_MM = (30.0, 20.0, 15.0, 12.0)
COLOURS = ((0.06, 0.16, 0.36), (0.5, 0.10, 0.08), (0.08, 0.28, 0.20), (0.62, 0.60, 0.56))
HEIGHTS_MM = [20.0, 25.0, 30.0, 38.0]  # of straightedges


def draw_scene_settings(
    rng: np.random.Generator,
    *,
    framing: Framing | None = None,
    background: Background | None = None,
    strings: bool | None = None,
    place: Place | None = None,
    instrument: str | None = None,
) -> SceneSettings:
    """Draw a random scene; what is named stays as named.

    Camera elevation -1 to +3 degrees, yaw and roll within 3, radial distortion within 0.04, point spread 0.6 to 1.8 px,
    JPEG quality 80 to 95, sharpened or not, noise from good light down to a signal of ten times the noise at 18 % grey
    (the acceptable ratio of ISO 12232, from memory), all lights, backgrounds, references, bow families, finishes, flat,
    round and compound boards. With the straightedge at the outer string's path the camera stands level in half of the
    scenes and is lowered to the board's slope there in the other half.

    Raises
    ------
    InputError
        When `instrument` is not a known one.
    """
    framing = framing or str_choice(rng, ("full", "half", "macro"))  # type: ignore[assignment]
    assert framing is not None
    neck = draw_neck(rng, instrument or str_choice(rng, tuple(INSTRUMENTS)))
    neck = replace(neck, strings=bool(rng.random() < 0.3) if strings is None else strings)
    place = place or ("outer" if rng.random() < 0.25 else "middle")
    camera, span = draw_camera(rng, neck, framing=framing)
    blade = draw_blade(rng, neck, camera=camera, place=place, span=span)
    if place == "outer" and rng.random() < 0.5:
        camera = replace(camera, elevation_deg=float(rng.uniform(-0.3, 1.7)) - board_slope_deg(neck, blade))
    light = draw_light(rng, background or str_choice(rng, BACKGROUNDS))
    seed = int(rng.integers(1 << 30))
    return SceneSettings(
        name=f"{neck.instrument}-{seed:08x}",
        framing=framing,
        nut_side="left" if rng.random() < 0.75 else "right",
        neck=neck,
        blade=blade,
        camera=camera,
        light=replace(light, pattern_seed=seed & 0xFFFF),
        reference=draw_reference(rng, neck, blade=blade, camera=camera),
        imaging=draw_imaging(rng),
    )


def str_choice(rng: np.random.Generator, names: tuple[str, ...]) -> str:
    """Return one of the names."""
    return names[int(rng.integers(len(names)))]


def draw_neck(rng: np.random.Generator, instrument: str) -> Neck:
    """Return a neck of the named instrument with a random bow and random frets."""
    if instrument not in INSTRUMENTS:
        raise InputError(f"unknown instrument '{instrument}'; known: {', '.join(INSTRUMENTS)}")
    neck = INSTRUMENTS[instrument]
    small = neck.scale_length_mm / 645.0
    kind = str_choice(rng, ("up", "up", "up", "skewed", "skewed", "back", "s", "straight"))
    bow = {
        "up": rng.uniform(0.05, 0.42), "skewed": rng.uniform(0.08, 0.40), "back": -rng.uniform(0.05, 0.25),
        "s": rng.choice([-1.0, 1.0]) * rng.uniform(0.04, 0.14), "straight": 0.0,
    }[kind]  # fmt: skip
    errors: list[tuple[int, float]] = []
    if rng.random() < 0.25:
        errors.append(
            (int(rng.integers(2, neck.body_joint_fret)), float(rng.choice([-1, 1]) * rng.uniform(0.03, 0.12)))
        )
    boards = ((0.020, 0.017, 0.016), (0.070, 0.036, 0.024), (0.045, 0.026, 0.018), (0.42, 0.27, 0.13))
    wood = boards[int(rng.choice(4, p=[0.35, 0.35, 0.2, 0.1]))]
    peak = float(rng.uniform(0.3, 0.62)) * neck.body_joint_fret if kind == "skewed" else None
    radius = None if neck.board_radius_mm is None else neck.board_radius_mm * float(rng.uniform(0.75, 1.3))
    compound = radius is not None and rng.random() < 0.2
    return replace(
        neck,
        board_colour=wood,
        bow_family="s" if kind == "s" else "parabola",
        bow_mm=float(bow) * min(1.0, small),
        bow_peak_fret=peak,
        tongue_slope=float(rng.uniform(-0.002, 0.004)) if rng.random() < 0.3 else 0.0,
        fret_errors_mm=tuple(errors),
        fret_width_mm=neck.fret_width_mm * float(rng.uniform(0.9, 1.1)),
        fret_height_mm=neck.fret_height_mm * float(rng.uniform(0.85, 1.1)),
        fret_roughness=float(rng.uniform(0.10, 0.22)),
        board_radius_mm=radius,
        board_radius_end_mm=radius * float(rng.uniform(1.2, 1.7)) if compound and radius is not None else None,
    )


def draw_camera(rng: np.random.Generator, neck: Neck, *, framing: Framing) -> tuple[Camera, tuple[float, float]]:
    """Return a camera for the framing and the frets it frames."""
    width, height = SIZES_PX[framing]
    last = min(neck.body_joint_fret + 3, neck.fret_count - 1, 17)
    if framing == "full":
        span = (0.0, float(last))
    elif framing == "half":
        span = (0.0, 12.0) if rng.random() < 0.5 else (5.0, float(last))
    else:
        span = draw_macro_span(rng, neck, last=last)
    x0, x1 = fret_position_mm(np.array(span), neck.scale_length_mm)
    least, most = {"full": (6.5, 10.5), "half": (10.8, 15.0), "macro": (25.0, 40.0)}[framing]
    px_per_mm = float(np.clip(width / (1.12 * (x1 - x0)), least, most))
    focal_px = width / 36.0 * (rng.uniform(36.0, 52.0) if framing == "full" else rng.uniform(37.0, 58.0))
    camera = Camera(
        width_px=width,
        height_px=height,
        px_per_mm=px_per_mm,
        distance_mm=float(focal_px / px_per_mm),
        frame_frets=span,
        aim_offset_mm=(float(rng.uniform(-4, 4)), 0.0),
        elevation_deg=float(rng.uniform(-1.0, 3.0)),
        yaw_deg=float(rng.uniform(-3.0, 3.0)),
        roll_deg=float(rng.uniform(-3.0, 3.0)),
        k1=float(rng.uniform(-0.04, 0.04)),
        principal_offset_px=float(rng.uniform(-30, 30)),
        edge_row_fraction=ROWS[framing],
        aperture_radius_mm=float(rng.uniform(1.2, 1.8)),
        focus_error_mm=float(rng.uniform(-3.0, 3.0)),
    )
    return camera, span


def draw_macro_span(rng: np.random.Generator, neck: Neck, *, last: int) -> tuple[float, float]:
    """Return five to seven frets that fill a close picture."""
    wide_mm = float(rng.uniform(90.0, 140.0))
    first = int(rng.integers(2, max(3, last - 7)))
    x0 = float(fret_position_mm(float(first), neck.scale_length_mm))
    end = float(np.floor(fret_number(x0 + wide_mm, neck.scale_length_mm)))
    return float(first), float(np.clip(end, first + 4, last))


def room_above_mm(camera: Camera) -> float:
    """Return how much of a straightedge's face has room in the picture above its lower edge."""
    tilted = 0.3 * camera.width_px * np.tan(np.deg2rad(abs(camera.roll_deg)))
    return float((camera.edge_row_fraction * camera.height_px - tilted) / camera.px_per_mm)


def draw_blade(
    rng: np.random.Generator, neck: Neck, *, camera: Camera, place: Place, span: tuple[float, float]
) -> Blade:
    """Return a straightedge that lies over the framed frets, its upper edge in the picture where one can be.

    Its height is told, so the photo is to show both edges, as the instructions ask.
    """
    heights = [h for h in HEIGHTS_MM if h < room_above_mm(camera) - 1.0] or HEIGHTS_MM[:1]
    outer = place == "outer"
    thickness = float(rng.uniform(0.8, 1.2)) if outer else float(rng.choice([2.0, 3.0, 4.0, 5.0]))
    first = int(max(1.0, span[0] - rng.integers(0, 3)))
    last = min(neck.fret_count, max(int(span[1]), neck.body_joint_fret + int(rng.integers(0, 3))))
    return Blade(
        thickness_mm=thickness,
        height_mm=float(rng.choice(heights)),
        chamfer_mm=float(rng.uniform(0.08, 0.13) if outer else rng.uniform(0.10, 0.20)),
        finish=str_choice(rng, ("brushed", "brushed", "satin", "black")),  # type: ignore[arg-type]
        first_fret=first,
        last_fret=last,
        overhang_mm=(float(rng.uniform(5, 18)), float(rng.uniform(4, 12))),
        place=place,
        outside_mm=0.5 * thickness + 0.5 * max(neck.string_gauges_mm[-1], 0.25) + 0.3,
        press=float(rng.choice([0.0, 0.0, -0.6, 0.6])),
    )


def board_slope_deg(neck: Neck, blade: Blade) -> float:
    """Return the board's slope where the straightedge stands: the camera goes down by it to look along the board."""
    at_nut, slope = string_path_mm(neck)
    x = float(fret_position_mm(0.5 * (blade.first_fret + blade.last_fret), neck.scale_length_mm))
    z = at_nut + blade.outside_mm + slope * x if blade.place == "outer" else 0.0
    return float(np.degrees(np.arcsin(z * float(curvature_per_mm(x, neck)))))


def draw_light(rng: np.random.Generator, background: str) -> Light:
    """Return light and backdrop."""
    kind = str_choice(rng, ("window", "window", "rake", "overhead", "mixed", "behind"))
    return Light(
        kind=kind,  # type: ignore[arg-type]
        side=int(rng.choice([-1, 1])),
        strength=float(rng.uniform(0.6, 1.4)),
        background=background,  # type: ignore[arg-type]
        background_distance_mm=float(
            rng.uniform(150, 560) if background in ("card", "cloth") else rng.uniform(260, 560)
        ),
        background_level=float(rng.uniform(0.75, 1.3)),
        bench_below_mm=float(rng.uniform(75, 130)),
    )


def draw_reference(rng: np.random.Generator, neck: Neck, *, blade: Blade, camera: Camera) -> Reference:
    """Return an object of known size that fits into the picture above the straightedge's edge, or none."""
    above = float(rng.uniform(6.0, 9.5))
    room = room_above_mm(camera) - above - 2.0
    choices: list[tuple[str, float]] = [("none", blade.height_mm)]
    if room > CARD_MM[1] + 2.0:
        choices += [("card", 24.26)] * 3
    choices += [("coin", size) for size in COINS_MM if size < room][:2]
    choices += [("marker", size) for size in MARKERS_MM if size * (MARKER_CELLS + 2) / MARKER_CELLS + 1.0 < room][:2]
    kind, size = choices[int(rng.integers(len(choices)))]
    x0, x1 = fret_position_mm(np.array(camera.frame_frets), neck.scale_length_mm)
    colour = COLOURS[int(rng.integers(len(COLOURS)))]
    if kind == "coin":
        colour = ((0.62, 0.60, 0.56), (0.60, 0.40, 0.26))[int(rng.integers(2))]
    return Reference(
        kind=kind,  # type: ignore[arg-type]
        size_mm=size,
        marker_id=int(rng.integers(50)),
        x_mm=float(x0 + rng.uniform(0.25, 0.75) * (x1 - x0)),
        above_mm=above,
        stand_off_mm=float(rng.choice([0.0, 0.1, 1.0])),
        turn_deg=float(rng.uniform(-3.0, 3.0)),
        colour=colour,
        printed=bool(rng.random() < 0.6),
    )


def draw_imaging(rng: np.random.Generator) -> Imaging:
    """Return lens blur, exposure, noise and coding."""
    sharp = rng.random() < 0.5
    return Imaging(
        psf_sigma_px=float(rng.uniform(0.6, 1.8)) if rng.random() < 0.5 else float(rng.uniform(0.6, 1.0)),
        exposure_mean=float(rng.uniform(0.14, 0.26)),
        highlight_allowance=float(rng.uniform(0.75, 1.2)),
        full_well_e=float(np.exp(rng.uniform(np.log(600.0), np.log(9000.0)))),
        read_noise=float(rng.uniform(0.0012, 0.006)),
        colour_cast=(float(rng.uniform(0.96, 1.0)), 1.0, float(rng.uniform(0.93, 1.0))),
        sharpen_amount=float(rng.uniform(0.3, 0.8)) if sharp else 0.0,
        sharpen_sigma_px=float(rng.uniform(0.9, 1.8)),
        tone_contrast=float(rng.uniform(0.0, 0.45)) if rng.random() < 0.6 else 0.0,
        jpeg_quality=int(rng.integers(80, 96)),
        chroma_subsampling="4:2:0" if rng.random() < 0.8 else "4:4:4",
        exif_orientation=1 if rng.random() < 0.7 else int(rng.integers(1, 9)),
    )
