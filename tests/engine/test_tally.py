"""What travels from a block: merging, histograms against numpy, exact lists, and numbers that are not finite."""

from __future__ import annotations

from dataclasses import fields
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yieldsim.design.reading import read_design
from yieldsim.engine.columns import Condition, column_of
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.engine.tally import (
    COUNTED,
    LONGEST_LIST,
    Tally,
    count_histogram,
    histogram_quantile,
    merge,
    outcome_place,
    scrambled,
    shortest,
    tally_rows,
)
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"
STEPS, ATTEMPTS, MESSAGES, ACTUATIONS = 3, 2, 3, 5
OUTCOMES = (
    *(at.COMPLETE, at.NEVER_STARTED, at.UNACKNOWLEDGED, at.NOT_FINISHED),
    *(at.BROWN_OUT, at.BROWN_OUT + 2, at.BROWN_OUT + at.CHANNEL_ACCESS),
)


def made(units: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows, values and codes as a run returns them, made up: 5 actuations a unit, margins in steps of 1 mV."""
    rng = np.random.default_rng(seed)
    n = units * ACTUATIONS
    rows = np.stack(
        [np.repeat(np.arange(units), ACTUATIONS), np.repeat(np.arange(units), ACTUATIONS) + 7000, np.arange(n)], axis=1
    )
    rows[:, at.ROW_ACTUATION] %= ACTUATIONS
    values = np.zeros((n, at.VALUES))
    for name, counted in COUNTED.items():
        values[:, counted.column] = rng.normal(0.0, 0.05, n) if name == "hold_up_s" else rng.normal(0.4, 0.2, n)
    values[:, at.VOLTAGE_MARGIN] = np.round(rng.normal(0.1, 0.05, n), 3)  # with ties
    codes = np.zeros((n, at.CODES), dtype=np.int64)
    codes[:, at.OUTCOME] = rng.choice(OUTCOMES, n, p=[0.7, 0.05, 0.05, 0.05, 0.05, 0.05, 0.05])
    codes[:, at.DELIVERED] = rng.random(n) < 0.9
    codes[:, at.SUFFICED] = values[:, at.VOLTAGE_MARGIN] >= 0.0
    codes[:, at.ATTEMPTS_USED] = rng.integers(1, ATTEMPTS + 1, n)
    codes[:, at.MESSAGE] = rng.integers(0, MESSAGES, n)
    codes[:, at.PARTIAL] = rng.random(n) < 0.2
    broken = codes[:, at.OUTCOME] == at.NOT_FINISHED
    values[broken] = np.nan
    return rows, values, codes


def tallied(part: tuple[np.ndarray, np.ndarray, np.ndarray], **more: object) -> Tally:
    rows, values, codes = part
    units = len(rows) // ACTUATIONS
    return tally_rows(
        rows, values, codes, units=units, actuations=ACTUATIONS, steps=STEPS, attempts=ATTEMPTS, messages=MESSAGES,
        derated=[lambda v: v[:, at.PEAK_VOLTAGE] < 0.5, lambda v: v[:, at.PEAK_CURRENT] < 0.2], **more,
    )  # type: ignore[arg-type]  # fmt: skip


def cut(part: tuple[np.ndarray, np.ndarray, np.ndarray], first: int, last: int) -> Tally:
    return tallied(tuple(a[first * ACTUATIONS : last * ACTUATIONS] for a in part))  # type: ignore[arg-type]


def assert_same(a: Tally, b: Tally) -> None:
    for field in fields(Tally):
        one, two = getattr(a, field.name), getattr(b, field.name)
        pairs = [(one, two)] if not isinstance(one, dict) else [(one[name], two[name]) for name in one]
        for x, y in pairs:
            np.testing.assert_array_equal(x, y, err_msg=field.name)


# --- merging --------------------------------------------------------------------------------------------------------


@settings(max_examples=30)
@given(st.integers(3, 90), st.lists(st.integers(1, 89), max_size=6), st.integers(0, 10**6))
def test_any_cut_merges_to_the_whole(units: int, cuts: list[int], seed: int) -> None:
    part = made(units, seed)
    edges = [0, *sorted({c for c in cuts if c < units}), units]
    pieces = [cut(part, a, b) for a, b in pairwise(edges)]
    assert_same(merge(pieces), tallied(part))


@settings(max_examples=20)
@given(st.integers(0, 10**6))
def test_merging_is_associative(seed: int) -> None:
    a, b, c = (cut(made(120, seed), *ends) for ends in ((0, 30), (30, 95), (95, 120)))
    assert_same(a.merged(b).merged(c), a.merged(b.merged(c)))


def test_other_numbers_of_actuations_do_not_merge() -> None:
    part = made(4, 1)
    other = tally_rows(*part, units=10, actuations=2, steps=STEPS, attempts=ATTEMPTS, messages=MESSAGES)
    with pytest.raises(ValueError, match="different actuations a unit"):
        tallied(part).merged(other)


# --- counts ---------------------------------------------------------------------------------------------------------


def test_counts_are_those_of_the_rows() -> None:
    rows, values, codes = made(200, 5)
    tally = tallied((rows, values, codes))
    outcome = codes[:, at.OUTCOME]
    by_unit = outcome.reshape(200, ACTUATIONS)
    np.testing.assert_array_equal(tally.completed, (by_unit == at.COMPLETE).sum(axis=1))
    np.testing.assert_array_equal(tally.delivered, codes[:, at.DELIVERED].reshape(200, -1).sum(axis=1))
    np.testing.assert_array_equal(tally.sufficed, codes[:, at.SUFFICED].reshape(200, -1).sum(axis=1))
    np.testing.assert_array_equal(tally.derated[:, 1], (values[:, at.PEAK_CURRENT] < 0.2).reshape(200, -1).sum(axis=1))
    assert tally.outcomes.sum() == 1000
    for code in OUTCOMES:
        assert tally.outcomes[outcome_place(np.array([code]), STEPS)[0]] == (outcome == code).sum()
    assert len(tally.outcomes) == at.BROWN_OUT + STEPS + 1
    for k in (1, 2):
        used = codes[:, at.ATTEMPTS_USED] == k
        assert tally.attempts[k].tolist() == [used.sum(), (used & (outcome == at.COMPLETE)).sum()]
        finite = used & np.isfinite(values[:, at.RESERVE])
        assert tally.reserve_by_attempts[k].sum() == finite.sum()
    done = outcome == at.COMPLETE
    for kinds, column, counts in ((MESSAGES, at.MESSAGE, tally.messages), (2, at.PARTIAL, tally.presses)):
        assert counts.shape == (200, kinds, 2)
        for k in range(kinds):
            these = codes[:, column] == k
            np.testing.assert_array_equal(counts[:, k, 0], these.reshape(200, -1).sum(axis=1))
            np.testing.assert_array_equal(counts[:, k, 1], (these & done).reshape(200, -1).sum(axis=1))
    np.testing.assert_array_equal(tally.reserve_by_attempts.sum(axis=0), tally.histograms["reserve_V"])
    assert tally.extremes["reserve_V"].tolist() == [
        np.nanmin(values[:, at.RESERVE]),
        np.nanmax(values[:, at.RESERVE]),
    ]


# --- histograms against numpy -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(COUNTED))
def test_counts_are_numpys(name: str) -> None:
    counted = COUNTED[name]
    rng = np.random.default_rng(11)
    x = rng.uniform(counted.low, counted.high, 20_000)
    found = count_histogram(counted, x)
    expected, _ = np.histogram(x, counted.edges)
    np.testing.assert_array_equal(found[1:-1], expected)
    outside = np.array([counted.low - 1e-9, counted.high + 1e-9, -1e300, 1e300, counted.high])
    assert count_histogram(counted, outside)[[0, -1]].tolist() == [2, 3]


@settings(max_examples=40)
@given(st.integers(1, 3000), st.floats(1e-4, 1.0 - 1e-4), st.floats(1e-3, 3.0), st.integers(0, 10**6))
def test_quantiles_are_numpys_within_a_bin(n: int, probability: float, spread: float, seed: int) -> None:
    counted = COUNTED["reserve_V"]
    x = np.random.default_rng(seed).normal(0.3, spread, n)
    found = histogram_quantile(counted, count_histogram(counted, x), probability)
    # numpy's inverted_cdf: the least value of which at least this share lies at or below
    exact = float(np.quantile(x, probability, method="inverted_cdf"))
    width = (counted.high - counted.low) / counted.bins
    assert abs(found - exact) <= width * (1.0 + 1e-6)


def test_quantiles_outside_the_edges_are_not_made_up() -> None:
    counted = COUNTED["peak_voltage_V"]
    for beyond in (1e6, -1.0):
        assert np.isnan(histogram_quantile(counted, count_histogram(counted, np.full(3, beyond)), 0.5))
    assert np.isnan(histogram_quantile(counted, count_histogram(counted, np.full(3, np.nan)), 0.5))


# --- lists ------------------------------------------------------------------------------------------------------------


def test_lists_are_exact_over_many_blocks() -> None:
    part = made(900, 3)
    rows, values, codes = part
    tally = merge([cut(part, k, k + 60) for k in range(0, 900, 60)])
    g, outcome = values[:, at.VOLTAGE_MARGIN], codes[:, at.OUTCOME]
    finite = np.isfinite(g)

    def first(rank: np.ndarray, chosen: np.ndarray) -> np.ndarray:
        order = sorted(np.flatnonzero(chosen), key=lambda r: (rank[r], rows[r, 1], rows[r, 2]))[:LONGEST_LIST]
        return np.array([[rank[r], rows[r, 1], rows[r, 2], outcome[r], g[r]] for r in order])

    np.testing.assert_array_equal(tally.worst, first(g, finite))
    np.testing.assert_array_equal(tally.nearest, first(np.abs(g), finite))
    np.testing.assert_array_equal(tally.failing, first(scrambled(rows), finite & (outcome != at.COMPLETE)))
    unfinished = first(np.zeros(len(rows)), outcome == at.NOT_FINISHED)
    assert len(unfinished) == LONGEST_LIST
    np.testing.assert_array_equal(tally.unfinished, unfinished)
    assert set(tally.unfinished[:, 3]) == {at.NOT_FINISHED}


def test_ties_at_the_end_of_a_list_go_by_address() -> None:
    table = np.array([[0.5, unit, actuation, 0, 0.5] for unit in range(40) for actuation in range(5)], dtype=float)
    mixed = table[np.random.default_rng(1).permutation(200)]
    np.testing.assert_array_equal(shortest(mixed), table[:LONGEST_LIST])


def test_hashed_ranks_do_not_follow_the_address() -> None:
    rows = np.array([[0, unit, actuation] for unit in range(200) for actuation in range(20)])
    rank = scrambled(rows)
    assert len(np.unique(rank)) == 4000
    assert rank.min() >= 0.0
    assert rank.max() < 1.0
    # the hundred least are spread over units and actuations: fixed numbers, no chance in it
    least = rows[np.argsort(rank)[:100]]
    assert len(np.unique(least[:, 1])) > 60
    assert len(np.unique(least[:, 2])) == 20
    assert np.abs(np.corrcoef(rank, rows[:, 1])[0, 1]) < 0.05


# --- numbers that are not finite -------------------------------------------------------------------------------------


def run_with(name: str, value: float) -> tuple[Tally, np.ndarray, np.ndarray]:
    """Three units of two actuations; the second unit has ``value`` in the column of a parameter."""
    response = Response(read_design(SMALL), Settings())
    base, scale = response.unit_base(np.arange(3), Condition(25.0, 0.0))
    base[1, column_of(response.design)[name]] = value
    rows = np.array([[u, u, k] for u in range(3) for k in range(2)])
    values, codes = run(response.kernel, base, scale, rows)
    tally = tally_rows(rows, values, codes, units=3, actuations=2, steps=3, attempts=2)
    return tally, values, codes


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("storage.capacitance", np.nan),
        ("storage.capacitance", np.inf),
        ("harvester.transit_time", np.nan),
        ("harvester.coil_resistance", np.nan),
        ("storage.esr", np.nan),
        ("radio.boot.current", np.nan),
        ("radio.minimum_supply", np.nan),
        ("regulator.dropout", np.nan),
    ],
)
def test_what_is_not_finite_is_counted_as_failing_and_listed(name: str, value: float) -> None:
    tally, values, codes = run_with(name, value)
    sound, sound_values, sound_codes = run_with("storage.capacitance", 33e-6)
    assert sound.outcomes[at.NOT_FINISHED] == 0
    assert tally.outcomes[at.NOT_FINISHED] == 2
    assert tally.outcomes.sum() == 6
    assert tally.completed[1] == tally.delivered[1] == tally.sufficed[1] == 0
    assert tally.unfinished[:, 1:4].tolist() == [[1, 0, at.NOT_FINISHED], [1, 1, at.NOT_FINISHED]]
    # its neighbours do not notice
    rest = [0, 1, 4, 5]
    np.testing.assert_array_equal(values[rest], sound_values[rest])
    np.testing.assert_array_equal(codes[rest], sound_codes[rest])


def test_a_run_of_nothing_but_failures_is_tallied() -> None:
    rows, values, codes = made(3, 2)
    values[:], codes[:, at.OUTCOME], codes[:, at.SUFFICED] = np.nan, at.NOT_FINISHED, 0
    tally = tallied((rows, values, codes))
    assert tally.outcomes[at.NOT_FINISHED] == 15
    assert tally.completed.sum() == 0
    assert len(tally.worst) == 0
    assert len(tally.unfinished) == 15
    assert np.isnan(tally.extremes["reserve_V"]).all()
    # what is merged with it keeps its own extremes
    sound = tallied(made(3, 4))
    np.testing.assert_array_equal(tally.merged(sound).extremes["reserve_V"], sound.extremes["reserve_V"])


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_no_parameter_that_is_not_a_number_lets_an_actuation_complete(value: float) -> None:
    design = read_design(SMALL)
    none = {"storage.insulation", "storage.clamp_voltage"} if value == np.inf else set()  # infinite: there is none
    for name in column_of(design).keys() - none:
        tally, values, _ = run_with(name, value)
        assert tally.outcomes[at.NOT_FINISHED] == 2, name
        assert tally.unfinished[:, 1:4].tolist() == [[1, 0, at.NOT_FINISHED], [1, 1, at.NOT_FINISHED]]
        assert np.isnan(values[2:4, at.VOLTAGE_MARGIN]).all(), name  # no margin that an estimate could take for one
