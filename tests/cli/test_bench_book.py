"""The bench-book commands as a user runs them: what is said, where, and with which exit status."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any, NamedTuple

import jsonschema
import pytest
from records.makers import keep, make_document, make_photo
from typer.testing import CliRunner

from lightgap.cli.app import app
from lightgap.neck.errors import LightgapError
from lightgap.records.book import open_book
from lightgap.records.documents import schema_for

COMMAND = Path(sys.executable).parent / "lightgap"


class Said(NamedTuple):
    """What a command said, and its exit status."""

    stdout: str
    stderr: str
    returncode: int


class Shop:
    """A folder of its own with a book of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.env = {**os.environ, "LIGHTGAP_BOOK": str(folder / "shop.sqlite"), "HOME": str(folder), "COLUMNS": "200"}

    def run(self, *words: str, status: int = 0, typed: str = "") -> Said:
        """Run a command in this process, as `lightgap.cli.app.main` does."""
        with contextlib.chdir(self.folder):
            done = CliRunner().invoke(app, words, input=typed, env=self.env)
        said = Said(done.stdout, done.stderr, done.exit_code)
        if isinstance(done.exception, LightgapError):
            said = Said(done.stdout, f"{done.stderr}lightgap: {done.exception}\n", done.exception.exit_status)
            assert len(str(done.exception).splitlines()) == 1
        elif done.exception is not None and not isinstance(done.exception, SystemExit):
            raise done.exception
        assert said.returncode == status, (words, said)
        return said

    def run_real(self, *words: str, **env: str) -> subprocess.CompletedProcess[str]:
        """Run a command in a process of its own."""
        return subprocess.run(
            [COMMAND, *words], capture_output=True, text=True, cwd=self.folder, env={**self.env, **env}
        )

    def document(self, name: str, *words: str, status: int = 0) -> Any:
        document = json.loads(self.run(*words, "--json", "-", status=status).stdout)
        jsonschema.validate(document, schema_for(name))
        return document

    def measure(self, visit: int, relief_mm: float, *, seed: int) -> None:
        photo = make_photo(self.folder, f"{seed}.jpg", seed=seed)
        with open_book(Path(self.env["LIGHTGAP_BOOK"])) as book:
            keep(book, visit, make_document(photo, relief_mm, seed=seed), photo)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """A book with a finished visit, entered by the commands."""
    shop = Shop(tmp_path_factory.mktemp("shop"))
    run = shop.run
    run("instrument", "add", "Blue archtop", "--family", "electric", "--scale-length", "25.5in", "--rod", "two-way",
        "--owner-reference", "ticket 114", "--target", "0.10-0.25mm")  # fmt: skip
    assert "visit 1 of Blue archtop is open" in run("visit", "open", "blue archtop").stdout
    shop.measure(1, 0.31, seed=1)
    run("visit", "add", "1", "--action", "5/64in,1.6mm", "--temperature", "70F", "--humidity", "45%",
        "--lifted-fret", "fret 14: treble end", "--reading", "7=0.010in")  # fmt: skip
    done = run("turn", "Blue archtop", "tighten", "1/8", "--feel", "snug")
    assert "tightened by ⅛ turn" in done.stdout
    shop.measure(1, 0.15, seed=2)
    closed = run("visit", "close", "1", "--remark", "=strings new", "--report", "sheet.html")
    assert "a real change, less relief than before" in closed.stdout
    return shop


def test_values_show_their_units(shop: Shop) -> None:
    shown = shop.run("visit", "show", "1").stdout
    for wanted in ("bass 1.98 mm, treble 1.60 mm", "21.1 °C, 45 % RH", "gap 0.254 mm", "tighten ⅛ turn", "relief +0.3"):
        assert wanted in shown
    assert "bass 0.078 in" in shop.run("visit", "show", "1", "--units", "in").stdout
    card = shop.run("instrument", "show", "Blue archtop").stdout
    assert "scale length: 647.70 mm" in card
    assert "wanted relief: 0.10 to 0.25 mm" in card


