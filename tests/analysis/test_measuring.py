"""What to measure next: plausible widths by basis, and the order of the list."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.stats import chi2

from yieldsim.analysis.rankings.measuring import (
    ASSUMED,
    DATASHEET,
    Influence,
    measure_next,
    plausible_width,
    sample_size_of,
)
from yieldsim.design.schema import Design


def test_width_of_a_measured_tolerance_is_the_chi_squared_interval(small: Design) -> None:
    # 30 parts: s sqrt(29 / chi2) with the 2.5 % and 97.5 % points of 29 degrees of freedom, 16.047 and 45.722
    # (chi-squared table, NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.4; from memory)
    emf = small.parameters["harvester.peak_emf"]
    low, high = plausible_width(emf, "unit")
    assert low == pytest.approx((29 / 45.722) ** 0.5, rel=1e-4)
    assert high == pytest.approx((29 / 16.047) ** 0.5, rel=1e-4)
    assert high == pytest.approx((29 / chi2.ppf(0.025, 29)) ** 0.5, rel=1e-12)


def test_width_by_basis(small: Design) -> None:
    assert plausible_width(small.parameters["storage.capacitance"], "unit") == DATASHEET
    assert plausible_width(small.parameters["harvester.coil_resistance"], "unit") == ASSUMED
    unknown = replace(small.parameters["harvester.peak_emf"], sample_size=None)
    assert plausible_width(unknown, "unit") == ASSUMED
    assert sample_size_of(unknown, "unit") is None
    # a sample size beside numbers that are not measured is nothing that a width could rest on
    assert sample_size_of(replace(unknown, basis="assumed", sample_size=30), "unit") is None


def test_much_influence_on_a_guess_comes_first(small: Design) -> None:
    rows = [
        Influence("harvester.peak_emf", "unit", "measured", 0.5, True),
        Influence("harvester.coil_resistance", "unit", "assumed", 0.3, True),
        Influence("storage.capacitance", "unit", "datasheet", 0.15, True),
        Influence("regulator.quiescent + regulator.dropout", "unit", "assumed", 0.05, True),
        Influence("radio.boot.current", "unit", "assumed", 0.2, False),
        Influence("rectifier.forward_drop", "unit", "assumed", 0.001, True),
        Influence("ambient temperature", "mission", "given", 0.4, True),
    ]
    found = measure_next(small, rows)
    assert [row.name for row in found] == [
        "harvester.coil_resistance",
        "harvester.peak_emf",
        "regulator.quiescent + regulator.dropout",
        "storage.capacitance",
    ]
    assert found[0].swing == pytest.approx(0.3 * (4.0 - 0.25))
    assert found[0].reason == "assumed"
    assert found[1].reason == "measured on 30 parts only"
    assert found[3].swing == pytest.approx(0.15 * 0.75)


def test_a_large_sample_leaves_nothing_to_measure(small: Design) -> None:
    known = small.with_parameter(replace(small.parameters["harvester.peak_emf"], sample_size=1_000_000))
    assert measure_next(known, [Influence("harvester.peak_emf", "unit", "measured", 0.9, True)]) == ()
