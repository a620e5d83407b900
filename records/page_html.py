"""A sheet as one self-contained HTML page."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from .sheet import Sheet, made_visible

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("lightgap.records", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def sheet_html(sheet: Sheet) -> str:
    """Return the sheet as an HTML page: no script, no link, pictures embedded, light and dark, ready to print.

    Every text is escaped by the template engine and stands in an isolate of its own (`bdi`), so that typed markup
    shows as text and right-to-left names leave their neighbours alone; a content security policy forbids the page
    to run or to fetch anything.
    """
    return _environment().get_template("sheet.html").render(sheet=made_visible(sheet))
