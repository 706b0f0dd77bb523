"""What was drawn beside nominal: it is what was simulated, it follows the stated tolerance, and all of it is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import kstest
from shipped import NAMES, shipped

from yieldsim.analysis.actuation import actuation
from yieldsim.analysis.drawn import drawn_values
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition, column_of
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at

BENCH, HOT = Condition(25.0, 0.0), Condition(60.0, 10.0)
SEEDS = (11, 2304, 60606)


@pytest.mark.parametrize("name", NAMES)
def test_drawn_values_stand_beside_the_nominal_of_their_condition(name: str) -> None:
    design = shipped(name)
    hot = Condition(max(design.conditions.temperatures), max(design.conditions.ages))
    opened, nominal = actuation(design, Settings(), hot, (5, 2)), actuation(design, Settings(), hot)
    assert nominal.drawn == ()
    assert opened.drawn
    rows = {row.name: row for row in opened.drawn}
    assert len(rows) == len(opened.drawn)
    for row in opened.drawn:
        assert (row.value, row.nominal, row.unit) == opened.values[row.name]
        if row.name in nominal.values:  # a coefficient of a law has no value of its own in the simulation
            assert row.nominal == pytest.approx(nominal.values[row.name][0], rel=1e-12)
        assert row.value != row.nominal
        if row.difference is None:
            assert row.nominal == 0.0
        else:
            assert row.difference * abs(row.nominal) == pytest.approx(row.value - row.nominal, rel=1e-9)
        if row.of_limit is not None:
            assert np.sign(row.of_limit) == np.sign(row.value - row.nominal)
    # whatever a unit draws is told, but what belongs to steps of another message
    drawn = {v.name for v in Response(design, Settings()).population.unit_variables}
    ran = {f"radio.{step.step}" for step in opened.steps}
    for missing in drawn - set(rows):
        assert missing.rsplit(".", 1)[0] not in ran
        assert missing.startswith("radio."), missing


def quiet(small: Design, **changes: object) -> Design:
    """Return the small design with nothing left to chance on the link: one attempt, no loss, no spread of arrival."""
    *steps, listen = small.radio.sequence
    assert listen.acknowledgement is not None
    spread = replace(listen.acknowledgement.spread, nominal=0.0)
    listen = replace(listen, acknowledgement=replace(listen.acknowledgement, spread=spread))
    loss = {name: replace(getattr(small.link, name), nominal=0.0) for name in ("frame_loss", "acknowledgement_loss")}
    link = replace(small.link, attempts=1, **loss)
    return replace(small, radio=replace(small.radio, sequence=(*steps, listen)), link=link, **changes)


@pytest.mark.parametrize("address", [(0, 0), (7, 3), (41, 5)])
def test_the_values_told_are_those_that_were_simulated(small: Design, address: tuple[int, int]) -> None:
    design = quiet(small)
    opened = actuation(design, Settings(), HOT, address)
    columns = column_of(design)
    given = {row.name: row.value for row in opened.drawn if row.name in columns}
    again = Response(design, Settings()).respond_at(given, HOT)
    # the same physics from the values told; a value within 1e-12 of its nominal is not told
    assert again.values[at.VOLTAGE_MARGIN] == pytest.approx(opened.voltage_margin_V, abs=1e-9)
    assert again.values[at.RESERVE] == pytest.approx(opened.reserve_V, abs=1e-9)
    # negative control: any one of the three farthest left out is another actuation
    for row in [row for row in opened.drawn if row.name in columns][:3]:
        less = {name: value for name, value in given.items() if name != row.name}
        left = Response(design, Settings()).respond_at(less, HOT).values
        pair = (opened.voltage_margin_V, opened.peak_voltage_V, opened.run_time_s, opened.start_time_s)
        assert tuple(left[[at.VOLTAGE_MARGIN, at.PEAK_VOLTAGE, at.RUN_TIME, at.START_TIME]]) != pair


@pytest.mark.parametrize("seed", SEEDS)
def test_drawn_values_follow_the_stated_tolerance(small: Design, seed: int) -> None:
    names = ("harvester.coil_resistance", "rectifier.forward_drop", "regulator.output", "regulator.start_voltage")
    names = (*names, "radio.boot.duration", "radio.boot.current")
    response, found = Response(small, Settings(seed=seed)), []
    for unit in range(50):
        rows = {r.name: r for r in drawn_values(response, BENCH, (unit, 0), response.replay(unit, 0, BENCH))}
        found += [rows[name].of_limit for name in names]  # independent of one another
    # "±5 %" is a uniform tolerance within these limits; the Kolmogorov-Smirnov test at 3e-7 for three seeds: a false
    # alarm in 9e-7
    assert max(map(abs, found)) <= 1.0
    assert kstest(found, "uniform", args=(-1.0, 2.0)).pvalue > 3e-7
    # negative control: a normal tolerance whose limits are at three standard deviations
    assert kstest(found, "norm", args=(0.0, 1.0 / 3.0)).pvalue < 3e-7
