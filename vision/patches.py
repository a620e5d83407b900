"""Cut the pixels around each fret out of a photo, and say which of them count."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
from scipy.ndimage import binary_dilation, gaussian_filter1d, label, maximum_filter

from lightgap.neck.profile import Array

from .camera import BoardCamera
from .locate import EdgeCurve
from .photo import FloatImage
from .shading import SUBROWS, Mask, Patches, Shape, crown, silhouette
from .slit import SlitLight

TARGET_PX_PER_MM = 14.0  # finer pictures are binned: the point spread leaves nothing between the pixels
NEAR_MM, FAR_MM = 14.0, -8.0  # depths at which outlines are used
BEFORE_END_MM, END_BEVEL_MM, END_MARGIN_MM = 4.0, 1.5, 0.15
ROWS_ABOVE = 1.2  # blurs above the edge
DEEP_MM = 0.4  # below the outline
USED_WIDTH = 0.42  # of the crown's width, from its middle
NOISE = 0.03  # linear light at mid grey, model errors included; only ratios matter
CLIPPED = 0.97
GLINT_MM2 = 0.8
NEIGHBOUR_MARGIN_MM = 0.05
BLUR_REACH = 4.0  # blurs: three are drawn, of a blur that may turn out wider


def binning(px_per_mm: float) -> int:
    """Return how many pixels in a row are taken together: about `TARGET_PX_PER_MM` are left."""
    return max(1, int(px_per_mm / TARGET_PX_PER_MM + 0.3))


def binned_blur(blur_px: float, bin_px: int) -> float:
    """Return a point spread in pixels taken together, which add a box to it."""
    return float(np.hypot(blur_px / bin_px, np.sqrt((1 - 1 / bin_px**2) / 12)))


def cut_patches(
    luminance: FloatImage,
    edge: EdgeCurve,
    slit: SlitLight,
    camera: BoardCamera,
    *,
    position_mm: Array,
    thickness_mm: float,
    deepest_mm: float,
) -> Patches:
    """Cut the pixels around each fret out of the picture, binned to about `TARGET_PX_PER_MM`."""
    scale = float(camera.px_per_mm(np.array([camera.comb.middle_px]))[0])
    bin_px = binning(scale)
    slant = camera.slant(position_mm)
    low = np.minimum(-slant * NEAR_MM, 0) - 1.9
    high = np.maximum(-slant * NEAR_MM, 0) + 1.9
    ends = np.stack([camera.comb.x_px(position_mm + low), camera.comb.x_px(position_mm + high)])
    wide = int(np.ceil((ends.max(axis=0) - ends.min(axis=0)).max() / bin_px))
    start = np.rint(ends.min(axis=0)).astype(np.intp)
    columns = start[:, None] + np.arange(wide * bin_px)[None, :]
    centre = columns.reshape(len(start), wide, bin_px).mean(axis=2)
    top = edge.y_px(centre.ravel()).reshape(centre.shape) + slit.offset_px
    base = np.floor(top.min(axis=1)).astype(np.intp) - int(np.ceil(3 * slit.blur_px)) - bin_px
    tall = int(np.ceil(((top.max(axis=1) - base).max() + deepest_mm * scale) / bin_px)) + 2
    rows = base[:, None] + np.arange(tall * bin_px)[None, :]
    height, width = luminance.shape
    raw = luminance[np.clip(rows, 0, height - 1)[:, :, None], np.clip(columns, 0, width - 1)[:, None, :]]
    light = raw.reshape(len(start), tall, bin_px, wide, bin_px).mean(axis=(2, 4), dtype=np.float64)
    light_ok = np.logical_not(np.stack([_glints(one, scale / bin_px) for one in light]))
    in_rows = ((rows >= 0) & (rows < height)).reshape(len(start), tall, bin_px).all(axis=2)
    in_columns = (centre >= edge.low_px) & (centre <= edge.high_px)
    px = camera.px_per_mm(centre)
    sub = base[:, None] + (np.arange(tall * SUBROWS) + 0.5) * bin_px / SUBROWS - 0.5
    below = (sub[:, :, None] - top[:, None, :]) / px[:, None, :]
    at = np.clip(np.rint(centre).astype(np.intp), 0, width - 1)
    beyond = below[:, SUBROWS // 2 :: SUBROWS] * px[:, None, :]
    face = np.array([np.median(one[(b < -1.5) & (b > -3 - bin_px)]) for one, b in zip(light, beyond, strict=True)])
    reach = max(float(np.ptp(position_mm)) / 2, 1.0)
    blur = binned_blur(slit.blur_px, bin_px)
    single = np.float32  # enough for pixels, and twice as fast
    return Patches(
        light.astype(single),
        below.astype(single),
        camera.comb.position_mm(centre.ravel()).reshape(centre.shape).astype(single),
        position_mm,
        (position_mm - position_mm.mean()) / reach,
        (px / bin_px).astype(single),
        slit.gap_light[at].astype(single),
        slit.u_gap_light[at].astype(single),
        face,
        (in_rows[:, :, None] & in_columns[:, None, :] & light_ok).astype(single),
        camera.ends_mm(position_mm),
        blur,
        float(camera.distance_mm),
        float(thickness_mm),
    )


def _glints(light: Array, px_per_mm: float) -> Array:
    """Return where a lamp's small mirrored image burns out the picture: it lies on no outline and hides what does."""
    spots, count = label(light > CLIPPED)
    if not count:
        return np.zeros(light.shape, dtype=bool)
    size = np.bincount(spots.ravel())
    small = size < GLINT_MM2 * px_per_mm**2
    small[0] = False
    return np.asarray(binary_dilation(small[spots], iterations=2))


