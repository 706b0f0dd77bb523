"""A sizing as text, table and picture."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from yieldsim.analysis.sizes.map import MapResult, size_map
from yieldsim.analysis.sizing import Range, SizeResult, size
from yieldsim.design.reading import read_design
from yieldsim.engine.settings import Settings
from yieldsim.report.figures import figure_of
from yieldsim.report.figures.sizing import _nines
from yieldsim.report.figures.style import svg_of
from yieldsim.report.sizing import headline, standing, summary_rows, window_text
from yieldsim.report.tables import table_of
from yieldsim.report.terminal import text_of

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"
FEW = Settings(units=64, actuations=8, threads=1)


@pytest.fixture(scope="module")
def sized() -> SizeResult:
    scan = Range(low=14e-6, high=50e-6, series="E6")
    return size(read_design(SMALL), FEW, "storage.capacitance", scan)


@pytest.fixture(scope="module")
def mapped() -> MapResult:
    scans = (Range(low=14e-6, high=40e-6, points=3, series="E3", confirm=False), Range(low=10, high=40, points=2))
    return size_map(read_design(SMALL), FEW, ("storage.capacitance", "radio.transmit.octets"), scans)


def test_the_answer_comes_first_and_its_basis_last(sized: SizeResult) -> None:
    text = text_of(sized)
    assert text.startswith("MET with storage.capacitance = ")
    whole = " ".join(text.split())
    assert "Bonferroni over" in whole
    assert f"Confirmed with seed {sized.confirm_seed}, which chose nothing" in whole
    assert "33 uF (now)" in text
    assert all(len(line) <= 100 for line in text.splitlines())


def test_each_word_has_its_headline(sized: SizeResult) -> None:
    assert headline(replace(sized, word="undecided")).startswith("UNDECIDED: storage.capacitance = ")
    assert headline(replace(sized, word="not met")).startswith("NOT MET: storage.capacitance = ")
    assert headline(replace(sized, judgements=(), word="undecided")).startswith("POSSIBLE: ")
    out = tuple(s for s in sized.scanned if not s.possible)
    nothing = replace(sized, scanned=out, choice=None, windows=(), judgements=(), word="nothing")
    assert headline(nothing).startswith(f"NO VALUE of storage.capacitance meets the requirement: all {len(out)} that")
    assert "which fails the unit yield:" in headline(nothing)
    assert "NO VALUE" in text_of(nothing)
    svg_of(figure_of(nothing))


def test_margins_to_both_edges_are_told(sized: SizeResult) -> None:
    told = window_text(sized)
    assert "The edge above lies between" in told
    assert "% away at the most" in told
    assert "Down to the end of the scan nothing is ruled out" in told
    assert sized.window is not None
    assert sized.window.above is not None
    assert sized.choice is not None
    assert f"{100 * (sized.window.above / sized.choice - 1):.2g} %" in told


def test_a_row_a_value_with_its_bounds(sized: SizeResult) -> None:
    table = table_of(sized)
    assert list(table["value"]) == [s.value for s in sized.scanned]
    for name in ("completion", "unit_yield", "voltage_margin_1_percent_V", "within_store_voltage"):
        assert (table[f"{name}_low"] <= table[name]).all()
        assert (table[name] <= table[f"{name}_high"]).all()
    assert set(table["standing"]) <= {"ruled out", "possible", "met", "not met", "undecided"}
    assert "ruled out" in set(table["standing"])
    assert standing(sized, sized.scanned[-1]) == "ruled out"


def test_rows_for_a_page_say_the_same(sized: SizeResult) -> None:
    rows = summary_rows(sized)
    assert rows[0] == ("found", headline(sized))
    assert all(text for _, text in rows)


def test_every_axis_has_its_unit(sized: SizeResult) -> None:
    axes = figure_of(sized).axes
    assert [a.get_ylabel() for a in axes] == [
        "units that comply [%]",
        "actuations [%]",
        "voltage margin,\n1 % point [mV]",
    ]
    ticks = [label.get_text() for label in axes[-1].get_xticklabels()]
    assert "22 \u00b5F" in ticks


def test_shares_are_drawn_by_what_they_lack() -> None:
    assert [_nines(p) for p in (0.0, 0.9, 0.99, 0.999)] == pytest.approx([0.0, 1.0, 2.0, 3.0])
    assert _nines(1.0) == _nines(0.99999) == pytest.approx(4.0)


def test_a_map_has_a_sign_a_pair(mapped: MapResult) -> None:
    text = text_of(mapped)
    assert text.startswith("POSSIBLE with storage.capacitance = ")
    assert " x" in text
    assert "\u002a" in text
    table = table_of(mapped)
    assert len(table) == len(mapped.first_values) * len(mapped.second_values)
    assert set(table["ruled_out_by"].dropna()) == {"unit yield"}
    svg = svg_of(figure_of(mapped))
    assert "radio.transmit.octets" in svg
    nothing = replace(mapped, choice=None, word="nothing")
    assert text_of(nothing).startswith("NO PAIR of storage.capacitance and radio.transmit.octets")
