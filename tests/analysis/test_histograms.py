"""Coarse histograms and quantiles against the sample they were counted from."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from yieldsim.analysis.histograms import PROBABILITIES, coarse, quantiles
from yieldsim.engine.tally import COUNTED, count_histogram


@pytest.mark.parametrize("spread", [0.0, 1e-3, 0.2, 3.0, 30.0])
def test_coarse_bins_hold_every_value(spread: float) -> None:
    sample = 0.4 + spread * np.random.default_rng(1).standard_normal(20_000)
    found = coarse("reserve_V", count_histogram(COUNTED["reserve_V"], sample))
    assert found.total == sample.size
    assert len(found.edges) == len(found.counts) + 1
    assert len(found.counts) <= 80
    # values on an edge may fall to either side by rounding, hence the tenth of a bin's population
    counts, _ = np.histogram(sample, np.array(found.edges) - 1e-12)
    assert np.abs(counts - np.array(found.counts)).max() <= (1 if spread else 0)
    width = COUNTED["reserve_V"].edges[1] - COUNTED["reserve_V"].edges[0]
    assert np.allclose(np.diff(found.edges) / width, np.round(np.diff(found.edges) / width), atol=1e-5)


def test_the_ends_are_the_outer_ten_thousandths() -> None:
    sample = np.random.default_rng(2).standard_normal(200_000)
    found = coarse("voltage_margin_V", count_histogram(COUNTED["voltage_margin_V"], sample))
    assert found.below <= 20 + 5
    assert found.above <= 20 + 5
    assert len(found.counts) >= 60


def test_values_beyond_the_fine_bins_are_counted_beyond() -> None:
    found = coarse("reserve_V", count_histogram(COUNTED["reserve_V"], np.array([-100.0, 0.0, 100.0])))
    assert (found.below, found.above, found.total) == (1, 1, 3)


def test_nothing_counted_is_an_empty_histogram() -> None:
    found = coarse("run_time_s", count_histogram(COUNTED["run_time_s"], np.array([np.nan])))
    assert found.total == 0


def test_quantiles_are_those_of_the_sample_to_a_bin() -> None:
    sample = np.random.default_rng(3).normal(0.3, 0.2, 10_001)
    tally = SimpleNamespace(
        histograms={name: count_histogram(c, sample) for name, c in COUNTED.items()},
        extremes={name: np.array([sample.min(), sample.max()]) for name in COUNTED},
    )
    points = quantiles(tally)["reserve_V"]
    for p in PROBABILITIES:
        # between order statistics the definitions of a quantile differ by less than a bin here but at the
        # ends
        assert points[p] == pytest.approx(np.quantile(sample, p, method="hazen"), abs=0.01)
