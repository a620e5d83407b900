"""Work of which a second process does half, where one is to be had at once.

Threads gain nothing here: the arrays are small, and what is done between the calls holds the interpreter's lock.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Halves:
    """Does work here, and every second piece of it in the other process, if there is one."""

    other: ProcessPoolExecutor | None = None

    def aside(self, work: Callable[[Item], Result], item: Item) -> Callable[[], Result]:
        """Begin `work`, which must not use OpenCV, in the other process; return what waits for the result.

        Without another process the work is done by whoever asks for its result; what it raises is raised then.
        """
        if self.other is None:
            return lambda: work(item)
        try:
            promised = self._submit(work, item)
        except (BrokenProcessPool, OSError):
            return lambda: work(item)

        def result() -> Result:
            try:
                return promised.result()
            except (BrokenProcessPool, OSError):
                return work(item)

        return result

    def map(self, work: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
        """Return the results of `work`, which must not use OpenCV, for every item, in order."""
        theirs = items[1::2]
        if self.other is None or not theirs:
            return [work(item) for item in items]
        try:
            promised = self._submit(partial(_each, work), theirs)
            results = [work(item) for item in items[::2]]
            for at, result in enumerate(promised.result()):
                results.insert(2 * at + 1, result)
        except (BrokenProcessPool, OSError):  # no second process to be had, or it was ended, as for want of memory
            return [work(item) for item in items]
        return results

    def _submit(self, work: Callable[[Item], Result], item: Item) -> Future[Result]:
        assert self.other is not None
        with warnings.catch_warnings():
            # Python warns of forking beside other threads, whose locks stay locked in the child: OpenCV's may.
            warnings.simplefilter("ignore", DeprecationWarning)
            return self.other.submit(work, item)


ALONE = Halves()


def _each(work: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
    return [work(item) for item in items]


@contextmanager
def halves() -> Iterator[Halves]:
    """Keep a second process for a while: a fork of this one, on Linux, where a core is left for it.

    Elsewhere a second process would have to load everything anew, which takes longer than the work. A process that is
    itself one of several leaves the other cores to them.
    """
    other = _second_process()
    try:
        yield Halves(other)
    finally:
        if other is not None:
            other.shutdown()


def _second_process() -> ProcessPoolExecutor | None:
    alone = multiprocessing.parent_process() is None
    if not (sys.platform == "linux" and alone and len(os.sched_getaffinity(0)) > 1):
        return None
    try:
        return ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("fork"))
    except (OSError, NotImplementedError, ImportError):  # no shared memory for locks
        return None
