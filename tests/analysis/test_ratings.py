"""Ratings used: against order statistics, closed forms, the run of `yields`, and actuations opened again."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.analysis.actuation import actuation
from yieldsim.analysis.rating_counts import count_stresses, edges_of, merge_counts, quantile_of
from yieldsim.analysis.ratings import RatingsResult, ratings
from yieldsim.analysis.worst_cases.answers import quantities_of
from yieldsim.analysis.yields import yields
from yieldsim.design.schema import Derating, Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.intervals import clopper_pearson_bounds
from yieldsim.estimate.quantiles import quantile_estimate
from yieldsim.words.errors import InputError

FEW = Settings(units=200, actuations=4, threads=1)
BENCH = Condition(25.0, 0.0)


@pytest.fixture(scope="module")
def bench(small: Design) -> Design:
    return replace(small, conditions=replace(small.conditions, temperatures=(25.0,), ages=(0.0,)))


@pytest.fixture(scope="module")
def told(bench: Design) -> RatingsResult:
    return ratings(bench, FEW)


def stresses(design: Design, settings: Settings, units: int = 400):
    """The store's voltage counted over all units, and the same as values (n, actuations) by opening the run."""
    from yieldsim.analysis.rating_counts import values_of

    asked = [a for a in quantities_of(design, settings.accuracy) if a.name == "store.voltage"]
    response = Response(design, settings)
    ids = np.arange(units)
    edges = edges_of(response, asked, BENCH)
    (counts,) = count_stresses(response, asked, [[3.3]], edges, BENCH, ids)
    (values,) = values_of(response, asked, BENCH, ids, settings.actuations)
    return counts, values


@pytest.mark.parametrize("probability", [0.05, 0.5, 0.95, 0.99])
def test_bounds_of_a_quantile_are_order_statistics_taken_to_the_next_edge(bench: Design, probability: float) -> None:
    # one actuation a unit makes them independent: Wilks (1941), computed by `quantile_estimate`
    counts, values = stresses(bench, replace(FEW, actuations=1))
    found = quantile_of(counts, probability, None, 0.95)
    exact = quantile_estimate(values, probability, 0.95)
    step = counts.edges[1] - counts.edges[0]
    if np.isfinite(exact.high):
        assert exact.high - 1e-12 <= found.high <= exact.high + step
    else:
        assert found.high == np.inf
    if np.isfinite(exact.low):
        assert exact.low - step <= found.low <= exact.low + 1e-12
    # near the end of the sample definitions of a quantile differ by the gap between neighbours
    gap = np.diff(np.sort(values, axis=None)[int(0.98 * values.size) :]).max() if probability > 0.9 else 0.0
    assert found.value == pytest.approx(exact.value, abs=step + gap)


def test_quantiles_beyond_the_units_have_no_bound(bench: Design) -> None:
    counts, _ = stresses(bench, replace(FEW, actuations=1), units=50)
    assert quantile_of(counts, 0.999, None, 0.95).high == np.inf  # 50 units show 94 % (success run)
    assert quantile_of(counts, 0.001, None, 0.95).low == -np.inf


def test_shares_within_a_limit_are_exact_counts(bench: Design) -> None:
    counts, values = stresses(bench, FEW)
    assert np.array_equal(counts.within[:, 0], (values <= 3.3).mean(axis=1))
    assert counts.largest == values.max()
    assert values[counts.unit, counts.actuation] == counts.largest
    k = 150
    assert counts.exceedance[k] == pytest.approx((values > counts.edges[k]).mean(), abs=1e-6)


def test_an_actuation_without_a_number_counts_as_above_everything(bench: Design) -> None:
    from yieldsim.analysis.rating_counts import _counted

    x = np.array([[1.0, np.nan], [0.5, 2.0]])
    counts = _counted(x, [1.5], np.array([0.0, 1.0, 3.0]), np.array([7, 9]))
    assert counts.below.tolist() == [[0.0, 0.5, 0.5], [0.0, 0.5, 1.0]]
    assert counts.within[:, 0].tolist() == [0.5, 0.5]
    assert (counts.unknown, counts.largest, counts.unit, counts.actuation) == (1, 2.0, 9, 1)
    blocks = merge_counts([[counts], [replace(counts, largest=5.0, unit=3)], [replace(counts, largest=4.0)]])
    assert (blocks[0].largest, blocks[0].unit, blocks[0].unknown, len(blocks[0].below)) == (5.0, 3, 3, 6)


