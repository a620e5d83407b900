"""From light on the sensor to the bytes of the file."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from lightgap.neck.profile import Array

from .settings import Imaging

Bytes = NDArray[np.uint8]
Levels = NDArray[np.floating[Any]]  # of single precision or double
SUBSAMPLING = {"4:4:4": 0, "4:2:0": 2}
# How upright pixels are stored so that the orientation tag (Exif, tag 274) brings them upright again.
STORED = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}
TAG_ORIENTATION, TAG_EXIF, TAG_FOCAL_35MM, TAG_TAKEN = 0x0112, 0x8769, 0xA405, 0x9003


def encode_srgb(linear: Levels) -> Levels:
    """Return sRGB coded values in [0, 1] of linear ones in [0, 1] (IEC 61966-2-1)."""
    x = np.clip(linear, 0.0, 1.0)
    return np.asarray(np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055))


def choose_exposure(radiance: Array, imaging: Imaging) -> float:
    """Return the gain of an automatic exposure: the wanted mean (of the logarithm), held back by the bright parts."""
    level = radiance[::4, ::4].mean(axis=2)
    mean = float(np.exp(np.mean(np.log(level + 1e-4))))
    bright = float(np.quantile(level, 0.98))
    return min(imaging.exposure_mean / mean, imaging.highlight_allowance / max(bright, 1e-9))


def add_sensor_noise(level: Levels, imaging: Imaging, *, rng: np.random.Generator) -> Levels:
    """Return the levels with shot noise (variance level / full well) and read noise, not yet clipped."""
    variance = np.maximum(level, 0.0) / imaging.full_well_e + imaging.read_noise**2
    noise = rng.standard_normal(level.shape, dtype=np.float32)
    return np.asarray(level + np.sqrt(variance) * noise)


def develop(linear: Levels, imaging: Imaging) -> Bytes:
    """Return 8-bit pixels of sensor levels: clipping, colour cast, sRGB curve, tone, sharpening."""
    coded = encode_srgb(np.clip(linear, 0.0, 1.0) * np.array(imaging.colour_cast, dtype=linear.dtype))
    if imaging.tone_contrast:
        coded += imaging.tone_contrast * (coded * coded * (3.0 - 2.0 * coded) - coded)
    if imaging.sharpen_amount:
        s = imaging.sharpen_sigma_px
        coded = coded + imaging.sharpen_amount * (coded - gaussian_filter(coded, (s, s, 0.0), mode="nearest"))
    return np.asarray(np.clip(coded * 255.0 + 0.5, 0.0, 255.0).astype(np.uint8))


def encode_jpeg(image: Bytes, imaging: Imaging, *, focal_35mm: int) -> bytes:
    """Return the JPEG file of an upright picture, stored turned as its orientation tag says."""
    picture = Image.fromarray(image)
    turn = STORED[imaging.exif_orientation]
    if turn is not None:
        picture = picture.transpose(turn)
    exif = Image.Exif()
    exif[TAG_ORIENTATION] = imaging.exif_orientation
    exif.get_ifd(TAG_EXIF)[TAG_FOCAL_35MM] = focal_35mm
    stream = io.BytesIO()
    picture.save(
        stream, "JPEG", quality=imaging.jpeg_quality, subsampling=SUBSAMPLING[imaging.chroma_subsampling], exif=exif
    )
    return stream.getvalue()
