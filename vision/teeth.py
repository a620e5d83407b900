"""Which numbering of the frets the picture bears out: single frets found, combs fitted and held to them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array

from .comb import Comb, CombMatch, CombPrior, FretRows, half_nut_mm
from .halves import ALONE, Halves
from .known import known_rows

# What is known beforehand of camera and board: a phone held roughly square on, its lens, a board's taper, and how far a
# fret's glow stands to the side the light comes from (within its foot). Common practice, no published source.
U_TURN, U_K1, U_TAPER, U_GLOW_MM = 0.03, 0.03, 0.01, 0.7
TAPER = 0.014
U_MIDDLE_NEAR_MM = 3.5  # of half a board at the nut, and of a straightedge laid along its middle by eye
OUTER_NEAR_MM, U_OUTER_NEAR_MM = 3.0, 3.0
OUTER_BELOW_MM = 9.0
U_CROWN_MM, U_END_MM = 0.35, 0.3  # how well one fret's glow and one fret's end are placed
GATE = 3.0  # standard deviations within which a peak is a tooth's
SEEN = 0.8  # share of the frets in view whose mark stands out
ONE_MARK_MM = 0.4  # marks of two rows nearer than this to each other are one: peaks are placed to 0.1 mm
PEAK_NOISE = 2.5
BEYOND_COST = 3.0
# Numberings this close in evidence are weighed once more, with marks placed this much better than they need to be.
CLOSE, WELL_PLACED = 9.0, 0.5
FAR_SHARE = 0.85  # of the evidence for ends beside the line: half of it is the crowns', which both have
MAX_BEYOND = 1  # the nut's own edge may pass for one
REACHES_MM = (2.2, 1.4, 1.05, 1.05)


@dataclass(frozen=True, slots=True)
class Peaks:
    """Places along the board where something stands out.

    Attributes
    ----------
    x_px
        (n,) columns.
    per_mm
        How many there are in a millimetre of the picture: what chance offers.
    """

    x_px: Array
    per_mm: float


@dataclass(frozen=True, slots=True)
class TeethFit:
    """A comb fitted to the frets found.

    Attributes
    ----------
    comb
        Its `score` is that of the search.
    evidence
        Natural logarithm of how much likelier the peaks are with frets standing there than strewn by chance, less what
        the camera, the lens and the scale needed are unlikely beforehand.
    matched
        Numbers of the teeth whose mark was found in either row.
    near_mm
        Distance from the line to the fret ends at the nut.
    rms_mm
        Of the frets found about the comb, in millimetres of the picture.
    beyond
        How many frets were found where the comb has the headstock: more than one, and it is not the right comb.
    band
        In which the fret ends were looked for.
    """

    comb: Comb
    evidence: float
    matched: tuple[int, ...]
    near_mm: float
    rms_mm: float
    beyond: int = 0
    band: int = 0


# Of place (mm), scale, yaw, distortion, ends (mm), taper, glow (mm): what a typical change is, and a small one.
TYPICAL = np.array([0.5, 0.005, 0.01, 0.01, 1.0, 0.005, 0.3])
STEPS = 1e-5 * TYPICAL


def find_peaks_px(signal: Array, step_px: float, width_px: float, px_per_mm: float) -> Peaks:
    """Return the peaks of a row that stand out of its noise, to a fraction of a sample."""
    smooth = gaussian_filter1d(signal, max(width_px / step_px, 0.7))
    centred = smooth - np.median(smooth)
    noise = 1.48 * np.median(np.abs(centred)) + 1e-3
    i = 1 + np.flatnonzero(
        (centred[1:-1] >= centred[:-2]) & (centred[1:-1] > centred[2:]) & (centred[1:-1] > PEAK_NOISE * noise)
    )
    a, b, c = smooth[i - 1], smooth[i], smooth[i + 1]
    place = i + 0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-9)
    length_mm = len(signal) * step_px / px_per_mm
    return Peaks(place * step_px, max(len(i), 1) / length_mm)


@dataclass(frozen=True, slots=True)
class _Rows:
    crowns: Peaks
    ends: tuple[Peaks, ...]


def fit_combs(
    rows: FretRows,
    matches: list[CombMatch],
    prior: CombPrior,
    *,
    span_px: tuple[float, float],
    both: Halves = ALONE,
) -> list[TeethFit]:
    """Fit every comb, and its neighbours in numbering, to the single frets found; most evidence first.

    The numbering one fret off explains the same spacings with a scale 2^(1/12) as large (equal temperament): the
    scale's own uncertainty then tells how unlikely it is.

    Parameters
    ----------
    rows
        What stands out along the board.
    matches
        Combs to start from.
    prior
        Scale with its uncertainty.
    span_px
        Columns between which the straightedge was seen.
    both
        Who does the work.
    """
    scale = prior.px_per_mm
    peaks = _Rows(
        find_peaks_px(rows.crowns, rows.step_px, 0.25 * scale, scale),
        tuple(find_peaks_px(band, rows.step_px, 0.5 * scale, scale) for band in rows.ends),
    )
    fit = partial(_fit, peaks, prior=prior, span_px=span_px)
    starts = [_starts(match, rows, prior) if i == 0 else [match] for i, match in enumerate(matches)]
    tried = iter(both.map(fit, [start for of_match in starts for start in of_match]))
    firsts = [_of_one_place([next(tried) for _ in of_match]) for of_match in starts]
    nexts = [
        replace(match, comb=comb, near_mm=max(first.near_mm, 0.0), band=first.band)
        for match, first in zip(matches, firsts, strict=True)
        for comb in _renumbered(first.comb, prior)
    ]
    fits = [*firsts, *both.map(fit, nexts)]
    kept = _distinct(fits)
    if len(kept) < 2 or kept[0].evidence - kept[1].evidence > CLOSE:
        return kept
    return _looked_at_again(kept, partial(fit, well=WELL_PLACED))


def _starts(match: CombMatch, rows: FretRows, prior: CombPrior) -> list[CombMatch]:
    """Return where to begin with the likeliest comb: which band holds the fret ends, and how far off, was a guess."""
    combs = match.comb, replace(match.comb, yaw=0.0, k1=0.0)
    nears = match.near_mm, half_nut_mm(prior.scale_length_mm)
    return [
        replace(match, comb=comb, near_mm=near, band=band)
        for band, comb, near in product(range(len(rows.ends)), combs, nears)
    ]


def _looked_at_again(fits: list[TeethFit], fit: Callable[[CombMatch], TeethFit]) -> list[TeethFit]:
    """Weigh close numberings once more as if the marks were well placed; as before, where that speaks for none of them.

    Marks follow the right comb more closely than they need to; a wrong one uses up what they are allowed.
    """
    close = [f for f in fits if f.evidence > fits[0].evidence - CLOSE]
    again = [fit(CombMatch(f.comb, f.near_mm, f.band)) for f in close]
    if not any(new.evidence > old.evidence for new, old in zip(again, close, strict=True)):
        return fits
    return _distinct(again)


def _of_one_place(fits: list[TeethFit]) -> TeethFit:
    """Return the fit with most evidence; one with the ends beside the line only if none far off does nearly as well.

    Seen from above, frets run as streaks from the line to their ends: a row across the streaks looks like ends beside
    the line. Where the straightedge does lie beside the outer string, no row is seen half a board before it.
    """
    best = max(fits, key=lambda f: f.evidence)
    far = [f for f in fits if f.near_mm >= OUTER_BELOW_MM]
    rival = max(far, key=lambda f: f.evidence, default=best)
    return rival if rival.evidence > FAR_SHARE * best.evidence else best


def _distinct(fits: list[TeethFit]) -> list[TeethFit]:
    """Return one fit of each numbering, most evidence first."""
    kept: list[TeethFit] = []
    left = fits
    while left:
        best = max(left, key=lambda f: f.evidence)
        same = [f for f in left if f is best or same_numbering(f.comb, best.comb)]
        kept.append(replace(_of_one_place(same), evidence=best.evidence))
        left = [f for f in left if not any(f is s for s in same)]
    return kept


def same_numbering(a: Comb, b: Comb) -> bool:
    """Tell whether two combs give the frets about the picture's middle the same numbers."""
    if a.direction != b.direction:
        return False
    position = fret_position_mm(np.arange(1.0, 25.0), a.scale_length_mm)
    at = a.x_px(position)
    seen = (at > 0) & (at < 2 * a.middle_px)
    if not seen.any():
        return abs(a.x0_mm - b.x0_mm) < 4.0
    return float(np.median(np.abs(b.x_px(position[seen]) - at[seen]))) < 4.0 * a.px_per_mm


