"""A design with one parameter changed, and what is refused then."""

from dataclasses import replace

import pint
import pytest

from yieldsim.design.parameter import Tolerance
from yieldsim.words.errors import InputError


def told(act, *arguments):
    with pytest.raises(InputError) as caught:
        act(*arguments)
    return str(caught.value)


@pytest.mark.parametrize("value", [27e-6, "27 uF", pint.UnitRegistry().Quantity(27, "microfarad")])
def test_another_nominal(valve, value):
    other = valve.with_nominal("storage.capacitance", value)
    assert other.storage.capacitance.nominal == pytest.approx(27e-6, rel=1e-15)
    assert valve.storage.capacitance.nominal == 47e-6
    assert other.storage.capacitance.tolerances == valve.storage.capacitance.tolerances
    assert (other.radio, other.harvester) == (valve.radio, valve.harvester)
    assert other.hash != valve.hash
    assert other.with_nominal("storage.capacitance", "47 uF").hash == valve.hash


def test_every_parameter_can_be_replaced_and_nothing_else_moves(valve):
    for name, parameter in valve.parameters.items():
        other = valve.with_parameter(replace(parameter, note="changed"))
        changed = {n for n, p in other.parameters.items() if p.note != valve.parameters[n].note}
        assert changed == {name}
        assert list(other.parameters) == list(valve.parameters)


def test_the_coefficient_of_a_law(valve):
    other = valve.with_nominal("storage.capacitance.ageing.change", "-3 %")
    assert other.storage.capacitance.ageing[0].change.nominal == -0.03


def test_a_forward_drop_moves_its_whole_curve(valve):
    drop = valve.with_nominal("rectifier.forward_drop", "0.5 V").rectifier.forward_drop
    assert drop.nominal == drop.points[-1][1] == 0.5
    assert drop.points[0] == (0.01, pytest.approx(0.40))


def test_what_is_refused(valve):
    assert told(valve.with_nominal, "storage.capacitanc", 1.0) == (
        "storage.capacitanc: no parameter of the design has this name; did you mean storage.capacitance?"
    )
    assert told(valve.with_nominal, "storage.capacitance", -1.0) == (
        "storage.capacitance = -1 F: must be above 0 F; give a possible value"
    )
    assert told(valve.with_nominal, "storage.capacitance", float("nan")) == (
        "storage.capacitance = nan: not a finite number; give a capacitance in SI"
    )
    assert told(valve.with_nominal, "storage.capacitance", "2 V") == (
        'storage.capacitance = "2 V": V belongs to a voltage, but a capacitance is due here; '
        "write it in F, mF, uF, nF, pF"
    )
    assert told(valve.with_nominal, "radio.minimum_supply", 2.5) == (
        "radio.minimum_supply = 2.5 V: above the lowest output 2.45 V (regulator.output); "
        "lower the minimum supply, or raise or tighten the output"
    )
    output = valve.parameters["regulator.output"]
    assert told(valve.with_parameter, replace(output, dimension="A")) == (
        "regulator.output = A: the parameter measures V; keep its dimension"
    )


def test_a_correlated_parameter_keeps_its_tolerance(valve):
    dropout = valve.parameters["regulator.dropout"]
    assert told(valve.with_parameter, replace(dropout, tolerances=())) == (
        'correlation[1].between = "regulator.dropout": the parameter has no tolerance, so nothing can be '
        "correlated; give it a tolerance, or take it out"
    )
    wide = replace(dropout, tolerances=(Tolerance("unit", "normal", True, sigma=0.5),))
    assert "its tolerance reaches below 0 V with probability 2.3e-02" in told(valve.with_parameter, wide)


def test_warnings_are_made_anew(valve):
    assert valve.with_nominal("storage.esr", "60 ohm").warnings == (
        "storage.esr: 60 ohm is an improbable value (probable: 100 uohm to 50 ohm)".replace("100 uohm", "0.1 mohm"),
    )
