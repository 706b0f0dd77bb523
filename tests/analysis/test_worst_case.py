"""Worst cases: published arithmetic, closed forms, and searches that no sample beats."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr
from shipped import shipped

from yieldsim.analysis.worst_case import WorstCaseResult, worst_case
from yieldsim.analysis.worst_cases.answers import RESERVE, START_MARGIN, quantities_of
from yieldsim.analysis.worst_cases.box import BUSIEST, CLEAR, WorstCaseBox, extremes_of, link_cases
from yieldsim.analysis.worst_cases.sample import forced, sample
from yieldsim.analysis.worst_cases.search import Searcher
from yieldsim.analysis.worst_cases.shares import adverse_effects, bias_and_random, correlation_of, root_sum_square
from yieldsim.design.reading import design_from_toml
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Inline
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.engine.strata import chances_of, list_strata
from yieldsim.estimate.box_search import search_box
from yieldsim.estimate.tolerance_limits import tolerance_limit
from yieldsim.kernel import layout as at
from yieldsim.words.errors import InputError

SMALL = Path(__file__).parent / "small.toml"

HOT = Condition(60.0, 10.0)
ONE = Settings(threads=1, confidence=0.9)


@pytest.fixture(scope="module")
def found(small: Design) -> WorstCaseResult:
    return worst_case(small, ONE, HOT, content=0.9)


# --- arithmetic of worst-case practice ------------------------------------------------------------------------------


def test_contributions_5_3_2_1() -> None:
    """Extreme value 11, root-sum-square 6.244998: arithmetic of handbooks on worst-case circuit analysis."""
    a = np.array([5.0, -3.0, 2.0, -1.0])
    search = search_box(lambda x: (2.0 * x - 1.0) @ a, np.full(4, 0.5), seed=1, tolerance=1e-9)
    assert search.value == pytest.approx(-11.0)
    alone = adverse_effects(search.start_value, search.alone)
    assert np.sign(alone) == pytest.approx([-1, 1, -1, 1])  # which end is the worse one
    assert root_sum_square(alone) == pytest.approx(6.244998, abs=5e-7)


def test_biases_add_algebraically_and_randoms_by_squares() -> None:
    """A tantalum capacitor: initial 20 and ageing 10 at random, -20 degC -28, vacuum -20, radiation -12, +80 degC +17:
    -82.4 % to +39.4 %. From memory of RAC's guide to worst-case circuit analysis; the arithmetic is exact.
    """
    low, high = bias_and_random(0.0, np.array([-28.0, 17.0, -20.0, -12.0]), np.array([20.0, 10.0]))
    assert (low, high) == pytest.approx((-82.36, 39.36), abs=5e-3)


def test_linear_normal_function_has_closed_forms() -> None:
    """y = sum a_i x_i, x_i standard normal, taken to 3 sigma: extreme value 3 sum |a|; root-sum-square 3 |a|, which is
    the 0.135 % point itself; its tolerance limit from order statistics lies below the point it is for, near it.
    """
    a = np.array([0.7, -1.1, 0.4])
    search = search_box(lambda x: (6.0 * x - 3.0) @ a, np.full(3, 0.5), seed=1, tolerance=1e-9)
    assert search.value == pytest.approx(-3.0 * np.abs(a).sum())
    combined = root_sum_square(adverse_effects(search.start_value, search.alone))
    sigma = float(np.linalg.norm(a))
    assert combined == pytest.approx(3.0 * sigma)
    content = float(ndtr(3.0))
    y = np.random.default_rng(3).standard_normal((40_000, 3)) @ a
    limit = tolerance_limit(y, content, 0.95).limit
    assert -3.5 * sigma < limit <= -combined + 0.02 * sigma


def test_correlated_randoms_combine_by_their_matrix() -> None:
    """Variance of a sum: a' R a; two fully correlated effects of one direction add up, of opposite ones cancel."""
    effects = np.array([3.0, 4.0])
    for r, expected in ((0.0, 5.0), (1.0, 7.0), (-1.0, 1.0), (0.5, math.sqrt(9.0 + 16.0 + 12.0))):
        assert root_sum_square(effects, np.array([[1.0, r], [r, 1.0]])) == pytest.approx(expected)


