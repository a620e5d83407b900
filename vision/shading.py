"""The picture of a fret under a straightedge: blade, light gap, crown that mirrors both, board; blurred and sampled.

Coordinates at each fret: x along the straightedge's line, z towards the camera from the middle of the blade, heights
measured down from the blade's lower edge. A pixel `below_mm` under the edge, in the column of the line's place `x_mm`,
sees the points (x + slant z) whose height is below (1 - z / D) - elevation z.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import DTypeLike, NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from lightgap.neck.profile import Array

Mask = NDArray[np.bool_]
Indices = NDArray[np.intp]

SUBROWS = 3
EDGE_OF_CROWN = 0.96  # of the half width: beyond it an ellipse is upright and says nothing of the height
DEPTH_RANGE_MM = 25.0
FAR_BEVEL_MM = 1.0  # the top of a fret's far end stands back from the board's edge
MIRROR_WIDTH = 0.02  # spread of a mirrored edge from what the model leaves out, tan
BLADE_HEIGHT_MM = 30.0
LEVELS = 9
GRADIENT_MM = 0.5


@dataclass(frozen=True, slots=True)
class Shape:
    """What all frets share.

    Attributes
    ----------
    place_mm
        (4,) how far the crowns stand from where the comb has them: a cubic along the board, lowest power first, in
        the place scaled to -1 .. 1.
    foot_mm
        Place along the line nearest to the camera.
    elevation_rad
        Slope at which the board's surface falls away from the line of sight towards the camera.
    board_per_mm
        1 / board radius.
    width_mm, height_mm
        Of the crown, an ellipse's half.
    gloss
        Spread of the mirrored direction (tan): 0 for a perfect mirror.
    blur
        Point spread in units of that found at the blade's edge.
    lip_mm
        From the followed edge down to the blade's lower one: a chamfer's height where its upper line was followed.
    """

    place_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    foot_mm: float = 0.0
    elevation_rad: float = 0.0
    board_per_mm: float = 1 / 320
    width_mm: float = 2.4
    height_mm: float = 1.05
    gloss: float = 0.02
    blur: float = 1.0
    lip_mm: float = 0.0

    def vector(self) -> Array:
        """Return all parameters in a row."""
        return np.array(
            [
                *self.place_mm,
                self.foot_mm,
                self.elevation_rad,
                self.board_per_mm,
                self.width_mm,
                self.height_mm,
                self.gloss,
                self.blur,
                self.lip_mm,
            ]
        )


def shape_from(vector: Array) -> Shape:
    """Return the shape of a row of parameters; see `Shape.vector`."""
    v = [float(p) for p in vector]
    return Shape((v[0], v[1], v[2], v[3]), *v[4:])


@dataclass(frozen=True, slots=True)
class Patches:
    """Pixels around each of f frets: r rows and c columns each.

    Attributes
    ----------
    light
        (f, r, c) linear light.
    below_mm
        (f, r * subrows, c) distance under the blade's edge of sub-rows.
    x_mm
        (f, c) places on the line seen in the columns.
    position_mm, along
        (f,) the frets' places from the nut, and the same scaled to -1 .. 1.
    px_per_mm, gap_light, u_gap_light
        (f, c) scale across the line, level of the gap's light and its standard uncertainty.
    face
        (f,) level of the blade above its chamfer.
    inside
        (f, r, c) 1 in the picture and under the straightedge, else 0.
    near_mm
        (f,) depth at which the frets end on the camera's side; on the other side they end as far behind the line.
    """

    light: Array = field(repr=False)
    below_mm: Array = field(repr=False)
    x_mm: Array = field(repr=False)
    position_mm: Array = field(repr=False)
    along: Array = field(repr=False)
    px_per_mm: Array = field(repr=False)
    gap_light: Array = field(repr=False)
    u_gap_light: Array = field(repr=False)
    face: Array = field(repr=False)
    inside: Array = field(repr=False)
    near_mm: Array = field(repr=False)
    blur_px: float
    distance_mm: float
    thickness_mm: float

    @property
    def subrows(self) -> int:
        """How many sub-rows a row of pixels is drawn with."""
        return int(self.below_mm.shape[1] // self.light.shape[1])

    @property
    def row_below_mm(self) -> Array:
        """(f, r, c) distance of the pixel centres under the blade's edge."""
        return self.below_mm[:, self.subrows // 2 :: self.subrows]

    def slant(self, shape: Shape) -> Array:
        """(f, c) mm along the board per mm of depth."""
        return np.asarray((shape.foot_mm - self.x_mm) / self.distance_mm)

    def beside_mm(self, shape: Shape) -> Array:
        """(f, c) places of the columns relative to the crown's middle."""
        offset = np.polynomial.polynomial.polyval(self.along, np.array(shape.place_mm))
        return np.asarray(self.x_mm - (self.position_mm + offset)[:, None], dtype=self.x_mm.dtype)


def crown(delta: Array, shape: Shape) -> tuple[Array, Array]:
    """Return drop and slope of an elliptic crown at a place across the fret; straight on beyond its edge."""
    half = shape.width_mm / 2
    t = np.clip(delta / half, -EDGE_OF_CROWN, EDGE_OF_CROWN)
    root = np.sqrt(1 - t * t)
    slope = shape.height_mm / half * t / root
    return shape.height_mm * (1 - root) + slope * (delta - t * half), slope


def silhouette(patches: Patches, shape: Shape) -> tuple[Array, Array]:
    """Return (f, c): the depth at which the swept crown's upper outline is seen, and its drop below the apex.

    The outline is the least over z of crown(beside + slant z) + k z^2 / 2 + elevation z: convex, by Newton's method.
    """
    slant, beside = patches.slant(shape), patches.beside_mm(shape)
    k, a, half = shape.board_per_mm, shape.elevation_rad, shape.width_mm / 2
    c = shape.height_mm / half**2
    far = FAR_BEVEL_MM - patches.near_mm[:, None]
    z = np.clip(-(c * slant * beside + a) / (k + c * slant**2), far, DEPTH_RANGE_MM)
    for _ in range(4):
        t = np.clip((beside + slant * z) / half, -EDGE_OF_CROWN, EDGE_OF_CROWN)
        root = np.sqrt(1 - t * t)
        first = k * z + a + slant * c * half * t / root
        second = k + slant**2 * c / root**3
        z = np.clip(z - np.clip(first / second, -6, 6), far, DEPTH_RANGE_MM)
    drop, _ = crown(beside + slant * z, shape)
    return z, drop + 0.5 * k * z * z + a * z


def draw(patches: Patches, shape: Shape, gap_mm: Array, *, need: Mask | None = None) -> Array:
    """Return what each level of light paints: (1 + LEVELS, f, r, c).

    First the blade (its level is free in every column), then the gap's light as it stands in the columns, and the same
    growing downwards; then, each with a level of 1, the crown where it mirrors the gap, the blade's underside, the
    blade's face, what is above it, the last two once more weighed by the sideways direction; then the board, and last
    the blade's chamfer.

    A ray of sight that meets the crown is mirrored there; how much of it, spread by the crown's gloss, passes under the
    blade, meets its underside or its face, or goes over it, follows from the angles to the blade's edges.

    Parameters
    ----------
    patches, shape, gap_mm
        The frets, what they share, and their (f,) heights.
    need
        (f, r, c) where the picture is looked at, the blur's reach around it included: elsewhere crowns stay unpainted.
    """
    seen = _layers(patches, shape, gap_mm, need)
    pictures = np.zeros((1 + LEVELS, *patches.below_mm.shape), dtype=patches.below_mm.dtype)
    pictures[0] = seen.blade
    pictures[1] = seen.gap
    pictures[2] = seen.gap * seen.growing
    for picture, share in zip(pictures[3:-2], seen.mirrored, strict=True):
        picture[seen.on_crown] = share
    pictures[-2] = seen.board
    pictures[-1] = seen.chamfer
    return blurred(pictures, patches, shape)


def paint(patches: Patches, shape: Shape, gap_mm: Array, *, blade: Array, levels: Array, need: Mask) -> Array:
    """Return the unblurred picture (f, rows, c) at given levels: what `draw` returns, weighed and summed, is `blurred`.

    Parameters
    ----------
    patches, shape, gap_mm, need
        As in `draw`.
    blade
        (f, c) level of the blade.
    levels
        (f, LEVELS) of the rest.
    """
    seen = _layers(patches, shape, gap_mm, need)
    level = levels.astype(patches.below_mm.dtype)[:, :, None, None]
    light = seen.blade * blade.astype(level.dtype)[:, None, :] + level[:, -2] * seen.board + level[:, -1] * seen.chamfer
    light += seen.gap * (level[:, 0] + level[:, 1] * seen.growing)
    of_fret = level[seen.on_crown[0], 2:-2, 0, 0].T
    light[seen.on_crown] += (of_fret * seen.mirrored).sum(axis=0)
    return np.asarray(light)


@dataclass(frozen=True, slots=True)
class _Layers:
    """Shares of the sub-rows: (f, rows, c), of the crown only where it is looked at."""

    blade: Array
    gap: Array  # in its own light
    growing: Array  # by which factor the gap's light changes downwards, for a level of 1
    board: Array
    chamfer: Array
    on_crown: tuple[Indices, ...]  # fret, row and column
    mirrored: Array  # (LEVELS - 4, points)


def _layers(patches: Patches, shape: Shape, gap_mm: Array, need: Mask | None) -> _Layers:
    z_out, drop = silhouette(patches, shape)
    k, a, v = shape.board_per_mm, shape.elevation_rad, patches.below_mm
    distance = patches.distance_mm
    gap_mm = gap_mm.astype(v.dtype)
    # The board's horizon: its ridge, or its edge where the camera looks down on all of it.
    low_z = np.clip(-a / k, -patches.near_mm, patches.near_mm)[:, None].astype(v.dtype)
    board = shape.height_mm + 0.5 * k * low_z**2 + a * low_z
    behind = drop > board
    depth = np.where(behind, low_z, z_out)
    top = (gap_mm[:, None] + np.minimum(drop, board)) * distance / (distance - depth)
    per_mm = patches.px_per_mm[:, None, :] * patches.subrows
    in_subrows = v * per_mm
    on_blade = np.clip(0.5 - in_subrows, 0, 1)
    covered = np.clip(0.5 + shape.lip_mm * per_mm - in_subrows, 0, 1)  # by the blade and its chamfer
    on_fret = np.clip(0.5 - np.minimum(top, 9.0)[:, None, :] * per_mm + in_subrows, 0, 1) * (1 - covered)
    shown = (on_fret > 0) & ~behind[:, None, :]
    if need is not None:
        shown &= np.repeat(need, patches.subrows, axis=1)
    points: tuple[Indices, ...] = np.nonzero(shown)
    share = on_fret[points]
    mirrored = _mirrored(patches, shape, gap_mm, z_out, drop, points) * share
    of_board = np.where(behind[:, None, :], on_fret, 0)
    gap = (1 - covered - on_fret) * patches.gap_light[:, None, :]
    growing = np.clip(v, 0, 2 * GRADIENT_MM) / GRADIENT_MM
    return _Layers(on_blade, gap, growing, of_board, covered - on_blade, points, mirrored)


def blurred(pictures: Array, patches: Patches, shape: Shape) -> Array:
    """Return pictures (n, f, rows, c) as the point spread shows them, sampled at the pixels' centres.

    As products with the blur's matrices: for pictures this small several times faster than filtering.
    """
    blur, subrows = patches.blur_px * shape.blur, patches.subrows
    down = blur_matrix(pictures.shape[2], blur * subrows, pictures.dtype)[subrows // 2 :: subrows]
    across = blur_matrix(pictures.shape[3], blur, pictures.dtype).T
    rows = down @ pictures
    return np.asarray((rows.reshape(-1, rows.shape[3]) @ across).reshape(rows.shape))


def blur_matrix(size: int, blur_px: float, dtype: DTypeLike = float) -> Array:
    """Return the (size, size) matrix that blurs a row by a Gaussian."""
    return np.asarray(gaussian_filter1d(np.eye(size, dtype=dtype), blur_px, axis=0, truncate=3.0, mode="nearest"))


def _mirrored(
    patches: Patches,
    shape: Shape,
    gap_mm: Array,
    z_out: Array,
    drop: Array,
    points: tuple[Indices, ...],
) -> Array:
    """Return (LEVELS - 4, points): what the crown mirrors there: gap, underside, face, above it, and by side."""
    k, a = shape.board_per_mm, shape.elevation_rad
    distance, half_t = patches.distance_mm, patches.thickness_mm / 2
    fret, _, column = points
    s, beside = patches.slant(shape)[fret, column], patches.beside_mm(shape)[fret, column]
    z_out, gap, v = z_out[fret, column], gap_mm[fret], patches.below_mm[points]
    curvature = k + shape.height_mm / (shape.width_mm / 2) ** 2 * s * s
    # Where the line of sight meets the crown: the root on the camera's side of the outline.
    depth = np.maximum(v * (1 - z_out / distance) - gap - drop[fret, column], 0.0)
    z = z_out + np.sqrt(2 * depth / curvature)
    fall, slope = crown(beside + s * z, shape)
    miss = fall + 0.5 * k * z * z + a * z - (v * (1 - z / distance) - gap)
    rate = np.maximum(slope * s + k * z + a + v / distance, 1e-3)
    z = np.clip(z - miss / rate, z_out, DEPTH_RANGE_MM)
    fall, slope = crown(beside + s * z, shape)
    pitch = k * z
    facing = 2 * (s * slope + a + pitch) / (1 + slope * slope + pitch * pitch)
    rise = (facing - a) / np.maximum(1 - facing * pitch, 0.05)
    side = facing * slope - s
    height = np.maximum(gap - shape.lip_mm + fall + 0.5 * k * z * z, 0.0)
    width = shape.gloss + MIRROR_WIDTH
    under = np.where(z < -half_t, 3.0, height / np.maximum(z + half_t, 0.05))
    before = z > half_t
    room = np.maximum(z - half_t, 0.05)
    out = np.empty((LEVELS - 4, len(v)), dtype=v.dtype)
    out[0] = ndtr((under - rise) / width)
    beyond = np.where(before, ndtr((rise - height / room) / width), 0.0)
    dome = np.where(before, ndtr((rise - (height + BLADE_HEIGHT_MM) / room) / width), 0.0)
    out[1] = np.where(z < -half_t, 0.0, np.clip(1 - out[0] - beyond, 0, 1))
    out[2] = np.clip(beyond - dome, 0, 1)
    out[3] = dome
    out[4] = (out[2] + dome) * np.clip(side, -1, 1)
    return out
