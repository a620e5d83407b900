"""The straightedge's two edges, found and followed, and what they tell of the scale before the frets are numbered."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from .blade import Candidate, candidates_among, judge_line, out_of_picture, with_frets
from .border import follow_border, rise_px
from .comb import Comb, CombPrior
from .edge import Line, beside
from .findings import refusal
from .guesses import U_REFERENCE_ALONE, ScaleGuess, focal_px
from .height import SAME_EDGE_MM, U_HEIGHT_MM, Face, find_uppers, likeliest, sharpened
from .locate import EdgeCurve, follow_edge
from .photo import FloatImage, Photo
from .strings import strings_before

MIN_COMB_SCORE = 5.0
# Two lower edges whose scores differ by less are equally likely: the board's border does nearly as well as the edge
# where strings hide the face. Scales nearer than the first are one, and farther than the second number no frets alike.
TIE, SAME_SCALE, NEAR_SCALE = 0.3, 0.02, 0.13
# A string does better than the edge below it by less; an edge than the board's border by more. The border lies a tall
# fret's height lower, and a millimetre's gap: from what is farther a string may differ more (by own renders).
NEARLY, NEARLY_FAR, FAR_MM = 1.0, 1.4, 2.4


@dataclass(frozen=True, slots=True)
class Framed:
    """The lower edge, followed, and what is known before the frets under it are numbered.

    Attributes
    ----------
    line, edge
        The lower edge, and the line that led to it.
    borders
        What may be the upper edge, followed.
    prior, bare
        With the straightedge's height read off the two edges taken in, and without.
    guess
        That the scale comes from.
    comb
        As searched along the line that led to the edge.
    """

    line: Line
    edge: EdgeCurve
    borders: tuple[EdgeCurve, ...]
    prior: CombPrior
    bare: CombPrior
    guess: ScaleGuess
    comb: Comb


def frame_edges(
    photo: Photo, guesses: list[ScaleGuess], prior: CombPrior, *, height_mm: float | None, thickness_mm: float
) -> Framed:
    """Find the likeliest lower edge under the scale guesses, and what is known of it.

    Parameters
    ----------
    photo, guesses
        The photo, and the scales it offers.
    prior
        Of the comb, but for the scale.
    height_mm, thickness_mm
        Of the straightedge; its height where it is known.

    Raises
    ------
    Refusal
        `no-straightedge`, `no-crowns`, and what following an edge raises.
    """
    candidates: list[Candidate] = []
    sources: dict[tuple[float, Line], ScaleGuess] = {}
    for guess in guesses:
        scale = at_line(guess, focal_px(photo), thickness_mm)
        mine = _candidates(photo, guess, replace(prior, px_per_mm=scale), height_mm)
        sources |= {(scale, candidate.line): guess for candidate in mine}
        candidates += mine
    fretted = with_frets(photo.luminance, candidates, prior)
    if not fretted or fretted[0].match is None or fretted[0].match.comb.score < MIN_COMB_SCORE:
        raise refusal("no-crowns" if height_mm is None else "no-straightedge")
    return _frame(photo, fretted, sources, prior, height_mm=height_mm, thickness_mm=thickness_mm)


def _frame(
    photo: Photo,
    fretted: list[Candidate],
    sources: dict[tuple[float, Line], ScaleGuess],
    prior: CombPrior,
    *,
    height_mm: float | None,
    thickness_mm: float,
) -> Framed:
    """Follow the likeliest lower edge, and the upper one where the straightedge's height is known."""
    best = fretted[0]
    assert best.match is not None
    guess = sources[best.px_per_mm, best.line]
    if guess.upper is not None and height_mm is not None:
        chosen, edge, border, guess = _by_followed_edges(photo, fretted, sources, height_mm)
        assert chosen.match is not None
        doubt = may_be_string(fretted, photo.luminance)
        guess = replace(guess, tied=is_tied(fretted, photo.luminance), may_be_string=doubt)
        scale = at_line(guess, focal_px(photo), thickness_mm)
        told = replace(prior, px_per_mm=scale, u_scale=guess.u_relative)
        return Framed(chosen.line, edge, (border,), told, told, guess, chosen.match.comb)
    if guess.source is None or height_mm is None:
        here = replace(prior, px_per_mm=best.px_per_mm, u_scale=guess.u_relative)
        edge = follow_edge(photo.luminance, best.line, best.match.comb, best.px_per_mm)
        return Framed(best.line, edge, (), here, here, guess, best.match.comb)
    return _by_object(photo, fretted, sources, prior, Face(height_mm, thickness_mm))


