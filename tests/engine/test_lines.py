"""Completion along lines through points of Sobol' sets, against closed forms and against counted actuations.

The store is charged at the release to V0, and V0 - V_start decides alone: the store of 1 mF gives the frame what it
takes without falling below the lowest supply. With normal tolerances the completing share of the population is
Phi((V0 - V_start) / s), s^2 the sum of all variances (normal theory), on every line exactly.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from yieldsim.design.reading import design_from_toml, read_design
from yieldsim.design.schema import Conditions, Design, Site
from yieldsim.engine.columns import Condition
from yieldsim.engine.lines import Line, LineBlock, join_lines, line_of, run_lines, steepest
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.scrambled import share_of_strata
from yieldsim.kernel import layout as at
from yieldsim.population.points import coordinate
from yieldsim.population.scrambled import SCRAMBLES, ScrambledPopulation

SEEDS = {"alder": 20_011, "birch": 481_516, "cedar": 90_210}
SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"
BENCH = Condition(25.0, 0.0)
UNITS = 256
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
[storage.initial_voltage]
nominal = "2.08 V"
tolerance = [{ level = "lot", sigma = "12 mV" }, { level = "unit", sigma = "16 mV" }, PRESSES]
[regulator]
kind = "direct"
start_voltage = { nominal = "2 V", tolerance = { level = "unit", sigma = "15 mV" } }
[radio]
minimum_supply = "1.5 V"
[[radio.sequence]]
step = "send"
frame = { octets = 20, bit_rate = "250 kbit/s", overhead_octets = 6 }
current = "9 mA"
LISTEN
"""
_SIGMAS = (("lot", 12.0), ("unit", 16.0), ("actuation", 20.0))
PRESSES = '{ level = "actuation", sigma = "20 mV" }'
# 12, 16, 15 and 20 mV
TRUTH = float(stats.norm.cdf(80.0 / np.sqrt(12.0**2 + 16.0**2 + 15.0**2 + 20.0**2)))
LOSSY = """
[[radio.sequence]]
step = "listen"
acknowledgement = { earliest = "0.5 ms", spread = "0 ms", timeout = "0.9 ms" }
current = "7 mA"
[link]
frame_loss = "3 %"
acknowledgement_loss = "1 %"
attempts = 2
"""


def design_of(listen: str = "", presses: str = PRESSES) -> Design:
    return design_from_toml(CHARGED.replace("PRESSES", presses).replace("LISTEN", listen))


def asked(design: Design, seed: int, condition: Condition = BENCH, units: int = UNITS) -> tuple[Response, LineBlock]:
    response = Response(design, Settings(units=units, seed=seed), "sobol")
    return response, run_lines(response, condition, np.arange(units), line_of(response, condition))


def shares(block: LineBlock, energy: bool = False) -> tuple[float, float]:
    low, high = block.short if energy else block.failing
    known = [not (energy or stratum.acknowledged) for stratum in block.line.strata]
    found = share_of_strata(low, high, block.weights, block.line.asked, SCRAMBLES, 0.999, known=known)
    return found.low, found.high


@pytest.mark.parametrize("seed", SEEDS.values(), ids=list(SEEDS))
def test_a_linear_margin_is_exact(seed: int) -> None:
    _, block = asked(design_of(), seed)
    low, high = 1.0 - block.failing[1], 1.0 - block.failing[0]
    # every point of its own: the margin is linear in the scores but for rounding
    assert (low <= TRUTH).all()
    assert (high >= TRUTH).all()
    assert (high - low).max() < 2e-5
    # bounds of 256 counted units would be some 0.02 apart
    least, most = shares(block)
    assert least <= TRUTH <= most
    assert most - least < 2e-5
    np.testing.assert_array_equal(block.failing, block.short)  # nothing is lost on this link


@pytest.mark.parametrize("seed", SEEDS.values(), ids=list(SEEDS))
def test_the_direction_of_a_linear_margin(seed: int) -> None:
    response = Response(design_of(), Settings(units=UNITS, seed=seed), "sobol")
    line = line_of(response, BENCH)
    moved = {(d.name, d.level): float(a) for d, a in zip(response.dimensions, line.direction, strict=True)}
    length = np.sqrt(12.0**2 + 16.0**2 + 15.0**2 + 20.0**2)
    wanted = {("storage.initial_voltage", level): s / length for level, s in _SIGMAS}
    wanted["regulator.start_voltage", "unit"] = -15.0 / length
    assert moved == pytest.approx({**dict.fromkeys(moved, 0.0), **wanted}, abs=1e-6)
    assert line.integrated


@pytest.mark.parametrize("seed", SEEDS.values(), ids=list(SEEDS))
def test_losses_of_the_link_have_their_probabilities(seed: int) -> None:
    # both attempts lost: (1 - 0.97 * 0.99)^2; the retry needs no more than the store holds
    lost = (1.0 - 0.97 * 0.99) ** 2
    _, block = asked(design_of(LOSSY), seed)
    least, most = shares(block)
    assert least <= TRUTH * (1.0 - lost) <= most
    assert most - least < 1e-4
    least, most = shares(block, energy=True)
    assert least <= TRUTH <= most
    # rarer outcomes are asked in fewer points
    assert block.line.asked[0] == UNITS // SCRAMBLES
    assert min(block.line.asked) < UNITS // SCRAMBLES
    for k, points in enumerate(block.line.asked):
        assert np.isnan(block.failing[0, points * SCRAMBLES :, k]).all()
        assert np.isfinite(block.failing[0, : points * SCRAMBLES, k]).all()


