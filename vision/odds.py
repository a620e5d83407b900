"""How surely the frets are numbered: what the user says of them, and the odds of the best numbering over the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .blade import TEXTURE_WINDOW_MM
from .comb import CombPrior
from .edge import FLOOR, Strip, sample_strip, significance
from .findings import refusal
from .locate import EdgeCurve
from .numbered import Located
from .photo import FloatImage
from .side_dots import Dots, bear_out, log_odds
from .turn import with_turn

# Fret ends taken for crowns look like a straightedge beside the outer string, one fret off at nearly the right scale.
MIN_MARGIN_OUTER = 9.0
MIN_MARGIN = 4.0  # odds of 55 to 1 for the best numbering over the next
# Where frets stand out above an edge and below it (mm), at a fret and away from all. Of 221 own renders with truth,
# read by the height alone, three had the board's border, with 1.0 of it and more and without a line below; of those
# that had the edge eight are past this share, and seven of these have the line.
ABOVE_MM, BELOW_MM, AT_FRET_MM, AWAY_MM = (-1.25, -0.25), (0.05, 1.05), 1.0, 3.0
MAX_ABOVE = 0.9
# The board's border below a straightedge's edge, and how much of its length between frets is a border (common practice:
# a fret is 0.8 to 1.5 mm high, no published source).
BORDER_MM, IS_BORDER, LIMIT_NOISES = (0.6, 1.7), 0.5, 4.0

# Of dots where no fret has them.
CURE_TOLD = "check --first-fret; if that is right, use a reference object or give the straightedge's height"
CURE_OPEN = (
    "check the size given for the object, the straightedge's height and the scale length, or say which fret is the "
    "first in view (--first-fret)"
)


@dataclass(frozen=True, slots=True)
class Numbering:
    """What the user says of the frets.

    Attributes
    ----------
    scale_length_mm, nut, first_fret
        As in `MeasureSettings`.
    uncounted
        The scale fits the frets at some numbering, not yet the right one: they may go on where it has the nut.
    """

    scale_length_mm: float | None
    nut: str | None
    first_fret: int | None
    uncounted: bool = False

    @property
    def is_open(self) -> bool:
        """Whether the scale length is told and the numbers are not."""
        return self.scale_length_mm is not None and self.first_fret is None and not self.uncounted

    @property
    def directions(self) -> tuple[int, ...]:
        """Sides the nut may be on: +1 left, -1 right."""
        return {None: (1, -1), "left": (1,), "right": (-1,)}[self.nut]


def margin(found: Located) -> float:
    """Return by how much, in logarithms of odds, the numbering found is likelier than the next best."""
    return found.evidence + log_odds(found.dots) - found.rival_evidence


def is_numbered(found: Located, numbering: Numbering) -> bool:
    """Tell whether no other numbering explains the picture nearly as well, or none is asked for.

    Parameters
    ----------
    found, numbering
        The frets, and what was told of them.
    """
    if numbering.first_fret is not None or numbering.scale_length_mm is None:
        return True
    return margin(found) >= _least_margin(found, outer=found.beside_outer)


def _least_margin(found: Located, *, outer: bool) -> float:
    # What the higher limit guards against is one fret off, and dots that bear the numbers out rule that out; but they
    # count once, and where they overrule the frets they already did.
    ruled_out = bear_out(found.dots) and not found.against_frets
    return MIN_MARGIN_OUTER if outer and not ruled_out else MIN_MARGIN


def numbered_by_turn(
    luminance: FloatImage, edge: EdgeCurve, upper: EdgeCurve, located: Located, prior: CombPrior
) -> Located:
    """Number the frets once more, with the camera's turn as both edges show it; as before where that is no surer.

    A turn of the camera is what another numbering most often explains the spacing by.

    Parameters
    ----------
    luminance, edge, upper, located, prior
        As for `with_turn`, the edges parallel by what was located.
    """
    again = with_turn(luminance, edge, upper, located, prior)
    if again is None or again.evidence < located.evidence:  # a turn that the frets do not bear out is no camera's
        return located
    # Beside the line or half a board before it: where that changes, the frets may still be their neighbours.
    outer = located.beside_outer or again.beside_outer
    return again if margin(again) >= _least_margin(again, outer=outer) else located


def check_numbering(found: Located, numbering: Numbering) -> None:
    """Refuse when another numbering explains the picture nearly as well.

    Parameters
    ----------
    found, numbering
        The frets, and what was told of them.

    Raises
    ------
    Refusal
        `numbering-ambiguous`.
    """
    if not is_numbered(found, numbering):
        raise refusal("numbering-ambiguous")


def check_dots(dots: tuple[Dots, ...], *, told: bool = False) -> None:
    """Refuse numbers by which dots on the board's side stand where no instrument has them.

    As many as stand right, or two alike in one space. A number that the user told is not held against a single mark.

    Parameters
    ----------
    dots
        As seen.
    told
        The numbers hang on what the user said.

    Raises
    ------
    Refusal
        `numbering-ambiguous`.
    """
    stray = [d for d in dots if d.is_stray]
    right = [d for d in dots if d.is_right]
    least = 2 if told else 1
    if len(stray) >= max(len(right), least) or any(d.count > 1 for d in stray):
        where = ", ".join(f"{'two' if d.count > 1 else 'one'} before fret {d.fret}" for d in stray)
        raise refusal(
            "numbering-ambiguous",
            f"dots on the board's side stand where no fret numbered so has them: {where}",
            cure=CURE_TOLD if told else CURE_OPEN,
        )


def check_no_border(luminance: FloatImage, found: Located) -> None:
    """Refuse what may be the board's border for the edge of a straightedge whose height alone tells the scale.

    The height then takes a fret and a gap in with it, 1 to 2.5 mm; of most straightedges the scale is so off by about
    one fret's step, and the frets fit it as well. Below the straightedge's edge frets stand out more than above it,
    mirrored in its face, or else the board's border is seen, a fret's height lower. Before the border frets stand out
    between it and the edge that was not seen, and below it is the board's plain side.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    found
        The edge and the frets.

    Raises
    ------
    Refusal
        `numbering-ambiguous`.
    """
    edge, comb = found.edge, found.comb
    x = np.arange(edge.low_px, edge.high_px, max(0.1 * comb.px_per_mm, 0.5))
    below = np.arange(ABOVE_MM[0], BORDER_MM[1] + 0.1, 0.1)
    strip = sample_strip(luminance, edge.y_px(x), x, px_per_mm=comb.px_per_mm, below_mm=below)
    out = significance(strip.texture(TEXTURE_WINDOW_MM, comb.px_per_mm))
    _, frets = comb.frets(edge.low_px, edge.high_px)
    apart_mm = np.abs(x[:, None] - frets[None, :]).min(axis=1) / comb.px_per_mm
    at, away = apart_mm < AT_FRET_MM, apart_mm > AWAY_MM
    stands = out[:, at].mean(axis=1) - (out[:, away].mean(axis=1) if away.any() else 0.0)
    over, under = (float(stands[(below > a) & (below < b)].mean()) for a, b in (ABOVE_MM, BELOW_MM))
    if over > MAX_ABOVE * max(under, 0.0) and not _border_below(strip, away):
        raise refusal(
            "numbering-ambiguous",
            "the frets stand out above the edge nearly as much as below it, or more: by the height alone it may be the "
            "board's border, and each number one off",
            cure="say which fret is the first in view (--first-fret), show the nut, or use a reference object",
        )


def _border_below(strip: Strip, away: NDArray[np.bool_]) -> bool:
    """Tell whether a border runs along a strip (rows, columns) a fret's height under its edge, between the frets."""
    if not away.any():
        return False
    gradient = np.gradient(np.log(np.maximum(strip.light, 0) + FLOOR), axis=0)
    noise = 1.48 * float(np.median(np.abs(gradient))) + 1e-6
    along = np.abs(np.clip(gradient[:, away] / (LIMIT_NOISES * noise), -1, 1).mean(axis=1))
    return bool(along[(strip.below_mm > BORDER_MM[0]) & (strip.below_mm < BORDER_MM[1])].max() > IS_BORDER)
