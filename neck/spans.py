"""Which chords, and which readings on them, a target meant for the whole neck can be held against."""

from __future__ import annotations

from .bow import without_frets
from .errors import InputError
from .judge import Judgement, judge
from .profile import Finding, GapProfile, Relief
from .relief import compute_relief

SHORT_CHORD, CHORD_UNTOLD, OFF_NECK = "short-chord", "chord-untold", "chord-off-neck"
NO_MIDDLE, ONE_READING = "no-middle-reading", "one-reading-decides"
NOT_OF_WHOLE = frozenset((SHORT_CHORD, CHORD_UNTOLD, OFF_NECK, NO_MIDDLE, ONE_READING))
# A target is meant for the neck from the first fret to the body. Of the length between frets 1 and 15: shorter, a bow's
# depth is two thirds of the whole or less (common practice, no published source).
WHOLE_CHORD, WHOLE_SHARE = (1, 15), 0.8
LAST_FRET = 17  # before the body, of usual instruments (common practice, no published source)
# Of the chord's length: an even bow is three quarters as deep there, or deeper.
MIDDLE = 0.25, 0.75
FEW_READINGS = 2


def is_part_of_neck(chord: tuple[int, int]) -> bool:
    """Tell whether a chord is too short to hold its relief against a target for the whole neck."""
    return _string_share(chord) < WHOLE_SHARE * _string_share(WHOLE_CHORD)


def _string_share(chord: tuple[int, int]) -> float:
    """Return the distance between two frets in shares of the scale length (equal temperament)."""
    return float(2 ** (-min(chord) / 12) - 2 ** (-max(chord) / 12))


def of_part(
    relief: Relief, judgement: Judgement, *, target_mm: tuple[float, float], numbers_relative: bool
) -> Finding | None:
    """Return why no target can be held against a relief: it is, or may be, that of a part of the neck, or of more.

    Parameters
    ----------
    relief, judgement
        Of the chord, and where it stands against the target as it is.
    target_mm
        Low and high limit.
    numbers_relative
        The frets are counted from the first in view.
    """
    if numbers_relative:
        return Finding(
            CHORD_UNTOLD,
            "the frets are counted from the first in view: which part of the neck they span is not known, and no "
            "target can be held against it; show the nut, or say which fret is the first in view",
        )
    first, last = sorted(relief.chord)
    if first < 1 or last > LAST_FRET:
        where = "begins at the nut, which stands higher than the frets" if first < 1 else "reaches over the body"
        return Finding(OFF_NECK, f"the chord {first}-{last} {where}: no rod bends it there; choose frets 1 to 15")
    if judgement == "above":  # of a part of the neck, so of the whole, too
        return None
    if is_part_of_neck(relief.chord):
        return Finding(
            SHORT_CHORD,
            f"the chord {first}-{last} spans part of the neck, which bends less than the whole: no target can be held "
            "against it; measure from fret 1 to where the body begins",
        )
    # An even bow is as deep as its chord is long, squared.
    share = min((_string_share(relief.chord) / _string_share(WHOLE_CHORD)) ** 2, 1.0)
    if judgement == "inside" or _judge_scaled(relief, target_mm, share=share) == judgement:
        return None
    return Finding(
        SHORT_CHORD,
        f"between frets {first} and {last} an even bow reads {share:.0%} of what it does between 1 and 15, and by that "
        "the verdict is another; measure from fret 1 to 15",
    )


def off_middle(profile: GapProfile, relief: Relief, *, target_mm: tuple[float, float]) -> Finding | None:
    """Return why a verdict by hand readings rests on gaps near the chord's ends, where frets show and hardly a bow."""
    if profile.source != "hand":
        return None
    first, last = (profile.position_mm[profile.frets.index(end)] for end in sorted(relief.chord))
    share = {f: float((x - first) / (last - first)) for f, x in zip(profile.frets, profile.position_mm, strict=True)}
    inside = [f for f in profile.frets if 0 < share[f] < 1]
    off = {f for f in inside if not MIDDLE[0] <= share[f] <= MIDDLE[1]}
    named = ", ".join(map(str, sorted(off)))
    if len(off) == len(inside):
        return _no_middle(f"read at fret {named} only, near the ends of the chord")
    judgement = judge(relief.relief_mm, relief.U_mm, low=target_mm[0], high=target_mm[1])
    if relief.at_fret in off:
        try:
            rest = compute_relief(without_frets(profile, off), chord=relief.chord)
        except InputError:
            return _no_middle(f"the verdict rests on fret {named}, near the ends of the chord")
        if _judge_scaled(rest, target_mm, share=1.0) != judgement:
            return _no_middle(f"without fret {named}, near the ends of the chord, the verdict is another")
        return None
    if len(inside) > 1 and judgement in ("above", "below"):
        rest = compute_relief(without_frets(profile, {relief.at_fret}), chord=relief.chord)
        if _judge_scaled(rest, target_mm, share=1.0) != judgement:
            return Finding(
                ONE_READING,
                f"without the reading at fret {relief.at_fret} the verdict is another: read it and its neighbours anew",
            )
    # Read aside of its middle an even bow is deeper than what was read.
    deep = 4 * share[relief.at_fret] * (1 - share[relief.at_fret])
    is_few = len(inside) <= FEW_READINGS and judgement in ("below", "cannot-tell")
    if is_few and _judge_scaled(relief, target_mm, share=deep) != judgement:
        return _no_middle(f"at fret {relief.at_fret} an even bow is {deep:.0%} as deep as in its middle")
    return None


def _no_middle(why: str) -> Finding:
    return Finding(NO_MIDDLE, f"{why}: read about its middle")


def _judge_scaled(relief: Relief, target_mm: tuple[float, float], *, share: float) -> Judgement:
    low, high = (limit * share for limit in target_mm)
    return judge(relief.relief_mm, relief.U_mm, low=low, high=high)
