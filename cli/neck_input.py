"""What the neck commands share: reading a profile by photo or by hand, and their common options."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from lightgap.neck.errors import FileProblem, InputError

if TYPE_CHECKING:
    from lightgap.neck.profile import Finding, GapProfile
    from lightgap.neck.readings import Method

Units = Literal["mm", "in"]
MethodName = Literal["feeler", "rule", "dial", "depth"]

JsonOption = Annotated[
    str | None,
    typer.Option("--json", metavar="PATH|-", help="Write the JSON document to PATH; - prints it alone."),
]
UnitsOption = Annotated[Units, typer.Option("--units", help="Unit of lengths shown.")]
ReadingOption = Annotated[
    list[str] | None,
    typer.Option(
        "--reading",
        metavar="FRET=VALUE[UNIT]",
        help="A gap read by hand: 7=0.010in, 7=10thou, 7=2/64in, 7=0.25mm (mm when no unit is given), or the two "
        "feeler leaves that do and do not go, 7=0.25..0.30mm. Repeat for more frets.",
    ),
]
MethodOption = Annotated[
    MethodName,
    typer.Option("--method", help="How the readings were taken; each method has its own uncertainty."),
]
ChordOption = Annotated[
    str | None,
    typer.Option("--chord", metavar="A-B", help="End frets of the chord (for hand readings: where it rests)."),
]


@dataclass(frozen=True, slots=True)
class ProfileOptions:
    """A profile, by photo or by hand, as named on the command line."""

    profile: Annotated[
        list[str] | None,
        typer.Argument(metavar="PROFILE", help="Profile (.json) or sheet of hand readings (.toml, .csv)."),
    ] = None
    reading: ReadingOption = None
    method: MethodOption = "feeler"
    chord: ChordOption = None
    scale_length: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Scale length, mm or with unit (25.5in).")
    ] = None

    def gather(self) -> Gathered:
        """Return the profile and what goes with it.

        Raises
        ------
        InputError, FileProblem
            When nothing or too much is given, or it cannot be read.
        """
        from lightgap.neck.frets import parse_chord

        given_mm = parse_scale(self.scale_length)
        ends = parse_chord(self.chord) if self.chord else None
        file, readings = split_words(self.profile, self.reading)
        profile, findings, ends = gather_profile(
            file, readings, method=self.method, chord=ends, scale_length_mm=given_mm
        )
        return Gathered(profile, findings, ends, given_mm or profile.scale_length_mm, tuple(readings), file)


@dataclass(frozen=True, slots=True)
class Gathered:
    """A profile with what was found in it, its chord, scale length, and the readings or the file it came from."""

    profile: GapProfile
    findings: tuple[Finding, ...]
    chord: tuple[int, int] | None
    scale_length_mm: float | None
    readings: tuple[str, ...]
    file: Path | None = None


def split_words(words: list[str] | None, readings: list[str] | None) -> tuple[Path | None, list[str]]:
    """Return the profile file and all readings from what stands beside the options.

    `--reading 7=0.30mm 9=0.28mm` leaves the second reading beside the options: it counts as one.

    Raises
    ------
    InputError
        When more than one file is named.
    """
    beside = [w for w in words or [] if re.match(r"\s*\d+\s*=", w)]
    files = [w for w in words or [] if w not in beside]
    if len(files) > 1:
        raise InputError(f"give one profile file, got {len(files)}: {', '.join(files)}")
    return (Path(files[0]) if files else None), [*(readings or []), *beside]


def load_document(path: Path) -> Any:
    """Return the JSON in a file.

    Raises
    ------
    FileProblem
        When it cannot be read or is not JSON.
    """
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except OSError as problem:
        raise FileProblem(f"cannot read {path}: {problem.strerror or problem}") from problem
    except (ValueError, RecursionError) as problem:
        raise FileProblem(f"cannot read {path}: it is not JSON ({problem})") from None


def gather_profile(
    file: Path | None,
    readings: list[str] | None,
    *,
    method: Method = "feeler",
    chord: tuple[int, int] | None = None,
    scale_length_mm: float | None = None,
) -> tuple[GapProfile, tuple[Finding, ...], tuple[int, int] | None]:
    """Return the profile from a JSON document, a sheet of hand readings, or readings given as options.

    Returns
    -------
    tuple
        The profile, findings about it, and the chord: the one given, or the one the sheet or document names.
    """
    from lightgap.neck.documents import chord_from_document, profile_from_document, warnings_from_document
    from lightgap.neck.reading_file import read_readings
    from lightgap.neck.readings import DEFAULT_SCALE_MM, parse_reading, profile_from_readings

    if file is not None and readings:
        raise InputError("give a profile file or --reading, not both")
    if file is not None and file.suffix.lower() not in (".toml", ".csv"):
        document = load_document(file)
        profile = profile_from_document(document)
        return profile, warnings_from_document(document), chord or chord_from_document(document, profile)
    if file is not None:
        sheet = read_readings(file, method=method)
        taken, chord = sheet.readings, chord or sheet.chord
        scale_length_mm = scale_length_mm or sheet.scale_length_mm
    elif readings:
        taken = tuple(parse_reading(text, method=method) for text in readings)
    else:
        raise InputError("nothing to judge: give a profile file (.json, .toml, .csv) or --reading FRET=VALUE[UNIT]")
    profile, findings = profile_from_readings(taken, scale_length_mm=scale_length_mm or DEFAULT_SCALE_MM, chord=chord)
    return profile, findings, chord


def parse_scale(text: str | None) -> float | None:
    """Return a scale length in mm.

    Raises
    ------
    InputError
        When it is outside 200 to 1200 mm.
    """
    from lightgap.neck.units import parse_length

    if text is None:
        return None
    value = parse_length(text, what="scale length")
    if not 200 <= value <= 1200:
        raise InputError(f"scale length must be 200 to 1200 mm, got {value:g} mm")
    return value
