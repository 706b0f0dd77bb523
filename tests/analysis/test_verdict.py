"""The verdict is a function of bounds; a point estimate never decides."""

from __future__ import annotations

import math

import pytest
from scipy.stats import binomtest

from yieldsim.analysis.verdict import (
    MET,
    NONE,
    NOT_MET,
    UNDECIDED,
    judge,
    judged,
    more_units,
    overall,
    percent,
)
from yieldsim.estimate.intervals import Estimate


def estimate(value: float, low: float, high: float) -> Estimate:
    return Estimate(value, low, high, 0.95, "made up")


@pytest.mark.parametrize(
    ("low", "high", "word"),
    [
        (0.996, 0.999, MET),
        (0.995, 0.999, MET),  # a bound that reaches it exactly
        (0.990, 0.9949, NOT_MET),
        (0.990, 0.995, UNDECIDED),  # the upper bound still reaches it
        (0.990, 0.999, UNDECIDED),
    ],
)
def test_bounds_decide(low: float, high: float, word: str) -> None:
    assert judge(low, high, 0.995) == word


def test_a_point_estimate_above_the_requirement_does_not_decide() -> None:
    part = judged("unit yield", estimate(0.998, 0.991, 0.9996), 0.995, "of units comply")
    verdict = overall(part, ())
    assert verdict.word == UNDECIDED
    assert verdict.deciding_bound == 0.991
    # negative control: the same point estimate with a tighter bound is met
    assert overall(judged("unit yield", estimate(0.998, 0.9951, 0.9996), 0.995, "of units"), ()).word == MET


def test_the_reason_tells_the_numbers() -> None:
    subject = "of units reach 99.9 % completion in every condition"
    texts = {
        (
            0.9,
            0.8,
            0.9123,
        ): "At most 91.3 % of units reach 99.9 % completion in every condition (at 95 % confidence); "
        "99.5 % is required.",
        (0.999, 0.99647, 1.0): "At least 99.64 % of units reach 99.9 % completion in every condition "
        "(at 95 % confidence); 99.5 % is required.",
        (0.996, 0.99, 0.9987): "Between 99 % and 99.87 % of units reach 99.9 % completion in every condition "
        "(each bound at 95 % confidence); 99.5 % is required.",
    }
    for numbers, text in texts.items():
        assert judged("unit yield", estimate(*numbers), 0.995, subject).reason == text


def part(word: str, name: str = "rule", more: int | None = None):
    low, high = {MET: (0.99, 1.0), NOT_MET: (0.1, 0.2), UNDECIDED: (0.5, 1.0)}[word]
    return judged(name, estimate(0.5 * (low + high), low, high), 0.9, f"of {name}", more)


@pytest.mark.parametrize(
    ("units", "rules", "word"),
    [
        (MET, [], MET),
        (MET, [MET, MET], MET),
        (MET, [UNDECIDED], UNDECIDED),
        (MET, [UNDECIDED, NOT_MET], NOT_MET),
        (UNDECIDED, [MET], UNDECIDED),
        (UNDECIDED, [NOT_MET], NOT_MET),
        (NOT_MET, [MET, UNDECIDED], NOT_MET),
        (None, [], NONE),
        (None, [MET], NONE),  # nothing is required of the units, so nothing is met as a whole
        (None, [UNDECIDED], NONE),
        (None, [NOT_MET], NOT_MET),
    ],
)
def test_requirements_combine(units: str | None, rules: list[str], word: str) -> None:
    assert overall(None if units is None else part(units, "units"), [part(r) for r in rules]).word == word


def test_what_is_not_met_is_told_first_with_its_own_bound() -> None:
    verdict = overall(part(MET, "units"), [part(NOT_MET, "stress")], (60.0, 12.0))
    assert (verdict.deciding_bound, verdict.required, verdict.worst_cell) == (0.2, 0.9, (60.0, 12.0))
    assert verdict.reason == "At most 20 % of stress (at 95 % confidence); 90 % is required."


def exact_bound(successes: int, trials: int, side: str) -> float:
    """One-sided 95 % bound, the end of scipy's exact two-sided interval at 90 %."""
    interval = binomtest(successes, trials).proportion_ci(confidence_level=0.90, method="exact")
    return interval.low if side == "low" else interval.high


@pytest.mark.parametrize(("share", "units", "required"), [(0.998, 1000, 0.995), (0.52, 400, 0.5), (0.47, 400, 0.5)])
def test_more_units_decide_it_and_fewer_do_not(share: float, units: int, required: float) -> None:
    more = more_units(share, units, required, 0.95)
    assert more is not None
    assert more > 0
    for n, decided in ((units + more, True), (units + more - 1, False)):
        if share > required:
            assert (exact_bound(math.floor(share * n + 1e-9), n, "low") >= required) is decided
        else:
            assert (exact_bound(math.ceil(share * n - 1e-9), n, "high") < required) is decided


def test_more_units_without_a_failure_is_the_success_run() -> None:
    # ln(0.05) / ln(0.995) = 597.6: the classical success run needs 598 units (ISO 16269-6, and any textbook)
    assert more_units(1.0, 100, 0.995, 0.95) == 598 - 100


def test_more_units_is_silent_where_units_are_not_what_lacks() -> None:
    assert more_units(1.0, 598, 0.995, 0.95) is None  # so many decide already
    assert more_units(0.995, 1000, 0.995, 0.95) is None  # on the line
    assert more_units(0.995 + 1e-9, 1000, 0.995, 0.95) is None  # would take for ever


def test_undecided_in_two_ways_needs_the_larger_number() -> None:
    verdict = overall(part(UNDECIDED, "units", 300), [part(UNDECIDED, "rule", 500)])
    assert verdict.more_units == 500
    assert overall(part(UNDECIDED, "units", 300), [part(UNDECIDED, "rule")]).more_units is None
    assert overall(part(MET, "units", 300), []).more_units is None


@pytest.mark.parametrize(
    ("share", "down", "text"),
    [
        (0.999, None, "99.9 %"),
        (0.9993127, None, "99.931 %"),
        (0.9993127, True, "99.931 %"),
        (0.9993127, False, "99.932 %"),
        (0.024, False, "2.4 %"),
        (0.0, True, "0 %"),
        (1.0, False, "100 %"),
        (0.5, None, "50 %"),
        (0.00077, None, "0.077 %"),
    ],
)
def test_shares_keep_two_digits_of_what_is_missing(share: float, down: bool | None, text: str) -> None:
    assert percent(share, down=down) == text
