"""Several photos of one unchanged neck: each measured by itself, then their gaps put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from lightgap.neck.errors import InputError, Refusal
from lightgap.neck.profile import Finding

from .findings import refusal, warning
from .measure import MeasureSettings, measure_photo
from .types import BudgetLine, Measurement

if TYPE_CHECKING:
    from lightgap.neck.combine import Combined

DISAGREE_P = 0.001


@dataclass(frozen=True, slots=True)
class MeasuredPhotos:
    """What photos of one neck gave.

    Attributes
    ----------
    result
        All of them together.
    parts
        Each photo that could be measured, by itself; for the overlays.
    used
        Where they stand among the photos given.
    """

    result: Measurement
    parts: tuple[Measurement, ...]
    used: tuple[int, ...]


def measure_photos(paths: Sequence[Path], settings: MeasureSettings) -> MeasuredPhotos:
    """Measure photos of one unchanged neck: views of one scene, or parts that overlap by three frets or more.

    The straightedge may lie anew in each photo. A photo that is refused is left out with a warning.

    Raises
    ------
    FileProblem
        A file cannot be read.
    InputError
        A setting makes no sense; several photos are given without the scale length, or with the number of the first
        fret as all there is; one is given twice.
    Refusal
        No photo can be measured (the first one's reason), the photos do not overlap, or they contradict one another.
    """
    if len(paths) == 1:
        only = measure_photo(paths[0], settings)
        return MeasuredPhotos(only, (only,), (0,))
    if settings.scale_length_mm is None:
        raise InputError("several photos need --scale-length: it tells which fret is which in each of them")
    by_frets = settings.reference == "frets" and settings.straightedge_height_mm is None
    if by_frets and settings.first_fret is not None:
        raise InputError(
            "--reference frets takes --first-fret for one photo, as each has its own: measure them one by one, show "
            "the nut in each, or use an object of known size"
        )
    names = _names(paths)
    parts, refused = _measured(paths, replace(settings, chord=None))
    if not parts:
        first = refused[0]
        raise Refusal(first.code, f"{names[0]}: {first.message}")
    used = tuple(sorted(parts))
    _refuse_twice([(names[i], parts[i].photo.sha256) for i in used])
    left_out = tuple(warning("photo-left-out", f"{names[i]}: {r.message}") for i, r in sorted(refused.items()))
    if len(parts) == 1:
        only = measure_photo(paths[used[0]], settings) if settings.chord else parts[used[0]]
        only = replace(only, warnings=(*left_out, *only.warnings))
        return MeasuredPhotos(only, (only,), used)
    chosen = [parts[i] for i in used]
    result = put_together(chosen, [names[i] for i in used], chord=settings.chord)
    result = replace(result, warnings=(*left_out, *result.warnings))
    return MeasuredPhotos(result, tuple(chosen), used)


def put_together(
    parts: Sequence[Measurement], names: Sequence[str], *, chord: tuple[int, int] | None = None
) -> Measurement:
    """Return the measurement that photos of one neck give together.

    Parameters
    ----------
    parts
        At least two photos, each measured by itself, frets counted from the nut.
    names
        What the photos are called in warnings and refusals.
    chord
        End frets; the usual ones when not given.

    Raises
    ------
    Refusal
        `photos-apart`, `photos-disagree`, or `too-few-crowns` when the chord's ends are missing.
    """
    combined = _combine(parts, names)
    result = _result(parts, combined, chord=chord)
    said = _warnings(list(zip(names, parts, strict=True)), combined)
    return replace(result, warnings=(*result.warnings, *said))


def common_share(part: Measurement) -> float:
    """Return how much of a photo's variance is the same error in every photo of the neck: that of its type B lines.

    Type A is the scatter of this photo's own columns. Type B is what the model leaves out (outline of the crowns,
    curvature of the board, mirrored surroundings, the straightedge): the next photo leaves out the same.
    """
    from .uncertainty import CHOICE

    crowns = [line for line in part.budget if line.name != CHOICE[0]]  # which is no error of any crown
    model = sum(line.u_mm**2 for line in crowns if line.kind == "B")
    whole = sum(line.u_mm**2 for line in crowns)
    return model / whole if whole else 1.0


def _names(paths: Sequence[Path]) -> list[str]:
    """Return each file's name, with its folder where two have the same name."""
    plain = [path.name for path in paths]
    return [str(path) if plain.count(path.name) > 1 else path.name for path in paths]


