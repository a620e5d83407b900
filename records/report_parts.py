"""The parts both reports are built of: the photo's and the visit's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.metadata import version
from typing import Any

from lightgap.neck.plan import TARGET_WIDEST
from lightgap.neck.profile import GapProfile, Relief
from lightgap.neck.wording import verdict_words
from lightgap.vision.types import Measurement

from .quantities import Units, in_units, length_range, turns_text, with_uncertainty
from .sheet import KeyFigure, Listing, Table, Tone

Plan = Mapping[str, Any]
"""A plan as its JSON document (schema lightgap/plan/1)."""

RELIEF_EXPLAINED = (
    "Relief is how far the frets sag below a straight line between two of them, at the deepest place. "
    "A little is wanted: a vibrating string needs the room. Too much makes the instrument hard to press, "
    "too little makes it buzz."
)

BENCH_CAUTIONS = (
    "Strings at pitch carry a pull of several hundred newtons; a string that breaks whips: protect your eyes, "
    "and slacken the strings before any work on the rod.",
    "A truss rod can break, and a broken one costs a neck: never force it, never more than a quarter turn between "
    "two measurements, and stop at the first odd noise, a stiff nut or no answer.",
    "When in doubt, or when the neck does not answer as expected, leave the work to a qualified repairer. "
    "Local rules for workshops apply.",
)

_SHAPE_WORDS = {
    "up-bow": "The neck curves a little away from the strings (up-bow)",
    "back-bow": "The neck curves towards the strings (back-bow)",
    "straight": "The neck is straight, as far as this measurement can tell",
    "s-bend": "The neck curves both ways along its length (S-bend)",
    "cannot-tell": "The measurement cannot tell the shape of the neck for certain",
}

_TONES: Mapping[str, Tone] = {"inside": "good", "above": "attention", "below": "attention"}

_REFERENCE_WORDS = {
    "card": "a card of known size (ISO/IEC 7810 ID-1)",
    "coin": "a coin of known diameter",
    "marker": "a printed square marker",
    "straightedge": "the straightedge's own height",
    "frets": "the scale length and the fret spacing",
}


def program_version() -> str:
    """Return "lightgap 1.2.3"."""
    return f"lightgap {version('lightgap')}"


def shape_sentence(relief: Relief, *, units: Units) -> str:
    """Return one plain sentence on shape and relief."""
    words = _SHAPE_WORDS[relief.shape]
    value = with_uncertainty(relief.relief_mm, relief.U_mm, units=units)
    return (
        f"{words}: {value} of relief at fret {relief.at_fret}, between frets {relief.chord[0]} and {relief.chord[1]}."
    )


def _codes(plan: Plan | None) -> set[str]:
    return {str(finding["code"]) for finding in (plan or {}).get("findings", ())}


def judgement_words(plan: Plan | None, *, otherwise: str) -> tuple[str, Tone]:
    """Return how relief stands against the range aimed for, in words; `otherwise` where there is no plan."""
    if plan is None:
        return otherwise, "plain"
    codes, judgement = _codes(plan), plan["judgement"]
    is_told = TARGET_WIDEST not in codes or judgement != "inside"
    return verdict_words(judgement, codes), _TONES.get(judgement, "plain") if is_told else "plain"


def relief_figure(relief: Relief, *, name: str, units: Units, plan: Plan | None = None) -> KeyFigure:
    """Return the large number of one measurement, with the plan's judgement when there is one."""
    words, tone = judgement_words(plan, otherwise=f"U at k = {relief.k:g}, at fret {relief.at_fret}")
    note = words.partition(":")[0]  # why it cannot be told stands among the findings
    return KeyFigure(
        name=name, value=with_uncertainty(relief.relief_mm, relief.U_mm, units=units), note=note, tone=tone
    )


def target_figure(plan: Plan, *, units: Units) -> KeyFigure:
    """Return the range aimed for."""
    low, high = plan["target_mm"]
    name = "Usual for any instrument" if TARGET_WIDEST in _codes(plan) else "Aimed for"
    return KeyFigure(name=name, value=length_range(low, high, units=units), note="relief")


def turn_sentence(plan: Plan) -> str:
    """Return the plan's turn in words, with its caps."""
    turn = plan["turn"]
    if turn["direction"] == "none" or not turn.get("step_turns"):
        return "Leave the rod alone."
    step = (
        f"{turn['direction']} by {turns_text(float(turn['step_turns']))}, then measure again; "
        f"at most {turns_text(float(turn['visit_cap_turns']))} in one visit."
    )
    if plan.get("judgement") == "cannot-tell":
        return f"Measure again, finer; if it reads the same, {step}"
    return step[:1].upper() + step[1:]


