"""The feet of the frets: where their ends stand on the border of the board, on the camera's side.

A fret's end meets the side of the board in a corner that is crisp in any light and hidden by nothing. Crowns of one
wire stand equally high over their feet, so that the row of feet tells how the neck is bent under the straightedge. It
is surer than crowns against a mirrored background, but blind to a fret that is worn, or not driven home; how tall the
ends stand (`end_heights`) tells the latter.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from lightgap.neck.profile import Array

from .along import along_board, through_most
from .camera import BoardCamera, ends_seen_at
from .edge import FLOOR, sample_strip
from .locate import EdgeCurve
from .photo import FloatImage
from .shading import Mask
from .slit import SlitLight

# Wire and its levelling on the neck (by own renders with truth, whose wire scatters by 0.008 mm).
WIRE_MM = 0.009
# Of a foot as a reading of its crown: wire, and a share of the row's own scatter, part of which is wire too (likewise).
U_FOOT_MM, U_PER_SCATTER = 0.0085, 0.5
# Under the straightedge's edge: a fret's height and a gap beside the outer string; from the middle of the board also
# what the board falls towards its border, and a camera above or below it adds (common practice, no published source).
OUTER_REACH_MM, MIDDLE_REACH_MM = (0.55, 2.2), (0.8, 6.5)
# How far feet may lie under their crowns: a fret's height and a bevel, and from the middle what a camera one degree
# below the board or three above it adds over half a board's width (common practice, no published source).
UNDER_OUTER_MM, UNDER_MIDDLE_MM = (0.5, 1.9), (0.2, 2.9)
MARGIN_MM = 0.3
BEYOND_MM = 10.0  # an outermost fret's end is seen farther out than its crown: the edge is carried on straight
# Columns of an end beside its tang, which runs on below the foot.
HALF_TANG_MM, HALF_END_MM = 0.4, 0.85
SIDE_FLOOR = 0.25 * FLOOR  # a board's side is dark: the logarithm must not end above it
BESIDE_ROW_MM = 0.1
LEVEL_STEP_MM, TILTS_MM, BOWS_MM = 0.02, np.arange(-0.3, 0.31, 0.05), np.arange(-0.4, 0.41, 0.05)
NEAR_MM = (0.15, 0.1, 0.1, 0.1)  # round by round, about the row that the others make
FEET_PER_ORDER = 3  # a neck bent both ways is followed by a polynomial of one order more a round, if feet allow
# A row of feet: how much of the best step of light most of them have, how straight it lies, how many are seen.
MIN_SCORE, MAX_SCATTER_MM, MIN_FEET, MIN_SHARE = 0.8, 0.03, 4, 0.7
STRAIGHT_SCORE, STRAIGHT_MM = 0.68, 0.013  # a row so straight proves itself with less
PROVING_FACES = 0.8  # nearly all: a string under the crowns bends as straight as they do
MIN_FACES = 0.5  # strings and borders go on between the ends: half of the ends must stand out
FACE_MM, BESIDE_MM, OTHER_LIGHT = (0.15, 0.6), (1.3, 1.9), 0.1  # over the foot; beside its middle; in its logarithm
# A fret's tang is half a millimetre wide and one and a half deep, and seen on the board's side under its foot, dark or
# light, where no binding hides it (common practice, no published source). It must stand out from what is close beside
# it in the upper part and in the lower one: a crown under what is no foot widens downwards.
TANG_MM = ((0.25, 0.8), (0.8, 1.4))
HALF_SEEN_MM, BESIDE_TANG_MM, TANG_LIGHT, PROVING_TANGS = 0.2, (0.45, 0.75), 0.2, 0.6
FAINT = 0.3  # of the usual step of light
OFF_ROW, OFF_ROW_MM = 4.0, 0.04  # a foot farther off the smooth row, in scatters and at least, is a shade or a scratch


@dataclass(frozen=True, slots=True)
class Feet:
    """Feet of n frets.

    Attributes
    ----------
    below_mm
        (n,) under the straightedge's edge; NaN where none was seen on the row.
    scatter_mm
        Robust scatter about a smooth row.
    score
        Share of the usual step of light that the whole row has, 0 to 1.
    faces
        Share of the ends that stand out from what is beside them.
    astray_mm
        (n,) like `below_mm`, of those seen off the row: of a fret that is not driven home, or a shade or a scratch.
    u_with_end_mm
        (n,) standard uncertainty of those moved to where they would stand were all ends equally tall over them, as
        `end_heights` does; NaN elsewhere, None where no row of ends was read.
    moved_mm
        (n,) how far they were moved; 0 elsewhere, NaN where the end alone was read.
    borne_out
        (n,) where a foot off the row counts among the others, as the fret's end stands off as far; None where no row of
        ends was read.
    tangs
        Share of the feet under which a fret's tang is seen.
    """

    below_mm: Array = field(repr=False)
    scatter_mm: float
    score: float
    faces: float
    astray_mm: Array | None = field(default=None, repr=False)
    u_with_end_mm: Array | None = field(default=None, repr=False)
    moved_mm: Array | None = field(default=None, repr=False)
    borne_out: Mask | None = field(default=None, repr=False)
    tangs: float = 0.0

    @property
    def with_end(self) -> Mask:
        """(n,) where the fret's end was read besides."""
        if self.u_with_end_mm is None:
            return np.zeros(len(self.below_mm), dtype=bool)
        return np.isfinite(self.u_with_end_mm)

    @property
    def by_ends(self) -> bool:
        """Whether most ends were read too: nothing but fret ends is shaped alike, and in its place."""
        return self.u_with_end_mm is not None

    def without_ends(self, where: Mask) -> Feet:
        """Return the feet with those of a mask (n,) as they were before their ends were read."""
        if self.borne_out is not None and self.astray_mm is not None and (where & self.borne_out).any():
            back = where & self.borne_out
            foot = self.below_mm if self.moved_mm is None else self.below_mm - self.moved_mm
            below, astray = np.where(back, np.nan, self.below_mm), np.where(back, foot, self.astray_mm)
            return replace(self, below_mm=below, astray_mm=astray, borne_out=self.borne_out & ~back).without_ends(where)
        if self.u_with_end_mm is None or self.moved_mm is None:
            return self
        kept = ~where
        below = np.where(kept, self.below_mm, self.below_mm - self.moved_mm)
        u_mm, moved = np.where(kept, self.u_with_end_mm, np.nan), np.where(kept, self.moved_mm, 0.0)
        return replace(self, below_mm=below, u_with_end_mm=u_mm, moved_mm=moved)

    @property
    def u_alone_mm(self) -> float:
        """Standard uncertainty of a foot whose end was not read, as a reading of its crown."""
        return float(np.hypot(U_FOOT_MM, U_PER_SCATTER * self.scatter_mm))

    @property
    def u_each_mm(self) -> Array:
        """(n,) standard uncertainty of each as a reading of its crown, beside what is common to all of them."""
        alone = np.full(len(self.below_mm), self.u_alone_mm)
        return alone if self.u_with_end_mm is None else np.where(self.with_end, self.u_with_end_mm, alone)

    @property
    def seen(self) -> Mask:
        """(n,) where a foot was seen."""
        return np.isfinite(self.below_mm)

    @property
    def is_row(self) -> bool:
        """Whether the steps of light make a row, of feet or of a line that runs beside them."""
        enough = self.seen.sum() >= max(MIN_FEET, MIN_SHARE * len(self.below_mm))
        strong = self.score > MIN_SCORE and self.scatter_mm < MAX_SCATTER_MM
        straight = self.score > STRAIGHT_SCORE and self.scatter_mm < STRAIGHT_MM
        return bool(enough and (strong or straight))

    @property
    def is_sure(self) -> bool:
        """Whether the row is one that only feet make."""
        return self.is_row and (self.faces > MIN_FACES or self.proven)

    @property
    def bears_out(self) -> bool:
        """Whether nearly all ends stand out, or most were read, or stand over tangs."""
        return self.is_sure and (self.faces > PROVING_FACES or self.proven)

    @property
    def by_tangs(self) -> bool:
        """Whether most stand over a tang, as neither a string nor a border does under each fret."""
        return self.tangs > PROVING_TANGS

    @property
    def proven(self) -> bool:
        """Whether most ends were read, or stand over tangs, whatever their light."""
        return self.by_tangs or self.by_ends


