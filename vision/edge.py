"""Find the straightedge's lower edge: line candidates, then the one with blade above and frets below."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.profile import Array

from .photo import FloatImage

MAX_SLOPE = 0.085  # tan of camera roll plus the straightedge's own lean
SLOPES = 171
NEAR_SLOPES = 3  # an edge that reaches the limit over many rows gives as many slopes nearly the same votes
REDUCTION_PX = 16  # columns averaged into one: texture averages out, a 4 degree slope shifts about 1 px
FLOOR = 0.01  # linear light; keeps the logarithm of black finite
SAME_SLOPE = 0.0025
SPREAD_PX = 4  # rows over which a sharp edge's gradient spreads
MIN_STRENGTH = 0.08
# A line whose step beside an object is less than this share of its whole step is the object's; a fainter step is grain.
ON_OBJECT, FAINT_STEP = 0.4, 0.08
BLUR_WINDOW_PX = 25


@dataclass(frozen=True, slots=True)
class Line:
    """A nearly level line: y = middle_y_px + slope (x - middle_x_px).

    Attributes
    ----------
    strength
        Share of the picture's width along which an edge runs; its sign is that of the step of light downwards.
    step
        Logarithm of the light a few pixels below over that above, limited and averaged along the width: grain has an
        edge without a step.
    """

    slope: float
    middle_y_px: float
    middle_x_px: float
    strength: float
    step: float = 0.0

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
    slopes = np.linspace(-MAX_SLOPE, MAX_SLOPE, SLOPES)
    votes = sheared_means(np.asarray(limited, dtype=np.float32))
    light32, gradient32 = np.asarray(small, dtype=np.float32), np.asarray(gradient, dtype=np.float32)
    lines = _pick(votes, slopes, limited=limited, gradient=gradient32, most=most)
    x = (np.arange(columns) + 0.5) * REDUCTION_PX - 0.5
    return [replace(line, step=_step(light32, line.y_px(x))) for line in lines]


def sheared_means(limited: FloatImage) -> FloatImage:
    """Return (SLOPES, height) means of a reduced picture (height, columns) along lines of evenly spaced slopes.

    Row y holds the line through (middle column, y); outside the picture there is nothing. A column moved by d rows is
    its spectrum times exp(2 pi i f d), with d = slope x column: for each frequency f the sums over the columns are a
    chirp z-transform (Rabiner, Schafer, Rader: The chirp z-transform algorithm, IEEE Trans. Audio Electroacoust. 17,
    1969), and so cost two short Fourier transforms instead of one picture a slope.
    """
    from scipy.fft import fft, ifft, irfft, next_fast_len, rfft, rfftfreq

    height, columns = limited.shape
    reach = int(np.ceil(MAX_SLOPE * REDUCTION_PX * (columns - 1) / 2)) + 1
    rows = next_fast_len(height + reach, real=True)
    turns = rfftfreq(rows) * REDUCTION_PX * 2 * MAX_SLOPE / (SLOPES - 1)
    column, slope = (np.arange(float(n)) - (n - 1) / 2 for n in (columns, SLOPES))
    apart = slope[0] - column[-1] + np.arange(float(columns + SLOPES - 1))

    # turns * column * slope = turns / 2 * (column^2 + slope^2 - (slope - column)^2)
    def chirp(at: Array) -> NDArray[np.complex64]:
        phase = np.asarray(2 * np.pi * np.mod(turns[:, None] / 2 * at**2, 1.0), dtype=np.float32)
        return np.asarray(np.cos(phase) + 1j * np.sin(phase), dtype=np.complex64)

    size = next_fast_len(len(apart))
    moved = fft(rfft(limited, rows, axis=0) * chirp(column), size, axis=1)
    moved *= fft(chirp(apart).conj(), size, axis=1)
    summed = ifft(moved, axis=1)[:, columns - 1 : columns - 1 + SLOPES] * chirp(slope)
    return np.ascontiguousarray(irfft(summed, rows, axis=0)[:height].T / columns)


def beside(lines: list[Line], luminance: FloatImage, outline_px: Array) -> list[Line]:
    """Return the lines as they are seen beside an object, without those that are seen on it alone.

    Parameters
    ----------
    lines
        As found; those that do not cross the object stay as they are.
    luminance
        (height, width) linear light.
    outline_px
        (n, 2) outline of the object.
    """
    (left, top), (right, bottom) = outline_px.min(axis=0), outline_px.max(axis=0)
    x = np.arange(0, luminance.shape[1], REDUCTION_PX // 2)
    x = x[(x < left - REDUCTION_PX) | (x > right + REDUCTION_PX)]
    light = np.log(np.maximum(luminance[:, x], 0) + FLOOR)
    middle = np.array([(left + right) / 2])
    seen = []
    for line in lines:
        y = float(line.y_px(middle)[0])
        if len(x) and top - SPREAD_PX < y < bottom + SPREAD_PX:
            step = _step(light, line.y_px(x))
            if abs(line.step) > FAINT_STEP and abs(step) < ON_OBJECT * abs(line.step):
                continue
            seen.append(replace(line, step=step))
        else:
            seen.append(line)
    return seen


def _same(line: Line, other: Line) -> bool:
    """Tell whether a line repeats another found before it, at a slightly different slope."""
    return (
        line.strength * other.strength > 0
        and abs(line.middle_y_px - other.middle_y_px) < SPREAD_PX / 2
        and abs(line.slope - other.slope) < SAME_SLOPE
    )


def _step(light: NDArray[np.float32], y_px: Array) -> float:
    """Return the step of log light (height, columns) across a curve (columns,), 4 to 9 pixels to either side of it."""
    rows = np.rint(y_px).astype(np.intp)
    away = np.arange(4, 10)[:, None]
    column = np.arange(light.shape[1])[None, :]
    below, above = (light[np.clip(rows + side * away, 0, len(light) - 1), column].mean(axis=0) for side in (1, -1))
    return float(np.clip(below - above, -1, 1).mean())


def _pick(
    votes: NDArray[np.float32], slopes: Array, *, limited: NDArray[np.float32], gradient: NDArray[np.float32], most: int
) -> list[Line]:
    """Return the strongest lines one after the other, each from what the stronger ones left over.

    A strong edge also votes for its neighbours and for every line that crosses it. Its gradient is taken out once it is
    found; a line that lives on the same pixels is not another edge. It stands where the gradient itself, not limited,
    is steepest: a strong edge reaches the limit over many rows.
    """
    height, columns = limited.shape
    middle_x = (columns * REDUCTION_PX - 1) / 2
    strength = np.abs(votes)
    left = limited.copy()
    reach = np.arange(-2 * SPREAD_PX, 2 * SPREAD_PX + 1)[:, None]
    column = np.arange(columns)[None, :]
    at = (column - (columns - 1) / 2) * REDUCTION_PX
    lines: list[Line] = []
    for _ in range(12 * most):
        i, j = (int(v) for v in np.unravel_index(int(np.argmax(strength)), strength.shape))
        full = float(votes[i, j])
        if abs(full) < MIN_STRENGTH or len(lines) == most:
            break
        strength[max(0, i - 2) : i + 3, max(0, j - 1) : j + 2] = 0
        rows = np.rint(j + slopes[i] * at).astype(np.intp)
        inside = (rows > 2 * SPREAD_PX) & (rows < height - 1 - 2 * SPREAD_PX)
        rest = np.where(inside, left[np.clip(rows, 0, height - 1), column], 0).mean()
        if abs(rest) < 0.6 * abs(full):
            continue
        turned = np.clip(np.arange(i - NEAR_SLOPES, i + NEAR_SLOPES + 1), 0, SLOPES - 1)
        steep = np.stack([_steep_rows(gradient, j + slopes[k] * at + reach, inside) for k in turned]) * np.sign(full)
        turn, peak = (int(v) for v in np.unravel_index(int(np.argmax(steep)), steep.shape))
        slope, steep = float(slopes[turned[turn]]), steep[turn]
        line = Line(slope, float(j) + float(reach[peak, 0]), middle_x, full)
        band = np.clip(np.rint(j + slope * at).astype(np.intp) + reach, 0, height - 1)
        if not any(_same(line, other) for other in lines):
            lines.append(line)
        beyond = np.flatnonzero(steep < 0.1 * steep[peak])
        first = int(max(beyond[beyond < peak], default=-1)) + 1
        last = int(min(beyond[beyond > peak], default=len(steep))) - 1
        band = band[max(0, min(first, peak - SPREAD_PX)) : max(last, peak + SPREAD_PX) + 1]
        same = np.sign(left[band, column]) == np.sign(full)
        left[band, column] = np.where(same & inside, 0, left[band, column])
    return lines


def _steep_rows(gradient: NDArray[np.float32], y: Array, inside: NDArray[np.bool_]) -> Array:
    """Return the mean gradient along each of the curves y (rows, columns), of the columns inside."""
    rows = np.clip(np.rint(y).astype(np.intp), 0, len(gradient) - 1)
    return np.asarray(np.where(inside, gradient[rows, np.arange(gradient.shape[1])], 0).mean(axis=1))


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
        # One row after the other, as one: the filter of one dimension is several times faster than that of two.
        margin = size // 2
        padded = np.pad(log_light[:, ::every], ((0, 0), (margin, margin)), mode="edge")
        median = median_filter(padded.ravel(), size=size).reshape(padded.shape)[:, margin:-margin]
        return np.asarray(np.abs(log_light - np.repeat(median, every, axis=1)[:, : log_light.shape[1]]))


def significance(texture: FloatImage) -> FloatImage:
    """Return a texture strip with each row divided by its own noise, and limited: what stands out."""
    noise = np.median(texture, axis=1, keepdims=True) * 1.48 + 0.005
    return np.asarray(np.minimum(texture / noise, 8))


def band_of(rows: FloatImage) -> Array:
    """Return the mean over rows of what stands out."""
    return np.asarray(rows.mean(axis=0), dtype=np.float64)


def sample_strip(luminance: FloatImage, y_px: Array, x_px: Array, *, px_per_mm: float, below_mm: Array) -> Strip:
    """Sample light at `below_mm` under the curve (x_px, y_px), bilinear."""
    import cv2

    map_x = np.broadcast_to(x_px.astype(np.float32), (len(below_mm), len(x_px)))
    map_y = (y_px[None, :] + below_mm[:, None] * px_per_mm).astype(np.float32)
    light = cv2.remap(luminance, np.ascontiguousarray(map_x), map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return Strip(x_px, below_mm, np.asarray(light, dtype=np.float32))


def means_along(summed: Array, shift: NDArray[np.intp]) -> Array:
    """Return (rows,) means along curves that begin at each row of a picture and stand `shift` rows lower.

    Neighbouring columns with one shift are one difference of two sums.

    Parameters
    ----------
    summed
        (rows, 1 + columns) sums along the picture's rows, up to each column, beginning with none.
    shift
        (columns,) in rows; past the picture's border its outermost row counts.
    """
    rows, columns = len(summed), len(shift)
    first = np.flatnonzero(np.diff(shift, prepend=shift[0] - 1))
    runs = summed[:, np.append(first[1:], columns)] - summed[:, first]
    at = np.clip(np.arange(rows)[:, None] + shift[first], 0, rows - 1)
    return np.asarray(runs[at, np.arange(len(first))].sum(axis=1) / columns)


def sharpest_px(luminance: FloatImage) -> float:
    """Return the blur of a picture's sharpest level edges, as a standard deviation in pixels.

    An edge of height h, blurred by a Gaussian, is h / (sigma sqrt(2 pi)) steep. The tenth part of the strong edges with
    the least blur tells what the camera could do.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    """
    import cv2
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    height, width = luminance.shape
    small = cv2.resize(luminance, (max(1, width // REDUCTION_PX), height), interpolation=cv2.INTER_AREA)
    steep = np.abs(np.gradient(small, axis=0))
    rise = maximum_filter1d(small, BLUR_WINDOW_PX, axis=0) - minimum_filter1d(small, BLUR_WINDOW_PX, axis=0)
    peak = (steep == maximum_filter1d(steep, BLUR_WINDOW_PX, axis=0)) & (rise > 0.25 * rise.max())
    if peak.sum() < 20:
        return 0.0
    return float(np.quantile(rise[peak] / (steep[peak] * np.sqrt(2 * np.pi)), 0.1))
