"""`lightgap render` as a user runs it, on small pictures."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest
from PIL import Image
from typer.testing import CliRunner

from lightgap.cli import app as cli
from lightgap.vision.render import compiled

SMALL = ["--width-px", "320", "--instrument", "dreadnought", "--framing", "full", "--place", "middle"]


def test_writes_photo_and_truth(tmp_path: Path) -> None:
    out = tmp_path / "practice.jpg"
    done = CliRunner().invoke(cli.app, ["render", str(out), "--seed", "4", "--bow-mm", "0.3", *SMALL])
    assert done.exit_code == 0, done.output
    side = json.loads(out.with_suffix(".json").read_text())
    assert side["image"] == "practice.jpg"
    assert side["parameters"]["framing"] == "full"
    assert f"{side['truth']['relief_mm']:+.3f} mm" in done.stdout
    picture = Image.open(io.BytesIO(out.read_bytes()))
    assert 320 in picture.size
    assert sorted(p.name for p in tmp_path.iterdir()) == ["practice.jpg", "practice.json"]


def run_main(arguments: list[str], monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr(sys, "argv", ["lightgap", *arguments])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    return int(ended.value.code or 0)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--instrument", "zither"], "unknown instrument 'zither'; known: dreadnought"),
        (["--width-px", "12"], "--width-px must be 64 to 8064; got 12"),
        (["--seed", "-3"], "--seed must be 0 or more; got -3"),
    ],
)
def test_wrong_wishes_are_one_line(
    arguments: list[str],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run_main(["render", str(tmp_path / "a.jpg"), *arguments], monkeypatch) == 2
    err = capsys.readouterr().err
    assert said in err
    assert len(err.splitlines()) == 1
    assert not list(tmp_path.iterdir())


def test_missing_compiler_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(compiled, "numba", None)
    assert run_main(["render", str(tmp_path / "a.jpg"), *SMALL], monkeypatch) == 2
    assert "pip install 'lightgap[render]'" in capsys.readouterr().err


def test_unwritable_folder_exits_4(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_main(["render", str(tmp_path / "no" / "a.jpg"), *SMALL], monkeypatch) == 4
    assert "cannot write" in capsys.readouterr().err


def test_help_is_instant_and_has_units() -> None:
    done = CliRunner().invoke(cli.app, ["render", "--help"])
    assert done.exit_code == 0
    assert "in mm" in done.output
    assert "lightgap render practice.jpg" in done.output