def _renumbered(comb: Comb, prior: CombPrior) -> list[Comb]:
    """Return the comb with every fret called one higher, and one lower: all lengths grow by 2^(1/12) or shrink."""
    if prior.first_fret is not None:
        return []
    out = []
    for ratio in (2 ** (1 / 12), 2 ** (-1 / 12)):
        # Distances from the bridge, scale length - x, change in proportion.
        x0 = comb.scale_length_mm - (comb.scale_length_mm - comb.x0_mm) / ratio
        out.append(replace(comb, x0_mm=x0, px_per_mm=comb.px_per_mm * ratio))
    return out


def _near_prior(near_mm: float, scale_length_mm: float) -> tuple[float, float]:
    if near_mm < OUTER_BELOW_MM:
        return OUTER_NEAR_MM, U_OUTER_NEAR_MM
    return half_nut_mm(scale_length_mm), U_MIDDLE_NEAR_MM


def _fit(
    peaks: _Rows, match: CombMatch, *, prior: CombPrior, span_px: tuple[float, float], well: float = 1.0
) -> TeethFit:
    """Fit place, scale, yaw, distortion, fret ends and the glow's shift, robustly, re-choosing the peaks each round.

    Marks are placed as well as usual, or to the share `well` of that.
    """
    from scipy.optimize import least_squares

    u_crown, u_end = U_CROWN_MM * well, U_END_MM * well
    comb, scale = match.comb, prior.px_per_mm
    near0, u_near = _near_prior(match.near_mm, comb.scale_length_mm)
    u_yaw = U_TURN * comb.middle_px / comb.focal_px
    numbers = np.arange(float(prior.first_fret or 1), 25.0)
    position = fret_position_mm(numbers, comb.scale_length_mm)
    end_peaks = peaks.ends[match.band]

    def comb_of(p: Array) -> Comb:
        return replace(comb, x0_mm=p[0], px_per_mm=scale * (1 + p[1]), yaw=p[2], k1=p[3])

    def columns(p: Array) -> tuple[Array, Array]:
        """Columns of crowns and ends; several parameter vectors, (7, m, 1), are taken at once."""
        c = comb_of(p)
        return c.x_px(position) + p[6] * scale, c.end_px(position, p[4] + p[5] * position)

    expected = np.array([0.0, 0.0, 0.0, near0, TAPER, 0.0])
    u_expected = np.array([prior.u_scale, u_yaw, U_K1, u_near, U_TAPER, U_GLOW_MM])

    rows, told = known_rows(expected, u_expected, prior.turn, yaw_at=1)

    def known(p: Array) -> Array:
        return np.asarray(rows @ p[1:] - told)

    p = np.array([comb.x0_mm, comb.px_per_mm / scale - 1, comb.yaw, comb.k1, match.near_mm, TAPER, 0.0])
    p[4] = match.near_mm if match.near_mm > OUTER_BELOW_MM else max(match.near_mm - 2.0, 1.0)
    for reach in REACHES_MM:
        at, end_at = columns(p)
        inside = (at >= span_px[0] - scale) & (at <= span_px[1] + scale)
        if inside.sum() < 2:
            return TeethFit(comb, -np.inf, (), match.near_mm, np.inf)
        seen = _nearest(peaks.crowns.x_px, at, reach * scale)
        seen_end = _nearest(end_peaks.x_px, end_at, reach * scale)
        seen[~inside], seen_end[~inside] = np.nan, np.nan

        def miss(q: Array, seen: Array = seen, seen_end: Array = seen_end) -> Array:
            a, b = columns(q)
            a, b = (a - seen) / (scale * u_crown), (b - seen_end) / (scale * u_end)
            return np.concatenate([a[np.isfinite(a)], b[np.isfinite(b)], known(q)])

        def rates(q: Array, seen: Array = seen, seen_end: Array = seen_end) -> Array:
            moved = (q + np.vstack([np.zeros(len(q)), np.diag(STEPS)])).T[:, :, None]
            a, b = columns(moved)
            by = [
                ((v[1:] - v[0]) / (scale * u))[:, np.isfinite(s)]
                for v, s, u in ((a, seen, u_crown), (b, seen_end, u_end))
            ]
            prior_by = np.concatenate([np.zeros((1, len(told))), rows.T * STEPS[1:, None]])
            return np.asarray((np.concatenate([*by, prior_by], axis=1) / STEPS[:, None]).T)

        p = least_squares(miss, p, jac=rates, loss="soft_l1", x_scale=TYPICAL, max_nfev=12).x
    at, end_at = columns(p)
    inside = (at >= span_px[0]) & (at <= span_px[1])
    a = (_nearest(peaks.crowns.x_px, at, GATE * scale * u_crown) - at) / scale
    b = (_nearest(end_peaks.x_px, end_at, GATE * scale * u_end) - end_at) / scale
    beyond = _beyond(peaks, match.band, comb_of(p), near_mm=float(p[4]), shift_px=float(p[6]) * scale)
    crown, end = _log_odds(a, u_crown, peaks.crowns.per_mm), _log_odds(b, u_end, end_peaks.per_mm)
    # A mark at one column in both rows, as of a fret's end that reaches up to the edge, is one finding, not two.
    one = np.abs((at - end_at) / scale + a - b) < ONE_MARK_MM
    evidence = (
        float(np.where(one, np.maximum(crown, end), crown + end)[inside].sum())
        - 0.5 * float((known(p) ** 2).sum())
        - BEYOND_COST * beyond
    )
    rest = np.concatenate([a[inside], b[inside]])
    rms = float(np.sqrt(np.nanmean(rest**2))) if np.isfinite(rest).any() else np.inf
    matched = numbers[inside & (np.isfinite(a) | np.isfinite(b))]
    return TeethFit(comb_of(p), evidence, tuple(int(n) for n in matched), float(p[4]), rms, beyond, match.band)


