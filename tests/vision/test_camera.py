"""The camera: fitted to rows of which little or nothing was seen, and its scale against OpenCV's model of a lens."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lightgap.neck.frets import fret_position_mm
from lightgap.vision.camera import FREE_FOOT_MM, camera_from_comb
from lightgap.vision.camera_fit import U_OUTLINE_MM, OutlinedEnds, fit_camera
from lightgap.vision.comb import Comb
from lightgap.vision.locate import EdgeCurve


@pytest.mark.parametrize("beside_outer", [False, True])
def test_rows_of_which_nothing_is_seen_leave_what_was_known(*, beside_outer: bool) -> None:
    """On an even picture neither glow nor fret end is found: the comb stays, and its scale is as doubtful as before."""
    comb = Comb(1, 100.0, 12.0, 0.0, 0.0, 0.0, 800.0, 1600.0, 648.0)
    edge = EdgeCurve(np.array([200.0]), 800.0, 800.0, 0.0, 1599.0, 1, 0.0)
    even = np.full((500, 1600), 0.3, dtype=np.float32)
    camera = fit_camera(even, edge, comb, u_scale=0.02, beside_outer=beside_outer, thickness_mm=3.0)
    assert abs(camera.comb.x0_mm - comb.x0_mm) < 1.0  # nothing draws it away; the loose hold is 5 mm
    np.testing.assert_allclose(camera.u_scale, 0.02, rtol=0.05)  # the lens and yaw priors hardly enter
    assert camera.hold_foot_mm == FREE_FOOT_MM  # no fret end tells where the camera stands


@pytest.mark.parametrize("k1", [-0.04, 0.03])
@pytest.mark.parametrize("tilt", [-0.05, 0.0, 0.04])
def test_scale_across_the_line_is_that_of_opencv(k1: float, tilt: float) -> None:
    """A millimetre up and down, seen at places along a line that may recede (cv2.projectPoints)."""
    middle, focal, distance_mm = 2000.0, 4800.0, 500.0
    along = np.linspace(-190.0, 190.0, 9)
    depth = distance_mm + tilt * along
    matrix = np.array([[focal, 0, middle], [0, focal, 600.0], [0, 0, 1]])

    def seen(y_mm: float) -> np.ndarray:
        points = np.stack([along, np.full_like(along, y_mm), depth], axis=1)
        return cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, np.array([k1, 0, 0, 0]))[0][:, 0]

    low, high = seen(-0.5), seen(0.5)
    x = (low[:, 0] + high[:, 0]) / 2
    across = high[:, 1] - low[:, 1]
    upright = np.cos(np.arctan(tilt))  # the comb counts millimetres along the line
    comb = Comb(1, 0.0, focal / distance_mm * upright, tilt * middle / focal, k1, 0.0, middle, focal, 648.0)
    got = camera_from_comb(comb).px_per_mm(x)
    # The lens is taken where a point is seen, not where it would be without: 2 k1^2 r^4, a hundredth of a per cent.
    np.testing.assert_allclose(got, across, rtol=2e-4)


@pytest.mark.parametrize(("k1", "tilt"), [(0.02, 0.0), (-0.03, 0.01), (0.0, -0.02)])
def test_outlined_ends_tell_the_lens_of_opencv(k1: float, tilt: float) -> None:
    """Ends before a line that may recede, seen by cv2.projectPoints, where nothing else is: within three u of k1."""
    middle, focal, distance_mm, near_mm, taper = 2000.0, 4800.0, 500.0, 22.0, 0.014
    position = fret_position_mm(np.arange(1.0, 15.0), 648.0)
    at = float(position.mean())
    # The line recedes by the tilt; the ends stand square off it, towards the camera.
    turn = np.arctan(tilt)
    near = near_mm + taper * position
    x = (position - at) * np.cos(turn) + near * np.sin(turn)
    depth = distance_mm + (position - at) * np.sin(turn) - near * np.cos(turn)
    points = np.stack([x, np.zeros_like(x), depth], axis=1)
    matrix = np.array([[focal, 0, middle], [0, focal, 150.0], [0, 0, 1]])
    seen = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, np.array([k1, 0, 0, 0]))[0][:, 0, 0]
    seen += np.random.default_rng(3).normal(0, U_OUTLINE_MM * focal / distance_mm, len(seen))
    comb = Comb(1, at + 0.3, 1.004 * focal / distance_mm, 0.0, 0.0, 0.0, middle, focal, 648.0)
    edge = EdgeCurve(np.array([100.0]), middle, middle, 0.0, 2 * middle, 1, 0.0)
    even = np.full((300, int(2 * middle) + 1), 0.3, dtype=np.float32)
    ends = OutlinedEnds(position, seen, np.array([21.0, 0.012]))
    got = fit_camera(even, edge, comb, u_scale=0.03, beside_outer=False, thickness_mm=3.0, outlined=ends)
    assert got.by_outlines
    assert got.u_k1 < 0.003  # ten times surer than a phone's lens is known beforehand
    assert abs(got.comb.k1 - k1) < 3 * got.u_k1
    # Ends alone leave open how much a board widens and how far the camera is turned: in places, but not in ends.
    again = got.comb.end_px(position, got.ends_mm(position))
    assert float(np.sqrt(np.mean((again - seen) ** 2))) < 1.5 * U_OUTLINE_MM * focal / distance_mm
