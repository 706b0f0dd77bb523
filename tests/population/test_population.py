"""What is drawn: invariance to the bit, lots, marginals, rank correlation, sorting."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made import base, normal, with_tolerances, within
from scipy import stats

from yieldsim.design.parameter import Tolerance
from yieldsim.design.schema import Correlation, Design
from yieldsim.kernel.hash import uniform
from yieldsim.kernel.shapes import ABOVE, BELOW, NORMAL, UNIFORM, deviations, joint_deviation
from yieldsim.population.addresses import key
from yieldsim.population.population import Population
from yieldsim.words.errors import InputError

SEEDS = {"alder": 20_011, "birch": 481_516, "cedar": 90_210}
UNITS = np.arange(2_000, dtype=np.int64)


def column(population: Population, name: str, level: str, units: np.ndarray = UNITS) -> np.ndarray:
    at = [(v.name, v.level) for v in population.unit_variables].index((name, level))
    return population.unit_deviations(units)[:, at]


# --- addresses ----------------------------------------------------------------------------------------------


def test_key_is_the_digest_of_seed_name_and_level() -> None:
    digest = hashlib.blake2b(b"7\x00storage.capacitance\x00unit", digest_size=8).digest()
    low, high = key(7, "storage.capacitance", "unit")
    assert low + (high << 32) == int.from_bytes(digest, "little")
    assert len({key(s, n, v) for s in (1, 11) for n in ("1a", "a") for v in ("lot", "unit")}) == 8


def test_a_draw_is_the_hash_of_its_address() -> None:
    population = Population(base(), 7)
    key0, key1 = key(7, "harvester.coil_resistance", "unit")
    unit = 5 * 2**32 + 17
    u = uniform(key0, key1, 17, 0, 0, 5)
    drawn = column(population, "harvester.coil_resistance", "unit", np.array([unit]))
    assert drawn[0] == pytest.approx(-0.05 + 0.1 * u, rel=1e-14)


def test_variables_stand_in_file_order_by_level() -> None:
    population = Population(base(), 1)
    names = [(v.name, v.level) for v in population.variables]
    assert names[:4] == [
        ("harvester.peak_emf", "lot"),
        ("harvester.peak_emf", "unit"),
        ("harvester.speed", "actuation"),
        ("harvester.coil_resistance", "unit"),
    ]
    assert ("storage.capacitance.ageing.change", "unit") in names
    assert [v.level for v in population.unit_variables].count("actuation") == 0
    assert population.unit_deviations(UNITS[:5]).shape == (5, len(population.unit_variables))


# --- invariance to the bit ----------------------------------------------------------------------------------


def all_columns(design: Design, seed: int, units: np.ndarray = UNITS[:100]) -> dict[tuple[str, str], np.ndarray]:
    population = Population(design, seed)
    drawn = population.unit_deviations(units)
    return {(v.name, v.level): drawn[:, i] for i, v in enumerate(population.unit_variables)}


NAMES = sorted(base().parameters)


@settings(max_examples=40)
@given(st.sampled_from(NAMES), st.sampled_from(["add", "remove"]), st.integers(0, 2**63))
def test_adding_or_removing_a_parameter_leaves_the_others_unchanged(name: str, what: str, seed: int) -> None:
    correlations = (Correlation(("regulator.dropout", "regulator.quiescent"), -0.4, "unit"),)
    design = base(correlations=correlations)
    if name in correlations[0].between:
        return
    changed = with_tolerances(design, name, *([within("unit", -0.01, 0.01)] if what == "add" else []))
    before, after = all_columns(design, seed), all_columns(changed, seed)
    for variable in before.keys() & after.keys():
        if variable[0] != name:
            np.testing.assert_array_equal(before[variable], after[variable])


def test_a_correlation_elsewhere_leaves_a_draw_unchanged() -> None:
    plain = all_columns(base(), 3)
    joined = all_columns(
        base(correlations=(Correlation(("regulator.dropout", "regulator.quiescent"), -0.4, "unit"),)), 3
    )
    changed = {name for (name, _), drawn in joined.items() if not np.array_equal(drawn, plain[name, _])}
    # The first of a set keeps its own scores; its shape is then read from the score.
    assert changed <= {"regulator.dropout", "regulator.quiescent"}
    assert changed


@settings(max_examples=25)
@given(st.lists(st.integers(0, 2**62), min_size=1, max_size=30), st.integers(0, 30))
def test_a_unit_is_the_same_in_any_company(ids: list[int], cut: int) -> None:
    population = Population(
        base(correlations=(Correlation(("regulator.dropout", "regulator.quiescent"), 0.7, "unit"),)), 5
    )
    units = np.array(ids, dtype=np.int64)
    whole = population.unit_deviations(units)
    pieces = [population.unit_deviations(part) for part in (units[:cut], units[cut:]) if len(part)]
    np.testing.assert_array_equal(whole, np.concatenate(pieces))


def test_seeds_differ() -> None:
    first, second = Population(base(), 1).unit_deviations(UNITS), Population(base(), 2).unit_deviations(UNITS)
    assert not np.any(first == second)


# --- lots ---------------------------------------------------------------------------------------------------


def test_units_of_a_lot_share_its_deviation() -> None:
    population = Population(base(), 1, lots=7)
    drawn = column(population, "storage.capacitance", "lot")
    np.testing.assert_array_equal(drawn, drawn[UNITS % 7])
    assert len(np.unique(drawn)) == 7
    assert len(np.unique(column(population, "storage.capacitance", "unit"))) == len(UNITS)


def test_without_lots_every_unit_has_its_own() -> None:
    population = Population(base(), 1)
    assert len(np.unique(column(population, "storage.capacitance", "lot"))) == len(UNITS)
    # Lot k of a population with lots is the lot that unit k has to itself.
    few = Population(base(), 1, lots=7)
    np.testing.assert_array_equal(
        column(few, "storage.capacitance", "lot")[:7], column(population, "storage.capacitance", "lot")[:7]
    )


def test_a_population_without_lots_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one lot"):
        Population(base(), 1, lots=0)


# --- marginals and correlation ------------------------------------------------------------------------------

LAWS = {
    ("harvester.peak_emf", "lot"): stats.norm(0, 0.02),
    ("harvester.peak_emf", "unit"): stats.norm(0, 0.03),
    ("harvester.coil_resistance", "unit"): stats.uniform(-0.05, 0.1),
    ("rectifier.reverse_leakage", "unit"): stats.lognorm(0.4, -1.0),
    ("regulator.quiescent", "unit"): stats.uniform(-0.4, 0.8),
    ("regulator.dropout", "unit"): stats.norm(0, 0.08),
    ("storage.capacitance.ageing.change", "unit"): stats.uniform(-0.007, 0.014),
}
# 7 laws x 3 seeds, plus 3 correlations below: 24 tests at 4e-8 each, false-alarm rate of all at most 1e-6.
ALARM = 4e-8
CORRELATION = (Correlation(("regulator.dropout", "regulator.quiescent"), -0.4, "unit"),)


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_marginals(seed: int) -> None:
    population = Population(base(correlations=CORRELATION), seed)
    for (name, level), law in LAWS.items():
        drawn = column(population, name, level, np.arange(20_000, dtype=np.int64))
        assert stats.kstest(drawn, law.cdf).pvalue > ALARM, (name, level)


def rank_distance(population: Population) -> float:
    """How far the rank correlation of dropout and quiescent current is from -0.4, in standard errors.

    Fisher's transform of Spearman's coefficient: variance about 1.06/(n - 3) (Fieller, Hartley and Pearson
    1957).
    """
    units = np.arange(20_000, dtype=np.int64)
    pair = [column(population, name, "unit", units) for name in ("regulator.dropout", "regulator.quiescent")]
    rank = stats.spearmanr(*pair).statistic
    return float(abs(np.arctanh(rank) - np.arctanh(-0.4)) / np.sqrt(1.06 / (len(units) - 3)))


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_rank_correlation(seed: int) -> None:
    reach = stats.norm.isf(ALARM / 2)
    assert rank_distance(Population(base(correlations=CORRELATION), seed)) < reach


def test_negative_controls_a_wrong_law_and_a_missing_correlation_are_caught() -> None:
    population = Population(base(), SEEDS["alder"])
    assert rank_distance(population) > stats.norm.isf(ALARM / 2)
    drawn = column(population, "harvester.peak_emf", "unit", np.arange(20_000, dtype=np.int64))
    assert stats.kstest(drawn, stats.norm(0, 0.033).cdf).pvalue < ALARM
    # Taking the rank correlation for the correlation of the scores, without 2 sin(pi rank/6), at 0.95: seen
    # as well.
    assert abs(2 * np.sin(np.pi * 0.95 / 6) - 0.95) > 0.002


def test_three_variables_take_their_pairwise_ranks() -> None:
    names = ("regulator.dropout", "regulator.quiescent", "regulator.output")
    correlations = (
        Correlation(names, 0.5, "unit"),
        Correlation(("regulator.start_voltage", "regulator.stop_voltage"), 0.9, "unit"),
    )
    population = Population(base(correlations=correlations), SEEDS["birch"])
    units = np.arange(20_000, dtype=np.int64)
    drawn = [
        column(population, name, "unit", units)
        for name in (*names, "regulator.start_voltage", "regulator.stop_voltage")
    ]
    ranks = stats.spearmanr(np.array(drawn).T).statistic
    expected = np.eye(5)
    expected[:3, :3] = np.where(np.eye(3) == 1, 1, 0.5)
    expected[3, 4] = expected[4, 3] = 0.9
    # Ten coefficients, standard error at most 1/sqrt(n - 1): 6 of them have a false-alarm rate of 2e-8 in
    # all.
    assert np.max(np.abs(ranks - expected)) < 6.0 / np.sqrt(len(units) - 1)


def test_contradicting_correlations_are_refused() -> None:
    correlations = (
        Correlation(("regulator.dropout", "regulator.quiescent"), 0.9, "unit"),
        Correlation(("regulator.dropout", "regulator.output"), 0.9, "unit"),
        Correlation(("regulator.quiescent", "regulator.output"), -0.9, "unit"),
    )
    with pytest.raises(InputError) as caught:
        Population(base(correlations=correlations), 1)
    assert str(caught.value) == (
        "correlation = regulator.output, regulator.quiescent, regulator.dropout: these correlations "
        "contradict one another (their matrix is not positive definite); bring the ranks nearer to 0"
    )


def test_a_correlated_name_needs_a_tolerance_at_the_level() -> None:
    with pytest.raises(InputError) as caught:
        Population(base(correlations=(Correlation(("regulator.dropout", "storage.esr"), 0.9, "unit"),)), 1)
    assert str(caught.value) == (
        "correlation.between = storage.esr: no tolerance at level unit to correlate; give it one, or take the name out"
    )


# --- points of the unit cube --------------------------------------------------------------------------------


def test_points_go_through_the_same_transforms() -> None:
    population = Population(base(correlations=CORRELATION), 7, lots=3)
    units = UNITS[:50]
    u = np.empty((50, len(population.unit_variables)))
    for i, v in enumerate(population.unit_variables):
        key0, key1 = key(7, v.name, v.level)
        for n, unit in enumerate(units):
            u[n, i] = uniform(key0, key1, int(unit % 3 if v.level == "lot" else unit), 0, 0, 0)
    np.testing.assert_array_equal(population.deviations_at(u), population.unit_deviations(units))


def test_points_of_another_width_are_refused() -> None:
    with pytest.raises(ValueError, match=r"points have shape \(3, 2\)"):
        Population(base(), 1).deviations_at(np.full((3, 2), 0.5))


# --- sorting by the total -----------------------------------------------------------------------------------


def sorted_design(unit: Tolerance, total: tuple[float, float, bool]) -> Design:
    design = with_tolerances(base(), "storage.capacitance", normal("lot", 0.06), unit)
    old = design.parameters["storage.capacitance"]
    from yieldsim.design.tree import with_replaced

    return with_replaced(design, replace(old, within_total=total))


@pytest.mark.parametrize(
    ("unit", "total"),
    [
        (normal("unit", 0.05), (-0.1, 0.1, True)),
        (within("unit", -0.15, 0.15), (-0.1, 0.1, True)),
        (Tolerance("unit", "truncated normal", True, -0.2, 0.2, sigma=0.06), (-0.1, 0.05, True)),
        (Tolerance("unit", "normal", False, sigma=2e-6), (-0.1, 0.1, True)),  # absolute, limits relative
        (normal("unit", 0.05), (-4.7e-6, 4.7e-6, False)),  # the other way round
    ],
)
def test_the_sum_of_lot_and_unit_stays_within_the_total(unit: Tolerance, total: tuple[float, float, bool]) -> None:
    population = Population(sorted_design(unit, total), 11)
    lot = column(population, "storage.capacitance", "lot")
    own = column(population, "storage.capacitance", "unit")
    value = 47e-6 * lot + own * (47e-6 if unit.relative else 1.0)
    low, high = (x * (47e-6 if total[2] else 1.0) for x in total[:2])
    room = np.abs(lot) < (0.25 if unit.shape == "uniform" else 1.0)  # a lot may lie beyond what a uniform reaches
    assert np.all(value[room] >= low - 1e-20)
    assert np.all(value[room] <= high + 1e-20)
    assert np.std(value) > 0.02 * 47e-6


def test_a_sorted_unit_follows_its_law_truncated_to_what_the_lot_left() -> None:
    # Probability integral transform with scipy: uniform, at a false-alarm rate of 1e-7 for each of three
    # seeds.
    for seed in SEEDS.values():
        population = Population(sorted_design(normal("unit", 0.05), (-0.1, 0.1, True)), seed)
        lot = column(population, "storage.capacitance", "lot")
        own = column(population, "storage.capacitance", "unit")
        law = stats.norm(0, 0.05)
        low, high = law.cdf(-0.1 - lot), law.cdf(0.1 - lot)
        assert stats.kstest((law.cdf(own) - low) / (high - low), "uniform").pvalue > 1e-7


def test_sorting_without_a_unit_tolerance_is_refused() -> None:
    design = with_tolerances(base(), "storage.esr", normal("lot", 0.1), within_total=(-0.1, 0.1, True))
    with pytest.raises(InputError) as caught:
        Population(design, 1)
    assert str(caught.value) == (
        "storage.esr.within_total: sorting needs a tolerance that differs from unit to unit; "
        'add a tolerance with level = "unit", or remove within_total'
    )


def test_sorting_another_shape_is_refused() -> None:
    triangular = Tolerance("unit", "triangular", True, -0.1, 0.1)
    design = with_tolerances(base(), "storage.esr", triangular, within_total=(-0.05, 0.05, True))
    with pytest.raises(InputError) as caught:
        Population(design, 1)
    assert str(caught.value) == (
        "storage.esr.within_total = triangular: this shape of the unit's tolerance cannot be limited "
        "by what its lot left; use one of normal, truncated normal, uniform, or remove within_total"
    )


# --- actuation level ----------------------------------------------------------------------------------------


def test_actuation_variables_and_when_they_are_drawn() -> None:
    drawn = Population(base(), 1).actuation_variables
    assert dict(zip(drawn.names, drawn.each_attempt.tolist(), strict=True)) == {
        "harvester.speed": 0,
        "radio.boot.duration": 0,
        "radio.boot.current": 0,
        "radio.transmit.current": 1,
        "link.frame_loss": 1,
    }
    codes = dict(zip(drawn.names, drawn.shapes.codes.tolist(), strict=True))
    assert codes["harvester.speed"] == NORMAL
    assert codes["radio.boot.duration"] == UNIFORM
    assert drawn.shapes.params.shape == (5, 8)
    assert drawn.factor.shape == (0, 0)


def test_correlated_actuation_variables() -> None:
    correlations = (Correlation(("radio.boot.duration", "radio.boot.current"), 0.6, "actuation"),)
    drawn = Population(base(correlations=correlations), 1).actuation_variables
    assert drawn.factor.shape == (5, 5)
    r = 2 * np.sin(np.pi * 0.6 / 6)
    np.testing.assert_allclose((drawn.factor @ drawn.factor.T)[1:3, 1:3], [[1, r], [r, 1]], rtol=1e-14)
    np.testing.assert_array_equal(drawn.factor[[0, 3, 4]][:, [0, 3, 4]], np.eye(3))
    # A variable without correlation looks at its own number alone.
    u = np.array([0.3, 0.2, 0.9, 0.7, 0.6])
    shapes = drawn.shapes
    alone = joint_deviation(0, shapes.codes, shapes.params, shapes.table, np.empty((0, 0)), u)
    assert joint_deviation(0, shapes.codes, shapes.params, shapes.table, drawn.factor, u) == alone


def test_measured_tables_stand_one_behind_the_other() -> None:
    first = Tolerance("actuation", "measured", True, values=(-0.1, 0.0, 0.1))
    second = Tolerance("actuation", "measured", True, values=(-0.3, 0.2))
    design = with_tolerances(with_tolerances(base(), "harvester.speed", first), "radio.boot.current", second)
    shapes = Population(design, 1).actuation_variables.shapes
    np.testing.assert_array_equal(shapes.table, [-0.1, 0.0, 0.1, -0.3, 0.2])
    empty = np.empty((0, 0))
    u = np.full(len(shapes.codes), 0.5)
    assert joint_deviation(0, shapes.codes, shapes.params, shapes.table, empty, u) == 0.0
    assert joint_deviation(2, shapes.codes, shapes.params, shapes.table, empty, u) == pytest.approx(-0.05)


def test_ageing_that_differs_from_actuation_to_actuation_is_refused() -> None:
    design = with_tolerances(base(), "storage.capacitance.ageing.change", normal("actuation", 0.1))
    with pytest.raises(InputError) as caught:
        Population(design, 1)
    assert str(caught.value) == (
        "storage.capacitance.ageing.change = actuation: a coefficient of ageing belongs to a part "
        'and cannot change from one actuation to the next; give its tolerance level = "unit" or "lot"'
    )


# --- shapes without width -----------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", ["uniform", "triangular", "trapezoidal", "truncated normal"])
def test_a_band_without_width_is_its_value(shape: str) -> None:
    design = with_tolerances(base(), "storage.esr", Tolerance("unit", shape, True, 0.02, 0.02, offset=0.01))
    drawn = column(Population(design, 1), "storage.esr", "unit")
    np.testing.assert_allclose(drawn, 0.03, rtol=1e-15)


def test_a_truncated_normal_without_its_sigma_spans_three_of_them() -> None:
    design = with_tolerances(base(), "storage.esr", Tolerance("unit", "truncated normal", True, -0.2, 0.8))
    (variable,) = [v for v in Population(design, 1).unit_variables if v.name == "storage.esr"]
    law = stats.truncnorm(-3, 3, 0.3, 1 / 6)
    drawn = column(Population(design, 1), variable.name, "unit", np.arange(20_000, dtype=np.int64))
    assert stats.kstest(drawn, law.cdf).pvalue > 1e-7


@pytest.mark.parametrize(("low", "high", "sigma"), [(-0.2, 0.8, None), (-0.05, 0.02, 0.02), (0.3, 0.4, 0.1)])
def test_what_is_kept_of_a_truncated_normal_changes_no_draw(low: float, high: float, sigma: float | None) -> None:
    tolerance = Tolerance("unit", "truncated normal", True, low, high, sigma=sigma)
    design = with_tolerances(base(), "storage.esr", tolerance)
    (variable,) = [v for v in Population(design, 1).unit_variables if v.name == "storage.esr"]
    kept = np.array(variable.parameters)
    assert kept[ABOVE] > kept[BELOW]
    looked_up = kept.copy()
    looked_up[[BELOW, ABOVE]] = 0.0
    u = np.linspace(1e-6, 1.0 - 1e-6, 999)
    np.testing.assert_array_equal(*(deviations(variable.code, row, np.empty(0), u) for row in (kept, looked_up)))
