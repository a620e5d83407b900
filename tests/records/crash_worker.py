"""Works on a bench book until it is killed; says what is confirmed, line by line."""

from __future__ import annotations

import sys
from pathlib import Path

from lightgap.records.book import open_book
from lightgap.records.transfer import import_book

from .makers import keep, make_document, make_photo


def say(*words: object) -> None:
    sys.stdout.write(" ".join(map(str, words)) + "\n")
    sys.stdout.flush()


def measure(path: Path, folder: Path) -> None:
    """Measure photo after photo into visit 1."""
    for seed in range(100_000):
        photo = make_photo(folder, f"{seed}.jpg", seed=seed, size_bytes=20_000)
        document = make_document(photo, 0.3)
        with open_book(path) as book:
            say("begin")
            done = keep(book, 1, document, photo, advise=False)
        say("confirmed", done.entry_id, document["photos"][0]["sha256"])


def bring_in(path: Path, folder: Path) -> None:
    """Import the export in `folder` into book after book."""
    for number in range(100_000):
        target = path.with_name(f"import-{number}.sqlite")
        say("begin", target)
        import_book(folder, target)
        say("imported", target)


def migrate(path: Path, folder: Path) -> None:
    """Bring copy after copy of an older book up to date."""
    data = path.read_bytes()
    for number in range(100_000):
        copy = folder / f"older-{number}.sqlite"
        copy.write_bytes(data)
        say("begin", copy)
        with open_book(copy):
            pass
        say("migrated", copy)


if __name__ == "__main__":
    say("ready")
    {"measure": measure, "import": bring_in, "migrate": migrate}[sys.argv[1]](Path(sys.argv[2]), Path(sys.argv[3]))
