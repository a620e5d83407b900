"""Scales at which marks are spaced like frets: where to begin when fret spacing is all there is.

Equal temperament has no size of its own: a comb whose frets are all called one higher fits the same marks at a scale
2^(1/12) as large. With the first fret in view taken to be a given one, each spacing has one scale, and the scales a
photo of a neck can have are few enough to try them all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from lightgap.neck.frets import fret_position_mm

from .blade import columns_of, judge_line, read_rows, weight_of
from .comb import CombGrid, CombPrior, search_combs
from .edge import Line
from .photo import FloatImage

RUNG = 1.2  # rows are read at scales this far apart ...
TOLERANCE = 0.1  # ... and combs tried this far on either side
FREE = 0.5  # relative uncertainty of a scale nothing is known of
HEAVIEST, STRONGEST, PER_RUNG = 12, 10, 5
FEWEST = 4  # frets in view
# Scales nearer than this are one, and so are those one or two frets' steps apart: the frets are renumbered later.
SAME, STEPS = 0.015, 2


def spaced_scales(
    luminance: FloatImage, lines: Sequence[Line], prior: CombPrior, *, scales: tuple[float, float], most: int
) -> list[float]:
    """Return the scales (px/mm) at which a level line has marks spaced like frets under it, likeliest first.

    Parameters
    ----------
    luminance
        (height, width) linear light.
    lines
        Level edges of the picture.
    prior
        Scale length, focal length, sides, and the fret that the first one in view is taken to be.
    scales
        Least and largest scale to try, px/mm.
    most
        How many to return.
    """
    heaviest = sorted(lines, key=lambda line: -weight_of(line))[:HEAVIEST]
    tried = heaviest + [line for line in lines[:STRONGEST] if line not in heaviest]
    first = np.array([prior.first_fret or 1, (prior.first_fret or 1) + FEWEST - 1.0])
    high = min(scales[1], luminance.shape[1] / float(np.ptp(fret_position_mm(first, prior.scale_length_mm))))
    rungs = max(2, 1 + math.ceil(math.log(high / scales[0]) / math.log(RUNG)))
    found: list[tuple[float, float]] = []
    for scale in np.geomspace(scales[0], high, rungs):
        found += _at_scale(luminance, tried, replace(prior, px_per_mm=float(scale)))
    kept: list[float] = []
    for _, scale in sorted(found, reverse=True):
        if not any(_same(scale, k) for k in kept):
            kept.append(scale)
    return kept[:most]


def _same(scale: float, other: float) -> bool:
    """Tell whether two scales are one but for the numbers of the frets."""
    apart = math.log(scale / other)
    step = math.log(2) / 12
    steps = round(apart / step)
    return abs(steps) <= STEPS and abs(apart - steps * step) < SAME


def _at_scale(luminance: FloatImage, lines: Sequence[Line], prior: CombPrior) -> list[tuple[float, float]]:
    scale = prior.px_per_mm
    here = replace(prior, scale_tolerance=TOLERANCE, u_scale=FREE, first_in_view=True)
    judged = sorted(((judge_line(luminance, line, px_per_mm=scale), i) for i, line in enumerate(lines)), reverse=True)
    x = columns_of(luminance, scale)
    grid: CombGrid | None = None
    found = []
    for score, i in judged[:PER_RUNG]:
        rows = read_rows(luminance, lines[i].y_px(x), x, px_per_mm=scale)
        grid = grid or CombGrid(here, rows)
        found += [(score + m.comb.score, m.comb.px_per_mm) for m in search_combs(rows, here, keep=2, grid=grid)]
    return found
