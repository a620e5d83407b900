"""The camera fitted to what is seen of the frets: the glow each throws on the blade, and its end before the line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array

from .blade import TEXTURE_WINDOW_MM
from .camera import FREE_FOOT_MM, OUTER_NEAR_MM, U_K1, BoardCamera, camera_from_comb, column_of
from .comb import Comb, half_nut_mm
from .edge import band_of, sample_strip, significance
from .known import EdgeTurn, known_rows
from .locate import EdgeCurve
from .photo import FloatImage

U_NEAR_MIDDLE_MM = 2.5  # of half a board's width at the nut
TAPER = 0.014
U_GLOW_MM, U_END_MM, U_END_OUTER_MM = 0.12, 0.1, 0.03
# Of an end whose outline was read: by own renders with truth 0.005 mm about a cubic, and 0.02 mm of that itself.
U_OUTLINE_MM = 0.02
# How far the crowns' fit may draw the camera, as seen from it, where fret ends tell its place, which what the crowns'
# model leaves out must not draw away (by own renders with truth).
HELD_FOOT_RAD = 0.0015
# The blade's face mirrors the near half of each fret: an image this far behind the face, by own renders with truth.
GLOW_BEHIND_MM, U_GLOW_BEHIND_MM = 1.8, 1.2
U_START_MM = 5.0
BAND_MM, BAND_STEP_MM = 0.45, 0.05
END_BANDS_MM = np.arange(0.45, 8.0, 0.25)  # below the edge: from an end's top to the lower border of the board's side
BELOW_FLANKS = 3  # from this band on no crown's flank, seen past its end, takes part
END_REACHES_MM = (1.2, 0.9, 0.7, *(0.6,) * 7)  # round by round
SETTLING = 3  # after so many rounds the ends stay in their band, or go to the next
# Of place (mm), scale, yaw, distortion, ends (mm), taper, glow's shift and depth (mm): what a typical change is, and a
# small one.
TYPICAL = np.array([0.3, 0.003, 0.005, 0.01, 0.5, 0.002, 0.3, 1.0])
STEPS = 1e-5 * TYPICAL
SETTLED_PX = 0.2  # fret ends this smooth along the board need no further round


@dataclass(frozen=True, slots=True)
class OutlinedEnds:
    """Fret ends whose outlines were read.

    Attributes
    ----------
    position_mm, column_px
        (n,) places of the frets from the nut, and columns of their ends; NaN where none was read.
    near_mm
        (2,) how far before the line they stand, as an earlier camera has it.
    """

    position_mm: Array
    column_px: Array
    near_mm: Array


def fit_camera(
    luminance: FloatImage,
    edge: EdgeCurve,
    comb: Comb,
    *,
    u_scale: float,
    beside_outer: bool,
    thickness_mm: float,
    turn: EdgeTurn | None = None,
    outlined: OutlinedEnds | None = None,
) -> BoardCamera:
    """Refine the comb and find the fret ends: both rows together tell yaw, distortion and the way depth is smeared.

    The glow that each fret throws on the blade stands at the crown's place along the board, shifted alike for all
    frets by the direction of the light; the ends of the frets stand at the near side of the board. A camera with the
    focal length given by the photo must explain both.

    Parameters
    ----------
    luminance, edge, comb
        (height, width) linear light, the straightedge's lower edge, and the frets found under it.
    u_scale
        Relative standard uncertainty of the comb's scale.
    beside_outer
        The straightedge lies along the outer string, and not along the middle of the board.
    thickness_mm
        Of the straightedge: its face mirrors the frets.
    turn
        As both edges of the straightedge show it; None where it is not to count, or the upper one was not seen.
    outlined
        Ends whose outlines were read, five times as sure; None looks for the ends.
    """
    numbers, columns = comb.frets(edge.low_px - 2, edge.high_px + 2)
    position = fret_position_mm(numbers.astype(np.float64), comb.scale_length_mm)
    glow, step = _bands(luminance, edge, comb, np.array([-0.5]))
    fit = partial(
        _fit_rows,
        comb,
        _Row(position, _peaks(glow[0], step, columns, 0.9 * comb.px_per_mm)),
        u_scale=u_scale,
        glow_mm=(0.0, 0.1) if beside_outer else (GLOW_BEHIND_MM - thickness_mm / 2, U_GLOW_BEHIND_MM),
        outer=beside_outer,
        turn=turn,
    )
    if outlined is not None:
        camera = fit(_Row(outlined.position_mm, outlined.column_px), outlined.near_mm, u_end_mm=U_OUTLINE_MM)
        camera = replace(camera, by_outlines=True)
    else:
        bands, _ = _bands(luminance, edge, comb, END_BANDS_MM)
        camera = _fit_bands(bands, step, fit, comb, position, beside_outer=beside_outer)
    usual_mm = half_nut_mm(comb.scale_length_mm)
    if beside_outer or _like_a_board(camera.near_mm, usual_mm):
        return camera
    none = np.full(len(position), np.nan)
    return fit(_Row(position, none), np.array([usual_mm, TAPER]), u_end_mm=U_END_MM)


def _fit_bands(
    bands: list[Array],
    step: float,
    fit: Callable[..., BoardCamera],
    comb: Comb,
    position: Array,
    *,
    beside_outer: bool,
) -> BoardCamera:
    """Fit the camera to the band of marks below the edge that lie most smoothly along the board, round by round."""
    # The ends stand a few millimetres before the line when the straightedge lies along the outer string, far otherwise.
    near_mm = np.arange(0.0, OUTER_NEAR_MM, 0.5) if beside_outer else np.arange(11.0, 33.0, 0.5)
    camera = camera_from_comb(comb)
    near = _find_ends(bands, step, camera, position, near_mm)
    bands = bands[BELOW_FLANKS:]
    least_mm = U_END_OUTER_MM if beside_outer else U_END_MM
    for i, reach in enumerate(END_REACHES_MM):
        expected = column_of(camera, position, near[0] + near[1] * position)
        best, seen_end, scatter = _steadiest(bands, step, expected, reach * comb.px_per_mm, position)
        if i == SETTLING:
            bands = bands[max(best - 1, 0) : best + 2]
        camera = fit(_Row(position, seen_end), near, u_end_mm=max(scatter / comb.px_per_mm, least_mm))
        near = camera.near_mm
        if scatter < SETTLED_PX:
            break
    return camera


def _like_a_board(near_mm: Array, half_width_mm: float) -> bool:
    """Return whether a row of fret ends fits half a fingerboard: as wide as a nut, widening towards the body."""
    return bool(abs(near_mm[0] - half_width_mm) < 2.5 * U_NEAR_MIDDLE_MM and abs(near_mm[1] - TAPER) < 0.01)


def _steadiest(
    bands: list[Array], step: float, expected: Array, reach_px: float, position: Array
) -> tuple[int, Array, float]:
    """Return which band's peaks lie most smoothly along the board, these, and their scatter.

    Fret ends, or their slots in the board's side, follow the comb to a fraction of a pixel; flanks, inlays and grain
    do not.
    """
    best: tuple[float, int, Array, float] = (np.inf, 0, np.full(len(position), np.nan), reach_px)
    t = (position - position.mean()) / max(float(np.ptp(position)), 1.0)
    for band, signal in enumerate(bands):
        seen = _peaks(signal, step, expected, reach_px)
        ok = np.isfinite(seen)
        if ok.sum() < max(4, 0.7 * len(seen)):
            continue
        miss = seen - expected
        for _ in range(3):
            fit = np.polyfit(t[ok], miss[ok], 2)
            rest = np.abs(miss - np.polyval(fit, t))
            scatter = 1.48 * float(np.median(rest[ok])) + 0.05
            tight = ok & (rest < 3.5 * scatter)
            if tight.sum() < max(4, 0.6 * len(seen)):
                break
            ok = tight
        cost = scatter / np.sqrt(ok.sum())
        if cost < best[0]:
            best = (cost, band, np.where(ok, seen, np.nan), scatter)
    return best[1:]


@dataclass(frozen=True, slots=True)
class _Row:
    """Where frets stand on the board, and the columns in which something of them is seen; NaN where it is not."""

    position_mm: Array
    seen_px: Array

    def seen(self) -> _Row:
        ok = np.isfinite(self.seen_px)
        return _Row(self.position_mm[ok], self.seen_px[ok])


def _fit_rows(
    comb: Comb,
    glows: _Row,
    ends: _Row,
    near: Array,
    *,
    u_scale: float,
    u_end_mm: float,
    glow_mm: tuple[float, float],
    outer: bool,
    turn: EdgeTurn | None,
) -> BoardCamera:
    from scipy.optimize import least_squares

    scale = comb.px_per_mm
    # Beside the outer string next to nothing of the fret lies before the blade: no smear, a crisp row of ends.
    u_row = 0.2 if outer else U_GLOW_MM
    near_mm, u_near = (
        (OUTER_NEAR_MM / 2, OUTER_NEAR_MM) if outer else (half_nut_mm(comb.scale_length_mm), U_NEAR_MIDDLE_MM)
    )
    # What is known beforehand: of the search's own step, the reference's scale, a camera roughly square on, a phone's
    # lens, fret ends and a board's taper, and the glow.
    expected = np.array([comb.x0_mm, 0.0, 0.0, 0.0, near_mm, TAPER, 0.0, glow_mm[0]])
    u_expected = np.array([U_START_MM, u_scale, 0.02, U_K1, u_near, 0.005, 0.7, glow_mm[1]])
    glows, ends = glows.seen(), ends.seen()

    def comb_of(p: Array) -> Comb:
        return replace(comb, x0_mm=p[0], px_per_mm=scale * (1 + p[1]), yaw=p[2], k1=p[3])

    def rows_of(p: Array) -> Array:
        """Glows and ends against where they are seen; several parameter vectors, (8, m, 1), are taken at once."""
        c = comb_of(p)
        # The glow is the near half's image in the blade's face: it stands behind that.
        a = (c.end_px(glows.position_mm, -p[7]) - glows.seen_px) / scale + p[6]
        b = (c.end_px(ends.position_mm, p[4] + p[5] * ends.position_mm) - ends.seen_px) / scale
        return np.concatenate([a / u_row, b / u_end_mm], axis=-1)

    rows, told = known_rows(expected, u_expected, turn, yaw_at=2)

    def miss(p: Array) -> Array:
        return np.concatenate([rows_of(p), rows @ p - told])

    def rates(p: Array) -> Array:
        moved = (p + np.vstack([np.zeros(len(p)), np.diag(STEPS)])).T[:, :, None]
        seen = rows_of(moved)
        return np.vstack([((seen[1:] - seen[0]) / STEPS[:, None]).T, rows])

    start = np.array([comb.x0_mm, 0.0, comb.yaw, np.clip(comb.k1, -0.05, 0.05), near[0], near[1], 0.0, glow_mm[0]])
    fit = least_squares(miss, start, jac=rates, loss="soft_l1", x_scale=TYPICAL)
    covariance = np.linalg.inv(fit.jac.T @ fit.jac)  # what is known beforehand keeps it regular
    found = camera_from_comb(comb_of(fit.x))
    u_scale, u_k1 = (float(np.sqrt(covariance[i, i])) for i in (1, 3))
    hold = HELD_FOOT_RAD * found.distance_mm if len(ends.seen_px) else FREE_FOOT_MM
    return replace(found, near_mm=fit.x[4:6].copy(), u_scale=u_scale, u_k1=u_k1, hold_foot_mm=hold)


def _bands(luminance: FloatImage, edge: EdgeCurve, comb: Comb, low_mm: Array) -> tuple[list[Array], float]:
    """Return what stands out along bands below the edge that begin `low_mm` under it, and the column spacing."""
    x = np.arange(0, luminance.shape[1] - 1, 0.1 * comb.px_per_mm)
    below = np.arange(low_mm[0], low_mm[-1] + BAND_MM + 1e-9, BAND_STEP_MM)
    strip = sample_strip(luminance, edge.y_px(x), x, px_per_mm=comb.px_per_mm, below_mm=below)
    rows = significance(strip.texture(TEXTURE_WINDOW_MM, comb.px_per_mm))
    first = np.rint((low_mm - low_mm[0]) / BAND_STEP_MM).astype(np.intp)
    count = round(BAND_MM / BAND_STEP_MM) + 1
    return [band_of(rows[i : i + count]) for i in first], strip.step_px


def _peaks(signal: Array, step: float, columns: Array, reach_px: float) -> Array:
    """Return the centre of gravity of what stands out around each column; NaN where nothing does."""
    out = np.full(len(columns), np.nan)
    floor = float(np.median(signal))
    for i, column in enumerate(columns):
        for _ in range(2):
            low, high = int((column - reach_px) / step), int((column + reach_px) / step) + 1
            if low < 0 or high >= len(signal):
                break
            weight = np.maximum(signal[low:high] - max(floor, 0.4 * signal[low:high].max()), 0)
            if weight.sum() < 0.5:
                break
            column = float((weight * np.arange(low, high)).sum() / weight.sum() * step)
            out[i] = column
    return out


def _find_ends(bands: list[Array], step: float, camera: BoardCamera, position: Array, near: Array) -> Array:
    """Search the bands below for the row of fret ends; return (near_mm, taper)."""
    best, found = -np.inf, np.array([near.mean(), 0.012])
    width_px = len(bands[0]) * step
    for taper in (0.0, 0.01, 0.02):
        columns = column_of(camera, position[None, :], near[:, None] + taper * position[None, :])
        seen = (columns > 0) & (columns < width_px)
        root = np.sqrt(np.maximum(seen.sum(axis=1), 1))
        for band in bands:
            plain = _plainness(band, 5)
            index = np.clip(np.rint(columns / step).astype(np.intp), 0, len(plain) - 1)
            score = np.where(seen, plain[index], 0).sum(axis=1) / root
            j = int(np.argmax(score))
            if score[j] > best:
                best, found = float(score[j]), np.array([near[j], taper])
    return found


def _plainness(signal: Array, width: int) -> Array:
    from scipy.ndimage import maximum_filter1d

    centred = signal - np.median(signal)
    noise = 1.48 * np.median(np.abs(centred)) + 1e-3
    high = maximum_filter1d(np.clip(centred / noise, -1, 8), width)
    return np.asarray((high - high.mean()) / (high.std() + 1e-6))
