"""Which fret is which: a comb of equal-tempered spacing, seen by a camera, laid over the strip below the edge."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array

from .known import EdgeTurn
from .photo import FloatImage

if TYPE_CHECKING:
    from scipy.sparse import csr_array

MAX_FRET = 24
MIN_TEETH = 4
X0_STEP_MM = 0.6
MAX_YAW = 0.025
DISTINCT_MM = 6.0  # combs nearer than this to each other are one
MAX_STARTS = 70
# Where fret ends stand before the line, to begin with: beside the outer string, or half a board away.
OUTER_START_MM, MIDDLE_START_MM = 4.0, 20.0
# Half a board's width at the nut: 28 to 38 mm on the short scales of mandolins and ukuleles, 38 to 52 on guitars and
# basses; common practice, no published source.
HALF_NUT_MM, OF_SCALE_LENGTH_MM = (16.0, 21.0), (390.0, 560.0)


@dataclass(frozen=True, slots=True)
class Comb:
    """Where the frets stand in the picture.

    A camera sees points on a straight line through a projective map of one dimension; radial distortion adds a cubic.
    With t = direction (x - x0) s, u = middle + t / (1 + yaw t / half) and then radially distorted.

    Attributes
    ----------
    direction
        +1 when the nut is on the left, -1 on the right.
    x0_mm
        Place along the board (from the nut) seen at the picture's middle.
    px_per_mm
        Scale there.
    yaw
        Relative change of scale over half the picture.
    k1
        First radial distortion coefficient (coordinates divided by the focal length).
    score
        Significance of the match.
    """

    direction: int
    x0_mm: float
    px_per_mm: float
    yaw: float
    k1: float
    score: float
    middle_px: float
    focal_px: float
    scale_length_mm: float

    def x_px(self, position_mm: Array) -> Array:
        """Return the column at which a place along the board (mm from the nut) is seen."""
        half = self.middle_px
        t = self.direction * (position_mm - self.x0_mm) * self.px_per_mm
        t = t / (1 + self.yaw * t / half)
        return self.middle_px + t * (1 + self.k1 * (t / self.focal_px) ** 2)

    def position_mm(self, x_px: Array) -> Array:
        """Return the place along the board seen at a column (inverse of `x_px`)."""
        d = x_px - self.middle_px
        t = d.copy()
        for _ in range(6):
            t = d / (1 + self.k1 * (t / self.focal_px) ** 2)
        t = t / (1 - self.yaw * t / self.middle_px)
        return self.x0_mm + self.direction * t / self.px_per_mm

    def local_px_per_mm(self, x_px: Array) -> Array:
        """Return the scale along the board at a column."""
        step = 0.5
        here = self.position_mm(np.asarray(x_px, dtype=np.float64))
        return np.asarray(np.abs(self.x_px(here + step) - self.x_px(here - step)) / (2 * step))

    def lens_shift_px(self, x_px: Array, y_px: Array, axis_px: float) -> Array:
        """Return by how much a lens of k1 = 1 moves the row of a point: x (1 + k1 r^2).

        Parameters
        ----------
        x_px, y_px
            (n,) column and row.
        axis_px
            Row of the lens's axis.
        """
        off = y_px - axis_px
        return np.asarray(off * ((x_px - self.middle_px) ** 2 + off**2) / self.focal_px**2)

    def stand(self) -> tuple[float, float]:
        """Return where the camera stands: its foot along the board from the comb's middle, and its distance, in mm."""
        foot, distance = _stand(self)
        return float(foot), float(distance)

    def end_px(self, position_mm: Array, near_mm: Array | float) -> Array:
        """Return the column at which a point `near_mm` before the line is seen."""
        return self.x_px(self.x0_mm + _end_offset(self, position_mm - self.x0_mm, near_mm))

    def frets(self, low_px: float, high_px: float) -> tuple[NDArray[np.int64], Array]:
        """Return the numbers and columns of the frets seen between two columns, in order of number."""
        number = np.arange(1.0, MAX_FRET + 1)
        columns = self.x_px(fret_position_mm(number, self.scale_length_mm))
        ahead = np.concatenate([[True], np.diff(columns) * self.direction > 0])
        seen = (columns >= low_px) & (columns <= high_px) & ahead
        return number[seen].astype(np.int64), columns[seen]


