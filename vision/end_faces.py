"""Heights of the frets by their end faces, where the straightedge lies beside the outer string.

The end of a fret, filed to a bevel, stands a few millimetres before the edge: half a disc, lit as one face and seen
end-on. Its top tells the crown's height, less an amount common to all frets, which the contact takes out. All ends of a
photo are of one shape; place and height are each one's own. They are drawn with the photo's blur against blade and gap,
whose light is free in every column, and compared in linear light.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lightgap.neck.profile import Array

from .camera import BoardCamera, ends_seen_at
from .joint import CORRELATED, ROBUST
from .locate import EdgeCurve
from .patches import NOISE, binned_blur, binning
from .photo import FloatImage
from .shading import Mask, blur_matrix
from .slit import SlitLight

FINE = 3  # parts of a pixel, each way
REACH_MM, ABOVE_MM, BELOW_MM = 1.9, 0.25, 1.05
# Half the width, the height and the bevel of an end, from narrow and low wires to wide and tall ones (common practice,
# no published source).
SHAPE, U_SHAPE = np.array([1.15, 0.9, 0.5]), np.array([0.15, 0.2, 0.3])
LEAST, MOST = np.array([0.75, 0.6, 0.0]), np.array([1.6, 1.5, 1.5])
TYPICAL_GAP_MM = 0.2
UPRIGHT = 0.97  # of half the width: beyond it the outline goes on straight
USED, SEARCHED = 0.8, 0.6  # of the height, from the top: below it the board comes in
TRIAL_ASIDE_MM = np.arange(-0.8, 0.81, 0.2)
TRIAL_GAPS_MM = np.arange(-0.24, 0.61, 0.12)
TRIAL_TILTS = np.arange(-0.4, 0.41, 0.2)
AGAIN_GAPS_MM = np.arange(-0.3, 0.7, 0.06)
U_ASIDE_MM, U_KINK_ASIDE_MM = 0.5, 0.012
MOST_U_MM, MAX_NOISE = 0.04, 1.8  # of one end; of all, in units of the scatter assumed
AT_LIMIT = 0.02
# A bevel leans the top of a face back by a millimetre at most (common practice, no published source).
MOST_ASIDE_MM, MOST_DEPTH_MM, LEAST_SLANT = 0.6, 1.25, 0.15
FIRST_ROUNDS, ROUNDS = 4, 7
# For numerical derivatives: of half width, height, bevel, place and gap.
STEP = np.array([0.02, 0.02, 0.05, 0.02, 0.01])


@dataclass(frozen=True, slots=True)
class EndPatches:
    """Pixels around each of f fret ends, r rows and c columns each, with finer parts `FINE` times as many.

    Attributes
    ----------
    light
        (f, r, c) linear light.
    across_mm, below_mm
        (f, FINE c) from where the end is expected; (f, FINE r, FINE c) under the blade's edge.
    inside
        (f, r, c) 1 in the picture and under the straightedge, else 0.
    slant
        (f,) how far sideways, in the columns' direction, one looks per mm of depth.
    behind
        (f, c) the gap's light beside the frets, as it may be expected behind the end.
    px_per_mm, blur_px
        Of these pixels.
    """

    light: Array = field(repr=False)
    across_mm: Array = field(repr=False)
    below_mm: Array = field(repr=False)
    inside: Array = field(repr=False)
    slant: Array = field(repr=False)
    behind: Array = field(repr=False)
    px_per_mm: float
    blur_px: float

    @property
    def row_below_mm(self) -> Array:
        """(f, r, c) distance of the pixels' centres under the blade's edge."""
        return self.below_mm[:, FINE // 2 :: FINE, FINE // 2 :: FINE]


@dataclass(frozen=True, slots=True)
class EndFit:
    """Ends explained.

    Attributes
    ----------
    shape
        (3,) shared: half width, height, bevel.
    aside_mm, gap_mm
        (f,) place beside the expected one, and the top's distance under the edge.
    covariance_mm2
        (f, f) of the latter.
    pixels, noise
        (f,) how many pixels each end had, and their robust scatter about the model, in units of the assumed noise.
    """

    shape: Array
    aside_mm: Array
    gap_mm: Array
    covariance_mm2: Array = field(repr=False)
    pixels: Array
    noise: Array


def cut_ends(
    luminance: FloatImage, edge: EdgeCurve, slit: SlitLight, camera: BoardCamera, *, position_mm: Array
) -> EndPatches:
    """Cut the pixels around each fret end out of the picture, binned as other patches are."""
    expected, scales = ends_seen_at(camera, position_mm)
    scale = float(np.mean(scales))
    bin_px = binning(scale)
    wide = int(np.ceil(2 * REACH_MM * scale / bin_px))
    start = np.rint(expected - wide * bin_px / 2).astype(np.intp)
    top = edge.y_px(expected) + slit.offset_px
    base = np.floor(top - ABOVE_MM * scale - 3 * slit.blur_px).astype(np.intp)
    tall = int(np.ceil(((ABOVE_MM + BELOW_MM) * scale + 3 * slit.blur_px) / bin_px)) + 1
    rows, columns = base[:, None] + np.arange(tall * bin_px), start[:, None] + np.arange(wide * bin_px)
    height, width = luminance.shape
    raw = luminance[np.clip(rows, 0, height - 1)[:, :, None], np.clip(columns, 0, width - 1)[:, None, :]]
    light = raw.reshape(len(start), tall, bin_px, wide, bin_px).mean(axis=(2, 4), dtype=np.float64)
    fine = (np.arange(wide * FINE) + 0.5) * bin_px / FINE - 0.5 + start[:, None]
    fine_rows = (np.arange(tall * FINE) + 0.5) * bin_px / FINE - 0.5 + base[:, None]
    edge_row = (edge.y_px(fine.ravel()) + slit.offset_px).reshape(fine.shape)
    centre = columns.reshape(len(start), wide, bin_px).mean(axis=2)
    in_rows = ((rows >= 0) & (rows < height)).reshape(len(start), tall, bin_px).all(axis=2)
    in_columns = (centre >= edge.low_px) & (centre <= edge.high_px)
    at = np.clip(np.rint(centre).astype(np.intp), 0, width - 1)
    return EndPatches(
        light,
        (fine - expected[:, None]) / scale,
        (fine_rows[:, :, None] - edge_row[:, None, :]) / scale,
        (in_rows[:, :, None] & in_columns[:, None, :]).astype(np.float64),
        camera.comb.direction * camera.slant(position_mm),
        slit.gap_light[at],
        scale / bin_px,
        binned_blur(slit.blur_px, bin_px),
    )


def draw_ends(ends: EndPatches, shape: Array, aside_mm: Array, gap_mm: Array) -> Array:
    """Return the shares (3, f, r, c) of face, blade and what is behind, as the point spread shows them.

    The shape is half the width, the height, and how far the face leans back, mm per mm.
    """
    half_mm, tall_mm, bevel = (float(v) for v in shape)
    deep = ends.below_mm - gap_mm[:, None, None]
    # The face leans back: what is seen aslant is drawn out sideways towards its foot.
    middle = aside_mm[:, None, None] - bevel * ends.slant[:, None, None] * deep
    t = (ends.across_mm[:, None, :] - middle) / half_mm
    inner = np.clip(t, -UPRIGHT, UPRIGHT)
    root = np.sqrt(1 - inner * inner)
    per_mm = ends.px_per_mm * FINE
    face = np.clip(0.5 + (deep - tall_mm * (1 - root + inner / root * (t - inner))) * per_mm, 0, 1)
    blade = np.clip(0.5 - ends.below_mm * per_mm, 0, 1) * (1 - face)
    down, across = _spread(face.shape[1], ends.blur_px), _spread(face.shape[2], ends.blur_px)
    seen = down @ np.stack([face, blade]) @ across.T
    return np.concatenate([seen, 1 - seen.sum(axis=0, keepdims=True)])


def _spread(size: int, blur_px: float) -> Array:
    """Return the matrix that blurs fine parts and takes the pixels' centres."""
    return blur_matrix(size, blur_px * FINE)[FINE // 2 :: FINE]


def _weights(ends: EndPatches, gap_mm: Array, depth_mm: float) -> Array:
    below = ends.row_below_mm
    lowest = np.maximum(gap_mm, 0.0)[:, None, None] + depth_mm
    highest = np.minimum(gap_mm, 0.0)[:, None, None] - 1.2 * ends.blur_px / ends.px_per_mm
    used = (below > highest) & (below < lowest)
    return np.asarray(ends.inside * used / (NOISE**2 * (0.15 + np.maximum(ends.light, 0))))


def explain_ends(ends: EndPatches, shares: Array, weight: Array) -> Array:
    """Return (f, n) what the best levels of light leave, in standard deviations.

    An end's face is of one level, or changes evenly from top to foot; blade and what is behind are free in every
    column, the latter held near the gap's light.
    """
    face, blade, behind = shares
    common = np.stack([face, face * ends.row_below_mm], axis=1)
    own = np.stack([blade, behind], axis=1)
    own_w, common_w = own * weight[:, None], common * weight[:, None]
    u = 0.5 * ends.behind + 0.1
    nn = np.einsum("firc,fjrc->fcij", own_w, own)
    nn[..., 0, 0] += 1.0
    nn[..., 1, 1] += 1 / u**2
    nc = np.einsum("firc,fjrc->fcij", own_w, common)
    right_own = np.einsum("firc,frc->fci", own_w, ends.light)
    right_own[..., 1] += ends.behind / u**2
    cc = np.einsum("firc,fjrc->fij", common_w, common) + np.diag([1.0, 4.0])
    right = np.einsum("firc,frc->fi", common_w, ends.light)
    inverse = np.linalg.inv(nn)
    back = np.einsum("fcki,fckl->fcil", nc, inverse)
    cc -= np.einsum("fcil,fclj->fij", back, nc)
    right -= np.einsum("fcil,fcl->fi", back, right_own)
    level = np.linalg.solve(cc, right[..., None])[..., 0]
    own_level = np.einsum("fcij,fcj->fci", inverse, right_own - np.einsum("fcij,fj->fci", nc, level))
    model = np.einsum("fi,firc->frc", level, common) + np.einsum("fci,firc->frc", own_level, own)
    off = ((ends.light - model) * np.sqrt(weight)).reshape(len(face), -1)
    return np.concatenate([off, (own_level[..., 1] - ends.behind) / u], axis=1)


def fit_ends(ends: EndPatches, along: Array) -> EndFit:
    """Find every end, coarsely and all in one row, and fit their shared shape, places and heights.

    Parameters
    ----------
    ends
        From `cut_ends`.
    along
        (f,) places along the board, scaled to -1 .. 1.
    """
    aside, gap = _search(ends, along)
    first = _fit(ends, np.concatenate([SHAPE, aside, gap]), rounds=FIRST_ROUNDS, used=SEARCHED)
    return _fit(ends, _searched_again(ends, first), rounds=ROUNDS, used=USED)


def _fit(ends: EndPatches, start: Array, *, rounds: int, used: float) -> EndFit:
    """Fit from a start: shape, places and gaps in a row."""
    f, p = len(ends.light), start
    known = slice(0, 3 + f)
    kinks = np.zeros((max(f - 2, 0), 3 + 2 * f))
    kinks[:, 3 : 3 + f] = np.diff(np.eye(f), 2, axis=0) / (2 * U_KINK_ASIDE_MM)
    mean = np.concatenate([SHAPE, np.zeros(f)])
    u = np.concatenate([U_SHAPE, np.full(f, U_ASIDE_MM)])

    def against(q: Array) -> float:
        return float((((q[known] - mean) / u) ** 2).sum() + ((kinks @ q) ** 2).sum())

    damping, matrix, scatter, weight = 1e-3, np.eye(3 + 2 * f), np.ones(f), np.zeros_like(ends.light)
    for turn in range(rounds):
        if turn in (0, 2, 4):
            weight = _weights(ends, p[3 + f :], used * float(p[1]))
        off = explain_ends(ends, _drawn(ends, p), weight)
        scatter = _scatter(off, weight)
        z = off / scatter[:, None]
        rates = _rates(ends, p, weight, off) / scatter[:, None, None]
        matrix, right = _normal(rates, z, 1 / np.sqrt(1 + (z / ROBUST) ** 2))
        matrix += np.diag(np.concatenate([1 / u**2, np.ones(f)])) + kinks.T @ kinks  # a gap is known to 1 mm anyway
        right[known] -= (p[known] - mean) / u**2
        right -= kinks.T @ (kinks @ p)
        cost = float(_robust(z).sum()) + against(p)
        moved = 0.0
        for _ in range(6):
            step = np.linalg.solve(matrix + damping * np.diag(np.diag(matrix)), right)
            q = p + np.clip(step, -0.12, 0.12)
            q[:3] = np.clip(q[:3], LEAST, MOST)
            after = explain_ends(ends, _drawn(ends, q), weight) / scatter[:, None]
            if float(_robust(after).sum()) + against(q) < cost:
                moved = float(np.abs(q - p).max())
                p, damping = q, max(damping / 4, 1e-5)
                break
            damping *= 8
        if moved < 0.001 and turn > 4:
            break
    covariance = np.asarray(np.linalg.inv(matrix)[3 + f :, 3 + f :], dtype=np.float64)
    pixels = (weight > 0).sum(axis=(1, 2)).astype(np.float64)
    return EndFit(p[:3], p[3 : 3 + f], p[3 + f :], covariance, pixels, scatter / np.sqrt(CORRELATED))


def _searched_again(ends: EndPatches, fit: EndFit) -> Array:
    """Return where to begin once more: with the shape found, every gap tried at the place that its neighbours have."""
    ahead = np.array([np.median(fit.aside_mm[max(i - 2, 0) : i + 3]) for i in range(len(fit.aside_mm))])
    cost = _tried(ends, fit.shape, ahead, AGAIN_GAPS_MM)
    return np.concatenate([fit.shape, ahead, AGAIN_GAPS_MM[cost.argmin(axis=1)]])


def _tried(ends: EndPatches, shape: Array, aside_mm: Array, gaps_mm: Array) -> Array:
    """Return (f, gaps): how badly each end is explained at trial gaps, by the same pixels."""
    f = len(ends.light)
    weight = _weights(ends, np.full(f, TYPICAL_GAP_MM), SEARCHED * float(shape[1]))
    drawn = (draw_ends(ends, shape, aside_mm, np.full(f, gap)) for gap in gaps_mm)
    return np.stack([_robust(explain_ends(ends, d, weight) / np.sqrt(CORRELATED)) for d in drawn], axis=1)


def read_well(fit: EndFit) -> Mask:
    """Return (f,) which ends were read: surely enough, and no worse explained than the others."""
    u = np.sqrt(np.diag(fit.covariance_mm2))
    return np.asarray((u < MOST_U_MM) & (fit.noise < max(2 * float(np.median(fit.noise)), 1.0)))


def is_like_ends(fit: EndFit, slant: Array) -> bool:
    """Tell whether what was found are fret ends: of a likely shape, in their place, and explained.

    Parameters
    ----------
    fit
        From `fit_ends`.
    slant
        (f,) of the ends. What runs aside in step with it lies deeper than an end: the fret's own body.
    """
    within = bool((fit.shape < MOST - AT_LIMIT).all() and (fit.shape[:2] > LEAST[:2] + AT_LIMIT).all())
    if not within or float(np.median(fit.noise)) > MAX_NOISE or abs(float(np.median(fit.aside_mm))) > MOST_ASIDE_MM:
        return False
    swept = float(np.ptp(slant)) > LEAST_SLANT
    return not swept or abs(float(np.polyfit(slant, fit.aside_mm, 1)[0])) < MOST_DEPTH_MM


def _drawn(ends: EndPatches, p: Array) -> Array:
    f = len(ends.light)
    return draw_ends(ends, p[:3], p[3 : 3 + f], p[3 + f :])


def _search(ends: EndPatches, along: Array) -> tuple[Array, Array]:
    """Return places and heights tried coarsely: the places in one row along the board."""
    f, order = len(along), np.arange(len(along))
    table = np.stack([_tried(ends, SHAPE, np.full(f, aside), TRIAL_GAPS_MM) for aside in TRIAL_ASIDE_MM], axis=1)
    least = table.min(axis=2)
    step = TRIAL_ASIDE_MM[1] - TRIAL_ASIDE_MM[0]
    best = (np.inf, np.zeros(f))
    for first in TRIAL_ASIDE_MM:
        for tilt in TRIAL_TILTS:
            row = np.clip(first + tilt * along, TRIAL_ASIDE_MM[0], TRIAL_ASIDE_MM[-1])
            i = np.clip(((row - TRIAL_ASIDE_MM[0]) / step).astype(np.intp), 0, len(TRIAL_ASIDE_MM) - 2)
            share = (row - TRIAL_ASIDE_MM[i]) / step
            cost = float((least[order, i] * (1 - share) + least[order, i + 1] * share).sum())
            cost += (first**2 + tilt**2) / U_ASIDE_MM**2
            if cost < best[0]:
                best = (cost, row)
    row = best[1]
    nearest = np.rint((row - TRIAL_ASIDE_MM[0]) / step).astype(np.intp)
    return row, TRIAL_GAPS_MM[table[order, nearest].argmin(axis=1)]


def _rates(ends: EndPatches, p: Array, weight: Array, off: Array) -> Array:
    """Return (f, 5, n) how what is left changes with half width, height, bevel, and each end's place and gap."""
    f = len(ends.light)
    out = []
    for k, which in enumerate((slice(0, 1), slice(1, 2), slice(2, 3), slice(3, 3 + f), slice(3 + f, None))):
        q = p.copy()
        q[which] += STEP[k]
        out.append((explain_ends(ends, _drawn(ends, q), weight) - off) / STEP[k])
    return np.stack(out, axis=1)


def _normal(rates: Array, z: Array, robust: Array) -> tuple[Array, Array]:
    f = len(z)
    weighed = rates * robust[:, None, :]
    block = np.einsum("fin,fjn->fij", weighed, rates)
    side = -np.einsum("fin,fn->fi", weighed, z)
    matrix, right = np.zeros((3 + 2 * f, 3 + 2 * f)), np.zeros(3 + 2 * f)
    matrix[:3, :3], right[:3] = block[:, :3, :3].sum(axis=0), side[:, :3].sum(axis=0)
    owns = ((3, np.arange(3, 3 + f)), (4, np.arange(3 + f, 3 + 2 * f)))
    for k, own in owns:
        matrix[:3, own] = block[:, :3, k].T
        matrix[own, :3] = block[:, :3, k]
        right[own] = side[:, k]
        for m, other in owns:
            matrix[own, other] = block[:, k, m]
    return matrix, right


def _scatter(off: Array, weight: Array) -> Array:
    """Return (f,) robust scatter of what is left at used pixels, at least a share of the assumed noise."""
    used = weight.reshape(len(weight), -1) > 0
    left = off[:, : used.shape[1]]
    spread = [1.48 * float(np.median(np.abs(r[m]))) if m.sum() > 5 else 3.0 for r, m in zip(left, used, strict=True)]
    return np.asarray(np.maximum(np.array(spread), 0.2) * np.sqrt(CORRELATED))


def _robust(z: Array) -> Array:
    """Return (f,) the robust cost of each end."""
    return np.asarray(2 * ROBUST**2 * (np.sqrt(1 + (z / ROBUST) ** 2) - 1).sum(axis=1))
