"""The words of a plan: bench checklist, stops and cautions.

Tools, places and habits named here are common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Collection
from fractions import Fraction
from typing import TYPE_CHECKING

from .bench import Bench
from .judge import Judgement
from .profile import Relief
from .units import format_length

if TYPE_CHECKING:
    from .plan import Direction

DRIVES = "socket 1/4, 9/32 or 5/16 in; hex key 4 mm, 5 mm or 1/8 in"

_ACCESS = {
    "peghead": "at the peghead, under its cover",
    "soundhole": "through the soundhole, with a long key",
    "body-end": "at the body end of the neck; it may mean taking the neck off or lifting the pickguard",
    "unknown": "at the peghead, through the soundhole or at the body end: find it first",
}


def turn_words(turns: float) -> str:
    """Return a part of a turn as people say it: "1/8 turn", or degrees beside it when it is no common fraction."""
    fraction = Fraction(turns).limit_denominator(64)
    if abs(float(fraction) - turns) < 1e-9 and fraction.denominator in (1, 2, 4, 8, 16, 32, 64):
        return f"{fraction} turn ({turns * 360:.3g} degrees)"
    return f"{turns:.3f} turn ({turns * 360:.3g} degrees)"


def checklist_for(
    relief: Relief,
    judgement: Judgement,
    *,
    bench: Bench,
    direction: Direction,
    step_turns: float,
    codes: Collection[str] = (),
) -> tuple[str, ...]:
    """Return the bench checklist, in order; `codes` are the findings, which say what to do when the rod is held."""
    if direction == "none":
        held = next((items for code, items in HELD.items() if code in codes), None)
        return held or _waiting(judgement)
    way = "clockwise" if direction == "tighten" else "anti-clockwise"
    items = [
        f"Confirm with the strings at pitch: relief {relief.relief_mm:+.2f} mm "
        f"({format_length(relief.relief_mm, 'in', signed=True)}) at fret {relief.at_fret}, "
        f"chord {relief.chord[0]} to {relief.chord[1]}. A second reading that disagrees ends the work here.",
        f"Find the rod nut {_ACCESS[bench.access]}. "
        f"Pick the drive that fits without play ({DRIVES}); never a near fit.",
        "Slacken the strings until they carry little, evenly across the neck.",
        "Where the nut comes off: take it off, clean thread and seat, a little lubricant, put it back to where it was."
        if direction == "tighten"
        else "Where the nut comes off, leave it on: count and mark its place before it moves.",
        *_help_the_neck(direction),
        "Mark the nut and the wood or washer beside it, so that every part of a turn can be seen and undone.",
        *_find_neutral(bench),
        f"Turn {way} seen from the nut's end, {turn_words(step_turns)}, slowly; feel for an even pull.",
    ]
    if direction == "loosen":
        items.append(_loosening(bench))
    items += [
        *(["Take clamp and props off."] if direction == "tighten" else []),
        "Tune to pitch and play a minute; give the neck five minutes.",
        "Measure again at the same chord, write down turn and relief, and ask for the next plan. "
        f"No more than {turn_words(bench.visit_cap_turns)} in this visit, all steps together.",
    ]
    return tuple(items)


# What to do when a finding holds the rod, the one that comes first winning.
HELD: dict[str, tuple[str, ...]] = {
    "not-at-pitch": (
        "Tune all strings to pitch and let the neck rest ten minutes.",
        "Measure again; only that relief counts.",
    ),
    "gross-relief": (
        "Let the strings down: a neck bowed this far should not stand under tension.",
        "Measure again by another means; if it holds, see a repairer.",
    ),
    "short-chord": (
        "Leave the rod alone: a part of the neck bends less than the whole.",
        "Measure from fret 1 to where the body begins: in one photo, in several that share frets, or with a long "
        "straightedge by hand.",
    ),
    "no-middle-reading": (
        "Leave the rod alone: a gap near an end of the chord is a fret's, or the straightedge does not rest there.",
        "Read the gap about the middle of the chord, at frets 6 to 9, and ask again.",
    ),
    "one-reading-decides": (
        "Leave the rod alone: one fret that stands low, or one misread gap, makes the verdict.",
        "Read that fret and its neighbours again, and ask again.",
    ),
    "fret-not-rod": (
        "Leave the rod alone.",
        "Put a short straightedge over three frets at a time around the fret named: it rocks on a high one.",
        "Press a high fret down with a block of wood; if the light changes it is loose and must be seated again.",
        "Have the fret seated, levelled or replaced, then measure again and ask again.",
    ),
    "s-bend": (
        "Leave the rod alone: it would take one bend out and deepen the other.",
        "Let the neck rest a day at pitch in its own room and measure again.",
        "If the S is still there, see a repairer: frets or board need work.",
    ),
    "no-rod": (
        "Put nothing on the neck to force it: there is no rod to hold what force has bent.",
        "For less up-bow, try a lighter set or a lower tuning, leave it a day, measure again.",
        "For more, try a heavier set within what the instrument was made for.",
        "If that is not enough, a repairer can level the frets to the neck, or bend it with heat.",
    ),
    "rod-no-answer": (
        "Leave the rod alone: turned further it breaks before it helps.",
        "Measure again, as finely as can be: was the nut really moved, by the mark, and were the strings at pitch?",
        "If relief really did not follow, see a repairer: a nut may be slack or stuck, its anchor loose, the rod bent.",
    ),
    "nut-stiff": (
        "Leave the wrench off: a nut that does not want to turn snaps the rod when forced.",
        "Slacken the strings evenly.",
        "Help the neck straight (padded beam, caul and clamp at about frets 7 to 9) so that the rod loses its load.",
        "Where the nut comes off: take it off, clean thread and seat, a little lubricant, put it back.",
        "Feel again by hand. If it turns evenly, tune to pitch, measure and ask again; if not, see a repairer.",
    ),
    "nut-at-end": (
        "Leave the nut alone: there is no thread left.",
        "Do not add force, nor a longer wrench.",
        "See a repairer: a spacer under the nut, or work on the neck, is a job for the workshop.",
    ),
    "rod-cannot-push": (
        "Leave the nut as it is: slack, and not off its thread.",
        "Give the neck more pull: a heavier set, or the usual pitch if it was tuned low; leave it a day at pitch.",
        "Measure again. If it still stands in back-bow, see a repairer.",
    ),
    "visit-cap": (
        "Put the tools away for today.",
        "Leave the instrument a day at pitch in its own room.",
        "Measure again and ask again, with no turns counted yet.",
    ),
    "step-too-small": ("Leave the rod alone: relief is as near as this rod brings it.",),
    "chord-off-neck": (
        "Leave the rod alone: it bends neither the nut nor the board over the body.",
        "Measure between frets 1 and 15, or where the body begins.",
    ),
    "chord-untold": (
        "Leave the rod alone: which frets these are is not known, nor how much of the neck they span.",
        "Measure again with the nut in view, or say which fret is the first in view (--first-fret).",
    ),
    "target-widest": (
        "Leave the rod alone: what this instrument wants is not known here.",
        "Tell its kind (lightgap advise --family, or the bench book) or your own wish (--target), and ask again.",
    ),
}


def verdict_words(judgement: Judgement, codes: Collection[str] = ()) -> str:
    """Return how relief stands against the range aimed for; `codes` are the plan's findings."""
    if "short-chord" in codes:
        return "cannot tell: the chord spans part of the neck, the target is for the whole"
    if "one-reading-decides" in codes:
        return "cannot tell: it rests on one reading, which the others do not bear out"
    if "no-middle-reading" in codes:
        return "cannot tell: it rests on what was read beside the middle of the chord"
    if "chord-off-neck" in codes:
        return "cannot tell: the chord reaches past the neck, the target is for the neck alone"
    if "chord-untold" in codes:
        return "cannot tell: which frets the chord spans is not known"
    if judgement == "cannot-tell":
        return "cannot tell: the uncertainty reaches across a limit"
    words = f"{judgement} " + ("what is usual for any instrument" if "target-widest" in codes else "the target")
    return words if judgement == "inside" else f"{words}, beyond doubt"


