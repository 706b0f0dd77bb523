"""The sign-off composes the questions, and its exit code is the verdict."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from yieldsim.analysis.signoff import SignoffResult, signoff
from yieldsim.design.reading import design_from_toml
from yieldsim.design.schema import Design
from yieldsim.engine.settings import Settings

SETTINGS = Settings(units=32, actuations=2, effort=32, threads=1)


def asking(design: Design, completion: float, unit_yield: float | None, temperature: float = 60.0) -> Design:
    conditions = replace(design.conditions, temperatures=(temperature,), ages=(0.0,))
    requirement = replace(design.requirement, completion=completion, unit_yield=unit_yield)
    return replace(design, conditions=conditions, requirement=requirement, deratings=())


SECOND_SOURCE = """
[[alternate]]
name = "weaker spring"
[alternate.harvester.peak_emf]
nominal = "8 V"
"""


@pytest.fixture(scope="module")
def signed(small: Design) -> SignoffResult:
    return signoff(small, SETTINGS)


def test_the_worst_cell_is_the_one_that_is_opened(signed: SignoffResult) -> None:
    worst = signed.yields.worst
    place = (worst.temperature_degC, worst.age_yr)
    assert (signed.ranking.temperature_degC, signed.ranking.age_yr) == place
    assert (signed.actuation.temperature_degC, signed.actuation.age_yr) == place
    assert signed.actuation.address is None
    assert (signed.nominal.temperature_degC, signed.nominal.age_yr) == (25.0, 0.0)
    assert signed.verdict is signed.yields.verdict


def test_a_full_sign_off_carries_the_worst_case_the_window_and_the_life(signed: SignoffResult, small: Design) -> None:
    case, sized, aged = signed.worst_case, signed.sizing, signed.life
    assert case is not None
    assert sized is not None
    assert aged is not None
    # no drawn actuation is worse than the search: that is what an extreme value says
    lowest = min(cell.quantiles["reserve_V"][0.01] for cell in signed.yields.cells)
    assert case.worst.extreme_value <= lowest
    assert sized.variable.key == "storage.capacitance"
    assert any(s.value == small.storage.nominal_capacitance for s in sized.scanned)
    assert aged.horizon_yr == small.conditions.service_life
    answer = signed.as_json()
    for part in ("worst_case", "size", "life"):
        assert answer[part] is not None
    short = signoff(small, SETTINGS, brief=True)
    assert (short.worst_case, short.sizing, short.life) == (None, None, None)
    assert short.yields == signed.yields


def test_a_sign_off_holds_for_every_source(small: Design) -> None:
    design = design_from_toml(small.text + SECOND_SOURCE, source=small.source, folder=None)
    result = signoff(design, SETTINGS, brief=True)
    assert result.sources is not None
    assert [source.name for source in result.sources.sources] == ["as stated", "weaker spring"]
    assert result.verdict is result.sources.verdict
    # a coil that gives half the emf completes less: it is what the rest of the page is about
    assert result.sources.worst.name == "weaker spring"
    assert result.yields is result.sources.worst.yields
    assert result.actuation.voltage_margin_V < signoff(small, SETTINGS, brief=True).actuation.voltage_margin_V


def test_requirements_are_told_one_by_one(signed: SignoffResult) -> None:
    answer = json.loads(json.dumps(signed.as_json(("index.html",)), allow_nan=False))
    assert (answer["command"], answer["files"]) == ("signoff", ["index.html"])
    assert answer["verdict"] == signed.verdict.word
    assert [row["name"] for row in answer["requirements"]] == ["unit yield", "store.voltage", "radio.voltage"]
    for row in answer["requirements"]:
        assert row["verdict"] in ("met", "not met", "undecided")
        assert row["reached_low"] <= row["reached"] <= row["reached_high"]
    assert answer["yield"]["verdict"] == answer["verdict"]


@pytest.mark.parametrize(
    ("completion", "unit_yield", "temperature", "word", "code"),
    [
        (0.9, 0.5, 25.0, "met", 0),
        (0.9999, 0.999, 60.0, "not met", 3),
        (0.9, 0.995, 25.0, "undecided", 4),  # 32 units cannot show 99.5 %
        (0.9, None, 25.0, "none", 0),
    ],
)
def test_the_exit_code_is_the_verdict(
    small: Design, completion: float, unit_yield: float | None, temperature: float, word: str, code: int
) -> None:
    result = signoff(asking(small, completion, unit_yield, temperature), SETTINGS, brief=True)
    assert (result.verdict.word, result.exit_code) == (word, code)


def test_undecided_says_how_many_more_units_would_do(small: Design) -> None:
    result = signoff(asking(small, 0.9, 0.995, 25.0), SETTINGS, brief=True)
    joint = result.yields.joint
    assert joint is not None
    if joint.value == 1.0:
        # the success run: 598 units without a failure show 99.5 % at 95 % confidence
        assert result.verdict.more_units == 598 - 32
    else:
        assert result.verdict.more_units is None or result.verdict.more_units > 0


def test_progress_tells_both_stages(small: Design) -> None:
    seen: list[tuple[str, int, int]] = []
    signoff(asking(small, 0.9, 0.5, 25.0), SETTINGS, lambda *row: seen.append(row), brief=True)
    assert [name for name, _, _ in seen] == sorted([name for name, _, _ in seen], reverse=True)  # yield, then rank
    assert {name for name, _, _ in seen} == {"yield", "rank"}
    for name in ("yield", "rank"):
        done = [d for stage, d, _ in seen if stage == name]
        assert done == sorted(done)
    assert all(0 < d <= of for _, d, of in seen)


def test_the_same_twice(small: Design, signed: SignoffResult) -> None:
    again = signoff(small, replace(SETTINGS, threads=2))
    assert json.dumps(again.as_json()) == json.dumps(signed.as_json())
