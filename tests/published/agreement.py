"""When the compiled physics and the independent integration agree on a node, and where they cannot be asked to.

Margins must agree within 1 mV, the start within 0.1 us (or the time in which V_in climbs by a quarter of a
millivolt: a piezoelectric element takes its time), a brown-out or completion within 2 us or the time in
which V_in moves by 1 mV. A margin at the first instant of the first step is taken where V_in climbs by
millivolts a microsecond: 0.1 us of that climb comes on top.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
from kernel_node import outcome_of, run_node
from reference_node import ReferenceNode, ReferenceResult

from yieldsim.kernel import layout as at

MILLIVOLT = 1e-3
SOONEST = 0.1e-6  # [s] by which the start may be off
CLIMB = 0.25e-3  # [V]
MOMENT = 2e-6  # [s] by which brown-out and completion may be off, or the time of a millivolt if longer

Pair = tuple[ReferenceNode, ReferenceResult]
Change = Callable[[ReferenceNode], ReferenceNode]

COLUMNS = {
    "reserve": at.RESERVE,
    "start_margin": at.START_MARGIN,
    "run_margin": at.RUN_MARGIN,
    "start_time": at.START_TIME,
    "brown_out_time": at.BROWN_OUT_TIME,
    "complete_time": at.COMPLETE_TIME,
}


def branches(node: ReferenceNode, result: ReferenceResult) -> bool:
    """Whether a millivolt decides how the actuation goes on: a stroke that peaks so near V_start, a gate, a further
    start, or two starts as good as each other.
    """
    close = [peak - node.start_voltage for peak in result.stroke_peaks]
    close += [*result.gate_margins, result.restart_excess]
    ranked = sorted(result.run_margins, reverse=True)
    close += [better - worse for better, worse in pairwise(ranked)]
    if node.restart:
        close += result.run_margins
    return any(abs(x) <= MILLIVOLT for x in close)


def undecided(node: ReferenceNode, result: ReferenceResult) -> bool:
    """Whether the outcome hangs on a millivolt."""
    return min(abs(result.start_margin), abs(result.run_margin)) <= MILLIVOLT or branches(node, result)


def allowed(result: ReferenceResult) -> dict[str, float]:
    """By how much each answer may differ [V] or [s]."""
    moment = max(MOMENT, MILLIVOLT / abs(result.end_slope)) if result.end_slope else math.inf
    return {
        "reserve": MILLIVOLT,
        "start_margin": MILLIVOLT,
        "run_margin": MILLIVOLT + SOONEST * abs(result.first_slope),
        "start_time": max(SOONEST, CLIMB / result.start_slope) if result.start_slope > 0.0 else SOONEST,
        "brown_out_time": moment,
        "complete_time": moment,
    }


def differences(result: ReferenceResult, values: np.ndarray) -> dict[str, float]:
    """Each answer's difference; times only where the two agree that there is one."""
    found = {}
    for name, column in COLUMNS.items():
        right = getattr(result, name)
        if right is None or (name.endswith("_time") and math.isnan(values[column])):
            continue
        found[name] = float(values[column]) - right
    return found


def unchanged(node: ReferenceNode) -> ReferenceNode:
    return node


def faults_of(node: ReferenceNode, result: ReferenceResult, values: np.ndarray, codes: np.ndarray) -> list[str]:
    """What the kernel answers differently about one node."""
    lines = []
    outcome = outcome_of(node, codes[at.OUTCOME])
    if not undecided(node, result):
        if outcome != result.outcome:
            lines.append(f"{outcome}, not {result.outcome}")
        if codes[at.STARTS] != result.starts:
            lines.append(f"{codes[at.STARTS]} starts, not {result.starts}")
    if branches(node, result):
        return lines
    limits = allowed(result)
    return lines + [
        f"{name} off by {difference:.3g}, allowed {limits[name]:.3g}"
        for name, difference in differences(result, values).items()
        if not abs(difference) <= limits[name]
    ]


def faults(pairs: Sequence[Pair], changed: Change = unchanged, accuracy: float = 0.5e-3) -> list[str]:
    """What the kernel answers differently, a line each; ``changed`` makes the node that it runs."""
    return [
        f"{index}: {line}"
        for index, (node, result) in enumerate(pairs)
        for line in faults_of(node, result, *run_node(changed(node), accuracy))
    ]
