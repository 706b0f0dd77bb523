"""Tables of frequencies say of units what the units say one by one."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.estimate.dirichlet import condense
from yieldsim.estimate.frequencies import ALONE, LOTS, SCRAMBLES, Frequencies, ratio_of_units, share_of_units
from yieldsim.estimate.intervals import clopper_pearson_bounds, mean_of_clusters
from yieldsim.estimate.replicates import share_of_replicates
from yieldsim.estimate.scrambled import means_of_scrambles
from yieldsim.estimate.unit_completion import combine_strata
from yieldsim.estimate.unit_yield import score_rows, unit_yield, yield_of_units

EACH = 32  # actuations of a unit: shares are multiples of 1/32, whose sums are exact
COUNTS = st.lists(st.integers(0, EACH), min_size=1, max_size=60)


def same(a: Frequencies, b: Frequencies) -> bool:
    names = ("group", "part", "values", "units")
    return a.groups == b.groups and all(np.array_equal(getattr(a, n), getattr(b, n)) for n in names)


@given(COUNTS, st.randoms(use_true_random=False))
def test_the_order_of_units_does_not_matter_and_none_is_lost(counts, random):
    table = Frequencies.of(np.array(counts) / EACH)
    assert table.total == len(counts)
    assert dict(zip((table.values[:, 0] * EACH).tolist(), table.units.tolist(), strict=True)) == {
        k: counts.count(k) for k in set(counts)
    }
    mixed = random.sample(counts, len(counts))
    assert same(Frequencies.of(np.array(mixed) / EACH), table)


@given(COUNTS, COUNTS, st.integers(1, 5))
def test_merging_parts_gives_the_table_of_all(first, second, lots):
    values, part = np.array(first + second) / EACH, np.repeat([0, 1], [len(first), len(second)])
    lot = np.arange(len(values)) % lots
    whole = Frequencies.of(values, LOTS, lot, part)
    begin, end = (Frequencies.of(values[part == k], LOTS, lot[part == k], part[part == k]) for k in (0, 1))
    assert same(begin.merged(end), whole)
    assert same(end.merged(begin), whole)
    assert same(whole.first(1), begin)
    assert same(whole.first(2), whole)


@pytest.mark.parametrize("units", [7, 300, 20_000])
def test_shares_and_bounds_are_those_of_the_units_one_by_one(units):
    rng = np.random.default_rng(units)
    shares = rng.binomial(EACH, rng.beta(9.0, 1.0, units)) / EACH
    lots = np.arange(units) % 7
    alone, clustered = share_of_units(Frequencies.of(shares), 0.9), mean_of_clusters(shares, None, 0.9)
    assert (alone.value, alone.method) == (clustered.value, clustered.method)
    np.testing.assert_allclose([alone.low, alone.high], [clustered.low, clustered.high], rtol=0.0, atol=1e-12)
    in_lots, by_lot = share_of_units(Frequencies.in_lots(shares, lots), 0.9), mean_of_clusters(shares, lots, 0.9)
    np.testing.assert_allclose([in_lots.low, in_lots.high], [by_lot.low, by_lot.high], rtol=0.0, atol=1e-12)
    # negative control: lots taken for units that stand alone
    assert in_lots.high - in_lots.low > 1.1 * (alone.high - alone.low) or units == 7


def test_points_of_scrambles_are_averaged_scramble_by_scramble():
    shares = np.random.default_rng(5).binomial(EACH, 0.8, 256) / EACH
    found = share_of_units(Frequencies.of(shares, SCRAMBLES, np.arange(256) % 16), 0.95)
    assert found == share_of_replicates(means_of_scrambles(shares, 16), 16, 0.95)


def test_units_that_all_comply_are_a_success_run():
    # (1 - C)^(1/n), the classical success run; as many units in one row as ever
    found = share_of_units(Frequencies.of(np.ones(3000)), 0.95)
    assert found.low == pytest.approx(0.05 ** (1.0 / 3000.0), rel=1e-9)
    assert found.high == 1.0


def test_a_ratio_of_counts_takes_a_row_of_two():
    # every unit sends one of the kind: exact binomial bounds (Clopper and Pearson 1934)
    counts = np.stack([np.ones(100), np.arange(100) < 97], axis=1)
    found = ratio_of_units(Frequencies.of(counts), 0.95)
    assert found is not None
    low, high = clopper_pearson_bounds(97, 100, 0.95)
    assert (found.value, found.low, found.high) == pytest.approx((0.97, low, high), rel=1e-9)


@pytest.mark.parametrize("groups", [ALONE, LOTS, SCRAMBLES])
def test_unit_yield_of_merged_blocks_is_that_of_all_units(groups):
    rng = np.random.default_rng(3)
    p = np.clip(rng.beta(60.0, 1.0, (512, 1, 1)) + rng.normal(0.0, 0.004, (512, 1, 4)), 0.0, 1.0)
    units, label = combine_strata(p, p, np.ones((512, 1)), np.zeros(512)), np.arange(512) % 16
    rows = score_rows(units.low, units.high, 0.97, units.sampling)
    assert len(np.unique(rows[:, :3])) > 3  # some units are near the requirement
    group = None if groups == ALONE else label
    blocks = [slice(k, k + 100) for k in range(0, 512, 100)]
    tables = [Frequencies.of(rows[b], groups, None if group is None else group[b]) for b in blocks]
    table = tables[0]
    for other in tables[1:]:
        table = table.merged(other)
    found = yield_of_units(table, 0.9)
    whole = unit_yield(
        units.low, units.high, 0.97, 0.9, label if groups == LOTS else None,
        sampling=units.sampling, scrambles=16 if groups == SCRAMBLES else None,
    )  # fmt: skip
    assert found == whole
    assert found.low < found.value < found.high


def test_repeated_observations_are_condensed_as_such():
    rng = np.random.default_rng(8)
    values = np.round(rng.beta(20.0, 1.0, 9000), 3)
    distinct, repeats = np.unique(values, return_counts=True)
    for one, other in zip(condense(values), condense(distinct, None, repeats.astype(float)), strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Frequencies.of([]), "0 units, groups (0,) and parts (0,): units, and one of each are needed"),
        (
            lambda: Frequencies.of([1.0, 0.0], LOTS, [1]),
            "2 units, groups (1,) and parts (2,): units, and one of each are needed",
        ),
        (
            lambda: Frequencies.of([1.0]).merged(Frequencies.of([1.0], LOTS, [0])),
            "units that share nothing do not merge with units that share a lot",
        ),
        (
            lambda: share_of_units(Frequencies.of(np.ones(33), SCRAMBLES, np.arange(33) % 16), 0.95),
            "33 points in 16 scrambles: as many in each of two or more are needed",
        ),
        (lambda: mean_of_clusters([0.5], repeats=[0.0]), "repeats must be finite and positive"),
        (
            lambda: mean_of_clusters([0.5], repeats=[1.0, 2.0]),
            "repeats has 2 entries for 1 values: one a value is needed",
        ),
    ],
)
def test_errors(call, message):
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        call()
