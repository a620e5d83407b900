"""Scale: from the reference object, the straightedge's height or the frets, and the one against the other."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lightgap.neck.errors import Refusal
from lightgap.neck.profile import Array

from .camera import BoardCamera
from .comb import Comb, CombPrior
from .edge import Line, find_lines
from .findings import refusal
from .locate import Located, locate, weigh
from .photo import Photo
from .reference import ReferenceObject, ReferenceRequest, find_references
from .types import Scale, ScaleCheck

# Without the lens's focal length, a phone's main camera is assumed (28 mm equivalent; common practice).
DEFAULT_FOCAL_35MM = 28.0
VIEW_RANGE_MM = (70.0, 1000.0)  # length of board seen: less is no neck, more is too coarse
U_HEIGHT_SCALE = 0.012
# Two scales further apart than this cannot both be right (tolerance of the comb search plus both uncertainties).
MAX_DISAGREEMENT = 0.028
RIVAL_MARGIN = 0.93
MAX_TRIALS = 6


@dataclass(frozen=True, slots=True)
class ScaleGuess:
    """A scale to try, with where it came from."""

    px_per_mm: float
    u_relative: float
    source: ReferenceObject | None
    lines: tuple[Line, ...]


def scale_guesses(photo: Photo, request: ReferenceRequest, *, height_mm: float | None) -> list[ScaleGuess]:
    """Return the scales the photo offers, likeliest first.

    Raises
    ------
    Refusal
        `reference-not-found` when nothing of the wanted kind is seen; `no-straightedge` when its height is all there is
        and no two edges stand parallel.
    """
    lines = find_lines(photo.luminance)
    guesses: list[ScaleGuess] = []
    if request.kind not in ("straightedge", "frets"):
        for found in find_references(photo, request):
            guesses.append(ScaleGuess(found.px_per_mm, 0.012, found, tuple(lines)))
    plausible = [g for g in guesses if VIEW_RANGE_MM[0] < photo.facts.width_px / g.px_per_mm < VIEW_RANGE_MM[1]]
    if height_mm is not None and plausible:
        plausible = sorted(plausible, key=lambda g: -_paired(lines, height_mm * g.px_per_mm))
    if not plausible and height_mm is not None and request.kind in (None, "straightedge"):
        pairs = _height_guesses(photo, lines, height_mm)
        if not pairs:
            raise refusal("no-straightedge")
        return pairs
    if not plausible:
        raise refusal("reference-not-found")
    return plausible[:3]


def _paired(lines: list[Line], rise_px: float) -> float:
    """Return the strength of the best pair of lines one straightedge height apart."""
    best = 0.0
    for upper in lines:
        for lower in lines:
            rise = lower.middle_y_px - upper.middle_y_px
            if abs(rise - rise_px) < 0.04 * rise_px and abs(lower.slope - upper.slope) < 0.006:
                best = max(best, min(abs(lower.strength), abs(upper.strength)))
    return best


def _height_guesses(photo: Photo, lines: list[Line], height_mm: float) -> list[ScaleGuess]:
    """Take every pair of nearly parallel lines as the straightedge's two edges."""
    out: list[tuple[float, ScaleGuess]] = []
    for lower in lines:
        for upper in lines:
            rise = lower.middle_y_px - upper.middle_y_px
            if rise < 40 or abs(lower.slope - upper.slope) > 0.006:
                continue
            scale = rise * math.cos(math.atan(lower.slope)) / height_mm
            if VIEW_RANGE_MM[0] < photo.facts.width_px / scale < VIEW_RANGE_MM[1]:
                near = (lower, *(o for o in lines if o is not lower and abs(o.middle_y_px - lower.middle_y_px) < scale))
                guess = ScaleGuess(scale, U_HEIGHT_SCALE, None, near)
                out.append((min(abs(lower.strength), abs(upper.strength)), guess))
    out.sort(key=lambda item: -item[0])
    kept: list[ScaleGuess] = []
    for _, guess in out:
        if all(
            abs(guess.px_per_mm / k.px_per_mm - 1) > 0.01
            or abs(guess.lines[0].middle_y_px - k.lines[0].middle_y_px) > 5
            for k in kept
        ):
            kept.append(guess)
        if len(kept) == 24:
            break
    return kept


def focal_px(photo: Photo) -> float:
    """Return the focal length in pixels, assumed when the file does not tell it."""
    return photo.focal_px or DEFAULT_FOCAL_35MM / 36.0 * max(photo.facts.width_px, photo.facts.height_px)


