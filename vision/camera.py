"""The camera, as far as a photo of a neck tells it: where the depth direction vanishes, and how far away it stood.

Coordinates on the board: x along the straightedge's line from the nut, z towards the camera from that line, heights
measured down from the straightedge's lower edge. The camera stands at (x_foot, distance) in the x-z plane. A point at
(x, z) is seen in the column of the line's own point x_line = (x - x_foot z / D) / (1 - z / D).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array

from .comb import Comb, half_nut_mm
from .edge import band_of, sample_strip, significance
from .known import EdgeTurn, known_rows
from .locate import TEXTURE_WINDOW_MM, EdgeCurve
from .photo import FloatImage

OUTER_NEAR_MM = 8.0  # fret ends nearer than this to the line: the straightedge stands beside the outer string
U_NEAR_MIDDLE_MM = 2.5  # of half a board's width at the nut
TAPER = 0.014
U_K1 = 0.03  # of a phone's lens, before the frets are asked (common practice, no published source)
U_GLOW_MM, U_END_MM = 0.12, 0.1
# How far the crowns' fit may draw the camera along the board; and as seen from it where fret ends tell its place, which
# what the crowns' model leaves out must not draw away (by own renders with truth).
FREE_FOOT_MM, HELD_FOOT_RAD = 1.5, 0.0015
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
class BoardCamera:
    """A comb with its depth.

    Attributes
    ----------
    comb
        Columns of places along the straightedge's line.
    x_foot_mm
        Place along the line nearest to the camera.
    distance_mm
        From the camera to the line.
    vanishing_px
        Column in which the depth direction vanishes.
    near_mm
        (2,) distance from the line to the fret ends on the camera's side: value at the nut and per mm along the board.
    u_scale
        Relative standard uncertainty of the comb's scale, by the scatter of the frets.
    u_k1
        Standard uncertainty of the comb's radial distortion, likewise; U_K1 where the frets tell nothing of it.
    hold_foot_mm
        How far the crowns' fit may draw `x_foot_mm`, as a standard deviation; where fret ends tell it this is less than
        its uncertainty.
    """

    comb: Comb
    x_foot_mm: float
    distance_mm: float
    vanishing_px: float
    near_mm: Array = field(repr=False)
    u_scale: float = 0.0
    u_k1: float = U_K1
    hold_foot_mm: float = FREE_FOOT_MM

    @property
    def beside_outer(self) -> bool:
        """Whether the straightedge lies along the outer string, and not along the middle of the board."""
        return bool(self.near_mm[0] < OUTER_NEAR_MM)

    def ends_mm(self, position_mm: Array) -> Array:
        """Return how far before the line the fret ends on the camera's side stand."""
        return np.asarray(self.near_mm[0] + self.near_mm[1] * position_mm)

    def slant(self, x_line_mm: Array) -> Array:
        """Return how far along the board one looks per mm of depth, at a place on the line."""
        return np.asarray((self.x_foot_mm - x_line_mm) / self.distance_mm)

    def px_per_mm(self, x_px: Array) -> Array:
        """Return the scale across the line (up and down) at a column."""
        tilt = self.comb.yaw * self.comb.focal_px / self.comb.middle_px
        reach = np.asarray(x_px) - self.comb.middle_px
        # depth along the axis at the column: D_mid / (1 - tan(yaw) reach / f), then scale = f / depth.
        scale_mid = self.comb.px_per_mm / np.cos(np.arctan(tilt))
        # Across its radius a lens enlarges as it does the radius, by 1 + k1 r^2.
        lens = 1 + self.comb.k1 * (reach / self.comb.focal_px) ** 2
        return np.asarray(scale_mid * (1 - tilt * reach / self.comb.focal_px) * lens)


def camera_from_comb(comb: Comb) -> BoardCamera:
    """Return the camera that the comb alone implies; fret ends are not known yet."""
    tilt = comb.yaw * comb.focal_px / comb.middle_px  # tan of the yaw
    yaw_rad = np.arctan(tilt)
    axial = comb.focal_px * np.cos(yaw_rad) / comb.px_per_mm
    vanishing = comb.middle_px - comb.focal_px * tilt
    # The middle column's point lies axial/cos... away; its foot offset along the line is axial * sin(yaw).
    foot = comb.x0_mm - comb.direction * axial * np.sin(yaw_rad)
    return BoardCamera(comb, float(foot), float(axial * np.cos(yaw_rad)), float(vanishing), np.zeros(2))


