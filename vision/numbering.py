"""Which fret is which, and so the scale, where spacing alone cannot tell: the nut, or the number of the first fret."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lightgap.neck.errors import InputError, Refusal
from lightgap.neck.frets import fret_position_mm

from .calibrate import locate_scaled
from .camera import BoardCamera, column_of
from .camera_fit import OutlinedEnds, fit_camera
from .comb import Comb, CombPrior
from .findings import refusal
from .fret_ends import FretEnds
from .guesses import VIEW_RANGE_MM, ScaleGuess, check_fine, focal_px, scale_guesses
from .halves import ALONE, Halves
from .numbered import Located
from .nut import find_nut
from .odds import MIN_MARGIN, Numbering, check_dots, check_no_border, check_numbering
from .photo import Photo
from .side_dots import prove_height, read_dots
from .spacing import SAME, spaced_scales
from .survey import Survey
from .turn import turn_by_edges

# The frets themselves tell the scale better than the reference: it is held only loosely while they are fitted.
U_COMB_SCALE = 0.03
# Of a scale read off the comb found in a first search: steps of the search, and what the fit takes off them.
U_SPACING = 0.015
COARSEST_PX_PER_MM = 3.4  # scales a little below what can be measured are tried too, so that it is said
MOST_SCALES = 3
# Where the frets tell the scale worse than this they leave the camera's turn open too, and with it where each crown is
# seen against the edge: the relief is then wrong by more than the scale.
MAX_U_SCALE = 0.01
BORDER_MM = 1.5  # a straightedge's end is found this well
MOST_BEFORE = 12


@dataclass(frozen=True, slots=True)
class Placed:
    """Edge and frets with their numbers.

    Attributes
    ----------
    found
        The edge and the comb.
    camera
        For a straightedge along the middle of the board, and along the outer string.
    guess
        Where the scale comes from.
    anchor
        What the numbers hang on when neither object nor height tells: "nut" or "first fret"; None otherwise, and when
        the numbers are relative.
    proven
        Dots on the board's side prove the scale that the straightedge's height tells.
    """

    found: Located
    camera: BoardCamera
    guess: ScaleGuess
    anchor: str | None = None
    proven: bool = False


def place_frets(
    seen: Survey, numbering: Numbering, *, height_mm: float | None, thickness_mm: float, both: Halves = ALONE
) -> Placed:
    """Find the straightedge's edge and the frets under it, and number them; `both` do the work.

    Raises
    ------
    InputError
        Fret spacing is to give the scale, and the scale length is not known.
    Refusal
        Nothing fits; or, as `numbering-ambiguous`, more than one numbering does, or dots contradict it; or, as
        `nut-contradicts`, the nut is seen elsewhere than the numbers have it; or, as `strings-in-front`, the edge may
        be a string's; or, as `reference-contradicts-frets`, the number told is not that of the first fret in view.
    """
    photo = seen.photo
    if seen.request.kind == "frets" and height_mm is None:
        return _by_spacing(seen, numbering, thickness_mm)
    guesses = scale_guesses(seen, height_mm=height_mm)
    check_fine(max(guess.px_per_mm for guess in guesses))
    guesses = [guess for guess in guesses if guess.is_fine]
    found, guess = locate_scaled(photo, guesses, numbering, height_mm=height_mm, thickness_mm=thickness_mm, both=both)
    camera = _camera(photo, found, thickness_mm=thickness_mm)
    nut = find_nut(photo.luminance, found.edge, camera, found.matched)
    proven = height_mm is not None and prove_height(found.dots, height_mm)
    if not proven:
        check_lines(guess, told=nut is not None or not numbering.is_open)
    if numbering.scale_length_mm is None:
        return _counted(
            photo,
            Placed(found, camera, guess),
            nut=nut,
            first_fret=numbering.first_fret,
            thickness_mm=thickness_mm,
        )
    if nut:
        raise refusal("nut-contradicts", _where(nut))
    check_dots(found.dots)
    if nut is None:
        check_numbering(found, numbering)
        if guess.source is None and numbering.first_fret is None and not proven:
            check_no_border(photo.luminance, found)
    placed = Placed(found, camera, guess, proven=proven)
    if numbering.first_fret is not None and numbering.first_fret not in (first := first_seen(photo, placed).possible):
        raise refusal(
            "reference-contradicts-frets",
            f"by it the first fret in view is {min(first)}, not {numbering.first_fret}",
        )
    return placed


def check_lines(guess: ScaleGuess, *, told: bool) -> None:
    """Refuse two lines for the straightedge's edges that may be others.

    Parameters
    ----------
    guess
        The scale, by the height between them.
    told
        Nut or user tell the numbers, or no scale length is known: a tie of lines then changes none.

    Raises
    ------
    Refusal
        `strings-in-front`; `numbering-ambiguous`.
    """
    if guess.may_be_string:
        raise refusal("strings-in-front", "the clearest of the edges is a string's")
    if guess.tied and not told:
        raise refusal("numbering-ambiguous", "two pairs of lines may be the straightedge's edges")


def _where(nut: int) -> str:
    return f"at the place of fret {nut}" if nut > 0 else f"{1 - nut} frets' steps before fret 1"


def _camera(photo: Photo, found: Located, *, thickness_mm: float, outlined: OutlinedEnds | None = None) -> BoardCamera:
    # Beside the outer string the row of ends tells the camera's place as far as it is needed: with the turn the foot is
    # twice as sure, the relief no surer, and 5 of 167 own renders fewer are measured.
    upper = None if found.beside_outer else found.upper
    turn = None if upper is None else turn_by_edges(found.edge, upper, found.comb, photo.facts.height_px)
    return fit_camera(
        photo.luminance,
        found.edge,
        found.comb,
        u_scale=U_COMB_SCALE,
        beside_outer=found.beside_outer,
        thickness_mm=thickness_mm,
        turn=turn,
        outlined=outlined,
    )


def with_outlines(photo: Photo, placed: Placed, outlined: OutlinedEnds, *, thickness_mm: float) -> BoardCamera:
    """Return the camera fitted once more, to fret ends whose outlines were read; as it was where they fit no board."""
    camera = _camera(photo, placed.found, thickness_mm=thickness_mm, outlined=outlined)
    return camera if camera.by_outlines else placed.camera


def _by_spacing(seen: Survey, numbering: Numbering, thickness_mm: float) -> Placed:
    """Take the scale from scale length and fret spacing, once the first fret's number is known or the nut is seen."""
    photo, placed = seen.photo, _at_some_scale(seen, numbering, thickness_mm)
    nut = find_nut(photo.luminance, placed.found.edge, placed.camera, placed.found.matched)
    by, anchor = _renumbering(photo, placed, nut, numbering.first_fret)
    comb = renumbered(placed.found.comb, by, keep_length=True)
    check_fine(comb.px_per_mm)
    found = replace(placed.found, comb=comb, matched=_shifted(placed.found.matched, by))
    # The comb is held near the scale it is begun with: begin once more at the one found.
    found = replace(found, comb=_camera(photo, found, thickness_mm=thickness_mm).comb)
    camera = _camera(photo, found, thickness_mm=thickness_mm)
    check_dots(read_dots(photo.luminance, found.edge, camera), told=True)
    if camera.u_scale > MAX_U_SCALE:
        raise refusal(
            "too-few-crowns",
            f"the frets in view tell the scale to {camera.u_scale:.1%} only, {MAX_U_SCALE:.1%} is needed",
            cure="show more frets, use a reference object, or give the straightedge's height",
        )
    return Placed(found, camera, replace(placed.guess, px_per_mm=comb.px_per_mm), anchor)


