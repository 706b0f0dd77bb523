"""Influence on failure: closed forms, weights, clusters, ties, and what cannot be ranked."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ndtri
from scipy.stats import norm

from tests.benchmarks.failing_samples import BOUNDED, FailureCase, bounded_truth, corner, draw, linear_truth
from yieldsim.estimate.failure_ranking import rank_failures

SEEDS = [31, 32, 33]


def assert_holds(found, truth, widths=3.0):
    """The truth lies within so many times the interval's reach, on the scale of the square root."""
    root, below, above = np.sqrt(found.influence), np.sqrt(found.low), np.sqrt(found.high)
    assert np.all(np.sqrt(truth) <= root + widths * (above - root) + 1e-9), (found.influence, truth)
    assert np.all(np.sqrt(truth) >= root - widths * (root - below) - 1e-9), (found.influence, truth)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(
    "case",
    [
        FailureCase(False, 1e-3, 1500, False),
        FailureCase(False, 1e-6, 6000, True),
        FailureCase(True, 1e-4, 6000, True),
    ],
)
def test_known_influences(case, seed):
    truth = bounded_truth(case.probability)[1] if case.bounded else linear_truth(case.probability)
    found = rank_failures(*draw(case, np.random.default_rng(seed)))
    # three reaches of a 95 % interval are 5.9 standard errors: false alarm below 1e-8 a comparison
    assert_holds(found, truth)
    assert list(found.order[:3]) == [0, 1, 2]
    assert found.flag is None
    # negative control: the influences of others
    with pytest.raises(AssertionError):
        assert_holds(found, truth[::-1])


def test_truths_of_the_cases():
    # a corner of the unit square: t**2 / 2; the whole square: 1
    assert corner(1.0, (1, 1)) == pytest.approx(0.125)
    assert corner(4.0, (1, 1)) == pytest.approx(1.0)
    # linear: moments of the conditional density P(fail | z) phi(z) by quadrature of scipy
    a, p = 1.0 / np.linalg.norm([1.0, 0.8, 0.62, 0.45, 0.35, 0.25, 0.2, 0.15, 0.1, 0.05]), 1e-3
    beta, left = -ndtri(p), np.sqrt(1.0 - a * a)

    def moment(k):
        return quad(lambda z: z**k * norm.sf((beta - a * z) / left) * norm.pdf(z), -10, 12, epsabs=1e-14)[0] / p

    mean, variance = moment(1), moment(2) - moment(1) ** 2
    assert linear_truth(p)[0] == pytest.approx(0.5 * (mean**2 + variance - 1.0 - np.log(variance)), rel=1e-6)
    assert np.all(np.diff(bounded_truth(1e-3)[1][: len(set(BOUNDED))]) <= 0.0)


@pytest.mark.parametrize("seed", SEEDS)
def test_no_influence_is_said_to_be_none(seed):
    # Holm's procedure at 1 - 1e-6: false alarm 1e-6 over all inputs
    z = np.random.default_rng(seed).standard_normal((400, 12))
    found = rank_failures(z, confidence=1.0 - 1e-6)
    assert not found.influences.any()
    assert np.all(found.low == 0.0)
    assert found.tied.all()
    # negative control: a shift of one standard deviation in one of them
    z[:, 4] += 1.0
    shown = rank_failures(z, confidence=1.0 - 1e-6)
    assert shown.influences.tolist() == [j == 4 for j in range(12)]
    assert shown.order[0] == 4
    assert shown.places[4, 0] == 1.0


@pytest.mark.parametrize("seed", SEEDS)
def test_failures_at_both_ends_count(seed):
    # failing where abs(z) > 2: mean 0, variance 1 + 2 phi(2) / Phi(-2) * 2 / 2 (two-sided tail)
    rng = np.random.default_rng(seed)
    z = np.stack(
        [rng.choice([-1.0, 1.0], 1000) * -ndtri(norm.sf(2.0) * rng.random(1000)), rng.standard_normal(1000)], 1
    )
    variance = 1.0 + 2.0 * norm.pdf(2.0) / norm.sf(2.0)
    found = rank_failures(z)
    assert_holds(found, np.array([0.5 * (variance - 1.0 - np.log(variance)), 0.0]))
    assert found.order[0] == 0
    assert not found.tied[0]
    assert found.spread[0] == pytest.approx(np.sqrt(variance), rel=0.1)


