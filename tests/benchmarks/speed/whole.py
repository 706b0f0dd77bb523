"""Rows of the whole `yield`, of what drawing and laws cost beside the physics, and of the load sequence's length."""

from __future__ import annotations

import statistics
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from tests.benchmarks.speed.demo import ACCURACY, CONFIG, valve_turn
from tests.benchmarks.speed.rows import Bench, Row, rate_row
from tests.benchmarks.speed.timing import in_turns, median_ratio
from yieldsim import Condition, Settings, yields
from yieldsim.design.reading import design_from_toml
from yieldsim.design.schema import Design
from yieldsim.engine.response import Response
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

ACTUATIONS = 32
STEPS = (3, 6, 10, 15, 20, 30)
CONDITION = Condition(25.0, 0.0)


def _run(design: Design, settings: Settings) -> Callable[[], object]:
    return partial(yields, design, settings)


def whole(bench: Bench) -> list[Row]:
    """Actuations a second of `yields`: drawing, laws, physics and tally, and the completion of each unit beside it."""
    rows = []
    units = 128 if bench.quick else 6144
    design = valve_turn()
    cells = len(design.conditions.temperatures) * len(design.conditions.ages)
    tally_only = replace(design, requirement=None)
    for name, asked, threads, goal, aim in (
        ("yield: drawing, laws, physics, tally", tally_only, 2, 5e5, 1e6),
        ("yield: drawing, laws, physics, tally, one thread", tally_only, 1, None, None),
        ("yield with the completion of each unit", design, 2, None, None),
    ):
        settings = Settings(units=units, actuations=ACTUATIONS, threads=threads)
        yields(asked, replace(settings, units=2, actuations=1))
        found = bench.machine.absolute(_run(asked, settings), units * ACTUATIONS * cells, 1 if bench.quick else 5)
        note = f"{cells} conditions x {units} units x {ACTUATIONS} actuations"
        if asked is design:
            note += "; those that bound each unit's completion are run, but not counted"
        rows.append(rate_row(name, found, goal=goal, aim=aim, errors=bench.own_errors, note=note))
    return rows


def drawing_share(bench: Bench) -> list[Row]:
    """What drawing and laws cost for each actuation, over its physics; one thread, measured in turns."""
    _ = bench.warmed
    draws = bench.draws
    units = np.arange(1024)
    some = slice(0, min(len(draws), 1024 * ACTUATIONS))
    count = len(draws.rows[some])

    def unit_work() -> object:
        return draws.response.unit_base(units, CONDITION)

    unit_work()
    of_units, hashed, given = in_turns(
        max(bench.repeats, 5), unit_work, lambda: draws.by_address(some), lambda: draws.given(some)
    )
    of_unit = [t / len(units) / ACTUATIONS for t in of_units]
    in_loop = [(a - b) / count for a, b in zip(hashed, given, strict=True)]
    physics = [t / count for t in given]
    share = statistics.median((u + a) / p for u, a, p in zip(of_unit, in_loop, physics, strict=True))
    told = {
        "units_over_physics": median_ratio(of_unit, physics),
        "addressed_over_physics": statistics.median(a / p for a, p in zip(in_loop, physics, strict=True)),
    }
    note = f"{ACTUATIONS} actuations a unit; units {told['units_over_physics']:.2g}, in the loop the rest"
    return [Row("drawing and laws over physics", share, "x", 1.0, more=False, note=note, details=told)]


# ---- the length of the load sequence ----


def longer(steps: int) -> Design:
    """The demo with so many steps: short ones before the frame, each of 100 us at 0.5 mA."""
    text = CONFIG.read_text(encoding="utf-8")
    added = "".join(
        f'[[radio.sequence]]\nstep = "sense {k}"\nwhen = "once"\nduration = "100 us"\ncurrent = "0.5 mA"\n'
        for k in range(1, steps - 2)
    )
    mark = '[[radio.sequence]]\nstep = "transmit"'
    assert text.count(mark) == 1
    design = design_from_toml(text.replace(mark, added + mark))
    assert len(design.radio.sequence) == steps
    return design


class _Sequence:
    """The same units and actuations of one design, run with draws that do not hang on its length."""

    def __init__(self, design: Design, units: int) -> None:
        self.response = Response(design, Settings())
        self.base, self.scale = self.response.unit_base(np.arange(units), CONDITION)
        self.rows = np.zeros((units * ACTUATIONS, 3), dtype=np.int64)
        self.rows[:, at.ROW_UNIT] = self.rows[:, at.ROW_UNIT_ID] = np.repeat(np.arange(units), ACTUATIONS)
        self.rows[:, at.ROW_ACTUATION] = np.tile(np.arange(ACTUATIONS), units)

    def work(self) -> object:
        return run(self.response.kernel, self.base, self.scale, self.rows, accuracy=ACCURACY)


def growth(bench: Bench) -> list[Row]:
    """Cost of an actuation against the steps of its load sequence, measured in turns."""
    sequences = [_Sequence(longer(steps), 32 if bench.quick else 512) for steps in STEPS]
    for sequence in sequences:
        sequence.work()
    times = in_turns(max(bench.repeats, 7), *(sequence.work for sequence in sequences))
    cost = {steps: median_ratio(time, times[0]) for steps, time in zip(STEPS, times, strict=True)}
    told = {str(steps): value for steps, value in cost.items()}
    shown = ", ".join(f"{steps}: {value:.2f}" for steps, value in cost.items())
    line = cost[3] + (cost[15] - cost[3]) * (30 - 3) / (15 - 3)
    return [
        Row("cost of an actuation of 30 steps over one of 3", cost[30], "x", 10.0, more=False,
            note=f"10 is proportional; steps: cost: {shown}", details=told),
        Row("cost of an actuation of 30 steps over the line through 3 and 15", cost[30] / line, "x", 1.1, more=False,
            note="1 is linear; a tenth is left to the clock"),
    ]  # fmt: skip
