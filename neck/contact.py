"""Contact: where a rigid straightedge rests, no light shows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from .extrapolate import MIN_CROWNS, extrapolate
from .posterior import crown_posterior
from .profile import Array, GapProfile

# Where its weight and a hand on it act, in shares of half its length from its middle: normally distributed (common
# practice, no published source).
LOAD = NormalDist(0.0, 0.35)
OVERHANG_MM = 10.0  # past the last fret that it reaches, about
UNKNOWN_MM = 1.0  # of a constant or a tilt of which nothing was measured
# That it rests on what is not reckoned with, and how far over the lowest crown on either side it then lies at most
# (common practice, no published source).
UNSEEN, LIFTED_MM = 0.02, 0.5
TOUCHES = 0.4  # a crown that bears it with such a chance is taken for a contact: on a back-bow one of three may
# Of the shapes, at least of reach and load, and of lines that rest on nothing reckoned with.
DRAWS, WAYS, LINES_EACH, SEED = 200, 60, 10, 20260502
NOTHING = 1e-10  # mm^2, so that what hangs together exactly can be inverted


@dataclass(frozen=True, slots=True)
class Beyond:
    """Frets past an end of a profile that the straightedge may reach and rest on.

    Attributes
    ----------
    position_mm
        (m,) their places, outward.
    chance
        (m + 1,) how likely it is that the straightedge reaches none of them, the first, the first two, and so on.

    Raises
    ------
    ValueError
        There is no chance for each, or they do not add up to one.
    """

    position_mm: tuple[float, ...] = ()
    chance: tuple[float, ...] = (1.0,)

    def __post_init__(self) -> None:
        if len(self.chance) != len(self.position_mm) + 1 or not math.isclose(sum(self.chance), 1.0, abs_tol=1e-6):
            raise ValueError(f"chances {self.chance} for {len(self.position_mm)} frets")


def rezero_on_contact(
    profile: GapProfile,
    *,
    nutward: Beyond | None = None,
    bodyward: Beyond | None = None,
    between_mm: Sequence[float] = (),
    u_constant_mm: float = UNKNOWN_MM,
    u_tilt_mm: float = UNKNOWN_MM,
) -> GapProfile:
    """Take the constant and the tilt out of the gaps that keep the straightedge from resting on the crowns.

    A rigid straightedge rests on two crowns, one either side of where its weight and the hand on it act; on a back-bow
    these are neighbours. All ways in which it can rest are weighed by how near they come to what was measured. Frets
    that were not read, and may bear it, are carried on from the crowns that were (`extrapolate`).

    Parameters
    ----------
    profile
        Gaps that have a constant and a tilt in common.
    nutward, bodyward
        What lies past the first crown and past the last; nothing where not given.
    between_mm
        Places of frets among the crowns that were not read.
    u_constant_mm, u_tilt_mm
        Standard uncertainties, beside what the covariance says, of the constant and of the tilt, as the change over
        half the profile.

    Returns
    -------
    GapProfile
        Same crowns, gaps re-zeroed, likely contacts marked `touching`. The farther from what was measured all ways of
        resting lie, the more is left of the gaps as they were, with these uncertainties. With fewer than `MIN_CROWNS`
        crowns nothing is carried on to frets that were not read, and where there are any nothing is taken out. A line
        is, and no more: what the crowns tell of each other, and how surely, stays the same.

    Raises
    ------
    ValueError
        The profile has fewer than two crowns.

    Notes
    -----
    Shapes are drawn from `crown_posterior`; for each, the line that lets the straightedge rest on it is weighted by how
    likely the line measured is then (importance sampling; JCGM 101:2008, 7, for draws). Their mean takes the place of
    the line measured, and the covariance of lines and shapes that of the two.
    """
    count = len(profile.crowns)
    if count < 2:
        raise ValueError(f"a straightedge needs two crowns under it; got {count}")
    columns = _columns(profile.position_mm, profile.position_mm)
    doubted = profile.covariance_mm2 + (columns * np.square([u_constant_mm, u_tilt_mm])) @ columns.T
    profile = _with_gaps(profile, profile.gap_mm, covariance_mm2=doubted, touching=np.zeros(count, dtype=bool))
    sides = (nutward or Beyond(), bodyward or Beyond())
    unread = len(sides[0].position_mm) + len(sides[1].position_mm) + len(between_mm)
    if count < MIN_CROWNS and unread:
        return profile
    post = crown_posterior(profile)
    # By generalized least squares line and shape tell nothing of each other.
    read, u2_line = _reading(columns, post.covariance_mm2)
    measured = _Line(read @ post.mean_mm, u2_line)
    draws = post.draws_mm[:: max(1, len(post.draws_mm) // DRAWS)]
    shapes = draws - draws @ read.T @ columns.T
    board = _Board.of(profile, shapes, sides=sides, between_mm=np.asarray(between_mm, dtype=np.float64))
    lies = [*board.rests(), *_unborne(shapes, columns, measured=measured)]
    lines = np.concatenate([w.lines for w in lies])
    resting = np.log(1 - UNSEEN)
    score = np.concatenate(
        [w.log_chance + (resting + measured.log_likelihood(w.lines) if w.rests else 0.0) for w in lies]
    )
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    mean = weight @ lines
    spread = (weight[:, None] * (lines - mean)).T
    drawn = np.tile(shapes, (len(lies), 1))
    gap, covariance = _laid(
        profile,
        columns,
        change=mean - measured.mean,
        spread_mm2=spread @ (lines - mean),
        with_shape_mm2=spread @ (drawn - weight @ drawn),
    )
    borne = np.zeros(len(board.position_mm) + 1)  # the last for none
    for crown in np.concatenate([w.contacts for w in lies]).T:
        np.add.at(borne, crown, weight)
    return _with_gaps(profile, gap, covariance_mm2=covariance, touching=borne[:count] > TOUCHES)


def upper_hull(x_mm: Array, y_mm: Array) -> list[int]:
    """Return the indices of the upper convex hull of points in order of x (monotone chain).

    Parameters
    ----------
    x_mm, y_mm
        (n,) places along the board, growing, and heights.
    """
    hull: list[int] = []
    for i in range(len(x_mm)):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (y_mm[b] - y_mm[a]) * (x_mm[i] - x_mm[a]) > (y_mm[i] - y_mm[a]) * (x_mm[b] - x_mm[a]):
                break
            hull.pop()
        hull.append(i)
    return hull


def rest_on(x_mm: Array, y_mm: Array, *, load_mm: float) -> tuple[int, int]:
    """Return the two points a rigid straight bar rests on under a load.

    The bar lies on the edge of the upper hull under its load; outside all points it lies on the last edge, held by
    the hand that presses there.

    Parameters
    ----------
    x_mm, y_mm
        (n,) places along the board, growing, and heights.
    load_mm
        Where its weight, and what presses on it, acts.

    Raises
    ------
    ValueError
        Of fewer than two points.
    """
    hull = upper_hull(x_mm, y_mm)
    for a, b in pairwise(hull):
        if load_mm <= x_mm[b] or b == hull[-1]:
            return a, b
    raise ValueError(f"a straightedge needs two crowns under it; got {len(x_mm)}")


def _columns(at_mm: Array, position_mm: Array) -> Array:
    """Return the (n, 2) columns of a constant and of a tilt over half of the crowns' span."""
    along = 2 * (at_mm - position_mm.mean()) / np.ptp(position_mm)
    return np.stack([np.ones_like(along), along], axis=1)


