"""The straightedge's height held against a reference object: two readings of one scale, or a contradiction."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from lightgap.neck.profile import Array

from .blade import Candidate, clear_uppers
from .border import follow_border, rise_px
from .comb import Comb, CombPrior
from .edge import Line
from .findings import refusal
from .locate import EdgeCurve
from .photo import FloatImage
from .strings import FACE_REACH_MM, strings_before

# Of the straightedge's height as given, and the rounding of both its edges: by `tests/benchmarks/finding.py`, on 120
# renders of chamfers to 0.2 mm, 0.11 mm rms. Where an object agrees with it, the height as given was no blunder.
U_HEIGHT_MM, U_HEIGHT_AGREED_MM = 0.2, 0.15
# Half a fret's step of scale, and three standard deviations of the difference of reference and height.
MAX_HEIGHT_DISAGREEMENT = 0.028
SURER = 0.3  # by this much another lower edge must do better by itself
SAME_EDGE_MM = 0.5  # lines nearer than this lead to one lower edge
# Strings rise from nut to bridge by more than that from end to end of a picture, and lines are found in steps of a
# thousandth of slope. The edge chosen is held against its upper one afterwards.
SLIDE_MM, LINE_SLOPE, ENDS = 0.3, 0.001, np.array([0.0, 1.0])
# Of its height from end to end, what the comb does not know of the camera's turn included.
MAX_NOT_PARALLEL_MM = 0.5
# So far below the straightedge's lower edge the board's may lie, with frets before it too: the height of a fret, 0.8 to
# 1.5 mm (common practice, no published source), and a gap.
BOARD_BELOW_MM = 2.5


def likeliest(fretted: list[Candidate], luminance: FloatImage) -> Candidate:
    """Return the likeliest lower edge at a scale told by an object: a string before the face of another one is none.

    A wrong scale finds an upper edge over another line than the lower edge, such as the board's border. That border,
    right below the lower edge, tells nothing against it, nor do strings above it.

    Raises
    ------
    Refusal
        `reference-contradicts-height` when another lower edge does better by itself than the one chosen for what stands
        a height above it.
    """
    best, width_px = fretted[0], luminance.shape[1]
    for other in fretted[1:]:
        may_be_string = other.penalty < best.penalty and _slides(best, other, width_px)
        if may_be_string and strings_before(other, [best], luminance):
            best = other
            break
    rivals = [c for c in fretted if c.by_itself > best.by_itself + SURER and _elsewhere(c, best)]
    doubtful = [c for c in rivals if not _slides(c, best, width_px)]
    # One string seen, all lines near above the edge are before the face: its other outline, and other strings.
    if doubtful and not (strings_before(best, rivals, luminance) and all(_is_near_above(c, best) for c in doubtful)):
        raise refusal("reference-contradicts-height", "no upper edge one height above the likeliest lower one")
    return best


def _below_mm(other: Candidate, best: Candidate) -> float:
    return (other.line.middle_y_px - best.line.middle_y_px) / best.px_per_mm


def _elsewhere(other: Candidate, best: Candidate) -> bool:
    return not -SAME_EDGE_MM <= _below_mm(other, best) <= BOARD_BELOW_MM


def _is_near_above(other: Candidate, best: Candidate) -> bool:
    return -FACE_REACH_MM < _below_mm(other, best) < 0


def _slides(other: Candidate, best: Candidate, width_px: int) -> bool:
    """Tell whether a line near above is not parallel with the edge chosen, and so with no edge of the straightedge."""
    apart_mm = (best.line.y_px(ENDS * width_px) - other.line.y_px(ENDS * width_px)) / best.px_per_mm
    free_mm = SLIDE_MM + LINE_SLOPE * width_px / best.px_per_mm
    return _is_near_above(other, best) and abs(float(np.diff(apart_mm)[0])) > free_mm


@dataclass(frozen=True, slots=True)
class Uppers:
    """What may be the straightedge's upper edge.

    Attributes
    ----------
    borders
        Clear ones, followed.
    rises_px
        How far they stand above the lower edge; by lines where no border is clear.
    """

    borders: tuple[EdgeCurve, ...]
    rises_px: tuple[float, ...]


def find_uppers(luminance: FloatImage, lines: list[Line], edge: EdgeCurve, prior: CombPrior) -> Uppers:
    """Find what may be the upper edge: clear borders, followed, or else lines."""
    uppers = clear_uppers(lines, edge.as_line(), prior)
    middle = (luminance.shape[1] - 1) / 2
    followed = [follow_border(luminance, edge, line, px_per_mm=prior.px_per_mm) for line, _ in uppers]
    borders = tuple(border for border in followed if border is not None)
    rises = tuple(rise_px(edge, border, middle) for border in borders)
    return Uppers(borders, rises or tuple(rise for _, rise in uppers))


def parallel_border(edge: EdgeCurve, borders: tuple[EdgeCurve, ...], comb: Comb) -> EdgeCurve | None:
    """Return the border that runs most nearly parallel with the lower edge; None when there is none.

    A lower edge that no upper one runs parallel with went over to a string, or to the board.

    Parameters
    ----------
    edge, borders
        The lower edge, and what may be the upper one.
    comb
        Tells how much nearer, and so larger, one end is seen.

    Raises
    ------
    Refusal
        `no-straightedge`.
    """
    if not borders:
        return None
    off_mm, nearest = nearest_parallel(edge, borders, comb)
    if off_mm > MAX_NOT_PARALLEL_MM:
        off = f"{off_mm:.1f} mm from end to end"
        raise refusal("no-straightedge", f"the lower edge followed is not parallel with the upper one, {off}")
    return nearest


def nearest_parallel(edge: EdgeCurve, borders: tuple[EdgeCurve, ...], comb: Comb) -> tuple[float, EdgeCurve]:
    """Return the border that runs most nearly parallel with the lower edge, after by how much it does not, in mm."""
    return min(((not_parallel_mm(edge, border, comb), border) for border in borders), key=lambda b: b[0])


def below_border(border: EdgeCurve, comb: Comb, height_mm: float) -> EdgeCurve:
    """Return where the lower edge must lie, the straightedge's height below its upper one.

    Parameters
    ----------
    border
        The upper edge, followed.
    comb
        Tells the scale along it.
    height_mm
        Of the straightedge.
    """
    x = np.linspace(border.low_px, border.high_px, 101)
    y = border.y_px(x) + height_mm * _scale_across(comb, x)
    coefficients = np.polyfit((x - border.middle_px) / border.half_px, y, 3)
    coefficients.setflags(write=False)
    return replace(border, coefficients=coefficients)


def _scale_across(comb: Comb, x_px: Array) -> Array:
    """Return the scale across the board: it falls with the distance, that along the board with its square."""
    return comb.px_per_mm * np.sqrt(comb.local_px_per_mm(x_px) / comb.local_px_per_mm(np.array([comb.middle_px])))


def not_parallel_mm(edge: EdgeCurve, border: EdgeCurve, comb: Comb) -> float:
    """Return by how much the height between two curves changes along the edge, seen square on."""
    x = np.linspace(max(edge.low_px, border.low_px), min(edge.high_px, border.high_px), 41)
    return float(np.ptp((edge.y_px(x) - border.y_px(x)) / _scale_across(comb, x)))


@dataclass(frozen=True, slots=True)
class Face:
    """The straightedge's size across the line."""

    height_mm: float
    thickness_mm: float


