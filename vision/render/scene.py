"""Settings, crowns and straightedge line laid out as the flat arrays of the ray caster."""

from __future__ import annotations

import cv2
import numpy as np

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import Array

from . import packed as P
from .board import BladeLine, Crowns, bow_height_mm, curvature_per_mm, half_width_mm, sag_mm, string_path_mm
from .clutter import strew_clutter
from .objects import blade_axes, reference_frame
from .settings import Light, Neck, SceneSettings

BEVEL_TANGENT = 1.43  # fret ends filed 35 degrees off the upright: common practice, no published source
DOT_FRETS = (3, 5, 7, 9, 12, 15, 17, 19)

WHITE_LIGHT = (1.0, 0.97, 0.93)
SHEETS: dict[str, tuple[float, tuple[float, float, float]]] = {
    "card": (P.K_CARD, (0.95, 0.92, 0.90)),
    "cloth": (P.K_CLOTH, (0.016, 0.016, 0.019)),
    "wall": (P.K_WALL, (0.24, 0.25, 0.24)),
    "bench": (P.K_BENCH, (0.20, 0.21, 0.20)),
    "gradient": (P.K_GRADIENT, (0.40, 0.38, 0.36)),
}


def pack_neck(neck: Neck) -> tuple[Array, Array]:
    """Return the board, neck and body numbers, and the table of board heights."""
    scale = neck.scale_length_mm
    end = float(fret_position_mm(float(neck.fret_count), scale)) + 8.0
    joint = float(fret_position_mm(float(neck.body_joint_fret), scale))
    step = 0.5
    x = np.arange(0.0, end + step, step)
    heights = bow_height_mm(x, neck) - neck.fret_height_mm
    edge = float(np.max(sag_mm(half_width_mm(end, neck), curvature_per_mm(np.array([0.0, end]), neck))))
    n = np.zeros(P.NECK_PARTS)
    n[P.N_XEND], n[P.N_YBOTTOM] = end, -neck.fret_height_mm - edge - neck.board_thickness_mm
    n[P.N_W0] = 0.5 * neck.nut_width_mm
    n[P.N_WS] = (float(half_width_mm(joint, neck)) - n[P.N_W0]) / joint
    curve = curvature_per_mm(np.array([0.0, end]), neck)
    n[P.N_CURV0], n[P.N_CURVS] = curve[0], (curve[1] - curve[0]) / end
    n[P.N_TABLE0], n[P.N_TABLESTEP] = 0.0, step
    n[P.N_YMAX] = float(heights.max()) + neck.fret_height_mm + 0.5
    n[P.N_YMIN] = n[P.N_YBOTTOM] - 0.1
    n[P.N_DEPTH] = neck.neck_depth_mm
    n[P.N_XHEEL], n[P.N_XJOINT] = joint - 0.13 * scale, joint
    n[P.N_BODYR], n[P.N_BODYY], n[P.N_BODYZ] = 0.22 * scale, n[P.N_YBOTTOM] + 0.6, -10.0
    return n, np.ascontiguousarray(heights)


def pack_frets(neck: Neck, crowns: Crowns) -> Array:
    """Return the fret rows; without frets, none."""
    if not neck.frets_shown:
        return np.zeros((0, 7))
    half = half_width_mm(crowns.x_mm, neck)
    rows = np.empty((len(crowns.x_mm), 7))
    rows[:, 0] = crowns.x_mm
    rows[:, 1], rows[:, 2] = 0.5 * neck.fret_width_mm, neck.fret_height_mm
    rows[:, 3], rows[:, 4] = crowns.height_mm, crowns.curvature_per_mm
    rows[:, 5], rows[:, 6] = half - 0.05, BEVEL_TANGENT
    return rows


