"""Text for the terminal: the verdict first, aligned, within its width."""

from dataclasses import replace

import pytest

from yieldsim.report.numbers import share
from yieldsim.report.terminal import WIDTH, columns, text_of

SIGNS = set("°µ±Ω’‘“”×")  # beyond ASCII, in every common 8-bit code page or escaped by the terminal


def test_every_text_keeps_its_width_and_its_signs(answers, opened):
    for kind, result in {**answers, **opened}.items():
        for line in text_of(result).split("\n"):
            # a command is not broken, so that it can be copied
            assert len(line) <= WIDTH or line.lstrip().startswith("yieldsim actuation "), (kind, line)
            assert line == line.rstrip()
            assert all(c.isascii() or c in SIGNS for c in line), (kind, line)


def test_the_verdict_comes_first(answers):
    for kind in ("signoff", "yield"):
        assert text_of(answers[kind]).startswith("NOT MET: Sluice")


def test_each_condition_shows_its_estimate_with_both_bounds(result):
    text = text_of(result.yields)
    for cell in result.yields.cells:
        row = next(
            line
            for line in text.split("\n")
            if line.split()[:2] == [f"{cell.temperature_degC:g}" + "*" * cell.excursion, f"{cell.age_yr:g}"]
        )
        for value, rounding in (
            (cell.completion.value, "nearest"),
            (cell.completion.low, "down"),
            (cell.completion.high, "up"),
            (cell.unit_yield.low, "down"),
        ):
            assert share(value, rounding) in row


def test_an_actuation_shows_margins_steps_and_ledger(answers):
    for words in (
        "start margin",
        "run margin",
        "reserve",
        "lowest input",
        "left in store",
        "The ledger closes to",
    ):
        assert words in text_of(answers["actuation, brown-out in listen"])
    never = text_of(answers["actuation, never started"])
    assert "started              never" in never
    assert "No step began." in never


def test_a_title_cannot_steer_the_terminal(result):
    evil = replace(result.yields, provenance=replace(result.provenance, title="a\x1b[2Jb\rc"))
    text = text_of(evil)
    assert "\x1b" not in text
    assert "\r" not in text


def test_columns_are_aligned():
    lines = columns(["name", "value\n[V]"], [["a", "1.0"], ["longer", "12.5"]])
    assert lines == ["        value", "name      [V]", "------  -----", "a         1.0", "longer   12.5"]


def test_a_result_of_another_kind_is_refused():
    class Other:
        command = "poem"

    with pytest.raises(TypeError, match="no text of this kind"):
        text_of(Other())
