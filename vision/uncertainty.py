"""Uncertainty of the gaps and the budget of the relief, after JCGM 100:2008.

Type A comes from the scatter of single columns about the fitted outlines. What the outlines share (a common shift
along the board, the camera's foot and elevation, crown and board curvature) is fitted with wide priors, so its share is
in the covariance already. Type B lines below cover what the model leaves out; their sizes come from rendered and
path-traced photos with truth.
"""

from __future__ import annotations

import numpy as np

from lightgap.neck.profile import Array, GapProfile, Relief
from lightgap.neck.straightness import chord_matrix

from .crowns import CrownSet
from .slit import SlitLight
from .types import BudgetLine

# DIN 874-2 knife-edge straightness at 500 mm: 2 + L/250 = 4 um, rectangular over the full zone: 4 / (2 sqrt 3).
U_STRAIGHTEDGE_MM = 0.0012
# Outline model: crowns seen end-on show no separate near flank and mirror the background.
U_MODEL_MM = 0.009
U_MODEL_SLANT_MM = 0.0022
MIN_SLANT = 0.04
# A weak step of light at the edge leaves the outline to the fret's own shading.
FULL_CONTRAST = 0.9


def model_u_mm(crowns: CrownSet, slit: SlitLight) -> Array:
    """Return each crown's standard uncertainty of the outline model."""
    slant = np.array([abs(c.slant) for c in crowns.crowns])
    weak = max(1.0, (FULL_CONTRAST / max(slit.contrast, 0.1)) ** 2)
    return np.asarray(weak * np.hypot(U_MODEL_MM, U_MODEL_SLANT_MM / np.maximum(slant, MIN_SLANT)))


def crown_covariance(crowns: CrownSet, slit: SlitLight) -> Array:
    """Return the (n, n) covariance of the gaps before the re-zero at contact."""
    n = len(crowns.crowns)
    model = np.diag(model_u_mm(crowns, slit) ** 2)
    return np.asarray(crowns.covariance_mm2 + model + np.eye(n) * U_STRAIGHTEDGE_MM**2)


def budget_lines(crowns: CrownSet, slit: SlitLight, profile: GapProfile, relief: Relief) -> tuple[BudgetLine, ...]:
    """Return the lines of the relief's budget, largest first, each with what shrinks it."""
    frets = profile.frets
    first, last = frets.index(relief.chord[0]), frets.index(relief.chord[1])
    row = chord_matrix(profile.position_mm, (first, last))[frets.index(relief.at_fret)]
    fit = float(np.sqrt(row @ crowns.covariance_mm2 @ row))
    model = float(np.sqrt(np.sum((row * model_u_mm(crowns, slit)) ** 2)))
    blade = float(np.sqrt(np.sum(row**2)) * U_STRAIGHTEDGE_MM)
    lines = [
        BudgetLine(
            "outline model (mirrored surroundings, end-on crowns)",
            model,
            "B",
            "a light card or dark cloth close behind; aim so that the deepest crowns are off the picture's middle",
        ),
        BudgetLine(
            "outline fit (noise, camera, curvatures)",
            fit,
            "A",
            "more light, a longer distance, or half the neck at a time",
        ),
        BudgetLine("straightness of the straightedge (DIN 874-2)", blade, "B", "a finer straightedge"),
    ]
    return tuple(sorted(lines, key=lambda line: -line.u_mm))
