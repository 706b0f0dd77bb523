"""A design with one number replaced, ties, and tables of candidate parts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.design.reading import read_design
from yieldsim.design.schema import Design, Message
from yieldsim.design.variation import (
    Tie,
    read_candidates,
    read_tie,
    tied_values,
    variable_of,
    variables,
    with_values,
)
from yieldsim.words.errors import InputError

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"
CAPACITANCE = "storage.capacitance"
STRETCH = "storage.capacitance.bias_stretch"


@pytest.fixture(scope="module")
def node() -> Design:
    return read_design(SMALL)


def test_every_number_can_be_put_back(node: Design) -> None:
    for key in variables(node):
        variable = variable_of(node, key)
        assert with_values(node, {key: variable.nominal}).hash == node.hash, key


@pytest.mark.parametrize(
    ("key", "value", "found"),
    [
        (CAPACITANCE, 22e-6, lambda d: d.storage.capacitance.nominal),
        ("radio.transmit.octets", 31.0, lambda d: d.radio.sequence[1].frame.octets),
        ("radio.transmit.bit_rate", 1e5, lambda d: d.radio.sequence[1].frame.bit_rate),
        ("link.attempts", 3.0, lambda d: d.link.attempts),
        ("storage.voltage_rating", 16.0, lambda d: d.storage.voltage_rating),
        ("regulator.voltage_rating", 16.0, lambda d: d.regulator.voltage_rating),
        ("radio.maximum_supply", 3.8, lambda d: d.radio.maximum_supply),
    ],
)
def test_a_number_is_where_the_file_would_put_it(node: Design, key: str, value: float, found: object) -> None:
    changed = with_values(node, {key: value})
    assert found(changed) == value  # type: ignore[operator]
    assert changed.hash != node.hash or key.endswith("_supply")


def test_a_stretched_bias_curve_loses_less_at_a_voltage(node: Design) -> None:
    stretched = with_values(node, {STRETCH: 2.0})
    assert stretched.storage.capacitance is not None
    assert stretched.storage.capacitance.bias == ((0.0, 1.0), (8.0, 0.88), (20.0, 0.5))


def test_ties_follow_powers_of_the_ratio(node: Design) -> None:
    variable = variable_of(node, CAPACITANCE)
    ties = [read_tie("storage.esr^-1"), read_tie("storage.voltage_rating ^ \u22120.5"), Tie("radio.transmit.octets")]
    found = tied_values(node, variable, ties, 4.0 * variable.nominal)
    assert found == {
        CAPACITANCE: 4.0 * variable.nominal,
        "storage.esr": pytest.approx(0.25 * 50e-3),
        "storage.voltage_rating": pytest.approx(5.0),
        "radio.transmit.octets": 80.0,
    }


@given(st.floats(0.2, 5.0), st.floats(-3.0, 3.0))
def test_a_tie_of_the_nominal_value_moves_nothing(ratio: float, power: float) -> None:
    node = read_design(SMALL)
    variable = variable_of(node, CAPACITANCE)
    there = tied_values(node, variable, [Tie("storage.esr", power)], ratio * variable.nominal)["storage.esr"]
    back = tied_values(node, variable, [Tie("storage.esr", power)], variable.nominal / ratio)["storage.esr"]
    assert there * back == pytest.approx((50e-3) ** 2)
    assert tied_values(node, variable, [Tie("storage.esr", power)], variable.nominal)["storage.esr"] == 50e-3


@pytest.mark.parametrize("text", ["", "a b", "storage.esr^", "storage.esr^x", "storage.esr^1.2.3"])
def test_what_is_no_tie_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="write KEY or KEY\\^POWER"):
        read_tie(text)


def test_wrong_names_and_impossible_values_are_refused(node: Design) -> None:
    with pytest.raises(InputError, match=r"did you mean storage\.capacitance"):
        variable_of(node, "storage.capacitence")
    with pytest.raises(InputError, match="an impossible value; use 1 or more"):
        with_values(node, {"radio.transmit.octets": 0.0})
    with pytest.raises(InputError, match="not a whole number; use 20"):
        with_values(node, {"radio.transmit.octets": 20.4})
    with pytest.raises(InputError, match="an impossible value; use a value above 0"):
        with_values(node, {"storage.voltage_rating": 0.0})
    with pytest.raises(InputError, match="tied twice"):
        tied_values(node, variable_of(node, CAPACITANCE), [Tie("storage.esr"), Tie("storage.esr")], 1e-6)
    with pytest.raises(InputError, match="has none here"):
        tied_values(node, variable_of(node, "storage.initial_voltage"), [Tie("storage.esr")], 1.0)


def test_octets_that_are_never_sent_are_refused(node: Design) -> None:
    radio = replace(node.radio, messages=(Message("a", 0.5, 10), Message("b", 0.5, 12)))
    with pytest.raises(InputError, match="never sent"):
        with_values(replace(node, radio=radio), {"radio.transmit.octets": 10.0})


def test_a_table_of_parts_is_read_with_its_units(node: Design, tmp_path: Path) -> None:
    file = tmp_path / "parts.csv"
    file.write_text(f"part;{CAPACITANCE};storage.voltage_rating;{STRETCH}\nB;33 uF;10 V;1\nA;22 uF;25 V;1.6\n")
    found = read_candidates(file, node, CAPACITANCE)
    assert [part.name for part in found] == ["A", "B"]
    assert dict(found[0].values) == {CAPACITANCE: 22e-6, "storage.voltage_rating": 25.0, STRETCH: 1.6}
    changed = with_values(node, dict(found[0].values))
    assert changed.storage.voltage_rating == 25.0
    assert changed.storage.capacitance is not None
    assert changed.storage.capacitance.bias == ((0.0, 1.0), (6.4, 0.88), (16.0, 0.5))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("part,storage.esr\nA,40 mohm\n", "no column of the sized number; add a column storage.capacitance"),
        ("storage.capacitance,esr\n22 uF,40 mohm\n", "this column is no number of the design"),
        ("storage.capacitance\n22\n", "a number without its unit"),
        ("storage.capacitance,storage.capacitance\n22 uF,33 uF\n", "one name twice"),
        ("storage.capacitance,storage.esr\n22 uF\n", "row 1 below the header has 1 cells, the header 2"),
        ("storage.capacitance\n", "no rows below its header line"),
    ],
)
def test_a_faulty_table_of_parts_is_refused(node: Design, tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "parts.csv"
    file.write_text(text)
    with pytest.raises(InputError) as error:
        read_candidates(file, node, CAPACITANCE)
    assert said in str(error.value)
    assert "parts.csv" in str(error.value)
