"""A relief too uncertain to be of use is refused, with what makes it so; one good enough is handed on as it is."""

from __future__ import annotations

from typing import cast

import pytest

from lightgap.neck.errors import Refusal
from lightgap.neck.profile import Relief
from lightgap.vision.types import BudgetLine, Measurement
from lightgap.vision.uncertainty import with_choice
from lightgap.vision.wanted import MOST_U_MM, check_wanted_U


class Measured:
    """What of a measurement is looked at."""

    def __init__(self, U_mm: float) -> None:
        self.relief = Relief(0.2, U_mm, 2.0, 7, (1, 15), "up-bow")
        self.budget: tuple[BudgetLine, ...] = (
            BudgetLine("scale", 0.01, "B", "a card"),
            BudgetLine("noise", 0.2, "A", "more light"),
        )


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


def test_tie_of_two_bends_is_a_line_of_its_own_where_it_is_most_of_the_uncertainty() -> None:
    done = Measured(0.8)
    done.budget = with_choice(done.budget, done.relief)
    assert [line.u_mm for line in done.budget] == pytest.approx([0.3463, 0.2, 0.01], abs=1e-4)  # 0.4^2 in all
    with pytest.raises(Refusal, match=r"most from: which crown is farthest from the chord.*, u 0\.346 mm.*--chord"):
        check_wanted_U(cast(Measurement, done), None)
    sure = Measured(0.41)
    assert with_choice(sure.budget, sure.relief) == (sure.budget[1], sure.budget[0])
