"""The straightedge's height held against a reference object: two readings of one scale, or a contradiction."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from .blade import Candidate, clear_uppers
from .border import follow_border, rise_px
from .comb import CombPrior
from .edge import Line
from .findings import refusal
from .locate import EdgeCurve
from .photo import FloatImage

# Of the straightedge's height as given, and the rounding of both its edges: by `tests/benchmarks/finding.py`, on 120
# renders of chamfers to 0.2 mm, 0.11 mm rms. Where an object agrees with it, the height as given was no blunder.
U_HEIGHT_MM, U_HEIGHT_AGREED_MM = 0.2, 0.15
# Half a fret's step of scale, and three standard deviations of the difference of reference and height.
MAX_HEIGHT_DISAGREEMENT = 0.028
SURER = 0.3  # by this much another lower edge must do better by itself
SAME_EDGE_MM = 0.5  # lines nearer than this lead to one lower edge
# So far below the straightedge's lower edge the board's may lie, with frets before it too: the height of a fret, 0.8 to
# 1.5 mm (common practice, no published source), and a gap.
BOARD_BELOW_MM = 2.5


def check_likeliest(fretted: list[Candidate]) -> None:
    """Refuse when another lower edge does better by itself than the one chosen for what stands a height above it.

    A wrong scale finds its upper edge over another line, such as the board's. The board's own edge, right below the one
    chosen, tells nothing against it.

    Raises
    ------
    Refusal
        `reference-contradicts-height`.
    """
    best = fretted[0]
    for other in fretted[1:]:
        below_mm = (other.line.middle_y_px - best.line.middle_y_px) / best.px_per_mm
        elsewhere = below_mm < -SAME_EDGE_MM or below_mm > BOARD_BELOW_MM
        if elsewhere and other.by_itself > best.by_itself + SURER:
            raise refusal("reference-contradicts-height", "no upper edge one height above the likeliest lower one")


def find_rises_px(luminance: FloatImage, lines: list[Line], edge: EdgeCurve, prior: CombPrior) -> list[float]:
    """Return how far above the lower edge the upper one may stand: where a clear border was followed, else by lines."""
    uppers = clear_uppers(lines, edge.as_line(), prior)
    middle = (luminance.shape[1] - 1) / 2
    borders = [follow_border(luminance, edge, line, px_per_mm=prior.px_per_mm) for line, _ in uppers]
    followed = [rise_px(edge, border, middle) for border in borders if border is not None]
    return followed or [rise for _, rise in uppers]


@dataclass(frozen=True, slots=True)
class Face:
    """The straightedge's size across the line."""

    height_mm: float
    thickness_mm: float


def sharpened(prior: CombPrior, rises_px: list[float], face: Face) -> CombPrior:
    """Return the prior with the straightedge's height taken in as a second reading of the scale.

    Raises
    ------
    Refusal
        `reference-contradicts-height` when the reference object and the height disagree.
    """
    scale, u = prior.px_per_mm, prior.u_scale
    fronts = [rise / face.height_mm for rise in rises_px]
    readings = [front * (1 - face.thickness_mm / 2 * front / prior.focal_px) for front in fronts]
    second = min(readings, key=lambda r: abs(math.log(r / scale)))
    if abs(second / scale - 1) > MAX_HEIGHT_DISAGREEMENT:
        raise refusal("reference-contradicts-height", f"{scale:.2f} px/mm, by the height {second:.2f} px/mm")
    u_second = U_HEIGHT_AGREED_MM / face.height_mm
    weight = u**-2 / (u**-2 + u_second**-2)
    return replace(
        prior,
        px_per_mm=math.exp(weight * math.log(scale) + (1 - weight) * math.log(second)),
        u_scale=(u**-2 + u_second**-2) ** -0.5,
    )
