"""Evidence, confidence sequences and stop rules."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate
from scipy.stats import beta, binom

from yieldsim.estimate.evidence import (
    evidence_above,
    evidence_below,
    evidence_of_mean_above,
    evidence_of_mean_below,
)
from yieldsim.estimate.stopping import MET, NOT_MET, UNDECIDED, MeanWatch, PassFailWatch, StopRule

SEEDS = [51, 52, 53]
ONE = np.ones(1)


@pytest.mark.parametrize(
    ("failures", "trials", "limit"), [(0, 300, 0.01), (3, 400, 0.02), (40, 100, 0.3), (9, 10, 0.5)]
)
def test_pass_fail_evidence_is_a_mixed_likelihood_ratio(failures, trials, limit):
    # the definition by quadrature (Robbins 1970): beta densities from scipy.stats, cut off at the limit
    def mixed(a, b, low, high):
        mass = beta.cdf(high, a, b) - beta.cdf(low, a, b)
        ratio = lambda p: binom.pmf(failures, trials, p) / binom.pmf(failures, trials, limit) * beta.pdf(p, a, b)  # noqa: E731
        return np.log(
            integrate.quad(ratio, low, high, limit=500, points=[min(max(failures / trials, low + 1e-6), high - 1e-6)])[
                0
            ]
            / mass
        )

    assert evidence_below(failures, trials, limit) == pytest.approx(mixed(0.5, 0.5, 0.0, limit), abs=1e-5)
    assert evidence_above(failures, trials, limit) == pytest.approx(mixed(0.1, 1.0, limit, 1.0), abs=1e-5)


@pytest.mark.parametrize("limit", [0.001, 0.05, 0.4, 0.9])
@pytest.mark.parametrize("trials", [1, 7, 60])
def test_capital_is_a_martingale_at_the_limit(limit, trials):
    # Ville's inequality rests on it: the expectation of the capital is 1 when the claim is just true, exactly
    k = np.arange(trials + 1)
    pmf = binom.pmf(k, trials, limit)
    for evidence in (evidence_below, evidence_above):
        assert pmf @ np.exp([evidence(int(s), trials, limit) for s in k]) == pytest.approx(1.0, rel=1e-9)
    zeros_and_ones = np.array([0.0, 1.0])
    for mean_evidence in (evidence_of_mean_below, evidence_of_mean_above):
        capital = np.exp([mean_evidence(zeros_and_ones, np.array([trials - s, s], dtype=float), limit) for s in k])
        # a bet of all on no failure loses everything at the first: counts of 0 must not make NaN of it
        assert pmf @ capital == pytest.approx(1.0, rel=1e-9)


@given(st.floats(0.01, 0.98), st.floats(0.001, 0.02))
def test_capital_falls_in_expectation_where_the_claim_is_true(limit, more):
    # one observation with a mean beyond the limit: supermartingale
    for x in (np.array([0.0, 1.0]), np.array([0.25 * limit, 1.0])):
        share = (limit + more * (1.0 - limit) - x[0]) / (x[1] - x[0])
        gains = [np.exp(evidence_of_mean_below(v * ONE, ONE, limit)) for v in x]
        assert (1.0 - share) * gains[0] + share * gains[1] <= 1.0 + 1e-12


def false_decisions(seed, watch, blocks=60, campaigns=400):
    """Share of campaigns that are decided though the failing share equals the limit of 10 %, block by block of 50."""
    rng = np.random.default_rng(seed)
    found = np.zeros(2)
    for _ in range(campaigns):
        told = watch(rng.random((blocks, 50)) < 0.1)
        found += told == MET, told == NOT_MET
    return found / campaigns


def watched(fails):
    watch = PassFailWatch(StopRule(required=0.9, confidence=0.9))
    for block in fails:
        look = watch.look(block.size, int((~block).sum()))
        if look.stop:
            break
    return look.word


def watched_mean(fails):
    watch = MeanWatch(StopRule(required=0.9, confidence=0.9))
    for block in fails:
        look = watch.look(1.0 - block)
        if look.stop:
            break
    return look.word


def peeked(fails):
    n = np.cumsum(np.full(len(fails), 50))
    passes = binom.cdf(np.cumsum(fails.sum(axis=1)), n, 0.1) <= 0.1
    return MET if passes.any() else UNDECIDED


@pytest.mark.parametrize("seed", SEEDS)
def test_repeated_looks_keep_the_confidence(seed):
    # 10 % of 400 campaigns, plus 5.2 standard errors of 1.5 %: false alarm 1e-7 each, 4 bounds and 3 seeds
    limit = 0.1 + 5.2 * 0.015
    assert np.all(false_decisions(seed, watched) <= limit)
    assert np.all(false_decisions(seed, watched_mean, campaigns=150) <= 0.1 + 5.2 * 0.0245)
    # negative control: the exact bound for a fixed number, looked at 60 times, passes more than 30 % in the mean
    assert false_decisions(seed, peeked)[0] > limit


@pytest.mark.parametrize("seed", SEEDS)
def test_bounds_hold_at_all_looks_and_only_narrow(seed):
    # units whose share is beta distributed with mean 0.96; bounds at 1 - 1e-7, false alarm 6e-7 in all
    rng = np.random.default_rng(seed)
    watch, low, high = MeanWatch(StopRule(absolute_width=1e-9, confidence=1.0 - 1e-7)), 0.0, 1.0
    for _ in range(30):
        estimate = watch.look(1.0 - rng.binomial(20, rng.beta(0.04, 0.96, 200)) / 20).estimate
        assert estimate.low <= 0.96 <= estimate.high
        assert estimate.low >= low or estimate.low == estimate.value
        assert estimate.high <= high or estimate.high == estimate.value
        low, high = max(low, estimate.low), min(high, estimate.high)
    assert high - low < 0.05


def test_no_failure_shows_a_limit_after_little_more_than_the_success_run():
    # classical success run: 2995 trials without failure show 99.9 % at 95 %; at all looks together it takes more
    watch = PassFailWatch(StopRule(required=0.999))
    looks = [watch.look(5, 5) for _ in range(1200)]
    first = next(look.trials for look in looks if look.word == MET)
    assert 2995 < first < 1.3 * 2995
    assert all(look.word == MET for look in looks if look.trials >= first)


def test_little_spread_is_rewarded():
    # mean failing share 5 % with each unit at 5 % exactly, or one unit in twenty failing altogether
    alike, unlike = MeanWatch(StopRule(required=0.9)), MeanWatch(StopRule(required=0.9))
    x = np.zeros(200)
    x[::20] = 1.0
    narrow, wide = alike.look(np.full(200, 0.95)).estimate, unlike.look(1.0 - x).estimate
    assert narrow.value == pytest.approx(wide.value)
    assert narrow.high - narrow.low < 0.6 * (wide.high - wide.low)


def test_widths_stop_a_run():
    rng = np.random.default_rng(8)
    rule = StopRule(absolute_width=0.02)
    watch = PassFailWatch(rule)
    looks = [watch.look(500, int((rng.random(500) >= 0.2).sum())) for _ in range(80)]
    at = next(k for k, look in enumerate(looks) if look.stop)
    assert (
        looks[at].estimate.high - looks[at].estimate.low
        <= 0.02
        < looks[at - 1].estimate.high - looks[at - 1].estimate.low
    )
    assert looks[at].reason == "the bounds are within the absolute width"
    assert looks[at].word == UNDECIDED
    assert looks[at - 1].reason == "not narrow enough"
    # relative: half of the failing share of 20 %
    watch = PassFailWatch(StopRule(relative_width=0.5))
    look = watch.look(500, 400)
    while not look.stop:
        look = watch.look(500, 400)
    width = look.estimate.high - look.estimate.low
    assert 0.05 < width <= 0.5 * (1.0 - look.estimate.value)
    # nothing fails: no relative width is ever reached
    watch = PassFailWatch(StopRule(relative_width=0.5))
    assert not any(watch.look(10_000, 10_000).stop for _ in range(3))


def test_doubtful_units_count_against_either_decision():
    sure, doubtful = PassFailWatch(StopRule(required=0.99)), PassFailWatch(StopRule(required=0.99))
    known, open_ = sure.look(2000, 2000), doubtful.look(2000, 1900, 2000)
    assert known.word == MET
    assert open_.word == UNDECIDED
    assert open_.estimate.low < known.estimate.low
    assert open_.estimate.high == pytest.approx(known.estimate.high)
    assert doubtful.look(1000, 0, 100).word == NOT_MET
    bracketed = MeanWatch(StopRule(required=0.99)).look(np.full(500, 0.98), np.ones(500)).estimate
    assert bracketed.low < 0.98
    assert bracketed.high > 0.999


def test_a_decision_stands():
    watch = PassFailWatch(StopRule(required=0.9))
    assert watch.look(200, 200).word == MET
    look = watch.look(1000, 0)
    assert (look.word, look.stop, look.reason) == (MET, True, "the requirement is met")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: StopRule(), "a stop rule needs a required share, an absolute or a relative width"),
        (lambda: StopRule(required=1.0), "required = 1.0: a share strictly between 0 and 1 is needed"),
        (lambda: StopRule(absolute_width=0.0), "absolute_width = 0.0: a width above 0 is needed"),
        (
            lambda: StopRule(required=0.9, confidence=0.4),
            "confidence = 0.4: a bound needs a confidence between 0.5 and 1, both excluded",
        ),
        (
            lambda: PassFailWatch(StopRule(required=0.9)).look(5, 6),
            "units = 5, surely = 6, perhaps = 6: 0 <= surely <= perhaps <= units and a unit at least are needed",
        ),
        (
            lambda: MeanWatch(StopRule(required=0.9)).look([0.5, np.nan]),
            "low of 2, high of 2: as many finite shares with 0 <= low <= high <= 1",
        ),
    ],
)
def test_errors(call, message):
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        call()
