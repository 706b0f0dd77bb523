"""Coverage of the completion interval, through the tally of simulated units that differ."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from yieldsim.design.reading import design_from_toml
from yieldsim.engine.cells import run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.intervals import clopper_pearson_bounds, mean_of_clusters

SEEDS = {"alder": 20_011, "birch": 481_516, "cedar": 90_210}
UNITS, PRESSES, REPEATS = 150, 20, 400
BETWEEN, WITHIN, AVERAGE = 60e-3, 20e-3, 80e-3
# The store is charged at the release, and its voltage alone decides: V0 - 2 V normal between units and between presses.
DESIGN = f"""
title = "Charged at the release"
[conditions]
temperatures = ["25 degC"]
ages = ["0 yr"]
[rectifier]
kind = "full bridge"
forward_drop = "0.3 V"
[storage]
esr = "0 ohm"
capacitance = "1 mF"
[storage.initial_voltage]
nominal = "{2.0 + AVERAGE} V"
tolerance = [{{ level = "unit", sigma = "{BETWEEN} V" }}, {{ level = "actuation", sigma = "{WITHIN} V" }}]
[regulator]
kind = "direct"
start_voltage = "2 V"
[radio]
minimum_supply = "1.5 V"
[[radio.sequence]]
step = "send"
frame = {{ octets = 20, bit_rate = "250 kbit/s", overhead_octets = 6 }}
current = "9 mA"
"""
# mean of Phi((m + b z) / w) over a standard normal z
TRUTH = float(stats.norm.cdf(AVERAGE / np.hypot(BETWEEN, WITHIN)))
# A bound that covers in 95 % of cases covers in fewer than 354 of 400 with a probability of 1e-7; 2 bounds, 3 seeds.
LEAST = int(stats.binom.ppf(1e-7, REPEATS, 0.95))


def completed(seed: int) -> np.ndarray:
    """Completed presses (REPEATS, UNITS), each repeat with units of its own."""
    response = Response(design_from_toml(DESIGN), Settings(seed=seed))
    return np.stack(
        [
            run_block(
                response, Condition(25.0, 0.0), np.arange(k * UNITS, (k + 1) * UNITS), PRESSES, None
            ).tally.completed
            for k in range(REPEATS)
        ]
    )


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_the_completion_interval_covers_where_a_pooled_one_does_not(seed: int) -> None:
    counts = completed(seed)
    held = {"clustered": np.zeros(2, dtype=int), "pooled": np.zeros(2, dtype=int)}
    for row in counts:
        estimate = mean_of_clusters(row / PRESSES, None, 0.95)
        pooled = clopper_pearson_bounds(int(row.sum()), UNITS * PRESSES, 0.95)
        held["clustered"] += estimate.low <= TRUTH, estimate.high >= TRUTH
        held["pooled"] += pooled[0] <= TRUTH, pooled[1] >= TRUTH
    assert (held["clustered"] >= LEAST).all()
    # negative control: pooled presses cover about 70 %, as a design effect of 1 + 19 * 0.7 makes them
    assert (held["pooled"] < 0.80 * REPEATS).all()
