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
from lightgap.vision.end_faces import EndFit, cut_ends, draw_ends, fit_ends, is_like_ends, read_well
from lightgap.vision.locate import EdgeCurve
from lightgap.vision.slit import SlitLight
from lightgap.vision.uncertainty import CAMPAIGN_FACTOR, crown_covariance

WIDTH, HEIGHT, EDGE_ROW = 3000, 220, 80.0
PX_PER_MM, BLUR_PX, NEAR_MM = 10.0, 1.0, 3.0
FRETS = np.arange(3, 12)
POSITION_MM = fret_position_mm(FRETS.astype(np.float64), 640.0)
GAPS_MM = np.array([0.0, 0.06, 0.11, 0.14, 0.15, 0.13, 0.1, 0.05, 0.01])
HALF_MM, TALL_MM = 1.2, 1.0
BLADE, GAP, BOARD = 0.12, 0.45, 0.05
EDGE = EdgeCurve(np.array([EDGE_ROW]), WIDTH / 2, WIDTH / 2, 0.0, WIDTH - 1.0, 1, 0.0)


def camera() -> BoardCamera:
    """Return a camera square on before the middle of the frets."""
    middle = float(POSITION_MM.mean())
    comb = Comb(1, middle, PX_PER_MM, 0.0, 0.0, 0.0, WIDTH / 2, 4000.0, 640.0)
    return replace(camera_from_comb(comb), near_mm=np.array([NEAR_MM, 0.0]))


def slit(*, contrast: float = 0.7) -> SlitLight:
    """Return the light of the picture below."""
    level = np.full(WIDTH, GAP)
    return SlitLight(BLUR_PX, 0.0, level, 0.05 * level, contrast)


def picture(
    face: float,
    *,
    seed: int = 0,
    noise: float = 0.004,
    ends: bool = True,
    body: float | None = None,
    lowered: float = 0.0,
) -> np.ndarray:
    """Return blade, gap, board and half discs, painted at four times the size and blurred."""
    fine = 4
    rows = (np.arange(HEIGHT * fine) + 0.5) / fine - 0.5
    columns = (np.arange(WIDTH * fine) + 0.5) / fine - 0.5
    light = np.full((rows.size, columns.size), GAP, dtype=np.float32)
    light[rows > EDGE_ROW + 1.2 * PX_PER_MM] = BOARD
    light[rows < EDGE_ROW] = BLADE
    seen = camera()
    layers = [] if body is None else [(depth, body) for depth in np.arange(NEAR_MM - 1.5, NEAR_MM, 0.1)]
    for depth, level in [*layers, (NEAR_MM, face)] if ends else []:
        scale = PX_PER_MM * seen.distance_mm / (seen.distance_mm - depth)
        for middle, gap in zip(
            column_of(seen, POSITION_MM, np.full(len(FRETS), depth)), GAPS_MM - lowered, strict=True
        ):
            across = (columns - middle) / (HALF_MM * scale)
            deep = (rows - EDGE_ROW) / scale - gap
            light[(across[None, :] ** 2 + (deep[:, None] / TALL_MM - 1) ** 2 < 1) & (deep[:, None] < TALL_MM)] = level
    # A pixel is the mean over its own square; the rest of the point spread is a lens's.
    light = gaussian_filter(light, fine * np.sqrt(BLUR_PX**2 - 1 / 12))
    small = light.reshape(HEIGHT, fine, WIDTH, fine).mean(axis=(1, 3))
    return small + np.random.default_rng(seed).normal(0, noise, small.shape).astype(np.float32)


def slant() -> np.ndarray:
    return camera().slant(POSITION_MM)


def along() -> np.ndarray:
    return (POSITION_MM - POSITION_MM.mean()) / (np.ptp(POSITION_MM) / 2)


def fitted(face: float, *, ends: bool = True) -> EndFit:
    patches = cut_ends(picture(face, ends=ends), EDGE, slit(), camera(), position_mm=POSITION_MM)
    return fit_ends(patches, along())