def plan_listings(plan: Plan) -> tuple[Listing, ...]:
    """Return the plan as lists: next step, checklist, when to stop, what else was found."""
    listings = [
        Listing("Next step at the rod", (turn_sentence(plan),)),
        Listing("Checklist", tuple(map(str, plan.get("checklist", ()))), numbered=True),
        Listing("Stop when", tuple(map(str, plan.get("stop_when", ())))),
        Listing("Findings of the plan", tuple(str(f["message"]) for f in plan.get("findings", ()))),
    ]
    return tuple(item for item in listings if item.lines)


def crown_table(named: Sequence[tuple[str, GapProfile]], *, units: Units) -> Table:
    """Return the gaps of one or several profiles side by side, one row a fret."""
    places: dict[int, float] = {}
    for _, profile in named:
        for crown in profile.crowns:
            places.setdefault(crown.fret, crown.position_mm)
    decimals = 3 if units == "mm" else 4
    by_fret = [{c.fret: c for c in profile.crowns} for _, profile in named]
    rows = []
    for fret in sorted(places):
        row = [str(fret), f"{in_units(places[fret], units):.{2 if units == 'mm' else 3}f}"]
        for crowns in by_fret:
            seen = crowns.get(fret)
            if seen is None:
                row += ["not seen", ""]
                continue
            mark = " *" if seen.touching else " **" if seen.extrapolated else ""
            gap = round(in_units(seen.gap_mm, units), decimals) + 0.0  # nothing is not negative
            row.append(f"{gap:.{decimals}f}{mark}")
            row.append(f"{in_units(2 * seen.u_gap_mm, units):.{decimals}f}")
        rows.append(tuple(row))
    columns = ["Fret", f"From nut ({units})"]
    for name, _ in named:
        prefix = f"{name}: " if len(named) > 1 else ""
        columns += [f"{prefix}gap ({units})", f"U ({units})"]
    every = [c for _, profile in named for c in profile.crowns]
    note = "U: k = 2."
    note += " * the straightedge rests here." if any(c.touching for c in every) else ""
    note += " ** not read: carried on from its neighbours." if any(c.extrapolated for c in every) else ""
    return Table(
        heading="Crowns",
        columns=tuple(columns),
        rows=tuple(rows),
        note=note,
        numeric=frozenset(range(len(columns))),
    )


def budget_table(measurement: Measurement, *, name: str, units: Units) -> Table | None:
    """Return the uncertainty budget, largest first, or nothing when there is none."""
    if not measurement.budget:
        return None
    decimals = 4 if units == "mm" else 5
    lines = sorted(measurement.budget, key=lambda line: -line.u_mm)
    return Table(
        heading=f"Uncertainty budget of the relief{name}",
        columns=("Cause", f"u ({units})", "Kind", "What would shrink it"),
        rows=tuple((b.name, f"{in_units(b.u_mm, units):.{decimals}f}", b.kind, b.cure) for b in lines),
        note="u: standard uncertainty of the fret of relief read by itself; U is smaller where its neighbours, on a "
        "neck that bends smoothly, speak for it. Kind after "
        "JCGM 100: A from the data's scatter, B from other knowledge.",
        numeric=frozenset({1}),
    )


def scale_sentence(measurement: Measurement) -> str:
    """Return where the millimetres come from."""
    scale = measurement.scale
    text = f"{scale.px_per_mm:.3f} ± {2 * scale.u_px_per_mm:.3f} px/mm (k = 2) from {_REFERENCE_WORDS[scale.reference]}"
    if scale.check is not None:
        text += f"; by the fret spacing {scale.check.px_per_mm:.3f} px/mm"
    return text


def photo_provenance(measurement: Measurement, *, name: str = "") -> tuple[tuple[str, str], ...]:
    """Return what is needed to find the photo again and to repeat its measurement."""
    pairs = []
    for photo in measurement.photos:
        taken = f", taken {photo.taken}" if photo.taken else ""
        pairs.append((f"Photo{name}", f"{photo.file} ({photo.width_px} × {photo.height_px} px{taken})"))
        pairs.append((f"SHA-256{name}", photo.sha256))
    first = " of the first photo" if measurement.others else ""
    return (*pairs, (f"Scale{first}{name}", scale_sentence(measurement)))
