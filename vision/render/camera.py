"""The camera that makes the photo: where it stands, and where a point of the scene falls in the picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array, frozen_array

from .settings import SceneSettings


@dataclass(frozen=True, slots=True)
class Pinhole:
    """A camera with one radial distortion term.

    World frame as the board frame, x turned over when the nut is on the right (`x_sign` -1).

    Attributes
    ----------
    focal_px, cx_px, cy_px, k1
        x_d = x_u (1 + k1 r_u^2) with coordinates divided by the focal length.
    centre_mm, forward, right, up
        (3,) each.
    """

    focal_px: float
    cx_px: float
    cy_px: float
    k1: float
    centre_mm: Array
    forward: Array
    right: Array
    up: Array
    x_sign: float
    focus_distance_mm: float
    aperture_radius_mm: float

    def project_px(self, points_mm: Array) -> Array:
        """Return the (n, 2) pixels (x right, y down, centres at integers) of (n, 3) points in the board frame."""
        p = np.atleast_2d(points_mm) * np.array([self.x_sign, 1.0, 1.0]) - self.centre_mm
        depth = p @ self.forward
        x, y = p @ self.right / depth, -(p @ self.up) / depth
        bent = 1.0 + self.k1 * (x * x + y * y)
        return np.column_stack([self.cx_px + self.focal_px * x * bent, self.cy_px + self.focal_px * y * bent])


def place_camera(settings: SceneSettings, *, aim_y_mm: float = 0.0, aim_z_mm: float = 0.0) -> Pinhole:
    """Set up the camera: it looks at the point midway between the framed frets, from its distance and angles."""
    c, sign = settings.camera, 1.0 if settings.nut_side == "left" else -1.0
    ends = fret_position_mm(np.array(c.frame_frets), settings.neck.scale_length_mm)
    aim = np.array([sign * float(ends.mean()) + c.aim_offset_mm[0], aim_y_mm + c.aim_offset_mm[1], aim_z_mm])
    elevation, yaw, roll = np.deg2rad([c.elevation_deg, c.yaw_deg, c.roll_deg])
    forward = -np.array([np.cos(elevation) * np.sin(yaw), np.sin(elevation), np.cos(elevation) * np.cos(yaw)])
    level = np.cross(forward, [0.0, 1.0, 0.0])
    level /= np.linalg.norm(level)
    upright = np.cross(level, forward)
    right = np.cos(roll) * level + np.sin(roll) * upright
    centre = aim - c.distance_mm * forward
    focal_px, axis_row = c.px_per_mm * c.distance_mm, c.axis_row_fraction
    focus_mm = c.distance_mm
    if axis_row is not None:
        rise = (c.edge_row_fraction - axis_row) * c.height_px / focal_px
        forward = (forward + rise * np.cross(right, forward)) / np.hypot(1.0, rise)
        focus_mm /= np.hypot(1.0, rise)  # of the aimed point, along the axis
    up = np.cross(right, forward)
    return Pinhole(
        focal_px=focal_px,
        cx_px=0.5 * (c.width_px - 1) + c.principal_offset_px,
        cy_px=(c.edge_row_fraction if axis_row is None else axis_row) * c.height_px,
        k1=c.k1,
        centre_mm=frozen_array(centre),
        forward=frozen_array(forward),
        right=frozen_array(right),
        up=frozen_array(up),
        x_sign=sign,
        focus_distance_mm=float(focus_mm) + c.focus_error_mm,
        aperture_radius_mm=c.aperture_radius_mm,
    )
