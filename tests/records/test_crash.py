"""Killed at any instant (SIGKILL): the book opens, is whole, and holds everything that was confirmed."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lightgap.records.book import create_book, open_book
from lightgap.records.check import check_book
from lightgap.records.files import photo_path, sha256_of
from lightgap.records.instruments import Facts, add_instrument
from lightgap.records.transfer import export_book
from lightgap.records.visits import find_entry, open_visit

from .conftest import fill

ROOT = Path(__file__).parents[1]


def run_and_kill(scenario: str, path: Path, folder: Path, *, delay_s: float) -> list[list[str]]:
    """Start the worker, kill it `delay_s` after it is ready, and return the lines it finished writing."""
    worker = subprocess.Popen(
        [sys.executable, "-m", "records.crash_worker", scenario, str(path), str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=ROOT,
    )
    assert worker.stdout is not None
    assert worker.stderr is not None
    assert worker.stdout.readline() == b"ready\n", worker.stderr.read()
    time.sleep(delay_s)
    worker.kill()
    rest, problems = worker.communicate()
    assert worker.returncode == -9, problems.decode()
    # A line cut short by the kill was never confirmed.
    whole, _, _ = rest.rpartition(b"\n")
    return [line.split() for line in whole.decode().splitlines()]


def assert_whole(path: Path) -> None:
    with open_book(path) as book:
        assert check_book(book).faults == ()


def killed_while_measuring(tmp_path: Path, delay_s: float) -> int:
    path = tmp_path / "book.sqlite"
    if not path.exists():
        with open_book(path, create=True) as book:
            open_visit(book, add_instrument(book, Facts("Blue")))
    lines = run_and_kill("measure", path, tmp_path, delay_s=delay_s)
    assert_whole(path)
    with open_book(path) as book:
        for line in lines:
            if line[0] == "confirmed":
                _, entry = find_entry(book, int(line[1]))
                assert entry.is_current
                assert sha256_of(photo_path(book.photos, line[2], suffix=".jpg")) == line[2]
    return len(lines)


def killed_while_importing(tmp_path: Path, delay_s: float) -> int:
    source = tmp_path / "export"
    if not source.exists():
        with open_book(tmp_path / "source.sqlite", create=True) as book:
            for number in range(4):
                fill(book, tmp_path, name=f"Blue {number}" + "x" * number)
            export_book(book, source)
    place = tmp_path / f"{delay_s}"
    place.mkdir()
    lines = run_and_kill("import", place / "book.sqlite", source, delay_s=delay_s)
    for target in {line[1] for line in lines if line[0] in ("begin", "imported")}:
        done = ["imported", target] in lines
        if Path(target).exists():
            assert_whole(Path(target))
            with open_book(Path(target)) as book:
                visits = book.rows("SELECT count(*) FROM visit")[0][0]
            assert visits in ((4,) if done else (0, 4))
        else:
            assert not done
    return len(lines)


def killed_while_migrating(tmp_path: Path, delay_s: float) -> int:
    older = tmp_path / "older.sqlite"
    if not older.exists():
        create_book(older, up_to=1)
    place = tmp_path / f"{delay_s}"
    place.mkdir()
    lines = run_and_kill("migrate", older, place, delay_s=delay_s)
    for line in lines:
        assert_whole(Path(line[1]))
    return len(lines)


SCENARIOS = {
    "measuring": killed_while_measuring,
    "importing": killed_while_importing,
    "migrating": killed_while_migrating,
}


def campaign(tmp_path: Path, scenario: str, *, times: int, seed: int) -> None:
    """Kill again and again at moments drawn over the first half second; the work must have been under way."""
    rng = random.Random(seed)
    lines = sum(SCENARIOS[scenario](tmp_path, rng.uniform(0.0, 0.5)) for _ in range(times))
    assert lines >= times // 2


@pytest.mark.parametrize("scenario", sorted(SCENARIOS))
def test_killed_a_few_times(tmp_path: Path, scenario: str) -> None:
    campaign(tmp_path, scenario, times=7, seed=1)


@pytest.mark.slow
@pytest.mark.parametrize("scenario", sorted(SCENARIOS))
def test_killed_a_hundred_times(tmp_path: Path, scenario: str) -> None:
    campaign(tmp_path, scenario, times=100, seed=2)
