"""What a report says, in order, before it is HTML or PDF: both are laid out from the same sheet."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from .text import visible_text

Tone = Literal["plain", "good", "attention"]


@dataclass(frozen=True, slots=True)
class Picture:
    """An embedded picture: the file's bytes, its media type, and what the reader is told about it."""

    data: bytes
    media_type: Literal["image/png", "image/jpeg", "image/svg+xml"]
    caption: str
    wide: bool = True

    @property
    def data_uri(self) -> str:
        """The picture as a data URI (RFC 2397)."""
        return f"data:{self.media_type};base64,{base64.b64encode(self.data).decode('ascii')}"


@dataclass(frozen=True, slots=True)
class KeyFigure:
    """One large number of the customer's part: what, how much, and a word on it."""

    name: str
    value: str
    note: str = ""
    tone: Tone = "plain"


@dataclass(frozen=True, slots=True)
class Table:
    """A table: a heading, column heads and rows of text; columns named in `numeric` are set to the right."""

    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    numeric: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Listing:
    """A heading and its lines; numbered when the order matters."""

    heading: str
    lines: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Sheet:
    """A whole report.

    Attributes
    ----------
    title, subtitle
        The instrument (or photo) and the occasion.
    figures, story
        The customer's part: large numbers, then plain sentences.
    pictures
        Overlay photos and plots.
    listings
        What was done, plan, cautions.
    tables
        The bench's part.
    provenance
        Name and value of everything needed to repeat the measurement.
    """

    title: str
    subtitle: str
    figures: tuple[KeyFigure, ...]
    story: tuple[str, ...]
    pictures: tuple[Picture, ...]
    listings: tuple[Listing, ...]
    tables: tuple[Table, ...]
    provenance: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...] = ()


def made_visible(sheet: Sheet) -> Sheet:
    """Return the sheet with all its text through `visible_text`: the one gate between typed text and a page."""
    show = visible_text
    return Sheet(
        title=show(sheet.title),
        subtitle=show(sheet.subtitle),
        figures=tuple(replace(f, name=show(f.name), value=show(f.value), note=show(f.note)) for f in sheet.figures),
        story=tuple(map(show, sheet.story)),
        pictures=tuple(replace(p, caption=show(p.caption)) for p in sheet.pictures),
        listings=tuple(
            replace(item, heading=show(item.heading), lines=tuple(map(show, item.lines))) for item in sheet.listings
        ),
        tables=tuple(
            replace(
                t,
                heading=show(t.heading),
                columns=tuple(map(show, t.columns)),
                rows=tuple(tuple(map(show, row)) for row in t.rows),
                note=show(t.note),
            )
            for t in sheet.tables
        ),
        provenance=tuple((show(name), show(value)) for name, value in sheet.provenance),
        cautions=tuple(map(show, sheet.cautions)),
    )


MAX_PICTURE_PX = 1800
"""Width at which a photo fills an A4 page at 240 dots per inch."""


def photo_picture(image: bytes, *, caption: str, wide: bool = True) -> Picture:
    """Return a photo (PNG or JPEG bytes) scaled down for a page, as JPEG.

    Raises
    ------
    ValueError
        When the bytes are no picture.
    """
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(io.BytesIO(image)) as opened:
            picture = opened.convert("RGB")
    except (UnidentifiedImageError, OSError) as problem:
        raise ValueError(f"image is no readable picture: {problem}") from problem
    if picture.width > MAX_PICTURE_PX:
        height = max(1, round(picture.height * MAX_PICTURE_PX / picture.width))
        picture = picture.resize((MAX_PICTURE_PX, height), Image.Resampling.LANCZOS)
    stream = io.BytesIO()
    picture.save(stream, format="JPEG", quality=86, subsampling=0, optimize=True)
    return Picture(data=stream.getvalue(), media_type="image/jpeg", caption=caption, wide=wide)


def stacked_pictures(images: Sequence[bytes]) -> bytes:
    """Return pictures below one another as one PNG, all as wide as the widest is allowed on a page.

    Raises
    ------
    ValueError
        When the bytes are no picture.
    """
    from PIL import Image

    pictures = []
    for image in images:
        with Image.open(io.BytesIO(photo_picture(image, caption="").data)) as opened:
            pictures.append(opened.convert("RGB"))
    width = max(picture.width for picture in pictures)
    whole = Image.new("RGB", (width, sum(picture.height for picture in pictures)), "white")
    top = 0
    for picture in pictures:
        whole.paste(picture, (0, top))
        top += picture.height
    stream = io.BytesIO()
    whole.save(stream, format="PNG")
    return stream.getvalue()


def note_picture(words: str, *, wide: bool = True) -> Picture:
    """Return an empty grey picture that stands for one that is missing, with the words as its caption."""
    from PIL import Image

    stream = io.BytesIO()
    Image.new("L", (600, 200), 225).save(stream, format="PNG", optimize=True)
    return Picture(data=stream.getvalue(), media_type="image/png", caption=words, wide=wide)