def _at_some_scale(seen: Survey, numbering: Numbering, thickness_mm: float) -> Placed:
    """Find edge and frets at whatever scale fits best; numbers are those of that scale."""
    if numbering.scale_length_mm is None:
        raise InputError("--reference frets needs --scale-length MM")
    photo, width = seen.photo, seen.photo.facts.width_px
    prior = CombPrior(
        1.0,
        numbering.scale_length_mm,
        focal_px(photo),
        directions=numbering.directions,
        first_fret=numbering.first_fret or 1,
    )
    scales = max(width / VIEW_RANGE_MM[1], COARSEST_PX_PER_MM), width / VIEW_RANGE_MM[0]
    free = replace(numbering, first_fret=None, uncounted=True)
    found: list[tuple[Located, ScaleGuess]] = []
    trouble: Refusal | None = None
    for scale in spaced_scales(photo.luminance, seen.lines, prior, scales=scales, most=MOST_SCALES):
        guess = ScaleGuess(scale, U_SPACING, None, seen.lines, by_frets=True)
        try:
            found.append(locate_scaled(photo, [guess], free, height_mm=None, thickness_mm=thickness_mm))
        except Refusal as problem:
            trouble = trouble or problem
    if not found:
        raise trouble or refusal("no-crowns")
    found.sort(key=lambda item: -item[0].evidence)
    best, guess = found[0]
    for other, _ in found[1:]:
        if best.evidence - other.evidence < MIN_MARGIN and not _same_marks(best, other):
            raise refusal("numbering-ambiguous", "marks are spaced like frets in more than one way")
    return Placed(best, _camera(photo, best, thickness_mm=thickness_mm), guess)


