"""A relief too uncertain to be of use is refused, with what makes it so; one good enough is handed on as it is."""

from __future__ import annotations

from typing import cast

import pytest

from lightgap.neck.errors import Refusal
from lightgap.neck.profile import Relief
from lightgap.vision.types import BudgetLine, Measurement
from lightgap.vision.wanted import MOST_U_MM, check_wanted_U


class Measured:
    """What of a measurement is looked at."""

    def __init__(self, U_mm: float) -> None:
        self.relief = Relief(0.2, U_mm, 2.0, 7, (1, 15), "up-bow")
        self.budget = (BudgetLine("scale", 0.01, "B", "a card"), BudgetLine("noise", 0.2, "A", "more light"))


def checked(U_mm: float, wanted_U_mm: float | None) -> object:
    return check_wanted_U(cast(Measurement, Measured(U_mm)), wanted_U_mm)


@pytest.mark.parametrize("wanted_U_mm", [None, 0.6, 0.05])
def test_relief_past_every_use_is_refused_whatever_is_allowed(wanted_U_mm: float | None) -> None:
    with pytest.raises(Refusal, match=r"U 0\.310 mm .* most from: noise, u 0\.200 mm.*more light"):
        checked(MOST_U_MM + 0.01, wanted_U_mm)


def test_relief_is_as_certain_as_wanted() -> None:
    assert isinstance(checked(MOST_U_MM, None), Measured)
    assert isinstance(checked(0.05, 0.05), Measured)
    with pytest.raises(Refusal, match=r"at most 0\.050 mm is of use"):
        checked(0.051, 0.05)


def test_tie_of_two_bends_is_named_where_no_line_is_as_large() -> None:
    with pytest.raises(Refusal, match=r"most from: which crown is farthest from the chord, u 0\.346 mm.*--chord"):
        checked(0.8, None)  # 0.4^2 = 0.01^2 + 0.2^2 + 0.346^2
