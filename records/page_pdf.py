"""A sheet as a PDF, laid out for A4 or Letter."""

from __future__ import annotations

import io
import logging
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal, cast

from .sheet import KeyFigure, Listing, Picture, Sheet, Table, made_visible

if TYPE_CHECKING:
    from fpdf import FPDF

PageFormat = Literal["A4", "letter"]

_MARGIN_MM = 13.0
_INK = (20, 22, 25)
_SOFT = (86, 93, 100)
_LINE = (200, 205, 210)
_PANEL = (243, 245, 246)
_TONES = {"plain": _SOFT, "good": (29, 107, 60), "attention": (143, 63, 0)}
_FONT = "sheet"
_BODY_PT = 8.0
_TABLE_PT = 7.0
_GUTTER_MM = 6.0
_INDENT_MM, _WIDE_INDENT_MM = 5.0, 7.5  # of lists: to nine items, and with two figures before the point
_PICTURE_SHARE = 0.24
"""Of the page's height: the most a picture may take."""


def sheet_pdf(sheet: Sheet, *, page: PageFormat = "A4") -> bytes:
    """Return the sheet as a PDF document with embedded fonts and pictures.

    The font is DejaVu Sans as it comes with matplotlib (Latin, Greek, Cyrillic, Hebrew and Arabic letters, set
    right to left where they run so); a character it lacks is printed as its number in brackets.
    """
    document = _new_document(page)
    sheet = made_visible(sheet)
    flow = _Flow(document)
    document.set_title(sheet.title)
    flow.text(sheet.title, size_pt=14, bold=True)
    flow.text(sheet.subtitle, color=_SOFT)
    flow.key_figures(sheet.figures)
    for sentence in sheet.story:
        flow.text(sentence)
    halves = [picture for picture in sheet.pictures if not picture.wide]
    if halves:
        flow.side_by_side(halves)
    for picture in sheet.pictures:
        if picture.wide:
            flow.picture(picture)
    flow.columns(2)
    for item in sheet.listings:
        flow.listing(item)
    for table in sheet.tables:
        flow.table(table)
    flow.columns(1)
    flow.cautions(sheet.cautions)
    flow.provenance(sheet.provenance)
    return bytes(document.output())


def _new_document(page: PageFormat) -> FPDF:
    import matplotlib
    from fpdf import FPDF

    # The font writer tells the log which of a font's tables it leaves out: no news for the user.
    logging.getLogger("fontTools").setLevel(logging.ERROR)
    folder = f"{matplotlib.get_data_path()}/fonts/ttf"
    document = FPDF(format=page, unit="mm")
    document.add_font(_FONT, style="", fname=f"{folder}/DejaVuSans.ttf")
    document.add_font(_FONT, style="B", fname=f"{folder}/DejaVuSans-Bold.ttf")
    document.set_text_shaping(use_shaping_engine=True)
    document.set_margin(_MARGIN_MM)
    document.set_auto_page_break(False)
    document.set_creator("lightgap")
    document.set_lang("en")
    document.add_page()
    return document