def pack_strings(neck: Neck) -> Array:
    """Return the strings of a strung neck, straight lines from nut to bridge that clear fret 12 by the action."""
    if not neck.strings:
        return np.zeros((0, 7))
    scale, count = neck.scale_length_mm, len(neck.string_gauges_mm)
    z_nut, z_slope = string_path_mm(neck)
    k = float(curvature_per_mm(0.0, neck))
    rows: list[list[float]] = []
    for i, gauge in enumerate(neck.string_gauges_mm):
        side = 2.0 * i / (count - 1) - 1.0  # the lowest string is on the far side for a camera at the treble side
        z0, slope = side * z_nut, side * z_slope
        y0 = 0.45 - float(sag_mm(z0, k)) + 0.5 * gauge
        y12 = neck.action_at_12_mm - float(sag_mm(z0 + slope * 0.5 * scale, k)) + 0.5 * gauge
        direction = np.array([0.5 * scale, y12 - y0, slope * 0.5 * scale])
        direction /= np.linalg.norm(direction)
        rows.append([0.0, y0, z0, *direction, 0.5 * gauge])
    return np.array(rows)


def pack_boxes(neck: Neck, n: Array) -> tuple[Array, Array]:
    """Return nut and headstock boxes, and the posts on the headstock."""
    w = 0.5 * neck.nut_width_mm
    low, high = n[P.N_YBOTTOM] + 0.2, -float(sag_mm(0.7 * w, n[P.N_CURV0])) + 0.7
    upright = [1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]
    nut = [-2.6, 0.5 * (low + high), 0.0, *upright, 2.5, 0.5 * (high - low), w, float(P.NUT)]
    tilt = np.deg2rad(12.0)
    along, up = np.array([np.cos(tilt), np.sin(tilt), 0.0]), np.array([-np.sin(tilt), np.cos(tilt), 0.0])
    top = np.array([-5.0, n[P.N_YBOTTOM] + 1.0, 0.0])
    length, thick = 0.28 * neck.scale_length_mm, 14.0
    middle = top - 0.5 * length * along - 0.5 * thick * up
    head = [*middle, *along, *up, 0.0, 0.0, 1.0, 0.5 * length, 0.5 * thick, 1.25 * w, float(P.HEAD)]
    posts = []
    for i in range(3):
        for side in (-1.0, 1.0):
            foot = top - (30.0 + 38.0 * i) * along + side * 0.8 * w * np.array([0.0, 0.0, 1.0])
            posts.append([*foot, *up, 9.0, 3.0, float(P.STEEL)])
    return np.array([nut, head]), np.array(posts)


def pack_dots(neck: Neck, n: Array) -> Array:
    """Return the side dots of the board, between the frets they mark."""
    rows: list[list[float]] = []
    for fret in DOT_FRETS:
        if fret > neck.fret_count:
            continue
        a, b = fret_position_mm(np.array([fret - 1.0, float(fret)]), neck.scale_length_mm)
        y = n[P.N_YBOTTOM] + 0.52 * neck.board_thickness_mm
        places = (0.5 * (a + b) - 3.0, 0.5 * (a + b) + 3.0) if fret == 12 else (0.5 * (a + b),)
        rows.extend([float(x), float(y)] for x in places)
    return np.array(rows) if rows else np.zeros((0, 2))


def pack_blade(settings: SceneSettings, line: BladeLine) -> Array:
    """Return the planes of the straightedge; far away when it is not shown."""
    b = settings.blade
    along, up, out = blade_axes(line)
    foot = np.array([line.x_left_mm, float(line.height_mm(line.x_left_mm)), float(line.z_mm(line.x_left_mm))])
    length = float(np.linalg.norm(
        [line.x_right_mm - line.x_left_mm, line.slope * (line.x_right_mm - line.x_left_mm),
         line.z_slope * (line.x_right_mm - line.x_left_mm)]
    ))  # fmt: skip
    if not b.shown:
        foot = foot + np.array([0.0, -5000.0, 0.0])
    t, root = 0.5 * b.thickness_mm, np.sqrt(0.5)
    low = (t - b.chamfer_mm) * root
    sides = [
        (-up, 0.0, P.CHAMFER), (up, b.height_mm, P.BLADE), (out, t, P.BLADE), (-out, t, P.BLADE),
        (-along, 0.0, P.BLADE), (along, length, P.BLADE),
        (root * (out - up), low, P.CHAMFER), (root * (-out - up), low, P.CHAMFER),
    ]  # fmt: skip
    return np.array([[*normal, float(normal @ foot) + offset, float(material)] for normal, offset, material in sides])


