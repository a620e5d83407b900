"""Objects of known size, drawn at a known scale."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from lightgap.neck.errors import InputError
from lightgap.vision.photo import ByteImage, Photo
from lightgap.vision.reference import (
    ReferenceRequest,
    find_cards,
    find_coins,
    find_markers,
    find_references,
    parse_reference,
)
from lightgap.vision.types import PhotoFacts

# Half a per cent: on the usual relief of 0.25 mm that is about a micrometre, far below the gaps' own uncertainty.
SCALE_TOLERANCE = 0.005
FINE = 4  # drawn this much finer, then averaged


@pytest.mark.parametrize(
    "text, part",
    [
        ("brick", "unknown kind"),
        ("", "unknown kind"),
        ("card:85", "takes no size"),
        ("frets:2", "takes no size"),
        ("coin", "give the size in mm"),
        ("coin:big", "give the size in mm"),
        ("marker:", "give the size in mm"),
        ("coin:2", "measures 10 to 45 mm"),
        ("coin:nan", "measures 10 to 45 mm"),
        ("coin:inf", "measures 10 to 45 mm"),
        ("marker:900", "measures 5 to 150 mm"),
        ("marker:-30", "measures 5 to 150 mm"),
    ],
)
def test_reference_that_makes_no_sense_is_said_in_one_line(text: str, part: str) -> None:
    with pytest.raises(InputError, match=part) as problem:
        parse_reference(text)
    assert "\n" not in str(problem.value)


@pytest.mark.parametrize(
    "text, kind, size_mm",
    [
        ("card", "card", None),
        ("auto", None, None),
        ("frets", "frets", None),
        ("straightedge", "straightedge", None),
        ("coin:24.26", "coin", 24.26),
        ("coin:24.26mm", "coin", 24.26),
        ("marker:30", "marker", 30.0),
    ],
)
def test_reference_is_read(text: str, kind: str | None, size_mm: float | None) -> None:
    request = parse_reference(text)
    assert (request.kind, request.size_mm) == (kind, size_mm)


def finish(fine: NDArray[np.uint8]) -> ByteImage:
    """Average down, soften and add a camera's noise."""
    small = cv2.resize(fine, None, fx=1 / FINE, fy=1 / FINE, interpolation=cv2.INTER_AREA).astype(np.float64)
    soft = cv2.GaussianBlur(small, (0, 0), 0.7) + np.random.default_rng(2).normal(0, 1.5, small.shape)
    return np.asarray(np.clip(soft, 0, 255), dtype=np.uint8)


def canvas() -> NDArray[np.uint8]:
    return np.full((800 * FINE, 1300 * FINE, 3), 205, np.uint8)


def turned(points: NDArray[np.float64], turn_deg: float) -> NDArray[np.float64]:
    a = math.radians(turn_deg)
    return points @ np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])


def with_card(turn_deg: float, px_per_mm: float, colour: tuple[int, int, int]) -> NDArray[np.uint8]:
    half = np.array([85.60, 53.98]) / 2
    corner = []
    for start, (sx, sy) in enumerate([(1, 1), (-1, 1), (-1, -1), (1, -1)]):
        angle = np.radians(90 * start + np.linspace(0, 90, 30))
        arc = 3.18 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        corner.append((half - 3.18) * [sx, sy] + arc)
    outline = turned(np.vstack(corner), turn_deg) * px_per_mm + [650, 400]
    fine = canvas()
    cv2.fillPoly(fine, [np.rint((outline + 0.5) * FINE - 0.5).astype(np.int32)], colour, cv2.LINE_8)
    return fine


@pytest.mark.parametrize("turn_deg, px_per_mm", [(0.0, 8.0), (2.3, 8.6), (-4.0, 10.4)])
def test_card_gives_the_scale(turn_deg: float, px_per_mm: float) -> None:
    """ISO/IEC 7810 ID-1: 85.60 mm x 53.98 mm, corner radius 3.18 mm."""
    best = find_cards(finish(with_card(turn_deg, px_per_mm, (40, 70, 120))))[0]
    assert best.px_per_mm == pytest.approx(px_per_mm, rel=SCALE_TOLERANCE)
    np.testing.assert_allclose(best.centre_px, (650, 400), atol=1.0)
    assert 0 < best.u_px_per_mm < SCALE_TOLERANCE * px_per_mm


