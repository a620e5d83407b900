"""Load a photo: upright, in linear light, with its facts."""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.errors import FileProblem

from .findings import refusal
from .types import PhotoFacts

FloatImage = NDArray[np.float32]
ByteImage = NDArray[np.uint8]

MAX_PIXELS = 200_000_000
MIN_SIDE_PX = 200
ROWS_AT_ONCE = 64
# Rec. 709 / sRGB primaries: luminance weights of linear R, G, B (IEC 61966-2-1).
LUMINANCE_WEIGHTS = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
# A focal length tag outside this range (35 mm equivalent) is a writer's mistake, not a lens.
FOCAL_35MM_RANGE = (10.0, 1200.0)
EXIF_IFD, TAG_TAKEN, TAG_OFFSET, TAG_FOCAL_35MM = 0x8769, 0x9003, 0x9011, 0xA405


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo ready to be measured.

    Attributes
    ----------
    facts
        File name, hash, size.
    luminance
        (height, width) linear light, 0 to 1, float32: sRGB decoded before weighting.
    coded
        (height, width, 3) 8-bit RGB as shown, for reference objects and the overlay.
    focal_px
        Focal length in pixels from the EXIF tag FocalLengthIn35mmFilm, or None.
    """

    facts: PhotoFacts
    luminance: FloatImage = field(repr=False)
    coded: ByteImage = field(repr=False)
    focal_px: float | None = None


def decode_srgb(coded: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return linear light for coded sRGB values in 0..1 (IEC 61966-2-1:1999)."""
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def encode_srgb(linear: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return coded sRGB values for linear light in 0..1 (IEC 61966-2-1:1999)."""
    safe = np.maximum(linear, 0.0031308)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * safe ** (1 / 2.4) - 0.055)


def load_photo(path: Path) -> Photo:
    """Read a photo file, turn it upright and into linear light.

    Raises
    ------
    FileProblem
        The file is missing, unreadable, or not a picture.
    Refusal
        The picture is too small to measure in.
    """
    try:
        data = path.read_bytes()
    except OSError as problem:
        raise FileProblem(f"cannot read {path}: {problem.strerror or problem}") from problem
    rgb, taken, focal_35mm = _decode(data, path)
    height, width = rgb.shape[:2]
    if min(height, width) < MIN_SIDE_PX:
        raise refusal("too-coarse", f"{path.name} is only {width} x {height} pixels")
    facts = PhotoFacts(path.name, hashlib.sha256(data).hexdigest(), width, height, taken)
    focal_px = None if focal_35mm is None else focal_35mm / 36.0 * max(width, height)
    return Photo(facts, _luminance(rgb), rgb, focal_px)


def _luminance(rgb: ByteImage) -> FloatImage:
    """Return (height, width) linear light, some rows at a time: the colours of these stay in the processor's cache."""
    import cv2

    table = (decode_srgb(np.arange(256) / 255.0)[:, None] * LUMINANCE_WEIGHTS).astype(np.float32)[None]
    out = np.empty(rgb.shape[:2], np.float32)
    for first in range(0, len(rgb), ROWS_AT_ONCE):
        rows = slice(first, first + ROWS_AT_ONCE)
        out[rows] = cv2.transform(cv2.LUT(rgb[rows], table), np.ones((1, 3), np.float32))
    return out


def _decode(data: bytes, path: Path) -> tuple[ByteImage, str | None, float | None]:
    from PIL import Image, ImageOps, UnidentifiedImageError

    if data[4:8] == b"ftyp":  # the box with which HEIC files begin (ISO/IEC 14496-12)
        from pillow_heif import register_heif_opener

        register_heif_opener()
    try:
        with Image.open(io.BytesIO(data)) as image:
            if image.width * image.height > MAX_PIXELS:
                raise FileProblem(f"cannot read {path}: {image.width} x {image.height} pixels is more than a camera's")
            exif = image.getexif()
            details = exif.get_ifd(EXIF_IFD)
            ImageOps.exif_transpose(image, in_place=True)
            rgb = np.asarray(image if image.mode == "RGB" else image.convert("RGB"))
    except UnidentifiedImageError as problem:
        raise FileProblem(f"cannot read {path}: not a picture this program knows (JPEG, PNG, TIFF, HEIC)") from problem
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as problem:
        cause = " ".join(str(problem).split())
        raise FileProblem(f"cannot read {path}: the picture is damaged or cut short ({cause})") from problem
    return rgb, _taken(details), _focal_35mm(details)


def _taken(details: dict[int, object]) -> str | None:
    try:
        moment = datetime.strptime(str(details.get(TAG_TAKEN)), "%Y:%m:%d %H:%M:%S")
        return moment.isoformat() + str(details.get(TAG_OFFSET) or "")
    except ValueError:
        return None


def _focal_35mm(details: dict[int, object]) -> float | None:
    try:
        value = float(str(details.get(TAG_FOCAL_35MM)))
    except ValueError:
        return None
    return value if FOCAL_35MM_RANGE[0] <= value <= FOCAL_35MM_RANGE[1] else None
