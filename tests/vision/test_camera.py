"""The camera, fitted to rows of which little or nothing was seen."""

from __future__ import annotations

import numpy as np
import pytest

from lightgap.vision.camera import fit_camera
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
