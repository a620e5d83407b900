"""Is the neck different from what it was? Intake against after, by decision rule."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from lightgap.neck.errors import InputError
from lightgap.neck.judge import is_above, is_below

Verdict = Literal["lower", "higher", "cannot-tell"]
Document = Mapping[str, Any]

COMPARISON_SCHEMA = "lightgap/comparison/1"
K = 2.0


@dataclass(frozen=True, slots=True)
class Comparison:
    """The change of relief between two measurements.

    Attributes
    ----------
    before_mm, after_mm
        Relief of both, on one chord.
    change_mm, U_change_mm, k
        After minus before, its expanded uncertainty (both measurements taken as independent) and coverage factor.
    verdict
        "lower" or "higher" when the change exceeds U, else "cannot-tell".
    chord, same_chord
        The chord both reliefs stand on, and whether both were measured on it.
    shared
        Causes of uncertainty both photos have in common, by name: in a difference they cancel in part.
    U_least_mm
        The expanded uncertainty if the shared causes cancelled wholly; the truth lies between this and `U_change_mm`.
    notes
        What the reader must know.
    """

    before_mm: float
    after_mm: float
    change_mm: float
    U_change_mm: float
    k: float
    verdict: Verdict
    chord: tuple[int, int]
    same_chord: bool = True
    shared: tuple[str, ...] = ()
    U_least_mm: float | None = None
    notes: tuple[str, ...] = ()

    def document(self) -> dict[str, Any]:
        """Return the comparison as its JSON document (schema lightgap/comparison/1)."""
        return {
            "schema": COMPARISON_SCHEMA,
            "before_mm": round(self.before_mm, 5),
            "after_mm": round(self.after_mm, 5),
            "change_mm": round(self.change_mm, 5),
            "U_change_mm": round(self.U_change_mm, 5),
            "k": self.k,
            "verdict": self.verdict,
            "chord": list(self.chord),
            "shared_causes": list(self.shared),
            "U_least_mm": None if self.U_least_mm is None else round(self.U_least_mm, 5),
            "notes": list(self.notes),
        }


def compare_profiles(before: Document, after: Document) -> Comparison:
    """Compare two `lightgap/profile/1` documents of one neck.

    The change is real when it exceeds its expanded uncertainty (k = 2), taken from both as independent: causes both
    photos share (the same straightedge, the same board) cancel in part, so that the U stated is too wide rather than
    too narrow. When the chords differ, both reliefs are worked out again on the widest chord both profiles have.

    Raises
    ------
    InputError
        When the profiles share no chord with a crown inside.
    """
    notes: list[str] = []
    first, second = before["relief"], after["relief"]
    if list(first["chord"]) != list(second["chord"]):
        chord = _common_chord(before, after)
        notes.append(
            f"the chords differ (frets {_words(first['chord'])}, and {_words(second['chord'])}): "
            f"compared on frets {_words(chord)}"
        )
        first, second = relief_on(before, chord), relief_on(after, chord)
    if before.get("numbers_relative") or after.get("numbers_relative"):
        notes.append("fret numbers are relative in one of the photos: the comparison holds only if both begin alike")
    u_first, u_second = first["U_mm"] / first["k"], second["U_mm"] / second["k"]
    change = second["relief_mm"] - first["relief_mm"]
    expanded = K * math.hypot(u_first, u_second)
    shared, covariance_mm2 = _shared_causes(before, after)
    least = K * math.sqrt(max(u_first**2 + u_second**2 - 2 * covariance_mm2, 0.0)) if shared else None
    if shared:
        notes.append(
            f"in both photos, so it cancels in part and U of the change is rather too wide: {', '.join(shared)}"
        )
    return Comparison(
        before_mm=first["relief_mm"],
        after_mm=second["relief_mm"],
        change_mm=change,
        U_change_mm=expanded,
        k=K,
        verdict=_verdict(change, expanded),
        chord=(int(second["chord"][0]), int(second["chord"][1])),
        same_chord=list(before["relief"]["chord"]) == list(after["relief"]["chord"]),
        shared=shared,
        U_least_mm=least,
        notes=tuple(notes),
    )


def _verdict(change_mm: float, expanded_mm: float) -> Verdict:
    if is_above(change_mm, expanded_mm, limit=0.0):
        return "higher"
    return "lower" if is_below(change_mm, expanded_mm, limit=0.0) else "cannot-tell"


def _words(chord: Any, between: str = "to") -> str:
    return f"{chord[0]} {between} {chord[1]}"


def _common_chord(before: Document, after: Document) -> tuple[int, int]:
    """Return the widest chord inside both chords, whose ends both profiles have."""
    low = max(before["relief"]["chord"][0], after["relief"]["chord"][0])
    high = min(before["relief"]["chord"][1], after["relief"]["chord"][1])
    frets = sorted(
        {c["fret"] for c in before["crowns"]} & {c["fret"] for c in after["crowns"]} & set(range(low, high + 1))
    )
    if len(frets) < 3:
        raise InputError("the two measurements share fewer than three frets: they cannot be compared")
    return frets[0], frets[-1]


def relief_on(document: Document, chord: tuple[int, int]) -> dict[str, Any]:
    """Return the relief of a profile document, worked out again on a chord.

    Raises
    ------
    InputError
        When the profile has not got that chord with a crown inside.
    """
    from lightgap.neck.documents import profile_from_document, relief_document
    from lightgap.neck.relief import compute_relief

    return relief_document(compute_relief(profile_from_document(document), chord=chord))


def _shared_causes(before: Document, after: Document) -> tuple[tuple[str, ...], float]:
    """Return type B causes named in both budgets, and the covariance if each were one and the same error."""
    sides = [
        {str(line["name"]): float(line["u_mm"]) for line in document.get("budget") or () if line.get("kind") == "B"}
        for document in (before, after)
    ]
    names = tuple(name for name in sides[0] if name in sides[1])
    return names, sum(sides[0][name] * sides[1][name] for name in names)


def verdict_sentence(comparison: Comparison, *, text_change: str) -> str:
    """Return the verdict as one plain sentence; `text_change` is the change with its U and unit."""
    where = "" if comparison.same_chord else f" (both read between frets {_words(comparison.chord, 'and')})"
    if comparison.verdict == "cannot-tell":
        return f"Relief changed by {text_change}{where}: no more than the uncertainty, so no change is shown."
    way = "less" if comparison.verdict == "lower" else "more"
    return f"Relief changed by {text_change}{where}: a real change, {way} relief than before."
