"""Text that people typed, made safe to show: nothing invisible, nothing that turns the line around."""

from __future__ import annotations

import unicodedata

# Explicit directional controls (Unicode Standard Annex 9): they can make a line read as what it is not.
_DIRECTIONAL = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c")


def visible_text(text: str) -> str:
    """Return `text` with every control character made visible; markup, scripts and emoji stay as typed.

    A control character of ASCII becomes its control picture (U+2400 block), a directional control its number in
    brackets, any other control or unpaired surrogate the replacement character. Line ends and tabs stay.
    """
    return "".join(_visible(character) for character in text.replace("\r\n", "\n"))


def _visible(character: str) -> str:
    if character in "\n\t":
        return character
    code = ord(character)
    if code < 0x20:
        return chr(0x2400 + code)
    if code == 0x7F:
        return "\u2421"
    if character in _DIRECTIONAL:
        return f"[U+{code:04X}]"
    return "\ufffd" if unicodedata.category(character) in ("Cc", "Cs") else character


def one_line(text: str) -> str:
    """Return `text` on one line, control characters made visible: for tables, titles and messages."""
    return " ".join(visible_text(text).split())