def pack_reference(settings: SceneSettings, line: BladeLine) -> tuple[Array, Array]:
    """Return the object of known size and the cells of its marker."""
    r = settings.reference
    values, cells = np.zeros(P.REFERENCE_PARTS), np.zeros((6, 6))
    if r.kind == "none":
        return values, cells
    frame = reference_frame(settings, line)
    kinds = {"card": P.R_CARD, "coin": P.R_COIN, "marker": P.R_MARKER}
    values[P.R_KIND] = kinds[r.kind]
    values[P.R_HALFW], values[P.R_HALFH] = frame.half_width_mm, frame.half_height_mm
    values[P.R_DEPTH], values[P.R_CORNER] = frame.depth_mm, frame.corner_mm
    values[P.R_PRINT] = 1.0 if r.printed else 0.0
    values[P.R_FRAME :] = np.concatenate([frame.middle_mm, frame.right, frame.up, frame.out])
    if r.kind == "marker":
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
        cells = (cv2.aruco.generateImageMarker(dictionary, r.marker_id, 6) > 127).astype(np.float64)
    return values, cells


def pack_lights(light: Light) -> Array:
    """Return the lamps and windows: far rectangles of even radiance."""
    side = float(light.side)
    choices = {
        "window": [(62.0 * side, 28.0, 0.42, 0.55, 5.0)],
        "rake": [(74.0 * side, 14.0, 0.16, 0.22, 22.0)],
        "overhead": [(12.0 * side, 72.0, 0.55, 0.40, 3.6)],
        "mixed": [(66.0 * side, 24.0, 0.40, 0.50, 2.6), (0.0, 75.0, 0.50, 0.35, 1.8)],
        "behind": [(155.0 * side, 32.0, 0.45, 0.40, 6.0)],
    }
    rows = []
    for azimuth, height, half_u, half_v, radiance in choices[light.kind]:
        a, h = np.deg2rad([azimuth, height])
        d = np.array([np.sin(a) * np.cos(h), np.sin(h), np.cos(a) * np.cos(h)])
        u = np.array([np.cos(a), 0.0, -np.sin(a)])
        rows.append([*d, *u, *np.cross(d, u), half_u, half_v, *(light.strength * radiance * np.array(WHITE_LIGHT))])
    return np.array(rows)


def pack_materials(settings: SceneSettings) -> Array:
    """Return the table of materials: kind, reflectance, roughness along and across the board, texture."""
    neck, finish = settings.neck, settings.blade.finish
    table = np.zeros((P.MATERIAL_COUNT, 9))
    table[P.BOARD] = [P.DIFFUSE, *neck.board_colour, 0.25, 0.25, P.WOOD, 0.5, 0.2]
    table[P.NECK] = [P.DIFFUSE, *neck.neck_colour, 0.12, 0.12, P.WOOD, 0.3, 0]
    table[P.BODY] = [P.DIFFUSE, *neck.body_colour, 0.06, 0.06, P.WOOD, 0.3, 0]
    table[P.HEAD] = [P.DIFFUSE, *neck.neck_colour, 0.12, 0.12, P.WOOD, 0.3, 0]
    table[P.NUT] = [P.DIFFUSE, *neck.nut_colour, 0.15, 0.15, P.PLAIN, 0, 0]
    table[P.FRET] = [P.METAL, 0.66, 0.63, 0.58, neck.fret_roughness, neck.fret_roughness, P.PLAIN, 0, 0]
    table[P.TANG] = [P.DIFFUSE, 0.20, 0.19, 0.17, 0, 0, P.PLAIN, 0, 0]
    table[P.DOT] = [P.DIFFUSE, 0.75, 0.73, 0.68, 0.1, 0.1, P.PLAIN, 0, 0]
    if finish == "brushed":
        table[P.BLADE] = [P.METAL, 0.52, 0.52, 0.52, 0.05, 0.20, P.BRUSHED, 0.14, 0]
        table[P.CHAMFER] = [P.METAL, 0.50, 0.50, 0.50, 0.03, 0.06, P.BRUSHED, 0.10, 0]
    elif finish == "satin":
        table[P.BLADE] = [P.METAL, 0.50, 0.50, 0.49, 0.20, 0.20, P.GRAIN, 0.10, 0]
        table[P.CHAMFER] = [P.METAL, 0.50, 0.50, 0.49, 0.08, 0.08, P.PLAIN, 0, 0]
    else:
        table[P.BLADE] = [P.METAL, 0.05, 0.05, 0.055, 0.30, 0.30, P.GRAIN, 0.25, 0]
        table[P.CHAMFER] = [P.METAL, 0.06, 0.06, 0.06, 0.15, 0.15, P.PLAIN, 0, 0]
    table[P.STRING] = [P.METAL, 0.62, 0.58, 0.50, 0.10, 0.10, P.PLAIN, 0, 0]
    table[P.STEEL] = [P.METAL, 0.6, 0.6, 0.6, 0.08, 0.08, P.PLAIN, 0, 0]
    coin = settings.reference.kind == "coin"
    table[P.REFERENCE] = [P.METAL if coin else P.DIFFUSE, *settings.reference.colour, 0.25, 0.25, P.OBJECT, 0, 0]
    table[P.BENCH] = [P.DIFFUSE, 0.33, 0.20, 0.11, 0, 0, P.WOOD, 0.4, 0]
    return table


