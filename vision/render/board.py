"""Crown heights of a bowed neck, and the line a rigid straightedge takes on them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.neck.contact import rest_on
from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array, frozen_array

from .settings import Blade, Neck


def sag_mm(z_mm: float | Array, curvature_per_mm: float | Array) -> Array:
    """Return how far a circular board falls from its middle line to `z_mm`; curvature is one over the radius."""
    z = np.asarray(z_mm, dtype=np.float64)
    k = np.asarray(curvature_per_mm, dtype=np.float64)
    return np.asarray(k * z * z / (1.0 + np.sqrt(1.0 - (k * z) ** 2)))


def bow_height_mm(x_mm: float | Array, neck: Neck) -> Array:
    """Return the height of the crown line at `x_mm` for the neck's bow, without the errors of single frets."""
    x = np.asarray(x_mm, dtype=np.float64)
    first = float(fret_position_mm(1.0, neck.scale_length_mm))
    joint = float(fret_position_mm(float(neck.body_joint_fret), neck.scale_length_mm))
    s = np.clip((x - first) / (joint - first), 0.0, 1.0)
    if neck.bow_family == "straight":
        shape = np.zeros_like(s)
    elif neck.bow_family == "s":
        shape = np.sin(2.0 * np.pi * s)
    else:
        if neck.bow_peak_fret is not None:
            peak = float(fret_position_mm(neck.bow_peak_fret, neck.scale_length_mm))
            s = s ** (np.log(0.5) / np.log((peak - first) / (joint - first)))
        shape = 4.0 * s * (1.0 - s)
    return np.asarray(-neck.bow_mm * shape - neck.tongue_slope * np.maximum(x - joint, 0.0))


def curvature_per_mm(x_mm: float | Array, neck: Neck) -> Array:
    """Return one over the board's radius at `x_mm` (0 for a flat board)."""
    x = np.asarray(x_mm, dtype=np.float64)
    if neck.board_radius_mm is None:
        return np.zeros_like(x)
    at_nut = 1.0 / neck.board_radius_mm
    if neck.board_radius_end_mm is None:
        return np.full_like(x, at_nut)
    end = float(fret_position_mm(float(neck.fret_count), neck.scale_length_mm))
    return np.asarray(at_nut + (1.0 / neck.board_radius_end_mm - at_nut) * x / end)


def half_width_mm(x_mm: float | Array, neck: Neck) -> Array:
    """Return half the board's width at `x_mm`: it tapers straight from the nut through the body joint."""
    joint = float(fret_position_mm(float(neck.body_joint_fret), neck.scale_length_mm))
    slope = 0.5 * (neck.joint_width_mm - neck.nut_width_mm) / joint
    return np.asarray(0.5 * neck.nut_width_mm + slope * np.asarray(x_mm, dtype=np.float64))


@dataclass(frozen=True, slots=True)
class BladeLine:
    """The lower edge of the straightedge: y = intercept + slope x, z = z0 + z_slope x.

    Attributes
    ----------
    lean_rad
        Lean of the straightedge towards the camera, square to the board's surface where it stands.
    contact_frets
        The crowns it rests on.
    """

    intercept_mm: float
    slope: float
    z0_mm: float
    z_slope: float
    lean_rad: float
    x_left_mm: float
    x_right_mm: float
    contact_frets: tuple[int, int]

    def height_mm(self, x_mm: float | Array) -> Array:
        """Return the height of the lower edge at `x_mm`."""
        return np.asarray(self.intercept_mm + self.slope * np.asarray(x_mm, dtype=np.float64))

    def z_mm(self, x_mm: float | Array) -> Array:
        """Return the place of the lower edge across the board at `x_mm`."""
        return np.asarray(self.z0_mm + self.z_slope * np.asarray(x_mm, dtype=np.float64))


@dataclass(frozen=True, slots=True)
class Crowns:
    """Fret crowns as made: numbers, places and heights of their apexes on the middle line, (n,) each."""

    frets: tuple[int, ...]
    x_mm: Array
    height_mm: Array
    curvature_per_mm: Array

    def height_at_mm(self, z_mm: float | Array) -> Array:
        """Return the apex heights across the board at `z_mm` (scalar or one per fret)."""
        return np.asarray(self.height_mm - sag_mm(z_mm, self.curvature_per_mm))


def make_crowns(neck: Neck, *, rng: np.random.Generator) -> Crowns:
    """Return the crowns of a neck: bow, random scatter and the errors of single frets."""
    frets = np.arange(1, neck.fret_count + 1)
    x = fret_position_mm(frets.astype(np.float64), neck.scale_length_mm)
    height = bow_height_mm(x, neck) + neck.crown_scatter_mm * rng.standard_normal(len(frets))
    for fret, error_mm in neck.fret_errors_mm:
        height[fret - 1] += error_mm
    return Crowns(
        tuple(int(f) for f in frets), frozen_array(x), frozen_array(height), frozen_array(curvature_per_mm(x, neck))
    )


def string_path_mm(neck: Neck) -> tuple[float, float]:
    """Return (z at the nut, slope) of the camera-side outer string's centre line."""
    at_nut = 0.5 * neck.nut_width_mm - neck.nut_inset_mm
    return at_nut, (0.5 * neck.bridge_spread_mm - at_nut) / neck.scale_length_mm


def lay_blade(neck: Neck, blade: Blade, *, crowns: Crowns) -> BladeLine:
    """Lay the straightedge on the crowns by rigid contact along its own line across the board."""
    left = float(fret_position_mm(float(blade.first_fret), neck.scale_length_mm)) - blade.overhang_mm[0]
    right = float(fret_position_mm(float(blade.last_fret), neck.scale_length_mm)) + blade.overhang_mm[1]
    z0, z_slope, lean = 0.0, 0.0, 0.0
    middle = 0.5 * (left + right)
    if blade.place == "outer":
        at_nut, z_slope = string_path_mm(neck)
        z0 = at_nut + blade.outside_mm
        lean = float(np.arcsin((z0 + z_slope * middle) * curvature_per_mm(middle, neck)))
    under = np.flatnonzero((crowns.x_mm > left) & (crowns.x_mm < right))
    x = crowns.x_mm[under]
    y = crowns.height_at_mm(z0 + z_slope * crowns.x_mm)[under]
    a, b = rest_on(x, y, load_mm=middle + 0.5 * blade.press * (right - left))
    slope = float((y[b] - y[a]) / (x[b] - x[a]))
    contact = (crowns.frets[under[a]], crowns.frets[under[b]])
    return BladeLine(float(y[a] - slope * x[a]), slope, z0, z_slope, lean, left, right, contact)