def column_of(camera: BoardCamera, x_mm: Array, z_mm: Array) -> Array:
    """Return the column in which a point at (x, z) near the line's height is seen."""
    ratio = z_mm / camera.distance_mm
    return camera.comb.x_px((x_mm - camera.x_foot_mm * ratio) / (1 - ratio))


def fit_camera(
    luminance: FloatImage,
    edge: EdgeCurve,
    comb: Comb,
    *,
    u_scale: float,
    beside_outer: bool,
    thickness_mm: float,
    turn: EdgeTurn | None = None,
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
    """
    behind_mm = GLOW_BEHIND_MM - thickness_mm / 2
    numbers, columns = comb.frets(edge.low_px - 2, edge.high_px + 2)
    position = fret_position_mm(numbers.astype(np.float64), comb.scale_length_mm)
    glow, step = _bands(luminance, edge, comb, np.array([-0.5]))
    seen_glow = _peaks(glow[0], step, columns, 0.9 * comb.px_per_mm)
    bands, _ = _bands(luminance, edge, comb, END_BANDS_MM)
    # The ends stand a few millimetres before the line when the straightedge lies along the outer string, far otherwise.
    near_mm = np.arange(0.0, OUTER_NEAR_MM, 0.5) if beside_outer else np.arange(11.0, 33.0, 0.5)
    camera = camera_from_comb(comb)
    near = _find_ends(bands, step, camera, position, near_mm)
    bands = bands[BELOW_FLANKS:]
    for i, reach in enumerate(END_REACHES_MM):
        expected = column_of(camera, position, near[0] + near[1] * position)
        best, seen_end, scatter = _steadiest(bands, step, expected, reach * comb.px_per_mm, position)
        if i == SETTLING:
            bands = bands[max(best - 1, 0) : best + 2]
        camera = _fit_rows(
            comb,
            position,
            seen_glow,
            seen_end,
            near,
            u_scale=u_scale,
            u_end_mm=scatter / comb.px_per_mm,
            glow_mm=(0.0, 0.1) if beside_outer else (behind_mm, U_GLOW_BEHIND_MM),
            outer=beside_outer,
            turn=turn,
        )
        near = camera.near_mm
        if scatter < SETTLED_PX:
            break
    if beside_outer or _like_a_board(near, half_nut_mm(comb.scale_length_mm)):
        return camera
    none = np.full(len(position), np.nan)
    usual = np.array([half_nut_mm(comb.scale_length_mm), TAPER])
    glow_mm = (behind_mm, U_GLOW_BEHIND_MM)
    return _fit_rows(
        comb,
        position,
        seen_glow,
        none,
        usual,
        u_scale=u_scale,
        u_end_mm=U_END_MM,
        glow_mm=glow_mm,
        outer=False,
        turn=turn,
    )


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


def _fit_rows(
    comb: Comb,
    position: Array,
    seen_glow: Array,
    seen_end: Array,
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
    u_row, u_end = (0.2, max(u_end_mm, 0.03)) if outer else (U_GLOW_MM, max(u_end_mm, U_END_MM))
    near_mm, u_near = (
        (OUTER_NEAR_MM / 2, OUTER_NEAR_MM) if outer else (half_nut_mm(comb.scale_length_mm), U_NEAR_MIDDLE_MM)
    )
    # What is known beforehand: of the search's own step, the reference's scale, a camera roughly square on, a phone's
    # lens, fret ends and a board's taper, and the glow.
    expected = np.array([comb.x0_mm, 0.0, 0.0, 0.0, near_mm, TAPER, 0.0, glow_mm[0]])
    u_expected = np.array([U_START_MM, u_scale, 0.02, U_K1, u_near, 0.005, 0.7, glow_mm[1]])
    glows, ends = np.isfinite(seen_glow), np.isfinite(seen_end)

    def comb_of(p: Array) -> Comb:
        return replace(comb, x0_mm=p[0], px_per_mm=scale * (1 + p[1]), yaw=p[2], k1=p[3])

    def rows_of(p: Array) -> Array:
        """Glows and ends against where they are seen; several parameter vectors, (8, m, 1), are taken at once."""
        c = comb_of(p)
        # The glow is the near half's image in the blade's face: it stands behind that.
        a = (c.end_px(position[glows], -p[7]) - seen_glow[glows]) / scale + p[6]
        b = (c.end_px(position[ends], p[4] + p[5] * position[ends]) - seen_end[ends]) / scale
        return np.concatenate([a / u_row, b / u_end], axis=-1)

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
    hold = HELD_FOOT_RAD * found.distance_mm if ends.any() else FREE_FOOT_MM
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