def _reading(columns: Array, covariance_mm2: Array) -> tuple[Array, Array]:
    """Return what reads constant and tilt off gaps, (2, n), and their covariance (2, 2)."""
    weight = np.linalg.inv(covariance_mm2 + NOTHING * np.eye(len(columns)))
    covariance = np.linalg.inv(columns.T @ weight @ columns)
    return np.asarray(covariance @ columns.T @ weight), np.asarray(covariance)


def _laid(
    profile: GapProfile, columns: Array, *, change: Array, spread_mm2: Array, with_shape_mm2: Array
) -> tuple[Array, Array]:
    """Return gaps and covariance with another line.

    Parameters
    ----------
    columns
        (n, 2) of a constant and a tilt.
    change
        (2,) of the line.
    spread_mm2, with_shape_mm2
        (2, 2) covariance of the line, and (2, n) that with the shape.
    """
    read, _ = _reading(columns, profile.covariance_mm2)
    shape = np.eye(len(columns)) - columns @ read
    covariance = profile.covariance_mm2
    follows = with_shape_mm2 @ np.linalg.inv(covariance + NOTHING * np.eye(len(columns))) @ shape
    value, vector = np.linalg.eigh(spread_mm2 - follows @ covariance @ follows.T)
    own = columns @ (vector * np.sqrt(np.clip(value, 0, None)))
    whole = shape + columns @ follows
    return profile.gap_mm + columns @ change, whole @ covariance @ whole.T + own @ own.T


