"""Read a square marker's size off every border of its cells: too much light widens white cells and narrows black ones.

Where white is clipped, blur carries the visible border into the black by up to a pixel or two. All borders of a marker
move the same way, from white to black, while the cells' grid stays: the borders inside tell that shift from the size.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lightgap.neck.profile import Array

from .photo import ByteImage

CELLS = 6  # 4 x 4 bits within a border of one cell
ALONG = np.linspace(0.2, 0.8, 7)  # places on a cell's side at which its border is read: clear of rounded corners
SUPERSAMPLED = 0.1  # px
MIN_STEP = 30.0  # of 255, between a black and a white cell
MIN_BORDERS = 12
U_PLACE_PX = 0.15
SQUARE = np.array([[0.0, 0], [CELLS, 0], [CELLS, CELLS], [0, CELLS]])


@dataclass(frozen=True, slots=True)
class MarkerFit:
    """A marker's black square, by all its borders.

    Attributes
    ----------
    corners_px
        (4, 2) in the order given.
    side_px, u_side_px
        Mean side, and the standard uncertainty the borders' scatter leaves in it.
    spread_px
        By how far its borders stand in the black.
    """

    corners_px: Array = field(repr=False)
    side_px: float
    u_side_px: float
    spread_px: float


def fit_marker(grey: ByteImage, corners_px: Array) -> MarkerFit | None:
    """Fit the grid of cells to the borders between black and white ones, all spread alike; None when too few are seen.

    Parameters
    ----------
    grey
        (height, width) 8-bit.
    corners_px
        (4, 2) rough corners of the black square, in order round it.
    """
    import cv2
    from scipy.optimize import least_squares

    start = np.asarray(
        cv2.getPerspectiveTransform(SQUARE.astype(np.float32), corners_px.astype(np.float32)), dtype=np.float64
    )
    borders = _borders(grey, start)
    if borders is None:
        return None
    cells, seen_px, into_black = borders

    def carried(p: Array, points: Array) -> Array:
        return project(np.append(p[:8], 1.0).reshape(3, 3), points)

    def miss(p: Array) -> Array:
        off = seen_px - carried(p, cells)
        return np.asarray(((off * into_black).sum(axis=1) - p[8]) / U_PLACE_PX)

    size = np.abs(start.ravel()[:8]) + 1e-6
    fit = least_squares(miss, np.append(start.ravel()[:8], 0.0), loss="soft_l1", x_scale=np.append(size, 1.0))
    corners = carried(fit.x, SQUARE)
    side = _mean_side(corners)
    scatter = max(1.0, float(np.sqrt((np.asarray(fit.fun) ** 2).mean())))
    # What a small change of each parameter does to the side carries the fit's covariance there.
    step = 1e-4 * np.append(size, 1.0)
    rate = np.array(
        [(_mean_side(carried(fit.x + d, SQUARE)) - side) / s for d, s in zip(np.diag(step), step, strict=True)]
    )
    scaled = fit.jac * step
    covariance = np.linalg.pinv(scaled.T @ scaled) * np.outer(step, step)
    return MarkerFit(corners, side, scatter * float(np.sqrt(rate @ covariance @ rate)), float(fit.x[8]))


def project(matrix: Array, points: Array) -> Array:
    """Return (n, 2) points carried by a (3, 3) projective map."""
    carried = np.c_[points, np.ones(len(points))] @ matrix.T
    return np.asarray(carried[:, :2] / carried[:, 2:])


def _mean_side(corners: Array) -> float:
    return float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).mean())


def _borders(grey: ByteImage, grid: Array) -> tuple[Array, Array, Array] | None:
    """Return (cells, seen_px, into_black): points on borders in cells and where they are seen, and directions."""
    from scipy.ndimage import map_coordinates

    picture = grey.astype(np.float64)

    def light(points: Array) -> Array:
        px = project(grid, points.reshape(-1, 2))
        return np.asarray(map_coordinates(picture, px.T[::-1], order=1, mode="nearest")).reshape(points.shape[:-1])

    # A ring of the white frame round the cells counts as cells too.
    centre = np.arange(-1, CELLS + 1) + 0.5
    level = light(np.stack(np.meshgrid(centre, centre), axis=-1))
    black, white = float(np.median(level[1, 1:-1])), float(np.quantile(level, 0.8))
    if white - black < MIN_STEP:
        return None
    is_white = level > 0.5 * (black + white)
    cells, seen, normal = [], [], []
    size_px = _mean_side(project(grid, np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])))
    reach = np.arange(-0.45, 0.4501, SUPERSAMPLED / size_px)
    for turned in (False, True):
        flags = is_white.T if turned else is_white
        for row, column in zip(*np.nonzero(flags[1:-1, :-1] != flags[1:-1, 1:]), strict=True):
            # The border stands at x = column of the cells, from y = row to row + 1; the frame's ring is column -1.
            at = np.stack([np.full(len(ALONG), float(column)), row + ALONG], axis=-1)
            across = np.array([1.0, 0.0]) * (1 if flags[row + 1, column] else -1)
            points = at[:, None, :] + reach[:, None] * across
            at, across, points = (v[..., ::-1] if turned else v for v in (at, across, points))
            profile = light(points)
            first = profile[:, : len(reach) // 5].mean(axis=1, keepdims=True)
            last = profile[:, -(len(reach) // 5) :].mean(axis=1, keepdims=True)
            clear = (first - last)[:, 0] > 0.5 * (white - black)
            share = (profile - last) / np.where(clear[:, None], first - last, 1.0)
            past = np.cumsum(share > 0.5, axis=1)[:, -1] * (reach[1] - reach[0]) + reach[0]
            px = project(grid, at + past[:, None] * across)
            ahead = project(grid, at + 0.1 * across) - project(grid, at)
            cells.append(at[clear])
            seen.append(px[clear])
            normal.append((ahead / np.linalg.norm(ahead, axis=1, keepdims=True))[clear])
    if len(cells) < MIN_BORDERS or sum(map(len, cells)) < MIN_BORDERS * len(ALONG) // 2:
        return None
    return np.concatenate(cells), np.concatenate(seen), np.concatenate(normal)
