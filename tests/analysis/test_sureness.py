"""How sure a requirement is of its inputs: against runs of the plausible designs themselves."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.analysis.mission import plan_of
from yieldsim.analysis.rankings.plausible_widths import PlausibleWidths
from yieldsim.analysis.running import joint_completion, run_cells
from yieldsim.analysis.sureness import InputSureness, sureness_of_inputs
from yieldsim.design.schema import Design, Requirement
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Inline
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.report.sureness import sureness_lines
from yieldsim.words.errors import InputError

UNITS = 512


def requiring(design: Design, unit_yield: float) -> Design:
    return replace(design, requirement=replace(design.requirement, unit_yield=unit_yield))


@pytest.fixture(scope="module")
def lean(small: Design) -> Design:
    """One condition, a stronger source: some units fail, most do not."""
    strong = small.with_nominal("harvester.peak_emf", 11.6)
    return replace(strong, conditions=replace(strong.conditions, temperatures=(60.0,), ages=(10.0,)))


@pytest.fixture(scope="module")
def sure(lean: Design) -> InputSureness:
    return sureness_of_inputs(requiring(lean, 0.5), Settings(units=UNITS, threads=1))


def unit_yield_of(design: Design) -> float:
    response = Response(design, Settings(units=256, actuations=1))
    plan = plan_of(design)
    answers = run_cells(response, plan, Inline())
    units = joint_completion(response, plan, [a.completion for a in answers], np.arange(256))
    return float(np.mean(0.5 * (np.atleast_2d(units.low).min(axis=0) + np.atleast_2d(units.high).min(axis=0)) >= 0.99))


def test_what_is_varied_and_what_is_kept(sure: InputSureness) -> None:
    varied = {(row.name, row.level): row for row in sure.varied}
    assert varied["harvester.peak_emf", "unit"].sample_size == 30
    assert (varied["harvester.coil_resistance", "unit"].width_low, sure.varied[0].name) == (0.5, "harvester.peak_emf")
    assert sure.kept["harvester.speed (actuation)"] == "it differs by actuation"
    assert sure.kept["regulator.quiescent (unit)"] == "it is drawn together with regulator.dropout"
    assert sure.met + sure.not_met + sure.undecided + sure.unsupported == sure.sets == 200


def test_share_of_sets_agrees_with_runs_of_plausible_designs(lean: Design, sure: InputSureness) -> None:
    # Plausible designs drawn and run one by one, without any reweighting: centre and spread of the emf from its 30
    # parts, widths of the resistance and of the capacitance from their ranges.
    rng = np.random.default_rng(17)
    found = []
    for _ in range(16):
        emf = lean.parameters["harvester.peak_emf"]
        t = emf.tolerances[0]
        sigma = t.sigma * np.sqrt(29 / rng.chisquare(29))
        shifted = replace(t, sigma=sigma, offset=sigma / np.sqrt(30) * rng.standard_normal())
        design = lean.with_parameter(replace(emf, tolerances=(shifted,)))
        coil = design.parameters["harvester.coil_resistance"]
        width = coil.tolerances[0]
        factor = rng.uniform(0.5, 2.0)
        wide = replace(width, low=width.low * factor, high=width.high * factor)
        design = design.with_parameter(replace(coil, tolerances=(wide,)))
        found.append(unit_yield_of(design))
    share = np.mean(np.array(found) >= 0.5)
    assert sure.share_low <= share + 0.25  # 16 designs are sure to about 0.12
    assert share - 0.25 <= sure.share_high
    assert abs(sure.share - share) <= 0.3


def test_what_is_easily_met_is_met_by_nearly_all_and_the_other_way_round(lean: Design) -> None:
    settings = Settings(units=UNITS, threads=1)
    easy = sureness_of_inputs(requiring(lean, 0.05), settings)
    hard = sureness_of_inputs(requiring(lean, 0.9999), settings)
    assert easy.share > 0.95
    assert hard.share < 0.05
    assert easy.share_low > hard.share_high


def test_known_inputs_leave_no_doubt(lean: Design) -> None:
    # measured on very many parts: nothing is left to vary, and every set is the design itself
    known = lean
    for name in ("harvester.peak_emf",):
        known = known.with_parameter(replace(known.parameters[name], sample_size=10**7))
    for name in ("harvester.coil_resistance", "storage.capacitance", "rectifier.forward_drop"):
        known = known.with_parameter(replace(known.parameters[name], tolerances=()))
    result = sureness_of_inputs(requiring(known, 0.05), Settings(units=UNITS, threads=1), sets=50)
    assert result.share in (0.0, 1.0)


def test_wider_widths_leave_more_doubt(lean: Design) -> None:
    # with widths that are exactly the stated ones nothing is varied but what was measured; with wide ones the sets
    # that are surely met, and those that surely are not, are fewer
    design, settings = requiring(lean, 0.5), Settings(units=UNITS, threads=1)
    measured = lean.parameters["harvester.peak_emf"]
    design = design.with_parameter(replace(measured, sample_size=10**7))
    exact = sureness_of_inputs(design, settings, widths=PlausibleWidths((1.0, 1.0), (1.0, 1.0)))
    wide = sureness_of_inputs(design, settings, widths=PlausibleWidths((0.2, 3.0), (0.2, 3.0)))
    assert exact.share in (0.0, 1.0)
    assert (exact.plausible_widths.assumed, wide.plausible_widths.assumed) == ((1.0, 1.0), (0.2, 3.0))
    assert max(exact.met, exact.not_met, exact.undecided) == exact.sets
    assert max(wide.met, wide.not_met, wide.undecided) < wide.sets


def test_a_law_that_no_part_could_have_is_not_drawn(lean: Design) -> None:
    # between lots the capacitance spreads normally: ten times as wide it would reach below nothing
    design = requiring(lean, 0.5)
    found = sureness_of_inputs(
        design, Settings(units=128, threads=1), sets=5, widths=PlausibleWidths(datasheet=(0.5, 10.0))
    )
    why = found.kept["storage.capacitance (lot)"]
    assert why.startswith("as wide as is plausible it could not be (10 times as stated): its tolerance reaches 0 F")
    assert ("storage.capacitance", "lot") not in {(row.name, row.level) for row in found.varied}
    text = " ".join("\n".join(sureness_lines(found)).split())
    assert "Kept as stated in spite of its influence: storage.capacitance (lot), as wide as is plausible" in text


@pytest.mark.parametrize("low", [0.0, -1.0, float("nan"), 3.0])
def test_a_range_that_is_none_is_refused(low: float) -> None:
    with pytest.raises(InputError, match="plausible widths, datasheet = "):
        PlausibleWidths(datasheet=(low, 2.0))


def test_conditions_in_which_nothing_fails_are_left_out(small: Design) -> None:
    easy = replace(small.conditions, temperatures=(-20.0, 60.0), ages=(0.0, 10.0))
    result = sureness_of_inputs(replace(small, conditions=easy), Settings(units=64, threads=1), sets=5)
    assert Condition(60.0, 10.0) not in result.left_out
    assert all(condition.temperature == -20.0 for condition in result.left_out)
    assert result.left_out


def test_it_can_be_written(sure: InputSureness) -> None:
    answer = json.loads(json.dumps(sure.payload(), allow_nan=False))
    text = "\n".join(sureness_lines(sure))
    assert text.startswith("Of the plausible sets of input laws")
    assert all(len(line) <= 100 for line in text.splitlines())
    assert answer["sets"] == 200
    assert 0.0 <= answer["share_low"] <= answer["share_high"] <= 1.0


def test_nothing_required_is_refused(small: Design) -> None:
    for requirement in (None, Requirement(completion=0.99)):
        with pytest.raises(InputError, match="nothing to be sure of"):
            sureness_of_inputs(replace(small, requirement=requirement), Settings(units=UNITS))