def _waiting(judgement: Judgement) -> tuple[str, ...]:
    if judgement == "inside":
        return ("Leave the rod alone: relief is in the wanted range.", "Go on with string height at bridge and nut.")
    if judgement == "cannot-tell":
        return (
            "Leave the rod alone for now.",
            "Measure again with the finest means at hand: finer leaves about the size found, or a second photo.",
            "When repeated readings still reach across the limit, the neck stands at it: leave it, widen the target or "
            "ask again saying that the reading was repeated, for a nudge of at most a sixteenth turn.",
        )
    return ("Leave the rod alone: see the findings for the reason.", "Do what the findings say, then measure again.")


def _help_the_neck(direction: Direction) -> tuple[str, ...]:
    if direction == "tighten":
        return (
            "Help the neck first, so that the nut follows the wood and does not pull it: a beam on padded end blocks "
            "at first and last fret, a padded caul behind the neck at about frets 7 to 9 and a clamp, drawn up gently "
            "until the neck stands a little flatter than wanted.",
            "Without clamp: prop the peghead, press the neck straight with one hand behind about fret 8, or a helper's "
            "hands. Gentle; stop at any noise.",
        )
    return (
        "No clamp is needed to loosen: string tension draws the bow in. A hand on the peghead may help at the end.",
    )


