"""How surely the frets are numbered: what the user says of them, and the odds of the best numbering over the next."""

from __future__ import annotations

from dataclasses import dataclass

from .comb import CombPrior
from .findings import refusal
from .locate import EdgeCurve, Located
from .photo import FloatImage
from .turn import with_turn

# Fret ends taken for crowns look like a straightedge beside the outer string, one fret off at nearly the right scale.
MIN_MARGIN_OUTER = 9.0
MIN_MARGIN = 4.0  # odds of 55 to 1 for the best numbering over the next


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
