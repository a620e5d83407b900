"""Write the reference pages that come from the code: findings, coins, and commands with their options.

    python docs/make_reference.py

A test fails when a page is not what this script would write.
"""

from __future__ import annotations

import inspect
import sys
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer.main

from lightgap.cli import app as cli
from lightgap.vision.coins import COINS, SOURCES
from lightgap.vision.findings import REGISTRY, FindingKind

FOLDER = Path(__file__).parent / "reference"

FINDINGS_HEAD = """# Findings: why a photo is refused, and what is said beside a number

<!-- Written by docs/make_reference.py from lightgap.vision.findings. -->

A *refusal* gives no number: one line on standard error says why and what to change, the exit status is 3, and with
`--json` a [refusal document](json.md#refusal) carries the code. A *warning* stands beside the number, in the table, the
report and the document's `warnings`. Codes are stable; wording may be improved. What the calculator finds in a profile
(high frets, S-bends, a rod that cannot push) is listed with [`lightgap advise`](advise.md#what-it-answers).
"""

COMMANDS_HEAD = """# Commands and options

<!-- Written by docs/make_reference.py from the command line itself. -->

Units are said with each option. `lightgap COMMAND --help` says the same, with examples. Exit status: 0 done; 2 the
command line or a value is wrong; 3 the photo cannot be measured; 4 a file cannot be read or written.
"""


COINS_HEAD = """# Coins that can be named

<!-- Written by docs/make_reference.py from lightgap.vision.coins. -->

`--reference coin:usd-0.25` takes a coin by the ISO 4217 code of its currency and its denomination; any other round
coin by its diameter, `coin:24.26`. Wear makes a coin smaller, never larger; with `--scale-length` the fret spacing
tells a wrong coin (by more than 2.8 %). A diameter marked *from memory* or *not read at the issuer's* deserves a
caliper before it is trusted. Coins that are not round are refused.
"""


def findings_page() -> str:
    """Return docs/reference/findings.md."""
    parts = [FINDINGS_HEAD]
    for severity, title in (("refusal", "Refusals"), ("warning", "Warnings")):
        kinds = [kind for kind in REGISTRY.values() if kind.severity == severity]
        parts += [f"## {title}\n", *(_finding(kind) for kind in kinds)]
    return "\n".join(parts)


def _finding(kind: FindingKind) -> str:
    cure = kind.cure[0].upper() + kind.cure[1:]
    return f"### `{kind.code}`\n\n**{kind.short[0].upper()}{kind.short[1:]}.** {kind.long}\n\nCure: {cure}.\n"


def walk_commands(group: Any = None, prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every command with its full name, in the order of the help."""
    group = group or typer.main.get_command(cli.app)
    for name, command in group.commands.items():
        if hasattr(command, "commands"):
            yield from walk_commands(command, f"{prefix}{name} ")
        else:
            yield prefix + name, command


def option_names(command: Any) -> list[str]:
    """Return the long options of a command, `--no-…` forms too."""
    return [o for p in command.params for o in (*p.opts, *p.secondary_opts) if o.startswith("--") and o != "--help"]


def commands_page() -> str:
    """Return docs/reference/commands.md."""
    parts = [COMMANDS_HEAD]
    for name, command in walk_commands():
        hints = typing.get_type_hints(inspect.unwrap(command.callback), include_extras=True)
        rows = [
            _row(parameter, hints[parameter.name]) for parameter in command.params if "--help" not in parameter.opts
        ]
        purpose = (command.help or "").replace("\b", "").strip().split("\n\n")[0].replace("\n", " ")
        parts.append(f"## `lightgap {name}`\n\n{purpose}\n")
        if rows:
            parts.append("| | | meaning |\n|---|---|---|\n" + "\n".join(rows) + "\n")
    return "\n".join(parts)


def _row(parameter: Any, hint: Any) -> str:
    is_option = any(o.startswith("-") for o in parameter.opts)
    names = " / ".join(f"`{o}`" for o in (*parameter.opts, *parameter.secondary_opts)) if is_option else ""
    is_flag = is_option and getattr(parameter, "is_flag", False)
    value = "" if is_flag else str(parameter.metavar or "|".join(_choices(hint)) or _KINDS.get(_plain(hint), ""))
    default = parameter.default
    said = "" if default in (None, "") or isinstance(default, bool | list) else f" Default: {default}."
    first, second = (names, _code(value)) if names else (_code(value or parameter.name.upper()), "")
    return f"| {first} | {second} | {parameter.help}{said} |"


_KINDS = {int: "INTEGER", float: "NUMBER", str: "TEXT", Path: "PATH"}


def _plain(hint: Any) -> Any:
    """Return the type a hint stands for, without Annotated, None and list."""
    while typing.get_origin(hint) is not None and typing.get_origin(hint) is not typing.Literal:
        hint = next(a for a in typing.get_args(hint) if a is not type(None))
    return hint


def _choices(hint: Any) -> tuple[str, ...]:
    plain = _plain(hint)
    return typing.get_args(plain) if typing.get_origin(plain) is typing.Literal else ()


def _code(text: str) -> str:
    return f"`{text}`".replace("|", "\\|") if text else ""


_KNOWN = {"issuer": "", "secondary": "not read at the issuer's", "memory": "from memory"}


def coins_page() -> str:
    """Return docs/reference/coins.md."""
    parts = [COINS_HEAD]
    for currency, source in SOURCES.items():
        where = f": <{source.address}>" if source.address else ""
        parts.append(f"## {currency.upper()}\n\n{source.publication}{where}\n")
        rows = [
            f"| `coin:{c.name}` | {c.diameter_mm:.2f} | {_KNOWN[c.known]} |"
            if not c.shape
            else f"| {c.name} | {c.shape}: refused | {_KNOWN[c.known]} |"
            for c in COINS
            if c.currency == currency
        ]
        parts.append("| | diameter mm | |\n|---|---|---|\n" + "\n".join(rows) + "\n")
    return "\n".join(parts)


PAGES = {"findings.md": findings_page, "commands.md": commands_page, "coins.md": coins_page}


def main() -> None:
    """Write the pages."""
    for name, make in PAGES.items():
        (FOLDER / name).write_text(make(), encoding="utf-8")
        sys.stdout.write(f"written: docs/reference/{name}\n")


if __name__ == "__main__":
    main()
