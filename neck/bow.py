"""Bow against frets: what the neck does, and which single crowns do not follow it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from .judge import is_above, is_below
from .posterior import FEW_CROWNS, TAU_GRID_MM, restricted_fit, scattered, smooth_design
from .profile import Array, Finding, GapProfile, Relief, frozen_array
from .straightness import chord_matrix

OddKind = Literal["high", "low"]
Crowding = Literal["nut", "middle", "body", "cannot-tell"]
Tongue = Literal["rising", "falling", "level", "cannot-tell", "not-seen"]

# A crown that stands off by less than this is not worth a file (common practice, no published source).
ODD_LIMIT_MM = 0.03
TONGUE_LIMIT_MM = 0.05
K = 2.0
# A bow is called crowded when its deepest place lies in the outer part of the chord.
NUT_SHARE, BODY_SHARE = 0.42, 0.58
# The curve is drawn on past its data at the end crowns, and the rocker test cannot confirm them.
END_FACTOR = 2.0
DRAWS, SEED = 400, 20260502


@dataclass(frozen=True, slots=True)
class OddFret:
    """A crown that does not follow the neck beyond doubt.

    Attributes
    ----------
    fret, kind
        Which, and which way.
    amount_mm, U_mm
        Height above (below, when negative) the neck's curve through the other crowns, with k = 2.
    rocker_mm, U_rocker_mm
        Height above the line through its two neighbours: what a short straightedge on three crowns rocks on.
    """

    fret: int
    kind: OddKind
    amount_mm: float
    U_mm: float
    rocker_mm: float
    U_rocker_mm: float


@dataclass(frozen=True, slots=True)
class Bow:
    """The bow of a neck apart from its frets.

    Attributes
    ----------
    frets
        Frets judged, in order: those inside the chord, ends included.
    amount_mm, U_mm
        Per fret, height above the curve of the others and its expanded uncertainty (k = 2, the usual scatter of fret
        heights included).
    odd
        Crowns that stand off beyond doubt.
    doubtful
        Frets that may stand off, but cannot be told from the noise.
    crowding
        Where the bow is deepest.
    tongue
        What the board does beyond the chord.
    findings
        The same in words.
    """

    frets: tuple[int, ...]
    amount_mm: Array = field(repr=False)
    U_mm: Array = field(repr=False)
    odd: tuple[OddFret, ...]
    doubtful: tuple[int, ...]
    crowding: Crowding
    tongue: Tongue
    findings: tuple[Finding, ...]


def analyse_bow(profile: GapProfile, relief: Relief) -> Bow:
    """Return the bow of a neck apart from its frets.

    Parameters
    ----------
    profile
        Gaps with covariance.
    relief
        Of the same profile; its chord says which part of the board the rod bends.

    Notes
    -----
    A low-order polynomial plus independent scatter of fret heights plus the measured covariance is fitted with one
    crown left out in turn, the scatter being estimated from the others alone, so that one bad fret cannot hide itself.
    The crown that stands off most is set aside and the rest judged again. A claim needs both the deletion residual and
    the rocker test on its neighbours to be beyond their expanded uncertainties.
    """
    low, high = max(1, relief.chord[0]), relief.chord[1]
    inside = [i for i, c in enumerate(profile.crowns) if low <= c.fret <= high and not c.extrapolated]
    frets = tuple(profile.frets[i] for i in inside)
    if len(inside) < FEW_CROWNS + 1:
        nothing = frozen_array(np.zeros(len(frets)))
        few = Finding("few-crowns", f"{len(frets)} crowns known: bow and frets cannot be told apart")
        return Bow(frets, nothing, nothing, (), (), "cannot-tell", "not-seen", (few,))
    part = GapProfile(
        tuple(profile.crowns[i] for i in inside), profile.covariance_mm2[np.ix_(inside, inside)], source=profile.source
    )
    amount, expanded, odd = _set_odd_aside(part)
    doubt = tuple(
        f
        for f, a, u in zip(frets, amount, expanded, strict=True)
        if abs(a) > max(ODD_LIMIT_MM, 1.5 * u / K) and abs(a) - u <= ODD_LIMIT_MM
    )
    tongue = _tongue(profile, relief, odd=frozenset(o.fret for o in odd))
    crowding = _crowding(part, {o.fret for o in odd}) if relief.shape in ("up-bow", "back-bow") else "cannot-tell"
    words = (*_odd_words(odd), *_doubt_words(doubt), *_crowding_words(crowding), *_tongue_words(tongue))
    return Bow(frets, frozen_array(amount), frozen_array(expanded), odd, doubt, crowding, tongue, words)


def without_frets(profile: GapProfile, frets: set[int]) -> GapProfile:
    """Return the profile without some of its crowns."""
    keep = [i for i, f in enumerate(profile.frets) if f not in frets]
    return GapProfile(
        tuple(profile.crowns[i] for i in keep),
        profile.covariance_mm2[np.ix_(keep, keep)],
        source=profile.source,
        scale_length_mm=profile.scale_length_mm,
        numbers_relative=profile.numbers_relative,
    )


def rocker_test(profile: GapProfile, fret: int) -> tuple[float, float]:
    """Return how far a crown stands above the line through its two neighbours, and the expanded uncertainty (k = 2).

    Positive: a short straightedge on the three crowns rocks on it.

    Raises
    ------
    ValueError
        When the crown has no neighbour on one side.
    """
    at = profile.frets.index(fret)
    if not 0 < at < len(profile.frets) - 1:
        raise ValueError(f"fret {fret} has no neighbour on one side")
    row = chord_matrix(profile.position_mm[at - 1 : at + 2], (0, 2))[1]
    cov = profile.covariance_mm2[at - 1 : at + 2, at - 1 : at + 2]
    return float(-row @ profile.gap_mm[at - 1 : at + 2]), K * float(np.sqrt(max(0.0, row @ cov @ row)))


def _set_odd_aside(part: GapProfile) -> tuple[Array, Array, tuple[OddFret, ...]]:
    """Judge every crown against the others; set the worst aside while it stands off beyond doubt."""
    aside: list[int] = []
    most = max(1, (len(part.crowns) - FEW_CROWNS) // 2)
    while True:
        amount, expanded = _deletion(part, aside)
        free = [i for i in range(len(amount)) if i not in aside]
        worst = free[int(np.argmax(np.abs(amount[free]) / np.maximum(expanded[free], 1e-9)))]
        if (
            len(aside) >= most
            or not _stands_off(amount[worst], expanded[worst])
            or not _rocks(part, worst, amount=amount)
        ):
            break
        aside.append(worst)
    odd = []
    for i in sorted(aside):
        rocker, u_rocker = _rocker_at(part, i)
        kind: OddKind = "high" if amount[i] > 0 else "low"
        odd.append(OddFret(part.frets[i], kind, float(amount[i]), float(expanded[i]), rocker, u_rocker))
    return amount, expanded, tuple(odd)


def _deletion(part: GapProfile, aside: list[int]) -> tuple[Array, Array]:
    """Height of each crown above the curve through the others (without those set aside), with U."""
    n = len(part.crowns)
    amount, expanded = np.zeros(n), np.zeros(n)
    design = smooth_design(part.position_mm)
    for i in range(n):
        rest = [j for j in range(n) if j != i and j not in aside]
        tau = _scatter(part.gap_mm[rest], part.covariance_mm2[np.ix_(rest, rest)], design=design[rest])
        both = [*rest, i]
        total = part.covariance_mm2[np.ix_(both, both)] + tau**2 * np.eye(len(both))
        _, projection = restricted_fit(part.gap_mm[both], total, design=design[both])
        # Deletion residual of generalised least squares: (P g)_i / P_ii with variance 1 / P_ii.
        amount[i] = -float(projection[-1] @ part.gap_mm[both]) / projection[-1, -1]
        expanded[i] = K / np.sqrt(projection[-1, -1]) * (END_FACTOR if i in (0, n - 1) else 1.0)
    return amount, expanded


def _scatter(gap: Array, covariance: Array, *, design: Array) -> float:
    """Scatter of fret heights by restricted likelihood over the grid."""
    scores, _ = restricted_fit(gap, scattered(covariance), design=design)
    weight = np.exp(scores - scores.max())
    return float(np.sqrt(weight @ TAU_GRID_MM**2 / weight.sum()))


def _stands_off(amount: float, expanded: float) -> bool:
    return is_above(amount, expanded, limit=ODD_LIMIT_MM) or is_below(amount, expanded, limit=-ODD_LIMIT_MM)


def _rocks(part: GapProfile, at: int, *, amount: Array) -> bool:
    """The rocker test agrees in sign beyond its uncertainty; end crowns have none and rest on the curve alone."""
    if not 0 < at < len(part.crowns) - 1:
        return True
    rocker, expanded = _rocker_at(part, at)
    return abs(rocker) > expanded and np.sign(rocker) == np.sign(amount[at])


def _rocker_at(part: GapProfile, at: int) -> tuple[float, float]:
    if not 0 < at < len(part.crowns) - 1:
        return 0.0, 0.0
    return rocker_test(part, part.frets[at])


def _crowding(part: GapProfile, odd: set[int]) -> Crowding:
    """Where the smooth bow is deepest, from draws of its coefficients."""
    keep = [i for i, f in enumerate(part.frets) if f not in odd]
    design = smooth_design(part.position_mm)
    cov = part.covariance_mm2[np.ix_(keep, keep)]
    tau = _scatter(part.gap_mm[keep], cov, design=design[keep])
    total = cov + tau**2 * np.eye(len(keep))
    information = design[keep].T @ np.linalg.solve(total, design[keep])
    best = np.linalg.solve(information, design[keep].T @ np.linalg.solve(total, part.gap_mm[keep]))
    rng = np.random.default_rng(SEED)
    coefficients = rng.multivariate_normal(best, np.linalg.inv(information), DRAWS)
    x = part.position_mm
    share = (x - x[0]) / (x[-1] - x[0])
    fine = np.linspace(0, 1, 101)
    depth = (coefficients @ design.T) @ chord_matrix(x, (0, len(x) - 1)).T
    curves = np.array([np.interp(fine, share, row) for row in depth])
    deepest = fine[np.argmax(np.abs(curves), axis=1)]
    low, high = np.quantile(deepest, [0.025, 0.975])
    if high < NUT_SHARE:
        return "nut"
    if low > BODY_SHARE:
        return "body"
    return "middle" if low >= NUT_SHARE - 0.1 and high <= BODY_SHARE + 0.1 else "cannot-tell"


def _tongue(profile: GapProfile, relief: Relief, *, odd: frozenset[int] = frozenset()) -> Tongue:
    """Height of the last crown above the tangent of the neck's curve at the chord's end.

    The chord itself will not do: a straight tongue behind an up-bowed neck stands above the chord drawn on.
    """
    ends = [profile.frets.index(f) for f in relief.chord]
    inside = [i for i in range(ends[0], ends[1] + 1) if profile.frets[i] not in odd]
    if len(profile.frets) - 1 - ends[1] < 2 or profile.numbers_relative or len(inside) < FEW_CROWNS:
        return "not-seen"
    part, last = [*inside, len(profile.frets) - 1], len(inside)
    gap, cov = profile.gap_mm[part], np.array(profile.covariance_mm2[np.ix_(part, part)])
    place = profile.position_mm[part]
    design, tangent = _polynomial(place[:last]), _tangent_row(place)
    tau = _scatter(gap[:last], cov[:last, :last], design=design)
    total = cov + tau**2 * np.eye(len(part))
    solved = np.linalg.solve(total[:last, :last], design)
    row = np.append(tangent @ np.linalg.solve(design.T @ solved, solved.T), -1.0)
    rise, expanded = float(row @ gap), K * float(np.sqrt(max(0.0, row @ total @ row)))
    if is_above(rise, expanded, limit=TONGUE_LIMIT_MM):
        return "rising"
    if is_below(rise, expanded, limit=-TONGUE_LIMIT_MM):
        return "falling"
    return "level" if abs(rise) + expanded <= 2 * TONGUE_LIMIT_MM else "cannot-tell"


def _polynomial(place: Array) -> Array:
    """Columns 1, x, x^2 (x^3 from eight crowns on), x running from -1 to 1."""
    x = 2 * (place - place[0]) / (place[-1] - place[0]) - 1
    return np.vander(x, 4 if len(x) >= 8 else 3, increasing=True)


def _tangent_row(place: Array) -> Array:
    """Row of the polynomial's tangent at the last but one place, read at the last place."""
    half = (place[-2] - place[0]) / 2
    order = np.arange(4 if len(place) - 1 >= 8 else 3)
    return np.asarray(1.0 + order * (place[-1] - place[-2]) / half)


