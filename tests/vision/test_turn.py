"""The camera's turn by both edges of the straightedge, against OpenCV's model of a camera with a lens."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from lightgap.neck.errors import Refusal
from lightgap.vision.camera_fit import fit_camera
from lightgap.vision.comb import Comb, CombPrior
from lightgap.vision.known import EdgeTurn
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.numbered import Located
from lightgap.vision.turn import parallel_by_turn, turn_by_edges

MIDDLE_PX, FOCAL_PX, HEIGHT_PX, DISTANCE_MM = 2000.0, 4800.0, 1500, 400.0
LINE = Comb(1, 0.0, FOCAL_PX / DISTANCE_MM, 0.0, 0.0, 0.0, MIDDLE_PX, FOCAL_PX, 648.0)


def seen(height_mm: float, *, tilt: float, k1: float, elevation_rad: float = 0.0, roll_rad: float = 0.0) -> EdgeCurve:
    """Return how a line `height_mm` over the lens's axis is seen that recedes by `tilt` along the board."""
    along = np.linspace(-150.0, 150.0, 61)
    points = np.stack([along, np.full_like(along, -height_mm), DISTANCE_MM + tilt * along], axis=1)
    matrix = np.array([[FOCAL_PX, 0, MIDDLE_PX], [0, FOCAL_PX, (HEIGHT_PX - 1) / 2], [0, 0, 1]])
    turned = cv2.Rodrigues(np.array([elevation_rad, 0.0, 0.0]))[0] @ cv2.Rodrigues(np.array([0.0, 0.0, roll_rad]))[0]
    turned_about = np.array([0.0, 0.0, DISTANCE_MM])
    points = (points - turned_about) @ turned.T + turned_about
    x, y = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, np.array([k1, 0, 0, 0]))[0][:, 0].T
    half = (x[-1] - x[0]) / 2
    return EdgeCurve(np.polyfit((x - x.mean()) / half, y, 3), float(x.mean()), half, float(x[0]), float(x[-1]), 1, 0.0)


@pytest.mark.parametrize("elevation_rad", [0.0, 0.05])
@pytest.mark.parametrize("roll_rad", [-0.05, 0.0, 0.05])
@pytest.mark.parametrize("k1", [-0.04, 0.0, 0.04])
@pytest.mark.parametrize("tilt", [-0.05, 0.0, 0.04])
@pytest.mark.parametrize("side", [False, True], ids=["whole", "one side"])
def test_both_edges_tell_how_far_the_camera_is_turned(
    tilt: float, k1: float, roll_rad: float, elevation_rad: float, *, side: bool
) -> None:
    """Of a phone's lens and a camera held by hand: 3 degrees each way."""
    lower, upper = (seen(h, tilt=tilt, k1=k1, elevation_rad=elevation_rad, roll_rad=roll_rad) for h in (-5.0, 25.0))
    if side:
        lower, upper = replace(lower, low_px=MIDDLE_PX), replace(upper, low_px=MIDDLE_PX)
    turn = turn_by_edges(lower, upper, LINE, HEIGHT_PX)
    per_rad = MIDDLE_PX / FOCAL_PX  # a comb's yaw is the change of scale over half the picture
    # A camera rolled and above sees one edge turned against the other by the product of both angles; the lens is taken
    # where a point is seen and not where it would be: k1^2 r^2, r half a picture; 5e-5 for what is left of both.
    allowed = abs(elevation_rad * roll_rad) * per_rad + (k1 * per_rad) ** 2 + 5e-5
    assert turn.yaw + turn.per_k1 * k1 == pytest.approx(tilt * per_rad, abs=allowed)
    assert turn.u > 0.8 * abs(elevation_rad * roll_rad) * per_rad  # and the doubt knows of both angles


def test_edges_that_are_short_or_close_tell_less() -> None:
    lower, high, low = (seen(h, tilt=0.0, k1=0.0) for h in (-5.0, 25.0, 10.0))
    whole = turn_by_edges(lower, high, LINE, HEIGHT_PX)
    short = turn_by_edges(
        lower, replace(high, low_px=high.low_px + 0.5 * (high.high_px - high.low_px)), LINE, HEIGHT_PX
    )
    assert whole.u < min(short.u, turn_by_edges(lower, low, LINE, HEIGHT_PX).u)


@pytest.mark.parametrize("per_k1", [0.0, 5.0, -5.0])
def test_a_camera_of_which_frets_tell_nothing_is_turned_as_the_edges_have_it(per_k1: float) -> None:
    """On an even picture: the edges' 0.001 outweighs the 0.02 that is known of a hand-held camera by 400 to 1."""
    comb = Comb(1, 100.0, 12.0, 0.0, 0.0, 0.0, 800.0, 1600.0, 648.0)
    edge = EdgeCurve(np.array([200.0]), 800.0, 800.0, 0.0, 1599.0, 1, 0.0)
    even = np.full((500, 1600), 0.3, dtype=np.float32)
    camera = fit_camera(
        even, edge, comb, u_scale=0.02, beside_outer=False, thickness_mm=3.0, turn=EdgeTurn(0.01, per_k1, 0.001)
    )
    assert camera.comb.yaw == pytest.approx(0.01 + per_k1 * camera.comb.k1, abs=2e-4)
    assert per_k1 == 0 or abs(per_k1 * camera.comb.k1) > 1e-3  # the lens takes its part of it


@pytest.mark.parametrize(
    ("askew_mm", "evidence", "by_object", "parallel"),
    [
        (0.55, 31.0, False, True),
        (0.55, 29.0, False, False),
        (0.7, 40.0, False, False),
        (0.95, 40.0, True, True),
        (1.1, 40.0, True, False),
        (0.55, None, False, False),
        (0.55, 32.0, False, False),
    ],
    ids=["borne out", "borne out less", "too far off", "with an object", "too far with one", "no frets", "left askew"],
)
def test_edges_are_parallel_by_a_turn_that_the_frets_bear_out(
    monkeypatch: pytest.MonkeyPatch, askew_mm: float, evidence: float | None, *, by_object: bool, parallel: bool
) -> None:
    """The frets alone have the camera square on; seen turned, both edges are one height apart all along."""
    tilt, height_mm = askew_mm / 30.0 / 2 * DISTANCE_MM / 150.0, 30.0  # of the height, from one end to the other
    lower, upper = (seen(h, tilt=tilt, k1=0.0) for h in (-5.0, height_mm - 5.0))
    before = Located(lower, LINE, (3, 4, 5), 30.0, 20.0)

    def number(_: np.ndarray, edge: EdgeCurve, prior: CombPrior) -> Located:
        if evidence is None:
            raise Refusal("no-crowns", "none")
        assert prior.turn is not None
        left_askew = evidence == 32.0
        return Located(edge, LINE if left_askew else replace(LINE, yaw=prior.turn.yaw), (3, 4, 5), evidence, 20.0)

    monkeypatch.setattr("lightgap.vision.turn.number_frets", number)
    picture = np.zeros((HEIGHT_PX, 4000), np.float32)
    prior = CombPrior(12.0, 648.0, FOCAL_PX, by_object=by_object)
    got = parallel_by_turn(picture, lower, (upper,), before, prior)
    if not parallel:
        assert got is None
        return
    assert got is not None
    assert got[0].evidence == evidence
    assert got[1] is upper
