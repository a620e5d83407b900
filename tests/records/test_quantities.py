"""Numbers as people read them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightgap.records.quantities import MM_PER_INCH, in_units, length, length_range, turns_text, with_uncertainty


@pytest.mark.parametrize(
    ("value_mm", "U_mm", "units", "text"),
    [
        (0.3123, 0.0123, "mm", "+0.312 ± 0.012 mm"),
        (-0.0456, 0.0049, "mm", "-0.0456 ± 0.0049 mm"),
        (0.3123, 0.123, "mm", "+0.31 ± 0.12 mm"),
        (0.254, 0.0254, "in", "+0.0100 ± 0.0010 in"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_digit(value_mm: float, U_mm: float, units: str, text: str) -> None:
    assert with_uncertainty(value_mm, U_mm, units=units) == text  # type: ignore[arg-type]


def test_lengths_say_their_unit() -> None:
    assert length(1.7, units="mm") == "1.70 mm"
    assert length(25.4, units="in") == "1.000 in"
    assert length_range(0.1, 0.25) == "0.10 to 0.25 mm"


@pytest.mark.parametrize(
    ("turns", "text"), [(0.125, "⅛ turn"), (-0.25, "¼ turn"), (1.0, "1 turn"), (1.25, "1¼ turns"), (0.1, "0.1 turn")]
)
def test_turns_are_said_as_at_the_bench(turns: float, text: str) -> None:
    assert turns_text(turns) == text


@given(st.floats(-1e3, 1e3))
def test_inches_return_to_millimetres(value_mm: float) -> None:
    # 1 in = 25.4 mm exactly (international inch); two roundings in double precision
    assert in_units(value_mm, "in") * MM_PER_INCH == pytest.approx(value_mm, rel=1e-15, abs=1e-300)
