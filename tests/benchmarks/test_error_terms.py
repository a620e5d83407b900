"""Errors told apart by term: parts put in come out, and a sample's terms are those of its truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from benchmarks.error_terms import TERMS, Split, Terms, split, table, terms_of

from lightgap.vision import pipeline

SAMPLES = Path(__file__).parents[2] / "sample_images"


def test_bow_and_what_is_left_are_what_was_put_in() -> None:
    t = np.linspace(-1, 1, 15)
    zigzag = np.where(np.arange(15) % 2, 0.01, -0.01)
    got = split(t, 0.3 + 0.2 * t - 0.05 * t**2 + zigzag)
    assert got is not None
    # A zigzag of 15 holds a bow of its own: numpy's least squares tells how much.
    own = np.polyfit(t, zigzag, 2)
    assert got.bow_mm == pytest.approx(-0.05 + own[0], abs=1e-12)
    assert got.local_mm == pytest.approx(float(np.std(zigzag - np.polyval(own, t))), rel=1e-9)


def test_three_frets_have_no_bow() -> None:
    assert split(np.linspace(-1, 1, 5), np.array([0.1, np.nan, 0.2, np.nan, 0.1])) is None


def test_terms_of_a_sample() -> None:
    """A close-up before a plain wall: what makes up its gaps is known to a few hundredths, its edge to a hundredth."""
    weigh = pipeline.weigh
    terms = terms_of(SAMPLES / "dreadnought-close.jpg")
    assert pipeline.weigh is weigh
    assert terms is not None
    assert set(terms.split) == set(TERMS)
    assert abs(terms.split["edge"].bow_mm) < 0.01  # a quarter of a pixel
    assert abs(terms.split["joined"].bow_mm) < 0.03  # as large as its U


def test_a_photo_that_is_refused_has_no_terms() -> None:
    assert terms_of(SAMPLES / "refused-blurred.jpg") is None


def test_table_has_a_line_for_each_term_that_was_there() -> None:
    found = [Terms("a", "middle", {"edge": Split(0.01, 0.002)}), Terms("b", "middle", {"edge": Split(-0.03, 0.004)})]
    (line,) = [row for row in table(found).splitlines() if row.startswith("middle")]
    assert line.split() == ["middle", "edge", "2", "0.0200", "0.0280", "0.0224", "0.0030", "0.0038"]
