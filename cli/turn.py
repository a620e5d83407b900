"""`lightgap turn`: a turn of the truss rod, entered as it is made."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import typer

from .bench_input import BookOption, VisitArgument
from .output import say, show
from .visit_words import measuring

HELP = """Enter a turn of the truss rod.

Which way, how much, and how the nut felt.

The entry does not turn anything and does not plan: after each step let the neck settle at pitch and measure again.
Warns when a step is over a quarter turn, or the visit over three quarters.

\b
Examples:
  lightgap turn 12 tighten 1/8 --feel snug
  lightgap turn "Blue archtop" loosen 0.25 --feel free
"""


def turn(
    visit: VisitArgument,
    direction: Annotated[Literal["tighten", "loosen"], typer.Argument(help="Which way the nut went.")],
    *,
    amount: Annotated[str, typer.Argument(metavar="TURNS", help="How much, in turns: 1/8, 1/4, 0.125.")],
    feel: Annotated[
        Literal["free", "snug", "stiff", "at-end", "slack", "unknown"], typer.Option(help="How the nut felt.")
    ] = "unknown",
    book: BookOption = None,
) -> None:
    """Enter a turn of the truss rod."""
    from lightgap.neck.bench import STEP_CAP_TURNS, VISIT_CAP_TURNS
    from lightgap.neck.units import parse_turns
    from lightgap.records.book import open_book
    from lightgap.records.entries import Turn
    from lightgap.records.quantities import turns_text
    from lightgap.records.visits import add_entry, find_visit, read_visit

    made = Turn(direction, parse_turns(amount), feel)
    with open_book(book) as opened:
        found = find_visit(opened, visit)
        number = add_entry(opened, found, detail=made)
        found = read_visit(opened, found.id)
    total = sum(item.amount_turns for item in found.turns())
    way: Any = {"tighten": "tightened", "loosen": "loosened"}[direction]
    show(f"entry {number}, visit {found.id}: {way} by {turns_text(made.amount_turns)}; {turns_text(total)} this visit")
    if made.amount_turns > STEP_CAP_TURNS:
        say(f"caution: more than {turns_text(STEP_CAP_TURNS)} in one step can break a rod: measure before going on")
    if total > VISIT_CAP_TURNS:
        say(f"caution: more than {turns_text(VISIT_CAP_TURNS)} in one visit: let the neck settle for a day at pitch")
    trouble = {"stiff": "does not want to turn", "at-end": "is at the end of its thread"}.get(feel)
    if trouble is not None:
        say(f"caution: the nut {trouble}: stop here, and leave it to a qualified repairer")
    say(f"next: tune to pitch, then {measuring(found.id)}")
