"""Which line is the straightedge's lower edge: plain face above, frets below, its upper edge one height up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lightgap.neck.profile import Array

from .comb import CombGrid, CombMatch, CombPrior, FretRows, search_combs
from .edge import FLOOR, Line, band_of, sample_strip, significance
from .photo import FloatImage

TEXTURE_WINDOW_MM = 8.0
# Tan of the angle between the two edges as seen by a camera turned by 5 degrees, beside the straightedge's own error.
MAX_TURN, LEVEL_ERROR = 0.09, 0.002
STREAK_MM = 1.3
MIN_FACE_MM = 5.0
EQUAL_WORTH = 0.3
CLEAR_BORDER, NO_UPPER_COST = 0.7, 2.0
SURE_STEP = 0.15  # a logarithm: 16 % of light
ROUNDING_MM = 0.6  # of both edges together, chamfers included
LIMITED_TEXTURE = 1.5
# A candidate's frets must stand out at least this much as those of the best one at its scale, and of any: small scales
# have more teeth, and so higher scores.
COMB_SHARE, ANY_SCALE_SHARE = 0.75, 0.65
OUT_OF_PICTURE = 2 ** (2 / 12)
SHORT_LIST, SAME_LINE = 12, 3
SCALE_STEP = 0.008  # candidates whose scales differ by less are searched with one grid


@dataclass(frozen=True, slots=True)
class Candidate:
    """A line that may be the straightedge's lower edge.

    Attributes
    ----------
    px_per_mm, u_relative
        Scale at the line, with its relative standard uncertainty, without use of the straightedge's height.
    rise_px
        How far above it an upper edge stands, across the line; None when none was seen where it should be.
    score
        How well it does by itself: strength, plainness of the face, step of light.
    penalty
        What an upper edge off its place costs; below nothing for a strong one.
    match
        The comb below it, once searched.
    """

    line: Line
    px_per_mm: float
    u_relative: float
    rise_px: float | None
    score: float
    penalty: float = 0.0
    match: CombMatch | None = None

    @property
    def total(self) -> float:
        """Score with the frets below and the upper edge taken in."""
        return self.by_itself - self.penalty

    @property
    def by_itself(self) -> float:
        """Score with the frets below taken in, whatever stands above."""
        return self.score + (0.3 * self.match.comb.score if self.match else 0.0)


def judge_line(
    luminance: FloatImage, line: Line, *, px_per_mm: float, span_px: tuple[float, float] | None = None
) -> float:
    """Return how well a line does as a straightedge's lower edge by itself.

    A blade's face is plain, and evenly bright down to its edge; below it frets stand out. The board's own edge, a
    fret's height lower, has the light of the gap right above it.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    line
        The line.
    px_per_mm
        Scale at it.
    span_px
        Columns to look at; all of them by default.
    """
    low, high = span_px or (0.0, luminance.shape[1] - 1.0)
    x = np.arange(low, high, 0.1 * px_per_mm)
    below = np.arange(-3.2, 0.85, 0.1)
    strip = sample_strip(luminance, line.y_px(x), x, px_per_mm=px_per_mm, below_mm=below)
    near = replace(strip, below_mm=below[below > -1.05], light=strip.light[below > -1.05])
    texture = np.minimum(near.texture(TEXTURE_WINDOW_MM, px_per_mm), LIMITED_TEXTURE)
    above = float(texture[near.below_mm < -0.25].mean())
    ratio = float(texture[near.below_mm > 0.1].mean()) / max(above, 0.01)
    level = [
        np.log(strip.light[(below > a) & (below < b)].mean(axis=0) + FLOOR)
        for a, b in ((-3.25, -1.65), (-0.65, -0.15), (0.05, 0.45))
    ]
    change = abs(float(np.median(level[1] - level[0])))
    step = float(np.median(np.abs(level[2] - level[1])))
    plain = 0.5 * float(np.log(np.clip(ratio, 0.3, 3.0))) - 8 * above
    return 2 * abs(line.strength) + plain - 0.8 * min(change, 1.2) + 0.6 * min(step, 1.0)


def weight_of(line: Line) -> float:
    """Return how much a line counts as the border of two things, 0 to 2: grain counts little."""
    step = abs(line.step)
    return abs(line.strength) * min(1.0, step / SURE_STEP) + min(step, 1.0)


def max_splay(rise_px: float, focal_px: float) -> float:
    """Return how much the slopes of two edges `rise_px` apart may differ: nearer parts are seen larger."""
    return LEVEL_ERROR + MAX_TURN * rise_px / focal_px


def inner_edge(lines: Sequence[Line], lower: Line, rise_px: float, px_per_mm: float) -> float:
    """Return the strength of the strongest edge between a blade's two edges: its face has none.

    A string before the face shows as two edges of opposite sign close together and does not count.
    """
    x = np.array([lower.middle_x_px])
    inside = [
        (float((lower.y_px(x) - o.y_px(x))[0]), o)
        for o in lines
        if abs(o.slope - lower.slope) < 0.01 and o is not lower
    ]
    margin = 2 * ROUNDING_MM * px_per_mm
    strongest = 0.0
    for rise, line in inside:
        if margin < rise < rise_px - margin:
            paired = any(
                abs(other - rise) < STREAK_MM * px_per_mm and o.strength * line.strength < 0 for other, o in inside
            )
            strongest = max(strongest, 0.0 if paired else weight_of(line))
    return strongest


def upper_edge(
    lines: list[Line], line: Line, *, height_px: float, px_per_mm: float, focal_px: float
) -> tuple[float, float] | None:
    """Return (rise_px, penalty) of the line that best does as the upper edge, None when there is none."""
    x = np.array([line.middle_x_px])
    upright = float(np.cos(np.arctan(line.slope)))
    tolerance_px = 0.02 * height_px + 2 * ROUNDING_MM * px_per_mm
    u_px = 0.012 * height_px + 0.3 * px_per_mm  # the reference's scale, and the edges' rounding
    best: tuple[float, float, float] | None = None
    for other in lines:
        rise = float((line.y_px(x) - other.y_px(x))[0]) * upright
        splay = max_splay(height_px, focal_px)
        if abs(other.slope - line.slope) < splay and abs(rise - height_px) < tolerance_px:
            penalty = 0.5 * ((rise - height_px) / u_px) ** 2
            worth = weight_of(other) - 0.1 * penalty
            if best is None or worth > best[0]:
                best = worth, rise, penalty
    return None if best is None else best[1:]


def clear_uppers(lines: list[Line], lower: Line, prior: CombPrior) -> list[tuple[Line, float]]:
    """Return the lines that may be the upper edge, whatever the height was said to be, and how far up they stand (px).

    A strong step of light, and no other above the face; a soft edge shows as several lines, of nearly equal worth.
    """
    x = np.array([lower.middle_x_px])
    upright = float(np.cos(np.arctan(lower.slope)))
    found = []
    for other in lines:
        rise = float((lower.y_px(x) - other.y_px(x))[0]) * upright
        if rise > MIN_FACE_MM * prior.px_per_mm and abs(other.slope - lower.slope) < max_splay(rise, prior.focal_px):
            found.append((weight_of(other) - inner_edge(lines, lower, rise, prior.px_per_mm), other, rise))
    most = max((worth for worth, _, _ in found), default=0.0)
    return [(other, rise) for worth, other, rise in found if worth > max(most - EQUAL_WORTH, 0.0)]


def out_of_picture(line: Line, rise_px: float) -> bool:
    """Tell whether an edge so far above a line is out of the picture, were the scale wrong by two frets' steps."""
    return rise_px > OUT_OF_PICTURE * line.middle_y_px


