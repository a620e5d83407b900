"""The scale at the straightedge's line, and the fret spacing held against it."""

from __future__ import annotations

import math

import numpy as np

from lightgap.neck.profile import Array

from .camera import BoardCamera
from .comb import Comb
from .findings import refusal
from .guesses import ScaleGuess
from .types import Scale, ScaleCheck

# Of a scale by the frets, beside what the fit says: glow and smear of the crowns, and a scale length good to 0.2 %.
U_FRETS_SCALE = 0.005
# Two scales further apart than this cannot both be right (tolerance of the comb search plus both uncertainties).
MAX_DISAGREEMENT = 0.028


def settle_scale(
    guess: ScaleGuess, camera: BoardCamera, comb: Comb, *, thickness_mm: float, span_px: Array, length_told: bool
) -> Scale:
    """Bring the reference's scale to the straightedge's line and hold it against the fret spacing.

    That is a second opinion only with the scale length told: without it one is found that fits.

    Raises
    ------
    Refusal
        `reference-contradicts-frets` when the two disagree.
    """
    middle = float(np.mean(span_px))
    frets = float(camera.px_per_mm(np.array([middle]))[0])
    if guess.by_frets:
        return Scale("frets", frets, frets * math.hypot(camera.u_scale, U_FRETS_SCALE))
    check = ScaleCheck("frets", frets) if length_told else None
    if guess.source is None:
        at_line = guess.px_per_mm * (1 - thickness_mm / 2 / camera.distance_mm)
        read_at = middle if guess.column_px is None else guess.column_px
        here = at_line * frets / float(camera.px_per_mm(np.array([read_at]))[0])
        u, kind, outline = guess.u_relative * here, "straightedge", None
    else:
        source = guess.source
        forward = thickness_mm / 2 + source.front_offset_mm
        at_line = source.px_per_mm * (1 - forward / camera.distance_mm)
        # From the object's column to the middle of the span: the camera's yaw and the lens change scale along the way.
        column = source.centre_px[0]
        ratio = comb.local_px_per_mm(np.array([middle]))[0] / comb.local_px_per_mm(np.array([column]))[0]
        here = at_line * float(ratio)
        u = here * math.hypot(source.u_px_per_mm / source.px_per_mm, 0.005)
        kind, outline = source.kind, source.outline_px
    if abs(here / frets - 1) > MAX_DISAGREEMENT:
        raise refusal("reference-contradicts-frets", f"{kind} {here:.2f} px/mm, fret spacing {frets:.2f} px/mm")
    return Scale(kind, here, u, check, outline)  # type: ignore[arg-type]
