"""Variance shares by level: a balanced closed form, planted components, and what cannot be told apart."""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.estimate.levels import level_shares

SEEDS = [81, 82, 83]


def nested(seed, lots, components):
    """Unbalanced lots, units and actuations with planted variances."""
    rng = np.random.default_rng(seed)
    lot = np.repeat(np.arange(lots), rng.integers(2, 20, lots))
    unit = np.repeat(np.arange(lot.size), rng.integers(1, 8, lot.size))
    a, b, c = np.sqrt(components)
    y = 5.0 + a * rng.standard_normal(lots)[lot[unit]] + b * rng.standard_normal(lot.size)[unit]
    return y + c * rng.standard_normal(unit.size), unit, lot[unit]


def test_balanced_data_by_hand():
    # mean squares of a balanced nested table (Searle, Casella and McCulloch 1992, section 3.2): 3 lots, 2 units,
    # 2 actuations; between lots 4 (units' deviations cancel), within lots 2 * 3 * 2 / 3, within units 6 * 0.5 / 6
    lot = np.repeat([-1.0, 0.0, 1.0], 4)
    unit = np.tile([-1.0, -1.0, 1.0, 1.0], 3)
    press = np.tile([-0.5, 0.5], 6)
    found = level_shares(lot + unit + press, np.repeat(np.arange(6), 2), np.repeat(np.arange(3), 4))
    within, between_units, between_lots = 12 * 0.25 / 6, 12 * 1.0 / 3, 8 * 1.0 / 2
    unit_part = (between_units - within) / 2
    lot_part = max((between_lots - between_units) / 4, 0.0)
    parts = np.array([lot_part, unit_part, within])
    assert found.levels == ("lot", "unit", "actuation")
    assert found.share == pytest.approx(parts / parts.sum())
    assert found.variance == pytest.approx(parts.sum())


@pytest.mark.parametrize("seed", SEEDS)
def test_planted_components(seed):
    truth = np.array([0.2, 0.5, 0.3])
    # jackknife over 64 batches at 1 - 1e-7: false alarm of that order, as the wider of two intervals is taken
    found = level_shares(*nested(seed, 200, truth), confidence=1.0 - 1e-7)
    assert np.all((found.low <= truth) & (truth <= found.high))
    usual = level_shares(*nested(seed, 200, truth))
    assert np.max(usual.high - usual.low) < 0.25
    assert usual.share.sum() == pytest.approx(1.0)
    # negative control: other components
    other = np.array([0.9, 0.05, 0.05])
    assert not np.all((found.low <= other) & (other <= found.high))


def test_what_cannot_be_told_apart():
    y, unit, lot = nested(84, 40, [0.2, 0.5, 0.3])
    assert level_shares(y, unit).levels == ("unit", "actuation")
    first = np.unique(unit, return_index=True)[1]
    assert level_shares(y[first], unit[first], lot[first]).levels == ("lot", "unit + actuation")
    alone = np.unique(lot, return_index=True)[1]
    assert level_shares(y[alone], unit[alone], lot[alone]).levels == ("lot + unit + actuation",)
    kept = np.isin(unit, unit[alone])
    assert level_shares(y[kept], unit[kept], lot[kept]).levels == ("lot + unit", "actuation")


def test_constant_and_scaled():
    y, unit, lot = nested(85, 30, [0.1, 0.1, 0.8])
    constant = level_shares(np.full(y.size, 3.3), unit, lot)
    assert (constant.variance, constant.share.tolist()) == (0.0, [0.0, 0.0, 0.0])
    assert level_shares(1e6 + 3.0 * y, unit, lot).share == pytest.approx(level_shares(y, unit, lot).share, abs=1e-6)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([1.0, np.nan], [0, 1]), "values, units, lots have shapes"),
        (([1.0, 2.0, 3.0], [0, 0, 1], [0, 1, 2]), "lots: a unit belongs to two of them"),
        (([1.0, 2.0], [0, 1]), "2 independent lots or units: three or more are needed"),
        (([1.0, 2.0, 3.0], [0, 1, 2], None, 1.0), "confidence = 1.0: a confidence strictly between 0 and 1"),
    ],
)
def test_errors(arguments, message):
    with pytest.raises(ValueError, match=f"^{message}"):
        level_shares(*arguments)
