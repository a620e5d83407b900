"""What people type, at a prompt, as options or in a TOML file, made into facts and entries with units.

One table of fields serves all three: its name is the option (`--scale-length`), the TOML key (`scale_length`) and the
prompt; its parser says which units it reads.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast, get_args

from lightgap.neck.bench import Access, RodKind
from lightgap.neck.errors import FileProblem, InputError
from lightgap.neck.units import parse_length, parse_turns

from .entries import Action, BridgeMove, Climate, Detail, NutHeight, Reading, Remark, Turn
from .files import file_words
from .instruments import FAMILIES, Facts

MAX_TOML_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class Field:
    """One thing a person can say.

    Attributes
    ----------
    name
        With dashes: as the option has it.
    column
        Field of the facts it fills.
    expects
        What to type, with its unit, shown at the prompt and in the help.
    parse
        Text to value; raises InputError.
    """

    name: str
    column: str
    expects: str
    parse: Callable[[str], Any]


def _length(what: str) -> Callable[[str], float]:
    return lambda text: parse_length(text, what=what)


def _whole(what: str) -> Callable[[str], int]:
    def parse(text: str) -> int:
        if not re.fullmatch(r"\d{1,3}", text.strip()):
            raise InputError(f"{what}: {text!r} is no whole number")
        return int(text)

    return parse


def _words(text: str) -> str:
    return text.strip()


INSTRUMENT_FIELDS = (
    Field("owner-reference", "owner_reference", "free text, such as a ticket number; no personal data needed", _words),
    Field("family", "family", ", ".join(FAMILIES), _words),
    Field("scale-length", "scale_length_mm", "length, e.g. 648mm or 25.5in", _length("scale length")),
    Field("frets", "fret_count", "number of frets", _whole("frets")),
    Field("body-joint", "body_joint_fret", "fret number at the body joint", _whole("body joint")),
    Field("board-radius", "board_radius_mm", "length, e.g. 305mm or 12in", _length("board radius")),
    Field("rod", "rod_kind", ", ".join(get_args(RodKind)), _words),
    Field("rod-access", "rod_access", ", ".join(get_args(Access)), _words),
    Field("rod-drive", "rod_drive", "size of the drive, e.g. 4 mm hex or 5/16 in socket", _words),
    Field("string-set", "string_set", "free text, e.g. 12 to 53 phosphor bronze", _words),
    Field("tuning", "tuning", "notes from the lowest string, e.g. E2 A2 D3 G3 B3 E4", _words),
    Field("wishes", "wishes", "free text: what the player wants", _words),
)
"""What can be said of an instrument, beside its name and the relief wanted (`target`)."""


def parse_target(text: str) -> tuple[float, float]:
    """Return the wanted relief in mm from "LOW-HIGH" with units ("0.10-0.25mm", "0.004in-0.010in", "straight").

    Raises
    ------
    InputError
        When it cannot be read or makes no sense.
    """
    from lightgap.neck.targets import parse_target as parse

    return parse(text).range_mm


def parse_temperature(text: str) -> float:
    """Return degrees Celsius from "21C", "21 °C" or "70F"; the unit must be said.

    Raises
    ------
    InputError
        When it is no temperature.
    """
    match = re.fullmatch(r"\s*([+\-−]?\d+(?:\.\d+)?)\s*°?\s*([CcFf])\s*", text)
    if match is None:
        raise InputError(f"temperature: cannot read {text!r}; write a number and C or F, as 21C or 70F")
    value = float(match[1].replace("−", "-"))
    # Exact by definition: t/°C = (t/°F - 32) * 5/9
    return value if match[2] in "Cc" else (value - 32.0) * 5.0 / 9.0


def parse_humidity(text: str) -> float:
    """Return relative humidity in per cent from "45%" or "45 %RH".

    Raises
    ------
    InputError
        When it is no percentage.
    """
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*%\s*(?:[Rr][Hh])?\s*", text)
    if match is None:
        raise InputError(f"humidity: cannot read {text!r}; write a percentage with its sign, as 45%")
    return float(match[1])


def parse_hand_reading(text: str, *, method: str) -> Reading:
    """Return a hand reading from "7=0.010in".

    Raises
    ------
    InputError
        When it cannot be read or makes no sense.
    """
    from lightgap.neck.readings import Method, parse_reading

    read = parse_reading(text, method=cast(Method, method))
    return Reading(fret=read.fret, gap_mm=read.value_mm, u_gap_mm=read.u_mm, method=read.method, as_written=read.text)


def parse_pair(text: str, *, what: str) -> tuple[float | None, float | None]:
    """Return bass and treble in mm from "1.8mm,1.5mm"; a dash leaves one out.

    Raises
    ------
    InputError
        When there are not two parts, or one is no length.
    """
    parts = [part.strip() for part in text.split(",")]
    if len(parts) != 2:
        raise InputError(f"{what}: cannot read {text!r}; write bass and treble with a comma, as 1.8mm,1.5mm")
    bass, treble = (None if part in ("-", "") else parse_length(part, what=what) for part in parts)
    return bass, treble


@dataclass(frozen=True, slots=True)
class VisitField:
    """One thing that can be entered into a visit; `parse` makes the entry of what was typed."""

    name: str
    expects: str
    parse: Callable[[str], Detail]
    many: bool = False


def _remark(topic: str) -> Callable[[str], Remark]:
    """Return a parser of "WHERE: WHAT" (the place may be left out)."""

    def parse(text: str) -> Remark:
        place, colon, rest = text.partition(":")
        if topic == "note" or not colon:
            return Remark(topic=cast(Any, topic), text=text.strip())
        return Remark(topic=cast(Any, topic), text=rest.strip() or place.strip(), place=place.strip() or None)

    return parse


def _bridge(text: str) -> BridgeMove:
    bass, treble = parse_pair(text, what="bridge move")
    return BridgeMove(bass_mm=bass or 0.0, treble_mm=treble or 0.0)


VISIT_FIELDS = (
    VisitField(
        "action",
        "string height over fret 12, bass,treble: 1.9mm,1.6mm",
        lambda t: Action(*parse_pair(t, what="action")),
    ),
    VisitField(
        "nut-height",
        "string height over fret 1, bass,treble: 0.5mm,0.4mm",
        lambda t: NutHeight(*parse_pair(t, what="nut height")),
    ),
    VisitField("temperature", "of the room: 21C or 70F", lambda t: Climate(temperature_degc=parse_temperature(t))),
    VisitField("humidity", "relative, of the room: 45%", lambda t: Climate(relative_humidity_pct=parse_humidity(t))),
    VisitField("bridge-move", "bass,treble, + up, - down: +0.3mm,+0.2mm", _bridge),
    VisitField("note", "free text", _remark("note"), many=True),
    VisitField("crack", "WHERE: WHAT, e.g. top, bass side: 40 mm, old", _remark("crack"), many=True),
    VisitField("lifted-fret", "WHERE: WHAT, e.g. fret 14: treble end", _remark("lifted-fret"), many=True),
    VisitField("buzz", "WHERE: WHAT, e.g. string 6 fret 3: open only", _remark("buzz"), many=True),
)
"""What can be entered into a visit in words, beside readings, turns and photos."""


def details_from(values: Mapping[str, str | list[str]], *, method: str = "feeler") -> list[Detail]:
    """Return the entries for what was typed, by field name; temperature and humidity make one entry.

    Raises
    ------
    InputError
        For an unknown name, or a value that cannot be read.
    """
    fields = {field.name: field for field in VISIT_FIELDS}
    details: list[Detail] = []
    for name, value in values.items():
        texts = value if isinstance(value, list) else [value]
        if name == "reading":
            details += [parse_hand_reading(text, method=method) for text in texts]
        elif name == "turn":
            details += [parse_turn_words(text) for text in texts]
        elif name not in fields:
            raise InputError(f"{name!r} is not known; a visit takes {', '.join([*fields, 'reading', 'turn'])}")
        else:
            details += [fields[name].parse(text) for text in texts]
    return _one_climate(details)


def parse_turn_words(text: str) -> Turn:
    """Return a turn from "tighten 1/8" or "loosen 1/8 snug".

    Raises
    ------
    InputError
        When it cannot be read.
    """
    match = re.fullmatch(r"\s*(tighten|loosen)\s+([\d\s./]+?)(?:\s*turns?)?(?:\s+([a-z\-]+))?\s*", text)
    if match is None:
        raise InputError(f"turn: cannot read {text!r}; write it as: tighten 1/8 snug")
    return Turn(cast(Any, match[1]), parse_turns(match[2]), cast(Any, match[3] or "unknown"))


def _one_climate(details: list[Detail]) -> list[Detail]:
    climates = [detail for detail in details if isinstance(detail, Climate)]
    if len(climates) < 2:
        return details
    temperature = next((c.temperature_degc for c in climates if c.temperature_degc is not None), None)
    humidity = next((c.relative_humidity_pct for c in climates if c.relative_humidity_pct is not None), None)
    others = [detail for detail in details if not isinstance(detail, Climate)]
    return [*others, Climate(temperature, humidity)]


def facts_changes(values: Mapping[str, str]) -> dict[str, Any]:
    """Return columns of the facts from what was typed, by field name; an empty text leaves a fact open.

    Raises
    ------
    InputError
        For an unknown name, or a value that cannot be read.
    """
    fields = {field.name: field for field in INSTRUMENT_FIELDS}
    changes: dict[str, Any] = {}
    for name, text in values.items():
        if name == "target":
            low, high = parse_target(text) if text.strip() else (None, None)
            changes |= {"target_low_mm": low, "target_high_mm": high}
        elif name == "name":
            changes["name"] = text.strip()
        elif name not in fields:
            raise InputError(f"{name!r} is not known; an instrument takes {', '.join(['name', *fields, 'target'])}")
        else:
            changes[fields[name].column] = fields[name].parse(text) if text.strip() else None
    return changes


def facts_from(name: str, values: Mapping[str, str]) -> Facts:
    """Return the facts of a new instrument from what was typed.

    Raises
    ------
    InputError
        When a value cannot be read or makes no sense.
    """
    return Facts(**({"name": name} | facts_changes(values)))


def read_toml(path: Path) -> dict[str, str | list[str]]:
    """Return a TOML file's values as what would have been typed.

    Keys are the option names, with dashes or underscores. A length is text with its unit ("648mm"); a bare number is
    read only where the key ends in its unit (`scale_length_mm = 648`, `humidity_pct = 45`).

    Raises
    ------
    FileProblem
        When the file cannot be read or is no TOML.
    InputError
        When a value is neither text, number nor a list of texts.
    """
    with file_words(f"read {path}"):
        data = path.read_bytes()
    if len(data) > MAX_TOML_BYTES:
        raise FileProblem(f"cannot read {path}: larger than {MAX_TOML_BYTES} bytes")
    try:
        document = tomllib.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as problem:
        raise FileProblem(f"cannot read {path}: it is no TOML ({problem})") from None
    return dict(_typed(key, value, path=path) for key, value in document.items())


_UNIT_ENDINGS = {"-mm": "mm", "-in": "in", "-degc": "C", "-degf": "F", "-pct": "%"}
_UNITLESS = ("frets", "body-joint")


def _typed(key: str, value: object, *, path: Path) -> tuple[str, str | list[str]]:
    name = key.replace("_", "-")
    if isinstance(value, list) and all(isinstance(item, str) for item in value):
        return name, cast("list[str]", value)
    if isinstance(value, str):
        return name, value
    if isinstance(value, int | float) and not isinstance(value, bool):
        for ending, unit in _UNIT_ENDINGS.items():
            if name.endswith(ending):
                return name.removesuffix(ending), f"{value}{unit}"
        if name in _UNITLESS:
            return name, str(value)
        raise InputError(f"{path}: {key} = {value} has no unit; write it as text with one, or name it {key}_mm")
    raise InputError(f"{path}: {key} must be text, a number or a list of texts")
