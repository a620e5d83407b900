"""The scales that a photo offers: of reference objects, or of every pair of lines as the straightedge's two edges."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .blade import inner_edge, max_splay, weight_of
from .edge import Line
from .findings import refusal
from .photo import Photo
from .reference import ReferenceObject
from .survey import Survey

# Without the lens's focal length, a phone's main camera is assumed (28 mm equivalent; common practice).
DEFAULT_FOCAL_35MM = 28.0
VIEW_RANGE_MM = (70.0, 1000.0)  # length of board seen: less is no neck, more is too coarse
U_HEIGHT_SCALE = 0.01  # of two lines taken for the straightedge's edges: each stands on a whole row, at a coarse slope
# Of an object found, brought to the line of crowns: its outline, its lean, the camera's turn. Alone it is trusted less:
# nothing then tells of a wrong size, and a numbering must stand out farther. By `tests/benchmarks/finding.py`, on 120
# renders, cards and markers are off by 0.4 % rms, coins by 0.7.
U_REFERENCE_SCALE, U_REFERENCE_ALONE = 0.007, 0.012
# Below this a gap of 0.1 mm is under 0.4 px: less than the blur of any lens, and its edges can no longer be told apart.
MIN_PX_PER_MM = 4.0
MAX_PAIRS = 60


@dataclass(frozen=True, slots=True)
class ScaleGuess:
    """A scale to try, with where it came from.

    Attributes
    ----------
    source
        The object of known size, when it came from one.
    lines
        Those that may be the straightedge's lower edge.
    worth
        How well the lines that gave it do as the straightedge's two edges.
    by_frets
        It came from the spacing of the frets alone.
    upper
        The line taken for the straightedge's upper edge, when its height gave the scale.
    column_px
        Where in the picture the height was read; None elsewhere.
    height_unseen
        The straightedge's height was given, but its upper edge is not seen: the object alone tells the scale.
    tied
        Another pair of lines does nearly as well as the straightedge's two edges, at a scale some frets off.
    may_be_string
        The lower one of the two may be a string's.
    """

    px_per_mm: float
    u_relative: float
    source: ReferenceObject | None
    lines: tuple[Line, ...]
    worth: float = 0.0
    by_frets: bool = False
    upper: Line | None = None
    column_px: float | None = None
    height_unseen: bool = False
    tied: bool = False
    may_be_string: bool = False

    @property
    def middle_share(self) -> float:
        """Scale in the picture's middle over the guess: a turned camera sees an object aside at another one."""
        return 1.0 if self.source is None else self.source.middle_px_per_mm / self.source.px_per_mm

    @property
    def is_fine(self) -> bool:
        """Whether a gap worth measuring is not lost between pixels."""
        return self.px_per_mm >= MIN_PX_PER_MM


def check_fine(px_per_mm: float) -> None:
    """Refuse when a gap worth measuring is lost between pixels.

    Raises
    ------
    Refusal
        `too-coarse`.
    """
    if px_per_mm < MIN_PX_PER_MM:
        raise refusal("too-coarse", f"{px_per_mm:.2f} px/mm, at least {MIN_PX_PER_MM:g} are needed")


def scale_guesses(seen: Survey, *, height_mm: float | None) -> list[ScaleGuess]:
    """Return the scales a photo offers, likeliest first.

    Raises
    ------
    Refusal
        `reference-not-found` when nothing of the wanted kind is seen; `no-straightedge` when its height is all there is
        and no two edges stand parallel.
    """
    photo, lines = seen.photo, seen.lines
    u = U_REFERENCE_ALONE if height_mm is None else U_REFERENCE_SCALE
    guesses = [ScaleGuess(found.px_per_mm, u, found, lines) for found in seen.objects]
    plausible = [g for g in guesses if VIEW_RANGE_MM[0] < photo.facts.width_px / g.px_per_mm < VIEW_RANGE_MM[1]]
    if height_mm is not None and plausible:
        plausible = sorted(plausible, key=lambda g: -_paired(lines, height_mm * g.px_per_mm))
    if not plausible and height_mm is not None and seen.request.kind in (None, "straightedge", "frets"):
        pairs = _height_guesses(photo, lines, height_mm)
        if not pairs:
            raise refusal("no-straightedge")
        return pairs
    if not plausible:
        raise refusal("reference-not-found")
    return plausible[:3]


def _paired(lines: Sequence[Line], rise_px: float) -> float:
    """Return the strength of the best pair of lines one straightedge height apart."""
    best = 0.0
    for upper in lines:
        for lower in lines:
            rise = lower.middle_y_px - upper.middle_y_px
            if abs(rise - rise_px) < 0.04 * rise_px and abs(lower.slope - upper.slope) < 0.006:
                best = max(best, min(abs(lower.strength), abs(upper.strength)))
    return best


def _height_guesses(photo: Photo, lines: Sequence[Line], height_mm: float) -> list[ScaleGuess]:
    """Take every pair of nearly parallel lines as the straightedge's two edges."""
    out: list[ScaleGuess] = []
    for lower in lines:
        for upper in lines:
            rise = lower.middle_y_px - upper.middle_y_px
            if rise < 40 or abs(lower.slope - upper.slope) > max_splay(rise, focal_px(photo)):
                continue
            scale = rise * math.cos(math.atan(lower.slope)) / height_mm
            if VIEW_RANGE_MM[0] < photo.facts.width_px / scale < VIEW_RANGE_MM[1]:
                worth = weight_of(upper) - inner_edge(lines, lower, rise, scale)
                out.append(ScaleGuess(scale, U_HEIGHT_SCALE, None, (lower,), worth, upper=upper))
    out.sort(key=lambda g: -weight_of(g.lines[0]) - g.worth)
    return out[:MAX_PAIRS]


def focal_px(photo: Photo) -> float:
    """Return the focal length in pixels, assumed when the file does not tell it."""
    return photo.focal_px or DEFAULT_FOCAL_35MM / 36.0 * max(photo.facts.width_px, photo.facts.height_px)
