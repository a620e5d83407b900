"""Lengths as people write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightgap.neck.errors import InputError
from lightgap.neck.units import format_length, parse_length, to_unit


@pytest.mark.parametrize(
    "text, mm",
    [
        ("0.010in", 0.254),
        ("10thou", 0.254),
        ("2/64in", 0.79375),
        ("1 3/64 in", 25.4 * (1 + 3 / 64)),
        ("1-3/64in", 25.4 * (1 + 3 / 64)),
        ("0.3 mm", 0.3),
        ("0.3", 0.3),
        ('.012"', 0.3048),
        ("250um", 0.25),
        ("2.5e-1mm", 0.25),
        ("-0.2mm", -0.2),
        ("64.8 CM", 648.0),
        # Exact multiples of 1/64 in = 0.396875 mm, from the definition 1 in = 25.4 mm.
        ("3/64in", 1.190625),
        ("5/64in", 1.984375),
        ("6/64in", 2.38125),
    ],
)
def test_parse(text: str, mm: float) -> None:
    assert parse_length(text) == pytest.approx(mm, rel=1e-15)


@pytest.mark.parametrize("text", ["", "mm", "0.3 furlong", "1/0in", "nan", "inf mm", "0.3mm0.2", "1e400mm", "--1mm"])
def test_nonsense(text: str) -> None:
    with pytest.raises(InputError, match="action"):
        parse_length(text, what="action")


def test_default_unit() -> None:
    assert parse_length("0.010", default_unit="in") == pytest.approx(0.254, rel=1e-15)


@given(st.floats(1e-6, 1e4))
def test_mm_inch_mm_returns(mm: float) -> None:
    assert parse_length(f"{to_unit(mm, 'in')!r}in") == pytest.approx(mm, rel=1e-15)


def test_format() -> None:
    assert format_length(0.3048) == "0.305 mm"
    assert format_length(0.3048, "in") == "0.0120 in"
    assert format_length(0.3, signed=True) == "+0.300 mm"
    assert format_length(-0.0001) == "0.000 mm"