class _Flow:
    """Writes blocks down a page in one or more columns, and takes a new page when they are full."""

    def __init__(self, document: FPDF) -> None:
        self.document = document
        self.bottom_mm = document.h - _MARGIN_MM
        self.top_mm = self.y_mm = _MARGIN_MM
        self.deepest_mm = self.y_mm
        self.count = 1
        self.column = 0
        self._glyphs = set(cast("Any", document.fonts[_FONT]).cmap)

    @property
    def width_mm(self) -> float:
        """Width of the current column."""
        return (float(self.document.epw) - _GUTTER_MM * (self.count - 1)) / self.count

    @property
    def x_mm(self) -> float:
        """Left edge of the current column."""
        return _MARGIN_MM + self.column * (self.width_mm + _GUTTER_MM)

    def columns(self, count: int) -> None:
        """Go on in `count` columns below all that was written."""
        self.y_mm = max(self.y_mm, self.deepest_mm) + 1.0
        self.count, self.column, self.top_mm = count, 0, self.y_mm
        self.deepest_mm = self.y_mm

    def room(self, height_mm: float) -> None:
        """Go to the next column or page unless `height_mm` fits here."""
        if self.y_mm + height_mm <= self.bottom_mm or self.y_mm <= self.top_mm:
            if self.y_mm + height_mm > self.bottom_mm and self.top_mm > _MARGIN_MM:
                self._new_page()
            return
        if self.column + 1 < self.count:
            self.deepest_mm = max(self.deepest_mm, self.y_mm)
            self.column, self.y_mm = self.column + 1, self.top_mm
            self.room(height_mm)
        else:
            self._new_page()

    def _new_page(self) -> None:
        self.document.add_page()
        self.column, self.top_mm, self.y_mm, self.deepest_mm = 0, _MARGIN_MM, _MARGIN_MM, _MARGIN_MM

    def drawable(self, text: str) -> str:
        """Return `text` with every character the font lacks as its number."""
        return "".join(c if ord(c) in self._glyphs or c in "\n\t" else f"[U+{ord(c):04X}]" for c in text)

    def font(self, *, size_pt: float = _BODY_PT, bold: bool = False, color: tuple[int, int, int] = _INK) -> float:
        """Set the font and return its line height."""
        self.document.set_font(_FONT, style="B" if bold else "", size=size_pt)
        self.document.set_text_color(*color)
        return size_pt * 0.46

    def height_mm(self, text: str, *, width_mm: float, line_mm: float) -> float:
        """Return how high `text` stands in a column of this width, in the font set."""
        height = self.document.multi_cell(width_mm, line_mm, text, dry_run=True, output="HEIGHT", align="L")
        return float(cast("Any", height))

    def put(self, text: str, *, x_mm: float, width_mm: float, line_mm: float, align: str = "L") -> None:
        """Write `text` at the current height, without moving on."""
        self.document.set_xy(x_mm, self.y_mm)
        self.document.multi_cell(width_mm, line_mm, text, align=align)

    def text(
        self,
        text: str,
        *,
        size_pt: float = _BODY_PT,
        bold: bool = False,
        color: tuple[int, int, int] = _INK,
        indent_mm: float = 0.0,
    ) -> None:
        """Write a paragraph."""
        line_mm = self.font(size_pt=size_pt, bold=bold, color=color)
        width_mm = self.width_mm - indent_mm
        text = self.drawable(text)
        height_mm = self.height_mm(text, width_mm=width_mm, line_mm=line_mm)
        self.room(height_mm)
        self.put(text, x_mm=self.x_mm + indent_mm, width_mm=width_mm, line_mm=line_mm)
        self.y_mm += height_mm + 0.8

    def heading(self, text: str, *, color: tuple[int, int, int] = _INK) -> None:
        """Write a heading, never alone at the foot of a column."""
        self.room(16.0)
        self.y_mm += 1.2
        self.text(text, size_pt=9.6, bold=True, color=color)

    def key_figures(self, figures: Sequence[KeyFigure]) -> None:
        """Write the large numbers side by side in panels."""
        self.y_mm += 1.0
        width_mm = (self.document.epw - _GUTTER_MM * (len(figures) - 1)) / max(len(figures), 1)
        height_mm = 16.5
        self.room(height_mm)
        top = self.y_mm
        for index, figure in enumerate(figures):
            x_mm = _MARGIN_MM + index * (width_mm + _GUTTER_MM)
            self.document.set_fill_color(*_PANEL)
            self.document.rect(x_mm, top, width_mm, height_mm, style="F")
            self.document.set_fill_color(*_TONES[figure.tone])
            self.document.rect(x_mm, top, 1.1, height_mm, style="F")
            for text, size_pt, bold, color, offset_mm in (
                (figure.name, 7.2, False, _SOFT, 1.3),
                (figure.value, 11.5, True, _INK, 5.0),
                (figure.note, 7.2, False, _TONES[figure.tone], 11.8),
            ):
                line_mm = self.font(size_pt=size_pt, bold=bold, color=color)
                self._shrink(text, width_mm=width_mm - 5, size_pt=size_pt)
                self.y_mm = top + offset_mm
                self.document.set_xy(x_mm + 2.5, self.y_mm)
                self.document.cell(width_mm - 4, line_mm, self.drawable(text))
        self.y_mm = top + height_mm + 2.0

    def _shrink(self, text: str, *, width_mm: float, size_pt: float) -> None:
        """Take a smaller font where the text is wider than its place."""
        wide = self.document.get_string_width(self.drawable(text))
        if wide > width_mm:
            self.document.set_font_size(max(size_pt * width_mm / wide, 4.0))

    def picture(self, picture: Picture) -> None:
        """Place a picture over the whole column width, unless it would stand too high."""
        from PIL import Image

        with Image.open(io.BytesIO(picture.data)) as opened:
            ratio = opened.height / opened.width
        width_mm = self.width_mm
        height_mm = width_mm * ratio
        highest_mm = _PICTURE_SHARE * self.document.h
        if height_mm > highest_mm:
            width_mm, height_mm = highest_mm / ratio, highest_mm
        self.room(height_mm + 5.0)
        self.document.image(
            io.BytesIO(picture.data),
            x=self.x_mm + (self.width_mm - width_mm) / 2,
            y=self.y_mm,
            w=width_mm,
            h=height_mm,
            alt_text=picture.caption,
        )
        self.y_mm += height_mm + 0.6
        self.text(picture.caption, size_pt=7, color=_SOFT)

    def side_by_side(self, pictures: Sequence[Picture]) -> None:
        """Place pictures of one row in columns of their own."""
        self.columns(len(pictures))
        top, deepest = self.y_mm, self.y_mm
        self.room(45.0)
        top = self.y_mm
        for index, picture in enumerate(pictures):
            self.column, self.y_mm = index, top
            self.picture(picture)
            deepest = max(deepest, self.y_mm)
        self.deepest_mm = deepest
        self.columns(1)

    def listing(self, item: Listing) -> None:
        """Write a list."""
        self.heading(item.heading)
        if len(item.lines) == 1 and not item.numbered:
            self.text(item.lines[0])
            return
        indent_mm = _INDENT_MM if len(item.lines) < 10 or not item.numbered else _WIDE_INDENT_MM
        for number, line in enumerate(item.lines, start=1):
            self.bullet(line, mark=f"{number}." if item.numbered else "•", indent_mm=indent_mm)

    def bullet(self, text: str, *, mark: str = "•", indent_mm: float = _INDENT_MM, inset_mm: float = 0.0) -> None:
        """Write one line of a list with its mark in the margin."""
        line_mm = self.font()
        text = self.drawable(text)
        width_mm = self.width_mm - indent_mm - 2 * inset_mm
        height_mm = self.height_mm(text, width_mm=width_mm, line_mm=line_mm)
        self.room(height_mm)
        self.put(mark, x_mm=self.x_mm + inset_mm, width_mm=indent_mm, line_mm=line_mm)
        self.put(text, x_mm=self.x_mm + inset_mm + indent_mm, width_mm=width_mm, line_mm=line_mm)
        self.y_mm += height_mm + 0.5

    def table(self, table: Table) -> None:
        """Write a table row by row; its head is repeated where it goes on."""
        self.heading(table.heading)
        widths_mm = self._column_widths(table)
        self._row(table.columns, widths_mm, table=table, head=True)
        for row in table.rows:
            place = (self.document.page, self.column)
            self.room(4.0)
            if place != (self.document.page, self.column):
                self._row(table.columns, widths_mm, table=table, head=True)
            self._row(row, widths_mm, table=table, head=False)
        self.y_mm += 0.8
        if table.note:
            self.text(table.note, size_pt=6.8, color=_SOFT)

    def _column_widths(self, table: Table) -> list[float]:
        """Return column widths: as wide as the content wants where all fits, else long texts give way."""
        self.font(size_pt=_TABLE_PT, bold=True)
        wanted = []
        for index, head in enumerate(table.columns):
            cells = [self.document.get_string_width(self.drawable(row[index])) for row in table.rows]
            word = max((self.document.get_string_width(self.drawable(w)) for w in head.split()), default=0.0)
            wanted.append(max([word, *cells]) + 2.2)
        total = sum(wanted)
        if total <= self.width_mm:
            return [w * self.width_mm / total for w in wanted]
        fair = self.width_mm / len(wanted)
        spare = self.width_mm - sum(w for w in wanted if w <= fair)
        greedy = sum(w for w in wanted if w > fair)
        return [w if w <= fair else w * spare / greedy for w in wanted]

    def _row(self, cells: Sequence[str], widths_mm: Sequence[float], *, table: Table, head: bool) -> None:
        line_mm = self.font(size_pt=_TABLE_PT, bold=head, color=_SOFT if head else _INK)
        shown = [self.drawable(cell) for cell in cells]
        height_mm = max(
            (self.height_mm(t, width_mm=w, line_mm=line_mm) for t, w in zip(shown, widths_mm, strict=True)), default=0.0
        )
        self.room(height_mm)
        x_mm = self.x_mm
        for index, (text, width_mm) in enumerate(zip(shown, widths_mm, strict=True)):
            self.put(text, x_mm=x_mm, width_mm=width_mm, line_mm=line_mm, align="R" if index in table.numeric else "L")
            x_mm += width_mm
        self.y_mm += height_mm + 0.3
        self.document.set_draw_color(*_LINE)
        self.document.set_line_width(0.1)
        self.document.line(self.x_mm, self.y_mm - 0.1, self.x_mm + self.width_mm, self.y_mm - 0.1)

    def cautions(self, lines: Sequence[str]) -> None:
        """Write the cautions in a frame."""
        if not lines:
            return
        line_mm = self.font()
        height_mm = 8.0 + sum(
            self.height_mm(self.drawable(line), width_mm=self.width_mm - 11.0, line_mm=line_mm) + 0.5 for line in lines
        )
        self.room(height_mm)
        self.document.set_draw_color(*_TONES["attention"])
        self.document.set_line_width(0.5)
        self.document.rect(self.x_mm, self.y_mm, self.width_mm, height_mm)
        top = self.y_mm
        self.y_mm += 0.6
        self.text("Cautions", size_pt=9.6, bold=True, color=_TONES["attention"], indent_mm=3.0)
        for line in lines:
            self.bullet(line, inset_mm=3.0)
        self.y_mm = top + height_mm + 1.5

    def provenance(self, pairs: Sequence[tuple[str, str]]) -> None:
        """Write what is needed to repeat the measurement."""
        self.heading("How to repeat this")
        for name, value in pairs:
            line_mm = self.font(size_pt=_TABLE_PT, color=_SOFT)
            value = self.drawable(value)
            width_mm = self.width_mm - 34.0
            height_mm = max(self.height_mm(value, width_mm=width_mm, line_mm=line_mm), line_mm)
            self.room(height_mm)
            self.put(self.drawable(name), x_mm=self.x_mm, width_mm=33.0, line_mm=line_mm)
            self.font(size_pt=_TABLE_PT)
            self.put(value, x_mm=self.x_mm + 34.0, width_mm=width_mm, line_mm=line_mm)
            self.y_mm += height_mm + 0.3
