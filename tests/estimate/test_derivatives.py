"""Scores against differences of scipy's densities; derivatives of a yield against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtr, ndtri

from yieldsim.estimate.derivatives import NONE_FAILED, TOO_FEW, yield_derivatives
from yieldsim.estimate.laws import INFINITE, Law

SEEDS = [61, 62, 63]
LAWS = {
    "normal": (Law("normal", 1.0, 2.0), stats.norm(1.0, 2.0)),
    "lognormal": (Law("lognormal", 0.3, 0.4), stats.lognorm(0.4, scale=math.exp(0.3))),
    "truncated normal": (Law("truncated normal", 1.0, 2.0, -1.0, 6.0), stats.truncnorm(-1.0, 2.5, 1.0, 2.0)),
    "uniform": (Law("uniform", 1.0, 2.0), stats.uniform(-1.0, 4.0)),
    "triangular": (Law("triangular", 1.0, 2.0), stats.triang(0.5, -1.0, 4.0)),
}


@pytest.mark.parametrize("shape", LAWS)
def test_densities_are_those_of_scipy(shape):
    law, known = LAWS[shape]
    x = np.linspace(*known.ppf([0.01, 0.99]), 25)
    assert law.log_density(x) == pytest.approx(known.logpdf(x), abs=1e-10)
    outside = known.support()[1] + 1.0
    if math.isfinite(outside):
        assert law.log_density(np.array([outside]))[0] == -np.inf


@pytest.mark.parametrize("shape", ["normal", "lognormal", "truncated normal"])
def test_scores_are_derivatives(shape):
    law, known = LAWS[shape]
    x, h = np.linspace(*known.ppf([0.01, 0.99]), 25), 1e-5
    to_centre, to_spread = law.scores(x)
    for score, moved in ((to_centre, (h, 0.0)), (to_spread, (0.0, h))):
        after = law.moved(law.centre + moved[0], law.spread + moved[1]).log_density(x)
        before = law.moved(law.centre - moved[0], law.spread - moved[1]).log_density(x)
        assert score == pytest.approx((after - before) / (2.0 * h), abs=1e-6)


def test_share_that_is_covered():
    uniform, triangular = LAWS["uniform"][0], LAWS["triangular"][0]
    assert uniform.covers(uniform.moved(1.0, 4.0)) == pytest.approx(0.5)
    assert uniform.covers(uniform.moved(1.0, 1.0)) == 1.0
    # scipy's distribution function of the wider triangle between the ends of the narrower
    wider = stats.triang(0.5, -3.0, 8.0)
    assert triangular.covers(triangular.moved(1.0, 4.0)) == pytest.approx(wider.cdf(3.0) - wider.cdf(-1.0))
    assert LAWS["normal"][0].covers(Law("normal", 9.0, 9.0)) == 1.0


SLOPES, CENTRES, SPREADS = np.array([1.0, 0.5, -0.7, 0.0]), np.array([1.0, 0.0, -1.0, 2.0]), np.array([0.5, 2, 1, 1])
NORMAL = [Law("normal", c, s) for c, s in zip(CENTRES, SPREADS, strict=True)]


def linear_truth(p):
    """Limit, and derivatives and narrowing of the yield of a . x <= limit, failing with probability p."""
    sigma = np.sqrt(np.sum((SLOPES * SPREADS) ** 2))
    beta = -ndtri(p)
    density = stats.norm.pdf(beta)
    narrower = np.sqrt(sigma**2 - 0.19 * (SLOPES * SPREADS) ** 2)
    return (
        SLOPES @ CENTRES + beta * sigma,
        -density * SLOPES / sigma,
        -density * beta * SLOPES**2 * SPREADS / sigma**2,
        p - ndtr(-beta * sigma / narrower),
    )


def assert_holds(value, low, high, truth, widths):
    assert np.all(np.abs(value - truth) <= widths * 0.5 * (high - low) + 1e-12), (value, truth)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("p", "n"), [(0.2, 4000), (0.01, 40000)])
def test_linear_gaussian(p, n, seed):
    limit, nominal, spread, narrowed = linear_truth(p)
    x = CENTRES + SPREADS * np.random.default_rng(seed).standard_normal((n, 4))
    found = yield_derivatives(x @ SLOPES <= limit, x, NORMAL)
    # 3.2 half-widths of a 95 % interval: 6.3 standard errors, false alarm below 1e-8 a comparison
    assert_holds(found.nominal, found.nominal_low, found.nominal_high, nominal, 3.2)
    assert_holds(found.spread, found.spread_low, found.spread_high, spread, 3.2)
    assert_holds(found.narrowed, found.narrowed_low, found.narrowed_high, narrowed, 3.2)
    assert found.nominal_problem == found.spread_problem == found.narrowed_problem == (None,) * 4
    # an input without influence has none, the strongest has
    assert found.nominal_low[3] <= 0.0 <= found.nominal_high[3] or p < 0.1
    assert found.nominal_high[0] < 0.0
    # negative control
    with pytest.raises(AssertionError):
        assert_holds(found.nominal, found.nominal_low, found.nominal_high, -nominal, 3.2)


@pytest.mark.parametrize("seed", SEEDS)
def test_weighted_samples(seed):
    # failures at 1e-6, drawn about the most probable failure point; closed form as above
    p = 1e-6
    limit, nominal, spread, _ = linear_truth(p)
    rng, slopes = np.random.default_rng(seed), SLOPES * SPREADS
    unit = slopes / np.linalg.norm(slopes)
    beta = -ndtri(p)
    z = rng.standard_normal((8000, 4)) + beta * unit
    weights = np.exp(-beta * (z @ unit) + 0.5 * beta**2)
    x = CENTRES + SPREADS * z
    found = yield_derivatives(x @ SLOPES <= limit, x, NORMAL, weights)
    assert_holds(found.nominal, found.nominal_low, found.nominal_high, nominal, 3.2)
    assert_holds(found.spread, found.spread_low, found.spread_high, spread, 3.2)
    assert found.nominal[0] == pytest.approx(nominal[0], rel=0.2)


@pytest.mark.parametrize("seed", SEEDS)
def test_bounded_laws_say_so_and_tell_of_narrowing(seed):
    # x uniform on [-1, 1], failing beyond 0.8: 0.1; of a law narrowed by 10 %: (0.9 - 0.8) / 1.8
    x = np.random.default_rng(seed).uniform(-1.0, 1.0, (20000, 2))
    laws = [Law("uniform", 0.0, 1.0), Law("triangular", 0.0, 1.0)]
    x[:, 1] = stats.triang(0.5, -1.0, 2.0).ppf(0.5 * (x[:, 1] + 1.0))
    found = yield_derivatives(x[:, 0] <= 0.8, x, laws)
    assert np.isnan(found.nominal).all()
    assert np.isnan(found.spread).all()
    assert found.nominal_problem == (
        "the range of a uniform law moves with its nominal: the density has no derivative there",
        INFINITE,
    )
    assert found.spread_problem[0] == (
        "the range of a uniform law moves with its spread: the density has no derivative there"
    )
    assert found.narrowed_problem == (None, None)
    truth = np.array([0.1 - 0.1 / 1.8, 0.0])
    assert_holds(found.narrowed, found.narrowed_low, found.narrowed_high, truth, 3.2)
    assert found.narrowed_low[0] > 0.0


def test_copies_in_a_cluster_tell_no_more():
    x = CENTRES + SPREADS * np.random.default_rng(64).standard_normal((500, 4))
    y = x @ SLOPES <= linear_truth(0.2)[0]
    once = yield_derivatives(y, x, NORMAL)
    ten = yield_derivatives(np.repeat(y, 10), np.repeat(x, 10, axis=0), NORMAL, clusters=np.repeat(np.arange(500), 10))
    assert ten.nominal == pytest.approx(once.nominal)
    assert ten.nominal_high == pytest.approx(once.nominal_high)
    assert ten.spread_low == pytest.approx(once.spread_low)


def test_no_failure_and_few():
    x = CENTRES + SPREADS * np.random.default_rng(65).standard_normal((500, 4))
    none = yield_derivatives(np.ones(500), x, NORMAL)
    assert none.nominal_problem == (NONE_FAILED,) * 4
    assert (none.spread_low[0], none.spread_high[0]) == (-np.inf, np.inf)
    y = np.ones(500)
    y[0] = 0.0
    few = yield_derivatives(y, x, NORMAL)
    assert few.nominal_problem[0] is not None
    assert few.nominal_problem[0].startswith(TOO_FEW)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"values": [2.0, 0.0, 1.0]}, r"values has shape \(3,\): at least two, all in \[0, 1\]"),
        ({"inputs": [[0.0]]}, r"inputs has shape \(1, 1\): \(3, 1\), a law a column, is needed"),
        ({"laws": [Law("uniform", 0.0, 0.5)]}, "inputs: column 0 has a value outside the range of its uniform law"),
        ({"weights": [-1.0, 1.0, 1.0]}, r"weights has shape \(3,\): 3 finite weights"),
        ({"clusters": [1]}, r"clusters has shape \(1,\) for 3 values"),
        ({"cut": 1.0}, r"cut = 1.0, confidence = 0.95: both strictly between 0 and 1"),
    ],
)
def test_errors(changes, message):
    arguments = {"values": [0.0, 1.0, 1.0], "inputs": [[0.0], [1.0], [0.4]], "laws": [Law("normal", 0.0, 1.0)]}
    with pytest.raises(ValueError, match=f"^{message}"):
        yield_derivatives(**(arguments | changes))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("cauchy", 0.0, 1.0), "shape = 'cauchy': one of normal, lognormal, truncated normal, uniform, triangular"),
        (("normal", 0.0, 0.0), "centre = 0.0, spread = 0.0: both finite, the spread above 0"),
        (("truncated normal", 0.0, 1.0, 2.0, 1.0), "low = 2.0, high = 1.0: the limits of a truncated law"),
    ],
)
def test_what_is_no_law(arguments, message):
    with pytest.raises(ValueError, match=f"^{message}"):
        Law(*arguments)
    with pytest.raises(ValueError, match="moves"):
        LAWS["uniform"][0].scores(np.zeros(1))


def test_ends_of_a_uniform_law_read_off_the_sample():
    # y = 1 - (a + b t + c t**3 + d t**2 + e t**4) on t from -1 to 1: all terms of degree 4 and below, whose derivatives
    # to middle and half width follow from the values at the ends: -(b + c) / h and -(2 d / 3 + 4 e / 5) / h
    rng = np.random.default_rng(5)
    centre, half, n = 3.0, 0.5, 200_000
    x = centre + half * (2.0 * rng.random((n, 1)) - 1.0)
    t = (x[:, 0] - centre) / half
    a, b, c, d, e = 0.3, 0.05, 0.08, 0.1, -0.05
    y = (rng.random(n) >= a + b * t + c * t**3 + d * t**2 + e * t**4).astype(float)
    law = Law("uniform", centre, half)
    found = yield_derivatives(y, x, [law], edges=True, confidence=0.999)
    assert found.nominal_low[0] <= -(b + c) / half <= found.nominal_high[0]
    assert found.spread_low[0] <= -(2.0 * d / 3.0 + 4.0 * e / 5.0) / half <= found.spread_high[0]
    assert found.nominal_high[0] < 0.0
    # without edges there is none, as before
    assert np.isnan(yield_derivatives(y, x, [law]).nominal[0])


def test_edge_scores_of_an_exponential_leave_out_little():
    # E[exp(a t)]: difference of the ends over 2 h; terms beyond degree 4 are 1.5 % at a = 2
    nodes, weights = np.polynomial.legendre.leggauss(60)
    law = Law("uniform", 0.0, 1.0)
    to_centre, to_spread = law.edge_scores(nodes)
    y = np.exp(2.0 * nodes)
    assert 0.5 * weights @ (y * to_centre) == pytest.approx(np.sinh(2.0), rel=0.016)
    exact = np.cosh(2.0) - 0.5 * np.sinh(2.0)
    assert 0.5 * weights @ (y * to_spread) == pytest.approx(exact, rel=0.01)
    with pytest.raises(ValueError, match="scores of its own"):
        Law("normal", 0.0, 1.0).edge_scores(nodes)


@pytest.mark.parametrize(("failing", "told"), [(4, True), (40, False)])
def test_intervals_hold_where_few_rows_decide(failing, told):
    # 1,024 rows, 4 or 40 of which fail on average: closed form as above. Of 300 intervals at 95 % fewer than 273 hold
    # the truth with a probability of 1e-3 (binomial); where so few decide the number says so
    p, n, repeats = failing / 1024, 1024, 300
    limit, nominal, spread, narrowed = linear_truth(p)
    held, few, seen = np.zeros((3, 4)), 0, 0
    for repeat in range(repeats):
        x = CENTRES + SPREADS * np.random.default_rng([77, failing, repeat]).standard_normal((n, 4))
        found = yield_derivatives(x @ SLOPES <= limit, x, NORMAL)
        if found.nominal_problem[0] == NONE_FAILED:
            continue
        seen += 1
        few += found.nominal_problem[0] is not None
        ends = ((found.nominal_low, found.nominal_high), (found.spread_low, found.spread_high))
        ends = (*ends, (found.narrowed_low, found.narrowed_high))
        for k, ((low, high), truth) in enumerate(zip(ends, (nominal, spread, narrowed), strict=True)):
            held[k] += (low <= truth) & (truth <= high)
    assert held.min() >= 0.91 * seen
    assert (few > 0.9 * seen) if told else (few < 0.1 * seen)
