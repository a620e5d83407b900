"""Is the measurement as fine as the job needs?"""

from __future__ import annotations

from .findings import refusal
from .types import Measurement

# Necks are bent by less (common practice, no published source): so uncertain a relief tells nothing of one.
MOST_U_MM = 0.3


def check_wanted_U(measurement: Measurement, wanted_U_mm: float | None) -> Measurement:
    """Return the measurement when its relief is as certain as wanted.

    Parameters
    ----------
    wanted_U_mm
        The widest expanded uncertainty of the relief that is of use; None, or wider than that: `MOST_U_MM`.

    Raises
    ------
    Refusal
        `too-uncertain`: with both figures, the largest line of the budget and what shrinks it.
    """
    relief = measurement.relief
    limit_mm = MOST_U_MM if wanted_U_mm is None else min(wanted_U_mm, MOST_U_MM)
    if relief.U_mm <= limit_mm:
        return measurement
    detail = f"U {relief.U_mm:.3f} mm (k={relief.k:g}), at most {limit_mm:.3f} mm is of use"
    if not measurement.budget:
        raise refusal("too-uncertain", detail)
    largest = max(measurement.budget, key=lambda line: line.u_mm)
    raise refusal("too-uncertain", f"{detail}; most from: {largest.name}, u {largest.u_mm:.3f} mm", cure=largest.cure)
