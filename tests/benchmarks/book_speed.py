"""How long the bench book takes with many visits: list, search, one report, check, export, import.

Makes a seeded book, prints the machine, and one line for each question. Import is timed at two sizes, to show that it
grows with the size and not faster.

    python tests/benchmarks/book_speed.py --visits 20000 --which list search report
"""

from __future__ import annotations

import argparse
import copy
import platform
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from records.makers import PLAN, make_document, make_photo  # noqa: E402

from lightgap.records.book import Book, open_book, program_text  # noqa: E402
from lightgap.records.check import check_book  # noqa: E402
from lightgap.records.documents import stored_text  # noqa: E402
from lightgap.records.entries import Action, Climate, Closing, Remark, StoredMeasurement, Turn, insert_entry  # noqa: E402
from lightgap.records.find import list_instruments, list_visits, search_visits  # noqa: E402
from lightgap.records.instruments import Facts, instrument_names  # noqa: E402
from lightgap.records.season import season_line  # noqa: E402
from lightgap.records.transfer import export_book, import_book  # noqa: E402
from lightgap.records.visit_report import visit_report_html, visit_report_pdf  # noqa: E402
from lightgap.records.visits import find_visit  # noqa: E402

WORDS = ("rattles", "lifted", "stiff", "frets polished", "humid", "open string", "treble side", "after the summer")
QUESTIONS = ("list", "list-all", "search", "names", "report", "report-pdf", "season", "check", "export", "import")


