"""What a rendered photo is made of: every length in mm, every angle in degrees, said in the names.

Board frame: x along the board from the nut, y up from the board, z towards the camera; y = 0 is the line of the
crown tops of a straight, level neck at the middle of the board (z = 0).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Framing = Literal["full", "half", "macro"]
BowFamily = Literal["parabola", "s", "straight"]
Finish = Literal["brushed", "satin", "black"]
Place = Literal["middle", "outer"]
Background = Literal["card", "cloth", "wall", "bench", "gradient"]
LightKind = Literal["window", "rake", "overhead", "mixed", "behind"]
ReferenceObject = Literal["card", "coin", "marker", "none"]
Colour = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Neck:
    """Fingerboard, frets and what carries them.

    Attributes
    ----------
    board_radius_mm
        Radius of the cylindrical board; None for a flat one.
    board_radius_end_mm
        Radius at the last fret for a board whose curvature changes along it; None for one radius.
    bow_mm, bow_family, bow_peak_fret
        Largest depth of the bow between fret 1 and the body joint: positive sags (up-bow), negative stands proud
        (back-bow). The peak lies midway for None (a true parabola), else at that fret.
    tongue_slope
        Fall of the board past the body joint, mm per mm: positive falls away, negative rises.
    fret_errors_mm
        (fret, height error) pairs added to the crown heights.
    crown_scatter_mm
        Standard deviation of the random height error of every crown.
    strings
        Strung to pitch, or bare.
    """

    instrument: str = "dreadnought"
    scale_length_mm: float = 645.0
    fret_count: int = 20
    body_joint_fret: int = 14
    board_radius_mm: float | None = 406.0
    board_radius_end_mm: float | None = None
    nut_width_mm: float = 43.0
    joint_width_mm: float = 55.0
    board_thickness_mm: float = 6.0
    neck_depth_mm: float = 15.0
    fret_width_mm: float = 2.4
    fret_height_mm: float = 1.1
    fret_roughness: float = 0.14
    frets_shown: bool = True
    bow_family: BowFamily = "parabola"
    bow_mm: float = 0.25
    bow_peak_fret: float | None = None
    tongue_slope: float = 0.0
    fret_errors_mm: tuple[tuple[int, float], ...] = ()
    crown_scatter_mm: float = 0.008
    strings: bool = False
    string_gauges_mm: tuple[float, ...] = (1.17, 0.91, 0.66, 0.43, 0.33, 0.25)
    bridge_spread_mm: float = 53.0
    nut_inset_mm: float = 3.75
    action_at_12_mm: float = 1.6
    board_colour: Colour = (0.030, 0.022, 0.018)
    neck_colour: Colour = (0.22, 0.085, 0.04)
    body_colour: Colour = (0.25, 0.10, 0.045)
    nut_colour: Colour = (0.72, 0.66, 0.52)


@dataclass(frozen=True, slots=True)
class Blade:
    """The straightedge.

    Attributes
    ----------
    first_fret, last_fret, overhang_mm
        It lies over these frets and reaches past them at the nut end and at the body end.
    place, outside_mm
        "middle": over the middle line. "outer": along the path of the camera-side outer string, its middle plane that
        far outside the string's centre.
    press
        Where the load lies along the blade, -1 nut end, 0 its middle (own weight), +1 body end. It matters only when
        more than two crowns could carry it: on a back-bow it rocks.
    """

    shown: bool = True
    thickness_mm: float = 3.0
    height_mm: float = 30.0
    chamfer_mm: float = 0.13
    finish: Finish = "brushed"
    first_fret: int = 1
    last_fret: int = 17
    overhang_mm: tuple[float, float] = (10.0, 6.0)
    place: Place = "middle"
    outside_mm: float = 1.2
    press: float = 0.0


@dataclass(frozen=True, slots=True)
class Camera:
    """A phone's camera: where it stands and what its lens does.

    Attributes
    ----------
    frame_frets
        The picture is aimed midway between these two frets (0 is the nut).
    px_per_mm, distance_mm
        Image scale in the plane of the straightedge and distance from the aimed point.
    elevation_deg, yaw_deg, roll_deg
        Positive elevation looks down on the board; positive yaw stands towards the body; positive roll lifts the
        camera's right side.
    k1
        Radial distortion: x_d = x_u (1 + k1 r_u^2), coordinates divided by the focal length.
    edge_row_fraction
        Row of the aimed point as a fraction of the height.
    axis_row_fraction
        Row of the optical axis as a fraction of the height, which may lie outside a cropped picture; None where the
        camera looks straight at the aimed point. The camera stands where it would otherwise: it is turned up or down.
    """

    width_px: int = 4032
    height_px: int = 1240
    px_per_mm: float = 8.6
    distance_mm: float = 520.0
    frame_frets: tuple[float, float] = (0.0, 17.0)
    aim_offset_mm: tuple[float, float] = (0.0, 0.0)
    elevation_deg: float = 0.7
    yaw_deg: float = 0.0
    roll_deg: float = 0.0
    k1: float = 0.0
    principal_offset_px: float = 0.0
    edge_row_fraction: float = 0.64
    axis_row_fraction: float | None = None
    aperture_radius_mm: float = 1.4
    focus_error_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Light:
    """What lights the scene and what stands behind it.

    Attributes
    ----------
    kind, side
        Main light and the side it comes from (-1 towards the nut, +1 towards the body).
    strength
        Main light against the light of the room.
    background, background_distance_mm, background_level
        What stands behind the neck, how far, and its brightness against the usual for its kind.
    """

    kind: LightKind = "window"
    side: int = 1
    strength: float = 1.0
    background: Background = "card"
    background_distance_mm: float = 400.0
    background_level: float = 1.0
    bench_below_mm: float = 110.0
    pattern_seed: int = 1


@dataclass(frozen=True, slots=True)
class Reference:
    """The object of known size before the straightedge's face.

    Attributes
    ----------
    size_mm
        Coin diameter or side of the marker's black square; the card has its own size (ISO/IEC 7810 ID-1).
    x_mm, above_mm
        Its middle along the board and the height of its lowest point above the straightedge's lower edge.
    stand_off_mm
        Air between the straightedge's face and the object's back.
    turn_deg
        Turn in its own plane.
    true_scale
        True size over stated size: other than 1 makes the wrong object.
    """

    kind: ReferenceObject = "card"
    size_mm: float = 24.26
    marker_id: int = 7
    x_mm: float = 200.0
    above_mm: float = 7.0
    stand_off_mm: float = 0.05
    turn_deg: float = 0.0
    true_scale: float = 1.0
    colour: Colour = (0.06, 0.16, 0.36)
    printed: bool = True


@dataclass(frozen=True, slots=True)
class Imaging:
    """From light on the sensor to the file.

    Attributes
    ----------
    psf_sigma_px
        Gaussian point spread of the lens, above 0; the pixel's own area comes on top.
    exposure_mean, highlight_allowance
        Linear level aimed at (mean of the logarithm), held back so that the brightest 2 % stay below the allowance
        (1 is white).
    full_well_e, read_noise
        Electrons at white (shot noise) and read noise as a fraction of white.
    sharpen_amount, sharpen_sigma_px
        Unsharp mask in coded values; 0 for none.
    tone_contrast
        Share of a smoothstep curve mixed into the coded values, as phones do; 0 for plain sRGB.
    chroma_subsampling
        "4:4:4" or "4:2:0".
    exif_orientation
        Tag 274: the pixels are stored turned so that this value brings them upright.
    """

    psf_sigma_px: float = 0.8
    exposure_mean: float = 0.24
    highlight_allowance: float = 1.15
    full_well_e: float = 6000.0
    read_noise: float = 0.002
    colour_cast: Colour = (1.0, 1.0, 1.0)
    sharpen_amount: float = 0.0
    sharpen_sigma_px: float = 1.2
    tone_contrast: float = 0.0
    jpeg_quality: int = 90
    chroma_subsampling: Literal["4:4:4", "4:2:0"] = "4:2:0"
    exif_orientation: int = 1


@dataclass(frozen=True, slots=True)
class SceneSettings:
    """One photo, whole.

    Attributes
    ----------
    nut_side
        Side of the picture the nut is on.
    samples
        Rays per pixel in the strip along the straightedge's lower edge: everywhere, on bodies (counting neighbours in
        the row, over which they are averaged), on frets, strings and the chamfer, where edges are. Elsewhere half as
        many where edges other than theirs are, and a ray for every second pixel where the picture is even.
    """

    name: str = "photo"
    framing: Framing = "full"
    nut_side: Literal["left", "right"] = "left"
    neck: Neck = field(default_factory=Neck)
    blade: Blade = field(default_factory=Blade)
    camera: Camera = field(default_factory=Camera)
    light: Light = field(default_factory=Light)
    reference: Reference = field(default_factory=Reference)
    imaging: Imaging = field(default_factory=Imaging)
    samples: tuple[int, int, int, int] = (2, 12, 12, 32)