def _find_neutral(bench: Bench) -> tuple[str, ...]:
    if bench.rod != "unknown":
        return ()
    return (
        "The rod's kind is not known: feel, by no more than an eighth turn anti-clockwise, whether the nut goes slack, "
        "then come back to the mark. A nut that takes load again beyond the slack belongs to a two-way rod.",
    )


def _loosening(bench: Bench) -> str:
    if bench.rod == "two-way":
        return (
            "When the nut goes slack on the way, note the place: beyond the slack a two-way rod takes load again and "
            "pushes the neck into up-bow."
        )
    return (
        "When the nut goes slack, stop: the rod carries nothing and a single-action rod cannot push. What is then "
        "missing must come from string tension."
    )


def stops_for(bench: Bench, direction: Direction) -> tuple[str, ...]:
    """Return when to stop and see a repairer."""
    if direction == "none":
        return ("Any doubt about the reading: measure again before a tool touches the rod.",)
    stops = [
        "The nut goes stiff, springs back or the drive slips: stop, nothing is gained by force.",
        "A creak, a tick or a crack is heard: stop and let the strings down.",
        "Relief has not moved after two steps, or moves the wrong way: stop, the rod does not act as thought.",
        f"{turn_words(bench.visit_cap_turns)} in all has been turned this visit: stop for a day.",
        "Relief is in the wanted range, U and all: stop, the last hundredth is not worth a turn.",
    ]
    if direction == "tighten":
        stops.append("The nut comes to the end of its thread: stop, more force snaps the rod.")
    elif bench.rod != "two-way":
        stops.append("The nut goes slack: stop, the rod is out of work.")
    return tuple(stops)


def cautions_for(bench: Bench, direction: Direction) -> tuple[str, ...]:
    """Return what can hurt people or the instrument."""
    cautions = [
        "Strings pull with hundreds of newtons: wear eye protection, let them down before cutting, mind their ends.",
    ]
    if direction != "none":
        cautions += [
            "A snapped rod means a major repair. A single step is never above a quarter turn; a whole turn is a lot.",
            "Fret ends can be sharp; keep clamps padded and off the fret crowns, and just tight enough to hold.",
        ]
    if bench.rod == "unknown":
        cautions.append(
            "The kind of rod is not known: direction and effect are proved by measuring after the first small step."
        )
    cautions.append(
        "When unsure, or when the instrument is dear: a qualified repairer, and the rules of your workshop, come first."
    )
    return tuple(cautions)
