"""Options told once in a dataclass, spread over a command line."""

from __future__ import annotations

import inspect
from dataclasses import dataclass
from typing import Annotated

import pytest
import typer
from typer.testing import CliRunner

from lightgap.cli.options import spread, typed_values


@dataclass(frozen=True, slots=True)
class Cut:
    depth_mm: Annotated[float, typer.Option(metavar="MM", help="Depth, mm.")]
    tool_name: Annotated[str | None, typer.Option(help="Tool.")] = None
    passes: Annotated[list[int] | None, typer.Option(help="Passes.")] = None


def made() -> tuple[typer.Typer, list[tuple[str, Cut, bool]]]:
    seen: list[tuple[str, Cut, bool]] = []
    app = typer.Typer(rich_markup_mode=None)

    @app.command()
    @spread
    def work(
        part: Annotated[str, typer.Argument(help="Part.")],
        *,
        cut: Cut,
        dry: Annotated[bool, typer.Option("--dry", help="Dry.")] = False,
    ) -> None:
        """Work on a part."""
        seen.append((part, cut, dry))

    return app, seen


def test_fields_become_options_and_come_back_as_the_dataclass() -> None:
    app, seen = made()
    done = CliRunner().invoke(app, ["nut", "--depth-mm", "0.3", "--passes", "1", "--passes", "2", "--dry"])
    assert done.exit_code == 0, done.output
    assert seen == [("nut", Cut(0.3, None, [1, 2]), True)]


def test_field_without_default_is_required_and_help_tells_each_option() -> None:
    app, seen = made()
    assert CliRunner().invoke(app, ["nut"]).exit_code == 2
    assert seen == []
    text = CliRunner().invoke(app, ["--help"]).output
    assert all(word in text for word in ("--depth-mm MM", "Depth, mm.", "--tool-name", "--dry", "Work on a part."))


def test_signature_shows_the_options_in_the_order_they_are_told() -> None:
    @spread
    def work(part: str, *, cut: Cut, dry: bool = False) -> None:
        """Work."""

    assert list(inspect.signature(work).parameters) == ["part", "depth_mm", "tool_name", "passes", "dry"]
    assert work.__name__ == "work"
    with pytest.raises(KeyError):
        work(part="nut")


def test_typed_values_are_named_as_the_options_and_leave_out_what_is_not_given() -> None:
    assert typed_values(Cut(0.3), Cut(0.4, tool_name="file")) == {"depth-mm": 0.4, "tool-name": "file"}
