"""How far down the data of the inputs support a tail."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.stats import norm

from yieldsim.analysis.support import data_support
from yieldsim.analysis.tail import Asked, FailureParameter, tail
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.settings import Settings
from yieldsim.report.terminal import text_of


def row(name: str, score: float, importance: float, level: str = "unit") -> FailureParameter:
    return FailureParameter(name, level, score, importance, None, None, "")


def test_data_end_where_the_largest_of_the_sample_is_expected(small: Design) -> None:
    # 30 parts reach to the quantile 30 / 31; one input alone with its failure point at 3 standard scores: the failure
    # probability at the end of the data is 1 / 31 itself
    found = data_support(small, 3.0, [row("harvester.peak_emf", -3.0, 1.0)])
    assert found.down_to == pytest.approx(1.0 / 31.0)
    assert found.reach == pytest.approx(norm.ppf(30.0 / 31.0))
    assert (found.input, found.sample_size, found.extrapolates, found.without_data) == (
        "harvester.peak_emf",
        30,
        True,
        (),
    )


def test_a_share_of_the_failure_point_reaches_further(small: Design) -> None:
    # at 45 degrees between two inputs the same data carry sqrt(2) times as far
    found = data_support(
        small, 3.0, [row("harvester.peak_emf", -(3.0 / 2**0.5), 0.5), row("harvester.coil_resistance", 2.1, 0.5)]
    )
    assert found.down_to == pytest.approx(norm.sf(2**0.5 * norm.ppf(30.0 / 31.0)))
    assert found.without_data == ("harvester.coil_resistance (unit)",)


def test_within_the_data(small: Design) -> None:
    found = data_support(small, 1.0, [row("harvester.peak_emf", -1.0, 1.0)])
    assert not found.extrapolates
    assert found.down_to < norm.sf(1.0)


def test_nothing_measured(small: Design) -> None:
    bare = small.with_parameter(replace(small.parameters["harvester.peak_emf"], sample_size=None))
    found = data_support(bare, 3.0, [row("harvester.peak_emf", -3.0, 1.0), row("harvester.speed", 0.1, 0.001)])
    assert (found.down_to, found.input, found.extrapolates) == (None, None, True)
    assert found.without_data == ("harvester.peak_emf (unit)",)


def test_tail_says_it(small: Design) -> None:
    # without losses there is one outcome of the link; the mixture has a failure point wherever it answers
    rare = small.with_nominal("link.frame_loss", 0.0).with_nominal("link.acknowledgement_loss", 0.0)
    rare = rare.with_nominal("harvester.peak_emf", 12.2)
    result = tail(rare, Settings(threads=1), Condition(60.0, 10.0), Asked(target=0.5, method="mixture", budget=5000))
    cell = result.cells[0]
    assert cell.most_probable_point is not None
    support = cell.data_support
    assert support is not None
    assert (support.input, support.sample_size) == ("harvester.peak_emf", 30)
    assert support.down_to is not None
    assert cell.failure < support.down_to < 0.5
    text = " ".join(text_of(result).split())
    assert "Data: the 30 measured parts of harvester.peak_emf (unit) reach to about 1.8 standard scores" in text
    assert "the answer extrapolates them" in text