def _same_marks(a: Located, b: Located) -> bool:
    """Tell whether two combs differ in the numbers of their frets alone."""
    if a.comb.direction != b.comb.direction:
        return False
    at = a.comb.x_px(fret_position_mm(np.array(a.matched, dtype=np.float64), a.comb.scale_length_mm))
    number = np.arange(-12.0, 25.0)
    other = b.comb.x_px(fret_position_mm(number, b.comb.scale_length_mm))
    apart = np.abs(at[:, None] - other[None, :]).min(axis=1)
    return float(np.median(apart)) < SAME * float(np.abs(np.diff(at)).mean()) * len(at)


def _renumbering(photo: Photo, placed: Placed, nut: int | None, first_fret: int | None) -> tuple[int, str]:
    """Return by how much to raise every number, and what that hangs on.

    Raises
    ------
    Refusal
        `numbering-ambiguous`, `nut-contradicts`.
    """
    if nut is not None:
        if first_fret is not None:
            _hold_to_nut(first_seen(photo, placed), nut, first_fret)
        return -nut, "nut"
    if first_fret is None:
        raise refusal("numbering-ambiguous", "fret spacing alone tells neither scale nor number, and no nut is seen")
    seen = first_seen(photo, placed)
    if len(seen.possible) > 1 or seen.unread:
        raise refusal("numbering-ambiguous", f"more than one fret may be the first in view, {first_fret}")
    if first_fret > 1 and seen.none_before:
        raise refusal("numbering-ambiguous", f"before fret {first_fret} no fret is seen, though its place is in view")
    return first_fret - seen.under, "first fret"


def _hold_to_nut(seen: FirstSeen, nut: int, first_fret: int) -> None:
    counted = [place - nut for place in seen.possible if place > nut]
    if first_fret not in counted:
        raise refusal("nut-contradicts", f"by the nut the first fret in view is {seen.under - nut}, not {first_fret}")


@dataclass(frozen=True, slots=True)
class FirstSeen:
    """What may be called the first fret in view, by the numbers of the comb.

    Attributes
    ----------
    under
        The first one under the straightedge.
    possible
        It, those seen before it, and one that the picture's border cuts.
    unread
        Another place before it is under the straightedge, and no fret could be seen there.
    none_before
        The place before it is in view, and there is no fret.
    """

    under: int
    possible: frozenset[int]
    unread: bool
    none_before: bool


