"""Find the straightedge's lower edge: line candidates, then the one with blade above and frets below."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightgap.neck.profile import Array

from .photo import FloatImage

MAX_SLOPE = 0.085  # tan of camera roll plus the straightedge's own lean
REDUCTION_PX = 16  # columns averaged into one: texture averages out, a 4 degree slope shifts about 1 px
FLOOR = 0.01  # linear light; keeps the logarithm of black finite
NEIGHBOUR_PX = 3.0


@dataclass(frozen=True, slots=True)
class Line:
    """A nearly level line: y = middle_y_px + slope (x - middle_x_px)."""

    slope: float
    middle_y_px: float
    middle_x_px: float
    strength: float

    def y_px(self, x_px: Array) -> Array:
        """Return the line's height at `x_px`."""
        return self.middle_y_px + self.slope * (x_px - self.middle_x_px)


def find_lines(luminance: FloatImage, *, most: int = 40) -> list[Line]:
    """Return the longest, steadiest nearly level edges of a picture, strongest first.

    A vertical gradient of log light, limited to a few noise levels so that one bright stretch cannot outvote a long
    faint edge, is summed along sheared rows.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    most
        Largest number of lines returned.
    """
    import cv2

    height, width = luminance.shape
    columns = width // REDUCTION_PX
    light = np.log(np.maximum(luminance, 0) + FLOOR)
    small = cv2.resize(light, (columns, height), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (1, 9), sigmaX=0.01, sigmaY=1.2)
    gradient = np.zeros_like(small)
    gradient[1:-1] = small[2:] - small[:-2]
    noise = np.median(np.abs(gradient)) * 1.48 + 1e-6
    limited = np.clip(gradient / (4 * noise), -1, 1)
    slopes = np.linspace(-MAX_SLOPE, MAX_SLOPE, 171)
    votes = np.empty((len(slopes), height), dtype=np.float32)
    for i, slope in enumerate(slopes):
        shear = np.array([[1, 0, 0], [slope * REDUCTION_PX, 1, -slope * REDUCTION_PX * (columns - 1) / 2]], np.float32)
        sheared = cv2.warpAffine(
            limited, shear, (columns, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderValue=0.0
        )
        votes[i] = sheared.mean(axis=1)
    middle_x = (columns * REDUCTION_PX - 1) / 2
    strength = np.abs(votes)
    lines: list[Line] = []
    half = width / 2
    rows = np.arange(height)[None, :]
    for _ in range(most):
        i, j = (int(v) for v in np.unravel_index(int(np.argmax(strength)), strength.shape))
        if strength[i, j] < 0.08:
            break
        lines.append(Line(float(slopes[i]), float(j), middle_x, float(votes[i, j])))
        lift = (slopes - slopes[i])[:, None] * half
        left, right = np.abs(rows - j - lift), np.abs(rows - j + lift)
        strength[(left < 2 * NEIGHBOUR_PX) & (right < 2 * NEIGHBOUR_PX)] = 0
        strength[(np.abs(rows - j) < NEIGHBOUR_PX) & (np.abs(lift) < 4 * NEIGHBOUR_PX)] = 0
    return lines


@dataclass(frozen=True, slots=True)
class Strip:
    """Light sampled along a line: rows at `below_mm` under it, columns at `x_px`.

    Attributes
    ----------
    x_px
        (n,) columns in the picture, evenly spaced.
    below_mm
        (m,) distance under the line, downward positive.
    light
        (m, n) linear light.
    """

    x_px: Array
    below_mm: Array
    light: FloatImage

    @property
    def step_px(self) -> float:
        """Column spacing in picture pixels."""
        return float(self.x_px[1] - self.x_px[0])

    def texture(self, window_mm: float, px_per_mm: float) -> FloatImage:
        """Return |log light - its running median along the strip|: what stands out along the board."""
        from scipy.ndimage import median_filter

        log_light = np.log(np.maximum(self.light, 0) + FLOOR)
        every = 5
        size = max(5, round(window_mm * px_per_mm / (self.step_px * every)) | 1)
        median = median_filter(log_light[:, ::every], size=(1, size), mode="nearest")
        return np.asarray(np.abs(log_light - np.repeat(median, every, axis=1)[:, : log_light.shape[1]]))


def sample_strip(luminance: FloatImage, y_px: Array, x_px: Array, *, px_per_mm: float, below_mm: Array) -> Strip:
    """Sample light at `below_mm` under the curve (x_px, y_px), bilinear."""
    import cv2

    map_x = np.broadcast_to(x_px.astype(np.float32), (len(below_mm), len(x_px)))
    map_y = (y_px[None, :] + below_mm[:, None] * px_per_mm).astype(np.float32)
    light = cv2.remap(luminance, np.ascontiguousarray(map_x), map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return Strip(x_px, below_mm, np.asarray(light, dtype=np.float32))


def strip_along(
    luminance: FloatImage, line: Line, *, px_per_mm: float, low_mm: float, high_mm: float, step_mm: float = 0.05
) -> Strip:
    """Sample a strip along a line from `low_mm` (above is negative) to `high_mm` below it, a column each 0.1 mm."""
    x_px = np.arange(0, luminance.shape[1] - 1, 0.1 * px_per_mm)
    below = np.arange(low_mm, high_mm + 1e-9, step_mm)
    return sample_strip(luminance, line.y_px(x_px), x_px, px_per_mm=px_per_mm, below_mm=below)
