"""Find the object of known size: an ID-1 card, a coin, or a printed marker."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from lightgap.neck.errors import InputError
from lightgap.neck.profile import Array

from .coins import find_coin, is_coin_name
from .marker import fit_marker
from .photo import ByteImage, FloatImage, Photo
from .types import ReferenceKind

# ISO/IEC 7810 ID-1 nominal size.
CARD_WIDTH_MM, CARD_HEIGHT_MM, CARD_THICKNESS_MM = 85.60, 53.98, 0.76
# Limits of an unused ID-1 card (from memory of ISO/IEC 7810): rectangular half-width 0.125 mm on 85.6.
CARD_RELATIVE_U = 0.125 / math.sqrt(3) / CARD_WIDTH_MM
COIN_THICKNESS_MM = 1.9
MARKER_THICKNESS_MM = 1.0
U_PRINT = 0.003  # relative: what a printer makes of the marker's size (common practice, no published source)
SIZE_RANGE_MM = {"coin": (10.0, 45.0), "marker": (5.0, 150.0)}
WORK_WIDTH_PX = 1344
# Hues differ less than lights, and grain is averaged away in a picture reduced by so much.
HUE_GAIN, LEAST_REDUCED = 2, 2.0


@dataclass(frozen=True, slots=True)
class ReferenceRequest:
    """What the user says stands in the photo: a kind, its size in mm where it has one, and its thickness if known."""

    kind: ReferenceKind | None
    size_mm: float | None = None
    thickness_mm: float | None = None


@dataclass(frozen=True, slots=True)
class ReferenceObject:
    """A reference object found.

    Attributes
    ----------
    px_per_mm, u_px_per_mm
        Scale at the object's front face, with standard uncertainty.
    front_offset_mm
        How far its front face stands before the face it leans on.
    outline_px
        (n, 2) outline, upright image.
    centre_px
        Middle of the object.
    drawn_out
        Its scale across the straightedge's line over that along it; 1 where the object does not tell the two apart.
    """

    kind: ReferenceKind
    px_per_mm: float
    u_px_per_mm: float
    front_offset_mm: float
    outline_px: Array = field(repr=False)
    centre_px: tuple[float, float] = (0.0, 0.0)
    drawn_out: float = 1.0

    @property
    def middle_px_per_mm(self) -> float:
        """Scale where the picture's middle sees the line, whichever way the camera is turned along it.

        At a distance z before the camera scale is f / z across the line and f d / z^2 along it, to the square of the
        turn, with d the distance before the picture's middle: across squared over along is f / d. `px_per_mm` is taken
        for the geometric mean of both.
        """
        return float(self.px_per_mm * self.drawn_out**1.5)


def parse_reference(text: str) -> ReferenceRequest:
    """Return the request in `card`, `coin:MM`, `coin:NAME`, `marker:MM`, `straightedge`, `frets` or `auto`.

    Raises
    ------
    InputError
        The kind is unknown, its size is missing or out of range, or the coin is not known or not round.
    """
    kind, _, size = text.partition(":")
    if kind in ("card", "straightedge", "frets", "auto"):
        if size:
            raise InputError(f"--reference {text}: {kind} takes no size; write {kind}")
        return ReferenceRequest(None if kind == "auto" else kind)  # type: ignore[arg-type]
    if kind not in ("coin", "marker"):
        raise InputError(
            f"--reference {text}: unknown kind; use card, coin:NAME, coin:MM, marker:MM, straightedge, frets or auto"
        )
    if kind == "coin" and is_coin_name(size):
        coin = find_coin(size)
        return ReferenceRequest("coin", coin.diameter_mm, coin.thickness_mm)
    try:
        size_mm = float(size.removesuffix("mm"))
    except ValueError:
        raise InputError(f"--reference {text}: give the size in mm, as in {kind}:24.26") from None
    low, high = SIZE_RANGE_MM[kind]
    if not low <= size_mm <= high:
        raise InputError(f"--reference {text}: a {kind} measures {low:g} to {high:g} mm; got {size_mm:g}")
    return ReferenceRequest(kind, size_mm)  # type: ignore[arg-type]


def find_references(photo: Photo, request: ReferenceRequest) -> list[ReferenceObject]:
    """Return the reference objects of the wanted kind in the photo, likeliest first (all kinds for auto)."""
    found: list[ReferenceObject] = []
    if request.kind == "marker" and request.size_mm:
        found += find_markers(photo.coded, request.size_mm)
    if request.kind in ("card", None):
        found += find_cards(photo.coded, by_hue=request.kind == "card")
    if request.kind == "coin" and request.size_mm:
        found += find_coins(photo.coded, request.size_mm, thickness_mm=request.thickness_mm or COIN_THICKNESS_MM)
    return found


def find_markers(coded: ByteImage, size_mm: float) -> list[ReferenceObject]:
    """Find square markers (4 x 4 bits, 50 codes), and read their black square's side off the borders of all cells."""
    import cv2

    grey = cv2.cvtColor(coded, cv2.COLOR_RGB2GRAY)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), parameters)
    corners, _, _ = detector.detectMarkers(grey)
    found = []
    for quad in corners:
        points = np.asarray(quad, dtype=np.float64).reshape(4, 2)
        sides = np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1)
        if sides.min() < 12 or sides.max() > 1.15 * sides.min():
            continue
        fit = fit_marker(np.asarray(grey, dtype=np.uint8), points)
        if fit is None:
            continue
        points = fit.corners_px
        scale = fit.side_px / size_mm
        # Corners of a square, turned any way round, spread over half a side along either axis.
        drawn_out = float(points[:, 1].std() / points[:, 0].std())
        u = scale * math.hypot(fit.u_side_px / fit.side_px, U_PRINT)
        centre = (float(points[:, 0].mean()), float(points[:, 1].mean()))
        found.append(ReferenceObject("marker", scale, u, MARKER_THICKNESS_MM, points, centre, drawn_out))
    return sorted(found, key=lambda r: -r.px_per_mm)


