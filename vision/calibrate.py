"""Scale: from the reference object, the straightedge's height or the frets, and the one against the other."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from lightgap.neck.errors import Refusal
from lightgap.neck.profile import Array

from .blade import Candidate, candidates_among, judge_line, out_of_picture, with_frets
from .border import follow_border, rise_px, within_border
from .camera import BoardCamera
from .comb import Comb, CombPrior
from .edge import Line, beside
from .findings import refusal
from .guesses import U_REFERENCE_ALONE, ScaleGuess, focal_px
from .halves import ALONE, Halves
from .height import (
    SAME_EDGE_MM,
    U_HEIGHT_MM,
    Face,
    below_border,
    find_uppers,
    likeliest,
    nearest_parallel,
    parallel_border,
    sharpened,
)
from .locate import EdgeCurve, Located, follow_edge, number_frets
from .odds import Numbering, is_numbered, numbered_by_turn
from .photo import FloatImage, Photo
from .strings import strings_before
from .turn import parallel_by_turn
from .types import Scale, ScaleCheck

# Of a scale by the frets, beside what the fit says: glow and smear of the crowns, and a scale length good to 0.2 %.
U_FRETS_SCALE = 0.005
# Two scales further apart than this cannot both be right (tolerance of the comb search plus both uncertainties).
MAX_DISAGREEMENT = 0.028
MIN_COMB_SCORE = 5.0
# Two lower edges whose scores differ by less are equally likely: the board's border does nearly as well as the edge
# where strings hide the face. Scales nearer than the first are one, and farther than the second number no frets alike.
TIE, SAME_SCALE, NEAR_SCALE = 0.3, 0.02, 0.13
# A string does better than the edge below it by less; an edge than the board's border by more. The border lies a tall
# fret's height lower, and a millimetre's gap: from what is farther a string may differ more (by own renders).
NEARLY, NEARLY_FAR, FAR_MM = 1.0, 1.4, 2.4
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
    )
    framed = _framed_by(photo, guesses, prior, height_mm=height_mm, thickness_mm=thickness_mm)
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
    photo: Photo, framed: _Framed, comb: Comb, numbering: Numbering, face: Face
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


def _by_rise(photo: Photo, framed: _Framed, edge: EdgeCurve, face: Face) -> tuple[ScaleGuess, CombPrior]:
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
    again = _by_height(guess, rises[0], face.height_mm, middle)
    moved = abs(math.log(again.px_per_mm / guess.px_per_mm)) > SAME_SCALE
    guess = replace(again, tied=guess.tied or moved)
    scale = _at_line(guess, focal_px(photo), face.thickness_mm)
    return guess, replace(framed.bare, px_per_mm=scale, u_scale=guess.u_relative)


def _by_height(guess: ScaleGuess, rise: float, height_mm: float, column_px: float) -> ScaleGuess:
    """Return a guess with the scale that the straightedge's height tells at a column."""
    u = U_HEIGHT_MM / height_mm
    return replace(guess, px_per_mm=rise / height_mm, u_relative=u, column_px=column_px)


def _bounded(luminance: FloatImage, located: Located, upper: EdgeCurve | None) -> Located:
    """Return what was located with its upper edge, and the lower one no longer than that."""
    if upper is None:
        return located
    edge = within_border(luminance, located.edge, upper, px_per_mm=located.comb.px_per_mm)
    return replace(located, edge=edge, upper=upper)


