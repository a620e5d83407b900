"""Lay the comb on the straightedge's edge: the frets found under it, and their likeliest numbers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .blade import columns_of, read_rows
from .camera import camera_from_comb
from .comb import Comb, CombPrior, search_combs
from .findings import refusal
from .halves import ALONE, Halves
from .locate import EdgeCurve
from .photo import FloatImage
from .side_dots import Dots, log_odds, read_dots
from .teeth import MAX_BEYOND, OUTER_BELOW_MM, TAPER, TeethFit, fit_combs

MIN_EVIDENCE = 9.0  # odds of some 8000 to 1 against chance
MIN_FRETS = 4
# A straightedge is straight; its edge as followed is good to about a pixel, and to a chamfer's width.
MAX_BEND_PX, MAX_BEND_MM, MAX_K1 = 1.5, 0.15, 0.04
SPAN_MARGIN_MM = 2.0  # beyond the columns in which the edge was followed
# A numbering so much less likely than the best is no rival, whatever dots say.
NO_RIVAL = 20.0


@dataclass(frozen=True, slots=True)
class Located:
    """The edge and the frets under it.

    Attributes
    ----------
    comb
        Fitted to the frets found.
    matched
        Numbers of the frets found one by one.
    evidence
        For these frets against chance, in natural logarithms of odds.
    rival_evidence
        For the next best numbering, with what dots say of it; minus infinity when there is none.
    beside_outer
        The fret ends stand so close before the edge as if the straightedge lay beside the outer string.
    upper
        The straightedge's upper edge, followed; None when none was looked for, or none is clear.
    dots
        Seen on the board's side; none where they were not to count.
    against_frets
        Without the dots another numbering would be likelier.
    """

    edge: EdgeCurve
    comb: Comb
    matched: tuple[int, ...]
    evidence: float
    rival_evidence: float
    beside_outer: bool = False
    upper: EdgeCurve | None = None
    dots: tuple[Dots, ...] = ()
    against_frets: bool = False


def number_frets(luminance: FloatImage, edge: EdgeCurve, prior: CombPrior, *, both: Halves = ALONE) -> Located:
    """Number the frets below the straightedge's edge.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    edge
        The lower edge, followed.
    prior
        Scale and scale length, and whether dots on the board's side count.
    both
        Who does the work.

    Raises
    ------
    Refusal
        `no-crowns` when the frets found one by one are not spaced like frets; `reference-contradicts-frets` when they
        go on beyond the nut; `no-straightedge` when what was followed is not straight.
    """
    scale = prior.px_per_mm
    x = columns_of(luminance, scale)
    rows = read_rows(luminance, edge.straight_on_y_px(x), x, px_per_mm=scale)
    span = edge.low_px - SPAN_MARGIN_MM * scale, edge.high_px + SPAN_MARGIN_MM * scale
    fits = fit_combs(rows, search_combs(rows, prior, keep=4), prior, span_px=span, both=both)
    seen = [(fit, _dots_by(luminance, edge, fit) if prior.with_dots else ()) for fit in rivals_of(fits)]
    seen.sort(key=lambda of: -of[0].evidence - log_odds(of[1]))
    best, dots = seen[0]
    if best.evidence < MIN_EVIDENCE or len(best.matched) < MIN_FRETS:
        raise refusal("no-crowns")
    if best.beyond > MAX_BEYOND and not prior.uncounted:
        raise refusal("reference-contradicts-frets", "frets go on where the nut should be")
    bend = bend_px(edge, best.comb, luminance.shape[0])
    if bend > MAX_BEND_PX and bend > MAX_BEND_MM * scale:
        raise refusal("no-straightedge", f"what was followed is bent by {bend / scale:.2f} mm")
    rival = seen[1][0].evidence + log_odds(seen[1][1]) if len(seen) > 1 else -np.inf
    outer = best.near_mm < OUTER_BELOW_MM
    against = best is not fits[0]
    return Located(edge, best.comb, best.matched, best.evidence, rival, outer, dots=dots, against_frets=against)


def rivals_of(fits: list[TeethFit]) -> list[TeethFit]:
    """Return the fits, most evidence first, that dots may make the likeliest; of what is no frets the first alone.

    Parameters
    ----------
    fits
        One of each numbering, most evidence first.
    """
    if fits[0].evidence < MIN_EVIDENCE:
        return fits[:1]
    return [fit for fit in fits if fit.evidence > fits[0].evidence - NO_RIVAL]


def _dots_by(luminance: FloatImage, edge: EdgeCurve, fit: TeethFit) -> tuple[Dots, ...]:
    camera = replace(camera_from_comb(fit.comb), near_mm=np.array([fit.near_mm, TAPER]))
    return read_dots(luminance, edge, camera)


def bend_px(edge: EdgeCurve, comb: Comb, height_px: int) -> float:
    """Return how far an edge leaves the chord of its ends, beyond what a lens makes of a straight one.

    Radial distortion x (1 + k1 r^2) shifts a line off the picture's middle by y k1 r^2; of all k1 a phone's lens may
    have, the kindest is taken.
    """
    x = np.linspace(edge.low_px, edge.high_px, 101)
    y = edge.y_px(x)
    lens = comb.lens_shift_px(x, y, (height_px - 1) / 2)
    along = (x - x[0]) / (x[-1] - x[0])
    sag, shape = (v - (v[0] + along * (v[-1] - v[0])) for v in (y, lens))
    return float(min(np.abs(sag - k1 * shape).max() for k1 in np.linspace(-MAX_K1, MAX_K1, 9)))