def test_an_axis_that_only_helps_or_gives_no_number_adds_nothing() -> None:
    alone = adverse_effects(1.0, np.array([[1.5, 1.2], [np.inf, 0.4], [np.inf, np.nan]]))
    assert alone == pytest.approx([0.0, 0.6, 0.0])


# --- the box ----------------------------------------------------------------------------------------------------------


def test_extremes_are_limits_or_points_of_three_sigma(small: Design) -> None:
    """0.135 % points of a normal are three sigma from its mean, to six digits."""
    rows = {(e.name, e.level): e for e in extremes_of(Response(small, ONE))}
    emf, coil = rows["harvester.peak_emf", "unit"], rows["harvester.coil_resistance", "unit"]
    assert (emf.low, emf.high) == pytest.approx((11.0 * 0.91, 11.0 * 1.09), rel=1e-9)
    assert emf.kind == "0.135 % and 99.865 % points"
    assert (coil.low, coil.high, coil.kind) == (85.5, 94.5, "limit")
    assert rows["harvester.speed", "actuation"].low == pytest.approx(0.88)
    assert rows["radio.listen.latency", "event"].high == pytest.approx(0.2e-3)


def test_levels_add_up_within_what_the_maker_sorts(small: Design) -> None:
    text = SMALL.read_text(encoding="utf-8")
    wide = text.replace(
        'tolerance = [{ level = "lot", sigma = "2 %" }, { level = "unit", sigma = "4 %", within = "±10 %" }]',
        'tolerance = [{ level = "lot", within = "±8 %" }, { level = "unit", within = "±10 %" }]',
    )
    assert wide != text
    for design, reach in (
        (design_from_toml(wide), 0.18),
        (design_from_toml(wide.replace("bias = [[", 'within_total = "±12 %"\nbias = [[')), 0.12),
    ):
        box = WorstCaseBox(Response(design, ONE), 1)
        ends = np.repeat(box.middle[None], 2, axis=0)
        for k, axis in enumerate(box.axes):
            if axis.name == "storage.capacitance":
                ends[:, k] = 0.0, 1.0
        c = box.base(ends, Condition(25.0, 0.0))[0][:, at.CAPACITANCE]
        assert c == pytest.approx([33e-6 * (1.0 - reach), 33e-6 * (1.0 + reach)])


def test_middle_of_the_box_is_the_nominal_part(small: Design) -> None:
    response = Response(small, ONE)
    box = WorstCaseBox(response, 1)
    base, scale = box.base(box.middle[None], HOT)
    assert base[0] == pytest.approx(response.nominal_base(HOT), rel=1e-12)
    values = box.values(box.middle[None], HOT, link_cases(response)[0].strata[0])
    assert values[0, at.RESERVE] == pytest.approx(response.respond_at({}, HOT).values[at.RESERVE], abs=2e-3)
    assert scale[0, at.SPEED] == 1.0


def test_actuation_levels_go_to_their_limits(small: Design) -> None:
    """The press at the ends of its box against presses given as physical values."""
    response = Response(small, ONE)
    box = WorstCaseBox(response, 1)
    stratum = link_cases(response)[0].strata[0]
    place = next(k for k, axis in enumerate(box.axes) if axis.name == "harvester.speed")
    ends = np.repeat(box.middle[None], 2, axis=0)
    ends[:, place] = 0.0, 1.0
    own = box.values(ends, HOT, stratum)[:, at.START_MARGIN]
    direct = [response.respond_at({"harvester.speed": s}, HOT).values[at.START_MARGIN] for s in (0.88, 1.12)]
    assert own == pytest.approx(direct, abs=2e-3)


