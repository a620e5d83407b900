"""How surely the frets are numbered: what the user says of them, and the odds of the best numbering over the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .blade import TEXTURE_WINDOW_MM
from .comb import CombPrior
from .edge import sample_strip, significance
from .findings import refusal
from .locate import EdgeCurve, Located
from .photo import FloatImage
from .turn import with_turn

# Fret ends taken for crowns look like a straightedge beside the outer string, one fret off at nearly the right scale.
MIN_MARGIN_OUTER = 9.0
MIN_MARGIN = 4.0  # odds of 55 to 1 for the best numbering over the next
# A scale read off a height that takes a fret and a gap (1.0 to 1.5 mm, common practice, no published source) in with it
# is too large by so much; from one fret to the next it changes by a nineteenth.
BORDER_BELOW_MM, ONE_FRET = (0.8, 1.6), 2 ** (1 / 12) - 1
# Where frets stand out above an edge and below it (mm), at a fret and away from all. Of 221 own renders with truth,
# measured by the height alone, 208 stand out above by less than this share; three of the others had the border.
ABOVE_MM, BELOW_MM, AT_FRET_MM, AWAY_MM = (-1.25, -0.25), (0.05, 1.05), 1.0, 3.0
MAX_ABOVE = 0.9


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
    def directions(self) -> tuple[int, ...]:
        """Sides the nut may be on: +1 left, -1 right."""
        return {None: (1, -1), "left": (1,), "right": (-1,)}[self.nut]


def margin(found: Located) -> float:
    """Return by how much, in logarithms of odds, the numbering found is likelier than the next best."""
    return found.evidence - found.rival_evidence


def is_numbered(found: Located, numbering: Numbering) -> bool:
    """Tell whether no other numbering explains the picture nearly as well, or none is asked for.

    Parameters
    ----------
    found, numbering
        The frets, and what was told of them.
    """
    if numbering.first_fret is not None or numbering.scale_length_mm is None:
        return True
    return margin(found) >= (MIN_MARGIN_OUTER if found.beside_outer else MIN_MARGIN)


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
    return again if margin(again) >= (MIN_MARGIN_OUTER if outer else MIN_MARGIN) else located


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


def check_no_border(luminance: FloatImage, found: Located, height_mm: float) -> None:
    """Refuse what may be the board's border for the edge of a straightedge whose height alone tells the scale.

    With some heights the scale is then off by just one fret, and the frets fit it as well. Before the straightedge's
    edge frets stand out below it; before the border, between it and the edge that was not seen.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    found
        The edge and the frets.
    height_mm
        Of the straightedge.

    Raises
    ------
    Refusal
        `numbering-ambiguous`.
    """
    least, most = BORDER_BELOW_MM
    if not least < ONE_FRET * height_mm < most:
        return
    edge, comb = found.edge, found.comb
    x = np.arange(edge.low_px, edge.high_px, max(0.1 * comb.px_per_mm, 0.5))
    below = np.arange(ABOVE_MM[0], BELOW_MM[1] + 0.01, 0.1)
    strip = sample_strip(luminance, edge.y_px(x), x, px_per_mm=comb.px_per_mm, below_mm=below)
    out = significance(strip.texture(TEXTURE_WINDOW_MM, comb.px_per_mm))
    _, frets = comb.frets(edge.low_px, edge.high_px)
    apart_mm = np.abs(x[:, None] - frets[None, :]).min(axis=1) / comb.px_per_mm
    at, away = apart_mm < AT_FRET_MM, apart_mm > AWAY_MM
    if not (at.any() and away.any()):
        return
    stands = out[:, at].mean(axis=1) - out[:, away].mean(axis=1)
    over, under = (float(stands[(below > a) & (below < b)].mean()) for a, b in (ABOVE_MM, BELOW_MM))
    if over > MAX_ABOVE * under:
        raise refusal(
            "numbering-ambiguous",
            "the frets stand out above the edge as much as below it: by its height alone it may be the board's border, "
            "and each number one off",
        )