def enlarged(picture: ByteImage) -> ByteImage:
    return np.asarray(cv2.resize(picture, None, fx=2.1, fy=2.1, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)


def test_a_card_as_light_as_the_wall_is_found_by_its_hue_where_one_is_asked_for() -> None:
    """Seven levels warmer than the wall's 205 in red, and as many less in blue, at which no channel has an outline."""
    picture = enlarged(finish(with_card(2.3, 8.6, (212, 205, 198))))
    assert not find_cards(picture)
    best = find_cards(picture, by_hue=True)[0]
    assert best.px_per_mm == pytest.approx(2.1 * 8.6, rel=SCALE_TOLERANCE)
    np.testing.assert_allclose(best.centre_px, (2.1 * 650, 2.1 * 400), atol=2.0)
    facts = PhotoFacts("card.png", "", picture.shape[1], picture.shape[0], None)
    photo = Photo(facts, np.zeros(picture.shape[:2], np.float32), picture)
    assert find_references(photo, ReferenceRequest("card"))
    assert not find_references(photo, ReferenceRequest(None))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_coloured_grain_makes_no_card(seed: int) -> None:
    """Grain of a dim photo, its colours blotched as JPEG leaves them."""
    rng = np.random.default_rng(seed)
    blotches = cv2.resize(rng.normal(0, 6, (100, 164, 3)), (2624, 1600), interpolation=cv2.INTER_CUBIC)
    grain = np.clip(150 + blotches + rng.normal(0, 8, blotches.shape), 0, 255).astype(np.uint8)
    coded = cv2.imdecode(cv2.imencode(".jpg", grain, [cv2.IMWRITE_JPEG_QUALITY, 80])[1], cv2.IMREAD_COLOR)
    assert not find_cards(np.asarray(cv2.resize(coded, (2730, 1664)), dtype=np.uint8), by_hue=True)


@pytest.mark.parametrize("size_mm", [(85.60, 53.98), (53.98, 85.60)], ids=["lies", "stands"])
@pytest.mark.parametrize("yaw_deg", [3.0, -3.0])
def test_card_off_the_middle_tells_the_scale_there(size_mm: tuple[float, float], yaw_deg: float) -> None:
    """A pinhole camera turned along the line sees a card aside drawn out; what it tells of the middle is f over d."""
    focal_px, distance_mm, turn = 3000.0, 370.0, math.radians(yaw_deg)
    x0_mm, across_mm = -50.0, np.array([-0.5, 0.5]) * size_mm[1]
    corners = []
    for x, y in ((0, 0), (1, 0), (1, 1), (0, 1)):
        along = x0_mm + (x - 0.5) * size_mm[0]
        depth = distance_mm + along * math.sin(turn)
        corners.append([900 + focal_px * along * math.cos(turn) / depth, 400 + focal_px * across_mm[y] / depth])
    fine = np.full((800 * FINE, 1300 * FINE, 3), 205, np.uint8)
    outline = (np.array(corners) + 0.5) * FINE - 0.5
    cv2.fillPoly(fine, [np.rint(outline).astype(np.int32)], (40, 70, 120), cv2.LINE_8)
    best = find_cards(finish(fine))[0]
    # Three degrees leave one part in seven hundred; the card itself is seen at a scale 0.7 to 1.4 % off.
    assert best.middle_px_per_mm == pytest.approx(focal_px / distance_mm, rel=SCALE_TOLERANCE)
    assert abs(best.px_per_mm / (focal_px / distance_mm) - 1) > SCALE_TOLERANCE


@pytest.mark.parametrize("px_per_mm", [8.0, 9.3])
def test_coin_gives_the_scale(px_per_mm: float) -> None:
    fine = canvas()
    radius = 24.26 / 2 * px_per_mm * FINE
    centre = (650 * FINE, 400 * FINE)
    cv2.circle(fine, [c * 16 for c in centre], round(radius * 16), (110, 105, 95), -1, cv2.LINE_AA, 4)
    best = find_coins(finish(fine), 24.26)[0]
    assert best.px_per_mm == pytest.approx(px_per_mm, rel=SCALE_TOLERANCE)


def test_stain_round_part_of_a_coin_is_not_its_rim() -> None:
    """A darker patch behind the coin, seen for two thirds of the way round and a little off the centre."""
    fine = canvas()
    radius, centre = 24.26 / 2 * 9.3 * FINE, [650 * FINE, 400 * FINE]
    beside = [c - round(0.05 * radius) for c in centre]
    wide = round(1.25 * radius)
    cv2.ellipse(fine, beside, (wide, wide), 0.0, 100.0, 340.0, (170, 168, 160), -1, cv2.LINE_AA)
    cv2.circle(fine, centre, round(radius), (110, 105, 95), -1, cv2.LINE_AA)
    best = find_coins(finish(fine), 24.26)[0]
    assert best.px_per_mm == pytest.approx(9.3, rel=SCALE_TOLERANCE)


@pytest.mark.parametrize("turn_deg, px_per_mm, drawn_out", [(0.0, 8.0, 1.0), (3.0, 9.1, 1.02), (45.0, 8.0, 1.02)])
def test_marker_gives_the_scale(turn_deg: float, px_per_mm: float, drawn_out: float) -> None:
    side = 1200
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    picture = cv2.aruco.generateImageMarker(dictionary, 7, side)
    corners = turned(np.array([[-15.0, -15], [15, -15], [15, 15], [-15, 15]]), turn_deg) * px_per_mm
    corners = corners * [1.0, drawn_out] + [650, 400]
    source = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32) - 0.5
    map_to = cv2.getPerspectiveTransform(source, ((corners + 0.5) * FINE - 0.5).astype(np.float32))
    fine = canvas()
    cv2.warpPerspective(
        cv2.cvtColor(picture, cv2.COLOR_GRAY2RGB),
        map_to,
        (fine.shape[1], fine.shape[0]),
        dst=fine,
        borderMode=cv2.BORDER_TRANSPARENT,
    )
    found = find_markers(finish(fine), 30.0)
    assert len(found) == 1
    assert found[0].px_per_mm == pytest.approx(math.sqrt(drawn_out) * px_per_mm, rel=SCALE_TOLERANCE)
    assert found[0].drawn_out == pytest.approx(drawn_out, rel=SCALE_TOLERANCE)


