"""String height: over every crown, what relief does to it, and how far the bridge must move.

String heights are from the crown to the underside of the open string. The neck is a beam fixed at the body joint and
bent by a constant moment; the saddle stays where it is.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .beam import cantilever_shape
from .errors import InputError
from .frets import fret_position_mm
from .profile import Array, GapProfile, frozen_array
from .units import parse_length

LOWEST_ACTION_MM, HIGHEST_ACTION_MM = 0.2, 8.0
ACTION_FRET = 12
# Strings over fret 12 of an electric guitar at or under this read as low (common practice, no published source).
LOW_BASS_MM, LOW_TREBLE_MM = 0.070 * 25.4, 0.050 * 25.4
U_ACTION_MM = 0.06
_FINE = 400


@dataclass(frozen=True, slots=True)
class ActionReading:
    """String height over one fret, at the bass and treble side.

    Attributes
    ----------
    bass_mm, treble_mm
        Heights.
    u_mm
        Standard uncertainty of either.
    fret
        Where it was read.
    """

    bass_mm: float
    treble_mm: float
    u_mm: float = U_ACTION_MM
    fret: int = ACTION_FRET


@dataclass(frozen=True, slots=True)
class StringLine:
    """Height of one open string over the straightedge's line.

    Attributes
    ----------
    scale_length_mm
        Nut to saddle.
    nut_mm, saddle_mm
        Height at nut and saddle above the straightedge's line.
    frets, height_mm, u_height_mm
        Over every crown of the profile: height from crown to string with standard uncertainty.
    """

    scale_length_mm: float
    nut_mm: float
    saddle_mm: float
    frets: tuple[int, ...]
    height_mm: Array = field(repr=False)
    u_height_mm: Array = field(repr=False)


@dataclass(frozen=True, slots=True)
class BridgeMove:
    """How far the bridge or saddle must move; positive raises.

    Attributes
    ----------
    bass_mm, treble_mm
        At the outer strings.
    u_mm
        Standard uncertainty of either.
    post_bass_mm, post_treble_mm
        At the two posts of a bridge that stands on posts outside the strings.
    turns_bass, turns_treble
        In turns of the posts or height screws, when their thread pitch is known.
    """

    bass_mm: float
    treble_mm: float
    u_mm: float
    post_bass_mm: float
    post_treble_mm: float
    turns_bass: float | None
    turns_treble: float | None


@dataclass(frozen=True, slots=True)
class BridgeGeometry:
    """Where a bridge is adjusted.

    Attributes
    ----------
    scale_length_mm
        Nut to saddle.
    string_spread_mm
        Between the outer strings at the bridge.
    post_span_mm
        Between the two posts; the string spread itself for a saddle adjusted under the outer strings.
    thread_pitch_mm
        Rise per turn of post or screw.
    """

    scale_length_mm: float = 648.0
    string_spread_mm: float = 52.0
    post_span_mm: float = 52.0
    thread_pitch_mm: float | None = None

    def __post_init__(self) -> None:
        for name, value, low, high in (
            ("scale length", self.scale_length_mm, 200, 1200),
            ("string spread", self.string_spread_mm, 15, 130),
            ("post span", self.post_span_mm, 15, 150),
            ("thread pitch", self.thread_pitch_mm, 0.2, 2.5),
        ):
            if value is not None and not low <= value <= high:
                raise InputError(f"{name} must be {low:g} to {high:g} mm, got {value:g} mm")
        if self.post_span_mm < self.string_spread_mm:
            raise InputError("the posts stand outside the strings: their span cannot be less than the string spread")


def parse_action(text: str, *, what: str = "action") -> ActionReading:
    """Return string heights over fret 12 from "BASS,TREBLE", mm or with units.

    Raises
    ------
    InputError
        When they cannot be read or are no string heights.
    """
    parts = text.split(",")
    if len(parts) != 2:
        raise InputError(f"{what} {text!r}: write BASS,TREBLE, for example 2.0,1.6 or 5/64in,4/64in")
    bass, treble = (check_height(parse_length(part, what=what), what=what) for part in parts)
    return ActionReading(bass, treble)


def check_height(height_mm: float, *, what: str) -> float:
    """Return a string height when it makes sense, else raise InputError."""
    if not LOWEST_ACTION_MM <= height_mm <= HIGHEST_ACTION_MM:
        raise InputError(
            f"{what}: {height_mm:.4g} mm is no string height ({LOWEST_ACTION_MM:g} to {HIGHEST_ACTION_MM:g} mm)"
        )
    return height_mm


def describe_action(bass_mm: float, treble_mm: float) -> str:
    """Return "low", "medium" or "high" for an electric guitar (common practice, no published source)."""
    if bass_mm <= LOW_BASS_MM + 1e-9 and treble_mm <= LOW_TREBLE_MM + 1e-9:
        return "low"
    return "high" if bass_mm > 2.6 or treble_mm > 2.2 else "medium"


def string_line(
    profile: GapProfile,
    *,
    scale_length_mm: float,
    action_mm: float,
    u_action_mm: float = U_ACTION_MM,
    first_fret_mm: float = 0.5,
    u_first_fret_mm: float = U_ACTION_MM,
) -> StringLine:
    """Return the height of an open string over every crown of a profile.

    Parameters
    ----------
    profile
        Gaps; must hold the first and the twelfth fret.
    scale_length_mm
        Nut to saddle.
    action_mm, u_action_mm
        String height over fret 12.
    first_fret_mm, u_first_fret_mm
        String height over fret 1, which tells the nut.

    Notes
    -----
    In the straightedge's frame a crown lies `gap` below its line, so a string at height h over it is at h - gap. The
    straight line through the two readings is the string.
    """
    ends = (1, ACTION_FRET)
    missing = [f for f in ends if f not in profile.frets]
    if missing:
        raise InputError(
            f"string height over every crown needs frets 1 and 12 in the profile; fret {missing[0]} is missing"
        )
    at = [profile.frets.index(f) for f in ends]
    x, gap = profile.position_mm, profile.gap_mm
    # Heights over all crowns are linear in (gaps, the two readings).
    share = (x - x[at[0]]) / (x[at[1]] - x[at[0]])
    jac = np.eye(len(x))
    jac[:, at[0]] -= 1 - share
    jac[:, at[1]] -= share
    heights = jac @ gap + (1 - share) * first_fret_mm + share * action_mm
    variance = np.einsum("ij,jk,ik->i", jac, profile.covariance_mm2, jac)
    variance = variance + ((1 - share) * u_first_fret_mm) ** 2 + (share * u_action_mm) ** 2
    low, high = first_fret_mm - gap[at[0]], action_mm - gap[at[1]]
    rise = (high - low) / (x[at[1]] - x[at[0]])
    nut = low - rise * x[at[0]]
    return StringLine(
        scale_length_mm,
        float(nut),
        float(nut + rise * scale_length_mm),
        profile.frets,
        frozen_array(heights),
        frozen_array(np.sqrt(variance)),
    )


def action_change_mm(
    relief_change_mm: float,
    *,
    scale_length_mm: float,
    chord: tuple[int, int] = (1, 15),
    joint_fret: int = 14,
    taper: float = 1.0,
) -> float:
    """Return the change of string height over fret 12 that a change of relief brings, saddle left alone.

    Parameters
    ----------
    relief_change_mm
        + more up-bow.
    scale_length_mm, chord
        Of the relief.
    joint_fret
        Fret at the body joint, where the neck is held.
    taper
        Thickness at the nut over thickness at the joint.

    Notes
    -----
    More up-bow lifts the nut; over fret 12 the string rises by half of that, less the rise of fret 12 itself. For a
    uniform neck with curvature q the nut rises q s^2 / 2, s being the distance from joint to nut, and relief is that of
    the arc.
    """
    if not 10 <= joint_fret <= 24:
        raise InputError(f"the body joint must be at fret 10 to 24, got {joint_fret}")
    joint = float(fret_position_mm(joint_fret, scale_length_mm))
    distance = np.linspace(0, joint, _FINE)
    shape = cantilever_shape(distance, taper=taper)

    def rise(fret: float) -> float:
        return float(np.interp(joint - float(fret_position_mm(fret, scale_length_mm)), distance, shape))

    first, last = (float(fret_position_mm(f, scale_length_mm)) for f in chord)
    frets = np.linspace(first, last, 201)
    heights = np.interp(np.clip(joint - frets, 0, None), distance, shape)
    share = (frets - first) / (last - first)
    relief = float(np.max((1 - share) * heights[0] + share * heights[-1] - heights))
    twelfth = float(fret_position_mm(ACTION_FRET, scale_length_mm)) / scale_length_mm
    return relief_change_mm / relief * (rise(0) * (1 - twelfth) - rise(ACTION_FRET))


def bridge_move(now: ActionReading, wanted: ActionReading, *, geometry: BridgeGeometry | None = None) -> BridgeMove:
    """Return how far saddle or bridge posts must move for a wanted string height.

    Notes
    -----
    Over fret f at x_f the string moves by x_f / L of the saddle's move: twice the change over fret 12. Two posts stand
    outside the strings, so each moves by the line through the two string moves, drawn on to the post.
    """
    geometry = geometry or BridgeGeometry()
    lever = geometry.scale_length_mm / float(fret_position_mm(now.fret, geometry.scale_length_mm))
    bass, treble = ((w - n) * lever for w, n in ((wanted.bass_mm, now.bass_mm), (wanted.treble_mm, now.treble_mm)))
    middle, half = (bass + treble) / 2, (bass - treble) / 2 * geometry.post_span_mm / geometry.string_spread_mm
    posts = (middle + half, middle - half)
    pitch = geometry.thread_pitch_mm
    turns = [None if pitch is None else post / pitch for post in posts]
    return BridgeMove(bass, treble, now.u_mm * lever, posts[0], posts[1], turns[0], turns[1])
