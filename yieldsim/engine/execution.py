"""Blocks of units over anything with a ``map``; the result depends on neither its number of workers nor their order."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

BLOCK = 1024  # units; fixed, so that sums are made in the same order whatever the number of workers

Task = TypeVar("Task")
Answer = TypeVar("Answer")
Progress = Callable[[int, int], None]


class Mapper(Protocol):
    """Anything with the ``map`` of an executor: threads, processes, a cluster."""

    def map(self, function: Callable[[Task], Answer], tasks: Iterable[Task], /) -> Iterator[Answer]:
        """Return the answers in the order of the tasks."""
        ...


class Inline:
    """A mapper that runs in the calling thread."""

    def map(self, function: Callable[[Task], Answer], tasks: Iterable[Task], /) -> Iterator[Answer]:
        """Return the answers in the order of the tasks."""
        return map(function, tasks)


@contextmanager
def mapper(threads: int) -> Iterator[Mapper]:
    """Give a mapper over so many threads; the compiled code holds no interpreter lock."""
    if threads == 1:
        yield Inline()
        return
    with ThreadPoolExecutor(max_workers=threads) as pool:
        try:
            yield pool
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise


def blocks(units: int) -> list[NDArray[np.int64]]:
    """Return the unit numbers of each block, the last one shorter where the units do not fill it."""
    return [np.arange(k, min(k + BLOCK, units), dtype=np.int64) for k in range(0, units, BLOCK)]


def run_all(
    function: Callable[[Task], Answer], tasks: list[Task], over: Mapper, progress: Progress | None = None
) -> list[Answer]:
    """Return the answers in order; ``progress(done, of)`` is called after each."""
    answers = []
    for answer in over.map(function, tasks):
        answers.append(answer)
        if progress is not None:
            progress(len(answers), len(tasks))
    return answers