def candidates_among(
    luminance: FloatImage, lines: list[Line], *, prior: CombPrior, height_mm: float | None
) -> list[Candidate]:
    """Return the lines that may be the lower edge at a scale told by a reference object.

    With the straightedge's height known, those with an upper edge one height above count more; the others are kept if
    they are clear borders, so that a wrong scale is noticed at the right edge instead of fitted to a wrong one. Lines
    whose upper edge would stand far out of the picture are judged as if the height were not known.
    """
    px_per_mm = prior.px_per_mm
    out: list[tuple[Line, tuple[float, float] | None, float]] = []
    for line in lines:
        if height_mm is None or out_of_picture(line, height_mm * px_per_mm):
            out.append((line, None, 0.0))
            continue
        rise = height_mm * px_per_mm
        upper = upper_edge(lines, line, height_px=rise, px_per_mm=px_per_mm, focal_px=prior.focal_px)
        out.append((line, upper, min(upper[1], NO_UPPER_COST) if upper else NO_UPPER_COST))
    if any(upper for _, upper, _ in out):
        # The upper edge itself has none above, in the picture or out of it.
        tops = [line.middle_y_px - upper[0] for line, upper, _ in out if upper and weight_of(line) > CLEAR_BORDER]
        near = ROUNDING_MM * px_per_mm
        out = [
            (line, upper, NO_UPPER_COST if not upper and any(abs(line.middle_y_px - y) < near for y in tops) else cost)
            for line, upper, cost in out
        ]
        out = [item for item in out if item[1] or weight_of(item[0]) > CLEAR_BORDER]
    return [
        Candidate(
            line,
            px_per_mm,
            prior.u_scale,
            upper[0] if upper else None,
            judge_line(luminance, line, px_per_mm=px_per_mm),
            penalty,
        )
        for line, upper, penalty in out
    ]