def test_rules_and_largest_are_those_of_a_yield_run(bench: Design, told: RatingsResult) -> None:
    run = yields(bench, FEW)
    assert told.deratings == run.deratings
    assert [part for part in run.judged if part.name != "unit yield"] == list(told.judged)
    for name, use in run.cells[0].ratings.items():
        cell = told.worst(name)
        assert cell.largest == use.largest
        assert cell.quantiles[0.5].value == pytest.approx(use.median, abs=0.03)


def test_the_largest_stress_is_there_when_it_is_opened(bench: Design, told: RatingsResult) -> None:
    cell = told.worst("store.voltage")
    opened = actuation(bench, FEW, BENCH, (cell.unit_number, cell.actuation))
    assert opened.peak_voltage_V == cell.largest


def test_a_uniform_supply_has_its_closed_form(bench: Design) -> None:
    # 2.2 V uniform within ±2 %: a quarter of the units lie above +1 %, the worst is +2 % to the bit
    rule = Derating("radio.voltage", 2.2 * 1.01 / 3.6, 0.9)
    found = ratings(replace(bench, deratings=(rule,)), FEW).worst("radio.voltage")
    assert found.limit == pytest.approx(2.222)
    share = found.above_limit
    assert share.low < 0.25 < share.high
    k = round(share.value * FEW.units)
    assert (share.low, share.high) == pytest.approx(clopper_pearson_bounds(k, FEW.units, 0.95), rel=1e-5)
    assert found.extreme_value == pytest.approx(2.2 * 1.02, rel=1e-12)
    assert found.actuation == -1  # the same in every actuation of the unit
    assert found.quantiles[0.5].value == pytest.approx(2.2, abs=0.01)


def test_the_worst_case_is_worse_than_anything_simulated(told: RatingsResult) -> None:
    for cell in told.cells:
        assert cell.extreme_value >= cell.largest
        assert cell.quantiles[0.5].value <= cell.quantiles[0.99].value <= cell.quantiles[0.999].value <= cell.largest
        assert cell.word == "within"
    assert told.word == "within"
    assert told.reason.startswith("No rating was exceeded in 800 actuations of 200 units in the one condition")


def with_store_rating(design: Design, rating: float, *rules: Derating) -> Design:
    return replace(design, storage=replace(design.storage, voltage_rating=rating), deratings=rules)


def test_a_rating_that_half_of_the_actuations_pass_is_exceeded(bench: Design, told: RatingsResult) -> None:
    median = told.worst("store.voltage").quantiles[0.5].value
    found = ratings(with_store_rating(bench, median), FEW)
    cell = found.worst("store.voltage")
    assert (found.word, cell.word) == ("exceeded", "exceeded")
    assert cell.above_rating.low < 0.5 < cell.above_rating.high
    assert "take more than the rating store.voltage at 25 degC and 0 yr" in found.reason


def test_a_rating_that_the_worst_case_alone_passes_is_said_so(bench: Design, told: RatingsResult) -> None:
    cell = told.worst("store.voltage")
    found = ratings(with_store_rating(bench, 0.5 * (cell.largest + cell.extreme_value)), FEW)
    assert found.word == "within, not in the worst case"
    assert "With every tolerance at its extreme store.voltage would be exceeded." in found.reason


@pytest.mark.parametrize(("at_most", "share", "word"), [(0.05, 0.9, "not met"), (0.9, 0.9999, "undecided")])
def test_a_rule_decides_by_its_bounds(bench: Design, at_most: float, share: float, word: str) -> None:
    found = ratings(with_store_rating(bench, 10.0, Derating("store.voltage", at_most, share)), FEW)
    assert (found.word, found.deratings[0].verdict) == (word, word)
    # success run: ceil(ln 0.05 / ln 0.9999) = 29,956 units without a failure show 99.99 % at 95 %
    assert ("About 29,756 more units would decide it." in found.reason) == (word == "undecided")


def test_threads_change_nothing(bench: Design, told: RatingsResult, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("yieldsim.engine.rows.ROWS_AT_A_TIME", 64)
    assert json.dumps(ratings(bench, replace(FEW, threads=2)).as_json()) == json.dumps(told.as_json())


def test_a_design_without_ratings_is_refused(bench: Design) -> None:
    bare = replace(
        bench,
        source=None,
        deratings=(),
        storage=replace(bench.storage, voltage_rating=None),
        regulator=replace(bench.regulator, voltage_rating=None),
        radio=replace(bench.radio, maximum_supply=None),
    )
    with pytest.raises(InputError) as error:
        ratings(bare, FEW)
    assert str(error.value) == (
        "storage.voltage_rating: no rating is stated, so that there is nothing to compare a stress with; "
        'add it, storage.voltage_rating = "10 V" for one'
    )
