"""Unit yield of simulated units against its closed form, at 5, 20 and 200 presses of each unit.

The store is charged at the release to V0, normal between units and normal between presses of one unit, and V0 decides
alone: the start margin is V0 - V_start, and what the load takes of a store of 1 mF is less than V_start is above the
lowest supply. With unit means N(4, 1) in units of the presses' standard deviation, a unit's completion is
Phi(mu_u) (normal theory, as in any textbook on tolerance intervals), and the share of units that reach r is
Y(r) = Phi(4 - Phi^-1(r)). Counted presses read it wrong: a unit without a failure in n presses passes for r, so that
the expected reading is E[Phi(mu_u)^n].
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from yieldsim.analysis.yields import YieldResult, yields
from yieldsim.design.reading import design_from_toml
from yieldsim.engine.cells import run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at

SEEDS = {"alder": 20_011, "birch": 481_516, "cedar": 90_210}
UNITS = 2_000
REQUIRED = 0.999
TRUTH = float(stats.norm.cdf(4.0 - stats.norm.ppf(REQUIRED)))  # 0.8186
# 2 bounds, 3 numbers of presses, 3 seeds, two designs: 36 bounds that fail once in 4e7, 9e-7 in all
SURE = 1.0 - 2.5e-8
# V_start = 2 V, presses 20 mV, units 20 mV about V_start + 4 * 20 mV
DESIGN = """
title = "Charged at the release"
[conditions]
temperatures = ["25 degC"]
ages = ["0 yr"]
[requirement]
completion = "99.9 %"
unit_yield = "80 %"
[rectifier]
kind = "full bridge"
forward_drop = "0.3 V"
[storage]
esr = "0 ohm"
capacitance = "1 mF"
initial_voltage = { nominal = "2.08 V", tolerance = [{ level = "unit", sigma = "20 mV" }, PRESSES] }
[regulator]
kind = "direct"
start_voltage = START
[radio]
minimum_supply = "1.5 V"
[[radio.sequence]]
step = "send"
frame = { octets = 20, bit_rate = "250 kbit/s", overhead_octets = 6 }
current = "9 mA"
"""
ONE = DESIGN.replace("PRESSES", '{ level = "actuation", sigma = "20 mV" }').replace("START", '"2 V"')
# the same standard deviation from two variables, 12 mV and 16 mV: one is integrated, the other drawn
TWO = DESIGN.replace("PRESSES", '{ level = "actuation", sigma = "16 mV" }').replace(
    "START", '{ nominal = "2 V", tolerance = { level = "actuation", sigma = "12 mV" } }'
)


def simulated(text: str, seed: int, presses: int) -> YieldResult:
    settings = Settings(units=UNITS, actuations=presses, seed=seed, confidence=SURE, threads=1)
    return yields(design_from_toml(text), settings)


@pytest.mark.parametrize("presses", [5, 20, 200])
@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_bounds_hold_the_closed_form(seed: int, presses: int) -> None:
    (exact,), (drawn,) = (simulated(text, seed, presses).cells for text in (ONE, TWO))
    assert exact.unit_yield is not None
    assert drawn.unit_yield is not None
    assert exact.unit_yield.low <= TRUTH <= exact.unit_yield.high
    assert drawn.unit_yield.low <= TRUTH <= drawn.unit_yield.high
    assert exact.unit_yield.high - exact.unit_yield.low < 0.12
    assert drawn.unit_yield.low > 0.3  # few draws make it wide, not empty
    # 6 standard errors of 0.0086: false alarm 2e-9
    assert exact.unit_yield.value == pytest.approx(TRUTH, abs=0.052)


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_completion_of_each_unit_is_its_closed_form(seed: int) -> None:
    response = Response(design_from_toml(ONE), Settings(seed=seed))
    units = np.arange(UNITS)
    answer = run_block(response, Condition(25.0, 0.0), units, 1, REQUIRED)
    base, _ = response.unit_base(units, Condition(25.0, 0.0))
    truth = stats.norm.cdf((base[:, at.INITIAL_VOLTAGE] - 2.0) / 0.02)
    completion = answer.completion
    assert completion is not None
    assert completion.sampling is None  # nothing but the pivot differs from press to press
    # beyond five standard deviations of a press the sign is taken to stay as it is
    beyond = stats.norm.cdf(-5.0)
    assert (completion.low <= truth + beyond).all()
    assert (truth <= completion.high + beyond).all()
    # narrow where the requirement is decided
    near = np.abs(truth - REQUIRED) < 5e-3
    assert (completion.high - completion.low)[near].max() < 1e-5


@pytest.mark.parametrize("presses", [5, 20, 200])
@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_negative_control_counted_presses_read_it_wrong(seed: int, presses: int) -> None:
    response = Response(design_from_toml(ONE), Settings(seed=seed))
    tally = run_block(response, Condition(25.0, 0.0), np.arange(UNITS), presses, None).tally
    passing = int((tally.completed >= REQUIRED * presses).sum())
    reading, _ = integrate.quad(
        lambda m: stats.norm.cdf(m) ** presses * stats.norm.pdf(m, 4.0, 1.0), -4.0, 12.0, epsabs=1e-12
    )
    # the tally reads what theory says it must read, two-sided 1e-7 for each of nine ...
    assert stats.binomtest(passing, UNITS, reading).pvalue > 1e-7
    # ... and its own exact interval, at the confidence of the bounds above, misses the truth
    interval = stats.binomtest(passing, UNITS).proportion_ci(2.0 * SURE - 1.0, method="exact")
    assert interval.low > TRUTH