def make_book(path: Path, *, visits: int, seed: int) -> None:
    """Make a book with `visits` visits of a fifth as many instruments, two measurements each, few photos."""
    rng = np.random.default_rng(seed)
    with open_book(path, create=True) as book:
        documents = [_photographed(book, path.parent, number) for number in range(20)]
        with book.write():
            for number in range(max(1, visits // 5)):
                _insert_instrument(book, number + 1)
            for number in range(visits):
                _insert_visit(book, number, visits=visits, documents=documents, rng=rng)


def _photographed(book: Book, folder: Path, number: int) -> dict[str, object]:
    from lightgap.records.files import keep_file

    photo = make_photo(folder, f"{number}.jpg", seed=number, size_bytes=30_000)
    sha256, size = keep_file(book.photos, photo, suffix=".jpg")
    with book.write():
        book.insert(
            "photo",
            {"sha256": sha256, "file_name": photo.name, "suffix": ".jpg", "size_bytes": size, "added_utc": "2026"},
        )
    return make_document(photo, 0.1 + 0.02 * number, seed=number, frets=20)


def _insert_instrument(book: Book, number: int) -> None:
    facts = Facts(f"Instrument {number:05d}", owner_reference=f"ticket {number}", family="acoustic")
    book.insert("instrument", {"id": number, "created_utc": "2026-01-01T00:00:00.000Z"})
    book.insert(
        "instrument_entry",
        {
            "instrument_id": number,
            "recorded_utc": "2026-01-01T00:00:00.000Z",
            "name": facts.name,
            "name_key": facts.name.casefold(),
            "owner_reference": facts.owner_reference,
            "family": facts.family,
        },
    )


def _insert_visit(
    book: Book, number: int, *, visits: int, documents: list[dict[str, object]], rng: np.random.Generator
) -> None:
    instrument = 1 + number % max(1, visits // 5)
    visit = book.insert(
        "visit",
        {"instrument_id": instrument, "opened_utc": f"2026-01-01T00:00:{number % 60:02d}.000Z", "purpose": "work"},
    )
    for stage in ("intake", "after"):
        document = copy.copy(documents[int(rng.integers(len(documents)))])
        insert_entry(book, visit, detail=_stored(document), stage=stage)
        insert_entry(book, visit, detail=Action(float(rng.uniform(1, 3)), float(rng.uniform(1, 3))), stage=stage)
        insert_entry(book, visit, detail=Climate(21.0, float(rng.uniform(30, 65))), stage=stage)
        if stage == "intake":
            insert_entry(book, visit, detail=Turn("tighten", 0.125, "snug"), stage="in-work")
        insert_entry(book, visit, detail=Remark("note", f"{rng.choice(WORDS)} {number}"), stage=stage)
    insert_entry(book, visit, detail=Closing(), stage="after")


def _stored(document: dict[str, object]) -> StoredMeasurement:
    relief = document["relief"]
    photos = document["photos"]
    assert isinstance(relief, dict)
    assert isinstance(photos, list)
    return StoredMeasurement(
        photo_sha256=photos[0]["sha256"],
        relief_mm=relief["relief_mm"],
        U_relief_mm=relief["U_mm"],
        k=relief["k"],
        at_fret=relief["at_fret"],
        chord_first_fret=relief["chord"][0],
        chord_last_fret=relief["chord"][1],
        shape=relief["shape"],
        document=stored_text(document),
        plan=stored_text(PLAN),
        program=program_text(),
    )


def timed(question: Callable[[], object], *, repeats: int) -> tuple[float, float]:
    """Return the first and the median of the later times, in seconds."""
    times = []
    for _ in range(repeats + 1):
        begin = time.perf_counter()
        question()
        times.append(time.perf_counter() - begin)
    return times[0], statistics.median(times[1:] or times)


def questions(book: Book, folder: Path, *, visits: int) -> dict[str, Callable[[], object]]:
    """Return what is asked of the book, by name."""
    middle = visits // 2 or 1
    counter = iter(range(10_000))
    return {
        "list": lambda: list_visits(book, limit=50),
        "list-all": lambda: list_visits(book),
        "search": lambda: search_visits(book, f"{middle}", limit=50),
        "names": lambda: (instrument_names(book, beginning="Instrument 0"), list_instruments(book, limit=50)),
        "report": lambda: visit_report_html(book, find_visit(book, middle)),
        "report-pdf": lambda: visit_report_pdf(book, find_visit(book, middle)),
        "season": lambda: season_line(book, find_visit(book, middle).instrument),
        "check": lambda: check_book(book),
        "export": lambda: export_book(book, folder / f"export-{next(counter)}"),
    }


def time_import(folder: Path, *, visits: int, seed: int) -> None:
    """Print the time to import a quarter, a half and all of the visits: a line through them has no curve."""
    for share in (4, 2, 1):
        path = folder / f"source-{share}.sqlite"
        make_book(path, visits=visits // share, seed=seed)
        with open_book(path) as book:
            export_book(book, folder / f"out-{share}")
        begin = time.perf_counter()
        import_book(folder / f"out-{share}", folder / f"in-{share}.sqlite")
        seconds, count = time.perf_counter() - begin, visits // share
        print(f"import      {count:>7} visits  {seconds:8.2f} s  {1e6 * seconds / count:6.0f} µs a visit")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--which", nargs="+", choices=QUESTIONS, default=list(QUESTIONS))
    chosen = parser.parse_args()
    print(f"{platform.platform()}, Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "book.sqlite"
        begin = time.perf_counter()
        make_book(path, visits=chosen.visits, seed=chosen.seed)
        size = path.stat().st_size / 1e6
        print(f"book of {chosen.visits} visits made in {time.perf_counter() - begin:.1f} s, {size:.0f} MB")
        print("question     first (s)  then, median (s)")
        with open_book(path) as book:
            for which, question in questions(book, folder, visits=chosen.visits).items():
                if which in chosen.which:
                    repeats = 0 if which in ("check", "export") else chosen.repeats
                    first, later = timed(question, repeats=repeats)
                    print(f"{which:<12} {first:9.3f}  {later:9.3f}")
        if "import" in chosen.which:
            time_import(folder, visits=chosen.visits, seed=chosen.seed)


if __name__ == "__main__":
    main()