def test_cases_of_the_link_and_their_probabilities() -> None:
    """Two attempts over a channel that is busy one time in twenty: chances by hand, and the strata's own."""
    response = Response(shipped("valve-turn"), ONE)
    cases = link_cases(response)
    assert [(c.attempts, c.channel) for c in cases] == [(1, CLEAR), (1, BUSIEST), (2, CLEAR), (2, BUSIEST)]
    through = (1.0 - 0.004) * (1.0 - 0.002)
    chances = [c.probability(response, HOT, c.strata[0]) for c in cases]
    assert chances[0] == pytest.approx(0.95 * through)
    assert chances[1] == pytest.approx(0.05**4 * 0.95 * through)
    assert chances[2] == pytest.approx(0.95**2 * (1.0 - through))
    assert {s.acknowledged for s in cases[2].strata} == {True, False}  # the last one may fail too


def test_forced_attempts_follow_the_chances_of_the_link() -> None:
    """Against the listed outcomes with as many attempts, in proportion."""
    response = Response(shipped("valve-turn").with_nominal("link.backoff.busy", "40 %"), ONE)
    base = response.nominal_base(HOT)[None]
    chances = chances_of(response, base, np.zeros_like(base))
    strata, weights = list_strata(response, chances, 1e-9)
    plans = forced(chances, 2, 2, 40_000, np.random.default_rng(5))
    listed = {s.tries: float(w) for s, w in zip(strata, weights[0], strict=True) if len(s.tries) == 2}
    whole = sum(listed.values())
    for tries in sorted(listed, key=lambda t: -listed[t])[:6]:
        share = float(np.mean((plans[:, :2] == tries).all(axis=1)))
        assert share == pytest.approx(listed[tries] / whole, abs=5.0 * math.sqrt(share / 40_000))
    once = forced(chances, 1, 2, 1000, np.random.default_rng(5))
    assert (once[:, 0] < at.PLAN_LOST).all()
    assert (once[:, 1] == 0).all()


# --- searches ---------------------------------------------------------------------------------------------------------


def test_no_sample_beats_the_extreme_values_of_the_valve() -> None:
    """Actuations of 2,048 units at the hottest, oldest condition, so many attempts forced."""
    response = Response(shipped("valve-turn"), ONE)
    searcher = Searcher(response, link_cases(response))
    condition = Condition(60.0, 12.0)
    for name in (RESERVE, START_MARGIN):
        asked = next(a for a in quantities_of(response.design, ONE.accuracy) if a.name == name)
        for used in (1, 2) if asked.by_attempts else (1,):
            own = [searcher.find(asked, case, condition) for case in searcher_cases(searcher, used)]
            values = sample(response, condition, 2048, used, Inline())[:, asked.column]
            assert min(f.extreme for f in own) <= values.min()
            assert min(f.extreme for f in own) <= min(f.root_sum_square for f in own) < min(f.biased for f in own)


def searcher_cases(searcher: Searcher, used: int) -> list:
    return [case for case in link_cases(searcher.response) if case.attempts == used]


def test_an_interior_corner_of_a_shipped_design_is_found() -> None:
    """The hatch latch, whose start voltage may be so low that it wakes on its first stroke: the store is then worst
    where that still happens and as much as can be is lost, between its limits. Every vertex near is better.
    """
    response = Response(shipped("hatch-latch"), ONE)
    searcher = Searcher(response, link_cases(response))
    asked = next(a for a in quantities_of(response.design, ONE.accuracy) if a.name == RESERVE)
    one = searcher.find(asked, link_cases(response)[0], Condition(55.0, 8.0))
    assert one.search.interior_won
    box = searcher.boxes[1]
    assert "storage.capacitance" in {box.axes[k].name for k in one.search.interior}
    assert one.search.value < one.search.vertex_value - 0.05
    turned = np.repeat(one.search.point[None], 2, axis=0)
    turned[:, one.search.interior[0]] = 0.0, 1.0
    assert (searcher.evaluate(asked, Condition(55.0, 8.0), one.stratum, turned) > one.search.value + 0.05).all()


