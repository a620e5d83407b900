"""The visible upper outline of a fret: a crown swept along a radiused board, seen by a near camera."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.neck.profile import Array


@dataclass(frozen=True, slots=True)
class Outline:
    """Shape shared by all frets.

    Attributes
    ----------
    crown_per_mm
        Curvature of the crown across the fret, 1/mm.
    board_per_mm
        1 / board radius.
    elevation_rad
        Slope at which the board's surface falls away from the line of sight towards the camera.
    shift_mm
        Common shift of all crowns along the board.
    bevel_mm
        How far the top of a fret's end stands back from its foot.
    mirror
        How fully the crown mirrors the light behind it at grazing angles: 1 for polished metal.
    """

    crown_per_mm: float = 0.75
    board_per_mm: float = 1 / 320
    elevation_rad: float = 0.0
    shift_mm: float = 0.0
    bevel_mm: float = 0.5
    mirror: float = 1.0


def outline_drop(outline: Outline, slant: Array, beside_mm: Array) -> tuple[Array, Array]:
    """Return the drop of a fret's visible upper outline below its apex, and the depth z at which it is seen.

    With delta the place across the fret, the drop is c delta^2 / 2 + k z^2 / 2 + a z with delta = beside + slant z;
    the outline is its least value over z.

    Parameters
    ----------
    outline
        Shared shape.
    slant
        mm along the board per mm of depth at these columns.
    beside_mm
        The columns' places along the straightedge's line relative to the crown's centre.
    """
    c, k, a = outline.crown_per_mm, outline.board_per_mm, outline.elevation_rad
    z = -(c * slant * beside_mm + a) / (k + c * slant**2)
    delta = beside_mm + slant * z
    return 0.5 * c * delta**2 + 0.5 * k * z**2 + a * z, z


def mirrored_rim(outline: Outline, slant: Array, z_mm: Array, apparent_mm: Array, near_face_mm: float) -> Array:
    """Return by how much the boundary that is seen lies below the true outline, in mm.

    At its outline a polished crown is met at a grazing angle and mirrors the light of the gap: the rim is as bright as
    the gap itself. A little nearer the surface turns the line of sight upwards by twice its slope; where that reaches
    the blade's face, the crown turns dark (or bright, before a dark cloth). With k the curvature along the line of
    sight, m the outline's depth behind the blade's face and A the apparent gap, the place follows from
    2 k s (m + s) = A + k s^2 / 2, and the boundary lies k s^2 / 2 below the outline.

    Parameters
    ----------
    outline
        Shared shape.
    slant, z_mm
        Of the columns, as in `outline_drop`.
    apparent_mm
        Apparent gap at the outline.
    near_face_mm
        Depth of the blade's near face before its middle.
    """
    k = outline.board_per_mm + outline.crown_per_mm * slant**2
    m = z_mm - near_face_mm
    root = np.sqrt((2 * k * m) ** 2 + 6 * k * np.maximum(apparent_mm, 0.0))
    s = (root - 2 * k * m) / (3 * k)
    return np.asarray(outline.mirror * np.minimum(0.5 * k * s**2, 0.3))
