"""The camera, as far as a photo of a neck tells it: where the depth direction vanishes, and how far away it stood.

Coordinates on the board: x along the straightedge's line from the nut, z towards the camera from that line, heights
measured down from the straightedge's lower edge. The camera stands at (x_foot, distance) in the x-z plane. A point at
(x, z) is seen in the column of the line's own point x_line = (x - x_foot z / D) / (1 - z / D).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lightgap.neck.profile import Array

from .comb import Comb

OUTER_NEAR_MM = 8.0  # fret ends nearer than this to the line: the straightedge stands beside the outer string
U_K1 = 0.03  # of a phone's lens, before the frets are asked (common practice, no published source)
# How far the crowns' fit may draw the camera along the board.
FREE_FOOT_MM = 1.5


@dataclass(frozen=True, slots=True)
class BoardCamera:
    """A comb with its depth.

    Attributes
    ----------
    comb
        Columns of places along the straightedge's line.
    x_foot_mm
        Place along the line nearest to the camera.
    distance_mm
        From the camera to the line.
    vanishing_px
        Column in which the depth direction vanishes.
    near_mm
        (2,) distance from the line to the fret ends on the camera's side: value at the nut and per mm along the board.
    u_scale
        Relative standard uncertainty of the comb's scale, by the scatter of the frets.
    u_k1
        Standard uncertainty of the comb's radial distortion, likewise; U_K1 where the frets tell nothing of it.
    hold_foot_mm
        How far the crowns' fit may draw `x_foot_mm`, as a standard deviation; where fret ends tell it this is less than
        its uncertainty.
    by_outlines
        The outlines of fret ends tell the comb.
    """

    comb: Comb
    x_foot_mm: float
    distance_mm: float
    vanishing_px: float
    near_mm: Array = field(repr=False)
    u_scale: float = 0.0
    u_k1: float = U_K1
    hold_foot_mm: float = FREE_FOOT_MM
    by_outlines: bool = False

    @property
    def beside_outer(self) -> bool:
        """Whether the straightedge lies along the outer string, and not along the middle of the board."""
        return bool(self.near_mm[0] < OUTER_NEAR_MM)

    def ends_mm(self, position_mm: Array) -> Array:
        """Return how far before the line the fret ends on the camera's side stand."""
        return np.asarray(self.near_mm[0] + self.near_mm[1] * position_mm)

    def slant(self, x_line_mm: Array) -> Array:
        """Return how far along the board one looks per mm of depth, at a place on the line."""
        return np.asarray((self.x_foot_mm - x_line_mm) / self.distance_mm)

    def px_per_mm(self, x_px: Array) -> Array:
        """Return the scale across the line (up and down) at a column."""
        tilt = self.comb.yaw * self.comb.focal_px / self.comb.middle_px
        reach = np.asarray(x_px) - self.comb.middle_px
        # depth along the axis at the column: D_mid / (1 - tan(yaw) reach / f), then scale = f / depth.
        scale_mid = self.comb.px_per_mm / np.cos(np.arctan(tilt))
        # Across its radius a lens enlarges as it does the radius, by 1 + k1 r^2.
        lens = 1 + self.comb.k1 * (reach / self.comb.focal_px) ** 2
        return np.asarray(scale_mid * (1 - tilt * reach / self.comb.focal_px) * lens)


def camera_from_comb(comb: Comb) -> BoardCamera:
    """Return the camera that the comb alone implies; fret ends are not known yet."""
    tilt = comb.yaw * comb.focal_px / comb.middle_px  # tan of the yaw
    yaw_rad = np.arctan(tilt)
    axial = comb.focal_px * np.cos(yaw_rad) / comb.px_per_mm
    vanishing = comb.middle_px - comb.focal_px * tilt
    # The middle column's point lies axial/cos... away; its foot offset along the line is axial * sin(yaw).
    foot = comb.x0_mm - comb.direction * axial * np.sin(yaw_rad)
    return BoardCamera(comb, float(foot), float(axial * np.cos(yaw_rad)), float(vanishing), np.zeros(2))


def column_of(camera: BoardCamera, x_mm: Array, z_mm: Array) -> Array:
    """Return the column in which a point at (x, z) near the line's height is seen."""
    ratio = z_mm / camera.distance_mm
    return camera.comb.x_px((x_mm - camera.x_foot_mm * ratio) / (1 - ratio))


def ends_seen_at(camera: BoardCamera, position_mm: Array) -> tuple[Array, Array]:
    """Return (n,) the columns in which the near ends of frets are expected, and the scale there (px/mm).

    Parameters
    ----------
    camera
        Tells where the ends stand before the line.
    position_mm
        (n,) places of the frets from the nut.
    """
    near_mm = camera.ends_mm(position_mm)
    column_px = column_of(camera, position_mm, near_mm)
    return column_px, np.asarray(camera.px_per_mm(column_px) * camera.distance_mm / (camera.distance_mm - near_mm))
