"""Uncertainty of the gaps and the budget of the relief, after JCGM 100:2008.

Type A comes from the scatter of single columns about the fitted outlines, shared shape included. Type B lines cover
what the model leaves out: for each crown by itself, and for the shared shape (shift along the board, camera foot and
elevation, board and crown curvature), the latter fully correlated along the board. Their sizes come from rendered and
path-traced photos with truth.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lightgap.neck.extrapolate import Extrapolated
from lightgap.neck.profile import Array, Relief
from lightgap.neck.straightness import chord_matrix

from .joined import Joined
from .readings import LIKELY_STRAIN, WELL_EXPLAINED, CrownSet
from .slit import SlitLight
from .types import BudgetLine

# DIN 874-2 knife-edge straightness at 500 mm: 2 + L/250 = 4 um, rectangular over the full zone: 4 / (2 sqrt 3).
U_STRAIGHTEDGE_MM = 0.0012
# What the outline model leaves out for each crown by itself (shading, mirrored surroundings, fret roughness).
U_CROWN_MM = 0.012
# A crown seen end-on shows no separate near flank: its mirrored rim is the widest and the least sure.
U_END_ON_MM, END_ON_SLANT = 0.045, 0.06
# ... and where only a few columns show it: a touching crown hides most of its outline.
U_FEW_COLUMNS_MM = 0.2
# ... and for the shared shape: shift along the board, camera foot, elevation, board and crown curvature, mirrored rim.
U_SHARED = np.array([0.06, 0.6, 0.0018, 0.00022, 0.06, 0.4])
# The same where the pixels themselves were explained: place along the board, foot, elevation, curvatures, blur.
U_PIXELS_MM, U_END_ON_PIXELS_MM, U_FEW_PIXELS_MM = 0.008, 0.05, 0.5
U_SHARED_PIXELS = np.array([0.05, 0.3, 0.002, 0.0002, 0.05, 0.04])
# Where the faces of fret ends were: each by itself (a flank beside a face may look like it), and all in one curve along
# the board, for the fret's body that is seen beside its end in step with the slant, and a radius that changes. Sizes
# from 67 own renders with truth, and from painted ends with bodies.
U_ENDS_MM, U_ENDS_PER_SLANT_MM = 0.04, 0.1
# Before a dark gap what a crown mirrors is not the gap's own light, and under a black blade no step tells the edge.
# Sizes from 160 own renders with truth.
BRIGHT_FACTOR, DARK_FACTOR, DULL_FACTOR = 1.25, 1.5, 2.0
STRAINED = 14.0  # chi-square that doubles the variance
# A weak step of light at the edge leaves the outline to the fret's own shading: both grow with the missing contrast.
FULL_CONTRAST, CONTRAST_POWER = 0.95, 2.3


# What the shared line and each crown's own stand for, and what shrinks them.
BY_CROWNS = (
    (
        "shared outline (camera height, board radius, place along the board)",
        "hold the camera level with the board, give --board-radius, aim with the deepest crowns off the middle",
    ),
    (
        "each crown's outline (shading, mirrored surroundings)",
        "put a light card or dark cloth close behind the neck",
    ),
)
BY_ENDS = (
    ("fret ends seen aslant (the fret's body beside them, a radius that changes)", "a longer distance"),
    (
        "each fret end's face (what stands beside it)",
        "look along the board's slope, or lay the straightedge along the middle of a neck without strings",
    ),
)
FEET = ("feet of the frets on the board (wire of unequal height, the board's border)", "a longer distance, more light")
FIT = ("fit to the picture (noise, camera, shapes)", "more light, a longer distance, or half the neck at a time")
CARRIED = ("an end of the chord carried on from its neighbours", "choose --chord between crowns that can be read")
CHOICE = (
    "which crown is farthest from the chord, and on which side (an S, a bad fret)",
    "give --chord over one bend of the neck; lower U of the single frets",
)
# Of the relief's standard uncertainty: less of it is a matter of one fret or its neighbour.
TOLD_CHOICE = 0.5
EDGE = (
    "the straightedge's edge (as followed, and the lens)",
    "half the neck at a time, a plain light card behind the gap",
)


def weakness(slit: SlitLight) -> float:
    """Return how much the missing contrast of blade and light widens the model's uncertainty."""
    return float(max(1.0, (FULL_CONTRAST / max(slit.contrast, 0.1)) ** CONTRAST_POWER))


def doubt(crowns: CrownSet) -> float:
    """Return how much wider than the fit says everything read by pixels is: by light, strain and misfit."""
    if not crowns.by_pixels:
        return 1.0
    light = DULL_FACTOR if crowns.dull else DARK_FACTOR if crowns.dark else BRIGHT_FACTOR
    misfit = crowns.median_misfit
    # Explained badly, and that by frets unlike any, is worse than either: past what is likely of both they multiply.
    both = max(1.0, crowns.strain / LIKELY_STRAIN * misfit / WELL_EXPLAINED)
    return float(light * np.sqrt(1 + crowns.strain / STRAINED) * max(1.0, misfit) * both)


