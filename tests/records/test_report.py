"""The report of one photo: self-contained, whole, and safe whatever people typed."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from lightgap.neck.documents import plan_document
from lightgap.neck.plan import plan_rod
from lightgap.neck.profile import Finding
from lightgap.neck.targets import usual_target
from lightgap.records.report import photo_report_html, photo_report_pdf
from lightgap.records.text import one_line, visible_text

from .makers import PLAN, make_measurement

NASTY = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7*7 }}{% raw %}",
    "</style><b>bold</b>",
    "שלום <i>עולם</i>",
    "evil\u202egpj.exe",
    "bell\x07 nul\x00 esc\x1b[31m",
    "&lt;already&gt; & 'quoted'",
]


class Reader(HTMLParser):
    """Collects tags, attributes and the text a reader sees."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.text += data


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    return reader


def test_page_is_self_contained(overlay_png: bytes) -> None:
    reader = read(photo_report_html(make_measurement(), overlays=[overlay_png], plan=PLAN))
    sources = [value or "" for name, value in reader.attributes if name in ("src", "href", "data", "action")]
    assert len(sources) == 2
    assert all(source.startswith("data:image/") for source in sources)
    assert not {"script", "link", "iframe", "object", "a"} & set(reader.tags)


def test_page_says_relief_target_turn_and_provenance(overlay_png: bytes) -> None:
    measurement = make_measurement()
    settings = {"scale_length_mm": 648.0, "board_radius_mm": None}
    text = read(photo_report_html(measurement, overlays=[overlay_png], plan=PLAN, settings=settings)).text
    for wanted in (
        "± 0.014 mm",
        "0.10 to 0.25 mm",
        "above the target, beyond doubt",
        "Tighten by ⅛ turn, then measure again; at most ¾ turn in one visit.",
        measurement.photo.sha256,
        "scale_length_mm = 648.0",
        "lightgap 0.",
        "Cautions",
        "straightedge straightness",
        "stand out little",
    ):
        assert wanted in text
    assert "board_radius_mm" not in text


def test_page_of_a_photo_that_tells_no_instrument_turns_a_rod_only_where_any_would_be_turned(
    overlay_png: bytes,
) -> None:
    wanted = usual_target()
    for value, words, turn in (
        (0.9, "above what is usual for any instrument, beyond doubt", "Tighten by"),
        (0.3, "inside what is usual for any instrument", "Leave the rod alone."),
        (0.45, "cannot tell", "Leave the rod alone."),
    ):
        relief = replace(make_measurement().relief, relief_mm=value, U_mm=0.01, chord=(1, 15))
        plan = plan_document(plan_rod(relief, wanted.range_mm, findings=wanted.findings))
        text = read(photo_report_html(make_measurement(), overlays=[overlay_png], plan=plan)).text
        assert words in text
        assert turn in text
        assert "Usual for any instrument" in text


def test_page_without_plan_gives_no_advice(overlay_png: bytes) -> None:
    text = read(photo_report_html(make_measurement(), overlays=[overlay_png])).text
    assert "Next step at the rod" not in text
    assert "Aimed for" not in text


def test_inches_at_the_surface(overlay_png: bytes) -> None:
    text = read(photo_report_html(make_measurement(), overlays=[overlay_png], units="in")).text
    assert "0.01220" in text or "0.0122" in text  # 0.310 mm / 25.4
    assert "gap (in)" in text


@pytest.mark.parametrize("nasty", NASTY)
def test_what_people_typed_shows_as_text(nasty: str, overlay_png: bytes) -> None:
    measurement = make_measurement()
    measurement = replace(
        measurement,
        photo=replace(measurement.photo, file=nasty),
        warnings=(Finding(code="x", message=nasty),),
    )
    plan = PLAN | {"checklist": [nasty], "cautions": [nasty], "findings": [{"code": "x", "message": nasty}]}
    page = photo_report_html(measurement, overlays=[overlay_png], plan=plan)
    reader = read(page)
    assert reader.text.count(visible_text(nasty)) >= 4
    assert one_line(nasty) in reader.text
    assert not {"script", "b", "i"} & set(reader.tags)
    assert not [name for name, _ in reader.attributes if name.startswith("on")]
    assert not re.search(r"[\x00-\x08\x0b-\x1f\u202a-\u202e\u2066-\u2069]", page)


def test_visible_text_keeps_what_is_meant_to_be_read() -> None:
    assert visible_text("Grüße, 名前, שלום, 🎸\tok\n") == "Grüße, 名前, שלום, 🎸\tok\n"
    assert visible_text("a\x1bb\x7fc\x85d\ud800") == "a␛b␡c\ufffdd\ufffd"
    assert one_line("a\n  b\tc") == "a b c"


@pytest.mark.parametrize("page", ["A4", "letter"])
def test_pdf_has_one_to_two_pages(page: str, overlay_png: bytes) -> None:
    data = photo_report_pdf(make_measurement(frets=22), overlays=[overlay_png], plan=PLAN, page=page)  # type: ignore[arg-type]
    assert data.startswith(b"%PDF-")
    assert 1 <= len(re.findall(rb"/Type /Page\b(?!s)", data)) <= 2
    width, height = re.search(rb"/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]", data).groups()  # type: ignore[union-attr]
    # ISO 216 A4 is 210 x 297 mm; Letter is 8.5 x 11 in; a point is 1/72 in
    wanted = (595.28, 841.89) if page == "A4" else (612.0, 792.0)
    assert (float(width), float(height)) == pytest.approx(wanted, abs=0.01)


@pytest.mark.parametrize("nasty", [" ".join(NASTY), "名前" + "🎸" * 300, "x" * 4000])
def test_pdf_takes_any_text(nasty: str, overlay_png: bytes) -> None:
    measurement = make_measurement()
    measurement = replace(
        measurement, photo=replace(measurement.photo, file=nasty), warnings=(Finding(code="x", message=nasty),)
    )
    assert photo_report_pdf(measurement, overlays=[overlay_png], plan=PLAN).startswith(b"%PDF-")


def test_overlay_must_be_a_picture() -> None:
    with pytest.raises(ValueError, match="image is no readable picture"):
        photo_report_html(make_measurement(), overlays=[b"not a picture"])
