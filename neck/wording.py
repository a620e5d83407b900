"""The words of a plan: bench checklist, stops and cautions.

Tools, places and habits named here are common practice, no published source.
"""

from __future__ import annotations

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
        return f"{fraction} turn ({turns * 360:.0f} degrees)"
    return f"{turns:.3f} turn ({turns * 360:.0f} degrees)"


def checklist_for(
    relief: Relief, judgement: Judgement, *, bench: Bench, direction: Direction, step_turns: float
) -> tuple[str, ...]:
    """Return the bench checklist, in order."""
    if direction == "none":
        return _waiting(judgement, bench)
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
        f"Turn {way} seen from the nut's end, {turn_words(step_turns)}, slowly; feel for an even pull.",
    ]
    if direction == "loosen":
        items.append(_loosening(bench))
    items += [
        "Take clamp and props off.",
        "Tune to pitch and play a minute; give the neck five minutes.",
        "Measure again at the same chord, write down turn and relief, and ask for the next plan. "
        f"No more than {turn_words(bench.visit_cap_turns)} in this visit, all steps together.",
    ]
    return tuple(items)


def _waiting(judgement: Judgement, bench: Bench) -> tuple[str, ...]:
    if bench.strings != "at-pitch":
        return (
            "Tune all strings to pitch and let the neck rest ten minutes.",
            "Measure again; only that relief counts.",
        )
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
        "Relief is in the wanted range: stop, the last hundredth is not worth a turn.",
    ]
    if direction == "tighten":
        stops.append("The nut comes to the end of its thread: stop, more force snaps the rod.")
    elif bench.rod != "two-way":
        stops.append("The nut goes slack: stop, the rod is out of work.")
    return tuple(stops)


def cautions_for(bench: Bench, direction: Direction) -> tuple[str, ...]:
    """Return what can hurt people or the instrument."""
    cautions = [
        "Strings pull with some 700 N in all: wear eye protection, let them down before cutting, mind their ends.",
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
