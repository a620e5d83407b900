"""Made profiles the tests of the package share."""

from __future__ import annotations

import numpy as np

from lightgap.neck.frets import fret_position_mm
from lightgap.neck.profile import CrownGap, GapProfile


def make_profile(gap_mm: np.ndarray, u_mm: float = 0.002, *, first: int = 1, **more: object) -> GapProfile:
    frets = range(first, first + len(gap_mm))
    crowns = tuple(
        CrownGap(f, float(fret_position_mm(f, 648.0)), float(g), u_mm) for f, g in zip(frets, gap_mm, strict=True)
    )
    return GapProfile(crowns, np.eye(len(crowns)) * u_mm**2, **more)  # type: ignore[arg-type]


def bow(n: int, relief_mm: float, skew: float = 0.0) -> np.ndarray:
    x = fret_position_mm(np.arange(1, n + 1), 648.0)
    t = (x - x[0]) / (x[-1] - x[0])
    return np.asarray(4 * t * (1 - t) * (1 + skew * (2 * t - 1)) * relief_mm)