def _reduced(coded: ByteImage, factor: float) -> ByteImage:
    import cv2

    size = (round(coded.shape[1] / factor), round(coded.shape[0] / factor))
    return np.asarray(cv2.resize(coded, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _gradients(small: ByteImage) -> tuple[FloatImage, FloatImage]:
    """Return the gradient (gx, gy) of a picture's strongest channel."""
    import cv2

    smooth = cv2.GaussianBlur(small.astype(np.float32), (0, 0), 1.0)
    channels = [
        [np.asarray(cv2.Sobel(c, cv2.CV_32F, *axis, scale=0.125), dtype=np.float32) for axis in ((1, 0), (0, 1))]
        for c in cv2.split(smooth)
    ]
    gx, gy = channels[0]
    strength = gx * gx + gy * gy
    for other_x, other_y in channels[1:]:
        here = other_x * other_x + other_y * other_y
        stronger = here > strength
        for kept, new in ((gx, other_x), (gy, other_y), (strength, here)):
            np.copyto(kept, new, where=stronger)
    return gx, gy


def find_cards(coded: ByteImage, *, by_hue: bool = False) -> list[ReferenceObject]:
    """Find an ID-1 card, lying or standing, seen squarely: four straight sides, rounded corners.

    Parameters
    ----------
    coded
        (height, width, 3) 8-bit.
    by_hue
        Where none is found look for one as light as the wall behind it, of another hue. In a picture that has none
        something may pass for it.
    """
    factor = max(1.0, coded.shape[1] / WORK_WIDTH_PX)
    small = _reduced(coded, factor)
    quads = _cards_in(small)
    if by_hue and not quads and factor >= LEAST_REDUCED:
        quads = _cards_in(_with_hues(small))
    found = []
    for quad, u_px in quads:
        points = (quad + 0.5) * factor - 0.5
        width = 0.5 * (np.linalg.norm(points[1] - points[0]) + np.linalg.norm(points[2] - points[3]))
        height = 0.5 * (np.linalg.norm(points[3] - points[0]) + np.linalg.norm(points[2] - points[1]))
        lies = (CARD_WIDTH_MM, CARD_HEIGHT_MM)
        wide_mm, tall_mm = lies if width > height else lies[::-1]
        # Width and height are two readings of one scale; the longer side weighs more.
        scale = (width * wide_mm + height * tall_mm) / (wide_mm**2 + tall_mm**2)
        u = scale * math.hypot(u_px * factor / max(width, height), CARD_RELATIVE_U)
        centre = (float(points[:, 0].mean()), float(points[:, 1].mean()))
        drawn_out = float(height / tall_mm / (width / wide_mm))
        found.append(ReferenceObject("card", float(scale), float(u), CARD_THICKNESS_MM, points, centre, drawn_out))
    return found


def _cards_in(small: ByteImage) -> list[tuple[Array, float]]:
    from .quads import find_rectangles

    gx, gy = _gradients(small)
    return find_rectangles(small, gx, gy, ratio=CARD_WIDTH_MM / CARD_HEIGHT_MM)


def _with_hues(small: ByteImage) -> ByteImage:
    """Return the picture with the differences of its three channels as three more."""
    wide = small.astype(np.int16)
    apart = np.clip(128 + HUE_GAIN * (wide - np.roll(wide, 1, axis=2)), 0, 255)
    return np.concatenate([small, apart.astype(np.uint8)], axis=2)


def find_coins(coded: ByteImage, size_mm: float, *, thickness_mm: float = COIN_THICKNESS_MM) -> list[ReferenceObject]:
    """Find round coins: circles by a gradient vote, then an ellipse fitted to the rim."""
    from .rings import ROUND, find_ellipses

    factor = max(1.0, coded.shape[1] / WORK_WIDTH_PX)
    gx, gy = _gradients(_reduced(coded, factor))
    found = []
    for centre, axes, angle, rms_px in find_ellipses(coded, gx, gy, factor):
        major, minor = max(axes), min(axes)
        scale = major / size_mm
        turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
        c, s = math.cos(angle), math.sin(angle)
        x = axes[0] / 2 * np.cos(turn)
        y = axes[1] / 2 * np.sin(turn)
        outline = np.stack([centre[0] + c * x - s * y, centre[1] + s * x + c * y], axis=1)
        # Rim rounding: the lit outline may lie a little inside the nominal diameter.
        u = scale * math.hypot(rms_px / major, 0.004)
        if minor / major > ROUND:
            found.append(ReferenceObject("coin", scale, u, thickness_mm, outline, centre))
    return found
