"""The hash of a design changes with every number and with nothing else."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.design.identity import fingerprint
from yieldsim.design.reading import design_from_toml

SAME = [
    ('title = "Valve-turn reporter, revision B"', 'title = "Another name"'),
    ('note = "40 mechanisms, bench of March"', 'note = "other words"'),
    ('basis = "measured"', 'basis = "datasheet"'),
    ('nominal = "47 uF"', 'nominal = "0.047 mF"'),
    ('"100 ohm ±5 %"', '"0.1 kohm +5/-5 %"'),
    ('start = "0 ms"', 'start = "0 s"'),
]
OTHER = [
    ('nominal = "47 uF"', 'nominal = "47.0000001 uF"'),
    ('"100 ohm ±5 %"', '"100 ohm ±6 %"'),
    ('level = "unit"\n', 'level = "lot"\n'),
    ('shape = "uniform"', 'shape = "triangular"'),
    ('change = "-2.5 %", from = 100', 'change = "-2.5 %", from = 101'),
    ('["4 V", 0.87]', '["4 V", 0.86]'),
    ('"-1.3 mV/K"', '"-1.4 mV/K"'),
    ('step = "boot"', 'step = "wake"'),
    ("octets = 31", "octets = 32"),
    ("attempts = 2", "attempts = 3"),
    ("rank = -0.4", "rank = -0.3"),
    ('reverse_rating = "30 V"', 'reverse_rating = "31 V"'),
    ('since_soldering = "1000 h"', 'since_soldering = "1001 h"'),
    ("sample_size = 40", "sample_size = 41"),
    ('maximum_supply = "3.8 V"', 'maximum_supply = "3.9 V"'),
]
CONDITIONS = [
    ('"60 degC"]', '"61 degC"]'),
    ('completion = "99.9 %"', 'completion = "99.8 %"'),
    ('at_most = "70 %"', 'at_most = "71 %"'),
    ("actuations_per_day = 30", "actuations_per_day = 31"),
]


@pytest.mark.parametrize("edit", SAME)
def test_words_do_not_count(changed, valve, edit):
    assert changed(edit).hash == valve.hash


@pytest.mark.parametrize("edit", OTHER)
def test_numbers_and_names_count(changed, valve, edit):
    assert changed(edit).hash != valve.hash
    assert changed(edit).conditions_hash == valve.conditions_hash


@pytest.mark.parametrize("edit", CONDITIONS)
def test_conditions_are_hashed_apart(changed, valve, edit):
    assert changed(edit).hash == valve.hash
    assert changed(edit).conditions_hash != valve.conditions_hash


def test_every_nominal_counts(valve):
    hashes = {valve.hash}
    for parameter in valve.parameters.values():
        near = parameter.nominal * (1 - 1e-12) if parameter.nominal else 1e-12
        hashes.add(valve.with_parameter(replace(parameter, nominal=near)).hash)
    assert len(hashes) == 1 + len(valve.parameters)


def test_the_contents_of_a_file_count_and_not_its_name(changed, tmp_path):
    def read(name: str, content: str) -> str:
        (tmp_path / name).write_text(content)
        written = f'tolerance = {{ shape = "measured", file = "{name}", column = "v" }}'
        return changed(('tolerance = { sigma = "8 %" }', written)).hash

    first = read("a.csv", "v\n1\n1.1\n1.2\n")
    assert read("b.csv", "v\n1.2\n1\n1.1\n") == first
    assert read("b.csv", "v\n1.2\n1\n1.15\n") != first


def test_its_form_and_that_it_does_not_depend_on_the_process(valve):
    assert len(valve.hash) == len(valve.conditions_hash) == 16
    assert int(valve.hash, 16) >= 0
    # regression only: the same file must hash alike on every machine and version of Python
    assert fingerprint((1, 2.5, "a", None, True)) == "0ecf146cebf20da8"


@given(st.tuples(st.floats(allow_nan=False), st.floats(allow_nan=False)))
def test_two_numbers_hash_alike_only_when_equal(pair):
    assert (fingerprint((pair[0],)) == fingerprint((pair[1],))) == (pair[0] == pair[1])


def test_where_things_stand_counts(valve):
    assert fingerprint(((1.0,), (2.0, 3.0))) != fingerprint(((1.0, 2.0), (3.0,)))
    assert design_from_toml(valve.text).hash == valve.hash