@pytest.mark.parametrize("face", [0.9, 0.7, 0.2])
def test_heights_of_ends_brighter_or_darker_than_the_gap_are_found(face: float) -> None:
    """Tolerance: 0.01 mm, a tenth of a pixel: pixels here and the painter's parts differ by a fortieth of a mm."""
    fit = fitted(face)
    assert is_like_ends(fit, slant())
    assert read_well(fit).all()
    np.testing.assert_allclose(fit.gap_mm - fit.gap_mm.mean(), GAPS_MM - GAPS_MM.mean(), atol=0.01)
    assert abs(float(np.mean(fit.gap_mm - GAPS_MM))) < 0.02
    np.testing.assert_allclose(fit.shape[:2], [HALF_MM, TALL_MM], rtol=0.05)


@pytest.mark.parametrize("body", [0.3, 0.7, 0.9])
def test_a_body_beside_its_end_shifts_the_heights_by_less_than_is_stated(body: float) -> None:
    """The body is not drawn: what it does to the depths lies within their uncertainty, or none are given."""
    found = measure_crowns(
        picture(0.7, body=body),
        EDGE,
        camera(),
        slit(contrast=0.3),
        frets=FRETS,
        position_mm=POSITION_MM,
        thickness_mm=1.0,
    )
    if found.by_ends:
        place = np.array([c.position_mm for c in found.crowns])
        true = dict(zip(FRETS.tolist(), GAPS_MM, strict=True))
        off = np.array([c.gap_mm - true[c.fret] for c in found.crowns])
        off -= np.interp(place, place[[0, -1]], off[[0, -1]])
        row = chord_matrix(place, (0, len(place) - 1))[int(np.abs(off).argmax())]
        u = CAMPAIGN_FACTOR * float(np.sqrt(row @ crown_covariance(found, slit(contrast=0.3)) @ row))
        assert float(np.abs(off).max()) < 2 * u


def test_ends_that_reach_into_the_blade_are_not_believed() -> None:
    found = measure_crowns(
        picture(0.9, lowered=0.35),
        EDGE,
        camera(),
        slit(contrast=0.3),
        frets=FRETS,
        position_mm=POSITION_MM,
        thickness_mm=1.0,
    )
    assert not found.by_ends


def test_shares_of_face_blade_and_behind_make_one() -> None:
    patches = cut_ends(picture(0.9), EDGE, slit(), camera(), position_mm=POSITION_MM)
    shares = draw_ends(patches, np.array([1.2, 1.0, 0.5]), np.zeros(len(FRETS)), GAPS_MM)
    np.testing.assert_allclose(shares.sum(axis=0), 1.0, atol=1e-9)
    assert shares.min() > -1e-9


def test_where_no_end_is_seen_none_is_read() -> None:
    """A gap without ends, or ends as bright as the gap: their heights are open, and said to be."""
    for fit in (fitted(0.9, ends=False), fitted(GAP)):
        assert not is_like_ends(fit, slant()) or read_well(fit).sum() < 3


def test_crowns_are_read_by_the_ends_where_the_step_of_light_is_weak() -> None:
    """Outlines are not to be had of a weak edge; the ends stand out, and the heights are theirs."""
    crowns = measure_crowns(
        picture(0.9), EDGE, camera(), slit(contrast=0.3), frets=FRETS, position_mm=POSITION_MM, thickness_mm=1.0
    )
    assert crowns.by_ends
    assert [c.fret for c in crowns.crowns] == FRETS.tolist()
    gaps = np.array([c.gap_mm for c in crowns.crowns])
    np.testing.assert_allclose(gaps - gaps.mean(), GAPS_MM - GAPS_MM.mean(), atol=0.01)
    assert np.sqrt(np.diag(crowns.covariance_mm2)).max() < 0.04
