"""Following the plan to the letter on invented necks; the script in tests/benchmarks prints the table."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from scipy.stats import binom


def benches() -> ModuleType:
    path = Path(__file__).parents[1] / "benchmarks" / "simulated_benches.py"
    spec = importlib.util.spec_from_file_location("simulated_benches", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


# A limit of the target lies within U of the last reading, or the rod moves so little a turn that it is held for no
# answer: of 1300 necks of seeds 2 to 4, 4 %. All others are to end inside.
HELD, HELD_FOR = 0.04, {"cannot-tell", "rod-no-answer"}


def check(necks: int, seed: int) -> None:
    outcomes = benches().run(necks, seed)
    # As many as a binomial of that share exceeds once in two hundred.
    assert sum(not o.inside for o in outcomes) <= binom.ppf(0.995, necks, HELD)
    assert all(o.inside or HELD_FOR & set(o.ended.split(", ")) for o in outcomes)
    assert max(o.overshoot_mm for o in outcomes) <= 0.05
    assert np.median([o.measures for o in outcomes]) <= 4


def test_forty_necks() -> None:
    check(40, seed=1)


@pytest.mark.slow
def test_five_hundred_necks() -> None:
    check(500, seed=1)