def _with_gaps(profile: GapProfile, gap_mm: Array, *, covariance_mm2: Array, touching: NDArray[np.bool_]) -> GapProfile:
    u_mm = np.sqrt(np.clip(np.diag(covariance_mm2), 0, None))
    crowns = tuple(
        replace(c, gap_mm=float(g), u_gap_mm=float(u), touching=bool(t))
        for c, g, u, t in zip(profile.crowns, gap_mm, u_mm, touching, strict=True)
    )
    return replace(profile, crowns=crowns, covariance_mm2=(covariance_mm2 + covariance_mm2.T) / 2)


@dataclass(frozen=True, slots=True)
class _Line:
    """A constant and a tilt (2,) as measured, with their covariance (2, 2)."""

    mean: Array
    covariance: Array

    def log_likelihood(self, lines: Array) -> Array:
        """Return how likely what was measured is when the lines (n, 2) are true, per mm^2."""
        off = lines - self.mean
        chi2 = np.einsum("ni,ij,nj->n", off, np.linalg.inv(self.covariance), off)
        return np.asarray(-0.5 * (chi2 + np.linalg.slogdet(self.covariance)[1]) - np.log(2 * np.pi))


@dataclass(frozen=True, slots=True)
class _Lies:
    """One way in which the straightedge may lie on each of d shapes.

    Attributes
    ----------
    log_chance
        (d,) how likely it is beforehand for each; where it does not rest, what was measured is in it.
    lines
        (d, 2) constant and tilt.
    contacts
        (d, 2) indices of the frets it then rests on; -1 for none.
    rests
        On frets that are reckoned with.
    """

    log_chance: Array
    lines: Array
    contacts: NDArray[np.intp]
    rests: bool = True


def _unborne(shapes: Array, columns: Array, *, measured: _Line) -> Iterator[_Lies]:
    """Yield lines as measured, of a straightedge that rests on what is not reckoned with, and cuts no crown."""
    rng = np.random.default_rng(SEED)
    root, half = np.linalg.cholesky(measured.covariance), (shapes.shape[1] + 1) // 2
    room_mm2 = LIFTED_MM**2 / 2  # of constants and tilts, as the change over half the profile, between none and all
    for _ in range(LINES_EACH):
        lines = measured.mean + rng.standard_normal((len(shapes), 2)) @ root.T
        gap = shapes + lines @ columns.T
        lowest = np.stack([gap[:, :half].min(axis=1), gap[:, -half:].min(axis=1)])
        clear = ((lowest >= 0) & (lowest < LIFTED_MM)).all(axis=0)
        log_chance = np.full(len(shapes), np.log(UNSEEN / room_mm2 / LINES_EACH / len(shapes)))
        contacts = np.full((len(shapes), 2), -1)
        yield _Lies(np.where(clear, log_chance, -np.inf), lines, contacts, rests=False)