def test_documents_keep_to_their_schemas(shop: Shop) -> None:
    assert shop.document("visit-list-1", "visit", "list")["total"] == 1
    visit = shop.document("visit-1", "visit", "show", "1")
    assert visit["comparison"]["verdict"] == "lower"
    assert {entry["kind"] for entry in visit["entries"]} >= {"measurement", "turn", "reading", "climate", "closing"}
    assert shop.document("instrument-list-1", "instrument", "list")["rows"][0]["instrument"] == "Blue archtop"
    assert shop.document("instrument-1", "instrument", "show", "Blue archtop", "--history")["rod_kind"] == "two-way"
    assert shop.document("season-1", "season", "Blue archtop")["line"] is None
    assert shop.document("book-check-1", "book", "check")["whole"] is True
    shop.run("book", "export", "out")
    for line in (shop.folder / "out" / "book.jsonl").read_text("utf-8").splitlines():
        jsonschema.validate(json.loads(line), schema_for("book-export-1"))


def test_document_stands_alone_on_standard_output(shop: Shop) -> None:
    done = shop.run("season", "Blue archtop", "--json", "-", "--plot", "season.png")
    json.loads(done.stdout)
    assert "plot: season.png" in done.stderr


def test_csv_reads_back_and_runs_no_formula(shop: Shop) -> None:
    text = shop.run("visit", "list", "--csv", "-").stdout
    (row,) = csv.DictReader(io.StringIO(text))
    assert (row["instrument"], row["state"], float(row["turned_turns"])) == ("Blue archtop", "closed", 0.125)
    shop.run("instrument", "add", "=HYPERLINK(1)")
    shop.run("instrument", "list", "--csv", "list.csv")
    data = (shop.folder / "list.csv").read_bytes()
    assert data.count(b"\r\n") == 3
    assert b"\n'=HYPERLINK(1)," in data


def test_search_and_nothing_found(shop: Shop) -> None:
    assert "Blue archtop" in shop.run("visit", "list", "--search", "TREBLE end").stdout
    assert shop.run("visit", "list", "--search", "zither").stdout == "nothing found\n"


def test_reports(shop: Shop) -> None:
    assert (shop.folder / "sheet.html").read_text("utf-8").startswith("<!DOCTYPE html>")
    shop.run("visit", "report", "Blue archtop", "sheet.pdf", "--page", "letter", "--units", "in")
    assert (shop.folder / "sheet.pdf").read_bytes().startswith(b"%PDF-")
    done = shop.run("visit", "report", "1", "sheet.txt", status=2)
    assert "must end in .html or .pdf" in done.stderr


def test_correction_and_withdrawal(shop: Shop) -> None:
    entries = shop.document("visit-1", "visit", "show", "1")["entries"]
    action = next(entry["entry"] for entry in entries if entry["kind"] == "action")
    assert f"(in place of {action})" in shop.run("visit", "correct", str(action), "--action", "1.9mm,1.6mm").stdout
    again = shop.run("visit", "correct", str(action), "--withdraw", status=2)
    assert "has been corrected by entry" in again.stderr
    everything = shop.run("visit", "show", "1", "--all").stdout
    assert "bass 1.98 mm" in everything
    assert "bass 1.98 mm" not in shop.run("visit", "show", "1").stdout
    shop.run("visit", "correct", str(action), status=2)


def test_asked_at_the_prompt(shop: Shop) -> None:
    # a value without a unit is explained and asked for again
    typed = "ticket 7\nukulele\n381\n\n\n\n\n\n\n\n\n\n\n0.05-0.2\n" + "\n" * 10
    done = shop.run("instrument", "add", "Small one", "--ask", typed=typed)
    assert "scale length: 381.00 mm" in done.stdout
    assert "scale-length (length, e.g. 648mm or 25.5in)" in done.stderr
    shop.run("visit", "open", "Small one")
    done = shop.run("visit", "add", "Small one", "--ask", typed="2.0mm,1.8mm\n\n70\n70F\n45%\n\nfine\n\n\n\n\n")
    assert "21.1 °C, 45 % RH" in done.stdout
    assert "write a number and C or F" in done.stderr


