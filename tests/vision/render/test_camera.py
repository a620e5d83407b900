"""The camera against OpenCV's projection and against photos' sidecars made by an independent path tracer."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from lightgap.vision.render import Camera, SceneSettings
from lightgap.vision.render.camera import Pinhole, place_camera

INDEPENDENT = json.loads((Path(__file__).parent / "independent_cameras.json").read_text())
SIDECAR_ROUNDING_PX = 0.002  # the sidecars give pixels to 0.001 and millimetres to 0.0001, 26 px/mm at most


def made_camera(**changes: float) -> Pinhole:
    camera = replace(
        Camera(elevation_deg=2.1, yaw_deg=-2.4, roll_deg=1.7, k1=0.037, principal_offset_px=21.0), **changes
    )
    return place_camera(SceneSettings(camera=camera))


def test_projection_is_that_of_opencv() -> None:
    camera = made_camera()
    rng = np.random.default_rng(5)
    points = rng.uniform([0.0, -20.0, -30.0], [420.0, 90.0, 30.0], (200, 3))
    turn = np.vstack([camera.right, -camera.up, camera.forward])
    matrix = np.array([[camera.focal_px, 0, camera.cx_px], [0, camera.focal_px, camera.cy_px], [0, 0, 1.0]])
    want, _ = cv2.projectPoints(
        points, cv2.Rodrigues(turn)[0], -turn @ camera.centre_mm, matrix, np.array([camera.k1, 0.0, 0.0, 0.0])
    )
    # Both compute in double precision; 1e-6 px allows for the rotation vector.
    np.testing.assert_allclose(camera.project_px(points), want[:, 0], atol=1e-6)


def test_axes_are_square_and_look_at_the_aim() -> None:
    camera = made_camera()
    axes = np.vstack([camera.right, camera.up, -camera.forward])
    np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(axes) == pytest.approx(1.0)
    aim = camera.centre_mm + 520.0 * camera.forward
    np.testing.assert_allclose(camera.project_px(aim[None]), [[camera.cx_px, camera.cy_px]], atol=1e-9)


@pytest.mark.parametrize("name", sorted(INDEPENDENT))
def test_independent_renderer_puts_apexes_where_this_camera_does(name: str) -> None:
    case = INDEPENDENT[name]
    c = case["camera"]
    camera = Pinhole(
        c["focal_px"], c["cx"], c["cy"], c["k1"], np.array(c["centre_mm"]), np.array(c["forward"]),
        np.array(c["right"]), np.array(c["up"]), c["world_x_sign"], c["focus_distance_mm"], c["aperture_radius_mm"],
    )  # fmt: skip
    line = case["blade_line_mm"]
    for fret in case["frets"]:
        z = line.get("z0", 0.0) + line.get("z_slope", 0.0) * fret["x_mm"]
        got = camera.project_px(np.array([[fret["x_mm"], fret["crown_height_mm"], z]]))[0]
        assert got == pytest.approx([fret["u_px"], fret["v_px"]], abs=SIDECAR_ROUNDING_PX)
        edge = line["intercept"] + line["slope"] * fret["x_mm"]
        square = np.cos(line.get("lean_rad", 0.0))  # along the straightedge's face
        assert square * (edge - fret["crown_height_mm"]) == pytest.approx(fret["gap_mm"], abs=1.5e-5)  # rounded to 1e-5


def test_nut_on_the_right_mirrors_the_picture() -> None:
    settings = SceneSettings(camera=Camera(yaw_deg=2.0, aim_offset_mm=(3.0, 0.0)))
    mirrored = replace(
        settings, nut_side="right", camera=replace(settings.camera, yaw_deg=-2.0, aim_offset_mm=(-3.0, 0.0))
    )
    points = np.array([[36.0, 0.0, 0.0], [300.0, -0.4, 5.0]])
    left, right = place_camera(settings), place_camera(mirrored)
    a, b = left.project_px(points), right.project_px(points)
    np.testing.assert_allclose(a[:, 0] - left.cx_px, right.cx_px - b[:, 0], atol=1e-9)
    np.testing.assert_allclose(a[:, 1], b[:, 1], atol=1e-9)


def test_camera_turned_up_stands_where_it_stood_and_sees_the_aimed_point_lower() -> None:
    """A crop of a picture is that of the same camera, its axis off the crop's aimed point."""
    straight = made_camera(height_px=1200, edge_row_fraction=0.6)
    turned = made_camera(height_px=1200, edge_row_fraction=0.6, axis_row_fraction=0.4)
    np.testing.assert_allclose(turned.centre_mm, straight.centre_mm, atol=1e-9)
    axes = np.vstack([turned.right, turned.up, -turned.forward])
    np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-12)
    aim = straight.centre_mm + 520.0 * straight.forward
    seen = replace(turned, k1=0.0).project_px(aim[None])[0]
    np.testing.assert_allclose(seen, [turned.cx_px, 0.6 * 1200], atol=1e-6)  # rounding
    assert turned.cy_px == 0.4 * 1200
    points = np.random.default_rng(5).uniform([0.0, -20.0, -30.0], [420.0, 90.0, 30.0], (50, 3))
    whole = made_camera(height_px=3000, edge_row_fraction=0.5 + 240 / 3000, axis_row_fraction=0.5)
    shift = np.array([0.0, 0.5 * 3000 - 0.4 * 1200])
    np.testing.assert_allclose(whole.project_px(points) - shift, turned.project_px(points), atol=1e-6)
