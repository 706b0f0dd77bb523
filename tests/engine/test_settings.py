"""Effort, seed, accuracy and confidence: what is refused, and what determines a result."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields, replace
from typing import Any

import pytest

from yieldsim.engine.settings import DEFAULT_ACCURACY, Settings
from yieldsim.words.errors import InputError


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"units": 1}, "units = 1: too low; use 2 or more"),
        ({"actuations": 0}, "actuations = 0: too low; use 1 or more"),
        ({"threads": 0}, "threads = 0: too low; use 1 or more"),
        ({"seed": -1}, "seed = -1: too low; use 0 or more"),
        ({"lots": 1}, "lots = 1: too low; use 2 or more"),
        ({"effort": 1000}, "effort = 1000: Sobol' points come in powers of two; use 1024 or 2048"),
        ({"effort": 1}, "effort = 1: Sobol' points come in powers of two; use 1024 or 2048"),
        ({"effort": 0}, "effort = 0: Sobol' points come in powers of two; use 1024 or 2048"),
        ({"accuracy": 0.001}, "accuracy = 0.001 V: out of range; use 0.000001 mV to 0.5 mV"),
        ({"accuracy": 0.0}, "accuracy = 0.0 V: out of range; use 0.000001 mV to 0.5 mV"),
        ({"accuracy": float("nan")}, "accuracy = nan V: out of range; use 0.000001 mV to 0.5 mV"),
        ({"confidence": 1.0}, "confidence = 1.0: out of range; use 0.5 or more and below 1"),
        ({"confidence": 0.4}, "confidence = 0.4: out of range; use 0.5 or more and below 1"),
        ({"confidence": float("nan")}, "confidence = nan: out of range; use 0.5 or more and below 1"),
    ],
)
def test_what_cannot_be_run_is_refused(given: dict[str, Any], message: str) -> None:
    with pytest.raises(InputError) as caught:
        Settings(**given)
    assert str(caught.value) == message
    with pytest.raises(InputError):
        replace(Settings(), **given)


def test_all_faults_at_once() -> None:
    with pytest.raises(InputError) as caught:
        Settings(units=0, actuations=0, lots=0, effort=3, seed=-5, accuracy=1.0, confidence=2.0, threads=-1)
    assert [p.key for p in caught.value.problems] == [
        *("units", "actuations", "threads", "seed", "lots", "effort", "accuracy", "confidence"),
    ]


@pytest.mark.parametrize(
    "given",
    [
        {"units": 2, "actuations": 1, "lots": 2, "effort": 2, "seed": 0, "threads": 1},
        {"accuracy": 1e-9, "confidence": 0.5},
        {"accuracy": DEFAULT_ACCURACY, "confidence": 0.999999, "seed": 2**63},
    ],
)
def test_the_ends_of_the_ranges_are_accepted(given: dict[str, Any]) -> None:
    made = Settings(**given)
    assert {name: getattr(made, name) for name in given} == given


def test_everything_that_determines_a_result_is_told() -> None:
    # the seed stands in the envelope by itself; threads change nothing
    told = Settings(units=7, lots=3).as_dict()
    assert set(told) == {field.name for field in fields(Settings)} - {"seed", "threads"}
    assert (told["units"], told["lots"], told["confidence"]) == (7, 3, None)
    assert Settings(threads=5).as_dict() == Settings(threads=1).as_dict()


def test_settings_do_not_change() -> None:
    with pytest.raises(FrozenInstanceError):
        Settings().units = 5  # type: ignore[misc]
