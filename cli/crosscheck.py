"""`lightgap crosscheck`: do the hand's readings and the photo agree?"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .neck_input import ChordOption, JsonOption, MethodOption, ReadingOption, Units, UnitsOption
from .options import spread

if TYPE_CHECKING:
    from lightgap.neck.agreement import Crosscheck

HELP = """Say whether hand readings and a photo agree.

And which to repeat, if they do not.

Compares depths below a common chord, fret by fret, by E_n (ISO 13528; satisfactory up to 1), and over three or more
frets by the limits of agreement of Bland and Altman. One plain sentence first.

\b
Examples:
  lightgap crosscheck profile.json --reading 7=0.012in
  lightgap crosscheck profile.json --hand readings.csv --chord 1-15
"""


@dataclass(frozen=True, slots=True)
class HandOptions:
    """The readings by hand."""

    reading: ReadingOption = None
    hand: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Sheet of hand readings (.toml, .csv), or a profile (.json).")
    ] = None
    method: MethodOption = "feeler"
    chord: ChordOption = None


@spread
def crosscheck(
    profile: Annotated[list[str], typer.Argument(metavar="PROFILE", help="Profile of the photo (.json).")],
    *,
    hand: HandOptions,
    units: UnitsOption = "mm",
    plot: Annotated[
        Path | None, typer.Option(metavar="PATH.png", help="Draw the differences with their limits of agreement.")
    ] = None,
    json: JsonOption = None,
) -> None:
    """Say whether hand readings and a photo's profile agree."""
    from lightgap.neck.crosscheck import crosscheck as compare
    from lightgap.neck.documents import profile_from_document
    from lightgap.neck.errors import InputError
    from lightgap.neck.frets import parse_chord
    from lightgap.neck.result_documents import crosscheck_document

    from .neck_input import gather_profile, load_document, split_words
    from .output import check_outputs, emit_json, say, show, write_bytes

    file, taken = split_words(profile, hand.reading)
    if file is None:
        raise InputError("name the photo's profile (.json)")
    check_outputs(json, plot, inputs=(file, hand.hand))
    by_photo = profile_from_document(load_document(file))
    ends = parse_chord(hand.chord) if hand.chord else None
    by_hand, found, _ = gather_profile(
        hand.hand, taken, method=hand.method, chord=ends, scale_length_mm=by_photo.scale_length_mm
    )
    result = compare(by_photo, by_hand, chord=ends, unit=units)
    if plot is not None:
        from lightgap.records.plots_clearance import crosscheck_plot

        write_bytes(plot, crosscheck_plot(result, units=units))
        say(f"Drawn: {plot}")
    if json != "-":
        show(_page(result, talk=[f.message for f in found], units=units))
    if json is not None:
        emit_json(crosscheck_document(result, findings=found), json)


def _page(result: Crosscheck, *, talk: list[str], units: Units) -> str:
    from lightgap.records.quantities import in_units, with_uncertainty

    from .text import bulleted, table, wrapped

    digits = 3 if units == "mm" else 4

    def number(value: float) -> str:
        return f"{in_units(value, units):+.{digits}f}"

    rows = [
        [
            str(p.fret),
            with_uncertainty(p.hand_mm, p.U_hand_mm, units=units),
            with_uncertainty(p.photo_mm, p.U_photo_mm, units=units),
            number(p.hand_mm - p.photo_mm),
            f"{p.E_n:+.2f}",
            "agree" if p.agrees else "repeat",
        ]
        for p in result.pairs
    ]
    head = ["fret", "hand", "photo", f"difference {units}", "E_n", ""]
    parts = [wrapped(result.sentence), "Depth below the common chord, U with k = 2\n\n" + table(head, rows)]
    if result.bland_altman is not None:
        b = result.bland_altman
        parts.append(
            wrapped(
                f"Over {b.n} frets: mean difference {number(b.mean)} {units}, limits of agreement "
                f"{number(b.limits[0])} to {number(b.limits[1])} {units} (mean ± {b.factor:g} SD)"
            )
        )
    if talk:
        parts.append("What was found\n" + bulleted(talk))
    return "\n\n".join(parts)