def test_a_temperature_between_the_stated_ones_is_named_where_it_is_worse(small: Design) -> None:
    """An emf with a dip at 42 degC; without the dip none is named."""
    text = SMALL.read_text(encoding="utf-8")
    dip = text.replace(
        'temperature = "-0.11 %/K"', 'temperature = [["25 degC", 1.0], ["42 degC", 0.8], ["60 degC", 1.0]]'
    )
    assert dip != text
    for design, expected in ((small, []), (design_from_toml(dip), [Condition(42.5, 0.0)])):
        response = Response(design, ONE)
        searcher = Searcher(response, link_cases(response))
        asked = next(a for a in quantities_of(design, ONE.accuracy) if a.name == START_MARGIN)
        case = link_cases(response)[0]
        ends = [searcher.find(asked, case, Condition(t, 0.0)) for t in (25.0, 60.0)]
        assert searcher.between(ends) == expected


# --- the whole answer ------------------------------------------------------------------------------------------------


def test_four_answers_in_the_order_of_their_caution(found: WorstCaseResult) -> None:
    for cell in found.cells:
        worse = (lambda a, b: a <= b) if cell.rating is None else (lambda a, b: a >= b)
        assert worse(cell.extreme_value, cell.root_sum_square)
        assert worse(cell.extreme_value, cell.sample_extreme)
        assert worse(cell.quantile_limit, cell.quantile)
        assert worse(cell.sample_extreme, cell.quantile_limit)
        pick = min if cell.rating is None else max
        assert cell.extreme_value == pick(case.extreme_value for case in cell.cases)
    assert found.rank == 5
    assert {c.quantity for c in found.cells} >= {"reserve", "voltage margin", "start margin", "hold-up"}


def test_more_attempts_leave_less(found: WorstCaseResult) -> None:
    one, two = found.worst.cases
    assert (one.attempts, two.attempts) == (1, 2)
    assert two.extreme_value < one.extreme_value
    assert two.biased < one.biased
    assert two.link_probability == pytest.approx(1.0 - 0.99 * 0.995)


def test_the_regulated_supply_is_taken_to_the_regulators_limit(found: WorstCaseResult) -> None:
    (cell,) = found.of("radio.voltage")
    assert cell.extreme_value == pytest.approx(2.2 * 1.02)
    assert cell.rating == 3.6
    assert cell.passed == ()


def test_a_derating_rule_is_the_limit_of_its_rating(found: WorstCaseResult) -> None:
    (cell,) = found.of("store.voltage")
    assert (cell.rating, cell.limit) == (10.0, 8.0)


def test_waterfalls_add_up(found: WorstCaseResult, small: Design) -> None:
    for fall in found.waterfalls:
        steps = {kind: sum(c.effect for c in fall.contributions if c.kind == kind) for kind in ("bias", "random")}
        assert fall.nominal + steps["bias"] == pytest.approx(fall.biased, abs=1e-12)
        assert fall.biased + steps["random"] == pytest.approx(fall.worst, abs=1e-12)
        assert sum(c.share for c in fall.contributions) == pytest.approx(1.0)
        cell = found.of(fall.quantity)[0]
        case = next(c for c in cell.cases if (c.attempts, c.channel) == (fall.attempts, fall.channel))
        assert fall.worst == pytest.approx(case.extreme_value, abs=1e-9)
        assert fall.biased == pytest.approx(case.biased, abs=1e-9)
        # root-sum-square is made of what each does alone, with the correlation of the two that have one
        response = Response(small, ONE)
        axes = WorstCaseBox(response, fall.attempts).axes
        assert correlation_of(small, axes) is not None
        alone = [c.alone for c in fall.contributions if c.alone is not None]
        plain = math.sqrt(sum(a * a for a in alone))
        assert abs(fall.root_sum_square - fall.biased) == pytest.approx(plain, rel=0.02)


def test_every_contribution_is_tagged(found: WorstCaseResult) -> None:
    rows = {(c.name, c.source): c for c in found.waterfalls[0].contributions}
    coil = rows["harvester.coil_resistance", "temperature"]
    assert (coil.kind, coil.pushes) == ("bias", None)
    assert coil.effect < 0.0  # copper's resistance rises
    emf = rows["harvester.peak_emf", "tolerance"]
    assert (emf.kind, emf.level, emf.pushes) == ("random", "unit", "low")
    assert rows["regulator.dropout", "tolerance"].pushes == "high"


