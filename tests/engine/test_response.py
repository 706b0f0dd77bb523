"""The three doors: points of the unit cube, physical values, addresses; and what is drawn behind them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from yieldsim.design.reading import design_from_toml
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition, column_of, unit_columns
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.kernel.hash import uniform
from yieldsim.kernel.loop import run
from yieldsim.population.addresses import key
from yieldsim.words.errors import InputError

SEEDS = {"alder": 20_011, "birch": 481_516, "cedar": 90_210}
BENCH = Condition(25.0, 0.0)
SMALL = (Path(__file__).parents[1] / "analysis" / "small.toml").read_text(encoding="utf-8")
BACKOFF = """
[link.backoff]
unit = "320 us"
minimum_exponent = 2
maximum_exponent = 4
maximum_backoffs = 2
busy = "20 %"
idle_current = "1 mA"
assess_time = "128 us"
assess_current = "8 mA"
turnaround = "192 us"
turnaround_current = "8 mA"
"""
# No harvester: the store is charged at the release, and what an actuation draws is known before anything is run.
CHARGED = """
title = "Charged at the release"
[conditions]
temperatures = ["25 degC"]
ages = ["0 yr"]
[rectifier]
kind = "full bridge"
forward_drop = "0.3 V"
[storage]
esr = "0 ohm"
capacitance = "1 mF"
initial_voltage = { nominal = "2.4 V", tolerance = { level = "actuation", within = "±0.2 V" } }
[regulator]
kind = "direct"
start_voltage = { nominal = "1.9 V", tolerance = { level = "actuation", sigma = "1 %" } }
[radio]
minimum_supply = "1.5 V"
[[radio.sequence]]
step = "send"
frame = { octets = 20, bit_rate = "250 kbit/s", overhead_octets = 6 }
current = { nominal = "9 mA", tolerance = { level = "actuation", sigma = "4 %" } }
[[radio.sequence]]
step = "listen"
acknowledgement = { earliest = "0.5 ms", spread = "0.2 ms", timeout = "0.9 ms" }
current = { nominal = "7 mA", tolerance = { level = "actuation", within = "±10 %" } }
[link]
attempts = 2
frame_loss = "30 %"
"""


def small(*changes: tuple[str, str], more: str = "") -> Design:
    text = SMALL
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return design_from_toml(text + more)


def charged(more: str = "") -> Design:
    return design_from_toml(CHARGED + more)


# --- first door: points of the unit cube ------------------------------------------------------------------------


def test_every_axis_is_there_once_and_in_order() -> None:
    response = Response(small(), Settings())
    axes = [(d.name, d.level, d.attempt) for d in response.dimensions]
    assert len(set(axes)) == len(axes)
    assert ("storage.capacitance", "lot", -1) in axes
    assert ("storage.capacitance", "unit", -1) in axes
    assert ("storage.capacitance.ageing.change", "unit", -1) in axes
    assert axes.count(("harvester.speed", "actuation", 0)) == 1  # a press is pressed once, however often it is sent
    assert ("harvester.speed", "actuation", 1) not in axes
    for event in ("link.frame_loss", "link.acknowledgement_loss", "radio.listen.latency"):
        assert [a for a in axes if a[0] == event] == [(event, "event", 0), (event, "event", 1)]
    assert not any("backoff" in name for name, _, _ in axes)
    with_backoff = Response(small(more=BACKOFF), Settings())
    assert len(with_backoff.dimensions) == len(axes) + 2 * 2 * 3  # backoff and busy, three assessments, two attempts


@pytest.mark.parametrize("more", ["", BACKOFF], ids=["plain", "backoff"])
def test_a_point_made_of_an_addresss_own_numbers_is_that_address(more: str) -> None:
    # the same numbers through both doors give the same bits
    response = Response(small(more=more), Settings())
    addresses = [(0, 0), (3, 17), (5 * 2**32 + 9, 2), (1234, 2**30 - 1)]
    points = np.empty((len(addresses), len(response.dimensions)))
    for row, (unit, actuation) in enumerate(addresses):
        low, high = unit & 0xFFFFFFFF, unit >> 32
        for k, d in enumerate(response.dimensions):
            key0, key1 = key(response.settings.seed, d.name, d.level)
            word1, word2 = (0, 0) if d.attempt < 0 else (actuation, d.attempt)
            points[row, k] = uniform(key0, key1, low, word1, word2, high)
    place = Condition(60.0, 10.0)
    values, codes = response.respond(points, place, full=True)
    for row, address in enumerate(addresses):
        opened = response.replay(*address, place)
        np.testing.assert_array_equal(values[row], opened.values)
        np.testing.assert_array_equal(codes[row], opened.codes)
    # negative control: a number of its own in one place is seen
    points[0, 0] = 1.0 - points[0, 0]
    assert response.respond(points, place)[0][0, at.RESERVE] != values[0, at.RESERVE]


def test_every_axis_moves_something() -> None:
    # few losses leave the second attempt of most points unused, hence the losses and the narrow wait
    text = (
        ('frame_loss = "1 %"', 'frame_loss = "50 %"'),
        ('acknowledgement_loss = "0.5 %"', 'acknowledgement_loss = "5 %"'),
    )
    response = Response(small(*text, more=BACKOFF), Settings())
    rng = np.random.default_rng(7)
    points = rng.uniform(0.02, 0.98, (400, len(response.dimensions)))
    place = Condition(60.0, 10.0)
    values, codes = response.respond(points, place, full=True)
    for k, d in enumerate(response.dimensions):
        moved = points.copy()
        moved[:, k] = 1.0 - moved[:, k]
        other, other_codes = response.respond(moved, place, full=True)
        same = np.array_equal(values, other, equal_nan=True) and np.array_equal(codes, other_codes)
        assert not same, d


def test_full_adds_the_start_margin_and_changes_nothing_else() -> None:
    response = Response(small(), Settings())
    points = np.random.default_rng(3).uniform(0.01, 0.99, (300, len(response.dimensions)))
    values, codes = response.respond(points, BENCH)
    whole, whole_codes = response.respond(points, BENCH, full=True)
    np.testing.assert_array_equal(codes, whole_codes)
    left_out = np.isnan(values[:, at.START_MARGIN])
    assert left_out.any()
    assert np.isfinite(whole[:, at.START_MARGIN]).all()
    # where it was left out it could not have decided
    assert (whole[left_out, at.START_MARGIN] >= whole[left_out, at.RUN_MARGIN]).all()
    rest = [k for k in range(at.VALUES) if k != at.START_MARGIN]
    np.testing.assert_array_equal(values[:, rest], whole[:, rest])
    np.testing.assert_array_equal(values[~left_out, at.START_MARGIN], whole[~left_out, at.START_MARGIN])


def test_points_of_another_width_are_refused() -> None:
    response = Response(charged(), Settings())
    width = len(response.dimensions)
    with pytest.raises(ValueError, match=rf"points have shape \(4, {width + 1}\), not \(n, {width}\)"):
        response.respond(np.full((4, width + 1), 0.5), BENCH)


# --- second door: physical values ---------------------------------------------------------------------------------


def test_the_middle_of_the_cube_is_the_nominal_actuation() -> None:
    # every tolerance of this design is symmetric, so that its median is its nominal value
    response = Response(small(), Settings())
    values, codes = response.respond(np.full((1, len(response.dimensions)), 0.5), BENCH, full=True)
    nominal = response.respond_at({}, BENCH)
    np.testing.assert_allclose(values[0], nominal.values, rtol=0.0, atol=1e-9)
    np.testing.assert_array_equal(codes[0], nominal.codes)


def test_values_given_stand_in_their_columns() -> None:
    response = Response(small(), Settings())
    columns = column_of(response.design)
    base = response.nominal_base(BENCH)
    given = {"storage.capacitance": 27e-6, "radio.boot.current": 4e-3, "regulator.start_voltage": 2.7}
    opened = response.respond_at(given, BENCH)
    for name, column in columns.items():
        assert opened.x[column] == given.get(name, base[column]), name
    same = response.respond_at({name: base[column] for name, column in columns.items()}, BENCH)
    np.testing.assert_array_equal(same.values, response.respond_at({}, BENCH).values)


def test_values_worked_out_by_hand() -> None:
    # a store of 1 mF without ESR at 2.4 V, drawn on with constant currents: V falls by I·t/C
    response = Response(charged(), Settings())
    air, wait = 26 * 8 / 250e3, 0.5e-3 + 0.5 * 0.2e-3  # octets * 8 / bit rate; earliest + half the spread
    end = 2.4 - (9e-3 * air + 7e-3 * wait) / 1e-3
    opened = response.respond_at({}, BENCH)
    assert opened.values[at.START_MARGIN] == pytest.approx(2.4 - 1.9, abs=1e-12)
    assert opened.values[at.RESERVE] == pytest.approx(end - 1.5, abs=1e-9)
    assert opened.values[at.RUN_MARGIN] == pytest.approx(end - 1.5, abs=1e-9)
    assert opened.values[at.COMPLETE_TIME] == pytest.approx(air + wait, rel=1e-12)
    assert opened.codes[at.ATTEMPTS_USED] == 1  # without losses, although the file has them
    lower = response.respond_at({"storage.initial_voltage": 1.8}, BENCH)
    assert lower.codes[at.OUTCOME] == at.NEVER_STARTED
    assert lower.values[at.VOLTAGE_MARGIN] == pytest.approx(1.8 - 1.9, abs=1e-12)


def test_opening_it_changes_no_bit() -> None:
    response = Response(small(), Settings())
    opened, plain = response.respond_at({}, BENCH, opened=True), response.respond_at({}, BENCH)
    np.testing.assert_array_equal(opened.values, plain.values)
    np.testing.assert_array_equal(opened.codes, plain.codes)
    assert len(plain.record) == 0
    assert len(opened.record) > 100
    came = opened.ledger[at.LED_SOURCE] + opened.ledger[at.LED_INITIAL]
    assert opened.ledger.sum() - came == pytest.approx(came, rel=1e-3)


def test_a_name_that_is_no_parameter_is_refused() -> None:
    response = Response(charged(), Settings())
    with pytest.raises(InputError) as caught:
        response.respond_at({"storage.capacity": 1.0}, BENCH)
    assert str(caught.value) == ("storage.capacity = 1.0: no physical parameter has this name; see `yieldsim check`")


def test_the_nominal_backoff_is_the_mean_of_the_first() -> None:
    # slots 0 to 3 at a minimum exponent of 2: one and a half units of 320 us, then assessment and turnaround
    response = Response(small(more=BACKOFF), Settings())
    without = Response(small(), Settings())
    longer = (1.5 * 320 + 128 + 192) * 1e-6
    taken = [r.respond_at({}, BENCH).values[at.SEQUENCE_END] for r in (response, without)]
    assert taken[0] - taken[1] == pytest.approx(longer, abs=1e-12)


# --- third door: addresses, and the sites of units -----------------------------------------------------------------


def test_a_replay_is_the_row_of_a_block() -> None:
    response = Response(small(more=BACKOFF), Settings())
    place = Condition(60.0, 10.0)
    base, scale = response.unit_base(np.arange(30), place)
    rows = np.array([[u, u, k] for u in range(30) for k in range(4)])
    values, codes = run(response.kernel, base, scale, rows)
    for r in (0, 33, 77, 119):
        opened = response.replay(int(rows[r, 1]), int(rows[r, 2]), place)
        np.testing.assert_array_equal(opened.codes, codes[r])
        assert opened.values[at.VOLTAGE_MARGIN] == values[r, at.VOLTAGE_MARGIN]
        assert opened.values[at.RESERVE] == values[r, at.RESERVE]


SITES = """
[[site]]
name = "barn"
share = "70 %"
mission = [{ temperature = "10 degC", share = "100 %" }]
[[site]]
name = "roof"
share = "30 %"
mission = [{ temperature = "55 degC", share = "100 %" }]
"""
# ages with the temperature of its site
ENDURANCE = (
    'ageing = { law = "per decade of hours", change = "-2 % ±0.5 %" }',
    'ageing = { law = "endurance", change = "-20 %", rated_life = "5000 h", rated_temperature = "85 degC",'
    ' doubling = "10 K" }',
)


def test_each_unit_ages_at_its_own_site() -> None:
    response = Response(small(ENDURANCE, more=SITES), Settings())
    units = np.array([4, 0, 2**33 + 1, 9, 2, 7, 300])
    place = Condition(25.0, 8.0)
    base, _ = response.unit_base(units, place)
    where = response.site_of(units)
    assert set(where.tolist()) == {0, 1}
    for k, site in enumerate(response.design.conditions.sites):
        alone, _ = unit_columns(
            response.design, place, response.population, response.population.unit_deviations(units),
            mission=site.mission,
        )  # fmt: skip
        np.testing.assert_array_equal(base[where == k], alone[where == k])
    np.testing.assert_array_equal(where, [response.site_of(np.array([u]))[0] for u in units])


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_sites_have_their_shares(seed: int) -> None:
    # 3 tests of two-sided 2e-7 each: false-alarm rate at most 6e-7 in all
    response = Response(small(ENDURANCE, more=SITES), Settings(seed=seed))
    roof = int(response.site_of(np.arange(20_000)).sum())
    assert stats.binomtest(roof, 20_000, 0.3).pvalue > 2e-7
    assert stats.binomtest(roof, 20_000, 0.33).pvalue < 2e-7  # negative control: other shares are caught


# --- rank correlation of what is drawn for each actuation, through the compiled loop --------------------------------

BETWEEN = """
[[correlation]]
between = ["storage.initial_voltage", "regulator.start_voltage"]
level = "actuation"
rank = 0.6
[[correlation]]
between = ["regulator.start_voltage", "radio.listen.current"]
level = "actuation"
rank = -0.5
"""
PAIRS = {
    ("storage.initial_voltage", "regulator.start_voltage"): 0.6,
    ("regulator.start_voltage", "radio.listen.current"): -0.5,
    ("storage.initial_voltage", "radio.listen.current"): 0.0,
    ("storage.initial_voltage", "radio.send.current"): 0.0,
}
ACTUATIONS = 4000
# 4 pairs, 3 seeds, 2 attempts: 24 tests at 4e-8 each, false-alarm rate of all at most 1e-6
REACH = float(stats.norm.isf(4e-8 / 2))


def moved(response: Response, tries: tuple[int, int]) -> dict[str, np.ndarray]:
    """Values (ACTUATIONS,) of the columns in the last attempt of each actuation of unit 0."""
    base, scale = response.unit_base(np.array([0]), BENCH)
    columns = column_of(response.design)
    x = np.empty((ACTUATIONS, base.shape[1]))
    plan = np.array([(*tries, 0, 0)])  # press and message are left to their draws
    for k in range(ACTUATIONS):
        run(response.kernel, base, scale, np.array([[0, 0, k]]), plans=plan, x=x[k])
    return {name: x[:, columns[name]] for pair in PAIRS for name in pair}


def distance(first: np.ndarray, second: np.ndarray, rank: float) -> float:
    """Distance of Spearman's coefficient from ``rank`` in standard errors.

    Fisher's transform; variance about 1.06/(n - 3) (Fieller, Hartley and Pearson 1957, Biometrika 44, 470-481).
    """
    found = stats.spearmanr(first, second).statistic
    return float(abs(np.arctanh(found) - np.arctanh(rank)) / np.sqrt(1.06 / (len(first) - 3)))


@pytest.mark.parametrize("tries", [(1, 0), (1 + at.PLAN_LOST, 1)], ids=["first attempt", "second attempt"])
@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_rank_correlation_of_actuations(seed: int, tries: tuple[int, int]) -> None:
    values = moved(Response(charged(BETWEEN), Settings(seed=seed)), tries)
    for (a, b), rank in PAIRS.items():
        assert distance(values[a], values[b], rank) < REACH, (a, b)


def test_negative_control_independent_actuations_are_told_from_correlated_ones() -> None:
    values = moved(Response(charged(), Settings(seed=SEEDS["alder"])), (1, 0))
    for (a, b), rank in PAIRS.items():
        assert (distance(values[a], values[b], rank) > REACH) == (rank != 0.0), (a, b)


def test_marginals_hold_with_correlation() -> None:
    # a triple of laws at 3e-7 each: false-alarm rate at most 1e-6
    values = moved(Response(charged(BETWEEN), Settings(seed=SEEDS["birch"])), (1 + at.PLAN_LOST, 1))
    laws = {
        "storage.initial_voltage": stats.uniform(2.2, 0.4),
        "regulator.start_voltage": stats.norm(1.9, 0.019),
        "radio.listen.current": stats.uniform(6.3e-3, 1.4e-3),
    }
    for name, law in laws.items():
        assert stats.kstest(values[name], law.cdf).pvalue > 3e-7, name
    assert stats.kstest(values["regulator.start_voltage"], stats.norm(1.9, 0.022).cdf).pvalue < 3e-7
