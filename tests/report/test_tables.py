"""Tables carry the names and every digit of the machine-readable output."""

import csv
import json

import pandas as pd
import pytest

from yieldsim.analysis.result import cleaned
from yieldsim.report.tables import table_of, tables_of, write_csv


@pytest.fixture
def written(result, tmp_path):
    """All tables as they are read back by the standard library: text cells by column."""
    rows = {}
    for name, table in tables_of(result).items():
        write_csv(table, tmp_path / f"{name}.csv")
        with (tmp_path / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            rows[name] = list(csv.DictReader(file))
    return rows


def scalars(rows):
    return [{k: v for k, v in row.items() if not isinstance(v, (dict, list))} for row in rows]


def assert_same(read, expected):
    """A CSV row holds the numbers of a JSON row to the last bit, and its text."""
    assert list(read) == list(expected)
    for name, value in expected.items():
        text = read[name]
        if value is None:
            assert text == ""
        elif isinstance(value, bool):
            assert text == str(value)
        elif isinstance(value, (int, float)):
            assert float(text) == value, name
        else:
            assert text == str(value)


@pytest.mark.parametrize(
    ("name", "rows"),
    [
        ("cells", lambda r: r.yields.payload()["cells"]),
        ("ranking", lambda r: r.ranking.payload()["parameters"]),
        ("parameters", lambda r: r.check.payload()["parameters"]),
    ],
)
def test_columns_are_the_json_names_and_numbers_are_the_json_numbers(result, written, name, rows):
    expected = scalars(cleaned(rows(result)))
    assert len(written[name]) == len(expected) > 0
    for read, row in zip(written[name], expected, strict=True):
        assert_same(read, row)


def test_outcomes_add_up_to_one_in_each_condition(result, written):
    table = pd.DataFrame(written["outcomes"]).astype({"share": float})
    sums = table.groupby(["temperature_degC", "age_yr"])["share"].sum()
    assert len(sums) == len(result.yields.cells)
    assert sums.to_numpy() == pytest.approx(1.0, abs=1e-12)


def test_histograms_count_every_actuation_once(result, written):
    table = pd.DataFrame(written["histograms"]).astype({"actuations": int})
    sums = table.groupby(["temperature_degC", "age_yr", "quantity"])["actuations"].sum()
    assert set(sums["55.0", "0.0"].index) == {"reserve_V", "voltage_margin_V", "hold_up_s"}
    assert set(sums) == {result.yields.cells[0].actuations}


def test_steps_and_ledger_hold_both_actuations(result, written):
    for actuation in (result.actuation, result.nominal):
        place = (str(actuation.temperature_degC), str(actuation.age_yr))
        steps = [r for r in written["steps"] if (r["temperature_degC"], r["age_yr"]) == place]
        assert [float(r["lowest_input_V"]) for r in steps] == [s.lowest_input_V for s in actuation.steps]
        ledger = [r for r in written["ledger"] if (r["temperature_degC"], r["age_yr"]) == place]
        assert {r["entry"]: float(r["energy_J"]) for r in ledger} == actuation.ledger


def test_requirements_stand_one_by_one(result, written):
    answer = json.loads(json.dumps(result.as_json()))
    rows = written["requirements"]
    assert (
        [r["requirement"] for r in rows]
        == [r["name"] for r in answer["requirements"]]
        == ["unit yield", "store.voltage"]
    )
    for row, part in zip(rows, answer["requirements"], strict=True):
        assert float(row["reached_low"]) == part["reached_low"]
        assert row["verdict"] == part["verdict"]


def test_every_result_has_its_table(answers):
    for kind, result in answers.items():
        table = table_of(result)
        started = getattr(result, "start_time_s", 0.0) is not None
        assert (len(table) > 0) is started, kind
        assert len(table.columns) > 3
        assert table.equals(result.table())


def test_lines_end_alike_everywhere(result, tmp_path):
    write_csv(table_of(result), tmp_path / "cells.csv")
    assert b"\r" not in (tmp_path / "cells.csv").read_bytes()


def test_a_result_of_another_kind_is_refused(result):
    class Other:
        command = "poem"

    with pytest.raises(TypeError, match="no table of this kind"):
        table_of(Other())
