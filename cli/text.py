"""Plain-text tables and paragraphs for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

WIDTH = 80


def table(header: Sequence[str], rows: Sequence[Sequence[str]], *, left: int = 1) -> str:
    """Return an aligned table; the first `left` columns are aligned left, the rest right."""
    cells = [list(header), *[list(row) for row in rows]]
    widths = [max(len(row[i]) for row in cells) for i in range(len(header))]

    def line(row: Sequence[str]) -> str:
        parts = (c.ljust(w) if i < left else c.rjust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True)))
        return "  ".join(parts).rstrip()

    rule = "  ".join("-" * w for w in widths)
    return "\n".join([line(cells[0]), rule, *(line(row) for row in cells[1:])])


def numbered(items: Sequence[str]) -> str:
    """Return items as a wrapped, numbered list."""
    return "\n".join(hung(f"{n:>3}. ", item) for n, item in enumerate(items, start=1))


def bulleted(items: Sequence[str]) -> str:
    """Return items as a wrapped, dashed list."""
    return "\n".join(hung("  - ", item) for item in items)


def wrapped(text: str) -> str:
    """Return a paragraph wrapped to the terminal width used everywhere."""
    return hung("", text)


def hung(lead: str, text: str) -> str:
    """Return a paragraph after a lead, its further lines indented by the lead's width."""
    # Names of files and options hold hyphens: they stay whole.
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=lead,
        subsequent_indent=" " * len(lead),
        break_on_hyphens=False,
        break_long_words=False,
    )