def test_values_from_toml(shop: Shop) -> None:
    (shop.folder / "i.toml").write_text('family = "bass"\nscale_length_mm = 863.6\ntarget = "straight"\n')
    assert "scale length: 863.60 mm" in shop.run("instrument", "add", "Long one", "--from", "i.toml").stdout
    shop.run("visit", "open", "Long one", "--season-check")
    (shop.folder / "v.toml").write_text(
        'method = "rule"\nreading = ["7=2/64in", "9=0.5mm"]\n'
        'humidity_pct = 40\ntemperature = "20C"\nnote = ["a", "b"]\n'
    )
    shown = shop.run("visit", "add", "Long one", "--from", "v.toml").stdout
    assert shown.count("by rule at fret") == 2
    assert shown.count("season-check") == 5


@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        (("visit", "show", "99"), 2, "no visit 99"),
        (("visit", "open", "Nobody"), 2, "no instrument 'Nobody'"),
        (("visit", "add", "1", "--note", "x"), 2, "is closed"),
        (("visit", "add", "1"), 2, "nothing to enter"),
        (("turn", "1", "tighten", "3"), 2, "a turn of 3 makes no sense"),
        (("turn", "1", "tighten", "much"), 2, "cannot read 'much'"),
        (("instrument", "add", "Blue ARCHTOP"), 2, "already has an instrument"),
        (("instrument", "add", "New", "--scale-length", "25.5"), 2, "a scale length of 25.5 mm makes no sense"),
        (("instrument", "set", "Blue archtop"), 2, "nothing to change"),
        (("season", "Blue archtop", "--humidity", "30%"), 2, "needs both"),
        (("season", "Blue archtop", "--plot", "x.bmp"), 2, "must end in .png or .svg"),
        (("book", "check", "--book", "none.sqlite"), 4, "no bench book at none.sqlite"),
        (("book", "import", "nowhere", "--book", "x.sqlite"), 4, "cannot read the export"),
        (("book", "backup", "sheet.html"), 4, "never overwrites"),
        (("book", "export", "."), 4, "not an empty folder"),
    ],
)
def test_every_refusal_is_one_line(shop: Shop, words: tuple[str, ...], status: int, message: str) -> None:
    assert message in shop.run(*words, status=status).stderr


def test_refusal_in_a_process_of_its_own(shop: Shop) -> None:
    for words, status in ((("visit", "show", "99"), 2), (("book", "check", "--book", "none.sqlite"), 4)):
        done = shop.run_real(*words)
        assert done.returncode == status
        assert done.stdout == ""
        assert done.stderr.startswith("lightgap: ")
        assert len(done.stderr.splitlines()) == 1


def test_cautions_are_said_at_the_rod(shop: Shop) -> None:
    shop.run("instrument", "add", "Careful")
    shop.run("visit", "open", "Careful")
    done = shop.run("turn", "Careful", "tighten", "1/2", "--feel", "stiff")
    assert "caution: more than ¼ turn in one step" in done.stderr
    assert "leave it to a qualified repairer" in done.stderr
    done = shop.run("turn", "Careful", "tighten", "1/2")
    assert "caution: more than ¾ turn in one visit" in done.stderr


def test_backup_import_and_damage(shop: Shop) -> None:
    shop.run("book", "backup", "copy.sqlite")
    assert "whole: " in shop.run("book", "check", "--book", "copy.sqlite").stdout
    photo = next((shop.folder / "copy.sqlite.photos").rglob("*.jpg"))
    photo.unlink()
    done = shop.run("book", "check", "--book", "copy.sqlite", status=4)
    assert done.stdout.startswith("photo-missing: ")
    assert "the book is not whole: 1 fault" in done.stderr
    document = shop.document("book-check-1", "book", "check", "--book", "copy.sqlite", status=4)
    assert document["whole"] is False


