"""Work done in two processes is the work done in one: same results, same order, same errors."""

from __future__ import annotations

import os
import signal
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import pytest

from lightgap.vision.halves import Halves, halves

ON_TWO_CORES = sys.platform == "linux" and len(os.sched_getaffinity(0)) > 1


def square(number: int) -> int:
    return number * number


def inverse(number: int) -> float:
    return 1 / number


def where(_: int) -> int:
    return os.getpid()


def die_elsewhere(home: int) -> int:
    if os.getpid() != home:
        os.kill(os.getpid(), signal.SIGKILL)
    return home


def has_other(_: int) -> bool:
    with halves() as both:
        return both.other is not None


@pytest.mark.parametrize("count", [0, 1, 2, 5, 6])
def test_results_come_in_order(count: int) -> None:
    expected = [n * n for n in range(count)]
    assert Halves(None).map(square, range(count)) == expected
    with halves() as both:
        assert both.map(square, range(count)) == expected


@pytest.mark.skipif(not ON_TWO_CORES, reason="a second process needs Linux and a second core")
def test_every_second_piece_is_done_elsewhere() -> None:
    with halves() as both:
        at = both.map(where, range(4))
    assert at[0] == at[2] == os.getpid()
    assert at[1] == at[3] != os.getpid()


def test_an_error_in_either_half_is_raised() -> None:
    for numbers in ([0, 1], [1, 0]):
        with halves() as both, pytest.raises(ZeroDivisionError):
            both.map(inverse, numbers)


@pytest.mark.skipif(not ON_TWO_CORES, reason="a second process needs Linux and a second core")
def test_the_work_of_a_process_that_dies_is_done_here() -> None:
    with halves() as both:
        for _ in range(2):
            assert both.map(die_elsewhere, [os.getpid()] * 4) == [os.getpid()] * 4


def test_where_no_second_process_is_to_be_had_the_work_is_done_here(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_locks(*_: object, **__: object) -> None:
        raise OSError(38, "Function not implemented")

    monkeypatch.setattr("lightgap.vision.halves.ProcessPoolExecutor", no_locks)
    with halves() as both:
        assert both.other is None
        assert both.map(square, range(3)) == [0, 1, 4]


def test_a_process_that_cannot_be_forked_is_done_without(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_memory(*_: object) -> None:
        raise OSError(12, "Cannot allocate memory")

    with halves() as both:
        if both.other is not None:
            monkeypatch.setattr(both.other, "submit", no_memory)
        assert both.map(square, range(3)) == [0, 1, 4]


def test_one_of_several_processes_takes_no_second() -> None:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        assert pool.submit(has_other, 0).result() is False


@pytest.mark.parametrize("both", [Halves(None), None], ids=["alone", "two"])
def test_what_is_begun_aside_is_had_when_asked_for(both: Halves | None) -> None:
    with halves() as two:
        who = both or two
        result, broken = who.aside(square, 7), who.aside(inverse, 0)
        assert result() == 49
        with pytest.raises(ZeroDivisionError):
            broken()


@pytest.mark.skipif(not ON_TWO_CORES, reason="a second process needs Linux and a second core")
def test_what_a_process_that_dies_was_to_do_aside_is_done_here() -> None:
    with halves() as both:
        assert both.aside(die_elsewhere, os.getpid())() == os.getpid()
