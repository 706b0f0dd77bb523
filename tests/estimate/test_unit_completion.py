"""More draws where a unit could lie on either side of the requirement."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from yieldsim.estimate.unit_completion import (
    UnitCompletion,
    combine_strata,
    complete_units,
    join_blocks,
    pooled_error,
    stack_cells,
    weigh_strata,
)
from yieldsim.estimate.unit_yield import unit_yield

SEEDS = [41, 42, 43]
REQUIRED = 0.999


def margins(seed, units, drawn):
    """Unit means N(4, 1) in units of the actuation noise, a share `drawn` of whose variance is drawn."""
    rng = np.random.default_rng(seed)
    mean = rng.normal(4.0, 1.0, units)
    asked = []

    def draw(some, first, count):
        asked.append((some.copy(), first, count))
        z = rng.standard_normal((some.size, count))
        p = ndtr((mean[some][:, None] + np.sqrt(drawn) * z) / np.sqrt(1.0 - drawn))
        return p, p

    return mean, draw, asked


@pytest.mark.parametrize("seed", SEEDS)
def test_settled_units_cost_the_first_stage_only(seed):
    # a twentieth of the variance drawn: few units are near the requirement; each mean is one of as many draws
    mean, draw, asked = margins(seed, 1000, 0.05)
    (units,) = complete_units(draw, 1000, REQUIRED)
    assert [(first, count) for _, first, count in asked] == [(0, 4), (4, 12), (16, 48)]
    draws = units.sampling.draws_each
    assert set(draws.tolist()) == {4, 16, 64}
    assert draws[asked[2][0]].tolist() == [64] * asked[2][0].size
    assert draws.mean() < 30.0
    # those that ask for most are the nearest to the requirement: with this spread of draws, within 1.5 of noise
    assert np.all(np.abs(mean[draws == 64] - ndtri(REQUIRED)) < 1.5)


@pytest.mark.parametrize("seed", SEEDS)
def test_bounds_hold_and_more_draws_narrow_them(seed):
    truth = float(ndtr(4.0 - ndtri(REQUIRED)))
    sure = 1.0 - 1e-7  # of each bound: false alarm 6e-7 in all
    widths = []
    for stages in ((4,), (4, 16, 64)):
        _, draw, _ = margins(seed, 4000, 0.25)
        (units,) = complete_units(draw, 4000, REQUIRED, stages=stages)
        estimate = unit_yield(units.low, units.high, REQUIRED, sure, sampling=units.sampling)
        assert estimate.low <= truth <= estimate.high
        widths.append(estimate.high - estimate.low)
    assert widths[1] < 0.5 * widths[0]


def test_units_like_a_contradicted_one_are_unsettled():
    # draws of 1, but for one unit in whose last half every draw fails altogether: the others look no better than
    # its first half did
    by_draw = np.ones((200, 4))
    by_draw[7, 2:] = 0.0
    asked = []

    def draw(some, first, count):
        asked.append(some.size)
        part = by_draw[some][:, :count] if first == 0 else np.ones((some.size, count))
        return part, part

    complete_units(draw, 200, 0.9, stages=(4, 8))
    assert asked == [200, 200]
    # negative control: without it nobody is in doubt
    by_draw[7] = 1.0
    asked.clear()
    complete_units(draw, 200, 0.9, stages=(4, 8))
    assert asked == [200]


def test_pooled_error_is_that_of_like_units():
    # 64 units whose draws are all 1, and 64 about 0.5 that scatter: each group is pooled with its own
    rng = np.random.default_rng(3)
    by_draw = np.concatenate([np.ones((64, 8)), rng.uniform(0.3, 0.7, (64, 8))])
    error = pooled_error(by_draw)
    assert np.all(error[:64] == 0.0)
    # uniform of width 0.4: standard error of 8 draws 0.4 / sqrt(12 * 8) = 0.041; pools of 32 scatter by an eighth
    assert error[64:] == pytest.approx(np.full(64, 0.0408), rel=0.6)


def test_questions_share_their_draws():
    rng = np.random.default_rng(4)

    def draw(some, first, count):
        p = rng.uniform(0.90, 0.96, (some.size, count))
        both = np.stack([p, np.full_like(p, 0.5)])
        return both, both + 0.01

    completion, energy = complete_units(draw, 50, 0.94, stages=(4, 8))
    assert completion.low.shape == energy.low.shape == (50,)
    assert completion.high - completion.low == pytest.approx(np.full(50, 0.01))
    assert np.all(energy.low == 0.5)
    assert completion.sampling.draws_each.tolist() == energy.sampling.draws_each.tolist()


def test_one_stage_is_the_plain_mean():
    rng = np.random.default_rng(5)
    p = rng.uniform(0.0, 1.0, (30, 2, 6))
    weights, rest = np.tile([0.7, 0.2], (30, 1)), np.full(30, 0.1)
    by_draw = weigh_strata(p, p, weights, rest)
    plain = combine_strata(p, p, weights, rest)
    (staged,) = complete_units(lambda some, first, count: tuple(b[some] for b in by_draw), 30, 0.5, stages=(6,))
    for name in ("low", "high"):
        assert getattr(staged, name) == pytest.approx(getattr(plain, name), abs=1e-15)
    assert staged.sampling.standard_error == pytest.approx(plain.sampling.standard_error, abs=1e-15)
    assert staged.sampling.halves == pytest.approx(plain.sampling.halves, abs=1e-15)
    # by hand: 0.7 and 0.2 of the means, the rest failing in low and completing in high
    assert plain.low == pytest.approx(0.7 * p[:, 0].mean(axis=1) + 0.2 * p[:, 1].mean(axis=1))
    assert plain.high == pytest.approx(plain.low + 0.1)


def test_blocks_and_cells_keep_the_draws_of_each_unit():
    _, draw, _ = margins(6, 300, 0.5)
    (one,) = complete_units(draw, 300, REQUIRED)
    _, draw, _ = margins(7, 300, 0.5)
    (two,) = complete_units(draw, 300, REQUIRED)
    row = join_blocks([one, two])
    assert row.low.tolist() == [*one.low, *two.low]
    assert row.sampling.draws_each.tolist() == [*one.sampling.draws_each, *two.sampling.draws_each]
    assert row.sampling.halves.shape == (2, 600)
    cells = stack_cells([one, two])
    assert cells.sampling.counts.tolist() == [one.sampling.draws_each.tolist(), two.sampling.draws_each.tolist()]
    assert cells.sampling.halves.shape == (2, 2, 300)
    assert join_blocks([UnitCompletion(one.low, one.high, None)] * 2).sampling is None


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: complete_units(lambda *_: None, 2, 0.9, stages=(4, 4)),
            "stages = (4, 4): increasing even numbers of draws are needed",
        ),
        (
            lambda: complete_units(lambda *_: None, 2, 0.9, stages=(3,)),
            "stages = (3,): increasing even numbers of draws are needed",
        ),
        (
            lambda: complete_units(lambda *_: (np.ones((2, 3)), np.ones((2, 3))), 2, 0.9, stages=(4,)),
            "draws of shapes (1, 2, 3) and (1, 2, 3) for 2 units: (questions, 2, 4) is needed twice",
        ),
        (
            lambda: join_blocks([]),
            "0 blocks: at least one, and draws averaged in all or in none, are needed",
        ),
    ],
)
def test_errors(call, message):
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        call()
