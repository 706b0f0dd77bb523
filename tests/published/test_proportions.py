"""Intervals for a single proportion against published examples."""

from __future__ import annotations

import pytest

from yieldsim.estimate.intervals import clopper_pearson_interval, wilson_interval


def test_clopper_pearson_of_the_nist_handbook():
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.4.1: 4 defective of 20, 90 % two-sided;
    # values from memory
    low, high = clopper_pearson_interval(4, 20, 0.90)
    assert low == pytest.approx(0.071354, abs=6e-7)
    # the handbook rounds the upper limit to 0.401029; the exact one is 0.4010281
    assert high == pytest.approx(0.401029, abs=1.1e-6)


@pytest.mark.parametrize(
    ("successes", "trials", "wilson", "exact"),
    [
        # Newcombe (1998), Statistics in Medicine 17, 857-872, table I, methods 3 and 5; values from memory of
        # the paper
        (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
        (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
        (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
        (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
    ],
)
def test_newcombe_table_one(successes, trials, wilson, exact):
    assert wilson_interval(successes, trials, 0.95) == pytest.approx(wilson, abs=5.1e-5)
    assert clopper_pearson_interval(successes, trials, 0.95) == pytest.approx(exact, abs=5.1e-5)


@pytest.mark.parametrize(
    ("successes", "trials", "confidence", "wilson"),
    [
        # inputs of NIST/SEMATECH e-Handbook section 7.2.4 (26 defects in 200 wafers, value from memory);
        # limits from the closed form of Wilson (1927) worked out apart
        (26, 200, 0.90, (0.0957727, 0.1741042)),
        (26, 200, 0.95, (0.0902820, 0.1836635)),
        (81, 263, 0.95, (0.2552885199, 0.3662095770)),
        (15, 148, 0.95, (0.0623863995, 0.1604872417)),
    ],
)
def test_wilson_digits(successes, trials, confidence, wilson):
    assert wilson_interval(successes, trials, confidence) == pytest.approx(wilson, abs=6e-8)
