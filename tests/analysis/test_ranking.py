"""Ranking: groups of axes, indices against a brute-force estimate, and what cannot be ranked."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri

from yieldsim.analysis.ranking import RankResult, groups_of, rank, worst_condition
from yieldsim.analysis.rankings.correlating import shapley_of
from yieldsim.analysis.rankings.scene import Scene
from yieldsim.design.parameter import Tolerance
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Inline
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.population.correlation import factor
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
    # and 2 correlated parameters with 2 more for their Shapley effects
    assert ranked.model_calls <= 512 * (groups + 2 + 3 + 2 + 2)
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


def test_hold_up_is_ranked_in_seconds(small: Design) -> None:
    result = rank(small, Settings(effort=32, threads=1), HOT, "hold-up")
    answer = result.as_json()
    assert (result.unit, answer["response"]) == ("s", "hold-up")
    assert answer["standard_deviation_s"] > 0.0
    assert "mean_V" not in answer
    # the mean of the rows themselves, to what 64 Sobol' points are sure of
    response = Response(small, Settings())
    points = np.random.default_rng(4).random((4000, len(response.dimensions)))
    held = response.respond(points, HOT)[0][:, at.HOLD_UP]
    assert answer["mean_s"] == pytest.approx(held.mean(), abs=4.0 * held.std() / 8.0)


def test_over_the_mission_the_condition_is_drawn_as_well(small: Design) -> None:
    result = rank(small, Settings(effort=64, threads=1), over_mission=True)
    rows = {row.name: row for row in result.parameters}
    assert (rows["ambient temperature"].level, rows["ambient temperature"].basis) == ("mission", "given")
    assert rows["age in service"].influence
    assert set(result.by_level) == {"lot", "unit", "actuation", "mission"}
    answer = result.as_json()
    assert (answer["over_mission"], answer["temperature_degC"], answer["age_yr"]) == (True, None, None)


def test_the_mission_is_met_by_its_shares(small: Design) -> None:
    # small.toml: 80 % at 25 degC, 20 % at 45 degC; half of a life of ten years weighs on either end (trapezoidal rule)
    scene = Scene(Response(small, Settings()), None, Inline())
    assert scene.more == ("ambient temperature", "age in service")
    points = np.full((1000, scene.dimension), 0.5)
    points[:, -2] = (np.arange(1000) + 0.5) / 1000
    points[:, -1] = np.tile([0.25, 0.75], 500)
    values = scene.run(points)[0][:, at.RESERVE]
    expected = []
    for temperature, share in ((25.0, 800), (45.0, 200)):
        for age in (0.0, 10.0):
            one = scene.response.respond(points[:1, :-2], Condition(temperature, age))[0][0, at.RESERVE]
            expected += [one] * (share // 2)
    assert np.array_equal(np.sort(values), np.sort(expected))


def test_rank_correlations_have_the_sign_of_the_physics(ranked: RankResult) -> None:
    rows = {(row.name, row.level): row for row in ranked.parameters}
    emf, coil = rows["harvester.peak_emf", "unit"], rows["harvester.coil_resistance", "unit"]
    assert emf.rank_correlation_low is not None
    assert emf.rank_correlation_low > 0.5
    assert coil.partial_rank_correlation_high is not None
    assert coil.partial_rank_correlation_high < -0.5
    # Spearman's coefficient of a nearly additive response: 6 / pi asin(r / 2) of the linear correlation r, whose square
    # is the first-order index (normal inputs; Pearson 1907)
    expected = 6.0 / np.pi * np.arcsin(np.sqrt(emf.first) / 2.0)
    assert emf.rank_correlation == pytest.approx(expected, abs=0.06)
    assert rows["link losses", "actuation"].rank_correlation is None


def test_correlated_parameters_are_told_one_by_one(ranked: RankResult) -> None:
    row = next(row for row in ranked.parameters if row.name == "regulator.quiescent + regulator.dropout")
    assert [member.name for member in row.members] == ["regulator.quiescent", "regulator.dropout"]
    assert row.rank_correlation is None
    assert all(-1.0 <= member.rank_correlation_low <= member.rank_correlation_high <= 1.0 for member in row.members)
    assert row.members[1].partial_rank_correlation < 0.0  # a larger dropout leaves less
    assert all(not row.members for row in ranked.parameters if "+" not in row.name)
    # effects of a group add up to more than its first-order and less than its total index, where little interacts
    # both are near to each other (Owen 2014)
    effects = [member.shapley for member in row.members]
    assert all(member.shapley_low <= member.shapley <= member.shapley_high for member in row.members)
    assert row.first_low - 0.01 <= sum(effects) <= row.total_high + 0.01


def test_shapley_effects_of_a_linear_response_are_known(small: Design) -> None:
    # y = a z1 + b z2 of two scores with the correlation r: (a**2 (1 - r**2 / 2) + a b r + b**2 r**2 / 2) / variance for
    # the first (Owen and Prieur 2017, SIAM/ASA Journal on Uncertainty Quantification 5, 986-1002)
    scene = Scene(Response(small, Settings()), HOT, Inline())
    groups = groups_of(scene.response)
    joined = next(group for group in groups if group.members)
    factor_of = factor(small, scene.response.population.unit_variables)
    r = float((factor_of @ factor_of.T)[joined.columns[0], joined.columns[1]])
    a, b = 2.0, -0.5

    def model(points: np.ndarray) -> np.ndarray:
        z = ndtri(points[:, : len(factor_of)]) @ factor_of.T
        return a * z[:, joined.columns[0]] + b * z[:, joined.columns[1]]

    found = shapley_of(scene, groups, model, 2048, 0.999)
    variance = a * a + b * b + 2.0 * a * b * r
    for k, (own, other) in zip(joined.columns, ((a, b), (b, a)), strict=True):
        expected = (own**2 * (1.0 - r * r / 2.0) + own * other * r + other**2 * r * r / 2.0) / variance
        assert found[k].shapley_low - 0.01 <= expected <= found[k].shapley_high + 0.01
    assert shapley_of(scene, groups, model, 64, 0.95) == {}  # too few points for an interval


def test_what_to_measure_next_is_told(ranked: RankResult) -> None:
    names = [row.name for row in ranked.measure_next]
    assert "harvester.peak_emf" in names
    swings = [row.swing for row in ranked.measure_next]
    assert swings == sorted(swings, reverse=True)


def test_a_mission_and_a_condition_exclude_each_other(small: Design) -> None:
    with pytest.raises(InputError, match="a mission has temperatures and ages of its own"):
        rank(small, Settings(effort=32), HOT, over_mission=True)


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
        (Settings(), "margin", "response = margin: no such response; use reserve, voltage margin or hold-up"),
    ],
)
def test_what_cannot_be_asked(small: Design, settings: Settings, response: str, text: str) -> None:
    with pytest.raises(InputError) as error:
        rank(small, settings, HOT, response)
    assert str(error.value) == text


def test_a_condition_out_of_range_is_refused(small: Design) -> None:
    with pytest.raises(InputError, match="out of range"):
        rank(small, Settings(effort=32), Condition(999.0, 0.0))