def soften(patches: Patches, blur_px: float, *, step: int = 2) -> Patches:
    """Return the patches as a softer lens with pixels `step` times as large shows them: rivals run together.

    A row of them is drawn at once: the blur leaves nothing to be seen between the rows.
    """
    light = gaussian_filter1d(patches.light, blur_px, axis=1, mode="nearest")
    light = gaussian_filter1d(light, blur_px, axis=2, mode="nearest")[:, ::step, ::step]
    px = patches.px_per_mm[:, ::step] / step
    return replace(
        patches,
        light=light,
        below_mm=patches.row_below_mm[:, ::step, ::step].astype(light.dtype),
        x_mm=patches.x_mm[:, ::step],
        px_per_mm=px,
        gap_light=patches.gap_light[:, ::step],
        u_gap_light=patches.u_gap_light[:, ::step],
        inside=patches.inside[:, ::step, ::step],
        blur_px=float(np.hypot(patches.blur_px, blur_px)) / step,
    )


def undivided(patches: Patches) -> Patches:
    """Return the patches with one sub-row a pixel: coarser, and drawn in a third of the time."""
    return replace(patches, below_mm=patches.row_below_mm)


def repeated(patches: Patches, times: int) -> Patches:
    """Return the patches several times over, one set after the other."""
    of_frets: dict[str, Any] = {a.name: getattr(patches, a.name) for a in fields(patches)}
    many = {n: np.concatenate([v] * times) for n, v in of_frets.items() if isinstance(v, np.ndarray)}
    return Patches(**(of_frets | many))


def pixel_weights(patches: Patches, shape: Shape, gap_mm: Array, *, deep_mm: float = DEEP_MM) -> Array:
    """Return (f, r, c) inverse variances: 0 off the usable part of the outline, which is the same depth for all."""
    z, drop = silhouette(patches, shape)
    delta = patches.beside_mm(shape) + patches.slant(shape) * z
    nearest = np.minimum(NEAR_MM, patches.near_mm - BEFORE_END_MM)[:, None]
    use = (z > FAR_MM) & (z < nearest) & (np.abs(delta) < USED_WIDTH * shape.width_mm)
    v = patches.row_below_mm
    lowest = np.maximum(gap_mm[:, None] + drop, 0)[:, None, :] + deep_mm
    rows = (v * patches.px_per_mm[:, None, :] > -ROWS_ABOVE * patches.blur_px) & (v < lowest)
    rows &= ~_end_face(patches, shape, gap_mm)
    use &= ~_before_neighbour(patches, shape, gap_mm, np.maximum(gap_mm[:, None] + drop, 0))
    return np.asarray(
        patches.inside * use[:, None, :] * rows / (NOISE**2 * (0.15 + np.maximum(patches.light, 0))), dtype=np.float32
    )


def around(weight: Array, patches: Patches) -> Mask:
    """Return (f, r, c) where a picture must be drawn: pixels that count, and as far around them as the blur reaches."""
    reach = 2 * int(BLUR_REACH * patches.blur_px + 1.5) + 1
    return np.asarray(maximum_filter(weight > 0, size=(1, reach, reach), mode="constant"))


def _before_neighbour(patches: Patches, shape: Shape, gap_mm: Array, top_mm: Array) -> Mask:
    """Return (f, c) where a fret's outline stands before the far half of the next one, and not before the gap's light.

    Seen from above over a board that is flat, or nearly, far halves rise behind the line.
    """
    hidden = np.zeros(top_mm.shape, dtype=bool)
    step = np.diff(patches.position_mm)
    for side in (-1, 1):
        own = np.arange(len(gap_mm))
        near = np.clip(own + side, 0, len(gap_mm) - 1)
        # Beyond the last fret in the list there is another one, or there may be.
        away = np.where(
            near == own, side * (step[-1] if side > 0 else step[0]), patches.position_mm[near] - patches.position_mm
        )
        beside = replace(patches, position_mm=patches.position_mm + away)
        _, drop = silhouette(beside, shape)
        hidden |= gap_mm[near][:, None] + drop < top_mm + NEIGHBOUR_MARGIN_MM
    return hidden


def _end_face(patches: Patches, shape: Shape, gap_mm: Array) -> Mask:
    """Return (f, r, c) where the bevelled end of a fret hides its flank: a face of its own, lit as it likes."""
    depth = (patches.near_mm - END_BEVEL_MM)[:, None]
    delta = patches.beside_mm(shape) + patches.slant(shape) * depth
    top = gap_mm[:, None] + crown(delta, shape)[0] + 0.5 * shape.board_per_mm * depth**2 + shape.elevation_rad * depth
    within = np.abs(delta) < shape.width_mm / 2 + END_MARGIN_MM
    return np.asarray(within[:, None, :] & (patches.row_below_mm > (top - END_MARGIN_MM)[:, None, :]))
