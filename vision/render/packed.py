"""The scene as flat arrays, the form the ray caster reads. Layouts are said once, here."""

from __future__ import annotations

from typing import NamedTuple

from lightgap.neck.profile import Array

# Materials: rows of `Packed.materials`.
BOARD, NECK, BODY, HEAD, NUT, FRET, TANG, DOT, BLADE, CHAMFER, STRING, REFERENCE, BENCH, WALL, STEEL = range(15)
MATERIAL_COUNT = 15
NOTHING = -1
MIXED = -2
# Where edges are looked for: room, backdrop, bench and each thing on it, from here up.
BEHIND = 1000
INK = 100  # added once for each kind of print on the object of known size, where edges are looked for

# Columns of a material: what it is, its colour, how rough along and across the board, its texture and how strong.
KIND, RED, GREEN, BLUE, ROUGH_ALONG, ROUGH_ACROSS, TEXTURE, TEXTURE_AMOUNT, SHEEN = range(9)
DIFFUSE, METAL = 0.0, 1.0
PLAIN, WOOD, BRUSHED, GRAIN, OBJECT = 0.0, 1.0, 2.0, 3.0, 4.0

# Parts of `Packed.neck`.
N_XEND, N_YBOTTOM, N_W0, N_WS, N_CURV0, N_CURVS, N_TABLE0, N_TABLESTEP, N_YMAX, N_YMIN, N_DEPTH, N_XHEEL, N_XJOINT = (
    range(13)
)
N_BODYY, N_BODYR, N_BODYZ, N_XMIN = 13, 14, 15, 16
NECK_PARTS = 17

# Parts of `Packed.backdrop`.
K_KIND, K_Z, K_RED, K_GREEN, K_BLUE, K_BENCHY, K_SEED, K_HALFW, K_HALFH, K_GRADX, K_GRADY, K_XSIGN = range(12)
BACKDROP_PARTS = 12
K_CARD, K_CLOTH, K_WALL, K_BENCH, K_GRADIENT = 0.0, 1.0, 2.0, 3.0, 4.0

# Parts of `Packed.reference`: kind, front z along its normal is in the frame; half sizes, corner radius, print.
R_KIND, R_HALFW, R_HALFH, R_DEPTH, R_CORNER, R_PRINT = 0, 1, 2, 3, 4, 5
R_FRAME = 6  # middle of the front face (3), right (3), up (3), out (3)
REFERENCE_PARTS = 18
R_NONE, R_CARD, R_COIN, R_MARKER = 0.0, 1.0, 2.0, 3.0


class Packed(NamedTuple):
    """Flat arrays of one scene.

    Attributes
    ----------
    neck
        Board, neck and body in numbers (`N_…`).
    heights
        Board height on the middle line at even steps along x.
    frets
        (n, 7): x, half width, crown height above its foot, apex y, curvature, half length, tangent of the end bevel.
    planes
        (m, 5) of the straightedge: outward normal, offset, material.
    strings
        (n, 7): a point, a unit direction, radius.
    boxes
        (n, 16): middle, three unit axes, half sizes, material: nut, headstock.
    posts
        (n, 9): foot, unit axis, length, radius, material.
    dots
        (n, 2): x and y of the side dots.
    things
        (n, 17): clutter on the bench: kind, middle or foot, three axes, half sizes or (length, radius), colour row.
    colours
        (n, 3) of the clutter.
    lights
        (n, 14): unit direction, two unit axes across it, two half sizes (tangents), radiance rgb.
    harmonics
        (9, 3) light of room and backdrop in spherical harmonics.
    """

    neck: Array
    heights: Array
    frets: Array
    planes: Array
    strings: Array
    boxes: Array
    posts: Array
    dots: Array
    things: Array
    colours: Array
    lights: Array
    harmonics: Array
    materials: Array
    backdrop: Array
    reference: Array
    marker: Array
