"""Listing and searching: one query each, whatever the size of the book."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from .book import Book

VISIT_LIST_SCHEMA = "lightgap/visit-list/1"
INSTRUMENT_LIST_SCHEMA = "lightgap/instrument-list/1"

VISIT_COLUMNS = (
    "visit",
    "instrument",
    "owner_reference",
    "opened_utc",
    "purpose",
    "state",
    "intake_relief_mm",
    "U_intake_relief_mm",
    "after_relief_mm",
    "U_after_relief_mm",
    "turned_turns",
)
INSTRUMENT_COLUMNS = (
    "instrument",
    "owner_reference",
    "family",
    "scale_length_mm",
    "rod_kind",
    "string_set",
    "visits",
    "last_visit",
    "last_visit_utc",
)

# One pass over the entries in force of the visits chosen: newest measurement of either stage, closing, sum of turns.
_VISITS = """
    WITH v AS MATERIALIZED (SELECT * FROM visit {chosen} ORDER BY id DESC LIMIT :limit),
    s AS (
        SELECT e.visit_id,
            max(CASE WHEN e.kind = 'measurement' AND e.stage IN ('intake', 'season-check') THEN e.id END) AS intake_id,
            max(CASE WHEN e.kind = 'measurement' AND e.stage = 'after' THEN e.id END) AS after_id,
            max(e.kind = 'closing') AS is_closed,
            sum(CASE t.direction WHEN 'tighten' THEN t.amount_turns WHEN 'loosen' THEN -t.amount_turns END)
                AS turned_turns
        FROM v CROSS JOIN entry AS e ON e.visit_id = v.id LEFT JOIN turn AS t ON t.entry_id = e.id
        WHERE e.kind IN ('measurement', 'closing', 'turn')
            AND NOT EXISTS (SELECT 1 FROM entry AS later WHERE later.corrects_id = e.id)
        GROUP BY e.visit_id)
    SELECT v.id AS visit, i.name AS instrument, i.owner_reference, v.opened_utc, v.purpose,
        CASE WHEN s.is_closed THEN 'closed' ELSE 'open' END AS state,
        m.relief_mm AS intake_relief_mm, m.U_relief_mm AS U_intake_relief_mm,
        n.relief_mm AS after_relief_mm, n.U_relief_mm AS U_after_relief_mm, s.turned_turns
    FROM v
    JOIN current_instrument AS i ON i.instrument_id = v.instrument_id
    LEFT JOIN s ON s.visit_id = v.id
    LEFT JOIN measurement AS m ON m.entry_id = s.intake_id
    LEFT JOIN measurement AS n ON n.entry_id = s.after_id
    ORDER BY v.id DESC"""

_MATCHING = """WHERE id IN (
        SELECT visit.id FROM visit JOIN instrument_entry AS i ON i.instrument_id = visit.instrument_id
            WHERE i.name_key LIKE :pattern ESCAPE '\\'
            OR casefold(i.owner_reference) LIKE :pattern ESCAPE '\\' OR casefold(i.wishes) LIKE :pattern ESCAPE '\\'
        UNION SELECT e.visit_id FROM entry AS e JOIN remark AS r ON r.entry_id = e.id
            WHERE casefold(r.text) LIKE :pattern ESCAPE '\\' OR casefold(r.place) LIKE :pattern ESCAPE '\\'
        UNION SELECT e.visit_id FROM entry AS e JOIN closing AS c ON c.entry_id = e.id
            WHERE casefold(c.remark) LIKE :pattern ESCAPE '\\')"""

_INSTRUMENTS = """
    SELECT i.name AS instrument, i.owner_reference, i.family, i.scale_length_mm, i.rod_kind, i.string_set,
        (SELECT count(*) FROM visit WHERE visit.instrument_id = i.instrument_id) AS visits,
        (SELECT max(id) FROM visit WHERE visit.instrument_id = i.instrument_id) AS last_visit,
        (SELECT opened_utc FROM visit WHERE visit.instrument_id = i.instrument_id ORDER BY id DESC LIMIT 1)
            AS last_visit_utc
    FROM current_instrument AS i {where} ORDER BY i.name_key LIMIT :limit"""


@dataclass(frozen=True, slots=True)
class Listing:
    """Rows of a list and how many there are in all.

    Attributes
    ----------
    schema, columns, rows
        Values by column name; lengths in mm, times in UTC.
    total
        How many there are, shown or not.
    """

    schema: str
    columns: tuple[str, ...]
    rows: tuple[dict[str, Any], ...]
    total: int

    def document(self) -> dict[str, Any]:
        """Return the list as its JSON document."""
        return {"schema": self.schema, "total": self.total, "rows": list(self.rows)}


def list_visits(book: Book, *, instrument_id: int | None = None, limit: int | None = None) -> Listing:
    """Return visits, newest first, of one instrument or of all."""
    chosen = "" if instrument_id is None else "WHERE instrument_id = :instrument"
    return _visits(book, chosen, parameters={"instrument": instrument_id}, limit=limit)


def search_visits(book: Book, text: str, *, limit: int | None = None) -> Listing:
    """Return the visits where `text` stands in the name, owner reference, wishes, notes or remarks; newest first.

    Capital letters do not matter; corrected entries and former names are searched too.
    """
    escaped = text.casefold().replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
    return _visits(book, _MATCHING, parameters={"pattern": f"%{escaped}%"}, limit=limit)


def list_instruments(book: Book, *, text: str = "", limit: int | None = None) -> Listing:
    """Return instruments by name, all or those where `text` stands in name, owner reference or wishes."""
    escaped = text.casefold().replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
    where = (
        "WHERE i.name_key LIKE :pattern ESCAPE '\\' OR casefold(i.owner_reference) LIKE :pattern ESCAPE '\\' "
        "OR casefold(i.wishes) LIKE :pattern ESCAPE '\\'"
        if text
        else ""
    )
    parameters = {"pattern": f"%{escaped}%", "limit": -1 if limit is None else limit}
    rows = book.rows(_INSTRUMENTS.format(where=where), parameters)
    total = book.rows(f"SELECT count(*) FROM current_instrument AS i {where}", parameters)[0][0]
    return Listing(INSTRUMENT_LIST_SCHEMA, INSTRUMENT_COLUMNS, tuple(map(dict, rows)), total)


def _visits(book: Book, chosen: str, *, parameters: dict[str, Any], limit: int | None) -> Listing:
    rows = book.rows(_VISITS.format(chosen=chosen), parameters | {"limit": -1 if limit is None else limit})
    total = len(rows)
    if limit is not None and total == limit:
        total = book.rows(f"SELECT count(*) FROM visit {chosen}", parameters)[0][0]
    return Listing(VISIT_LIST_SCHEMA, VISIT_COLUMNS, tuple(map(dict, rows)), total)
