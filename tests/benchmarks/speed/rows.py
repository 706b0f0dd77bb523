"""What a benchmark tells, and what it may ask for."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from functools import cached_property
from typing import Any

from tests.benchmarks.speed.demo import Draws, FloatArray, IntArray, Margins
from tests.benchmarks.speed.timing import Absolute, Machine

NOT_MEASURED = "not measured"


@dataclass
class Row:
    """One line of the table.

    ``value`` is None where the machine was not idle, or nothing could be measured; ``goal`` is what is to be reached,
    at least or at most as ``more`` says, None for a line that is only told. ``yardstick`` is the time of one thing
    over that of one numpy normal, ``errors`` the largest ones [mV] of what was measured against the tight reference.
    """

    name: str
    value: float | None
    unit: str
    goal: float | None = None
    more: bool = True
    aim: float | None = None
    yardstick: float | None = None
    errors: dict[str, float] | None = None
    note: str = ""
    details: dict[str, Any] = field(default_factory=dict)

    @property
    def met(self) -> bool | None:
        if self.value is None or self.goal is None:
            return None
        return self.value >= self.goal if self.more else self.value <= self.goal

    def as_dict(self) -> dict[str, Any]:
        return asdict(self) | {"met": self.met}


def rate_row(name: str, found: Absolute, **more: Any) -> Row:
    """A speed in things a second, with its yardstick; left out where the machine was busy."""
    note = more.pop("note", "")
    if found.busy is not None:
        return Row(name, None, "1/s", note=_joined(note, found.busy), **more)
    details = {"ns": found.ns, "normal_ns": found.normal_ns, "spread": found.spread} | more.pop("details", {})
    return Row(name, 1e9 / found.ns, "1/s", yardstick=found.yardstick, note=note, details=details, **more)


def _joined(*notes: str) -> str:
    return "; ".join(note for note in notes if note)


@dataclass
class Bench:
    """What all benchmarks share: effort, machine, draws, and the tight answers they are held against."""

    quick: bool
    machine: Machine
    largest: bool = False  # 10^8 actuations for the memory

    @property
    def repeats(self) -> int:
        return 3 if self.quick else 9

    @cached_property
    def draws(self) -> Draws:
        """Actuations by the thousand, 32 of each unit, over all conditions of the demo."""
        return Draws(384 if self.quick else 3072, 32)

    @cached_property
    def sample(self) -> IntArray:
        """Rows whose exact answer is asked for."""
        return self.draws.sample(12 if self.quick else 96)

    @cached_property
    def exact(self) -> Margins:
        return self.draws.exact(self.sample)

    @cached_property
    def own_errors(self) -> dict[str, float]:
        """Of the compiled physics at the accuracy it is timed with."""
        return self.draws.margins(self.sample).errors(self.exact)

    @cached_property
    def warmed(self) -> FloatArray:
        """Compile everything that is timed."""
        self.draws.by_address(slice(0, 2))
        self.draws.given(slice(0, 2))
        return self.draws.planned(slice(0, 2))[0]
