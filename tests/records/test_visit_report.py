"""The sheet that goes home: intake beside after, whole, and safe whatever people typed."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from lightgap.neck.errors import InputError
from lightgap.records.book import Book, open_book
from lightgap.records.entries import Action, Climate, Detail, NutHeight, Remark, Turn
from lightgap.records.inputs import details_from
from lightgap.records.instruments import Facts, add_instrument
from lightgap.records.text import one_line, visible_text
from lightgap.records.visit_report import visit_report_html, visit_report_pdf
from lightgap.records.visits import (
    add_entries,
    add_entry,
    close_visit,
    find_visit,
    open_visit,
    read_visit,
    visit_comparison,
)

from .conftest import make_overlay
from .makers import keep, make_document, make_photo
from .test_report import NASTY, read


def test_report_says_how_it_came_what_was_done_and_how_it_leaves(filled: Book) -> None:
    visit = find_visit(filled, 1)
    text = read(visit_report_html(filled, visit)).text
    intake, after = visit.measurements()
    for wanted in (
        "Blue archtop",
        "reference ticket 114",
        "Relief as it came",
        "Relief as it leaves",
        "a real change",
        "truss rod tightened by ⅛ turn; the nut felt snug",
        "bridge moved +0.20 mm at the bass side",
        "strings new",
        "Crack (top, bass side): 40 mm, old",
        "Action over fret 12, bass",
        "1.90 mm",
        "1.70 mm",
        "Read by hand",
        "7=0.010in",
        "intake: gap (mm)",
        "after: gap (mm)",
        "Decision rule",
        intake.detail.photo_sha256,  # type: ignore[union-attr]
        after.detail.photo_sha256,  # type: ignore[union-attr]
        "Cautions",
        "scale_length_mm = 648.0",
    ):
        assert wanted in text, wanted
    assert "of another instrument" not in text  # a withdrawn note
    assert "Next step at the rod" not in text  # the visit is closed


def test_customer_part_comes_first_and_is_plain(filled: Book) -> None:
    page = visit_report_html(filled, find_visit(filled, 1))
    customer = page[page.index('class="customer"') : page.index('class="pictures"')]
    words = read(customer).text
    assert "Relief is how far the frets sag" in words
    assert "Relief changed by" in words
    for jargon in ("SHA", "px", "standard uncertainty", "JCGM", "covariance"):
        assert jargon not in words


def test_open_visit_shows_the_plan_that_holds_now(book: Book, tmp_path: Path) -> None:
    visit = open_visit(book, add_instrument(book, Facts("Blue")))
    with pytest.raises(InputError, match="no measurement yet"):
        visit_report_html(book, visit)
    photo = make_photo(tmp_path)
    keep(book, visit, make_document(photo), photo)
    text = read(visit_report_html(book, read_visit(book, visit.id))).text
    assert "Next step at the rod" in text
    assert "still open" in text


def hand(texts: list[str]) -> list[Detail]:
    return list(details_from({"reading": texts}, method="feeler"))


def test_a_bench_that_reads_by_hand_gets_its_sheet(book: Book, tmp_path: Path) -> None:
    visit = open_visit(book, add_instrument(book, Facts("Blue", family="electric", rod_kind="single-action")))
    add_entries(book, visit, details=hand(["5=0.40mm", "7=0.45mm", "9=0.42mm"]))
    page = read(visit_report_html(book, read_visit(book, visit.id))).text
    for wanted in ("Relief as it came", "above the target, beyond doubt", "Tighten by", "by hand", "Read by hand"):
        assert wanted in page
    add_entry(book, visit, detail=Turn("tighten", 0.25))
    add_entries(book, visit, details=hand(["5=0.17mm", "7=0.20mm", "9=0.18mm"]))
    done = read_visit(book, visit.id)
    comparison = visit_comparison(done)
    assert comparison is not None
    assert comparison.verdict == "lower"
    # The readings at fret 7 and, twice, half the leaf's own 0.02 mm: what a smooth neck may draw them by.
    assert comparison.change_mm == pytest.approx(-0.25, abs=0.02)
    page = read(visit_report_html(book, done)).text
    for wanted in ("Relief as it leaves", "inside the target", "a real change", "Leave the rod alone"):
        assert wanted in page
    assert "Planned at intake" not in page  # no plan is kept with readings
    assert visit_report_pdf(book, done).startswith(b"%PDF-")


def test_after_a_turn_no_step_is_told_before_it_is_measured(book: Book, tmp_path: Path) -> None:
    photo = make_photo(tmp_path)
    for name, by_photo in (("Blue", False), ("Red", True)):
        visit = open_visit(book, add_instrument(book, Facts(name, family="electric")))
        if by_photo:
            keep(book, visit, make_document(photo, 0.45), photo)
        else:
            add_entries(book, visit, details=hand(["7=0.45mm"]))
        assert "Tighten by" in read(visit_report_html(book, read_visit(book, visit.id))).text
        add_entry(book, visit, detail=Turn("tighten", 0.125))
        page = read(visit_report_html(book, read_visit(book, visit.id))).text
        assert "Tighten by" not in page
        assert "the rod was turned after this was measured" in page


def test_a_photo_counts_before_readings_and_is_compared_with_them(book: Book, tmp_path: Path) -> None:
    visit = open_visit(book, add_instrument(book, Facts("Blue")))
    photo = make_photo(tmp_path)
    keep(book, visit, make_document(photo, 0.45), photo)
    add_entries(book, visit, details=hand(["7=0.10mm"]))
    page = read(visit_report_html(book, read_visit(book, visit.id))).text
    assert "+0.44" in page or "+0.45" in page
    add_entry(book, visit, detail=Turn("tighten", 0.25))
    add_entries(book, visit, details=hand(["5=0.17mm", "7=0.20mm", "9=0.18mm"]))
    comparison = visit_comparison(read_visit(book, visit.id))
    assert comparison is not None
    assert comparison.verdict == "lower"


def test_readings_that_make_no_relief_make_no_sheet(book: Book) -> None:
    visit = open_visit(book, add_instrument(book, Facts("Blue")))
    add_entries(book, visit, details=hand(["20=0.40mm"]))
    with pytest.raises(InputError, match="no measurement yet"):
        visit_report_html(book, read_visit(book, visit.id))


def test_string_clearance_needs_action_nut_height_and_both_frets(book: Book, tmp_path: Path) -> None:
    visit = open_visit(book, add_instrument(book, Facts("Blue")))
    photo = make_photo(tmp_path)
    keep(book, visit, make_document(photo, 0.0), photo)
    assert "Least clearance" not in visit_report_html(book, read_visit(book, visit.id))
    add_entries(book, visit, details=[Action(2.0, 1.6), NutHeight(0.5, 0.4)])
    text = read(visit_report_html(book, read_visit(book, visit.id))).text
    # on a straight neck the open string is nearest to the first crown, at the height read there
    assert re.search(r"Least clearance, open string, bass\s*0\.5\d* ± 0\.1\d* mm at fret 1", text), text


def test_photo_and_overlay_missing_is_said_in_the_picture_s_place(filled: Book) -> None:
    shutil.rmtree(filled.photos)
    page = visit_report_html(filled, find_visit(filled, 1))
    assert page.count("the photo is missing from the book") >= 2
    assert visit_report_pdf(filled, find_visit(filled, 1)).startswith(b"%PDF-")


def nasty_book(book: Book, folder: Path) -> str:
    """Enter every nasty text wherever text can be typed; return the instrument's name."""
    everything = " ".join(NASTY)
    instrument = add_instrument(
        book,
        Facts(everything, owner_reference=everything, rod_drive=everything, string_set=everything, tuning=everything,
              wishes=everything, scale_length_mm=648.0),
    )  # fmt: skip
    visit = open_visit(book, instrument)
    photo = make_photo(folder)
    document = make_document(photo)
    document["photos"][0]["file"] = everything
    document["warnings"] = [{"code": "x", "message": everything}]
    document["settings"] = {"reference": everything}
    keep(book, visit, document, photo, overlay=make_overlay())
    add_entries(book, visit, details=[Remark("note", everything), Remark("crack", everything, everything)])
    add_entries(book, visit, details=[Turn("tighten", 0.125), Climate(21.0, 45.0)])
    keep(book, visit, make_document(photo, 0.15), photo, overlay=make_overlay())
    close_visit(book, visit, remark=everything)
    return everything


