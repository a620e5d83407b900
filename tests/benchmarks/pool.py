"""Work spread over processes of one thread each; results come as they are ready."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")
ONE_THREAD = {name: "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS")}


def spread(work: Callable[[Item], Result], items: Iterable[Item], *, workers: int) -> Iterator[tuple[Item, Result]]:
    """Yield each item with its result, in order for one worker, as they are ready for more."""
    if workers <= 1:
        for item in items:
            yield item, work(item)
        return
    os.environ.update(ONE_THREAD)  # read by the children's libraries when they start
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        waiting = {pool.submit(work, item): item for item in items}
        for done in as_completed(waiting):
            yield waiting[done], done.result()


def shard(items: list[Item], part: str) -> list[Item]:
    """Return part `2/5`, the second of five, of the items: every fifth, from the second on.

    Raises
    ------
    ValueError
        When `part` is not such a fraction.
    """
    number, _, count = part.partition("/")
    if not (number.isdigit() and count.isdigit() and 1 <= int(number) <= int(count)):
        raise ValueError(f"'{part}' is no shard: write 2/5 for the second of five")
    return items[int(number) - 1 :: int(count)]
