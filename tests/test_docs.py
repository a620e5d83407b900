"""The papers say what the program does: commands run, options and findings are told, generated pages are current."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import re
import shlex
import shutil
from pathlib import Path
from types import ModuleType

import pytest
from typer.testing import CliRunner

from lightgap.cli.app import app
from lightgap.vision.findings import REGISTRY

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
REFERENCE = DOCS / "reference"
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.rglob("*.md"))]
# Commands that have a page of their own; the bench book's share one.
BOOK_COMMANDS = {"turn", "season", "instrument", "visit", "book"}


def _load_maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_reference", DOCS / "make_reference.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


MAKER = _load_maker()
COMMANDS = dict(MAKER.walk_commands())


def console_lines(page: Path) -> list[str]:
    """Return the `$ lightgap …` lines of a page's console blocks, in order, without the prompt."""
    blocks = re.findall(r"^```console\n(.*?)^```", page.read_text("utf-8"), flags=re.MULTILINE | re.DOTALL)
    return [line[2:] for block in blocks for line in block.splitlines() if line.startswith("$ lightgap ")]


@pytest.mark.parametrize("name", sorted(MAKER.PAGES))
def test_generated_page_is_current(name: str) -> None:
    assert (REFERENCE / name).read_text("utf-8") == MAKER.PAGES[name](), "run: python docs/make_reference.py"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_is_told(name: str) -> None:
    everything = "\n".join(page.read_text("utf-8") for page in REFERENCE.glob("*.md") if page.name != "commands.md")
    own = REFERENCE / f"{name}.md"
    generated = (REFERENCE / "commands.md").read_text("utf-8").split(f"## `lightgap {name}`\n")[1].split("\n## ")[0]
    options = MAKER.option_names(COMMANDS[name])
    if name.split()[0] in BOOK_COMMANDS:
        assert f"`{name}" in everything
        page = generated
    else:
        page = own.read_text("utf-8")
    missing = [option for option in options if f"`{option}`" not in page and f"`{option} " not in page]
    assert not missing


def test_every_finding_of_a_photo_is_told() -> None:
    page = (REFERENCE / "findings.md").read_text("utf-8")
    assert not [code for code in REGISTRY if f"### `{code}`" not in page]


def test_every_finding_of_the_calculator_is_told() -> None:
    page = "".join((REFERENCE / f"{name}.md").read_text("utf-8") for name in ("advise", "clearance"))
    used = {"fret-high", "fret-low", "fret-not-rod"}
    for module in (ROOT / "neck").glob("*.py"):
        used |= set(re.findall(r'(?:Finding|\badd)\(\s*"([a-z-]+)"', module.read_text("utf-8")))
    assert len(used) > 20
    assert not sorted(code for code in used if f"`{code}`" not in page)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """Return a folder as the pages suppose it: sample photos and example files, and no bench book yet."""
    (tmp_path / "sample_images").symlink_to(ROOT / "sample_images")
    shutil.copytree(DOCS / "examples", tmp_path / "docs" / "examples")
    return tmp_path


@pytest.mark.parametrize("page", [p for p in PAGES if console_lines(p)], ids=lambda p: str(p.relative_to(ROOT)))
def test_commands_on_the_page_run(page: Path, bench: Path) -> None:
    environment = {**os.environ, "LIGHTGAP_BOOK": str(bench / "book.sqlite")}
    with contextlib.chdir(bench):
        for line in console_lines(page):
            done = CliRunner().invoke(app, shlex.split(line)[1:], env=environment)
            assert done.exit_code == 0, f"{line}\n{done.output}\n{done.exception!r}"


def test_pages_with_commands_are_found() -> None:
    assert {"README.md", "first-measurement.md", "keep-a-bench-book.md"} <= {p.name for p in PAGES if console_lines(p)}


def _anchors(page: Path) -> set[str]:
    titles = re.findall(r"^#+ (.+)$", page.read_text("utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", title.lower()).strip().replace(" ", "-") for title in titles}


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text("utf-8")):
        if target.startswith(("http://", "https://")):
            continue
        path, _, anchor = target.partition("#")
        file = (page.parent / path).resolve() if path else page
        assert file.exists(), target
        assert not anchor or anchor in _anchors(file), target


def test_every_page_is_in_the_index() -> None:
    index = (DOCS / "README.md").read_text("utf-8")
    pages = {str(p.relative_to(DOCS)) for p in DOCS.rglob("*.md")} - {"README.md"}
    assert not [p for p in sorted(pages) if f"({p})" not in index]