def test_what_people_typed_shows_as_text(book: Book, tmp_path: Path) -> None:
    everything = nasty_book(book, tmp_path)
    page = visit_report_html(book, find_visit(book, 1))
    reader = read(page)
    assert reader.text.count(visible_text(everything)) >= 7
    assert one_line(everything) in reader.text
    assert not {"script", "b", "i", "a", "iframe"} & set(reader.tags)
    assert not [name for name, _ in reader.attributes if name.startswith("on")]
    assert not re.search(r"[\x00-\x08\x0b-\x1f\u202a-\u202e\u2066-\u2069]", page)
    assert visit_report_pdf(book, find_visit(book, 1)).startswith(b"%PDF-")


@pytest.mark.parametrize("page", ["A4", "letter"])
def test_pdf_of_a_long_neck_is_two_pages(book: Book, tmp_path: Path, page: str) -> None:
    long_visit(book, tmp_path)
    data = visit_report_pdf(book, find_visit(book, 1), page=page)  # type: ignore[arg-type]
    assert len(re.findall(rb"/Type /Page\b(?!s)", data)) <= 2


def long_visit(book: Book, folder: Path) -> None:
    """Enter a visit with as many frets, words and values as a full day at the bench leaves."""
    instrument = add_instrument(
        book,
        Facts("Blue archtop", owner_reference="ticket 114", family="electric", scale_length_mm=648.0, fret_count=22,
              body_joint_fret=14, board_radius_mm=305.0, rod_kind="single-action", rod_access="peghead",
              rod_drive="5 mm hex", string_set="11 to 49 nickel", tuning="E2 A2 D3 G3 B3 E4",
              wishes="low action, hard attack, plays in an unheated hall"),
    )  # fmt: skip
    visit = open_visit(book, instrument)
    photo = make_photo(folder)
    keep(book, visit, make_document(photo, 0.31, frets=22), photo, overlay=make_overlay())
    add_entries(
        book,
        visit,
        details=[
            Action(2.3, 1.9),
            NutHeight(0.5, 0.4),
            Climate(21.0, 45.0),
            Remark("crack", "40 mm, old, glued", "top, bass side"),
            Remark("buzz", "open only, clears when pressed at fret 2", "string 6"),
            Remark("note", "plays stiff above the seventh fret"),
        ],
    )
    add_entries(book, visit, details=[Turn("tighten", 0.125, "snug"), Turn("tighten", 0.125, "snug")])
    keep(book, visit, make_document(photo, 0.15, frets=22, seed=2), photo, overlay=make_overlay())
    add_entries(book, visit, details=[Action(1.9, 1.6), NutHeight(0.5, 0.4), Climate(21.0, 44.0)])
    close_visit(book, visit, remark="set up, frets polished, strings new")


