"""Is the measurement as fine as the job needs?"""

from __future__ import annotations

from .findings import refusal
from .types import Measurement


def check_wanted_U(measurement: Measurement, wanted_U_mm: float | None) -> Measurement:
    """Return the measurement when its relief is as certain as wanted.

    Parameters
    ----------
    wanted_U_mm
        The widest expanded uncertainty of the relief that is of use; None: any.

    Raises
    ------
    Refusal
        `too-uncertain`: with both figures, the largest line of the budget and what shrinks it.
    """
    relief = measurement.relief
    if wanted_U_mm is None or relief.U_mm <= wanted_U_mm:
        return measurement
    detail = f"U {relief.U_mm:.3f} mm (k={relief.k:g}), at most {wanted_U_mm:.3f} mm is wanted"
    if not measurement.budget:
        raise refusal("too-uncertain", detail)
    largest = max(measurement.budget, key=lambda line: line.u_mm)
    raise refusal("too-uncertain", f"{detail}; most from: {largest.name}, u {largest.u_mm:.3f} mm", cure=largest.cure)
