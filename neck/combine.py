"""Several gap profiles of one unchanged neck, put together.

The profiles may be views of one scene or parts of the neck that overlap; the straightedge may have been laid anew in
between. So each profile tells the crowns only up to a constant and a tilt of its own, and what they share is one height
per fret. Generalised least squares over all of them,

    gap_i = height[frets of i] + constant_i + tilt_i * position + error_i,    error_i ~ (0, C_i),

gives the heights; relief, which no constant and no tilt changes, needs nothing more.

Errors of one camera's model (the outline, the board, mirrored surroundings) come back in each photo: they do not shrink
with the square root of the number. Each profile's covariance is therefore split: a share `common` of it is the same
error in every profile, the rest its own. The weights are those of independent profiles and the split goes into the
uncertainty alone; the best weights for correlated errors go negative when the profiles differ in size of error, and
then put the result outside all of them (R. Peelle's puzzle, 1987; F. H. Froehner, Nucl. Sci. Eng. 126 (1997) 1-18).

Where the profiles scatter about one another more than their covariances allow, the uncertainty is widened by the ratio
of R. T. Birge, Phys. Rev. 40 (1932) 207-227, sqrt(chi^2 / dof); it is never narrowed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from .posterior import restricted_fit
from .profile import Array, GapProfile, frozen_array
from .straightness import chord_matrix

MIN_OVERLAP = 3
"""Frets two parts must share: two tie their lines together, the third shows whether they agree."""

MOVED_P = 0.001
SAME_PLACE_MM = 1.0
# Keeps a covariance that the re-zero at contact made singular invertible: 30 nm, far below anything measured.
JITTER_MM2 = 1e-9


@dataclass(frozen=True, slots=True)
class Consistency:
    """How far profiles of one neck agree.

    Attributes
    ----------
    chi2, dof, p
        Residuals about the common heights, weighted by the whole covariances, and the chance of so much or more. What
        the profiles err by alike cancels in the residuals, so that p is rather too large: a blunt test, which finds
        photos of different necks, or a straightedge moved, and no small disagreement.
    birge_ratio
        sqrt(chi2 / dof).
    worst_profile, worst_fret, worst_mm
        The residual that is largest for its uncertainty: index of the profile, fret, and its size.
    """

    chi2: float
    dof: int
    p: float
    birge_ratio: float
    worst_profile: int
    worst_fret: int
    worst_mm: float

    @property
    def widening(self) -> float:
        """Factor on every uncertainty: the Birge ratio, never below 1."""
        return max(1.0, self.birge_ratio)


@dataclass(frozen=True, slots=True)
class Combined:
    """Profiles put together.

    Attributes
    ----------
    profile
        All crowns, gaps under one straightedge, zeroed as that profile is which reaches farthest.
    first_shown
        For each crown, the index of the first profile that shows it.
    consistency
        How far the profiles agree.
    own_mm2, common_mm2
        (n, n) covariance of the heights from what each profile errs by itself, and from what all share, before the
        widening.
    zeroed
        Whether the gaps start from a contact.
    """

    profile: GapProfile
    first_shown: tuple[int, ...]
    consistency: Consistency
    own_mm2: Array = field(repr=False)
    common_mm2: Array = field(repr=False)
    zeroed: bool = True

    def relief_shares(self, *, chord: tuple[int, int], at_fret: int) -> tuple[float, float, float]:
        """Return the standard uncertainties of the depth at a fret: own, common, and what disagreement adds."""
        frets = self.profile.frets
        ends = (frets.index(min(chord)), frets.index(max(chord)))
        row = chord_matrix(self.profile.position_mm, ends)[frets.index(at_fret)]
        own, common = float(row @ self.own_mm2 @ row), float(row @ self.common_mm2 @ row)
        more = (self.consistency.widening**2 - 1) * (own + common)
        return float(np.sqrt(own)), float(np.sqrt(common)), float(np.sqrt(more))


def first_apart(profiles: Sequence[GapProfile]) -> int | None:
    """Return the index of a profile that shares fewer than three frets with the others, or None when all hang together.

    Parts may hang together in any order: each must share three frets with the union of those that already do.
    """
    reached = set(profiles[0].frets)
    waiting = list(range(1, len(profiles)))
    while waiting:
        joined = [i for i in waiting if len(reached & set(profiles[i].frets)) >= MIN_OVERLAP]
        if not joined:
            return waiting[0]
        for i in joined:
            reached |= set(profiles[i].frets)
        waiting = [i for i in waiting if i not in joined]
    return None


def combine_profiles(profiles: Sequence[GapProfile], *, common: Sequence[float]) -> Combined:
    """Put gap profiles of one unchanged neck together.

    Parameters
    ----------
    profiles
        At least two, with frets counted from the nut, that hang together by three shared frets each (`first_apart`).
    common
        For each profile, the share (0 to 1) of its covariance that is the same error in all of them.

    Returns
    -------
    Combined
        Gaps are told for the straightedge as the photos show it: its tilt is the weighted mean of theirs, or, when it
        was laid differently in between, that of the profile that reaches farthest along the board.

    Raises
    ------
    ValueError
        When fewer than two are given, they do not hang together, their shares are out of range, or one fret stands at
        two places.
    """
    if len(profiles) < 2 or len(common) != len(profiles) or not all(0 <= share <= 1 for share in common):
        raise ValueError("combining needs two profiles or more, and for each the share of its errors that is common")
    if first_apart(profiles) is not None:
        raise ValueError(f"the profiles do not hang together by {MIN_OVERLAP} shared frets")
    stack = _Stack.of(profiles)
    weights = stack.height_weights()
    consistency = stack.consistency(weights)
    doubt = stack.doubt(weights, common)
    weights = stack.laid(weights)
    own, shared = stack.covariances(weights, common)
    own = own + doubt
    gap = sum((w @ p.gap_mm for w, p in zip(weights, profiles, strict=True)), np.zeros(len(stack.frets)))
    joined = _profile(stack, gap, covariance_mm2=own + shared)
    zeroed = any(c.touching for c in joined.crowns)
    return Combined(
        _widened(joined, consistency.widening),
        stack.first_shown,
        consistency,
        frozen_array(own),
        frozen_array(shared),
        zeroed,
    )


@dataclass(frozen=True, slots=True)
class _Stack:
    """The profiles over the union of their frets.

    Attributes
    ----------
    index
        For each profile, where its crowns stand in the union.
    line
        (n, 2) columns of a constant and a tilt over the union.
    first_shown
        For each fret of the union, the first profile that shows it.
    """

    profiles: tuple[GapProfile, ...]
    frets: tuple[int, ...]
    position_mm: Array
    index: tuple[NDArray[np.intp], ...]
    line: Array
    first_shown: tuple[int, ...]

    @classmethod
    def of(cls, profiles: Sequence[GapProfile]) -> _Stack:
        """Return the profiles over the union of their frets."""
        places: dict[int, tuple[float, int]] = {}
        for number, profile in enumerate(profiles):
            for crown in profile.crowns:
                place, _ = places.setdefault(crown.fret, (crown.position_mm, number))
                if abs(place - crown.position_mm) > SAME_PLACE_MM:
                    raise ValueError(f"fret {crown.fret} stands at {place:.1f} mm and at {crown.position_mm:.1f} mm")
        frets = tuple(sorted(places))
        position = np.array([places[fret][0] for fret in frets])
        tilt = 2 * (position - position.mean()) / np.ptp(position)
        return cls(
            tuple(profiles),
            frets,
            position,
            tuple(np.array([frets.index(f) for f in p.frets], dtype=np.intp) for p in profiles),
            np.column_stack([np.ones(len(frets)), tilt]),
            tuple(places[fret][1] for fret in frets),
        )

    def projections(self) -> list[Array]:
        """Return for each profile the weight of its gaps with constant and tilt taken out."""
        found = []
        for profile, at in zip(self.profiles, self.index, strict=True):
            line = self.line[at]
            cov = profile.covariance_mm2
            # A constant and a tilt more or less in the covariance change nothing here; they keep it invertible.
            total = cov + np.trace(cov) * (line @ line.T) + JITTER_MM2 * np.eye(len(at))
            found.append(restricted_fit(profile.gap_mm, total, design=line)[1])
        return found

    def height_weights(self) -> list[Array]:
        """Return for each profile the (n, n_i) matrix that turns its gaps into its part of the common heights."""
        n = len(self.frets)
        projections = self.projections()
        normal = np.zeros((n, n))
        for at, projection in zip(self.index, projections, strict=True):
            normal[np.ix_(at, at)] += projection
        # The heights' own constant and tilt are free: fixed at zero here, `laid` sets them.
        inverse = np.linalg.inv(normal + np.trace(normal) / n * (self.line @ self.line.T))
        return [inverse[:, at] @ p for at, p in zip(self.index, projections, strict=True)]

    def consistency(self, weights: Sequence[Array]) -> Consistency:
        """Return how far the profiles agree with the heights made of them."""
        heights = sum((w @ p.gap_mm for w, p in zip(weights, self.profiles, strict=True)), np.zeros(len(self.frets)))
        chi2, worst = 0.0, (0.0, 0, 0, 0.0)
        for number, (at, projection) in enumerate(zip(self.index, self.projections(), strict=True)):
            profile = self.profiles[number]
            fit = self.line_weights(number)
            away = profile.gap_mm - heights[at]
            away = away - self.line[at] @ (fit @ away)
            chi2 += float(away @ projection @ away)
            size = np.abs(away) / np.sqrt(np.clip(np.diag(profile.covariance_mm2), JITTER_MM2, None))
            k = int(np.argmax(size))
            worst = max(worst, (float(size[k]), number, profile.frets[k], float(away[k])))
        dof = sum(map(len, self.index)) - len(self.frets) - 2 * (len(self.profiles) - 1)
        p = float(chdtrc(dof, chi2))
        return Consistency(chi2, dof, p, float(np.sqrt(chi2 / dof)), *worst[1:])

    def line_weights(self, number: int) -> Array:
        """Return the (2, n_i) weights of the constant and tilt that fit a profile's gaps best."""
        line = self.line[self.index[number]]
        weighted = line.T @ np.linalg.inv(self._firm(number))
        return np.asarray(np.linalg.solve(weighted @ line, weighted))

    def laid(self, weights: Sequence[Array]) -> list[Array]:
        """Return the weights with the heights laid under the straightedge of the photos."""
        lines = [self.line_weights(i) for i in range(len(self.profiles))]
        tilts = [self._away(weights, i, row=lines[i][1:]) for i in range(len(self.profiles))]
        share = self._tilt_shares(lines, tilts)
        tilt = [sum(s * t[j] for s, t in zip(share, tilts, strict=True)) for j in range(len(weights))]
        tilted = [w + np.outer(self.line[:, 1], t) for w, t in zip(weights, tilt, strict=True)]
        widest = self.widest()
        ones = np.ones(len(self.index[widest]))
        level = np.linalg.solve(self._firm(widest), ones)
        constant = self._away(tilted, widest, row=level[None] / level.sum())
        return [w + np.outer(self.line[:, 0], c) for w, c in zip(tilted, constant, strict=True)]

    def _away(self, weights: Sequence[Array], number: int, *, row: Array) -> list[Array]:
        """Return, as weights on each profile's gaps, a combination of what one profile differs from the heights by."""
        at = self.index[number]
        parts = [-(row @ w[at])[0] for w in weights]
        parts[number] = parts[number] + row[0]
        return parts

    def _tilt_shares(self, lines: Sequence[Array], tilts: Sequence[Sequence[Array]]) -> Array:
        """Return each profile's share in the straightedge's tilt: by weight, or the widest alone when it was moved."""
        value = np.array([sum(t @ p.gap_mm for t, p in zip(row, self.profiles, strict=True)) for row in tilts])
        u2 = np.array([lines[i][1] @ self._firm(i) @ lines[i][1] for i in range(len(lines))])
        share = np.asarray((1 / u2) / np.sum(1 / u2))
        chi2 = float(np.sum((value - share @ value) ** 2 / u2))
        if float(chdtrc(len(value) - 1, chi2)) >= MOVED_P:
            return share
        return np.asarray(np.eye(len(lines))[self.widest()])

    def widest(self) -> int:
        """Return the profile that reaches farthest along the board, of those that show a contact when any does."""
        touching = [any(c.touching for c in p.crowns) for p in self.profiles]
        reach = [float(np.ptp(p.position_mm)) for p in self.profiles]
        return max(range(len(reach)), key=lambda i: (touching[i], reach[i]))

    def _firm(self, number: int) -> Array:
        cov = self.profiles[number].covariance_mm2
        return np.asarray(cov + JITTER_MM2 * np.eye(len(cov)))

    def covariances(self, weights: Sequence[Array], common: Sequence[float]) -> tuple[Array, Array]:
        """Return the (n, n) covariance of the combination from the profiles' own errors, and from what they share."""
        n = len(self.frets)
        own, spread = np.zeros((n, n)), np.zeros((n, n))
        for weight, profile, at, share in zip(weights, self.profiles, self.index, common, strict=True):
            own += (1 - share) * weight @ profile.covariance_mm2 @ weight.T
            value, vector = np.linalg.eigh(profile.covariance_mm2)
            root = np.zeros((len(at), n))
            # One standard error per fret, the same in every profile, scaled by each one's own covariance.
            root[:, at] = (vector * np.sqrt(np.clip(value, 0, None))) @ vector.T
            spread += np.sqrt(share) * weight @ root
        return own, spread @ spread.T

    def doubt(self, weights: Sequence[Array], common: Sequence[float]) -> Array:
        """Return the (n, n) covariance by which the heights would err more, were all errors the profiles' own.

        Shared errors widen a mean of views, but help where parts are joined: they drop out of the difference in the
        overlap. Nobody knows them well enough to count on that.
        """
        independent, _ = self.covariances(weights, [0.0] * len(common))
        own, shared = self.covariances(weights, common)
        value, vector = np.linalg.eigh(independent - own - shared)
        return np.asarray((vector * np.clip(value, 0, None)) @ vector.T)


def _profile(stack: _Stack, gap_mm: Array, *, covariance_mm2: Array) -> GapProfile:
    crowns = []
    # The gaps are told for the straightedge as this profile shows it.
    contacts = {c.fret for c in stack.profiles[stack.widest()].crowns if c.touching}
    for k, (fret, number) in enumerate(zip(stack.frets, stack.first_shown, strict=True)):
        source = stack.profiles[number]
        crown = source.crowns[source.frets.index(fret)]
        u = float(np.sqrt(max(covariance_mm2[k, k], 0.0)))
        crowns.append(replace(crown, gap_mm=float(gap_mm[k]), u_gap_mm=u, touching=fret in contacts))
    first = stack.profiles[0]
    return GapProfile(tuple(crowns), covariance_mm2, first.source, first.scale_length_mm, first.numbers_relative)


def _widened(profile: GapProfile, factor: float) -> GapProfile:
    crowns = tuple(replace(c, u_gap_mm=factor * c.u_gap_mm) for c in profile.crowns)
    return replace(profile, crowns=crowns, covariance_mm2=factor**2 * profile.covariance_mm2)
