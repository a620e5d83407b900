"""How the command starts and how it ends: help at once, one line when something is missing or cannot be measured."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from lightgap.cli import app as cli

HEAVY = ("numpy", "scipy", "cv2", "matplotlib", "PIL", "jinja2", "fpdf", "numba", "sqlite3")
PHOTO = Path(__file__).parents[2] / "sample_images" / "dreadnought-upbow.jpg"

LAUNCH = """
import sys
from lightgap.cli.app import main
sys.argv = ["lightgap", *sys.argv[1:]]
main()
"""
LIST_MODULES = 'import atexit, sys; atexit.register(lambda: print("\\n".join(sys.modules), file=sys.stderr))'

# What the loader says on a system without libgl1, in a module that stands in for OpenCV.
BROKEN_CV2 = 'raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")\n'


@pytest.mark.parametrize("group", [(), ("instrument",), ("visit",), ("book",)])
def test_commands_are_listed_by_whole_sentences(group: tuple[str, ...]) -> None:
    environment = os.environ | {"COLUMNS": "80"}
    command = [sys.executable, "-c", LAUNCH, *group, "--help"]
    listed = subprocess.run(command, capture_output=True, text=True, check=True, env=environment).stdout
    rows = listed.partition("Commands:")[2].split("\n")
    assert len([row for row in rows if row.strip()]) >= 4
    assert all(row.endswith(".") and not row.endswith("...") for row in rows if row.strip())


@pytest.mark.parametrize("words", [(), ("measure",), ("render",), ("advise",), ("visit", "add")])
def test_help_loads_nothing_heavy(words: tuple[str, ...]) -> None:
    done = subprocess.run(
        [sys.executable, "-c", LIST_MODULES + LAUNCH, *words, "--help"], capture_output=True, text=True, check=True
    )
    assert "Usage: lightgap" in done.stdout
    loaded = {name.partition(".")[0] for name in done.stderr.split()}
    assert "typer" in loaded
    assert not loaded.intersection(HEAVY)


@pytest.mark.parametrize(
    "words", [("measure", str(PHOTO), "--reference", "card"), ("render", "practice.jpg", "--width-px", "64")]
)
def test_opencv_without_its_system_library_is_one_line(words: tuple[str, ...], tmp_path: Path) -> None:
    (tmp_path / "cv2.py").write_text(BROKEN_CV2)
    done = subprocess.run(
        [sys.executable, "-c", LAUNCH, *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
    )
    assert done.returncode == 4
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert "libGL.so.1" in line
    assert "apt-get install libgl1 libglib2.0-0" in line
    assert [p.name for p in tmp_path.iterdir() if p.suffix != ""] == ["cv2.py"]


def test_another_missing_library_says_its_name(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["lightgap", "measure", str(PHOTO), "--reference", "card"])
    monkeypatch.setitem(sys.modules, "cv2", None)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 4
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("lightgap: cv2 cannot be loaded")
    assert "pip install" in line


def test_notched_straightedge_is_refused_not_measured(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["measure", str(PHOTO), "--scale-length", "645", "--rests-on", "board", "--json", "-"]
    monkeypatch.setattr(sys, "argv", ["lightgap", *words])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 3
    said = capsys.readouterr()
    assert json.loads(said.out)["code"] == "rests-on-board"
    assert "lay a plain straightedge on the crowns" in said.err
