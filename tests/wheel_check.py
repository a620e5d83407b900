"""Run against the installed wheel, from outside the tree: what it holds and that it answers."""

from __future__ import annotations

import importlib
import importlib.resources
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGES = ("vision", "vision.render", "neck", "records", "cli")


@pytest.mark.parametrize("name", PACKAGES)
def test_package_is_installed_and_typed(name: str) -> None:
    module = importlib.import_module(f"lightgap.{name}")
    assert module.__file__ is not None
    assert "site-packages" in module.__file__
    assert importlib.resources.files(module).joinpath("py.typed").is_file()


def test_command_answers() -> None:
    command = Path(sys.executable).parent / "lightgap"
    done = subprocess.run([command, "--help"], capture_output=True, text=True, check=True)
    assert "straightedge" in done.stdout
