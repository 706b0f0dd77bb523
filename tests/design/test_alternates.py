"""Approved second sources: how a file names them, what is refused, and that each is a design written in full."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from yieldsim.design.reading import design_from_toml, json_schema, read_design
from yieldsim.words.errors import InputError

CONFIGS = Path(__file__).parents[2] / "configs"
VALVE = (CONFIGS / "valve-turn.toml").read_text(encoding="utf-8")
CAPACITOR = """
[[alternate]]
name = "ceramic B"
[alternate.storage]
esr = "60 mohm"
[alternate.storage.capacitance]
nominal = "33 uF"
tolerance = "±20 %"
bias = [["0 V", 1.0], ["4 V", 0.8], ["16 V", 0.2]]
"""
REGULATOR = """
[[alternate]]
name = "buck"
[alternate.regulator]
kind = "buck"
output = "2.5 V ±2 %"
start_voltage = "2.7 V ±3 %"
stop_voltage = "1.8 V"
efficiency = "88 %"
voltage_rating = "12 V"
[[alternate.correlation]]
between = ["harvester.peak_emf", "storage.capacitance"]
rank = 0.2
level = "unit"
"""
LOADS = """
[[alternate]]
name = "radio C"
[[alternate.radio.sequence]]
step = "wake"
duration = "3 ms"
current = "4 mA ±5 %"
[[alternate.radio.sequence]]
step = "transmit"
frame = { octets = 31, bit_rate = "250 kbit/s", overhead_octets = 6 }
current = "10 mA"
[[alternate.radio.sequence]]
step = "listen"
acknowledgement = { earliest = "0.544 ms", timeout = "0.864 ms" }
current = "8 mA"
"""


def read(*more: str):
    return design_from_toml(VALVE + "".join(more), "valve.toml", CONFIGS)


def told(*more: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(*more)
    return str(caught.value).splitlines()


def full(*edits: tuple[str, str]):
    """The demo with what an alternate replaces written in its place."""
    text = VALVE
    for old, new in edits:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return design_from_toml(text, "valve.toml", CONFIGS)


CAPACITANCE_STATED = VALVE[VALVE.index("[storage.capacitance]") : VALVE.index("[regulator]")]


def test_an_alternate_is_the_design_written_out_in_full():
    by_hand = full(
        ('esr = "40 mohm"', 'esr = "60 mohm"'),
        (
            CAPACITANCE_STATED,
            '[storage.capacitance]\nnominal = "33 uF"\ntolerance = "±20 %"\n'
            'bias = [["0 V", 1.0], ["4 V", 0.8], ["16 V", 0.2]]\n',
        ),
    )
    made = read(CAPACITOR).with_alternate("ceramic B")
    assert made.parameters == by_hand.parameters
    assert (made.hash, made.conditions_hash, made.warnings) == (by_hand.hash, by_hand.conditions_hash, by_hand.warnings)
    assert made.alternates == ()
    assert made.title == "Valve-turn reporter, revision B (ceramic B)"
    # keys of a section that it does not name stay, and a value that it names is replaced whole: no law is left over
    assert made.storage.insulation == by_hand.storage.insulation
    assert made.parameters["storage.capacitance"].ageing == ()


def test_a_section_that_names_its_kind_is_replaced_whole():
    made = read(REGULATOR).with_alternate("buck")
    assert made.regulator.kind == "buck"
    assert made.regulator.dropout is None
    assert made.regulator.start_delay.nominal == 0.0
    assert [c.between for c in made.correlations] == [("harvester.peak_emf", "storage.capacitance")]


def test_a_list_is_replaced_whole():
    made = read(LOADS).with_alternate("radio C")
    assert [step.name for step in made.radio.sequence] == ["wake", "transmit", "listen"]
    assert made.radio.minimum_supply.nominal == 1.9
    assert "radio.minimum_supply" not in read(LOADS).alternates[0].own


def test_several_stand_side_by_side():
    design = read(CAPACITOR, REGULATOR, LOADS)
    assert [alternate.name for alternate in design.alternates] == ["ceramic B", "buck", "radio C"]
    assert design.with_alternate("buck").storage == design.storage
    assert design.with_alternate("ceramic B").regulator == design.regulator


def test_the_stated_design_is_untouched():
    plain, having = read(), read(CAPACITOR, REGULATOR)
    assert replace(having, alternates=(), text=VALVE) == plain
    assert replace(having, alternates=()).hash == plain.hash
    assert having.parameters == plain.parameters
    assert having.conditions_hash == plain.conditions_hash
    # regression only: the hash of the demo as it was before a file could have alternates
    assert read_design(CONFIGS / "valve-turn.toml").hash == "54e0172b3b9acb72"


def test_alternates_count_in_the_hash_of_a_design_that_has_them():
    hashes = {read().hash, read(CAPACITOR).hash, read(CAPACITOR.replace("33 uF", "34 uF")).hash}
    hashes.add(read(CAPACITOR.replace("[alternate.storage]", 'share = "30 %"\n[alternate.storage]')).hash)
    assert len(hashes) == 4


def test_what_is_changed_in_the_design_is_changed_with_its_alternates_too():
    design = read(CAPACITOR).with_nominal("harvester.peak_emf", "17 V").with_nominal("storage.capacitance", "27 uF")
    made = design.with_alternate("ceramic B")
    assert made.parameters["harvester.peak_emf"].nominal == 17.0
    assert made.parameters["storage.capacitance"].nominal == pytest.approx(33e-6)
    assert design.parameters["storage.capacitance"].nominal == pytest.approx(27e-6)
    insulation = replace(design.parameters["storage.insulation"], nominal=50.0)
    assert design.with_parameter(insulation).with_alternate("ceramic B").storage.insulation.nominal == 50.0


def test_shares():
    design = read(CAPACITOR.replace("[alternate.storage]", 'share = "30 %"\n[alternate.storage]'))
    assert design.alternates[0].share == pytest.approx(0.3)
    assert read(CAPACITOR).alternates[0].share is None


def test_an_unknown_name_is_refused():
    with pytest.raises(InputError) as caught:
        read(CAPACITOR).with_alternate("ceramc B")
    assert str(caught.value) == "valve.toml: alternate = ceramc B: no alternate has this name; did you mean ceramic B?"
    with pytest.raises(InputError) as caught:
        read().with_alternate("ceramic B")
    remedy = "add [[alternate]] with a name and the keys that it replaces"
    assert str(caught.value) == f"valve.toml: alternate = ceramic B: the design has no alternates; {remedy}"


WRONG = [
    (
        CAPACITOR.replace('nominal = "33 uF"', 'nominal = "33 uV"'),
        'alternate[1].storage.capacitance.nominal = "33 uV": "uV" is not a unit here; units here: F, mF, uF, nF, pF',
    ),
    (
        CAPACITOR.replace("esr =", "esrr ="),
        'alternate[1].storage.esrr = "60 mohm": unknown key; did you mean esr?',
    ),
    (
        CAPACITOR.replace("alternate.storage", "alternate.storge").replace('tolerance = "±20 %"\n', ""),
        'alternate[1].storge = { esr = "60 mohm", capacitance = { nominal = "33 uF", bia...: unknown key; did you mean '
        "storage?",
    ),
    (
        '[[alternate]]\nname = "nothing"\n',
        "alternate[1]: it replaces no key of any section; add one, for example [alternate.storage]; sections: "
        "harvester, precharge, rectifier, storage, regulator, radio, link, correlation",
    ),
    (
        CAPACITOR.replace('name = "ceramic B"\n', ""),
        'alternate[1].name: missing; add it, for example name = "second source"',
    ),
    (
        CAPACITOR.replace("ceramic B", "as stated"),
        'alternate[1].name = "as stated": this name is taken by the parts as stated; choose another name',
    ),
    (
        CAPACITOR + CAPACITOR.replace("33 uF", "30 uF"),
        'alternate[2].name = "ceramic B": two alternates of one name; give each its own name',
    ),
    (
        CAPACITOR.replace("[alternate.storage]", 'share = "30 %"\n[alternate.storage]') + REGULATOR,
        "alternate[2].share: missing, and another alternate has one; give all alternates a share, or none; without "
        "shares sign-off must hold for each",
    ),
    (
        CAPACITOR.replace("[alternate.storage]", 'share = "60 %"\n[alternate.storage]')
        + REGULATOR.replace("[alternate.regulator]", 'share = "50 %"\n[alternate.regulator]'),
        "alternate: the shares of the alternates add up to 110 %; keep them to 100 %; the rest has the parts as stated",
    ),
    (
        CAPACITOR.replace("[alternate.storage]", 'share = "0 %"\n[alternate.storage]'),
        'alternate[1].share = "0 %": must be above 0 %; give a larger value',
    ),
    (
        # what does not fit the stated parts: a start voltage below the stop voltage of the configuration
        '[[alternate]]\nname = "early"\n[alternate.regulator]\nstart_voltage = "1.6 V"\n',
        "alternate[1].regulator.stop_voltage = 1.7 V: above the start voltage 1.6 V; lower it: a regulator starts "
        "at or above the voltage at which it stops",
    ),
]


@pytest.mark.parametrize(("text", "expected"), WRONG, ids=range(len(WRONG)))
def test_what_is_refused(text, expected):
    lines = told(text)
    assert f"valve.toml: {expected}" in lines


def test_all_faults_are_told_at_once_and_those_of_the_stated_parts_once():
    wrong = VALVE.replace('esr = "40 mohm"', 'esr = "40 mV"').replace('"2.5 V ±2 %"', '"2.5 W"')
    wrong += CAPACITOR.replace("33 uF", "-33 uF") + REGULATOR.replace("88 %", "8800 %")
    with pytest.raises(InputError) as caught:
        design_from_toml(wrong, "valve.toml")
    keys = [problem.key for problem in caught.value.problems]
    assert keys == [
        "storage.esr",
        "regulator.output",
        "alternate[1].storage.capacitance.nominal",
        "alternate[2].regulator.efficiency",
    ]


def test_the_schema_knows_the_keys_of_an_alternate_and_asks_for_none_of_a_section():
    schema = json_schema()
    alternate = schema["$defs"]["AlternateTable"]
    assert alternate["required"] == ["name"]
    (reference,) = alternate["properties"]["storage"]["anyOf"]
    partial = schema["$defs"][reference["$ref"].rpartition("/")[2]]
    assert set(partial["properties"]) == set(schema["$defs"]["StorageTable"]["properties"])
    assert "required" not in partial
    assert "oneOf" not in partial
    assert set(tomllib.loads(CAPACITOR)["alternate"][0]) <= set(alternate["properties"])
