"""Uncertainty budgets after the GUM.

A budget is a list of lines, each an input with its sensitivity, standard uncertainty and degrees of freedom. They are
combined as JCGM 100:2008 says (law of propagation, with correlation; effective degrees of freedom by
Welch-Satterthwaite, G.4; expanded uncertainty from Student's t, G.3), or the model itself is sampled (JCGM 101:2008).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from .profile import Array, frozen_array

Spread = Literal["normal", "rectangular", "triangular", "u-shaped"]
DIVISOR: dict[str, float] = {
    "normal": 1.0,
    "rectangular": math.sqrt(3),
    "triangular": math.sqrt(6),
    "u-shaped": math.sqrt(2),
}


@dataclass(frozen=True, slots=True)
class Line:
    """One input of a measurement model.

    Attributes
    ----------
    name
        What it is.
    u
        Standard uncertainty, in the input's own unit.
    sensitivity
        Change of the result per change of the input.
    dof
        Degrees of freedom of `u`; infinite when it is taken as known.
    kind
        "A" from statistics, "B" from other knowledge.
    """

    name: str
    u: float
    sensitivity: float = 1.0
    dof: float = math.inf
    kind: Literal["A", "B"] = "B"

    @property
    def contribution(self) -> float:
        """Size of the line in the result, |c| u."""
        return abs(self.sensitivity) * self.u


@dataclass(frozen=True, slots=True)
class Budget:
    """Lines combined.

    Attributes
    ----------
    lines
        As given.
    u
        Combined standard uncertainty.
    dof
        Effective degrees of freedom.
    """

    lines: tuple[Line, ...]
    u: float
    dof: float

    def coverage_factor(self, probability: float = 0.95) -> float:
        """Return t_p for the effective degrees of freedom, truncated down as G.4.1 asks."""
        dof = math.floor(self.dof) if math.isfinite(self.dof) else math.inf
        return float(stdtrit(max(1, dof), (1 + probability) / 2))

    def expanded(self, probability: float = 0.95) -> float:
        """Return the expanded uncertainty for a coverage probability."""
        return self.coverage_factor(probability) * self.u

    @property
    def largest(self) -> Line:
        """The line that weighs most."""
        return max(self.lines, key=lambda line: line.contribution)


@dataclass(frozen=True, slots=True)
class Sampled:
    """A model sampled by Monte Carlo.

    Attributes
    ----------
    mean, u
        Mean and standard deviation of the result.
    interval
        Probabilistically symmetric coverage interval.
    draws
        (n,) the results, sorted.
    """

    mean: float
    u: float
    interval: tuple[float, float]
    draws: Array = field(repr=False)


def half_width_to_u(half_width: float, spread: Spread = "rectangular") -> float:
    """Return the standard uncertainty of a quantity known to lie within ± `half_width` (JCGM 100:2008, 4.3)."""
    return half_width / DIVISOR[spread]


def combine(lines: Sequence[Line], *, correlation: Array | None = None) -> Budget:
    """Combine budget lines.

    Parameters
    ----------
    lines
        At least one.
    correlation
        (n, n) correlation matrix of the inputs; uncorrelated when not given.

    Returns
    -------
    Budget

    Raises
    ------
    ValueError
        When there are no lines, an uncertainty is negative, or the correlation has the wrong shape.

    Notes
    -----
    u^2 = sum c_i c_j r_ij u_i u_j; 1/dof = sum (c_i u_i)^4 / (u^4 dof_i), which holds for uncorrelated lines; with
    correlated ones the formula is still used, as the lesser evil, over the lines' own degrees of freedom.
    """
    if not lines:
        raise ValueError("a budget needs at least one line")
    signed = np.array([line.sensitivity * line.u for line in lines])
    if any(line.u < 0 for line in lines):
        raise ValueError("an uncertainty cannot be negative")
    matrix = np.eye(len(lines)) if correlation is None else np.asarray(correlation, dtype=np.float64)
    if matrix.shape != (len(lines), len(lines)):
        raise ValueError(f"correlation must be ({len(lines)}, {len(lines)}), got {matrix.shape}")
    variance = float(signed @ matrix @ signed)
    shares = sum(line.contribution**4 / line.dof for line in lines if math.isfinite(line.dof))
    dof = variance**2 / shares if shares > 0 else math.inf
    return Budget(tuple(lines), math.sqrt(max(0.0, variance)), dof)


def sample(
    model: Callable[..., Array],
    inputs: Mapping[str, Callable[[np.random.Generator, int], Array]],
    *,
    rng: np.random.Generator,
    draws: int = 200_000,
    probability: float = 0.95,
) -> Sampled:
    """Propagate distributions through a model by Monte Carlo (JCGM 101:2008).

    Parameters
    ----------
    model
        Takes each input by name as an array of draws, returns the results.
    inputs
        For each input a function of (rng, n) that returns n draws.
    rng, draws, probability
        Generator, number of draws, coverage probability of the interval.
    """
    values = np.sort(np.asarray(model(**{name: make(rng, draws) for name, make in inputs.items()}), dtype=np.float64))
    tail = (1 - probability) / 2
    low, high = np.quantile(values, [tail, 1 - tail])
    return Sampled(float(values.mean()), float(values.std(ddof=1)), (float(low), float(high)), frozen_array(values))
