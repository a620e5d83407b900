"""The reference pages of the calculator say everything its commands and findings say."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer.main

from lightgap.cli import app as cli

ROOT = Path(__file__).parents[2]
PAGES = ROOT / "docs" / "reference"


@pytest.mark.parametrize("command", ["advise", "tension", "clearance", "crosscheck"])
def test_every_option_is_on_its_page(command: str) -> None:
    page = (PAGES / f"{command}.md").read_text(encoding="utf-8")
    group = typer.main.get_command(cli.app)
    options = {name for p in group.commands[command].params for name in p.opts if name.startswith("--")}  # type: ignore[attr-defined]
    missing = sorted(o for o in options if o not in page)
    assert not missing, f"docs/reference/{command}.md does not speak of {missing}"


def test_every_finding_is_on_the_page() -> None:
    page = (PAGES / "advise.md").read_text(encoding="utf-8") + (PAGES / "clearance.md").read_text(encoding="utf-8")
    used: set[str] = set()
    for module in (ROOT / "neck").glob("*.py"):
        source = module.read_text(encoding="utf-8")
        used |= set(re.findall(r'(?:Finding|\badd)\(\s*"([a-z-]+)"', source))
    used |= {"fret-high", "fret-low", "fret-not-rod"}
    assert len(used) > 20
    missing = sorted(code for code in used if f"`{code}`" not in page)
    assert not missing, f"not on a reference page: {missing}"


@pytest.mark.parametrize("page", ["advise", "targets", "tension", "clearance"])
def test_commands_on_the_page_run(page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from typer.testing import CliRunner

    monkeypatch.chdir(ROOT)
    text = (PAGES / f"{page}.md").read_text(encoding="utf-8")
    lines = re.findall(r"^\$ lightgap (.+)$", text, flags=re.MULTILINE)
    assert lines
    for line in lines:
        done = CliRunner().invoke(cli.app, line.split())
        assert done.exit_code == 0, f"{line}\n{done.output}"