@dataclass(frozen=True, slots=True)
class _Board:
    """Frets that may bear the straightedge: the n crowns of a profile, then those that were not read.

    Attributes
    ----------
    position_mm, gap_mm
        (m,) places, and (d, m) gaps of d shapes without constant and tilt.
    columns
        (m, 2) of a constant and a tilt over half the span of the crowns read.
    ends_mm
        Of the profile.
    sides
        What lies past them.
    """

    position_mm: Array
    gap_mm: Array
    columns: Array
    ends_mm: tuple[float, float]
    sides: tuple[Beyond, Beyond]

    @classmethod
    def of(cls, profile: GapProfile, shapes: Array, *, sides: tuple[Beyond, Beyond], between_mm: Array) -> _Board:
        """Return the frets of a profile with shapes (d, n), and what was not read carried on from each of them."""
        place = profile.position_mm
        ends = float(place[0]), float(place[-1])
        more = np.concatenate([sides[0].position_mm, between_mm, sides[1].position_mm])
        if not len(more):
            return cls(place, shapes, _columns(place, place), ends, sides)
        unread = {profile.frets[-1] + 1 + i: float(x) for i, x in enumerate(more)}  # the numbers do not matter here
        # Of a shape that is drawn every crown is known.
        carried = extrapolate(replace(profile, covariance_mm2=np.zeros_like(profile.covariance_mm2)), unread)
        weights, bend = carried.weights[-len(more) :], carried.bend_covariance_mm2[-len(more) :, -len(more) :]
        value, vector = np.linalg.eigh(bend)
        noise = np.random.default_rng(SEED).standard_normal((len(shapes), len(more)))
        gap = shapes @ weights.T + noise @ (vector * np.sqrt(np.clip(value, 0, None))).T
        at = np.concatenate([place, more])
        return cls(at, np.hstack([shapes, gap]), _columns(at, place), ends, sides)

    def rests(self) -> Iterator[_Lies]:
        """Yield every way of resting: how far the straightedge reaches, and where its load lies."""
        order, rows = np.argsort(self.position_mm), np.arange(len(self.gap_mm))
        reaches = list(self._reaches())
        loads = -(-WAYS // len(reaches))
        for number, (left_mm, right_mm, chance) in enumerate(reaches):
            at = self.position_mm[order]
            under = order[(at >= left_mm) & (at <= right_mm)]
            half = (right_mm - left_mm) / 2 + OVERHANG_MM
            for n in range(loads):
                load = LOAD.inv_cdf((n + (number + 0.5) / len(reaches)) / loads)
                where = (left_mm + right_mm) / 2 + load * half
                first, second = _bearing(self.position_mm[under], self.gap_mm[:, under], load_mm=where)
                i, j = under[first], under[second]
                rise = self.gap_mm[rows, i] - self.gap_mm[rows, j]
                tilt = rise / (self.columns[j, 1] - self.columns[i, 1])
                lines = np.stack([-self.gap_mm[rows, i] - tilt * self.columns[i, 1], tilt], axis=1)
                log_chance = np.log(chance / loads / len(rows))
                yield _Lies(np.full(len(rows), log_chance), lines, np.stack([i, j], axis=1))

    def _reaches(self) -> Iterator[tuple[float, float, float]]:
        """Yield the outermost frets that the straightedge may reach, and the chance of each pair."""
        nutward, bodyward = (
            [(end, c) for end, c in zip((at, *side.position_mm), side.chance, strict=True) if c > 0]
            for at, side in zip(self.ends_mm, self.sides, strict=True)
        )
        for (left, a), (right, b) in product(nutward, bodyward):
            yield left, right, a * b


def _bearing(at_mm: Array, gap_mm: Array, *, load_mm: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return for each row of gaps (d, m) the two frets that a bar rests on under a load, as `rest_on` does for one."""
    load = float(np.clip(load_mm, np.nextafter(at_mm[0], at_mm[-1]), at_mm[-1]))
    split = int(np.searchsorted(at_mm, load))
    i, j = (index.ravel() for index in np.meshgrid(np.arange(split), np.arange(split, len(at_mm)), indexing="ij"))
    share = (load - at_mm[i]) / (at_mm[j] - at_mm[i])
    lowest = np.argmin(gap_mm[:, i] * (1 - share) + gap_mm[:, j] * share, axis=1)
    return i[lowest], j[lowest]
