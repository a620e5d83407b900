"""Hand readings, and turn logs, in small TOML or CSV files."""

from __future__ import annotations

import csv
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from .errors import FileProblem, InputError
from .frets import parse_chord
from .readings import THINNEST_MM, Method, Reading, parse_reading
from .rod_response import TurnRecord
from .units import parse_length, parse_turns

MAX_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class ReadingSheet:
    """What a file of hand readings says.

    Attributes
    ----------
    readings
        In the order of the file.
    scale_length_mm, chord
        When the file names them.
    """

    readings: tuple[Reading, ...]
    scale_length_mm: float | None = None
    chord: tuple[int, int] | None = None


def read_readings(path: Path, *, method: Method = "feeler") -> ReadingSheet:
    """Read hand readings from a TOML or CSV file.

    Parameters
    ----------
    path
        `.toml`: optional `method`, `scale_length`, `chord`, and a table `[readings]` of fret = "value" (or a list of
        values). `.csv`: a header with `fret` and `reading`, and `method` if it differs by row.
    method
        For readings that do not name one.

    Raises
    ------
    FileProblem
        When the file cannot be read.
    InputError
        When its content makes no sense.
    """
    text = _text(path)
    if path.suffix.lower() == ".toml":
        return _from_toml(_toml(text, path), path=path, method=method)
    rows = _csv_rows(text, path, needed=("fret", "reading"))
    readings = (
        parse_reading(f"{row['fret']}={row['reading']}", method=cast(Method, row.get("method") or method))
        for row in rows
    )
    return ReadingSheet(tuple(_placed(readings, path)))


def read_turn_log(path: Path) -> tuple[TurnRecord, ...]:
    """Read a turn log from a CSV file with the columns turns, before, after, and U, hour, day where known.

    `turns` is signed, + for tightening; `before` and `after` are reliefs with unit, as are those an `hour` and a `day`
    later; `U` is their expanded uncertainty (k = 2).

    Raises
    ------
    InputError
        When a value cannot be read or makes no sense, or a column is unknown.
    FileProblem
        When the file cannot be read.
    """
    rows = _csv_rows(_text(path), path, needed=("turns", "before", "after"))
    unknown = set(rows[0]) - {"turns", "before", "after", "U", "hour", "day"}
    if unknown:
        raise InputError(f"{path}: unknown column {min(unknown)!r}; use turns, before, after, U, hour, day")
    records = []
    for number, row in enumerate(rows, start=2):
        where = f"{path}, line {number}"
        way, amount = re.fullmatch(r"\s*([+\-−]?)(.*)", row["turns"], flags=re.DOTALL).groups()  # type: ignore[union-attr]
        turns = parse_turns(amount, what=f"{where}: turns") * (-1 if way in ("-", "−") else 1)
        for name in ("before", "after"):
            if row[name].strip() and row[name].strip()[-1].isdigit() and 0 < parse_length(row[name]) < THINNEST_MM:
                raise InputError(
                    f"{where}: {name} {row[name]} without a unit would be mm, thinner than a feeler leaf: write "
                    f"{row[name]}in or {row[name]}mm"
                )
        expanded = parse_length(row["U"], what=where) if row.get("U") else 0.03
        records.append(
            TurnRecord(
                turns=turns,
                before_mm=parse_length(row["before"], what=where),
                after_mm=parse_length(row["after"], what=where),
                U_before_mm=expanded,
                U_after_mm=expanded,
                hour_mm=parse_length(row["hour"], what=where) if row.get("hour") else None,
                day_mm=parse_length(row["day"], what=where) if row.get("day") else None,
            )
        )
    return tuple(records)


def _from_toml(data: Mapping[str, Any], *, path: Path, method: Method) -> ReadingSheet:
    unknown = set(data) - {"method", "scale_length", "chord", "readings"}
    if unknown:
        raise InputError(f"{path}: unknown entry {sorted(unknown)[0]!r}; use method, scale_length, chord, [readings]")
    table = data.get("readings")
    if not isinstance(table, dict) or not table:
        raise InputError(f'{path}: needs a table [readings] of fret = "value"')
    used = cast(Method, data.get("method", method))
    pairs = [(f, v) for f, values in table.items() for v in (values if isinstance(values, list) else [values])]
    readings = tuple(_placed((parse_reading(f"{f}={v}", method=used) for f, v in pairs), path))
    scale, chord = data.get("scale_length"), data.get("chord")
    return ReadingSheet(
        readings,
        None if scale is None else parse_length(str(scale), what=f"{path}: scale_length"),
        None if chord is None else parse_chord(str(chord)),
    )


def _placed(readings: Iterable[Reading], path: Path) -> Iterable[Reading]:
    """Say which file a bad reading stands in."""
    iterator = iter(readings)
    while True:
        try:
            yield next(iterator)
        except StopIteration:
            return
        except InputError as problem:
            raise InputError(f"{path}: {problem}") from None


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise FileProblem(f"{path} is too large for a sheet of readings")
        return path.read_text(encoding="utf-8-sig")
    except OSError as problem:
        raise FileProblem(f"cannot read {path}: {problem.strerror or problem}") from problem
    except UnicodeDecodeError:
        raise FileProblem(f"cannot read {path}: it is not UTF-8 text") from None


def _toml(text: str, path: Path) -> Mapping[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as problem:
        raise InputError(f"{path} is not TOML: {problem}") from None


def _csv_rows(text: str, path: Path, *, needed: tuple[str, ...]) -> list[dict[str, str]]:
    try:
        rows = list(csv.DictReader(text.splitlines(), skipinitialspace=True, strict=True))
    except csv.Error as problem:
        raise InputError(f"{path} is not CSV: {problem}") from None
    clean = [
        {(k or "").strip(): (v or "").strip() for k, v in row.items() if isinstance(v, str) or v is None}
        for row in rows
    ]
    if not clean or any(name not in clean[0] for name in needed):
        raise InputError(f"{path}: needs a header with the columns {', '.join(needed)} and at least one row")
    return clean