def _measured(paths: Sequence[Path], settings: MeasureSettings) -> tuple[dict[int, Measurement], dict[int, Refusal]]:
    parts, refused = {}, {}
    for number, path in enumerate(paths):
        try:
            parts[number] = measure_photo(path, settings)
        except Refusal as reason:
            refused[number] = reason
    return parts, refused


def _refuse_twice(named: Sequence[tuple[str, str]]) -> None:
    first: dict[str, str] = {}
    for name, sha256 in named:
        if first.setdefault(sha256, name) != name:
            raise InputError(f"{first[sha256]} and {name} are the same photo: give each photo once")
    if len(first) < len(named):
        raise InputError("a photo is given twice: give each photo once")


def _combine(parts: Sequence[Measurement], names: Sequence[str]) -> Combined:
    """Put the profiles together.

    Raises
    ------
    Refusal
        `photos-apart`, `photos-disagree`.
    """
    from lightgap.neck.combine import combine_profiles, first_apart

    profiles = [part.profile for part in parts]
    apart = first_apart(profiles)
    if apart is not None:
        frets = profiles[apart].frets
        raise refusal("photos-apart", f"{names[apart]} shows frets {frets[0]} to {frets[-1]}")
    combined = combine_profiles(profiles, common=[common_share(part) for part in parts])
    found = combined.consistency
    if found.p < DISAGREE_P:
        raise refusal(
            "photos-disagree",
            f"most at fret {found.worst_fret} in {names[found.worst_profile]}, by {abs(found.worst_mm):.2f} mm",
        )
    return combined


def _result(parts: Sequence[Measurement], combined: Combined, *, chord: tuple[int, int] | None) -> Measurement:
    from lightgap.neck.relief import compute_relief

    from .pipeline import both_ways, check_coverage, choose_chord
    from .uncertainty import with_choice

    profile = combined.profile
    chord = choose_chord(profile, chord)
    check_coverage(profile, chord)
    relief = compute_relief(profile, chord=chord)
    shares = combined.relief_shares(chord=chord, at_fret=relief.at_fret)
    first = parts[0]
    return replace(
        first,
        profile=profile,
        relief=relief,
        warnings=tuple(both_ways(profile, relief)),
        budget=with_choice(_budget(parts, shares), relief),
        facts={
            "photos_agree_p": round(combined.consistency.p, 4),
            "birge_ratio": round(combined.consistency.birge_ratio, 4),
        },
        others=tuple(part.photo for part in parts[1:]),
        shown_in=combined.first_shown,
    )


def _budget(parts: Sequence[Measurement], shares: tuple[float, float, float]) -> list[BudgetLine]:
    """Return the budget of the combined relief: its size exactly, its lines in proportion to those of the photos."""
    from .uncertainty import CHOICE

    own, common, disagreement = shares
    lines = []
    for kind, u_mm in (("A", own), ("B", common)):
        variance: dict[str, float] = {}
        cure: dict[str, str] = {}
        for line in (line for part in parts for line in part.budget if line.kind == kind and line.name != CHOICE[0]):
            variance[line.name] = variance.get(line.name, 0.0) + line.u_mm**2
            cure.setdefault(line.name, line.cure)
        whole = sum(variance.values()) or 1.0
        lines += [
            BudgetLine(name, u_mm * (v / whole) ** 0.5, "A" if kind == "A" else "B", cure[name])
            for name, v in variance.items()
        ]
    if disagreement > 0:
        lines.append(
            BudgetLine(
                "disagreement of the photos (Birge ratio)",
                disagreement,
                "A",
                "look at the overlay of each photo and leave out the one whose marks miss the crowns",
            )
        )
    return lines


def _warnings(named: Sequence[tuple[str, Measurement]], combined: Combined) -> tuple[Finding, ...]:
    """Return what was said of the photos, each thing once with the photos it holds for."""
    said: dict[tuple[str, str], list[str]] = {}
    for name, part in named:
        for finding in part.warnings:
            if finding.code == "bends-both-ways":  # on its own chord: the whole's is told by itself
                continue
            if finding.code != "gaps-not-zeroed" or not combined.zeroed:
                said.setdefault((finding.code, finding.message), []).append(name)
    return tuple(Finding(code, f"{', '.join(names)}: {message}") for (code, message), names in said.items())
