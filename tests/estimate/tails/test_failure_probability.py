"""Failure probabilities against closed forms, and what is said where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import binomtest, chi2, norm

from yieldsim.estimate.tails import MethodAnswer, failure_probability
from yieldsim.estimate.tails.assembly import _disagreement, from_subset
from yieldsim.estimate.tails.subset import SubsetRun

SEEDS = [11, 12, 13]


def holds(answer, truth, times=5.5):
    """Whether the truth is within `times` standard errors, as the interval tells them; 5.5: false alarm below 1e-6."""
    error = np.log(answer.high / answer.low) / (2.0 * norm.ppf(0.5 + 0.5 * answer.level))
    return abs(np.log(answer.probability / truth)) < times * error


def four_branches(u):
    x, y = u[:, 0], u[:, 1]
    bent = 3.0 + 0.1 * (x - y) ** 2
    return np.minimum(bent - np.abs(x + y) / np.sqrt(2.0), 6.0 / np.sqrt(2.0) - np.abs(x - y))


def half_space(beta, d=6):
    normal = np.arange(1.0, d + 1.0)
    normal /= np.linalg.norm(normal)
    return (lambda u: beta - u @ normal), normal


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("beta", [2.5, 4.7534243, 5.9978070])
def test_half_space(beta, seed):
    function, normal = half_space(beta)
    answer = failure_probability(function, 6, seed=seed)
    assert holds(answer, norm.sf(beta))
    assert not holds(answer, 1.2 * norm.sf(beta))
    assert answer.flag is None
    assert answer.method == "mixture"
    assert answer.indices[0].beta == pytest.approx(beta, abs=0.02)
    assert answer.points[0] == pytest.approx(beta * normal, abs=0.1)
    assert answer.importance == pytest.approx(normal**2, abs=0.02)
    assert [one.name for one in answer.agreement] == ["mixture", "subset"]


@pytest.mark.parametrize("seed", SEEDS)
def test_four_branches(seed):
    # exact by one quadrature: rotated by 45 degrees it survives iff |u| < 3 + 0.2 v^2 and |v| < 3; 4.457331e-3
    inner = quad(lambda v: norm.pdf(v) * (1.0 - 2.0 * norm.sf(3.0 + 0.2 * v * v)), 0.0, 3.0, epsabs=1e-14)[0]
    truth = 1.0 - 2.0 * inner
    assert truth == pytest.approx(4.457331e-3, rel=1e-6)
    answer = failure_probability(four_branches, 2, seed=seed)
    assert holds(answer, truth)
    assert not holds(answer, 1.5 * truth)
    assert len(answer.points) == 4
    assert sum(one.share for one in answer.indices) == pytest.approx(1.0)


def test_causes_are_told_apart():
    def function(u):
        return np.stack([1e3 * (4.5 - u[:, 0]), 4.7 + u[:, 1], np.full(len(u), 7.0)], axis=1)

    answer = failure_probability(function, 4, seed=1, causes=("start", "run", "rating"))
    assert answer.cause_probabilities[:2] == pytest.approx(norm.sf([4.5, 4.7]), rel=0.1)
    assert answer.cause_probabilities[2] == 0.0
    assert holds(answer, norm.sf(4.5) + norm.sf(4.7))


def test_a_steep_region_behind_flat_ones_is_found():
    # the steep branch is the likelier one, and the largest margin at the origin hides it from whatever follows g
    def function(u):
        return np.minimum(20.0 * (4.4 - u[:, 0]), 0.5 * (4.9 - u[:, 1]))

    answer = failure_probability(function, 30, seed=5)
    assert holds(answer, norm.sf(4.4) + norm.sf(4.9) - norm.sf(4.4) * norm.sf(4.9))


def test_a_jump_and_a_pass_or_fail_limit_state():
    jump = failure_probability(lambda u: np.where(u[:, 0] > 4.2, -1.0, 5.0 - 0.5 * u[:, 0]), 4, seed=1)
    assert holds(jump, norm.sf(4.2))
    blind = failure_probability(lambda u: np.where(u[:, 0] > 4.2, -1.0, 1.0), 4, seed=1)
    assert holds(blind, norm.sf(4.2))
    assert "same value at nearly all points" in blind.flag


def test_the_same_seed_gives_the_same_answer():
    one, two = (failure_probability(four_branches, 2, seed=7) for _ in range(2))
    assert (one.probability, one.low, one.high, one.calls) == (two.probability, two.low, two.high, two.calls)


@pytest.mark.parametrize("method", ["mixture", "subset", "monte-carlo"])
def test_every_method_can_be_forced(method):
    function, _ = half_space(2.8)
    answer = failure_probability(function, 6, seed=3, method=method, target=0.1)
    assert answer.method == answer.agreement[0].name == method
    assert holds(answer, norm.sf(2.8))


def test_what_was_learnt_starts_the_next():
    function, _ = half_space(4.7, 20)
    first = failure_probability(function, 20, seed=1)
    moved, _ = half_space(4.8, 20)
    second = failure_probability(moved, 20, seed=2, target=0.1, start_points=first)
    assert second.calls <= 500
    assert holds(second, norm.sf(4.8))
    third = failure_probability(moved, 20, seed=3, target=0.1, start_points=first.points)
    assert third.calls <= 500
    assert holds(third, norm.sf(4.8))


# what is said where there is no answer ---------------------------------------------------------------------------


def test_never_failing():
    answer = failure_probability(lambda u: 2.0 + np.cos(u[:, 0]), 3, seed=1, budget=40_000)
    assert answer.probability == answer.low == 0.0
    # exact binomial bound for no failure in n trials, scipy.stats.binomtest
    n = next(one.calls for one in answer.agreement if one.name == "monte-carlo")
    assert answer.high == pytest.approx(binomtest(0, n).proportion_ci(0.95).high, rel=1e-6)
    assert "no failure was seen; the probability is below" in answer.flag


def test_always_failing():
    answer = failure_probability(lambda u: -1.0 - u[:, 0] ** 2, 3, seed=1)
    assert (answer.probability, answer.high) == (1.0, 1.0)
    assert answer.low > 0.9
    assert "every point failed; the probability is above" in answer.flag


def test_flat():
    answer = failure_probability(lambda u: np.zeros(len(u)), 2, seed=1, budget=20_000)
    assert (answer.probability, answer.low) == (0.0, 0.0)
    assert 1e-5 < answer.high < 1e-3
    assert answer.flag is not None


def test_not_a_number_in_a_corner():
    answer = failure_probability(lambda u: np.where(u[:, 1] > 3.0, np.nan, 4.0 - u[:, 0]), 3, seed=1)
    # the corner has a probability of 1.35e-3; what certainly fails is 3.17e-5
    assert answer.unknown == pytest.approx(norm.sf(3.0), rel=0.2)
    assert answer.low < norm.sf(4.0) < norm.sf(3.0) < answer.high
    assert "not a number" in answer.flag


def test_not_a_number_anywhere():
    answer = failure_probability(lambda u: np.full(len(u), np.nan), 3, seed=1)
    assert (answer.low, answer.high) == (0.0, 1.0)
    assert "not a number" in answer.flag


def test_infinite_values_keep_their_sign():
    def function(u):
        g = 4.0 - u[:, 0]
        return np.where(g < 0.0, -np.inf, np.where(g > 3.0, np.inf, g))

    assert holds(failure_probability(function, 3, seed=2), norm.sf(4.0))


def test_a_region_without_a_most_probable_point():
    # outside a sphere failure has no direction: scipy's chi-squared distribution has the truth
    answer = failure_probability(lambda u: 70.0 - (u**2).sum(axis=1), 20, seed=3)
    assert answer.flag is not None
    assert answer.low / 1.5 < chi2.sf(70.0, 20) < 1.5 * answer.high


def run_of(probability, failures=((4.0, 0.0),)):
    return SubsetRun(probability, probability, np.array(failures), np.array(failures), False, 5)


def test_disagreement_is_a_flag_and_is_not_averaged():
    mixture = MethodAnswer("mixture", 1e-6, 0.9e-6, 1.1e-6, 1000)
    runs = [run_of(1e-5 * factor) for factor in (0.9, 1.0, 1.1, 1.0, 0.95)]
    flag, note = _disagreement((mixture, from_subset(runs, 0.95, 9000)), runs, None)
    assert flag == "mixture and subset disagree: 1e-06 and 9.9e-06"
    assert note is None
    near = [run_of(1.2e-6 * factor) for factor in (0.6, 1.0, 1.4, 0.8, 1.3)]
    assert _disagreement((mixture, from_subset(near, 0.95, 9000)), near, None) == (None, None)


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ({"dimension": 0}, "dimension = 0: a whole number of at least 1 is needed"),
        ({"target": 0.0}, "target = 0.0: a relative standard error between 0 and 1 is needed"),
        ({"level": 1.0}, "level = 1.0: a level from 0.5 to below 1 is needed"),
        ({"method": "form"}, "method = 'form': one of auto, mixture, subset, monte-carlo is needed"),
        ({"budget": 10}, "budget = 10: at least 1000 calls are needed"),
        ({"causes": ("a", "b")}, "causes: 2 names for a limit state of 1 columns"),
        ({"start_points": np.zeros((1, 3))}, "start_points have 3 coordinates where the limit state has 2"),
    ],
)
def test_bad_arguments(arguments, text):
    with pytest.raises(ValueError) as caught:  # noqa: PT011, the whole text is compared
        failure_probability(lambda u: 4.0 - u[:, 0], **{"dimension": 2, "seed": 1, **arguments})
    assert str(caught.value) == text


def test_a_limit_state_of_another_shape():
    with pytest.raises(ValueError, match=r"the limit state returned shape \(3,\) for \d+ points"):
        failure_probability(lambda u: np.zeros(3), 2, seed=1)


@settings(max_examples=15)
@given(
    beta=st.floats(3.0, 6.0),
    d=st.integers(1, 12),
    steep=st.floats(1e-6, 1e6),
    seed=st.integers(0, 2**32),
)
def test_units_and_rotation_do_not_matter(beta, d, steep, seed):
    # a half-space in any direction and any unit of g has the same probability; 8 standard errors
    normal = np.random.default_rng(seed).standard_normal(d)
    normal /= np.linalg.norm(normal)
    answer = failure_probability(lambda u: steep * (beta - u @ normal), d, seed=seed)
    assert answer.low > 0.0
    assert abs(np.log(answer.probability / norm.sf(beta))) < 0.1