@dataclass(frozen=True, slots=True)
class Numbering:
    """What the user says of the frets."""

    scale_length_mm: float | None
    nut: str | None
    first_fret: int | None


# Scale length is a continuous unknown; four steps a semitone apart in all cover it up to a renumbering of the frets.
UNKNOWN_SCALE_LENGTHS_MM = tuple(650.0 * 2 ** (-i / 48) for i in range(4))


def locate_scaled(
    photo: Photo, guesses: list[ScaleGuess], numbering: Numbering, *, height_mm: float | None, thickness_mm: float
) -> tuple[Located, ScaleGuess]:
    """Find edge and frets under the best of the scale guesses.

    Raises
    ------
    Refusal
        Of the likeliest guess, when none fits.
    """
    directions = {None: (1, -1), "left": (1,), "right": (-1,)}[numbering.nut]
    lengths = (numbering.scale_length_mm,) if numbering.scale_length_mm else UNKNOWN_SCALE_LENGTHS_MM
    first = numbering.first_fret if numbering.scale_length_mm else None
    trials = [
        (
            guess,
            CombPrior(
                _at_line(guess, focal_px(photo), thickness_mm),
                length,
                focal_px(photo),
                u_scale=guess.u_relative,
                directions=directions,
                first_fret=first,
            ),
        )
        for guess in guesses
        for length in lengths
    ]
    if len(trials) > MAX_TRIALS:
        weighed = [(weigh(photo.luminance, guess.lines[0], prior), guess, prior) for guess, prior in trials]
        weighed.sort(key=lambda w: -w[0].comb.score * min(w[0].ratio, 2.0))
        trials = [(guess, prior) for _, guess, prior in weighed[:2]]
    best: tuple[float, Located, ScaleGuess] | None = None
    trouble: Refusal | None = None
    for guess, prior in trials:
        try:
            found = locate(photo.luminance, prior, lines=list(guess.lines), height_mm=height_mm)
        except Refusal as problem:
            trouble = trouble or problem
            continue
        if best is None or found.comb.score > best[0]:
            best = (found.comb.score, found, guess)
    if best is None:
        assert trouble is not None
        raise trouble
    return best[1], best[2]


def _at_line(guess: ScaleGuess, focal: float, thickness_mm: float) -> float:
    """Return a guess's scale brought back from the reference object's face to the straightedge's middle."""
    forward = thickness_mm / 2 + (guess.source.front_offset_mm if guess.source else 0.0)
    return guess.px_per_mm * (1 - forward * guess.px_per_mm / focal)


def settle_scale(guess: ScaleGuess, camera: BoardCamera, comb: Comb, *, thickness_mm: float, span_px: Array) -> Scale:
    """Bring the reference's scale to the straightedge's line and hold it against the fret spacing.

    Raises
    ------
    Refusal
        `reference-contradicts-frets` when the two disagree.
    """
    middle = float(np.mean(span_px))
    frets = float(camera.px_per_mm(np.array([middle]))[0])
    check = ScaleCheck("frets", frets)
    if guess.source is None:
        here = guess.px_per_mm
        kind, u, outline = "straightedge", guess.u_relative * here, None
    else:
        source = guess.source
        forward = thickness_mm / 2 + source.front_offset_mm
        at_line = source.px_per_mm * (1 - forward / camera.distance_mm)
        # From the object's column to the middle of the span: the camera's yaw and the lens change scale along the way.
        column = source.centre_px[0]
        ratio = comb.local_px_per_mm(np.array([middle]))[0] / comb.local_px_per_mm(np.array([column]))[0]
        here = at_line * float(ratio)
        kind, u, outline = (
            source.kind,
            here * math.hypot(source.u_px_per_mm / source.px_per_mm, 0.005),
            source.outline_px,
        )
    if abs(here / frets - 1) > MAX_DISAGREEMENT:
        raise refusal("reference-contradicts-frets", f"{kind} {here:.2f} px/mm, fret spacing {frets:.2f} px/mm")
    return Scale(kind, here, u, check, outline)  # type: ignore[arg-type]


def check_numbering(found: Located, numbering: Numbering) -> None:
    """Refuse when another numbering explains the picture nearly as well.

    Raises
    ------
    Refusal
        `numbering-ambiguous`.
    """
    if numbering.first_fret is not None or numbering.scale_length_mm is None or found.rival is None:
        return
    if found.rival.score > RIVAL_MARGIN * found.comb.score:
        raise refusal("numbering-ambiguous")