def test_too_much_light_on_a_marker_leaves_its_scale() -> None:
    """White clipped at a sixth of its light: blurred, its borders stand more than a pixel into the black."""
    side, px_per_mm = 1200, 7.5
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    picture = cv2.aruco.generateImageMarker(dictionary, 7, side)
    corners = turned(np.array([[-10.0, -10], [10, -10], [10, 10], [-10, 10]]), 2.0) * px_per_mm + [650, 400]
    source = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32) - 0.5
    map_to = cv2.getPerspectiveTransform(source, ((corners + 0.5) * FINE - 0.5).astype(np.float32))
    fine = np.full((800 * FINE, 1300 * FINE), 255, np.uint8)
    cv2.warpPerspective(picture, map_to, fine.shape[::-1], dst=fine, borderMode=cv2.BORDER_TRANSPARENT)
    light = cv2.resize(fine, None, fx=1 / FINE, fy=1 / FINE, interpolation=cv2.INTER_AREA).astype(np.float64)
    light = 6.0 * cv2.GaussianBlur(light, (0, 0), 1.2) + 30 + np.random.default_rng(2).normal(0, 1.5, light.shape)
    grey = np.asarray(np.clip(light, 0, 255), dtype=np.uint8)
    found = find_markers(np.repeat(grey[..., None], 3, axis=2), 20.0)
    # A tenth of a per cent is 0.15 px of the side; without the borders inside it comes out 2 % short.
    assert found[0].px_per_mm == pytest.approx(px_per_mm, rel=0.001)