def fit_covariance(crowns: CrownSet) -> Array:
    """Return the (n, n) covariance that the fit itself tells."""
    return np.asarray(crowns.covariance_mm2 * doubt(crowns) ** 2)


def own_u_mm(crowns: CrownSet, slit: SlitLight) -> Array:
    """Return each crown's own standard uncertainty of the model."""
    if crowns.by_ends:
        return np.full(len(crowns.crowns), U_ENDS_MM)
    slant = np.array([c.slant for c in crowns.crowns])
    count = np.array([max(c.points, 1) for c in crowns.crowns])
    if crowns.by_pixels:
        end_on = U_END_ON_PIXELS_MM * np.exp(-((slant / END_ON_SLANT) ** 2))
        return np.asarray(doubt(crowns) * np.sqrt(U_PIXELS_MM**2 + end_on**2 + (U_FEW_PIXELS_MM / count) ** 2))
    end_on = U_END_ON_MM * np.exp(-((slant / END_ON_SLANT) ** 2))
    few = U_FEW_COLUMNS_MM / count
    return np.asarray(weakness(slit) * np.sqrt(U_CROWN_MM**2 + end_on**2 + few**2))


def shape_covariance(crowns: CrownSet, slit: SlitLight) -> Array:
    """Return the (n, n) covariance that the shared shape's model adds: fully correlated along the board."""
    if crowns.by_ends:
        bent = U_ENDS_PER_SLANT_MM * np.abs(np.array([c.slant for c in crowns.crowns]))
        return np.asarray(np.outer(bent, bent))
    u = U_SHARED_PIXELS * doubt(crowns) if crowns.by_pixels else U_SHARED * weakness(slit)
    spread = crowns.sensitivity * u
    return np.asarray(spread @ spread.T)


def crown_covariance(crowns: CrownSet, slit: SlitLight) -> Array:
    """Return the (n, n) covariance of the gaps before the re-zero at contact."""
    own = own_u_mm(crowns, slit) ** 2 + U_STRAIGHTEDGE_MM**2
    return np.asarray(fit_covariance(crowns) + shape_covariance(crowns, slit) + np.diag(own))


def budget_lines(joined: Joined, slit: SlitLight, reached: Extrapolated, relief: Relief) -> tuple[BudgetLine, ...]:
    """Return the lines of the relief's budget, largest first, each with what shrinks it."""
    crowns = joined.crowns
    profile, frets = reached.profile, reached.profile.frets
    first, last = frets.index(relief.chord[0]), frets.index(relief.chord[1])
    depth = chord_matrix(profile.position_mm, (first, last))[frets.index(relief.at_fret)]
    whole = depth @ reached.weights
    row = whole @ joined.share
    blade = float(np.sqrt(np.sum(whole**2)) * U_STRAIGHTEDGE_MM)
    feet, edge = (float(np.sqrt(whole @ c @ whole)) for c in (joined.feet_covariance_mm2, joined.edge_covariance_mm2))
    lines = [BudgetLine("straightness of the straightedge (DIN 874-2)", blade, "B", "a finer straightedge")]
    lines += [BudgetLine(EDGE[0], edge, "B", EDGE[1])]
    carried = float(np.sqrt(depth @ reached.bend_covariance_mm2 @ depth))
    if carried > 0:
        lines += [BudgetLine(CARRIED[0], carried, "B", CARRIED[1])]
    if feet > 0:
        lines += [BudgetLine(FEET[0], feet, "B", FEET[1])]
    if not crowns.by_feet:
        fit = joined.widened * float(np.sqrt(row @ fit_covariance(crowns) @ row))
        shape = joined.widened * float(np.sqrt(row @ shape_covariance(crowns, slit) @ row))
        own = joined.widened * float(np.sqrt(np.sum((row * joined.own_u_mm) ** 2)))
        (shared_what, shared_cure), (own_what, own_cure) = BY_ENDS if crowns.by_ends else BY_CROWNS
        lines += [
            BudgetLine(shared_what, shape, "B", shared_cure),
            BudgetLine(own_what, own, "B", own_cure),
            BudgetLine(FIT[0], fit, "A", FIT[1]),
        ]
    return with_choice(lines, relief)


def with_choice(lines: Sequence[BudgetLine], relief: Relief) -> tuple[BudgetLine, ...]:
    """Return the lines, largest first, with what U holds beside them: that another crown may be the deepest."""
    u = relief.U_mm / relief.k
    choice = float(np.sqrt(max(u**2 - sum(line.u_mm**2 for line in lines), 0.0)))
    told = [BudgetLine(CHOICE[0], choice, "A", CHOICE[1])] if choice > TOLD_CHOICE * u else []
    return tuple(sorted([*lines, *told], key=lambda line: -line.u_mm))