@dataclass(frozen=True, slots=True)
class _Framed:
    """The lower edge, followed, and what is known before the frets under it are numbered.

    Attributes
    ----------
    line
        That led to the edge.
    borders
        What may be the upper edge, followed.
    prior, bare
        With the straightedge's height read off the two edges taken in, and without.
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


def _framed_by(
    photo: Photo, guesses: list[ScaleGuess], prior: CombPrior, *, height_mm: float | None, thickness_mm: float
) -> _Framed:
    """Find the likeliest lower edge under the scale guesses, and what is known of it.

    Raises
    ------
    Refusal
        `no-straightedge`, `no-crowns`, and what following an edge raises.
    """
    candidates: list[Candidate] = []
    sources: dict[tuple[float, Line], ScaleGuess] = {}
    for guess in guesses:
        scale = _at_line(guess, focal_px(photo), thickness_mm)
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
) -> _Framed:
    """Follow the likeliest lower edge, and the upper one where the straightedge's height is known."""
    best = fretted[0]
    assert best.match is not None
    guess = sources[best.px_per_mm, best.line]
    if guess.upper is not None and height_mm is not None:
        check_no_string(fretted, photo.luminance)
        best, edge, border, guess = _by_followed_edges(photo, fretted, sources, height_mm)
        assert best.match is not None
        guess = replace(guess, tied=is_tied(fretted, photo.luminance))
        scale = _at_line(guess, focal_px(photo), thickness_mm)
        told = replace(prior, px_per_mm=scale, u_scale=guess.u_relative)
        return _Framed(best.line, edge, (border,), told, told, guess, best.match.comb)
    seen = height_mm is not None and not out_of_picture(best.line, height_mm * best.px_per_mm)
    if guess.source is not None and seen:
        best = likeliest(fretted, photo.luminance)
        guess = sources[best.px_per_mm, best.line]
    here = replace(prior, px_per_mm=best.px_per_mm, u_scale=guess.u_relative)
    assert best.match is not None
    comb = best.match.comb
    edge = follow_edge(photo.luminance, best.line, comb, best.px_per_mm)
    if guess.source is None or height_mm is None:
        return _Framed(best.line, edge, (), here, here, guess, comb)
    lines = beside(list(guess.lines), photo.luminance, guess.source.outline_px) if seen else []
    uppers = find_uppers(photo.luminance, lines, edge, here)
    if uppers.rises_px:
        face = Face(height_mm, thickness_mm)
        sharp = sharpened(here, uppers.rises_px, face, middle_share=guess.middle_share)
        return _Framed(best.line, edge, uppers.borders, sharp, here, guess, comb)
    alone = replace(here, u_scale=U_REFERENCE_ALONE)
    return _Framed(best.line, edge, (), alone, alone, replace(guess, height_unseen=True), comb)


def check_no_string(fretted: list[Candidate], luminance: FloatImage) -> None:
    """Refuse a string for a lower edge: the height read from it would make every scale and number wrong.

    Raises
    ------
    Refusal
        `strings-in-front`.
    """
    best = fretted[0]
    near = [c for c in fretted[1:] if best.total - c.total < (NEARLY_FAR if _is_far_below(c, best) else NEARLY)]
    if any(strings_before(lower, [best], luminance) for lower in near):
        raise refusal("strings-in-front", "the clearest of the edges is a string's")


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
            return candidate, edge, border, _by_height(guess, rise_px(edge, border, middle), height_mm, middle)
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


def _at_line(guess: ScaleGuess, focal: float, thickness_mm: float) -> float:
    """Return a guess's scale brought back from the reference object's face to the straightedge's middle."""
    forward = thickness_mm / 2 + (guess.source.front_offset_mm if guess.source else 0.0)
    return guess.px_per_mm * (1 - forward * guess.px_per_mm / focal)


def settle_scale(
    guess: ScaleGuess, camera: BoardCamera, comb: Comb, *, thickness_mm: float, span_px: Array, length_told: bool
) -> Scale:
    """Bring the reference's scale to the straightedge's line and hold it against the fret spacing.

    That is a second opinion only with the scale length told: without it one is found that fits.

    Raises
    ------
    Refusal
        `reference-contradicts-frets` when the two disagree.
    """
    middle = float(np.mean(span_px))
    frets = float(camera.px_per_mm(np.array([middle]))[0])
    if guess.by_frets:
        return Scale("frets", frets, frets * math.hypot(camera.u_scale, U_FRETS_SCALE))
    check = ScaleCheck("frets", frets) if length_told else None
    if guess.source is None:
        at_line = guess.px_per_mm * (1 - thickness_mm / 2 / camera.distance_mm)
        read_at = middle if guess.column_px is None else guess.column_px
        here = at_line * frets / float(camera.px_per_mm(np.array([read_at]))[0])
        u, kind, outline = guess.u_relative * here, "straightedge", None
    else:
        source = guess.source
        forward = thickness_mm / 2 + source.front_offset_mm
        at_line = source.px_per_mm * (1 - forward / camera.distance_mm)
        # From the object's column to the middle of the span: the camera's yaw and the lens change scale along the way.
        column = source.centre_px[0]
        ratio = comb.local_px_per_mm(np.array([middle]))[0] / comb.local_px_per_mm(np.array([column]))[0]
        here = at_line * float(ratio)
        u = here * math.hypot(source.u_px_per_mm / source.px_per_mm, 0.005)
        kind, outline = source.kind, source.outline_px
    if abs(here / frets - 1) > MAX_DISAGREEMENT:
        raise refusal("reference-contradicts-frets", f"{kind} {here:.2f} px/mm, fret spacing {frets:.2f} px/mm")
    return Scale(kind, here, u, check, outline)  # type: ignore[arg-type]
