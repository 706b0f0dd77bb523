"""Estimate and interval against effort."""

from __future__ import annotations

import re

import pytest

from yieldsim.estimate.convergence import convergence_of, efforts
from yieldsim.estimate.intervals import Estimate


def test_efforts_are_whole_blocks_and_end_with_all_units():
    assert efforts(3072, 1024) == [1024, 2048, 3072]
    assert efforts(2500, 1024) == [1024, 2048, 2500]
    assert efforts(100, 1024) == [100]
    assert efforts(3072, 1024, looks=1) == [3072]
    many = efforts(1_000_000, 1000, looks=10)
    assert many[0] == 1000
    assert many[-1] == 1_000_000
    assert 2 <= len(many) <= 10
    assert all(n % 1000 == 0 for n in many)


def test_any_estimate():
    told = convergence_of(lambda n: Estimate(1.0 / n, 0.0, 2.0 / n, 0.95, f"of {n}"), [1, 2, 4])
    assert told.value.tolist() == [1.0, 0.5, 0.25]
    assert told.high.tolist() == [2.0, 1.0, 0.5]
    assert told.method == "of 4"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: convergence_of(None, [2, 2]), "units = [2, 2]: increasing numbers of units, from 1 on, are needed"),
        (lambda: convergence_of(None, []), "units = []: increasing numbers of units, from 1 on, are needed"),
        (lambda: efforts(0, 4), "units = 0, block = 4, looks = 24: each must be 1 or more"),
    ],
)
def test_errors(call, message):
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        call()