def _odd_words(odd: tuple[OddFret, ...]) -> tuple[Finding, ...]:
    out = []
    for o in odd:
        if o.kind == "high":
            cure = "press it down with a block of wood: if the light changes it is loose, else it is high"
        else:
            cure = "it is worn, or seated deeper than its neighbours"
        words = (
            f"fret {o.fret} is {o.kind} by {abs(o.amount_mm):.2f} ± {o.U_mm:.2f} mm against the neck's curve; {cure}"
        )
        out.append(Finding(f"fret-{o.kind}", words))
    return tuple(out)


def _doubt_words(doubtful: tuple[int, ...]) -> tuple[Finding, ...]:
    if not doubtful:
        return ()
    named = ", ".join(str(f) for f in doubtful)
    return (Finding("fret-cannot-tell", f"whether fret {named} stands off cannot be told at this uncertainty"),)


def _crowding_words(crowding: Crowding) -> tuple[Finding, ...]:
    if crowding == "nut":
        return (Finding("bow-to-nut", "the bow is crowded to the nut end: the rod will take out less of it there"),)
    if crowding == "body":
        return (Finding("bow-to-body", "the bow is crowded to the body end: the rod bends that part least"),)
    return ()


def _tongue_words(tongue: Tongue) -> tuple[Finding, ...]:
    if tongue == "rising":
        return (
            Finding(
                "tongue-rises", "the board rises past the chord, against the line of the neck: fret work, not the rod"
            ),
        )
    if tongue == "falling":
        return (
            Finding(
                "tongue-falls",
                "the board falls away past the chord, against the line of the neck: the rod does not act there",
            ),
        )
    return ()
