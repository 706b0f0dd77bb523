"""Blocks, mappers and progress."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import numpy as np
import pytest

from yieldsim.engine.execution import BLOCK, Inline, blocks, mapper, run_all


@pytest.mark.parametrize("units", [2, 1023, 1024, 1025, 4096, 5000])
def test_blocks_hold_every_unit_once_and_in_order(units: int) -> None:
    parts = blocks(units)
    np.testing.assert_array_equal(np.concatenate(parts), np.arange(units))
    assert [len(part) for part in parts[:-1]] == [BLOCK] * (len(parts) - 1)
    assert 0 < len(parts[-1]) <= BLOCK
    assert all(part.dtype == np.int64 for part in parts)


def test_blocks_do_not_depend_on_how_many_follow() -> None:
    for few, many in zip(blocks(3000), blocks(9000), strict=False):
        np.testing.assert_array_equal(few, many[: len(few)])


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_answers_come_in_the_order_of_the_tasks(threads: int) -> None:
    told: list[tuple[int, int]] = []
    with mapper(threads) as over:
        answers = run_all(lambda task: task * task, list(range(40)), over, lambda done, of: told.append((done, of)))
    assert answers == [k * k for k in range(40)]
    assert told == [(k, 40) for k in range(1, 41)]


def test_threads_work_side_by_side() -> None:
    # each of two tasks waits for the other: one thread alone would break the barrier
    barrier = threading.Barrier(2, timeout=20.0)
    with mapper(2) as over:
        places = run_all(lambda _: barrier.wait(), [0, 1], over)
    assert sorted(places) == [0, 1]


def test_one_thread_is_the_calling_one() -> None:
    with mapper(1) as over:
        assert isinstance(over, Inline)
        assert run_all(lambda _: threading.get_ident(), [0, 1], over) == [threading.get_ident()] * 2


@pytest.mark.parametrize("threads", [1, 2])
def test_an_error_ends_the_run_and_what_waits_is_not_begun(threads: int) -> None:
    begun: list[int] = []
    gate = threading.Event()

    def work(task: int) -> int:
        begun.append(task)
        if task == 0:
            raise RuntimeError("the first block failed")
        gate.wait(20.0)  # holds the other thread until the error is on its way
        return task

    def run() -> None:
        with mapper(threads) as over:
            try:
                run_all(work, list(range(100)), over)
            finally:
                gate.set()

    with pytest.raises(RuntimeError, match="the first block failed"):
        run()
    assert len(begun) < 100


def test_anything_with_a_map_will_do() -> None:
    class Backwards:
        """Works on the last task first and returns answers in the order of the tasks."""

        def map(self, function: Callable[[Any], Any], tasks: Iterable[Any], /) -> Iterator[Any]:
            return reversed([function(task) for task in reversed(list(tasks))])

    assert run_all(str, [3, 1, 2], Backwards()) == ["3", "1", "2"]
