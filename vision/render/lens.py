"""Light cast on the pixel grid, and its blur by the lens: exact integrals over pixels, no sampling of the blur."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d
from scipy.special import ndtr

from lightgap.neck.profile import Array

from .compiled import compiled

CELLS = 4  # an edge pixel is known in four by four cells


@dataclass(frozen=True, slots=True)
class Radiance:
    """Radiance over the picture, before the lens' blur.

    Attributes
    ----------
    mean
        (height, width, 3) mean over each pixel's area.
    edge_pixels
        (n,) flat indices of the pixels that are known in cells.
    cells
        (n, 4, 4, 3) means over their cells (row, column).
    """

    mean: Array = field(repr=False)
    edge_pixels: NDArray[np.int64] = field(repr=False)
    cells: Array = field(repr=False)


def _twice_integrated(x: NDArray[np.floating[Any]], sigma: float) -> Array:
    """Return the second integral of a Gaussian of unit area."""
    return np.asarray(x * ndtr(x / sigma) + sigma * np.exp(-0.5 * (x / sigma) ** 2) / np.sqrt(2.0 * np.pi))


def cell_weights(sigma_px: float, *, centre: float, width: float) -> Array:
    """Return what a cell of even light sends to the pixels around, along one axis.

    A Gaussian blur integrated over the cell and over each receiving pixel; the weights add up to `width`.
    """
    reach = int(np.ceil(5.0 * sigma_px + 1.5))
    n = np.arange(-reach, reach + 1) - centre
    a, b = 0.5 * (1.0 + width), 0.5 * (1.0 - width)
    ends = np.array([a, b, -b, -a])[:, None]
    return np.asarray(np.array([1.0, -1.0, -1.0, 1.0]) @ _twice_integrated(n + ends, sigma_px))


@compiled
def spread_cells(pixels: NDArray[np.int64], extra: Array, weights: Array, out: Array) -> None:
    """Add to `out` (height, width, 3) what the cells send beyond their pixel's mean."""
    height, width = out.shape[0], out.shape[1]
    reach = weights.shape[1] // 2
    line = np.empty((4, weights.shape[1], 3))
    for i in range(len(pixels)):
        row, col = pixels[i] // width, pixels[i] % width
        for j in range(4):
            for n in range(weights.shape[1]):
                for c in range(3):
                    line[j, n, c] = (
                        extra[i, j, 0, c] * weights[0, n]
                        + extra[i, j, 1, c] * weights[1, n]
                        + extra[i, j, 2, c] * weights[2, n]
                        + extra[i, j, 3, c] * weights[3, n]
                    )
        for m in range(weights.shape[1]):
            y = row + m - reach
            if y < 0 or y >= height:
                continue
            for n in range(weights.shape[1]):
                x = col + n - reach
                if x < 0 or x >= width:
                    continue
                for c in range(3):
                    out[y, x, c] += (
                        weights[0, m] * line[0, n, c]
                        + weights[1, m] * line[1, n, c]
                        + weights[2, m] * line[2, n, c]
                        + weights[3, m] * line[3, n, c]
                    )


def blur_by_lens(light: Radiance, sigma_px: float) -> Array:
    """Return the (height, width, 3) light on the sensor's pixels behind a Gaussian point spread.

    Every pixel is taken as even, blurred and integrated over the pixels exactly; the edge pixels' cells then add what
    they know beyond that, so a slanted edge has the same profile at every phase.
    """
    whole = cell_weights(sigma_px, centre=0.0, width=1.0)
    out = correlate1d(correlate1d(light.mean, whole, axis=0, mode="nearest"), whole, axis=1, mode="nearest")
    places = (np.arange(CELLS) + 0.5) / CELLS - 0.5
    weights = np.array([cell_weights(sigma_px, centre=float(c), width=1.0 / CELLS) for c in places])
    extra = light.cells - light.cells.mean(axis=(1, 2), keepdims=True)
    spread_cells(light.edge_pixels, extra, weights, out)
    return np.asarray(out)