def test_the_reserve_in_kind(found: WorstCaseResult, small: Design) -> None:
    """Charges of the contributions add up to that of the worst actuation, and octets and listening follow it."""
    fall = found.waterfalls[0]
    whole = sum(c.effect_C for c in fall.contributions)
    assert fall.nominal_in_kind.charge_C + whole == pytest.approx(fall.worst_in_kind.charge_C, rel=1e-3)
    for c in fall.contributions:
        if c.effect_C:
            assert c.octets / c.effect_C == pytest.approx(250e3 / 8.0 / 9.01e-3, rel=0.01)
            assert c.listen_s / c.effect_C == pytest.approx(1.0 / 8e-3, rel=0.01)
    assert [f.nominal_in_kind for f in found.waterfalls if f.quantity != RESERVE] == [None] * (
        len(found.waterfalls) - sum(f.quantity == RESERVE for f in found.waterfalls)
    )


def test_the_failure_point_lies_on_the_limit(found: WorstCaseResult, small: Design) -> None:
    """A reliability index and the probability sampled around its point: of one dominating region, about its tail."""
    point = next(p for p in found.failure_points if p.quantity == START_MARGIN)
    assert point.reliability_index is not None
    assert point.failure_low < 4.0 * float(ndtr(-point.reliability_index))
    assert point.failure_high > 0.25 * float(ndtr(-point.reliability_index))
    moved = {p.name: p.value for p in point.parameters if p.value is not None}
    values = Response(small, ONE).respond_at(moved, HOT).values
    assert abs(values[at.START_MARGIN]) < 0.05
    retry = next(p for p in found.failure_points if p.quantity == RESERVE and p.attempts == 2)
    assert retry.reliability_index < 0.0 < 0.5 < retry.failure


def test_machine_readable_and_the_same_on_two_threads(small: Design, found: WorstCaseResult) -> None:
    answer = json.loads(json.dumps(found.as_json(), allow_nan=False))
    assert answer["command"] == "worst-case"
    names = {"quantity", "temperature_degC", "age_yr", "extreme_value", "root_sum_square", "quantile_limit", "cases"}
    assert set(answer["cells"][0]) >= names
    again = worst_case(small, replace(ONE, threads=2), HOT, content=0.9)
    assert (again.cells, again.failure_points, again.waterfalls) == (
        found.cells,
        found.failure_points,
        found.waterfalls,
    )


def test_text_table_and_picture(found: WorstCaseResult) -> None:
    from yieldsim.report.figures import figure_of
    from yieldsim.report.figures.style import svg_of
    from yieldsim.report.terminal import text_of
    from yieldsim.report.worst_case import answers
    from yieldsim.report.worst_case_tables import cases, extremes, failure_points, ways

    text = text_of(found)
    assert text.startswith("RUNS SHORT")
    assert max(len(line) for line in text.splitlines()) <= 100
    assert "0.135 %" in text
    assert "content 90 %, confidence 90 %" in " ".join(text.split())
    table = found.table()
    assert list(table["quantity"]) == [cell.quantity for cell in found.cells]
    assert float(table["extreme_value"][0]) == found.worst.extreme_value
    assert len(cases(found)) == sum(len(cell.cases) for cell in found.cells)
    assert len(ways(found)) == sum(len(fall.contributions) for fall in found.waterfalls)
    assert len(extremes(found)) == len(found.extremes)
    assert len(failure_points(found)) == len(found.failure_points)
    assert len(answers(found).rows) == len(found.quantities)
    assert "reserve [mV]" in svg_of(figure_of(found))


@pytest.mark.parametrize("content", [0.2, 1.0, 0.99999999])
def test_what_cannot_be_asked(small: Design, content: float) -> None:
    with pytest.raises(InputError, match="content"):
        worst_case(small, ONE, HOT, content=content)