def find_feet(
    luminance: FloatImage, edge: EdgeCurve, slit: SlitLight, camera: BoardCamera, *, position_mm: Array
) -> Feet | None:
    """Find the feet of the frets; None where fewer ends than make a row lie in the picture.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge, slit, camera
        From the earlier stages.
    position_mm
        (n,) places of the frets from the nut.
    """
    along = along_board(position_mm)
    expected, scale = ends_seen_at(camera, position_mm)
    steps = _steps(luminance, edge, slit, expected, scale, outer=camera.beside_outer)
    if steps is None:
        return None
    row = _vote(steps, along)
    below, strength = np.full(len(along), np.nan), np.zeros(len(along))
    scatter = np.inf
    usual = 0.0
    for turn, reach in enumerate(NEAR_MM):
        below, strength = _steepest(steps, row, reach)
        usual = float(np.median(strength[strength > 0])) if (strength > 0).any() else 0.0
        if not usual:
            return None
        order = min(2 + turn, max(2, int(np.isfinite(below).sum()) // FEET_PER_ORDER))
        row, scatter = through_most(along, below, np.minimum(strength / usual, 1.0), order=order)
    if not np.isfinite(row).all():
        return None
    faces = _faces(luminance, edge, slit, expected, scale, row)
    tangs = _tangs(luminance, edge, slit, expected, scale, row)
    clear = strength > FAINT * usual
    on_row = np.abs(below - row) < max(OFF_ROW * scatter, OFF_ROW_MM)
    on, astray = (np.where(clear & these, below, np.nan) for these in (on_row, ~on_row))
    return Feet(on, scatter, _score(steps, row), faces, astray, tangs=tangs)


@dataclass(frozen=True, slots=True)
class _Steps:
    """How the logarithm and the root of the light step downwards at the columns of each end.

    Both are (n, m), at `below_mm` (m,); 0 out of view. The logarithm tells a dark board's border from brighter lines
    over it; but it is steepest below the border by an amount that grows with the light over it, the root hardly so.
    """

    below_mm: Array
    logarithm: Array
    root: Array


def _steps(
    luminance: FloatImage, edge: EdgeCurve, slit: SlitLight, expected: Array, scale: Array, *, outer: bool
) -> _Steps | None:
    low, high = OUTER_REACH_MM if outer else MIDDLE_REACH_MM
    px_per_mm = float(np.median(scale))
    step = min(0.03, 0.4 / px_per_mm)
    room = (luminance.shape[0] - 2 - edge.straight_on_y_px(expected) - slit.offset_px) / scale
    high = min(high, float(np.quantile(room, 0.2)) - MARGIN_MM)
    if high < low + MARGIN_MM:
        return None
    below = np.arange(low - MARGIN_MM, high + MARGIN_MM, step)
    logarithm, root = np.zeros((2, len(expected), len(below)))
    blur = max(1.0, slit.blur_px / px_per_mm / step)
    for i, (middle, s) in enumerate(zip(expected, scale, strict=True)):
        columns = np.arange(np.ceil(middle - HALF_END_MM * s), middle + HALF_END_MM * s)
        columns = columns[(np.abs(columns - middle) > HALF_TANG_MM * s)]
        beyond = BEYOND_MM * s
        columns = columns[(columns >= edge.low_px - beyond) & (columns <= edge.high_px + beyond)]
        columns = columns[(columns >= 0) & (columns <= luminance.shape[1] - 1)]
        if len(columns) < 4 or room[i] < below[-1]:
            continue
        edge_row = edge.straight_on_y_px(columns) + slit.offset_px
        strip = sample_strip(luminance, edge_row, columns, px_per_mm=s, below_mm=below)
        level = np.median(np.maximum(strip.light, 0), axis=1)
        root[i] = gaussian_filter1d(np.sqrt(level), blur, order=1)
        logarithm[i] = gaussian_filter1d(np.log(level + SIDE_FLOOR), blur, order=1)
    return _Steps(below, logarithm, root) if root.any(axis=1).sum() >= MIN_FEET else None


def _faces(luminance: FloatImage, edge: EdgeCurve, slit: SlitLight, expected: Array, scale: Array, row: Array) -> float:
    """Return the share of ends whose face, over the foot, is of another light than what stands on either side."""
    low, high = FACE_MM
    offset = np.arange(-BESIDE_MM[1], BESIDE_MM[1], 0.1)
    differ = []
    for middle, s, foot in zip(expected, scale, row, strict=True):
        level = _levels(luminance, edge, slit, middle + offset * s, np.arange(foot - high, foot - low, 0.1), s)
        if level is not None:
            left, right = (np.abs(side).mean() for side in _apart(level, offset, HALF_END_MM, BESIDE_MM[0]))
            differ.append(min(float(left), float(right)) > OTHER_LIGHT)
    return float(np.mean(differ)) if differ else 0.0


def _tangs(luminance: FloatImage, edge: EdgeCurve, slit: SlitLight, expected: Array, scale: Array, row: Array) -> float:
    """Return the share of feet under which a narrow strip is darker than the board's side, or lighter: all alike."""
    offset = np.arange(-BESIDE_TANG_MM[1], BESIDE_TANG_MM[1], 0.05)
    signs = []
    for middle, s, foot in zip(expected, scale, row, strict=True):
        x = middle + offset * s
        parts = [_levels(luminance, edge, slit, x, np.arange(foot + a, foot + b, 0.1), s) for a, b in TANG_MM]
        seen = [part for part in parts if part is not None]
        if len(seen) == len(TANG_MM):
            both = (_apart(part, offset, HALF_SEEN_MM, BESIDE_TANG_MM[0]) for part in seen)
            lighter = np.array([side.mean() for sides in both for side in sides])
            stands = np.abs(lighter).min() > TANG_LIGHT and np.ptp(np.sign(lighter)) == 0
            signs.append(float(np.sign(lighter[0])) if stands else 0.0)
    return max(signs.count(1.0), signs.count(-1.0)) / len(signs) if signs else 0.0


def _levels(
    luminance: FloatImage, edge: EdgeCurve, slit: SlitLight, x_px: Array, below_mm: Array, px_per_mm: float
) -> Array | None:
    """Return the logarithm of the light under the edge, (rows, columns); None where that leaves the picture."""
    edge_row = edge.straight_on_y_px(x_px) + slit.offset_px
    if x_px[0] < 0 or x_px[-1] > luminance.shape[1] - 1:
        return None
    if float(edge_row.max()) + below_mm[-1] * px_per_mm > luminance.shape[0] - 1:
        return None
    strip = sample_strip(luminance, edge_row, x_px, px_per_mm=px_per_mm, below_mm=below_mm)
    return np.asarray(np.log(np.maximum(strip.light, 0) + SIDE_FLOOR))


def _apart(level: Array, offset_mm: Array, half_mm: float, beside_mm: float) -> tuple[Array, Array]:
    """Return by how much the middle of each row (rows, columns) is lighter than its left side and its right one."""
    at, left, right = (
        np.median(level[:, m], axis=1)
        for m in (np.abs(offset_mm) < half_mm, offset_mm < -beside_mm, offset_mm > beside_mm)
    )
    return np.asarray(at - left), np.asarray(at - right)


def _limited(steps: _Steps) -> Array:
    """Return the steps of light in shares of the usual one, 1 at most."""
    size = np.abs(steps.logarithm)
    seen = size.any(axis=1)
    return np.asarray(np.minimum(size / max(float(np.median(size[seen].max(axis=1))), 1e-9), 1.0))


def _at(steps: _Steps, rows: Array) -> NDArray[np.intp]:
    """Return the samples nearest to rows (..., n), of the same shape."""
    first, step = steps.below_mm[0], steps.below_mm[1] - steps.below_mm[0]
    return np.asarray(np.clip(np.rint((rows - first) / step), 0, len(steps.below_mm) - 1), dtype=np.intp)


def _score(steps: _Steps, row: Array) -> float:
    """Return how much of the usual step of light the ends have along a row (n,): in its logarithm, beside it."""
    limited = _limited(steps)
    rows = row + np.arange(-BESIDE_ROW_MM, BESIDE_ROW_MM + 1e-9, LEVEL_STEP_MM)[:, None]
    return float(limited[np.arange(len(row)), _at(steps, rows)].sum(axis=1).max() / limited.any(axis=1).sum())


def _vote(steps: _Steps, along: Array) -> Array:
    """Return the row (n,) on which most ends have a step of light."""
    limited = _limited(steps)
    levels = np.arange(steps.below_mm[0] + MARGIN_MM, steps.below_mm[-1] - MARGIN_MM, LEVEL_STEP_MM)
    order = np.arange(len(along))
    best, row = -np.inf, np.zeros_like(along)
    for tilt in TILTS_MM:
        for bow in BOWS_MM:
            rows = levels[:, None] + tilt * along + bow * (along * along - 0.5)
            votes = limited[order, _at(steps, rows)].sum(axis=1) - 2 * tilt * tilt - bow * bow
            k = int(votes.argmax())
            if votes[k] > best:
                best, row = float(votes[k]), rows[k]
    return row


def _steepest(steps: _Steps, row: Array, reach_mm: float) -> tuple[Array, Array]:
    """Return where each end's light steps most near the row, between samples by a parabola, and how much."""
    step = steps.below_mm[1] - steps.below_mm[0]
    below, strength = np.full(len(row), np.nan), np.zeros(len(row))
    for i in np.flatnonzero(steps.root.any(axis=1)):
        near = np.flatnonzero(np.abs(steps.below_mm - row[i]) < reach_mm)
        near = near[(near > 0) & (near < len(steps.below_mm) - 1)]
        if len(near) < 3:
            continue
        size = np.abs(steps.root[i])
        j = int(near[size[near].argmax()])
        a, b, c = size[j - 1], size[j], size[j + 1]
        curved = a - 2 * b + c
        shift = float(np.clip(0.5 * (a - c) / curved, -1, 1)) if curved < 0 else 0.0
        below[i], strength[i] = steps.below_mm[j] + shift * step, float(b)
    return below, strength


def under_crowns_mm(*, outer: bool) -> tuple[float, float]:
    """Return least and most that feet lie under their crowns, what a round board falls to its border taken off."""
    return UNDER_OUTER_MM if outer else UNDER_MIDDLE_MM
