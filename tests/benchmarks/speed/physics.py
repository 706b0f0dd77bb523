"""Rows of the physics: alone, on two threads, against an adaptive solver and against vectorised numpy."""

from __future__ import annotations

import statistics
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from itertools import product

import numpy as np

from tests.benchmarks.speed import ode, stepped
from tests.benchmarks.speed.demo import ACCURACY, SEGMENTS, Margins, Plain
from tests.benchmarks.speed.rows import Bench, Row, rate_row
from tests.benchmarks.speed.timing import in_turns, interleaved, median_ratio, seconds

GIVEN = "physics alone: draws of link and press given"
LESS = "the peer answers less: no link, no peaks, no ratings"


def _parts(bench: Bench) -> list[slice]:
    """Slices of whole units, several for each thread."""
    size = 4096
    return [slice(k, k + size) for k in range(0, len(bench.draws), size)]


def _one(bench: Bench, work: Callable[[slice], object]) -> Callable[[], object]:
    return lambda: [work(part) for part in _parts(bench)]


def _two(bench: Bench, work: Callable[[slice], object], pool: ThreadPoolExecutor) -> Callable[[], object]:
    return lambda: list(pool.map(work, _parts(bench)))


def alone(bench: Bench) -> list[Row]:
    """Actuations a second of the compiled loop, on one thread and on two."""
    _ = bench.warmed
    draws, rows = bench.draws, []
    with ThreadPoolExecutor(2) as pool:
        for name, work in ((GIVEN, draws.given), ("physics with its draws by address", draws.by_address)):
            asked = {"goal": 1e6, "aim": 2e6} if name == GIVEN else {}
            found = bench.machine.absolute(_one(bench, work), len(draws), bench.repeats)
            rows.append(rate_row(f"{name}, one thread", found, errors=bench.own_errors))
            found = bench.machine.absolute(_two(bench, work, pool), len(draws), bench.repeats)
            rows.append(rate_row(f"{name}, two threads", found, errors=bench.own_errors, **asked))
    return rows


def threads(bench: Bench) -> list[Row]:
    """Two threads against one, on the physics."""
    _ = bench.warmed
    if bench.machine.cores < 2:
        return [Row("two threads against one", None, "x", 1.85, note="one core")]
    why = bench.machine.calibrate()
    with ThreadPoolExecutor(2) as pool:
        work = bench.draws.by_address
        one, two = interleaved(bench.repeats, _one(bench, work), _two(bench, work, pool))
    why = why or bench.machine.calibrate()
    if why is not None:
        return [Row("two threads against one", None, "x", 1.85, note=why)]
    return [Row("two threads against one", median_ratio(one, two), "x", 1.85, errors=bench.own_errors)]


# ---- against an adaptive solver ----


def against_solver(bench: Bench) -> list[Row]:
    """One call a stretch of the fastest method at its loosest sufficient tolerance."""
    _ = bench.warmed
    count = 8 if bench.quick else 24
    chosen = bench.sample[:count]
    plain, exact = bench.draws.plain.rows(chosen), _first(bench.exact, count)
    solvers = {}
    for method in ode.METHODS:
        found = ode.loosest(plain, exact, method, ACCURACY)
        if found is not None:
            solvers[method] = ode.Solver(plain, method, found[0]), found
    times = {
        method: min(seconds(partial(solver.margins, full=False)) for _ in range(3))
        for method, (solver, _) in solvers.items()
    }
    fastest = min(times, key=times.__getitem__)
    solver, (tolerance, errors) = solvers[fastest]
    plainer = ode.Solver(plain, fastest, tolerance, stepped=True)
    parts = _parts(bench)[:: 1 if bench.quick else 4]  # whole units, as the engine runs them
    n = sum(len(bench.draws.rows[part]) for part in parts)
    solved, stepped_, own = in_turns(
        bench.repeats, lambda: solver.margins(full=False), lambda: plainer.margins(full=False),
        lambda: [bench.draws.planned(part) for part in parts],
    )  # fmt: skip
    told = {
        "method": fastest,
        "tolerance": tolerance,
        "others": {
            m: {"tolerance": f[0], "ms": 1e3 * times[m] / count, "errors": f[1]} for m, (_, f) in solvers.items()
        },
        "own_errors": bench.own_errors,
    }
    scale = n / count
    how = f"{fastest} at {tolerance:.1e}, {1e3 * statistics.median(solved) / count:.2g} ms; {LESS}"
    also = f"{fastest} at {tolerance:.1e}; stretches without source current in one plain step; {LESS}"
    return [
        Row("against one adaptive solve an actuation", scale * median_ratio(solved, own), "x", 4000.0, aim=10000.0,
            errors=errors, note=how, details=told),
        Row("the same, solved only while the source gives", scale * median_ratio(stepped_, own), "x",
            errors=plainer.margins().errors(exact), note=also),
    ]  # fmt: skip


def _first(margins: Margins, count: int) -> Margins:
    return Margins(margins.reserve[:count], margins.start[:count], margins.run[:count])


# ---- against vectorised numpy ----


def sufficient(plain: Plain, exact: Margins, formula: str, limit: float) -> tuple[stepped.Plan, dict[str, float]]:
    """The plan of the formula with the fewest evaluations whose largest error is within ``limit`` [V]."""
    plans = [stepped.Plan(formula, *steps) for steps in product(range(2, 25), (1, 2), range(2, 21))]
    for plan in sorted(plans, key=lambda plan: 0.6 * plan.off + plan.starting + plan.loaded):
        try:
            with np.errstate(all="ignore"):  # too few steps run away
                errors = stepped.margins(plain, plan).errors(exact)
        except RuntimeError:
            continue
        if max(errors.values()) <= 1e3 * limit:
            return plan, errors
    raise RuntimeError(f"no plan of {formula} meets {limit} V")


def against_numpy(bench: Bench) -> list[Row]:
    """The fastest of three formulas with just enough steps, in blocks of 4,096."""
    _ = bench.warmed
    draws, p = bench.draws, bench.draws.plain
    sample = p.rows(bench.sample)
    blocks = [p.rows(part) for part in _parts(bench)[:: 1 if bench.quick else 4]]
    own_parts = _parts(bench)[:: 1 if bench.quick else 4]
    found = {}
    for formula in stepped.FORMULAS:
        plan, errors = sufficient(sample, bench.exact, formula, ACCURACY)
        peer = stepped.Stepped(p.bias, plan)
        peer.block(blocks[0])
        found[formula] = peer, errors, min(seconds(partial(peer.block, blocks[0])) for _ in range(3))
    fastest = min(found, key=lambda formula: found[formula][2])
    peer, errors, _ = found[fastest]
    theirs, own = in_turns(
        bench.repeats, lambda: [peer.block(block) for block in blocks], lambda: [draws.planned(k) for k in own_parts]
    )
    plan = peer.plan
    told = {
        "plan": plan._asdict(),
        "block": stepped.BLOCK,
        "others": {f: {"plan": one.plan._asdict(), "errors": e} for f, (one, e, _) in found.items()},
        "own_errors": bench.own_errors,
        "segments": SEGMENTS,
    }
    how = (
        f"{plan.formula}, {plan.off} + {plan.starting} + {plan.loaded} steps, one thread each; {LESS}, no error control"
    )
    ratio = median_ratio(theirs, own)
    return [Row("against vectorised numpy", ratio, "x", 5.0, aim=10.0, errors=errors, note=how, details=told)]
