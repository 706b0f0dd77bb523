"""Success-run and allowed-failure sample sizes against published tables."""

from __future__ import annotations

import math

import pytest

from yieldsim.estimate.intervals import success_run_reliability, success_run_trials
from yieldsim.estimate.quantiles import quantile_estimate

CONFIDENCES = (0.50, 0.60, 0.70, 0.80, 0.90, 0.95, 0.99)
# n = ceil(ln(1 - C) / ln R), the classical success-run theorem; 59, 299 and 2995 are the textbook values at
# 95 %
SIZES = {
    0.80: (4, 5, 6, 8, 11, 14, 21),
    0.90: (7, 9, 12, 16, 22, 29, 44),
    0.95: (14, 18, 24, 32, 45, 59, 90),
    0.99: (69, 92, 120, 161, 230, 299, 459),
    0.995: (139, 183, 241, 322, 460, 598, 919),
    0.999: (693, 916, 1204, 1609, 2302, 2995, 4603),
}


@pytest.mark.parametrize("reliability", SIZES)
def test_table_without_failures(reliability):
    assert tuple(success_run_trials(reliability, c) for c in CONFIDENCES) == SIZES[reliability]


@pytest.mark.parametrize(
    ("reliability", "sizes"),
    [
        # binomial sample sizes with 0 to 5 failures allowed at 95 % confidence (common practice; with one
        # failure allowed, 93 and 473 are the two-sided sizes of Wilks 1941 for 95 % and 99 % content)
        (0.90, (29, 46, 61, 76, 89, 103)),
        (0.95, (59, 93, 124, 153, 181, 208)),
        (0.99, (299, 473, 628, 773, 913, 1049)),
    ],
)
def test_table_with_failures(reliability, sizes):
    assert tuple(success_run_trials(reliability, 0.95, k) for k in range(6)) == sizes


@pytest.mark.parametrize(
    ("trials", "confidence", "reliability"),
    # classical convention R = (1 - C)**(1 / n), not the one with n + 1
    [(10, 0.90, 0.794328), (29, 0.95, 0.901855), (59, 0.95, 0.950492), (99, 0.99, 0.954548)],
)
def test_reliability_shown(trials, confidence, reliability):
    assert success_run_reliability(trials, confidence) == pytest.approx(reliability, abs=6e-7)
    assert success_run_reliability(trials, confidence) == pytest.approx((1 - confidence) ** (1 / trials), rel=1e-12)


def test_least_of_59_bounds_the_five_percent_quantile():
    # Wilks (1941), one-sided 95 % content at 95 % confidence: 59 observations, and not 58
    assert quantile_estimate(range(59), 0.05, 0.95).low == 0.0
    assert quantile_estimate(range(58), 0.05, 0.95).low == -math.inf
