"""Fret ends beside the outer string: drawn pixel by pixel in another way, and their heights found again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.straightness import chord_matrix
from lightgap.vision.camera import BoardCamera, camera_from_comb, column_of
from lightgap.vision.comb import Comb
from lightgap.vision.crowns import measure_crowns
from lightgap.vision.doubts import doubt_by_scatter
from lightgap.vision.end_faces import EndFit, EndPatches, cut_ends, draw_ends, fit_ends, is_like_ends, read_well
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.readings import CrownSet
from lightgap.vision.slit import SlitLight
from lightgap.vision.uncertainty import crown_covariance, own_u_mm

WIDTH, HEIGHT, EDGE_ROW = 3000, 220, 80.0
PX_PER_MM, BLUR_PX, NEAR_MM = 10.0, 1.0, 3.0
FRETS = np.arange(3, 12)
POSITION_MM = fret_position_mm(FRETS.astype(np.float64), 640.0)
GAPS_MM = np.array([0.0, 0.06, 0.11, 0.14, 0.15, 0.13, 0.1, 0.05, 0.01])
HALF_MM, TALL_MM = 1.2, 1.0
BLADE, GAP, BOARD = 0.12, 0.45, 0.05
EDGE = EdgeCurve(np.array([EDGE_ROW]), WIDTH / 2, WIDTH / 2, 0.0, WIDTH - 1.0, 1, 0.0)


def camera(direction: int = 1) -> BoardCamera:
    """Return a camera square on before the middle of the frets, the nut on the left or, at -1, on the right."""
    middle = float(POSITION_MM.mean())
    comb = Comb(direction, middle, PX_PER_MM, 0.0, 0.0, 0.0, WIDTH / 2, 4000.0, 640.0)
    return replace(camera_from_comb(comb), near_mm=np.array([NEAR_MM, 0.0]))


def slit(*, contrast: float = 0.7) -> SlitLight:
    """Return the light of the picture below."""
    level = np.full(WIDTH, GAP)
    return SlitLight(BLUR_PX, 0.0, level, 0.05 * level, contrast)


def picture(
    face: float,
    *,
    ends: bool = True,
    body: float | None = None,
    lowered: float = 0.0,
    bevel: float = 0.0,
    direction: int = 1,
) -> np.ndarray:
    """Return blade, gap, board and half discs, painted at four times the size and blurred.

    A body is painted as discs behind the end; a bevel moves the rows of the face back towards its top.
    """
    fine = 4
    rows = (np.arange(HEIGHT * fine) + 0.5) / fine - 0.5
    columns = (np.arange(WIDTH * fine) + 0.5) / fine - 0.5
    light = np.full((rows.size, columns.size), GAP, dtype=np.float32)
    light[rows > EDGE_ROW + 1.2 * PX_PER_MM] = BOARD
    light[rows < EDGE_ROW] = BLADE
    seen = camera(direction)
    layers = [] if body is None else [(depth, body) for depth in np.arange(NEAR_MM - 1.5, NEAR_MM, 0.1)]
    for depth, level in [*layers, (NEAR_MM, face)] if ends else []:
        scale = PX_PER_MM * seen.distance_mm / (seen.distance_mm - depth)
        for place, gap in zip(POSITION_MM, GAPS_MM - lowered, strict=True):
            deep = (rows - EDGE_ROW) / scale - gap
            middle = column_of(seen, np.full(rows.size, place), depth - bevel * (TALL_MM - deep))
            across = (columns[None, :] - middle[:, None]) / (HALF_MM * scale)
            light[(across**2 + (deep[:, None] / TALL_MM - 1) ** 2 < 1) & (deep[:, None] < TALL_MM)] = level
    # A pixel is the mean over its own square; the rest of the point spread is a lens's.
    light = gaussian_filter(light, fine * np.sqrt(BLUR_PX**2 - 1 / 12))
    small = light.reshape(HEIGHT, fine, WIDTH, fine).mean(axis=(1, 3))
    return small + np.random.default_rng(0).normal(0, 0.004, small.shape).astype(np.float32)


def fitted(painted: np.ndarray, direction: int = 1) -> tuple[EndFit, EndPatches]:
    patches = cut_ends(painted, EDGE, slit(), camera(direction), position_mm=POSITION_MM)
    along = (POSITION_MM - POSITION_MM.mean()) / (np.ptp(POSITION_MM) / 2)
    return fit_ends(patches, along), patches


def measured(painted: np.ndarray) -> CrownSet:
    """Return the crowns of a picture whose step of light at the edge is too weak for outlines."""
    return measure_crowns(
        painted, EDGE, camera(), slit(contrast=0.3), frets=FRETS, position_mm=POSITION_MM, thickness_mm=1.0
    )


@pytest.mark.parametrize(("face", "bevel", "direction"), [(0.9, 0.0, 1), (0.7, 0.5, 1), (0.2, 0.5, -1)])
def test_heights_of_ends_brighter_or_darker_than_the_gap_are_found(face: float, bevel: float, direction: int) -> None:
    """Tolerances: the painter's parts are a fortieth of a mm, the blur's box is taken for a Gaussian."""
    fit, patches = fitted(picture(face, bevel=bevel, direction=direction), direction)
    assert is_like_ends(fit, patches.slant)
    assert read_well(fit).all()
    np.testing.assert_allclose(fit.gap_mm, GAPS_MM, atol=0.025)
    np.testing.assert_allclose(fit.gap_mm - fit.gap_mm.mean(), GAPS_MM - GAPS_MM.mean(), atol=0.0125)
    np.testing.assert_allclose(fit.shape[:2], [HALF_MM, TALL_MM], atol=0.05)
    assert abs(float(fit.shape[2]) - bevel) < 0.15  # a millimetre high and 0.3 aslant: 0.045 mm sideways, half a pixel


@pytest.mark.parametrize("body", [0.3, 0.9])
def test_a_body_beside_its_end_shifts_the_heights_by_less_than_is_stated(body: float) -> None:
    """The body is not drawn: what it does to the depths below the chord lies within their U (k = 2)."""
    found = measured(picture(0.7, body=body))
    assert found.by_ends == (body == 0.3)
    if not found.by_ends:
        return
    place = np.array([c.position_mm for c in found.crowns])
    true = dict(zip(FRETS.tolist(), GAPS_MM, strict=True))
    off = np.array([c.gap_mm - true[c.fret] for c in found.crowns])
    off -= np.interp(place, place[[0, -1]], off[[0, -1]])
    row = chord_matrix(place, (0, len(place) - 1))[int(np.abs(off).argmax())]
    light = slit(contrast=0.3)
    u = doubt_by_scatter(found, own_u_mm(found, light)) * float(np.sqrt(row @ crown_covariance(found, light) @ row))
    assert float(np.abs(off).max()) < 2 * u


def test_ends_that_reach_into_the_blade_are_not_believed() -> None:
    assert not measured(picture(0.9, lowered=0.35)).by_ends


def test_shares_of_face_blade_and_behind_make_one() -> None:
    patches = cut_ends(picture(0.9), EDGE, slit(), camera(), position_mm=POSITION_MM)
    shares = draw_ends(patches, np.array([1.2, 1.0, 0.5]), np.zeros(len(FRETS)), GAPS_MM)
    np.testing.assert_allclose(shares.sum(axis=0), 1.0, atol=1e-9)  # rounding
    assert shares.min() > -1e-9


@pytest.mark.parametrize(("face", "ends"), [(0.9, False), (GAP, True)])
def test_where_no_end_is_seen_none_is_read(face: float, *, ends: bool) -> None:
    """No ends, or ends as bright as the gap."""
    fit, patches = fitted(picture(face, ends=ends))
    assert not is_like_ends(fit, patches.slant) or read_well(fit).sum() < 3


def test_crowns_are_read_by_the_ends_where_the_step_of_light_is_weak() -> None:
    """Outlines are not to be had of a weak edge; the ends stand out. Tolerance as above."""
    crowns = measured(picture(0.9))
    assert crowns.by_ends
    assert [c.fret for c in crowns.crowns] == FRETS.tolist()
    gaps = np.array([c.gap_mm for c in crowns.crowns])
    np.testing.assert_allclose(gaps - gaps.mean(), GAPS_MM - GAPS_MM.mean(), atol=0.0125)