def first_seen(photo: Photo, placed: Placed) -> FirstSeen:
    """Return what may be called the first fret in view."""
    found = placed.found
    ends = FretEnds(photo.luminance, found.edge, placed.camera, found.matched)
    under, unread = _first_under(photo, found, ends)
    before = list(range(under - 1, under - 1 - MOST_BEFORE, -1))
    seen = ends.seen(before)
    possible = {under, *(place for place, there in zip(before, seen, strict=True) if there)}
    cut = min(possible) - 1
    if ends.seen([cut])[0] is None and _in_picture(photo, placed.camera, cut):
        possible.add(cut)
    return FirstSeen(under, frozenset(possible), unread, seen[0] is False)


def _in_picture(photo: Photo, camera: BoardCamera, place: int) -> bool:
    """Tell whether the fret at a place is in the picture, from its crown on the line to its near end, even in part."""
    position = fret_position_mm(np.array([float(place)]), camera.comb.scale_length_mm)
    near = camera.ends_mm(position)
    ends = np.concatenate([camera.comb.x_px(position), column_of(camera, position, near)])
    margin = BORDER_MM * camera.comb.px_per_mm
    return bool(((ends > -margin) & (ends < photo.facts.width_px + margin)).any())


def _first_under(photo: Photo, found: Located, ends: FretEnds) -> tuple[int, bool]:
    """Return the first place under the straightedge that has a fret, and whether one before it is under it too."""
    first = min(found.matched)
    margin = BORDER_MM * found.comb.px_per_mm
    low = max(found.edge.low_px, 0.0) + margin
    high = min(found.edge.high_px, photo.facts.width_px - 1.0) - margin
    for _ in range(24):
        position = fret_position_mm(np.array([first - 1.0]), found.comb.scale_length_mm)
        if not low < float(found.comb.x_px(position)[0]) < high:
            return first, False
        if not ends.seen([first - 1])[0]:
            return first, True
        first -= 1
    return first, True


def _counted(photo: Photo, placed: Placed, *, nut: int | None, first_fret: int | None, thickness_mm: float) -> Placed:
    """Number the frets where the scale is known and the scale length is not: the nut, or the first fret in view.

    Raises
    ------
    Refusal
        `nut-contradicts`.
    """
    found = placed.found
    if nut is None and first_fret is None:
        return placed
    if nut is not None and first_fret is not None:
        _hold_to_nut(first_seen(photo, placed), nut, first_fret)
    by = -nut if nut is not None else (first_fret or 1) - min(found.matched)
    comb = renumbered(found.comb, by, keep_length=False)
    found = replace(found, comb=comb, matched=_shifted(found.matched, by))
    camera = _camera(photo, found, thickness_mm=thickness_mm)
    return Placed(found, camera, placed.guess, "nut" if nut is not None else "first fret")


def _shifted(matched: tuple[int, ...], by: int) -> tuple[int, ...]:
    return tuple(number + by for number in matched if number + by > 0)


def renumbered(comb: Comb, by: int, *, keep_length: bool) -> Comb:
    """Return a comb whose frets stand where they stood and are called `by` higher.

    Parameters
    ----------
    comb
        The comb.
    by
        What to add to every number.
    keep_length
        The scale length stays, and the scale changes by 2^(by/12); otherwise the other way round.
    """
    ratio = 2.0 ** (by / 12)
    rest_mm = comb.scale_length_mm - comb.x0_mm  # to the bridge
    if keep_length:
        return replace(comb, x0_mm=comb.scale_length_mm - rest_mm / ratio, px_per_mm=comb.px_per_mm * ratio)
    return replace(comb, x0_mm=comb.scale_length_mm * ratio - rest_mm, scale_length_mm=comb.scale_length_mm * ratio)
