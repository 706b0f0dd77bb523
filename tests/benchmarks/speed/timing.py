"""Clocks: is the machine idle, how fast is it, and what does one thing cost beside another."""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np

BUSY_LOAD = 0.5  # runnable processes in the mean of the last minute, before anything was measured
BUSY_RATIO = 1.2  # two threads, each with the work of one, against one
LEAST_SHARE = 0.95  # of the wall time that a thread must have had a core
NORMALS = 2_000_000

Work = Callable[[], object]
Clock = Callable[[], float]


def seconds(work: Work, clock: Clock = time.perf_counter) -> float:
    """Time of one call [s], by the wall unless another clock is named."""
    begin = clock()
    work()
    return clock() - begin


def interleaved(repeats: int, *works: Work, clock: Clock = time.perf_counter) -> list[list[float]]:
    """Times [s] of each work, measured A B C A B C ..., so that all see the same machine."""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(repeats):
        for mine, work in zip(times, works, strict=True):
            mine.append(seconds(work, clock))
    return times


def in_turns(repeats: int, *works: Work) -> list[list[float]]:
    """Processor times [s] of works that run on one thread: what else the machine does hardly shows in their ratios."""
    return interleaved(repeats, *works, clock=time.process_time)


def median_ratio(a: list[float], b: list[float]) -> float:
    """Median of the ratios a/b of what was measured side by side."""
    return statistics.median(x / y for x, y in zip(a, b, strict=True))


def spread(times: list[float]) -> float:
    """Largest over smallest."""
    return max(times) / min(times)


@dataclass
class Machine:
    """What the machine does beside this program, and its yardstick: the time of one normal number by numpy."""

    load: float = field(default_factory=lambda: os.getloadavg()[0])
    cores: int = field(default_factory=lambda: len(os.sched_getaffinity(0)))
    calibrations: list[dict[str, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._angles = np.linspace(0.0, 1.0, 4096)
        self._normals = np.empty(NORMALS)
        self._generator = np.random.default_rng(20260101)
        self._loop()

    def _loop(self) -> float:
        """A fixed loop of numpy that stays in the cache and holds no lock; the share of a core it was given."""
        sines = np.empty_like(self._angles)
        begin, used = time.perf_counter(), time.thread_time()
        for _ in range(3000):
            np.sin(self._angles, out=sines)
        return (time.thread_time() - used) / (time.perf_counter() - begin)

    def calibrate(self) -> str | None:
        """Why the machine is not idle; None where it is.

        The loop is run twice on two threads and once on one: on two idle cores both take as long. A thread that did
        not have a core to itself says so by its own clock.
        """
        shares: list[float] = []
        one = seconds(lambda: shares.append(self._loop()))
        two = one
        if self.cores > 1:
            with ThreadPoolExecutor(2) as pool:
                two = seconds(lambda: shares.extend(pool.map(lambda _: self._loop(), range(2))))
        found = {"one_s": one, "two_over_one": two / one, "least_share": min(shares)}
        self.calibrations.append(found)
        best = min(c["one_s"] for c in self.calibrations)
        if self.load > BUSY_LOAD:
            return f"the load before the run was {self.load:.2f}"
        if two / one > BUSY_RATIO:
            return f"two threads took {two / one:.2f} times as long as one"
        if min(shares) < LEAST_SHARE:
            return f"a thread had a core for {min(shares):.0%} of the time only"
        if one > BUSY_RATIO * best:
            return f"the fixed loop took {one / best:.2f} times as long as before"
        return None

    def draw_normals(self) -> None:
        """The yardstick's work: `NORMALS` standard normal numbers into memory that is there already."""
        self._generator.standard_normal(out=self._normals)

    def absolute(self, work: Work, count: int, repeats: int) -> Absolute:
        """Time of one of ``count`` things [ns] and of one normal, measured in turns, idle before and after."""
        why = self.calibrate()
        own, normals = interleaved(repeats, work, self.draw_normals)
        why = why or self.calibrate()
        return Absolute(
            1e9 * statistics.median(own) / count, 1e9 * statistics.median(normals) / NORMALS, spread(own), why
        )


@dataclass(frozen=True)
class Absolute:
    """Nanoseconds of one thing and of one numpy normal; ``busy`` says why they cannot be told."""

    ns: float
    normal_ns: float
    spread: float
    busy: str | None

    @property
    def yardstick(self) -> float:
        return self.ns / self.normal_ns
