"""Actuations worth opening: the right ones are listed, and each opens again to the same bits."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from shipped import NAMES, one_cell, shipped

from yieldsim.analysis.actuation import actuation
from yieldsim.analysis.addresses import Address, addresses_of
from yieldsim.analysis.yields import YieldResult, yields
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.engine.tally import Tally, merge, tally_rows
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

KINDS = ("worst", "nearest the edge", "median failing")
STRENGTH = ("harvester.peak_emf", "harvester.open_circuit_swing", "harvester.energy", "harvester.emf_waveform.scale")


def bits(value: float) -> bytes:
    """Return the eight octets of a double (IEEE 754 binary64): two that are equal may still differ as -0 and 0 do."""
    return np.float64(value).tobytes()


def weakened(design: Design, share: float) -> Design:
    """Return a design whose source gives less, so that some of its actuations fail."""
    (name,) = [name for name in STRENGTH if name in design.parameters]
    return design.with_nominal(name, share * design.parameters[name].nominal)


@pytest.mark.parametrize("name", NAMES)
def test_what_is_listed_opens_to_the_same_bits(name: str) -> None:
    whole = shipped(name)
    hot = Condition(max(whole.conditions.temperatures), max(whole.conditions.ages))
    settings = Settings(units=24, actuations=4, threads=1, seed=515)
    for share in (0.85, 0.7, 0.55, 0.45):
        design = one_cell(weakened(whole, share), hot.temperature, hot.age)
        found = yields(design, settings).addresses
        if found["median failing"]:
            break
    for kind in KINDS:
        assert found[kind], kind
        for a in {found[kind][0], found[kind][-1]}:
            assert (a.temperature_degC, a.age_yr) == (hot.temperature, hot.age)
            opened = actuation(design, settings, hot, (a.unit, a.actuation))
            assert bits(opened.voltage_margin_V) == bits(a.voltage_margin_V)
            assert opened.outcome == a.outcome
            assert opened.address == (a.unit, a.actuation)
    assert found["not finished"] == ()
    # negative control: the actuation beside it has another margin
    a = found["worst"][0]
    other = actuation(design, settings, hot, (a.unit, a.actuation + 1))
    assert bits(other.voltage_margin_V) != bits(a.voltage_margin_V)


@pytest.fixture(scope="module")
def every(small: Design) -> list[Address]:
    """Every actuation of the run `found`, by cell, unit and number."""
    response, listed = Response(small, Settings(units=64, actuations=8)), []
    rows = np.array([[u, u, k] for u in range(64) for k in range(8)])
    for age, temperature in product(small.conditions.ages, small.conditions.temperatures):
        base, scale = response.unit_base(np.arange(64), Condition(temperature, age))
        values, codes = run(response.kernel, base, scale, rows, accuracy=response.settings.accuracy)
        listed += [
            Address(temperature, age, int(u), int(k), response.outcome_names[int(code)], float(g))
            for (_, u, k), code, g in zip(rows, codes[:, at.OUTCOME], values[:, at.VOLTAGE_MARGIN], strict=True)
        ]
    return listed


def test_the_worst_and_the_nearest_are_those_of_all_actuations(found: YieldResult, every: list[Address]) -> None:
    margins = [a.voltage_margin_V for a in every]
    assert [a.voltage_margin_V for a in found.addresses["worst"]] == sorted(margins)[:10]
    nearest = [abs(a.voltage_margin_V) for a in found.addresses["nearest the edge"]]
    assert nearest == sorted(abs(g) for g in margins)[:10]
    assert set(found.addresses["worst"]) | set(found.addresses["nearest the edge"]) <= set(every)


def test_the_median_failing_lie_in_the_middle_of_all_that_fail(found: YieldResult, every: list[Address]) -> None:
    failing = sorted(a.voltage_margin_V for a in every if a.outcome != "complete")
    listed = found.addresses["median failing"]
    assert set(listed) <= {a for a in every if a.outcome != "complete"}
    ranks = np.searchsorted(failing, [a.voltage_margin_V for a in listed]) / len(failing)
    # taken from the middle of 100 at random: beyond the quartiles with a chance of P(B(100, 1/4) > 44) = 1e-5, once and
    # for all, since neither units nor ranks depend on anything but the seed of the run
    assert 0.25 < ranks.min() <= ranks.max() < 0.75
    assert list(ranks) == sorted(ranks)


def tally_of(first: int, margins: np.ndarray) -> Tally:
    """Tally actuations with these margins, of units from ``first`` on with ten each; those below 0 fail."""
    units = len(margins) // 10
    rows = np.array([[u, first + u, k] for u in range(units) for k in range(10)])
    values, codes = np.zeros((len(rows), at.VALUES)), np.zeros((len(rows), at.CODES), dtype=np.int64)
    values[:, at.VOLTAGE_MARGIN] = margins
    codes[:, at.OUTCOME] = np.where(margins < 0.0, at.NEVER_STARTED, at.COMPLETE)
    codes[~np.isfinite(margins), at.OUTCOME] = at.NOT_FINISHED
    return tally_rows(rows, values, codes, units=units, actuations=10, steps=1, attempts=1)


OUTCOMES = {at.COMPLETE: "complete", at.NEVER_STARTED: "never started", at.NOT_FINISHED: "not finished"}


@pytest.mark.parametrize("seed", [61, 902, 7718])
def test_of_many_failures_typical_ones_are_taken(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cells = [rng.normal(mean, 0.3, 4000) for mean in (-1.0, 0.5)]
    conditions = [Condition(60.0, 5.0), Condition(25.0, 0.0)]
    tallies = [merge([tally_of(0, margins[:2000]), tally_of(200, margins[2000:])]) for margins in cells]
    found = addresses_of(OUTCOMES, conditions, tallies)
    failing = np.sort(np.concatenate(cells)[np.concatenate(cells) < 0.0])
    listed = np.array([a.voltage_margin_V for a in found["median failing"]])
    # the middle ten of 100 at random lie within the fifth and the four fifths of all: P(B(100, 1/5) > 44) = 1e-8, on
    # two sides and for three seeds
    low, high = np.quantile(failing, [0.2, 0.8])
    assert low < listed.min() <= listed.max() < high
    assert not low < found["worst"][0].voltage_margin_V < high  # negative control
    for a in (a for kind in KINDS for a in found[kind]):
        cell = cells[conditions.index(Condition(a.temperature_degC, a.age_yr))]
        assert cell[10 * a.unit + a.actuation] == a.voltage_margin_V
    assert found["worst"][0].voltage_margin_V == min(c.min() for c in cells)
    assert abs(found["nearest the edge"][0].voltage_margin_V) == min(np.abs(c).min() for c in cells)


def test_what_is_no_number_is_listed_as_not_finished_alone() -> None:
    margins = np.linspace(-0.2, 0.9, 40)
    margins[[7, 23]] = np.nan
    found = addresses_of(OUTCOMES, [Condition(25.0, 0.0)], [tally_of(5, margins)])
    assert [(a.unit, a.actuation, a.outcome) for a in found["not finished"]] == [
        (5, 7, "not finished"),
        (7, 3, "not finished"),
    ]
    for kind in KINDS:
        assert all(np.isfinite(a.voltage_margin_V) for a in found[kind])
        assert len(found[kind]) == min(10, (margins < 0.0).sum() if kind == "median failing" else 10)


def test_without_a_failure_there_is_no_typical_one() -> None:
    found = addresses_of(OUTCOMES, [Condition(25.0, 0.0)], [tally_of(0, np.linspace(0.1, 0.9, 40))])
    assert found["median failing"] == ()
    assert len(found["worst"]) == 10
