"""Will it buzz: room between every crown and the swing of a plucked string. A model, with its inputs stated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .action import ActionReading
from .errors import InputError
from .frets import fret_position_mm
from .judge import judge
from .pluck import Release, dip_envelope_mm, pluck_height_mm
from .profile import Array, CrownGap, Finding, GapProfile, Relief, frozen_array
from .strings import Tension

Verdict = Literal["clears", "buzzes", "cannot-tell"]
Mask = NDArray[np.bool_]

# Component of the pluck across the board's plane, N (common practice, no published source).
FORCE_N = {"light": 0.2, "medium": 0.4, "hard": 0.6}
# Scatter of a crown that was not read about the neck's curve, mm (common practice, no published source).
U_UNREAD_MM = 0.015
K = 2.0
HIGHEST_RELIEF_MM = 0.8
MOST_LEVELLED_MM = 0.15
MODEL = (
    "ideal string, no damping, no stiffness, no stretch from fretting; every string over the one measured line of "
    "crowns; string plucked once, the worst of lifted and pressed unless stated"
)


@dataclass(frozen=True, slots=True)
class Setup:
    """What the strings are and how they are plucked.

    Attributes
    ----------
    scale_length_mm
        Nut to saddle.
    action
        String heights over fret 12, bass and treble.
    first_fret_mm, u_first_fret_mm
        String height over fret 1 with standard uncertainty.
    force_N
        Pull on the string at right angles to the board.
    pluck_from_saddle_mm
        Where it is plucked.
    release
        See `lightgap.neck.pluck.dip_envelope_mm`.
    margin_mm
        Least clearance wanted.
    """

    scale_length_mm: float = 648.0
    action: ActionReading = field(default_factory=lambda: ActionReading(2.0, 1.6))
    first_fret_mm: float = 0.5
    u_first_fret_mm: float = 0.05
    force_N: float = FORCE_N["medium"]
    pluck_from_saddle_mm: float = 130.0
    release: Release = "either"
    margin_mm: float = 0.0

    def __post_init__(self) -> None:
        for name, value, low, high, unit in (
            ("scale length", self.scale_length_mm, 200, 1200, "mm"),
            ("string height over fret 1", self.first_fret_mm, 0.05, 2, "mm"),
            ("pluck force", self.force_N, 0.01, 10, "N"),
            ("pluck place", self.pluck_from_saddle_mm, 5, self.scale_length_mm / 2, "mm"),
            ("margin", self.margin_mm, 0, 1, "mm"),
        ):
            if not low <= value <= high:
                raise InputError(f"{name} must be {low:g} to {high:g} {unit}, got {value:g} {unit}")


@dataclass(frozen=True, slots=True)
class Levelling:
    """One crown to take down.

    Attributes
    ----------
    fret, amount_mm
        Which and by how much.
    """

    fret: int
    amount_mm: float


@dataclass(frozen=True, slots=True)
class Clearance:
    """Least clearance for every string and played fret.

    Attributes
    ----------
    strings
        In the order given (treble to bass), with their pull.
    played
        Played frets, 0 for the open string.
    least_mm, U_mm
        (strings, played) least clearance over the crowns beyond and its expanded uncertainty (k = 2).
    at_fret
        (strings, played) where it is.
    verdicts
        Per string, per played fret.
    smallest_relief_mm
        The smallest relief at which everything has the wanted margin, string heights at frets 1 and 12 kept; None when
        no relief does.
    levelling
        The one crown that would have to come down, and how far; None when one crown alone does not do it, or nothing
        needs doing.
    findings
        What the model did not see.
    """

    strings: tuple[Tension, ...]
    played: tuple[int, ...]
    least_mm: Array = field(repr=False)
    U_mm: Array = field(repr=False)
    at_fret: Array = field(repr=False)
    verdicts: tuple[tuple[Verdict, ...], ...]
    smallest_relief_mm: float | None
    levelling: Levelling | None
    findings: tuple[Finding, ...]

    @property
    def worst(self) -> tuple[int, int]:
        """Indices (string, played fret) of the least clearance of all."""
        string, played = divmod(int(np.argmin(self.least_mm)), self.least_mm.shape[1])
        return string, played


def compute_clearance(
    profile: GapProfile, strings: Sequence[Tension], *, setup: Setup | None = None, relief: Relief
) -> Clearance:
    """Return the least clearance of every string, played at every fret.

    Parameters
    ----------
    profile
        Gaps along the board; crowns that were not read are put on the neck's curve.
    strings
        Treble to bass, with their pull at pitch.
    setup
        String heights, pluck, margin.
    relief
        Of the profile: chord and depth for the search of the smallest relief.

    Notes
    -----
    Pressed at fret n the string runs from crown n to the saddle. Its room over crown m is that line's height over the
    crown less the envelope's dip there. All of it is linear in the gaps and the two height readings, whose covariance
    gives the uncertainty; the pluck is an input, not a measurement.
    """
    setup = setup or Setup()
    if not strings:
        raise InputError("no strings: name a set or give each string")
    full, findings = complete_profile(profile, scale_length_mm=setup.scale_length_mm)
    heights = _string_heights(setup.action, len(strings))
    model = _Model.of(full, setup)
    least, expanded, where = (np.zeros((len(strings), len(full.frets))) for _ in range(3))
    for row, (string, height) in enumerate(zip(strings, heights, strict=True)):
        room = model.rooms(full.gap_mm, action_mm=height, tension_N=string.tension_N)
        worst = np.argmin(room, axis=1)
        least[row] = room[np.arange(len(worst)), worst]
        where[row] = np.array(full.frets)[worst]
        expanded[row] = [K * model.u_room(full.covariance_mm2, n, crown=int(m)) for n, m in enumerate(worst)]
    verdicts = tuple(
        tuple(_verdict(a, u, margin=setup.margin_mm) for a, u in zip(la, lu, strict=True))
        for la, lu in zip(least, expanded, strict=True)
    )
    pulls = [s.tension_N for s in strings]
    shortfall = bool((least < setup.margin_mm).any())
    return Clearance(
        tuple(strings),
        (0, *full.frets[:-1]),
        frozen_array(least),
        frozen_array(expanded),
        frozen_array(where),
        verdicts,
        _smallest_relief(model, full, relief=relief, heights=heights, pulls=pulls),
        _one_crown(model, full, heights=heights, pulls=pulls) if shortfall else None,
        findings,
    )


def complete_profile(profile: GapProfile, *, scale_length_mm: float) -> tuple[GapProfile, tuple[Finding, ...]]:
    """Return the profile with every crown from fret 1 to its last one, and what was filled in.

    Crowns that were not read lie on a low-order curve through those that were, with `U_UNREAD_MM` on top.
    """
    if profile.numbers_relative:
        raise InputError("fret numbers count from the first crown seen: name the first fret or the scale length first")
    have = [c.fret for c in profile.crowns if c.fret >= 1 and not c.extrapolated]
    last = max(have, default=0)
    if len(have) < 2 or last < 13:
        raise InputError(f"clearance needs a profile from the first frets to fret 13 or beyond, it ends at {last}")
    frets = list(range(1, last + 1))
    x = np.array([float(fret_position_mm(f, scale_length_mm)) for f in frets])
    index = [profile.frets.index(f) for f in have]
    matrix = _fill_matrix(x, np.array([f in have for f in frets]))
    gap = matrix @ profile.gap_mm[index]
    cov = matrix @ profile.covariance_mm2[np.ix_(index, index)] @ matrix.T
    unread = np.array([f not in have for f in frets])
    cov = cov + np.diag(np.where(unread, U_UNREAD_MM**2, 0.0))
    crowns = tuple(
        CrownGap(f, float(p), float(g), float(np.sqrt(max(v, 0.0))))
        for f, p, g, v in zip(frets, x, gap, np.diag(cov), strict=True)
    )
    findings = []
    if unread.any():
        message = f"{int(unread.sum())} crowns were not read and are taken to lie on the neck's curve"
        findings.append(Finding("crowns-assumed", message))
    if last < 20:
        findings.append(Finding("crowns-not-seen", f"frets beyond {last} were not read and are not judged"))
    return replace(profile, crowns=crowns, covariance_mm2=cov), tuple(findings)


def _fill_matrix(x: Array, read: Mask) -> Array:
    """Matrix from the gaps read to all gaps: read ones as they are, the others from a polynomial of low order."""
    n_read = int(read.sum())
    design = np.vander((x - x.mean()) / np.ptp(x), min(4 if n_read >= 8 else 3, n_read))
    curve = design @ np.linalg.pinv(design[read])
    matrix = np.zeros((len(x), n_read))
    matrix[read] = np.eye(n_read)
    matrix[~read] = curve[~read]
    return matrix


def _string_heights(action: ActionReading, count: int) -> list[float]:
    """String heights over fret 12, treble to bass, evenly graded."""
    return [float(v) for v in np.linspace(action.treble_mm, action.bass_mm, count)] if count > 1 else [action.treble_mm]


def _verdict(least: float, expanded: float, *, margin: float) -> Verdict:
    judged = judge(least, expanded, low=margin, high=np.inf)
    return "clears" if judged == "inside" else "buzzes" if judged == "below" else "cannot-tell"


@dataclass(frozen=True, slots=True)
class _Model:
    """Geometry shared by all strings: rows are played places (nut, then frets but the last), columns crowns."""

    setup: Setup
    x_mm: Array
    start_mm: Array
    share: Array
    beyond: Mask
    lever: float

    @classmethod
    def of(cls, full: GapProfile, setup: Setup) -> _Model:
        """Return the geometry over a profile that holds every fret."""
        x, length = full.position_mm, setup.scale_length_mm
        start = np.concatenate([[0.0], x[:-1]])
        share = (x - start[:, None]) / (length - start[:, None])
        # Saddle height from the readings over frets 1 and 12: low + (high - low) * lever.
        return cls(setup, x, start, share, x > start[:, None] + 1e-9, float((length - x[0]) / (x[11] - x[0])))

    def rooms(self, gap: Array, *, action_mm: float, tension_N: float, read_over: Array | None = None) -> Array:
        """(played, crowns) clearance; infinite for crowns not beyond the played fret.

        `read_over` are the gaps that the string heights were read over, where a crown is thought lower since.
        """
        over = gap if read_over is None else read_over
        low, high = self.setup.first_fret_mm - over[0], action_mm - over[11]
        saddle = low + (high - low) * self.lever
        nut = low - (high - low) / (self.x_mm[11] - self.x_mm[0]) * self.x_mm[0]
        begin = np.concatenate([[nut], -gap[:-1]])
        line = begin[:, None] + (saddle - begin[:, None]) * self.share
        room = line + gap - self._dips(tension_N)
        return np.asarray(np.where(self.beyond, room, np.inf))

    def _dips(self, tension_N: float) -> Array:
        out = np.zeros_like(self.share)
        for row, start in enumerate(self.start_mm):
            length = self.setup.scale_length_mm - start
            place = min(self.setup.pluck_from_saddle_mm, length / 2)
            peak = pluck_height_mm(self.setup.force_N, tension_N=tension_N, length_mm=length, from_end_mm=place)
            out[row] = dip_envelope_mm(
                self.x_mm - start,
                length_mm=length,
                pluck_from_saddle_mm=place,
                peak_mm=peak,
                release=self.setup.release,
            )
        return out

    def u_room(self, covariance: Array, played: int, *, crown: int) -> float:
        """Standard uncertainty of one clearance, through its linear dependence on gaps and readings."""
        share = self.share[played, crown]
        row = np.zeros(len(self.x_mm))
        row[crown] += 1.0
        # The saddle's height, seen at the crown.
        row[0] -= share * (1 - self.lever)
        row[11] -= share * self.lever
        first, action = share * (1 - self.lever), share * self.lever
        if played > 0:
            row[played - 1] -= 1 - share
        else:
            slope = self.x_mm[0] / (self.x_mm[11] - self.x_mm[0])
            row[0] -= (1 - share) * (1 + slope)
            row[11] += (1 - share) * slope
            first += (1 - share) * (1 + slope)
            action -= (1 - share) * slope
        variance = row @ covariance @ row
        variance += (first * self.setup.u_first_fret_mm) ** 2 + (action * self.setup.action.u_mm) ** 2
        return float(np.sqrt(variance))

    def least(
        self, gap: Array, *, heights: Sequence[float], pulls: Sequence[float], read_over: Array | None = None
    ) -> float:
        """Least clearance of all strings and frets."""
        return min(
            float(self.rooms(gap, action_mm=h, tension_N=t, read_over=read_over).min())
            for h, t in zip(heights, pulls, strict=True)
        )


def _smallest_relief(
    model: _Model, full: GapProfile, *, relief: Relief, heights: Sequence[float], pulls: Sequence[float]
) -> float | None:
    """Scan the bow in hundredths of a millimetre, adding an even bow over the chord."""
    ends = [full.frets.index(f) if f in full.frets else -1 for f in relief.chord]
    first, last = model.x_mm[ends[0] if ends[0] >= 0 else 0], model.x_mm[ends[1]]
    share = (model.x_mm - first) / (last - first)
    bow = np.where((share > 0) & (share < 1), 4 * share * (1 - share), 0.0)
    for wanted in np.arange(0.0, HIGHEST_RELIEF_MM + 1e-9, 0.01):
        gap = full.gap_mm + (wanted - relief.relief_mm) * bow
        if model.least(gap, heights=heights, pulls=pulls) >= model.setup.margin_mm:
            return float(round(wanted, 2))
    return None


def _one_crown(
    model: _Model, full: GapProfile, *, heights: Sequence[float], pulls: Sequence[float]
) -> Levelling | None:
    """The crown whose levelling alone gives the wanted margin everywhere, if there is one."""
    rooms = [model.rooms(full.gap_mm, action_mm=h, tension_N=t) for h, t in zip(heights, pulls, strict=True)]
    lack = model.setup.margin_mm - np.min(np.array(rooms), axis=(0, 1))
    crown = int(np.argmax(lack))
    if not 0 < lack[crown] <= MOST_LEVELLED_MM:
        return None
    gap = full.gap_mm.copy()
    gap[crown] += lack[crown] + 1e-6
    # A lower crown is a lower start for the note played there: ask again.
    if model.least(gap, heights=heights, pulls=pulls, read_over=full.gap_mm) < model.setup.margin_mm:
        return None
    return Levelling(full.frets[crown], float(lack[crown]))