def _beyond(peaks: _Rows, band: int, comb: Comb, *, near_mm: float, shift_px: float) -> int:
    """Count the frets found one after the other at the places of numbers -1, -2, ...: there are none beyond the nut."""
    position = fret_position_mm(np.arange(-1.0, -6.0, -1.0), comb.scale_length_mm)
    at = comb.x_px(position)
    scale = comb.px_per_mm
    crown = _nearest(peaks.crowns.x_px, at + shift_px, GATE * scale * U_CROWN_MM)
    end = _nearest(peaks.ends[band].x_px, comb.end_px(position, near_mm), GATE * scale * U_END_MM)
    return int(np.cumprod(np.isfinite(crown) & np.isfinite(end)).sum())


def _log_odds(miss_mm: Array, u_mm: float, chance_per_mm: float) -> Array:
    """Return for each tooth the logarithm of the likelihood ratio of a mark this far off, or none, against chance."""
    found: NDArray[np.bool_] = np.isfinite(miss_mm)
    hit = np.log(SEEN / (u_mm * np.sqrt(2 * np.pi) * chance_per_mm)) - 0.5 * (np.where(found, miss_mm, 0.0) / u_mm) ** 2
    chance = 1 - np.exp(-2 * GATE * u_mm * chance_per_mm)
    return np.asarray(np.where(found, hit, np.log((1 - SEEN) / (1 - chance))), dtype=np.float64)


def _nearest(peaks_px: Array, at_px: Array, reach_px: float) -> Array:
    """Return the peak nearest to each column, NaN where none is within reach."""
    if not len(peaks_px):
        return np.full(len(at_px), np.nan)
    order = np.clip(np.searchsorted(peaks_px, at_px), 1, max(len(peaks_px) - 1, 1))
    left = peaks_px[order - 1]
    right = peaks_px[np.minimum(order, len(peaks_px) - 1)]
    best = np.where(np.abs(left - at_px) <= np.abs(right - at_px), left, right)
    return np.where(np.abs(best - at_px) <= reach_px, best, np.nan)
