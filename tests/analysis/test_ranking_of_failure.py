"""Ranking of failure itself: against failing actuations counted by hand, both ways of finding them, and none at all."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from yieldsim.analysis.ranking_of_failure import FailureRankResult, failure_ranking, rank_failure
from yieldsim.analysis.rankings.failing import PLAIN, SEARCHED, from_plain, from_search, plain_sample
from yieldsim.analysis.rankings.scene import Scene
from yieldsim.cli import run
from yieldsim.design.parameter import Tolerance
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Inline
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.words.errors import InputError

SMALL = Path(__file__).parent / "small.toml"
HOT = Condition(60.0, 10.0)
BENCH = Condition(25.0, 0.0)


@pytest.fixture(scope="module")
def weak(small: Design) -> Design:
    """A source so weak that one actuation in eight fails where it is hot."""
    return small.with_nominal("harvester.peak_emf", 10.3)


@pytest.fixture(scope="module")
def ranked(weak: Design) -> FailureRankResult:
    return rank_failure(weak, Settings(units=64, effort=64, threads=1), HOT)


def test_failures_are_those_that_lack_energy(weak: Design, ranked: FailureRankResult) -> None:
    response = Response(weak, Settings())
    rng = np.random.default_rng(99)
    codes = response.respond(rng.random((4000, len(response.dimensions))), HOT)[1]
    share = np.mean(codes[:, at.SUFFICED] != 1)
    error = np.sqrt(share * (1.0 - share) / 4000)
    assert ranked.failure_low - 4.0 * error <= share <= ranked.failure_high + 4.0 * error
    assert ranked.sample == PLAIN
    assert ranked.failing >= 500
    assert ranked.failing == round(ranked.failure * ranked.model_calls)


def test_what_moves_the_reserve_most_causes_most_failures(ranked: FailureRankResult) -> None:
    first = ranked.parameters[0]
    assert (first.name, first.side, first.influence) == ("harvester.peak_emf", "low", True)
    assert sum(row.share for row in ranked.parameters) == pytest.approx(1.0)
    shares = [row.share for row in ranked.parameters]
    assert shares == sorted(shares, reverse=True)
    sides = {(row.name, row.level): row.side for row in ranked.parameters}
    assert sides["harvester.coil_resistance", "unit"] == "high"
    assert all(row.influence_low_nat <= row.influence_nat <= row.influence_high_nat for row in ranked.parameters)
    assert not ranked.parameters[-1].tied


def test_a_parameter_without_influence_has_none(weak: Design) -> None:
    # the stop voltage of 1.6 V stands below what every step needs, 1.83 V and more: it moves nothing
    stop = replace(weak.regulator.stop_voltage, tolerances=(Tolerance("unit", "uniform", True, -0.02, 0.02),))
    result = rank_failure(weak.with_parameter(stop), Settings(units=64, effort=32, threads=1), HOT)
    rows = {row.name: row for row in result.parameters}
    assert not rows["regulator.stop_voltage"].influence
    assert rows["regulator.stop_voltage"].influence_low_nat == 0.0
    assert rows["harvester.peak_emf"].influence
    assert "regulator.stop_voltage" not in {row.name for row in result.measure_next}


def test_both_ways_of_finding_failures_agree(weak: Design, ranked: FailureRankResult) -> None:
    scene = Scene(Response(weak, Settings(threads=1)), HOT, Inline())
    sample = from_search(scene, 256, 0.95)
    other = failure_ranking(scene, sample, 0.95)
    assert sample.kind == SEARCHED
    assert sample.low <= ranked.failure_high
    assert ranked.failure_low <= sample.high
    for row in ranked.parameters[:3]:
        twin = next(r for r in other.parameters if (r.name, r.level) == (row.name, row.level))
        # intervals of two independent samples: no common point has a probability below 1 % of 2 * 2.5 % each
        assert twin.influence_low_nat <= row.influence_high_nat
        assert row.influence_low_nat <= twin.influence_high_nat


def test_too_few_failures_are_told(small: Design) -> None:
    result = rank_failure(small, Settings(units=64, effort=32, threads=1), BENCH, search=False)
    assert result.failing < 30
    assert result.flag is not None
    assert "actuations" in result.flag
    assert result.slopes == ()
    text = json.dumps(result.as_json(), allow_nan=False)
    assert json.loads(text)["sample"] == PLAIN


def test_no_failure_claims_nothing(small: Design) -> None:
    strong = small.with_nominal("harvester.peak_emf", 40.0).with_parameter(
        replace(small.storage.capacitance, tolerances=())
    )
    result = rank_failure(strong, Settings(units=64, effort=32, threads=1), BENCH, search=False)
    assert (result.failing, result.failure, result.failure_low) == (0, 0.0, 0.0)
    assert 0.0 < result.failure_high < 0.01
    assert not any(row.influence for row in result.parameters)
    assert result.measure_next == ()
    assert "no failure was seen" in str(result.flag)


def test_over_the_mission_temperature_is_a_cause(weak: Design) -> None:
    result = rank_failure(weak, Settings(units=64, effort=32, threads=1), over_mission=True)
    names = {row.name for row in result.parameters}
    assert {"ambient temperature", "age in service"} <= names
    answer = json.loads(json.dumps(result.as_json(), allow_nan=False))
    assert (answer["temperature_degC"], answer["age_yr"], answer["over_mission"]) == (None, None, True)
    assert 0.0 < result.failure < 1.0


def test_threads_change_nothing(small: Design) -> None:
    answers = [
        json.dumps(rank_failure(small, Settings(units=64, effort=32, threads=n), HOT).as_json(), allow_nan=False)
        for n in (1, 3)
    ]
    assert answers[0] == answers[1]


def test_a_sample_ends_when_enough_have_failed(small: Design) -> None:
    scene = Scene(Response(small, Settings(threads=1)), HOT, Inline())
    little, more = (plain_sample(scene, 64, wanted=n) for n in (10, 10**9))
    assert len(little.failing) == 4096
    assert len(more.failing) == 2 * 4096
    assert np.array_equal(more.points[:4096], little.points)
    assert len(from_plain(little, 0.95).scores) == little.failing.sum()


@pytest.mark.parametrize(
    ("settings", "condition", "mission", "text"),
    [
        (Settings(effort=8), HOT, False, "effort = 8: too few actuations to meet failures; use 16 or more"),
        (
            Settings(),
            HOT,
            True,
            "condition = 60 degC, 10 yr: a mission has temperatures and ages of its own; "
            "name a condition, or rank over the mission",
        ),
    ],
)
def test_what_cannot_be_asked(
    small: Design, settings: Settings, condition: Condition, mission: bool, text: str
) -> None:
    with pytest.raises(InputError) as error:
        rank_failure(small, settings, condition, over_mission=mission)
    assert str(error.value) == text


def test_the_command_prints_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["rank", str(SMALL), "--response", "failure"]
    assert run([*call, "--effort", "32", "--units", "128", "--out", str(tmp_path)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "What causes failures for want of energy at 60" in out
    assert "Change of completion and the units that comply" in " ".join(out.split())
    assert all(len(line) <= 100 for line in out.splitlines() if not line.startswith("wrote"))
    assert (tmp_path / "rank.csv").read_text(encoding="utf-8").startswith("name,level,basis,influence_nat,")
    table = (tmp_path / "rank_slopes.csv").read_text(encoding="utf-8").splitlines()
    assert table[0].startswith("of,name,level,basis,nominal,nominal_low,nominal_high,tolerance,")
    assert {line.split(",")[0] for line in table[1:]} == {"completion", "unit yield"}
    told = json.loads((tmp_path / "rank.json").read_text(encoding="utf-8"))
    assert told["files"] == ["rank.csv", "rank.svg", "rank.png", "rank.json", "rank_slopes.csv"]
    assert told["unit_changes"]["units"] == 128
    assert {row["of"] for row in told["unit_changes"]["slopes"]} == {"unit yield"}
    assert {row["of"] for row in told["slopes"]} == {"completion"}
    assert told["slopes_method"] == told["unit_changes"]["slopes_method"]
    assert told["slopes_method"].startswith("change of the share for a nominal 1 % of itself higher (nominal), ")
    assert run([*call, "--over-mission", "--temperature", "60", "--age", "10"]) == 2
    assert "--over-mission has temperatures and ages of its own" in capsys.readouterr().err


def test_few_failures_of_a_plain_sample_are_added_to_by_a_search(small: Design) -> None:
    # 8,192 plain actuations meet some 105 failures: enough for a ranking, not for telling neighbours apart
    stronger = small.with_nominal("harvester.peak_emf", 11.0)
    few = rank_failure(stronger, Settings(units=64, effort=64, threads=1), HOT, search=False, unit_yield=False)
    more = rank_failure(stronger, Settings(units=64, effort=64, threads=1), HOT, unit_yield=False)
    assert 30 <= few.failing < 300
    assert (few.sample, more.sample) == (PLAIN, SEARCHED)
    assert more.effective > few.effective
    assert more.failure_low <= few.failure_high
    assert few.failure_low <= more.failure_high
    strongest = {(row.name, row.level): row for row in few.parameters[:3]}
    for row in more.parameters:
        if (twin := strongest.get((row.name, row.level))) is not None:
            # two intervals at 95 % of independent samples: no common point has a probability of 0.6 % at most
            assert row.influence_low_nat <= twin.influence_high_nat
            assert twin.influence_low_nat <= row.influence_high_nat