def sharpened(prior: CombPrior, rises_px: tuple[float, ...], face: Face, *, middle_share: float = 1.0) -> CombPrior:
    """Return the prior with the straightedge's height taken in as a second reading of the scale.

    Parameters
    ----------
    prior
        With the scale that the object tells.
    rises_px
        How far what may be the upper edge stands above the lower one, in the picture's middle.
    face
        The straightedge's.
    middle_share
        By the object, the scale in the picture's middle over that in the prior: there the height is held against it.

    Raises
    ------
    Refusal
        `reference-contradicts-height` when the reference object and the height disagree.
    """
    scale, u = prior.px_per_mm, prior.u_scale
    fronts = [rise / face.height_mm for rise in rises_px]
    readings = [front * (1 - face.thickness_mm / 2 * front / prior.focal_px) for front in fronts]
    middle = scale * middle_share
    second = min(readings, key=lambda r: abs(math.log(r / middle)))
    if abs(second / middle - 1) > MAX_HEIGHT_DISAGREEMENT:
        raise refusal("reference-contradicts-height", f"{middle:.2f} px/mm, by the height {second:.2f} px/mm")
    u_second = U_HEIGHT_AGREED_MM / face.height_mm
    weight = u**-2 / (u**-2 + u_second**-2)
    return replace(
        prior,
        px_per_mm=math.exp(weight * math.log(scale) + (1 - weight) * math.log(second)),
        u_scale=(u**-2 + u_second**-2) ** -0.5,
    )
