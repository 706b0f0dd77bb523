"""Ranking: groups of axes, indices against a brute-force estimate, and what cannot be ranked."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.analysis.ranking import RankResult, groups_of, rank, worst_condition
from yieldsim.design.parameter import Tolerance
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Inline
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.words.errors import InputError, WorkError

HOT = Condition(60.0, 10.0)
NAMES = {"name", "level", "basis", "first", "first_low", "first_high", "total", "total_low", "total_high"}


@pytest.fixture(scope="module")
def ranked(small: Design) -> RankResult:
    return rank(small, Settings(effort=512, threads=1), HOT)


def test_machine_readable_names(ranked: RankResult) -> None:
    answer = json.loads(json.dumps(ranked.as_json(), allow_nan=False))
    assert set(answer) >= {"response", "temperature_degC", "age_yr", "model_calls", "parameters"}
    assert (answer["command"], answer["response"], answer["temperature_degC"]) == ("rank", "reserve", 60.0)
    assert all(set(row) >= NAMES for row in answer["parameters"])
    totals = [row["total"] for row in answer["parameters"]]
    assert totals == sorted(totals, reverse=True)
    assert all(0.0 <= row["keeps_place"] <= 1.0 for row in answer["parameters"])
    assert answer["parameters"][0]["keeps_place"] > 0.9  # the strongest stands far above the next
    for level, (low, high) in answer["by_level_interval"].items():
        assert low <= answer["by_level"][level] <= high


def test_every_axis_is_in_one_group(small: Design) -> None:
    response = Response(small, Settings())
    groups = groups_of(response)
    columns = sorted(c for group in groups for c in group.columns)
    assert columns == list(range(len(response.dimensions)))
    names = {(g.name, g.level) for g in groups}
    assert ("regulator.quiescent + regulator.dropout", "unit") in names
    assert {("storage.capacitance", "lot"), ("storage.capacitance", "unit")} <= names
    assert {("link losses", "actuation"), ("radio.listen.latency", "actuation")} <= names
    by_name = {(g.name, g.level): g for g in groups}
    # two attempts: two frames and two acknowledgements, two latencies; the speed is drawn once
    assert len(by_name["link losses", "actuation"].columns) == 4
    assert len(by_name["radio.listen.latency", "actuation"].columns) == 2
    assert len(by_name["harvester.speed", "actuation"].columns) == 1
    assert by_name["harvester.peak_emf", "unit"].basis == "measured"
    assert by_name["storage.capacitance", "lot"].basis == "datasheet"


def test_a_parameter_without_influence_has_an_interval_around_zero(small: Design) -> None:
    # the stop voltage of 1.6 V stands below what every step needs, 1.83 V and more: it moves nothing
    stop = replace(small.regulator.stop_voltage, tolerances=(Tolerance("unit", "uniform", True, -0.02, 0.02),))
    result = rank(small.with_parameter(stop), Settings(effort=32, threads=1), HOT)
    rows = {row.name: row for row in result.parameters}
    idle = rows["regulator.stop_voltage"]
    assert (idle.first, idle.total, idle.influence) == (0.0, 0.0, False)
    assert idle.first_low <= 0.0 <= idle.first_high
    assert idle.total_low <= 0.0 <= idle.total_high
    # negative control
    assert rows["harvester.peak_emf"].influence
    assert rows["harvester.peak_emf"].total_low > 0.0


def test_first_order_index_is_the_variance_of_the_conditional_mean(small: Design, ranked: RankResult) -> None:
    # Brute force from the definition: points in 32 slices of one axis, the variance of the slices' means
    # less what their
    # finite number adds, over the whole variance.
    response = Response(small, Settings())
    slices, each = 32, 256
    for name, level in (
        ("harvester.peak_emf", "unit"),
        ("storage.capacitance", "unit"),
        ("harvester.speed", "actuation"),
    ):
        column = next(k for k, d in enumerate(response.dimensions) if (d.name, d.level) == (name, level))
        rng = np.random.default_rng(20260102)
        points = rng.random((slices * each, len(response.dimensions)))
        points[:, column] = (np.repeat(np.arange(slices), each) + rng.random(slices * each)) / slices
        y = response.respond(points, HOT)[0][:, at.RESERVE].reshape(slices, each)
        share = (y.mean(axis=1).var(ddof=1) - y.var(axis=1, ddof=1).mean() / each) / y.var()
        row = next(p for p in ranked.parameters if (p.name, p.level) == (name, level))
        # the brute-force value itself is sure to about 0.02; the interval of a ranking of 512 points to
        # about 0.1
        assert row.first_low - 0.05 <= share <= row.first_high + 0.05


def test_levels_share_the_variance(ranked: RankResult) -> None:
    assert set(ranked.by_level) == {"lot", "unit", "actuation"}
    assert all(share < 1.1 for share in ranked.by_level.values())
    assert sum(ranked.by_level.values()) == pytest.approx(1.0, abs=0.25)  # little interaction here
    assert ranked.by_level["unit"] > ranked.by_level["lot"]


def test_calls_are_counted(small: Design, ranked: RankResult) -> None:
    groups = len(groups_of(Response(small, Settings())))
    # effort * (groups + 2), and three levels more; a level of a single group is that group's answer again
    assert ranked.model_calls <= 512 * (groups + 2 + 3)
    assert ranked.model_calls >= 512 * (groups + 2)


def test_threads_change_nothing(small: Design) -> None:
    answers = [
        json.dumps(rank(small, Settings(effort=32, threads=n), HOT).as_json(), allow_nan=False) for n in (1, 2, 3)
    ]
    assert answers[0] == answers[1] == answers[2]
    # negative control
    assert json.dumps(rank(small, Settings(effort=32, seed=3), HOT).as_json()) != answers[0]


def test_the_worst_cell_is_screened_not_assumed(small: Design) -> None:
    response = Response(small, Settings())
    cell = worst_condition(response, "reserve", Inline())
    conditions = [Condition(t, a) for t in small.conditions.temperatures for a in small.conditions.ages]
    rng = np.random.default_rng(5)
    points = rng.random((1024, len(response.dimensions)))
    low = {c: np.quantile(response.respond(points, c)[0][:, at.RESERVE], 0.01) for c in conditions}
    assert low[cell] <= min(low.values()) + 0.02
    assert cell.temperature == 60.0


def test_the_voltage_margin_can_be_ranked_too(small: Design) -> None:
    result = rank(small, Settings(effort=32, threads=1), Condition(25.0, 0.0), "voltage margin")
    assert result.response == "voltage margin"
    assert result.standard_deviation > 0.0


def test_rare_losses_are_told(small: Design) -> None:
    result = rank(small, Settings(effort=32, threads=1), HOT)
    assert result.provenance.warnings == (
        "about 0.48 of the base points lose a frame or its acknowledgement, too few to rank the losses: "
        "use an effort of 2048 or more, or read the shares by attempts of `yield`",
    )
    without = small.with_nominal("link.frame_loss", 0.0).with_nominal("link.acknowledgement_loss", 0.0)
    assert rank(without, Settings(effort=32, threads=1), HOT).provenance.warnings == ()


def test_what_is_not_finite_is_counted(small: Design, monkeypatch: pytest.MonkeyPatch) -> None:
    true_respond = Response.respond

    def broken(self: Response, points: np.ndarray, condition: Condition, **more: bool):
        values, codes = true_respond(self, points, condition, **more)
        values[:3, at.RESERVE] = np.nan
        return values, codes

    monkeypatch.setattr(Response, "respond", broken)
    with pytest.raises(WorkError) as error:
        rank(replace(small, source=None), Settings(effort=32, threads=1), HOT)
    assert str(error.value) == (
        "reserve: not a finite number in 3 of 4 actuations at 60 degC and 10 yr; "
        "look at the outcome `not finished` of `yieldsim yield`, and open one of its addresses"
    )


@pytest.mark.parametrize(
    ("settings", "response", "text"),
    [
        (
            Settings(effort=8),
            "reserve",
            "effort = 8: an interval needs 8 parts of two points or more; use 16 or more",
        ),
        (Settings(), "margin", "response = margin: no such response; use reserve or voltage margin"),
    ],
)
def test_what_cannot_be_asked(small: Design, settings: Settings, response: str, text: str) -> None:
    with pytest.raises(InputError) as error:
        rank(small, settings, HOT, response)
    assert str(error.value) == text


def test_a_condition_out_of_range_is_refused(small: Design) -> None:
    with pytest.raises(InputError, match="out of range"):
        rank(small, Settings(effort=32), Condition(999.0, 0.0))
