"""Listing and searching."""

from __future__ import annotations

from pathlib import Path

import pytest

from lightgap.records.book import Book
from lightgap.records.entries import Remark
from lightgap.records.find import INSTRUMENT_COLUMNS, VISIT_COLUMNS, list_instruments, list_visits, search_visits
from lightgap.records.instruments import change_instrument, find_instrument
from lightgap.records.visits import add_entry, correct_entry, open_visit, read_visit

from .conftest import fill


@pytest.fixture
def three(filled: Book, tmp_path: Path) -> Book:
    """A book with three visits of two instruments."""
    fill(filled, tmp_path, name="Grün 50%_x")
    visit = open_visit(filled, find_instrument(filled, "Blue archtop"))
    add_entry(filled, visit, detail=Remark("buzz", "Open A string RATTLES", "fret 3"))
    return filled


def test_visits_newest_first_with_relief_and_turns(three: Book) -> None:
    listing = list_visits(three)
    assert [row["visit"] for row in listing.rows] == [3, 2, 1]
    assert listing.total == 3
    assert tuple(listing.rows[0]) == VISIT_COLUMNS
    first = listing.rows[2]
    visit = read_visit(three, 1)
    assert first["intake_relief_mm"] == visit.measurements("intake")[0].detail.relief_mm  # type: ignore[union-attr]
    assert first["after_relief_mm"] == visit.measurements("after")[0].detail.relief_mm  # type: ignore[union-attr]
    assert (first["turned_turns"], first["state"]) == (0.125, "closed")
    newest = listing.rows[0]
    assert (newest["state"], newest["intake_relief_mm"], newest["turned_turns"]) == ("open", None, None)


def test_limit_says_how_many_there_are(three: Book) -> None:
    listing = list_visits(three, limit=2)
    assert ([row["visit"] for row in listing.rows], listing.total) == ([3, 2], 3)
    only = list_visits(three, instrument_id=find_instrument(three, "Blue archtop").id)
    assert [row["visit"] for row in only.rows] == [3, 1]


@pytest.mark.parametrize(
    ("text", "visits"),
    [
        ("rattles", [3]),
        ("FRET 3", [3]),
        ("GRÜN", [2]),
        ("ticket 114", [3, 2, 1]),
        ("strings new", [2, 1]),
        ("%", [2]),
        ("50%_", [2]),
        ("_", [2]),
        ("nowhere", []),
        ("' OR 1=1 --", []),
        ("\\", []),
    ],
)
def test_search_finds_words_and_takes_no_wildcards(three: Book, text: str, visits: list[int]) -> None:
    assert [row["visit"] for row in search_visits(three, text).rows] == visits


def test_corrected_note_and_former_name_are_still_found(three: Book) -> None:
    note = next(entry for entry in read_visit(three, 3).current if isinstance(entry.detail, Remark))
    correct_entry(three, note.id, detail=Remark("buzz", "clears now"))
    change_instrument(three, find_instrument(three, "Blue archtop"), name="Azure")
    assert [row["visit"] for row in search_visits(three, "rattles").rows] == [3]
    assert [row["instrument"] for row in search_visits(three, "blue").rows] == ["Azure", "Azure"]


def test_instruments_by_name_with_their_visits(three: Book) -> None:
    listing = list_instruments(three)
    assert [row["instrument"] for row in listing.rows] == ["Blue archtop", "Grün 50%_x"]
    assert tuple(listing.rows[0]) == INSTRUMENT_COLUMNS
    assert (listing.rows[0]["visits"], listing.rows[0]["last_visit"]) == (2, 3)
    assert [row["instrument"] for row in list_instruments(three, text="grün").rows] == ["Grün 50%_x"]


def test_lists_use_indices(three: Book) -> None:
    from lightgap.records import find

    for sql in (find._VISITS.format(chosen=""), find._VISITS.format(chosen="WHERE instrument_id = :instrument")):
        plan = three.rows("EXPLAIN QUERY PLAN " + sql, {"limit": 50, "instrument": 1})
        scans = [row["detail"] for row in plan if row["detail"].startswith("SCAN")]
        # only the chosen visits themselves may be walked through
        assert all(detail in ("SCAN visit", "SCAN v") for detail in scans), scans
