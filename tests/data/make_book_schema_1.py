"""Makes `book-schema-1/`: a small bench book as the first schema version wrote it, with its photos.

Run once when that schema was current; kept so that it can be seen how the stored book came about. It must not be run
again with another schema.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from records.makers import keep, make_document, make_photo  # noqa:E402

from lightgap.records.book import Book, _connect, create_book  # noqa: E402
from lightgap.records.entries import Action, Climate, Turn  # noqa: E402
from lightgap.records.instruments import Facts, add_instrument  # noqa: E402
from lightgap.records.visits import add_entry, close_visit, open_visit  # noqa: E402


def main() -> None:
    folder = HERE / "book-schema-1"
    shutil.rmtree(folder, ignore_errors=True)
    path = folder / "book.sqlite"
    create_book(path, up_to=1)
    connection = _connect(path)
    book = Book(path, connection)
    for number, (before_mm, after_mm) in enumerate(((0.31, 0.15), (0.42, 0.20)), start=1):
        instrument = add_instrument(
            book, Facts(f"Stored {number}", family="acoustic", scale_length_mm=645.0, rod_kind="two-way")
        )
        visit = open_visit(book, instrument)
        for seed, relief_mm in ((10 * number, before_mm), (10 * number + 1, after_mm)):
            photo = make_photo(folder, f"photo-{seed}.jpg", seed=seed, size_bytes=1500)
            keep(book, visit, make_document(photo, relief_mm, seed=seed), photo)
            photo.unlink()
            if seed % 10 == 0:
                add_entry(book, visit, detail=Turn("tighten", 0.125, "snug"))
        add_entry(book, visit, detail=Action(2.4, 1.9))
        add_entry(book, visit, detail=Climate(21.0, 45.0))
        close_visit(book, visit)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()


if __name__ == "__main__":
    main()