def pack_backdrop(settings: SceneSettings, *, rng: np.random.Generator) -> Array:
    """Return what stands behind the neck."""
    light = settings.light
    kind, colour = SHEETS[light.background]
    k = np.zeros(P.BACKDROP_PARTS)
    k[P.K_KIND], k[P.K_Z] = kind, -light.background_distance_mm
    k[P.K_RED : P.K_BLUE + 1] = light.background_level * np.array(colour)
    k[P.K_BENCHY], k[P.K_SEED] = -light.bench_below_mm, light.pattern_seed
    k[P.K_HALFW], k[P.K_HALFH] = (
        (1500.0, 1200.0) if light.background in ("wall", "bench", "gradient") else (750.0, 480.0)
    )
    steep = 0.45 if light.background == "gradient" else 0.06
    k[P.K_GRADX], k[P.K_GRADY] = steep * rng.uniform(-1.0, 1.0, 2)
    k[P.K_XSIGN] = 1.0 if settings.nut_side == "left" else -1.0
    return k


def pack_scene(settings: SceneSettings, crowns: Crowns, *, line: BladeLine, rng: np.random.Generator) -> P.Packed:
    """Lay out the whole scene; the light of room and backdrop is gathered into harmonics at the end."""
    n, heights = pack_neck(settings.neck)
    boxes, posts = pack_boxes(settings.neck, n)
    reference, cells = pack_reference(settings, line)
    things, colours = strew_clutter(settings, rng=rng)
    scene = P.Packed(
        neck=n, heights=heights, frets=pack_frets(settings.neck, crowns), planes=pack_blade(settings, line),
        strings=pack_strings(settings.neck), boxes=boxes, posts=posts, dots=pack_dots(settings.neck, n),
        things=things, colours=colours, lights=pack_lights(settings.light), harmonics=np.zeros((9, 3)),
        materials=pack_materials(settings), backdrop=pack_backdrop(settings, rng=rng),
        reference=reference, marker=cells,
    )  # fmt: skip
    return gather_light(scene)


def gather_light(scene: P.Packed, *, directions: int = 1500) -> P.Packed:
    """Fit the light that falls on a surface of any normal, from room and backdrop, with harmonics of second order.

    Nine terms hold the irradiance of any distant light to about 1 % (R. Ramamoorthi and P. Hanrahan, SIGGRAPH 2001).
    """
    from .backdrop import gather_behind

    i = np.arange(directions) + 0.5
    y = 1.0 - 2.0 * i / directions
    phi = np.pi * (1.0 + np.sqrt(5.0)) * i
    d = np.column_stack([np.sqrt(1 - y * y) * np.cos(phi), y, np.sqrt(1 - y * y) * np.sin(phi)])
    x, y, z = d.T
    basis = np.column_stack([np.ones(directions), y, z, x, x * y, y * z, 3 * z * z - 1, x * z, x * x - y * y])
    cosine = np.maximum(d @ d.T, 0.0) * 4.0 / directions
    for _ in range(3):  # the bench is lit by the backdrop, and lights it in turn
        radiance = np.empty((directions, 3))
        gather_behind(d, scene, radiance)
        harmonics, *_ = np.linalg.lstsq(basis, cosine @ radiance, rcond=None)
        scene = scene._replace(harmonics=np.ascontiguousarray(harmonics))
    return scene