def test_remeasure_speaks_of_photos_it_cannot_read(shop: Shop) -> None:
    """The made-up photos of this shop show no neck: each is refused, and the book stays as it is."""
    document = shop.document("remeasure-1", "book", "remeasure", "--visit", "1")
    assert {line["outcome"] for line in document["lines"]} == {"refused now"}
    assert "refused now: " in shop.run("book", "remeasure").stdout
    assert "whole" in shop.run("book", "check").stdout


def test_path(shop: Shop) -> None:
    assert shop.run("book", "path").stdout.strip() == shop.env["LIGHTGAP_BOOK"]
    assert shop.run("book", "path", "--book", "other.sqlite").stdout == "other.sqlite\n"


def test_names_typed_at_people_s_terminals_show_as_text(shop: Shop) -> None:
    shop.run("instrument", "add", "bell\x07 \x1b[31mred")
    shown = shop.run("instrument", "list").stdout
    assert "bell␇ ␛[31mred" in shown
    assert "\x1b" not in shown


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_instrument_names_complete_in_the_shell(shop: Shop, shell: str) -> None:
    words = "lightgap visit open Bl"
    env = {"_LIGHTGAP_COMPLETE": f"complete_{shell}", "COMP_WORDS": words, "COMP_CWORD": "3"}
    env |= {"_TYPER_COMPLETE_ARGS": words, "_TYPER_COMPLETE_FISH_ACTION": "get-args"}
    done = shop.run_real(**env)
    assert "Blue archtop" in done.stdout
    assert "Careful" not in done.stdout


def test_completion_is_silent_without_a_book(shop: Shop) -> None:
    words = "lightgap visit open Bl"
    env = {
        "_LIGHTGAP_COMPLETE": "complete_bash",
        "COMP_WORDS": words,
        "COMP_CWORD": "3",
        "LIGHTGAP_BOOK": "none.sqlite",
    }
    done = shop.run_real(**env)
    assert (done.stdout.strip(), done.stderr) == ("", "")
    assert not (shop.folder / "none.sqlite").exists()


HELPED = [
    ("instrument", "add"), ("instrument", "set"), ("instrument", "list"), ("instrument", "show"), ("visit", "open"),
    ("visit", "add"), ("visit", "correct"), ("visit", "show"), ("visit", "close"), ("visit", "reopen"),
    ("visit", "report"), ("visit", "list"), ("turn",), ("season",), ("book", "path"), ("book", "check"),
    ("book", "backup"), ("book", "export"), ("book", "import"), ("book", "remeasure"),
]  # fmt: skip


@pytest.mark.parametrize("words", HELPED)
def test_help_names_two_examples(shop: Shop, words: tuple[str, ...]) -> None:
    shown = shop.run(*words, "--help").stdout
    assert "Examples:" in shown
    assert shown.count("lightgap " + " ".join(words)) >= 2


def test_help_is_instant() -> None:
    """Nothing heavy is loaded for help: named modules are absent, no clock is asked."""
    script = (
        "import sys\n"
        "import lightgap.cli.app\n"
        "heavy = {'numpy', 'scipy', 'cv2', 'matplotlib', 'jinja2', 'fpdf', 'sqlite3', 'PIL'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_readings_by_hand_are_judged_as_they_are_entered(shop: Shop) -> None:
    shop.run("instrument", "add", "Feeler", "--family", "electric", "--rod", "single-action")
    shop.run("visit", "open", "Feeler")
    said = shop.run("visit", "add", "Feeler", "--reading", "7=0.016in", "--reading", "9=0.015in")
    assert "relief: above the target, beyond doubt. Tighten by ⅛ turn, then measure again" in said.stdout
    said = shop.run("turn", "Feeler", "tighten", "1/8", "--feel", "at-end")
    assert "caution: the nut is at the end of its thread: stop here" in said.stderr
    said = shop.run("visit", "add", "Feeler", "--reading", "7=0.008in", "--reading", "9=0.0075in")
    assert "relief: inside the target. Leave the rod alone." in said.stdout
    assert "a real change, less relief" in shop.run("visit", "close", "Feeler").stdout
    assert "relief:" not in shop.run("visit", "open", "Feeler").stdout
    assert "relief:" not in shop.run("visit", "add", "Feeler", "--note", "plays well").stdout
