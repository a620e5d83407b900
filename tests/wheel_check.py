"""Run against the installed wheel, from outside the tree: what it holds and that it answers."""

from __future__ import annotations

import importlib
import importlib.resources
import json
import subprocess
import sys
from importlib.metadata import files, metadata
from pathlib import Path

import pytest

PACKAGES = ("vision", "vision.render", "neck", "records", "cli")
COMMAND = Path(sys.executable).parent / "lightgap"
TREE = Path(__file__).parents[1]
DATA = sorted(
    str(path.relative_to(TREE))
    for pattern in ("*/schemas/*.json", "*/*/schemas/*.json", "*/templates/*", "*/py.typed", "*/*/py.typed")
    for path in TREE.glob(pattern)
    if path.parts[len(TREE.parts)] in ("vision", "neck", "records", "cli")
)


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([COMMAND, *words], capture_output=True, text=True, check=False)


@pytest.mark.parametrize("name", PACKAGES)
def test_package_is_installed_and_typed(name: str) -> None:
    module = importlib.import_module(f"lightgap.{name}")
    assert module.__file__ is not None
    assert "site-packages" in module.__file__
    assert importlib.resources.files(module).joinpath("py.typed").is_file()


@pytest.mark.parametrize("name", DATA)
def test_schemas_templates_and_markers_are_in_the_wheel(name: str) -> None:
    shipped = Path(str(importlib.resources.files(f"lightgap.{Path(name).parts[0]}"))).joinpath(*Path(name).parts[1:])
    assert "site-packages" in str(shipped)
    assert shipped.read_bytes() == (TREE / name).read_bytes()


def test_the_list_of_data_files_is_not_empty() -> None:
    kinds = {Path(name).suffix for name in DATA}
    assert {".json", ".typed", ".html", ".css"} <= kinds


def test_nothing_but_the_package_is_installed() -> None:
    tops = {path.parts[0] for path in files("lightgap") or () if ".." not in path.parts}
    assert {t for t in tops if not t.endswith(".dist-info")} == {"lightgap"}


def test_the_licence_comes_with_it() -> None:
    assert metadata("lightgap")["License-Expression"] == "MIT"
    assert any(path.name == "LICENSE" for path in files("lightgap") or ())


def test_command_answers() -> None:
    done = run("--help")
    assert done.returncode == 0
    assert "straightedge" in done.stdout


def test_advice_on_a_hand_reading() -> None:
    words = ("--reading", "7=0.015in", "--method", "feeler", "--family", "electric", "--rod", "unknown")
    done = run("advise", *words, "--json", "-")
    assert done.returncode == 0, done.stderr
    plan = json.loads(done.stdout)
    assert plan["schema"] == "lightgap/plan/1"
    assert plan["relief"]["relief_mm"] == pytest.approx(0.015 * 25.4, abs=0.001)  # one reading, chord ends touching
    assert 0 < plan["turn"]["step_turns"] <= 0.25
    assert plan["cautions"]


def test_a_sample_photo_is_measured() -> None:
    photo = TREE / "sample_images" / "dreadnought-upbow.jpg"
    done = run(
        "measure",
        str(photo),
        "--scale-length",
        "645",
        "--reference",
        "card",
        "--straightedge-height",
        "30",
        "--json",
        "-",
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["schema"] == "lightgap/profile/1"