@pytest.mark.parametrize("toward", [(1, 1), (0, 1), (-1, 1)])
def test_shadow_of_a_thick_coin_is_not_its_rim(toward: tuple[int, int]) -> None:
    """Its edge touches the rim on the side of the light and stands a tenth of the radius outside it on the other."""
    px_per_mm = 9.3
    radius, centre = 24.26 / 2 * px_per_mm * FINE, (650 * FINE, 400 * FINE)
    fine = np.full((800 * FINE, 1300 * FINE, 3), 120, np.uint8)
    beside = [c + round(0.05 * radius * t / math.hypot(*toward)) for c, t in zip(centre, toward, strict=True)]
    cv2.circle(fine, beside, round(1.05 * radius), (70, 70, 70), -1, cv2.LINE_AA)
    cv2.circle(fine, centre, round(radius), (150, 140, 110), -1, cv2.LINE_AA)
    assert find_coins(finish(fine), 24.26)[0].px_per_mm == pytest.approx(px_per_mm, rel=SCALE_TOLERANCE)


@pytest.mark.parametrize(("rim", "noise"), [(0.045, 14.0), (0.065, 25.0)])
def test_raised_rim_in_a_grainy_photo_is_neither_its_inner_border_nor_grain(rim: float, noise: float) -> None:
    """The step inside the rim is dark on one side and bright on the other, and clearer than most of the outline."""
    px_per_mm, rng = 9.3, np.random.default_rng(5)
    radius, centre = 24.26 / 2 * px_per_mm * FINE, (650 * FINE, 400 * FINE)
    fine = np.full((800 * FINE, 1300 * FINE, 3), 130, np.uint8)
    fine[: 300 * FINE] = 160
    cv2.circle(fine, centre, round(radius), (196, 150, 116), -1, cv2.LINE_AA)
    inner, wide = round((1 - rim) * radius), round(0.025 * radius)
    cv2.ellipse(fine, centre, (inner, inner), 0.0, 150.0, 300.0, (120, 80, 60), wide, cv2.LINE_AA)
    cv2.ellipse(fine, centre, (inner, inner), 0.0, -40.0, 140.0, (255, 245, 230), wide, cv2.LINE_AA)
    cv2.circle(fine, centre, round(0.55 * radius), (150, 110, 85), wide, cv2.LINE_AA)
    grainy = finish(fine) + rng.normal(0, noise, (800, 1300, 3))
    best = find_coins(np.clip(grainy, 0, 255).astype(np.uint8), 24.26)[0]
    assert best.px_per_mm == pytest.approx(px_per_mm, rel=SCALE_TOLERANCE)


def test_ring_strung_together_from_brushed_steel_is_no_rim() -> None:
    px_per_mm = 9.3
    rng = np.random.default_rng(4)
    brushed = cv2.GaussianBlur(rng.normal(0, 1, (800, 1300)), (0, 0), sigmaX=6, sigmaY=0.8)
    grey = 150 + 30 * brushed / brushed.std()
    fine = np.repeat(cv2.resize(grey, None, fx=FINE, fy=FINE, interpolation=cv2.INTER_LINEAR)[..., None], 3, axis=2)
    fine = np.clip(fine, 0, 255).astype(np.uint8)
    radius = round(24.26 / 2 * px_per_mm * FINE)
    cv2.circle(fine, (650 * FINE, 400 * FINE), radius, (250, 248, 240), -1, cv2.LINE_AA)
    cv2.circle(fine, (650 * FINE, 400 * FINE), round(0.45 * radius), (225, 205, 150), 8, cv2.LINE_AA)
    # Clipped, its border stands up to one and a half times the blur of 0.7 px out: 1 % of the radius of 113 px.
    assert find_coins(finish(fine), 24.26)[0].px_per_mm == pytest.approx(px_per_mm, rel=2 * SCALE_TOLERANCE)


def test_blank_picture_holds_no_object() -> None:
    blank = finish(canvas())
    assert find_cards(blank) == []
    assert find_coins(blank, 24.26) == []
    assert find_markers(blank, 30.0) == []


def test_rectangle_of_another_shape_is_no_card() -> None:
    fine = canvas()
    fine[200 * FINE : 600 * FINE, 400 * FINE : 800 * FINE] = (40, 70, 120)
    assert find_cards(finish(fine)) == []
