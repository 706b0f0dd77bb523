"""Rank correlation against scipy, partial ones against residuals, and their intervals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import rankdata, spearmanr

from yieldsim.estimate.rank_correlation import rank_correlations

SEEDS = [41, 42, 43]


def sample(seed, n=400):
    rng = np.random.default_rng(seed)
    x = rng.standard_normal((n, 4))
    x[:, 1] = 0.6 * x[:, 0] + 0.8 * x[:, 1]
    return x, np.exp(x @ [1.0, 0.5, -0.7, 0.0]) + 0.3 * rng.standard_normal(n)


@pytest.mark.parametrize("seed", SEEDS)
def test_values(seed):
    x, y = sample(seed)
    x[:, 2] = np.round(x[:, 2])  # ties
    found = rank_correlations(x, y)
    for j in range(4):
        # scipy.stats.spearmanr
        assert found.rank[j] == pytest.approx(spearmanr(x[:, j], y).statistic, abs=1e-12)
        # the definition: correlation of the residuals of both on the other ranks (Iman and Conover 1979)
        ranks = np.column_stack([np.ones(len(y)), rankdata(np.delete(x, j, axis=1), axis=0)])
        both = np.column_stack([rankdata(x[:, j]), rankdata(y)])
        rest = both - ranks @ np.linalg.lstsq(ranks, both, rcond=None)[0]
        assert found.partial[j] == pytest.approx(np.corrcoef(rest, rowvar=False)[0, 1], abs=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_intervals_hold_normal_truth(seed):
    # bivariate normal: rank correlation 6 / pi arcsin(r / 2) (Pearson 1907)
    rng = np.random.default_rng(seed)
    x = rng.standard_normal((1000, 2))
    y = 0.6 * x[:, 0] + 0.8 * rng.standard_normal(1000)
    truth = np.array([6.0 / np.pi * np.arcsin(0.3), 0.0])
    found = rank_correlations(x, y, confidence=1.0 - 1e-7)
    # false alarm 1e-7 an input
    assert np.all((found.rank_low <= truth) & (truth <= found.rank_high))
    assert found.partial_low[1] <= 0.0 <= found.partial_high[1]
    assert np.max(found.rank_high - found.rank_low) < 0.5
    # negative control: the truths the other way round
    assert not np.all((found.rank_low <= truth[::-1]) & (truth[::-1] <= found.rank_high))


def test_interval_is_as_wide_as_the_scatter():
    # standard deviation over 400 samples against the mean half-width / 1.96: a ratio of 1 within 6 / sqrt(800) = 0.21
    # and the 5 % that Student's t and the curvature of Fisher's scale may add; false alarm below 1e-7 a comparison
    found = [rank_correlations(*sample([44, k], 200)) for k in range(400)]
    for name in ("rank", "partial"):
        scatter = np.std([getattr(r, name) for r in found], axis=0)
        reach = np.mean([getattr(r, f"{name}_high") - getattr(r, f"{name}_low") for r in found], axis=0) / (2 * 1.96)
        assert np.all(np.abs(reach / scatter - 1.0) < 0.26)


def test_partial_separates_what_is_correlated():
    x, _ = sample(45, 2000)
    y = x[:, 0] ** 3
    found = rank_correlations(x, y)
    assert found.rank_low[1] > 0.4  # through its neighbour alone
    assert abs(found.partial[1]) < 1e-3
    assert found.partial[0] == pytest.approx(1.0, abs=1e-3)
    assert found.rank[0] == found.rank_low[0] == found.rank_high[0] == pytest.approx(1.0)


def test_clusters_and_constant_inputs():
    x, y = sample(46, 80)
    x[:, 3] = 2.0
    once = rank_correlations(x, y)
    copied = rank_correlations(np.repeat(x, 10, axis=0), np.repeat(y, 10), np.repeat(np.arange(80), 10))
    assert copied.samples == 80
    assert copied.rank_high - copied.rank_low == pytest.approx(once.rank_high - once.rank_low, rel=0.1)
    assert once.constant.tolist() == [False, False, False, True]
    assert (once.rank[3], once.rank_low[3], once.partial_high[3]) == (0.0, 0.0, 0.0)
    # negative control
    naive = rank_correlations(np.repeat(x, 10, axis=0), np.repeat(y, 10))
    assert np.all((naive.rank_high - naive.rank_low)[:3] < 0.5 * (once.rank_high - once.rank_low)[:3])


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"output": [1.0, 2.0]}, r"inputs has shape \(9, 2\) and output \(2,\)"),
        ({"output": np.ones(9)}, "output is 1 in every sample: it correlates with nothing"),
        ({"inputs": np.full((9, 2), np.nan)}, "sample 0, column 0 is nan: finite values are needed"),
        ({"inputs": np.repeat(np.arange(9.0), 2).reshape(9, 2)}, "inputs: the ranks of some are determined"),
        ({"clusters": np.arange(9) // 3}, "9 samples of 2 inputs: at least 5 independent ones are needed"),
        ({"clusters": [1]}, r"clusters has shape \(1,\) for 9 samples"),
        ({"confidence": 1.0}, "confidence = 1.0: a confidence strictly between 0 and 1"),
    ],
)
def test_errors(changes, message):
    rng = np.random.default_rng(1)
    arguments = {"inputs": rng.random((9, 2)), "output": rng.random(9)}
    with pytest.raises(ValueError, match=f"^{message}"):
        rank_correlations(**(arguments | changes))