def _by_object(
    photo: Photo,
    fretted: list[Candidate],
    sources: dict[tuple[float, Line], ScaleGuess],
    prior: CombPrior,
    face: Face,
) -> Framed:
    """Follow the likeliest lower edge at a scale told by an object, and hold its height against that."""
    best = fretted[0]
    seen = not out_of_picture(best.line, face.height_mm * best.px_per_mm)
    if seen:
        best = likeliest(fretted, photo.luminance)
    assert best.match is not None
    guess, comb = sources[best.px_per_mm, best.line], best.match.comb
    assert guess.source is not None
    here = replace(prior, px_per_mm=best.px_per_mm, u_scale=guess.u_relative, by_object=True)
    edge = follow_edge(photo.luminance, best.line, comb, best.px_per_mm)
    lines = beside(list(guess.lines), photo.luminance, guess.source.outline_px) if seen else []
    uppers = find_uppers(photo.luminance, lines, edge, here)
    if uppers.rises_px:
        sharp = sharpened(here, uppers.rises_px, face, middle_share=guess.middle_share)
        return Framed(best.line, edge, uppers.borders, sharp, here, guess, comb)
    alone = replace(here, u_scale=U_REFERENCE_ALONE)
    return Framed(best.line, edge, (), alone, alone, replace(guess, height_unseen=True), comb)


def may_be_string(fretted: list[Candidate], luminance: FloatImage) -> bool:
    """Tell whether the likeliest lower edge may be a string: the height read from it makes every scale wrong."""
    best = fretted[0]
    near = [c for c in fretted[1:] if best.total - c.total < (NEARLY_FAR if _is_far_below(c, best) else NEARLY)]
    return any(strings_before(lower, [best], luminance) for lower in near)


def _is_far_below(lower: Candidate, upper: Candidate) -> bool:
    """Tell whether a line lies farther below another than a board's border below the edge, were it the edge itself."""
    return (lower.line.middle_y_px - upper.line.middle_y_px) / lower.px_per_mm > FAR_MM


def is_tied(fretted: list[Candidate], luminance: FloatImage) -> bool:
    """Tell whether another lower edge, and no string before the likeliest, is nearly as likely at another scale."""
    best = fretted[0]
    tied = [
        c
        for c in fretted[1:]
        if best.total - c.total < TIE and SAME_SCALE < abs(math.log(c.px_per_mm / best.px_per_mm)) < NEAR_SCALE
    ]
    return bool(tied) and len(strings_before(best, tied, luminance)) < len(tied)


def _by_followed_edges(
    photo: Photo, fretted: list[Candidate], sources: dict[tuple[float, Line], ScaleGuess], height_mm: float
) -> tuple[Candidate, EdgeCurve, EdgeCurve, ScaleGuess]:
    """Read the scale off the straightedge's two edges, followed: the lines that led to them are good to a per cent.

    A soft or chamfered upper edge shows as several lines: the likeliest that is a border counts.

    Raises
    ------
    Refusal
        `no-straightedge` when no clear upper edge stands above the likeliest lower one.
    """
    best = fretted[0]
    middle = (photo.facts.width_px - 1) / 2
    for candidate in fretted:
        guess = sources[candidate.px_per_mm, candidate.line]
        off_px = abs(candidate.line.middle_y_px - best.line.middle_y_px)
        if guess.upper is None or candidate.match is None or off_px > SAME_EDGE_MM * best.px_per_mm:
            continue
        edge = follow_edge(photo.luminance, candidate.line, candidate.match.comb, candidate.px_per_mm)
        border = follow_border(photo.luminance, edge, guess.upper, px_per_mm=candidate.px_per_mm)
        if border is not None:
            return candidate, edge, border, by_height(guess, rise_px(edge, border, middle), height_mm, middle)
    raise refusal("no-straightedge", "its upper edge is no clear border")


def _candidates(photo: Photo, guess: ScaleGuess, prior: CombPrior, height_mm: float | None) -> list[Candidate]:
    scale = prior.px_per_mm
    if guess.source is not None or guess.by_frets:
        return candidates_among(
            photo.luminance,
            list(guess.lines),
            prior=replace(prior, px_per_mm=scale, u_scale=guess.u_relative),
            height_mm=height_mm,
        )
    line = guess.lines[0]
    score = judge_line(photo.luminance, line, px_per_mm=scale)
    return [Candidate(line, scale, guess.u_relative, None, score, -guess.worth)]


def at_line(guess: ScaleGuess, focal_length_px: float, thickness_mm: float) -> float:
    """Return a guess's scale (px/mm) brought back from the face it was read on to the straightedge's middle.

    Parameters
    ----------
    guess
        Of an object before the straightedge's face, or of that face's height.
    focal_length_px
        Focal length.
    thickness_mm
        Of the straightedge.
    """
    forward_mm = thickness_mm / 2 + (guess.source.front_offset_mm if guess.source else 0.0)
    return guess.px_per_mm * (1 - forward_mm * guess.px_per_mm / focal_length_px)


def by_height(guess: ScaleGuess, height_px: float, height_mm: float, column_px: float) -> ScaleGuess:
    """Return a guess with the scale that the straightedge's height tells.

    Parameters
    ----------
    guess
        As it was by the lines that led to both edges.
    height_px
        How far the upper edge stands above the lower one.
    height_mm
        Of the straightedge.
    column_px
        Where that was read.
    """
    u = U_HEIGHT_MM / height_mm
    return replace(guess, px_per_mm=height_px / height_mm, u_relative=u, column_px=column_px)