def half_nut_mm(scale_length_mm: float) -> float:
    """Return half a board's usual width at the nut, by the scale length."""
    return float(np.interp(scale_length_mm, OF_SCALE_LENGTH_MM, HALF_NUT_MM))


@dataclass(frozen=True, slots=True)
class CombPrior:
    """What is known before the search.

    Attributes
    ----------
    first_fret
        The lowest number to count with; it must be in view.
    first_in_view
        Nothing lower is in view, but for the nut.
    uncounted
        Frets may go on where the comb has the nut: its numbers are not yet the right ones.
    turn
        As both edges show it, where it is to count.
    with_dots
        Dots on the board's side count: nobody told the numbers, and object or height tell the scale.
    by_object
        An object of known size tells the scale, and the straightedge's height is known.
    """

    px_per_mm: float
    scale_length_mm: float
    focal_px: float
    scale_tolerance: float = 0.025
    u_scale: float = 0.01
    directions: tuple[int, ...] = (1, -1)
    first_fret: int | None = None
    first_in_view: bool = False
    uncounted: bool = False
    turn: EdgeTurn | None = None
    with_dots: bool = False
    by_object: bool = False


@dataclass(frozen=True, slots=True)
class FretRows:
    """What stands out along the board, in rows under an edge.

    Attributes
    ----------
    crowns
        (n,) significance along the edge itself, where crowns glow and stand dark in the gap; columns are `step_px`
        apart and begin at column 0.
    ends
        (n,) the same in bands lower down, where the near ends of the frets are seen.
    """

    crowns: Array
    ends: tuple[Array, ...]
    step_px: float


@dataclass(frozen=True, slots=True)
class CombMatch:
    """A comb laid over both rows.

    Attributes
    ----------
    near_mm
        Distance from the line to the fret ends that fits best.
    band
        Which of the bands holds them.
    """

    comb: Comb
    near_mm: float
    band: int


class CombGrid:
    """Combs to try over rows of one width, with the samples at which their teeth fall worked out once.

    Parameters
    ----------
    prior
        Scale, scale length, focal length, sides and an optional first fret.
    rows
        Any rows of the width and column spacing to be searched.
    """

    def __init__(self, prior: CombPrior, rows: FretRows) -> None:
        self.prior, self.size, self.step_px = prior, len(rows.crowns), rows.step_px
        middle = (self.size - 1) * self.step_px / 2
        self.number = np.arange(float(prior.first_fret or 1), MAX_FRET + 1)
        self.position = fret_position_mm(self.number, prior.scale_length_mm)
        reach = 1.1 * middle / prior.px_per_mm
        tolerance = prior.scale_tolerance
        self.x0 = np.arange(self.position[0] - reach, self.position[-1] + reach, X0_STEP_MM)
        if prior.first_in_view:
            before = float(fret_position_mm(max(self.number[0] - 1, 0.0), prior.scale_length_mm))
            low = before + (1 - tolerance - MAX_YAW) * middle / prior.px_per_mm if self.number[0] > 1 else 0.0
            high = self.position[0] + (1 + tolerance + MAX_YAW) * middle / prior.px_per_mm
            self.x0 = np.arange(low, high, X0_STEP_MM)
        stretches = np.linspace(-tolerance, tolerance, max(3, 2 * round(tolerance / 0.0125) + 1)).tolist()
        self.combs = [
            Comb(d, 0.0, prior.px_per_mm * (1 + st), yaw, 0.0, 0.0, middle, prior.focal_px, prior.scale_length_mm)
            for d, st, yaw in product(prior.directions, stretches, (-MAX_YAW, 0.0, MAX_YAW))
        ]
        self._samples: dict[float, tuple[csr_array, FloatImage]] = {}

    def scores(self, wide: FloatImage, near_mm: float) -> FloatImage:
        """Return the score of every comb at every place: mean height of its teeth times the root of their number.

        Parameters
        ----------
        wide
            (rows, samples).
        near_mm
            How far before the line the teeth stand.

        Returns
        -------
        (rows, combs, places)
        """
        if near_mm not in self._samples:
            self._samples[near_mm] = self._teeth(near_mm)
        teeth, root = self._samples[near_mm]
        total = np.ascontiguousarray((teeth @ wide.T).T).reshape(-1, *root.shape) * root
        return np.where(root > 0, total, np.float32(-9))

    def _teeth(self, near_mm: float) -> tuple[csr_array, FloatImage]:
        """Return which samples the teeth of every comb at every place fall on, and the share each has of the score."""
        from scipy.sparse import csr_array

        offset = self.position[:, None] - self.x0[None, :]
        samples, counts, roots = [], [], []
        for comb in self.combs:
            index = self._index(comb, _end_offset(comb, offset, near_mm)).T
            seen = index < self.size
            count = seen.sum(axis=1)
            root = np.where(count >= MIN_TEETH, 1 / np.sqrt(np.maximum(count, 1)), 0)
            if self.prior.first_fret is not None:
                root = np.where(seen[:, 0], root, 0)
            if self.prior.first_in_view and self.number[0] > 1:
                before = fret_position_mm(self.number[0] - 1, self.prior.scale_length_mm) - self.x0
                root = np.where(self._index(comb, _end_offset(comb, before, near_mm)) == self.size, root, 0)
            samples.append(index[seen])
            counts.append(count)
            roots.append(root)
        column = np.concatenate(samples).astype(np.int32)
        row = np.concatenate([[0], np.cumsum(np.concatenate(counts))]).astype(np.int32)
        ones = np.ones(len(column), dtype=np.float32)
        return csr_array((ones, column, row), shape=(len(row) - 1, self.size)), np.array(roots, dtype=np.float32)

    def _index(self, comb: Comb, offset_mm: Array) -> NDArray[np.intp]:
        u, seen = _columns(comb, offset_mm.astype(np.float32))
        sample = np.rint(u / self.step_px)
        return np.where(seen, np.clip(sample, 0, self.size - 1), self.size).astype(np.intp)


