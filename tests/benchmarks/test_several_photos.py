"""The numbers of the comparison between single photos and several put together, on made-up errors."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.several_photos import Result, row, shared_error


@pytest.mark.parametrize("share", [0.0, 0.4, 0.9])
def test_shared_error_is_the_correlation_the_errors_were_made_with(share: float) -> None:
    rng = np.random.default_rng(8)
    same = np.sqrt(share) * rng.standard_normal((4000, 1))
    errors = same + np.sqrt(1 - share) * rng.standard_normal((4000, 3))
    # A correlation from 4000 necks is known to 1 / sqrt(4000) = 0.016; three times that.
    assert shared_error(errors.tolist()) == pytest.approx(share, abs=0.048)


def test_row_tells_how_many_were_refused_and_why() -> None:
    text = row(2, [Result(0.01, 0.03), Result(-0.05, 0.03), Result(refused="photos-disagree")])
    assert "2/3" in text
    assert "50%" in text
    assert text.endswith("photos-disagree")
