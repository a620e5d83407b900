"""Several processes write to one book at once: nothing is lost, and nobody is told that it is locked."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from lightgap.records.book import open_book
from lightgap.records.check import check_book
from lightgap.records.instruments import Facts, add_instrument
from lightgap.records.visits import open_visit, read_visit

ROOT = Path(__file__).parents[1]

WRITER = """
import sys, time
from pathlib import Path
from lightgap.records.book import open_book
from lightgap.records.entries import Remark
from lightgap.records.visits import add_entry, read_visit
from records.makers import keep, make_document, make_photo

path, mine, seconds = Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
end, number = time.monotonic() + seconds, 0
while time.monotonic() < end:
    with open_book(path) as book:  # opened anew each time, as a command does
        for _ in range(5):
            number += 1
            if number % 25 == 0:
                photo = make_photo(path.parent, f"{mine}.jpg", seed=1000 * mine + number)
                keep(book, mine, make_document(photo), photo, advise=False)
            else:
                add_entry(book, read_visit(book, mine), detail=Remark("note", f"{mine}: {number}"))
print(number)
"""


def write_together(tmp_path: Path, *, seconds: float, writers: int = 2) -> None:
    path = tmp_path / "book.sqlite"
    with open_book(path, create=True) as book:
        for number in range(writers):
            open_visit(book, add_instrument(book, Facts(f"instrument {number}")))
    running = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path), str(number + 1), str(seconds)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        for number in range(writers)
    ]
    told = [process.communicate() for process in running]
    for process, (_, problems) in zip(running, told, strict=True):
        assert process.returncode == 0, problems
        assert problems == ""
    with open_book(path) as book:
        for number, (written, _) in enumerate(told, start=1):
            assert len(read_visit(book, number).entries) == int(written) > 10
        assert check_book(book).faults == ()


def test_two_write_at_once(tmp_path: Path) -> None:
    write_together(tmp_path, seconds=3.0)


@pytest.mark.slow
def test_two_write_at_once_for_a_minute(tmp_path: Path) -> None:
    write_together(tmp_path, seconds=60.0)


@pytest.mark.slow
def test_five_write_at_once(tmp_path: Path) -> None:
    write_together(tmp_path, seconds=20.0, writers=5)