def _columns(comb: Comb, offset_mm: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Return the columns at which places `offset_mm` from the comb's middle are seen, and whether they are."""
    half = comb.middle_px
    t = comb.direction * offset_mm * comb.px_per_mm
    bend = 1 + comb.yaw * t / half
    t = t / np.maximum(bend, 0.2)
    u = half + t * (1 + comb.k1 * (t / comb.focal_px) ** 2)
    return u, (u > 0) & (u < 2 * half) & (np.abs(t) < 1.3 * half)


def _stand(comb: Comb) -> tuple[Array, Array]:
    turn = np.arctan(np.asarray(comb.yaw * comb.focal_px / comb.middle_px))
    axial = comb.focal_px * np.cos(turn) / comb.px_per_mm
    return np.asarray(-comb.direction * axial * np.sin(turn)), np.asarray(axial * np.cos(turn))


def _end_offset(comb: Comb, offset_mm: Array, near_mm: Array | float) -> Array:
    """Return the place on the line at which a point `near_mm` before it is seen, both from the comb's middle."""
    foot, distance = _stand(comb)
    ratio = np.asarray(near_mm) / distance
    return np.asarray((offset_mm - foot * ratio) / (1 - ratio))


def search_combs(rows: FretRows, prior: CombPrior, *, keep: int = 3, grid: CombGrid | None = None) -> list[CombMatch]:
    """Lay combs over the row of crowns and the row of fret ends, and return the best, distinct in numbering.

    Both rows must agree: crowns on the line, ends some way before it, seen by one camera. Either row alone is fooled
    by grain and inlays when few frets are in view.

    Parameters
    ----------
    rows
        What stands out along the board.
    prior
        Scale, scale length, focal length, sides and an optional first fret.
    keep
        How many distinct numberings to return.
    grid
        For the same prior and width, when several rows are searched.
    """
    grid = grid or CombGrid(prior, rows)
    crowns = _widened(rows.crowns, 0.7 * prior.px_per_mm / rows.step_px)
    ends = np.stack([_widened(band, 1.2 * prior.px_per_mm / rows.step_px) for band in rows.ends])
    starts = [_best_places(grid.scores(crowns[None], 0.0), 2)]
    starts += [_best_places(grid.scores(ends, near_mm), 1) for near_mm in (OUTER_START_MM, MIDDLE_START_MM)]
    score, which, place = (np.concatenate(column) for column in zip(*starts, strict=True))
    first = np.argsort(-score, kind="stable")[:MAX_STARTS]
    matches = _weigh(grid, which[first], grid.x0[place[first]], crowns, ends)
    matches.sort(key=lambda m: -m.comb.score)
    kept: list[CombMatch] = []
    for match in matches:
        comb = match.comb
        if all(k.comb.direction != comb.direction or abs(k.comb.x0_mm - comb.x0_mm) > DISTINCT_MM for k in kept):
            kept.append(match)
        if len(kept) == keep:
            break
    return kept


def _widened(signal: Array, width: float) -> FloatImage:
    """Return a signal in units of its own scatter, its peaks widened so that a comb need not hit them exactly."""
    from scipy.ndimage import maximum_filter1d

    centred = signal - np.median(signal)
    noise = 1.48 * np.median(np.abs(centred)) + 1e-3
    wide = maximum_filter1d(np.clip(centred / noise, -1, 6), max(1, round(width) | 1))
    return np.asarray((wide - wide.mean()) / (wide.std() + 1e-6), dtype=np.float32)


def _best_places(scores: FloatImage, count: int) -> tuple[FloatImage, NDArray[np.intp], NDArray[np.intp]]:
    """Return score, comb and place of the best places of every comb in every row of (rows, combs, places)."""
    apart = round(DISTINCT_MM / X0_STEP_MM)
    combs, places = scores.shape[1:]
    left = scores.reshape(-1, places).copy()
    each = np.arange(len(left))
    found = []
    for _ in range(count):
        best = np.argmax(left, axis=1)
        found.append((left[each, best], each % combs, best))
        near = np.clip(best[:, None] + np.arange(1 - apart, apart), 0, places - 1)
        left[each[:, None], near] = -9
    score, which, place = (np.concatenate(column) for column in zip(*found, strict=True))
    return score, which, place


def _weigh(
    grid: CombGrid, which: NDArray[np.intp], x0_mm: Array, crowns: FloatImage, ends: FloatImage
) -> list[CombMatch]:
    """Return combs of the grid with the score of both rows, at the distance of the fret ends that fits best."""
    combs = [replace(grid.combs[i], x0_mm=float(x)) for i, x in zip(which, x0_mm, strict=True)]
    near = np.concatenate([np.arange(0, 8, 2.0), np.arange(11, 34, 2.0)])
    depth = near[:, None, None] + np.array([0.0, 0.014])[:, None] * grid.position
    # All combs at once: parameters (m, 1, 1, 1) against (distances, tapers, teeth).
    px, yaw = (np.array([getattr(c, n) for c in combs]).reshape(-1, 1, 1, 1) for n in ("px_per_mm", "yaw"))
    turned = np.array([c.direction for c in combs]).reshape(-1, 1, 1, 1)
    together = replace(combs[0], direction=turned, px_per_mm=px, yaw=yaw)
    offset = grid.position - x0_mm[:, None, None, None]
    first = _mean_teeth(crowns[None], together, offset, grid.step_px)[0, :, 0, 0]
    second = _mean_teeth(ends, together, _end_offset(together, offset, depth), grid.step_px)
    second = np.moveaxis(second, 0, 1).reshape(len(combs), -1)
    best = second.argmax(axis=1)
    band, i, _ = np.unravel_index(best, (len(ends), len(near), depth.shape[1]))
    doubt = 0.5 * ((px.ravel() / grid.prior.px_per_mm - 1) / (1.4 * grid.prior.u_scale)) ** 2
    score = (first + second.max(axis=1)) / np.sqrt(2) - doubt
    return [
        CombMatch(replace(comb, score=float(s)), float(near[j]), int(b))
        for comb, s, j, b in zip(combs, score, i, band, strict=True)
    ]


def _mean_teeth(wide: FloatImage, comb: Comb, offset_mm: Array, step_px: float) -> Array:
    """Return the mean height of teeth on each row of `wide` (rows, samples), times the root of their number.

    Of offsets (..., teeth): (rows, ...).
    """
    u, seen = _columns(comb, offset_mm)
    index = np.clip(np.rint(u / step_px), 0, wide.shape[-1] - 1).astype(np.intp)
    count = seen.sum(axis=-1)
    height = np.stack([np.take(row, index) for row in wide])
    return np.asarray((height * seen).sum(axis=-1, dtype=np.float64) / np.sqrt(np.maximum(count, 1)))
