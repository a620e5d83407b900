"""What the tests of the records share."""

from __future__ import annotations

import io
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image, ImageDraw

from lightgap.records.book import Book, open_book
from lightgap.records.entries import Action, BridgeMove, Climate, NutHeight, Reading, Remark, Turn
from lightgap.records.instruments import Facts, add_instrument
from lightgap.records.visits import add_entries, add_entry, close_visit, open_visit, withdraw_entry

from .makers import keep, make_document, make_photo


def make_overlay() -> bytes:
    """Return a small picture as PNG."""
    image = Image.new("RGB", (2400, 800), (150, 152, 148))
    draw = ImageDraw.Draw(image)
    draw.rectangle((200, 240, 2200, 380), fill=(190, 195, 200))
    draw.line((200, 380, 2200, 380), fill=(200, 40, 40), width=3)
    stream = io.BytesIO()
    image.save(stream, format="PNG")
    return stream.getvalue()


@pytest.fixture(scope="session")
def overlay_png() -> bytes:
    """A picture as wide as a phone photo, for the place of the overlay."""
    return make_overlay()


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    """An empty bench book."""
    with open_book(tmp_path / "bench" / "book.sqlite", create=True) as opened:
        yield opened


@pytest.fixture(scope="session")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a filled book and the photos it was filled from."""
    folder = tmp_path_factory.mktemp("shelf")
    with open_book(folder / "bench" / "book.sqlite", create=True) as opened:
        fill(opened, folder)
    return folder


@pytest.fixture
def filled(shelf: Path, tmp_path: Path) -> Iterator[Book]:
    """A book with one finished visit: intake, a turn, after, everything else that can be entered."""
    shutil.copytree(shelf, tmp_path, dirs_exist_ok=True)
    with open_book(tmp_path / "bench" / "book.sqlite") as opened:
        yield opened


def fill(book: Book, folder: Path, *, name: str = "Blue archtop") -> None:
    """Enter one finished visit."""
    instrument = add_instrument(
        book,
        Facts(name, owner_reference="ticket 114", family="electric", scale_length_mm=648.0, rod_kind="single-action"),
    )
    visit = open_visit(book, instrument)
    before = make_photo(folder, "before.jpg", seed=len(name))
    after = make_photo(folder, "after.jpg", seed=len(name) + 1)
    keep(book, visit, make_document(before, 0.31), before, overlay=make_overlay())
    add_entries(
        book,
        visit,
        details=[
            Action(1.9, 1.6),
            NutHeight(0.5, 0.4),
            Climate(21.0, 45.0),
            Remark("crack", "40 mm, old", "top, bass side"),
            Remark("note", "plays stiff"),
            Reading(7, 0.254, 0.012, "feeler", "7=0.010in"),
        ],
    )
    add_entry(book, visit, detail=Turn("tighten", 0.125, "snug"))
    add_entry(book, visit, detail=BridgeMove(0.2, 0.1))
    keep(book, visit, make_document(after, 0.15, seed=2), after)
    add_entry(book, visit, detail=Action(1.7, 1.4))
    withdraw_entry(book, add_entry(book, visit, detail=Remark("note", "of another instrument")))
    close_visit(book, visit, remark="strings new")