@pytest.mark.parametrize("seed", SEEDS.values(), ids=list(SEEDS))
def test_an_acknowledgement_may_come_too_late(seed: int) -> None:
    """It comes 0.5 to 1 ms after the frame and is waited for 0.9 ms: four fifths of those sent are heard, by hand."""
    late = LOSSY.replace('spread = "0 ms"', 'spread = "0.5 ms"')
    heard = 0.97 * 0.99 * 0.8
    _, block = asked(design_of(late), seed, units=1024)
    least, most = shares(block)
    truth = TRUTH * (1.0 - (1.0 - heard) ** 2)
    assert least <= truth <= most
    # negative control: were all heard in time
    assert most < TRUTH * (1.0 - (1.0 - 0.97 * 0.99) ** 2)
    # what is asked of the store is the same
    least, most = shares(block, energy=True)
    assert least <= TRUTH <= most


def test_nothing_to_integrate_counts_points() -> None:
    fixed = CHARGED.replace('{ nominal = "2 V", tolerance = { level = "unit", sigma = "15 mV" } }', '"2 V"')
    fixed = re.sub("tolerance = .*PRESSES]", "", fixed)
    _, block = asked(design_from_toml(fixed.replace("LISTEN", LOSSY)), 5)
    assert not block.line.integrated
    assert block.evaluations == sum(block.line.asked) * SCRAMBLES
    assert set(np.unique(block.short[np.isfinite(block.short)])) == {0.0}


def test_blocks_join_to_the_whole() -> None:
    design = design_of(LOSSY)
    response, whole = asked(design, 8)
    parts = [run_lines(response, BENCH, np.arange(k, k + 64), whole.line) for k in range(0, UNITS, 64)]
    joined = join_lines(parts)
    np.testing.assert_array_equal(joined.failing, whole.failing)
    np.testing.assert_array_equal(joined.short, whole.short)
    np.testing.assert_array_equal(joined.weights, whole.weights)
    assert joined.evaluations == whole.evaluations


def test_what_decides_the_link_and_what_is_correlated_with_it_stays() -> None:
    varied = 'frame_loss = { nominal = "3 %", tolerance = { level = "unit", within = "±1 %", shape = "uniform" } }'
    listen = LOSSY.replace('frame_loss = "3 %"', varied)
    listen += (
        '\n[[correlation]]\nbetween = ["link.frame_loss", "storage.initial_voltage"]\nlevel = "unit"\nrank = 0.3\n'
    )
    response = Response(design_of(listen), Settings(units=UNITS), "sobol")
    line = line_of(response, BENCH)
    moved = {(d.name, d.level) for d, a in zip(response.dimensions, line.direction, strict=True) if a != 0.0}
    assert ("link.frame_loss", "unit") not in moved
    assert ("storage.initial_voltage", "unit") not in moved
    assert ("storage.initial_voltage", "lot") in moved


def test_each_unit_ages_at_its_own_site() -> None:
    """Two sites that differ in nothing but their names give what one gives; the share of units is that of the sites."""
    design = design_of()
    here = ((25.0, 1.0),)
    conditions: Conditions = replace(design.conditions, sites=(Site("hall", 0.75, here), Site("yard", 0.25, here)))
    response, block = asked(replace(design, conditions=conditions), 3)
    _, alone = asked(design, 3)
    np.testing.assert_allclose(block.failing, alone.failing)
    place = response.site_of(np.arange(UNITS))
    assert [int((place[r::SCRAMBLES] == 0).sum()) for r in range(SCRAMBLES)] == [12] * SCRAMBLES


def test_agrees_with_counted_points() -> None:
    """The same population counted at 4,096 points of its own, in a condition where a few per cent fail."""
    small, condition = read_design(SMALL), Condition(60.0, 0.0)
    _, block = asked(small, 11, condition)
    least, most = shares(block)
    response = Response(small, Settings(units=4096, seed=12), "sobol")
    assert isinstance(response.population, ScrambledPopulation)
    names = [coordinate(d.name, d.level, max(d.attempt, 0)) for d in response.dimensions]
    _, codes = response.respond(response.population.coordinates(names, np.arange(4096)), condition)
    counted = (codes[:, at.OUTCOME] == at.COMPLETE).mean()
    # 5 standard errors of as many independent points, which these scatter less than
    reach = 5.0 * np.sqrt(counted * (1.0 - counted) / 4096)
    assert least - reach <= counted <= most + reach
    assert 0.001 < 1.0 - counted < 0.9


def test_steepest_of_nothing_is_nothing() -> None:
    scores = np.random.default_rng(1).standard_normal((64, 3))
    assert not steepest(scores, np.full(64, 0.2)).any()
    assert not steepest(scores, np.full(64, np.nan)).any()
    margins = scores @ [1.0, 2.0, -2.0] + 0.3
    margins[5] = np.nan
    np.testing.assert_allclose(steepest(scores, margins), np.array([1.0, 2.0, -2.0]) / 3.0, atol=1e-12)


def test_lines_are_of_scrambled_sets() -> None:
    response = Response(design_of(), Settings(units=UNITS))
    line = Line(np.zeros(len(response.dimensions)), (), (), 0)
    with pytest.raises(TypeError, match="scrambled Sobol' sets"):
        run_lines(response, BENCH, np.arange(4), line)
