"""Completion by message and by press: every share stands with its bounds, in the terminal and in the tables."""

import csv
import math
from dataclasses import asdict, fields, replace

import pytest

from yieldsim.analysis.cell import MessageShare, PartialPresses
from yieldsim.report.tables import messages, presses, write_csv
from yieldsim.report.terminal import WIDTH, text_of

PRESSES = PartialPresses(
    share=0.0213,
    completion=0.91234,
    completion_low=0.80129,
    completion_high=0.96871,
    share_of_failures=0.34567,
    share_of_failures_low=0.21219,
    share_of_failures_high=0.47771,
    full_completion=0.998765,
    full_completion_low=0.996549,
    full_completion_high=0.999321,
)
MESSAGES = (
    MessageShare("count", 0.94, 0.98765, 0.97659, 0.99321),
    MessageShare("report of everything that was seen since the last one", 0.06, 0.95123, 0.92229, 0.97771),
)


@pytest.fixture
def told(result):
    """A yield whose cells tell of messages and presses."""
    cells = tuple(replace(cell, by_message=MESSAGES, partial_presses=PRESSES) for cell in result.yields.cells)
    return replace(result.yields, cells=cells)


def rows_of(text, name):
    return [line for line in text.split("\n") if name in line]


def test_every_share_stands_with_both_bounds_rounded_away_from_it(told):
    text = text_of(told)
    for name, numbers in (
        ("message count", ["94.0 %", "98.8 %", "97.6 %", "99.33 %"]),
        ("message report of everything that", ["6.0 %", "95.1 %", "92.2 %", "97.8 %"]),
        ("full press", ["97.9 %", "99.88 %", "99.65 %", "99.933 %"]),
        ("press that stops short", ["2.1 %", "91.2 %", "80.1 %", "96.9 %"]),
    ):
        rows = [row for row in rows_of(text, name) if "failures" not in row and "%" in row]
        assert len(rows) == len(told.cells)
        for row in rows:
            shown = [part.strip() for part in row.split(name)[1].replace(" %", "%").split() if part.endswith("%")]
            assert shown == [number.replace(" ", "") for number in numbers]
    # 34.567 %, at least 21.219 %, at most 47.771 %
    failures = [line for line in text.split("\n") if line.replace(" %", "%").split()[2:] == ["34.6%", "21.2%", "47.8%"]]
    assert len(failures) == len(told.cells)
    assert "a press that stops short" in text


def test_a_condition_is_named_once_and_a_long_name_goes_on_below(told):
    text = text_of(told)
    (at,) = {line.index("message count") for line in rows_of(text, "message count")}
    assert all(line[:at].split() == [] for line in rows_of(text, "full press"))
    assert all(len(line[:at].split()) == 2 for line in rows_of(text, "message count"))
    rest = rows_of(text, "since the last one")
    assert len(rest) == len(told.cells)
    assert all("%" not in line for line in rest)
    assert all(len(line) <= WIDTH for line in text.split("\n") if "yieldsim actuation" not in line)


def test_what_was_not_seen_has_no_number(told):
    unseen = replace(
        PRESSES,
        share=0.0,
        **dict.fromkeys([f.name for f in fields(PRESSES) if f.name.startswith(("completion", "share_of"))], math.nan),
    )
    text = text_of(replace(told, cells=tuple(replace(cell, partial_presses=unseen) for cell in told.cells)))
    rows = [row for row in rows_of(text, "press that stops short") if "0 %" in row]
    assert len(rows) == len(told.cells)
    assert all(row.split()[-3:] == ["-", "-", "-"] for row in rows)


def test_a_name_cannot_steer_the_terminal(told):
    evil = (replace(MESSAGES[0], message="a\x1b[2Jb\rc"),)
    text = text_of(replace(told, cells=tuple(replace(cell, by_message=evil) for cell in told.cells)))
    assert "\x1b" not in text
    assert "\r" not in text


def test_a_design_without_kinds_has_no_such_table(result):
    text = text_of(result.yields)
    assert "of these" not in text
    assert "stops short" not in text
    assert len(messages(result.yields)) == len(presses(result.yields)) == 0
    assert "completion_low" in messages(result.yields).columns


@pytest.mark.parametrize(("table", "kinds"), [(messages, MESSAGES), (presses, (PRESSES,))])
def test_tables_hold_every_number_of_the_machine_readable_output(told, tmp_path, table, kinds):
    write_csv(table(told), tmp_path / "kinds.csv")
    with (tmp_path / "kinds.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    expected = [(cell, asdict(kind)) for cell in told.cells for kind in kinds]
    assert len(rows) == len(expected)
    for row, (cell, kind) in zip(rows, expected, strict=True):
        assert (float(row.pop("temperature_degC")), float(row.pop("age_yr"))) == (cell.temperature_degC, cell.age_yr)
        assert float(row.pop("confidence")) == told.confidence
        assert {name: text if name == "message" else float(text) for name, text in row.items()} == kind
