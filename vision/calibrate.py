"""Scale: from the reference object, the straightedge's height or the frets, and the frets numbered at it."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

from lightgap.neck.errors import Refusal

from .border import rise_px, within_border
from .comb import Comb, CombPrior
from .edge import Line
from .edges import SAME_SCALE, Framed, at_line, by_height, frame_edges
from .findings import refusal
from .guesses import ScaleGuess, focal_px
from .halves import ALONE, Halves
from .height import Face, below_border, nearest_parallel, parallel_border, sharpened
from .locate import EdgeCurve, follow_edge
from .numbered import Located, number_frets
from .odds import Numbering, is_numbered, numbered_by_turn
from .photo import FloatImage, Photo
from .turn import parallel_by_turn

# An edge followed along the upper one's curve is as parallel with it as that was, by own renders with truth to 0.18 mm;
# those that still were a string's, to 0.3 and more.
MAX_ANEW_MM = 0.25
# Scale length is a continuous unknown; four steps a semitone apart in all cover it up to a renumbering of the frets.
UNKNOWN_SCALE_LENGTHS_MM = tuple(650.0 * 2 ** (-i / 48) for i in range(4))


def locate_scaled(
    photo: Photo,
    guesses: list[ScaleGuess],
    numbering: Numbering,
    *,
    height_mm: float | None,
    thickness_mm: float,
    both: Halves = ALONE,
) -> tuple[Located, ScaleGuess]:
    """Find edge and frets under the best of the scale guesses; `both` do the work.

    Raises
    ------
    Refusal
        Of the likeliest guess, when none fits.
    """
    lengths = (numbering.scale_length_mm,) if numbering.scale_length_mm else UNKNOWN_SCALE_LENGTHS_MM
    prior = CombPrior(
        1.0,
        lengths[len(lengths) // 2],
        focal_px(photo),
        scale_tolerance=0.025 if numbering.scale_length_mm else 0.04,
        directions=numbering.directions,
        first_fret=numbering.first_fret if numbering.scale_length_mm else None,
        uncounted=numbering.uncounted,
        with_dots=numbering.is_open,
    )
    framed = frame_edges(photo, guesses, prior, height_mm=height_mm, thickness_mm=thickness_mm)
    edge, guess = framed.edge, framed.guess
    found: list[Located] = []
    trouble: Refusal | None = None
    for length in lengths:
        try:
            here = replace(framed.prior, scale_length_mm=length)
            found.append(number_frets(photo.luminance, edge, here, both=both))
        except Refusal as problem:
            trouble = trouble or problem
    best = max(found, key=lambda f: f.evidence, default=None)
    if best is not None:
        try:
            return _settled(photo.luminance, edge, framed.borders, best, numbering, framed.prior), guess
        except Refusal as problem:
            trouble = problem
    assert trouble is not None
    bent = trouble.code == "no-straightedge" and numbering.scale_length_mm is not None
    # What was followed is bent, or not parallel with the upper edge: it went over to a string, or to the board.
    if height_mm is not None and framed.borders and (best is not None or bent):
        comb = best.comb if best is not None else framed.comb
        again = _followed_anew(photo, framed, comb, numbering, Face(height_mm, thickness_mm))
        if again is not None:
            return again
    if guess.source is None and not guess.by_frets and trouble.code == "no-crowns":
        raise refusal("no-straightedge")  # the scale came from two edges taken for the straightedge's
    raise trouble


def _settled(
    luminance: FloatImage,
    edge: EdgeCurve,
    borders: tuple[EdgeCurve, ...],
    located: Located,
    numbering: Numbering,
    prior: CombPrior,
) -> Located:
    """Return what was located with the upper edge that runs parallel with the lower one, numbered as surely as can be.

    Raises
    ------
    Refusal
        `no-straightedge` where no border is parallel, neither by the frets nor by a turn that they bear out.
    """
    try:
        upper = parallel_border(edge, borders, located.comb)
    except Refusal:
        by_turn = parallel_by_turn(luminance, edge, borders, located, prior)
        if by_turn is None:
            raise
        located, upper = by_turn
    if upper is not None and not is_numbered(located, numbering):
        located = numbered_by_turn(luminance, edge, upper, located, prior)
    return _bounded(luminance, located, upper)


def _followed_anew(
    photo: Photo, framed: Framed, comb: Comb, numbering: Numbering, face: Face
) -> tuple[Located, ScaleGuess] | None:
    """Follow the lower edge once more: from where an upper one has it, and with what looked like its chamfer below it.

    None where again it is parallel with no upper edge.
    """
    found: list[tuple[Located, ScaleGuess]] = []
    known = [below_border(border, comb, face.height_mm) for border in framed.borders]
    starts: list[tuple[Line | EdgeCurve, bool]] = [*product(known, (True, False)), (framed.line, False)]
    for start, chamfered in starts:
        try:
            edge = follow_edge(photo.luminance, start, comb, comb.px_per_mm, chamfered=chamfered)
            guess, prior = _by_rise(photo, framed, edge, face)
            prior = replace(prior, scale_length_mm=comb.scale_length_mm)
            located = number_frets(photo.luminance, edge, prior)
            located = _settled(photo.luminance, edge, framed.borders, located, numbering, prior)
        except Refusal:
            continue
        off_mm, _ = nearest_parallel(located.edge, framed.borders, located.comb)
        if off_mm <= MAX_ANEW_MM:
            found.append((located, guess))
    return max(found, key=lambda f: f[0].evidence, default=None)


def _by_rise(photo: Photo, framed: Framed, edge: EdgeCurve, face: Face) -> tuple[ScaleGuess, CombPrior]:
    """Return the scale guess and the prior with the height between a lower edge and the upper one taken in.

    Raises
    ------
    Refusal
        `reference-contradicts-height`.
    """
    guess, middle = framed.guess, (photo.facts.width_px - 1) / 2
    rises = tuple(rise_px(edge, border, middle) for border in framed.borders)
    if guess.source is not None:
        return guess, sharpened(framed.bare, rises, face, middle_share=guess.middle_share)
    # By the height alone one border gave the scale: another edge under it is another pair of edges.
    again = by_height(guess, rises[0], face.height_mm, middle)
    moved = abs(math.log(again.px_per_mm / guess.px_per_mm)) > SAME_SCALE
    guess = replace(again, tied=guess.tied or moved)
    scale = at_line(guess, focal_px(photo), face.thickness_mm)
    return guess, replace(framed.bare, px_per_mm=scale, u_scale=guess.u_relative)


def _bounded(luminance: FloatImage, located: Located, upper: EdgeCurve | None) -> Located:
    """Return what was located with its upper edge, and the lower one no longer than that."""
    if upper is None:
        return located
    edge = within_border(luminance, located.edge, upper, px_per_mm=located.comb.px_per_mm)
    return replace(located, edge=edge, upper=upper)