# --- in a real browser -------------------------------------------------------------------------------------------

CHROMIUM = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None
)
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path")
PAPER = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}  # mm: ISO 216, and 8.5 x 11 in


def chromium(*arguments: str, home: Path) -> str:
    """Run the browser without a window and return what it wrote to standard output."""
    assert CHROMIUM is not None
    command = [
        CHROMIUM,
        "--headless",
        "--disable-gpu",
        "--no-first-run",
        "--disable-dev-shm-usage",
        f"--user-data-dir={home / 'profile'}",
        *(["--no-sandbox"] if os.geteuid() == 0 else []),
        *arguments,
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, env={**os.environ, "HOME": str(home)})
    assert done.returncode == 0, done.stderr
    return done.stdout


@needs_chromium
@pytest.mark.parametrize("paper", sorted(PAPER))
def test_browser_prints_one_to_two_pages(book: Book, tmp_path: Path, paper: str) -> None:
    long_visit(book, tmp_path)
    page, out = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    text = visit_report_html(book, find_visit(book, 1))
    # The page leaves the paper to the printer; here it is chosen for it.
    page.write_text(text.replace("</head>", f"<style>@page {{ size: {paper} }}</style></head>"), encoding="utf-8")
    chromium("--no-pdf-header-footer", f"--print-to-pdf={out}", page.as_uri(), home=tmp_path)
    data = out.read_bytes()
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", data)) <= 2
    box = re.search(rb"/MediaBox\s*\[\s*0 0 ([0-9.]+) ([0-9.]+)\s*\]", data)
    assert box is not None
    # points of 1/72 in; the browser rounds the paper to its own pixels of 1/96 in
    assert [float(side) * 25.4 / 72 for side in box.groups()] == pytest.approx(PAPER[paper], abs=25.4 / 96)


@needs_chromium
def test_browser_runs_and_fetches_nothing_and_shows_typed_text(book: Book, tmp_path: Path) -> None:
    everything = nasty_book(book, tmp_path)
    page = tmp_path / "sheet.html"
    # A script that did run would leave its mark in the page the browser hands back.
    text = visit_report_html(book, find_visit(book, 1)).replace("alert(1)", "document.title='RAN'")
    page.write_text(text, encoding="utf-8")
    dom = chromium("--dump-dom", page.as_uri(), home=tmp_path)
    reader = read(dom)
    assert "RAN</title>" not in dom
    assert not {"script", "b", "i"} & set(reader.tags)
    wanted = visible_text(everything).replace("alert(1)", "document.title='RAN'")
    assert reader.text.count(wanted) >= 7


@needs_chromium
@pytest.mark.parametrize(("scheme", "dark"), [("light", False), ("dark", True)])
def test_browser_draws_both_schemes_without_a_broken_picture(
    book: Book, tmp_path: Path, scheme: str, dark: bool
) -> None:
    import numpy as np
    from PIL import Image

    long_visit(book, tmp_path)
    page, shot = tmp_path / "sheet.html", tmp_path / "shot.png"
    page.write_text(visit_report_html(book, find_visit(book, 1)), encoding="utf-8")
    setting = f"--blink-settings=preferredColorScheme={0 if dark else 1}"
    chromium(setting, "--window-size=1000,1400", f"--screenshot={shot}", page.as_uri(), home=tmp_path)
    with Image.open(shot) as image:
        pixels = np.asarray(image.convert("RGB"), dtype=float)
    margin = pixels[:, :12].mean()  # the page's ground, left of all text
    assert margin < 60 if dark else margin > 240
    # the overlay stands in for a photo: its face of the straightedge is (190, 195, 200), through JPEG
    near = np.abs(pixels - np.array([190.0, 195.0, 200.0])).max(axis=2) < 6
    assert near.mean() > 0.005


def test_stored_visit_reads_the_same_after_reopening(filled: Book) -> None:
    first = visit_report_html(filled, find_visit(filled, 1))
    with open_book(filled.path) as again:
        second = visit_report_html(again, find_visit(again, 1))
    drop = re.compile(r"<dt><bdi>Report made.*?</dd>", re.S)
    assert drop.sub("", first) == drop.sub("", second)
