"""Ratings used and derating rules."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from yieldsim.analysis.stress import (
    check_deratings,
    check_ratings,
    ratings_used,
    regulated_supply,
    rules_of,
    within_shares,
)
from yieldsim.analysis.yields import YieldResult, yields
from yieldsim.design.parameter import Tolerance
from yieldsim.design.schema import Derating, Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.frequencies import Frequencies
from yieldsim.kernel import layout as at
from yieldsim.words.errors import InputError

BENCH = Condition(25.0, 0.0)


def with_rules(design: Design, *rules: Derating) -> Design:
    return replace(design, deratings=rules)


def values(**columns: list[float]) -> np.ndarray:
    rows = np.zeros((len(next(iter(columns.values()))), at.VALUES))
    for name, numbers in columns.items():
        rows[:, getattr(at, name)] = numbers
    return rows


def test_a_rule_compares_the_peak_with_its_share_of_the_rating(small: Design) -> None:
    design = with_rules(small, Derating("store.voltage", 0.5, 0.9), Derating("regulator.voltage", 0.5, 0.9))
    store, regulator = rules_of(design)
    peaks = values(PEAK_VOLTAGE=[4.99, 5.0, 5.01, 6.0, 6.01, np.nan])  # ratings 10 V and 12 V
    assert store(peaks).tolist() == [True, True, False, False, False, False]
    assert regulator(peaks).tolist() == [True, True, True, True, False, False]


def test_current_and_reverse_voltage_have_columns_of_their_own(small: Design) -> None:
    rectifier = replace(small.rectifier, current_rating=0.2, reverse_rating=20.0)
    design = with_rules(
        replace(small, rectifier=rectifier),
        Derating("rectifier.current", 0.5, 0.9),
        Derating("rectifier.reverse", 0.5, 0.9),
    )
    current, reverse = rules_of(design)
    rows = values(PEAK_CURRENT=[0.05, 0.15], PEAK_REVERSE=[15.0, 5.0])
    assert current(rows).tolist() == [True, False]
    assert reverse(rows).tolist() == [False, True]


def test_a_regulated_radio_sees_the_set_voltage_of_its_unit(small: Design) -> None:
    response = Response(small, Settings())
    supply = regulated_supply(response, BENCH, np.arange(500))
    assert supply is not None
    assert supply.shape == (500, 1)
    assert supply.base is None  # a run keeps it: no view of everything else about the units
    assert 2.2 * 0.98 <= supply.min() < 2.17 < 2.23 < supply.max() <= 2.2 * 1.02
    design = with_rules(small, Derating("radio.voltage", 2.2 / 3.6, 0.9))
    tally = SimpleNamespace(derated=np.full((500, 1), 8), actuations=8)
    (share,) = within_shares(design, tally, supply)
    assert set(np.unique(share)) == {0.0, 1.0}
    # half of a symmetric spread; 5.5 sigma of a binomial of 500, false alarms below 1e-6
    assert abs(share.mean() - 0.5) < 5.5 * 0.5 / np.sqrt(500)


def test_a_set_voltage_that_varies_per_actuation_is_averaged_over_its_distribution(small: Design) -> None:
    output = replace(small.regulator.output, tolerances=(Tolerance("actuation", "uniform", True, -0.02, 0.02),))
    design = with_rules(small.with_parameter(output), Derating("radio.voltage", 2.2 * 1.01 / 3.6, 0.9))
    supply = regulated_supply(Response(design, Settings()), BENCH, np.arange(3))
    assert supply is not None
    (share,) = within_shares(design, SimpleNamespace(derated=None, actuations=8), supply)
    assert share == pytest.approx(0.75, abs=0.005)  # uniform over ±2 %, at most +1 %


def test_a_direct_supply_hands_the_input_to_the_radio(small: Design) -> None:
    regulator = replace(small.regulator, kind="direct", output=None, dropout=None, ground_share=None)
    design = with_rules(replace(small, regulator=regulator), Derating("radio.voltage", 1.0, 0.9))
    (rule,) = rules_of(design)
    assert rule(values(PEAK_VOLTAGE=[3.5, 3.7])).tolist() == [True, False]


def test_ratings_are_told_beside_what_is_used(found: YieldResult) -> None:
    for cell in found.cells:
        assert set(cell.ratings) == {"store.voltage", "regulator.voltage", "radio.voltage"}
        use = cell.ratings["store.voltage"]
        assert use.rating == 10.0
        assert 2.4 < use.median <= use.high <= use.largest < 10.0
        assert cell.ratings["radio.voltage"].largest <= 2.2 * 1.02


def test_ratings_left_out_are_not_told(small: Design) -> None:
    bare = replace(
        small,
        storage=replace(small.storage, voltage_rating=None),
        regulator=replace(small.regulator, voltage_rating=None),
        radio=replace(small.radio, maximum_supply=None),
    )
    assert ratings_used(bare, SimpleNamespace(histograms={}, extremes={})) == {}


def test_a_rule_without_its_rating_is_refused(small: Design) -> None:
    bare = replace(small, storage=replace(small.storage, voltage_rating=None))
    with pytest.raises(InputError) as error:
        check_ratings(replace(bare, source=None))
    assert str(error.value) == ("derating[1].of = store.voltage: its rating is missing; add storage.voltage_rating")


@pytest.mark.parametrize(
    ("within", "word", "cell"),
    [
        ([1.0, 1.0], "met", (25.0, 0.0)),
        ([1.0, 0.5], "not met", (60.0, 0.0)),
        ([1.0, 0.93], "undecided", (60.0, 0.0)),
    ],
)
def test_a_rule_is_met_only_in_every_cell(
    small: Design, within: list[float], word: str, cell: tuple[float, float]
) -> None:
    design = with_rules(small, Derating("store.voltage", 0.8, 0.9))
    shares = []
    for share in within:
        units = np.ones(200)
        units[: round((1.0 - share) * 200)] = 0.0
        shares.append([Frequencies.of(units)])
    checks, parts = check_deratings(design, [BENCH, Condition(60.0, 0.0)], shares, 0.95)
    assert (checks[0].verdict, parts[0].word) == (word, word)
    assert checks[0].worst_cell == cell


def test_a_broken_rule_breaks_the_verdict(small: Design) -> None:
    design = with_rules(small, Derating("store.voltage", 0.05, 0.9))
    eased = replace(design, requirement=replace(small.requirement, completion=0.01, unit_yield=0.5))
    result = yields(eased, Settings(units=16, actuations=2, threads=1))
    assert [part.word for part in result.judged][1:] == ["not met"]
    assert result.verdict.word == "not met"
    assert result.verdict.reason == (
        "At most 17.1 % of actuations keep store.voltage within 5 % of its rating at 25 degC and 0 yr, "
        "the worst condition for it (at 95 % confidence); 90 % is required."
    )  # 1 - 0.05**(1/16), the exact bound on nothing in 16 (Clopper and Pearson 1934)