def test_equal_inputs_are_tied():
    rng = np.random.default_rng(7)
    z = rng.standard_normal((300, 3)) + np.array([1.5, 1.5, 0.0])
    found = rank_failures(z)
    assert found.tied[0]
    assert not found.tied[1]
    assert set(found.order[:2]) == {0, 1}
    assert 0.001 < found.places[0, 0] < 0.999


def test_groups_add_their_inputs():
    z = np.random.default_rng(8).standard_normal((500, 4)) + np.array([1.0, -1.0, 0.5, 0.0])
    alone, together = rank_failures(z), rank_failures(z, groups=[[0, 1], [2], [3]])
    assert together.influence[0] == pytest.approx(alone.influence[:2].sum(), rel=1e-9)
    assert together.shift[0] == pytest.approx(np.hypot(*alone.shift[:2]))
    assert together.shift[1] == alone.shift[2] > 0.0 > alone.shift[1]
    assert together.share.sum() == pytest.approx(1.0)


def test_copies_in_a_cluster_tell_no_more():
    z = np.random.default_rng(9).standard_normal((60, 2)) + 1.0
    once = rank_failures(z)
    copied = rank_failures(np.repeat(z, 20, axis=0), clusters=np.repeat(np.arange(60), 20))
    assert copied.effective == pytest.approx(60.0)
    assert copied.high - copied.low == pytest.approx(once.high - once.low, rel=0.1)
    # negative control: taken as independent they would seem to tell far more
    naive = rank_failures(np.repeat(z, 20, axis=0))
    assert np.all(naive.high - naive.low < 0.5 * (once.high - once.low))


@given(st.integers(0, 2**31), st.floats(1e-3, 1e3), st.integers(5, 60))
def test_any_sample_gives_an_interval_around_its_estimate(seed, scale, n):
    rng = np.random.default_rng(seed)
    z, w = rng.standard_normal((n, 3)) * [0.3, 1.0, 2.0], rng.exponential(size=n)
    found = rank_failures(z, w)
    assert np.all((found.low >= 0.0) & (found.low <= found.influence) & (found.influence <= found.high))
    assert sorted(found.order) == [0, 1, 2]
    assert np.all(np.diff(found.influence[found.order]) <= 0.0)
    # a common factor of the weights changes nothing
    assert rank_failures(z, scale * w).influence == pytest.approx(found.influence, rel=1e-9, abs=1e-12)


def test_nothing_to_rank():
    none = rank_failures(np.zeros((0, 2)))
    assert none.flag == "no failure was seen: nothing can be said about its causes"
    assert (none.influence.tolist(), none.high.tolist(), none.tied.tolist()) == ([0.0, 0.0], [np.inf, np.inf], [True])
    one = rank_failures([[1.0, 2.0]])
    assert one.flag == "one independent failure alone was seen: its causes cannot be ranked"
    few = rank_failures(np.random.default_rng(1).standard_normal((9, 2)))
    assert few.flag == "9 effective failing samples: too few to rely on the ranking"


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"failing": [1.0]}, r"failing has shape \(1,\): finite normal scores"),
        ({"failing": [[np.inf, 0.0]]}, r"failing has shape \(1, 2\): finite normal scores"),
        ({"weights": [1.0]}, r"weights has shape \(1,\): 3 finite weights"),
        ({"weights": [1.0, -1.0, 1.0]}, r"weights has shape \(3,\): 3 finite weights"),
        ({"clusters": [1]}, r"clusters has shape \(1,\) for 3 samples"),
        ({"groups": [[0], [0]]}, r"groups = \[\[0\], \[0\]\]: columns from 0 to 1"),
        ({"confidence": 1.0}, "confidence = 1.0: a confidence strictly between 0 and 1"),
    ],
)
def test_errors(changes, message):
    arguments = {"failing": [[0.0, 1.0], [1.0, 2.0], [0.5, 1.0]]}
    with pytest.raises(ValueError, match=f"^{message}"):
        rank_failures(**(arguments | changes))
