"""The bench book's schema as numbered steps; a step once released is never changed.

Each step runs in one transaction together with its row in the table `migration`, so a step killed half way leaves no
trace. Lengths are in mm, humidity in per cent, temperature in degrees Celsius, turns in whole turns: the column says
so. Rows are only ever added; triggers see to it.
"""

from __future__ import annotations

from dataclasses import dataclass

APPLICATION_ID = 0x4C474150
"""Marks the file as a bench book in the SQLite header ("LGAP")."""

TABLES = (
    "instrument",
    "instrument_entry",
    "visit",
    "entry",
    "photo",
    "measurement",
    "overlay",
    "reading",
    "turn",
    "bridge_move",
    "action",
    "nut_height",
    "climate",
    "remark",
    "closing",
    "withdrawal",
)
"""Every table that holds records, parents before children: the order of export and import."""


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of the schema."""

    number: int
    name: str
    statements: tuple[str, ...]


def _guards(*tables: str) -> tuple[str, ...]:
    """Return triggers that keep tables append-only."""
    return tuple(
        f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
        "BEGIN SELECT RAISE(ABORT, 'the bench book is only ever added to'); END"
        for table in tables
        for verb in ("UPDATE", "DELETE")
    )


_FIRST = (
    """CREATE TABLE instrument (
        id INTEGER PRIMARY KEY,
        created_utc TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE instrument_entry (
        id INTEGER PRIMARY KEY,
        instrument_id INTEGER NOT NULL REFERENCES instrument (id),
        recorded_utc TEXT NOT NULL,
        name TEXT NOT NULL CHECK (name <> ''),
        name_key TEXT NOT NULL,
        owner_reference TEXT,
        family TEXT,
        scale_length_mm REAL CHECK (scale_length_mm > 0),
        fret_count INTEGER CHECK (fret_count BETWEEN 1 AND 36),
        body_joint_fret INTEGER CHECK (body_joint_fret BETWEEN 1 AND 36),
        board_radius_mm REAL CHECK (board_radius_mm > 0),
        rod_kind TEXT,
        rod_access TEXT,
        rod_drive TEXT,
        string_set TEXT,
        tuning TEXT,
        target_low_mm REAL,
        target_high_mm REAL,
        wishes TEXT
    ) STRICT""",
    "CREATE INDEX instrument_entry_by_instrument ON instrument_entry (instrument_id, id)",
    "CREATE INDEX instrument_entry_by_name ON instrument_entry (name_key)",
    """CREATE TABLE visit (
        id INTEGER PRIMARY KEY,
        instrument_id INTEGER NOT NULL REFERENCES instrument (id),
        opened_utc TEXT NOT NULL,
        purpose TEXT NOT NULL CHECK (purpose IN ('work', 'season-check'))
    ) STRICT""",
    "CREATE INDEX visit_by_instrument ON visit (instrument_id, id)",
    """CREATE TABLE entry (
        id INTEGER PRIMARY KEY,
        visit_id INTEGER NOT NULL REFERENCES visit (id),
        stage TEXT NOT NULL CHECK (stage IN ('intake', 'in-work', 'after', 'season-check')),
        kind TEXT NOT NULL,
        recorded_utc TEXT NOT NULL,
        corrects_id INTEGER UNIQUE REFERENCES entry (id),
        CHECK (corrects_id < id)
    ) STRICT""",
    "CREATE INDEX entry_by_visit ON entry (visit_id, kind, id)",
    """CREATE TABLE photo (
        sha256 TEXT PRIMARY KEY CHECK (length(sha256) = 64),
        file_name TEXT NOT NULL,
        suffix TEXT NOT NULL,
        size_bytes INTEGER NOT NULL,
        added_utc TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE measurement (
        entry_id INTEGER PRIMARY KEY REFERENCES entry (id),
        photo_sha256 TEXT NOT NULL REFERENCES photo (sha256),
        relief_mm REAL NOT NULL,
        U_relief_mm REAL NOT NULL,
        k REAL NOT NULL,
        at_fret INTEGER NOT NULL,
        chord_first_fret INTEGER NOT NULL,
        chord_last_fret INTEGER NOT NULL,
        shape TEXT NOT NULL,
        document TEXT NOT NULL,
        plan TEXT,
        program TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX measurement_by_photo ON measurement (photo_sha256)",
    """CREATE TABLE reading (
        entry_id INTEGER PRIMARY KEY REFERENCES entry (id),
        fret INTEGER NOT NULL,
        gap_mm REAL NOT NULL,
        u_gap_mm REAL NOT NULL,
        method TEXT NOT NULL,
        as_written TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE turn (
        entry_id INTEGER PRIMARY KEY REFERENCES entry (id),
        direction TEXT NOT NULL CHECK (direction IN ('tighten', 'loosen')),
        amount_turns REAL NOT NULL CHECK (amount_turns > 0),
        feel TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE bridge_move (
        entry_id INTEGER PRIMARY KEY REFERENCES entry (id),
        bass_mm REAL NOT NULL,
        treble_mm REAL NOT NULL
    ) STRICT""",
    """CREATE TABLE action (
        entry_id INTEGER PRIMARY KEY REFERENCES entry (id),
        at_fret INTEGER NOT NULL,
        bass_mm REAL,
        treble_mm REAL
    ) STRICT""",
    """CREATE TABLE nut_height (
        entry_id INTEGER PRIMARY KEY REFERENCES entry (id),
        bass_mm REAL,
        treble_mm REAL
    ) STRICT""",
    """CREATE TABLE climate (
        entry_id INTEGER PRIMARY KEY REFERENCES entry (id),
        temperature_degc REAL,
        relative_humidity_pct REAL CHECK (relative_humidity_pct BETWEEN 0 AND 100)
    ) STRICT""",
    """CREATE TABLE remark (
        entry_id INTEGER PRIMARY KEY REFERENCES entry (id),
        topic TEXT NOT NULL,
        place TEXT,
        text TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE closing (
        entry_id INTEGER PRIMARY KEY REFERENCES entry (id),
        remark TEXT
    ) STRICT""",
    """CREATE TABLE withdrawal (
        entry_id INTEGER PRIMARY KEY REFERENCES entry (id),
        reason TEXT
    ) STRICT""",
    """CREATE VIEW current_entry AS
        SELECT * FROM entry
        WHERE kind <> 'withdrawal' AND NOT EXISTS (SELECT 1 FROM entry AS later WHERE later.corrects_id = entry.id)""",
    """CREATE VIEW current_instrument AS
        SELECT * FROM instrument_entry
        WHERE id = (SELECT max(id) FROM instrument_entry AS later
                    WHERE later.instrument_id = instrument_entry.instrument_id)""",
    *_guards(*(table for table in TABLES if table != "overlay")),
)

_OVERLAYS = (
    """CREATE TABLE overlay (
        entry_id INTEGER PRIMARY KEY REFERENCES measurement (entry_id),
        photo_sha256 TEXT NOT NULL REFERENCES photo (sha256)
    ) STRICT""",
    *_guards("overlay"),
)

MIGRATIONS = (
    Migration(1, "instruments, visits and what was done", _FIRST),
    Migration(2, "the picture drawn at the time kept with each measurement", _OVERLAYS),
)

LOG_TABLE = """CREATE TABLE IF NOT EXISTS migration (
    number INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    applied_utc TEXT NOT NULL,
    program TEXT NOT NULL
) STRICT"""

LATEST = MIGRATIONS[-1].number