def read_rows(luminance: FloatImage, y_px: Array, x_px: Array, *, px_per_mm: float) -> FretRows:
    """Return what stands out along a curve (x, y), and in bands below it where fret ends may be."""
    below = np.arange(-0.5, 3.41, 0.1)
    strip = sample_strip(luminance, y_px, x_px, px_per_mm=px_per_mm, below_mm=below)
    rows = significance(strip.texture(TEXTURE_WINDOW_MM, px_per_mm))
    # Just above the edge each fret shows as a narrow glow mirrored in the blade; below it stands dark in the gap.
    glow, crown = (band_of(rows[(below > a) & (below < b)]) for a, b in ((-0.45, -0.01), (-0.16, 0.45)))
    ends = tuple(band_of(rows[(below >= low) & (below < low + 0.8)]) for low in (0.6, 1.3, 2.0, 2.6))
    return FretRows(glow + 0.5 * crown, ends, strip.step_px)


def columns_of(luminance: FloatImage, px_per_mm: float) -> Array:
    """Return the columns at which rows are read: a tenth of a millimetre apart."""
    return np.arange(0, luminance.shape[1] - 1, 0.1 * px_per_mm)


def _short_list(candidates: list[Candidate]) -> list[Candidate]:
    """Return the likeliest candidates, no line with more than a few scales."""
    kept: list[Candidate] = []
    for candidate in sorted(candidates, key=lambda c: -c.total):
        if sum(k.line is candidate.line for k in kept) < SAME_LINE:
            kept.append(candidate)
    return kept[:SHORT_LIST]


def with_frets(luminance: FloatImage, candidates: list[Candidate], prior: CombPrior) -> list[Candidate]:
    """Search the frets below the likeliest candidates and return those that have them, likeliest first."""
    grids: dict[int, CombGrid] = {}
    out: list[Candidate] = []
    for candidate in _short_list(candidates):
        key = round(np.log(candidate.px_per_mm) / SCALE_STEP)
        scale = float(np.exp(key * SCALE_STEP))
        x = columns_of(luminance, scale)
        rows = read_rows(luminance, candidate.line.y_px(x), x, px_per_mm=scale)
        here = replace(prior, px_per_mm=scale, u_scale=candidate.u_relative)
        if key not in grids:
            grids[key] = CombGrid(here, rows)
        match = search_combs(rows, here, keep=1, grid=grids[key])[0]
        _, columns = match.comb.frets(0, luminance.shape[1] - 1)
        if len(columns) > 1:
            span = float(columns.min()), float(columns.max())
            score = judge_line(luminance, candidate.line, px_per_mm=scale, span_px=span)
            out.append(replace(candidate, score=score, match=match))
    return sorted((c for c in out if _has_frets(c, out)), key=lambda c: -c.total)


def _has_frets(candidate: Candidate, among: list[Candidate]) -> bool:
    """Tell whether a line's frets stand out nearly as much as those of any other, at its own scale above all."""
    scored = [(c.px_per_mm, c.match.comb.score) for c in among if c.match]
    most = max(score for _, score in scored)
    here = max(score for scale, score in scored if abs(scale / candidate.px_per_mm - 1) < SCALE_STEP)
    own = candidate.match.comb.score if candidate.match else 0.0
    return own > max(COMB_SHARE * here, ANY_SCALE_SHARE * most)
