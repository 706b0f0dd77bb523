"""Units that surely comply, and units that perhaps do."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from yieldsim.estimate.settled import sure_and_possible
from yieldsim.estimate.stopping import MET, NOT_MET, PassFailWatch, StopRule
from yieldsim.estimate.unit_completion import Sampling, UnitCompletion, complete_units

SEEDS = [71, 72, 73]
REQUIRED = 0.999
COMPLY = 0.82


def blocks(seed, drawn, blocks=8, units=512):
    """Blocks of units of which 82 % comply, a share `drawn` of the actuation's variance drawn."""
    rng = np.random.default_rng([seed, int(100 * drawn)])
    for _ in range(blocks):
        mean = rng.normal(ndtri(REQUIRED) + ndtri(COMPLY), 1.0, units)

        def draw(some, first, count, mean=mean):
            z = rng.standard_normal((some.size, count))
            p = ndtr((mean[some][:, None] + np.sqrt(drawn) * z) / np.sqrt(1.0 - drawn))
            return p, p

        yield complete_units(draw, units, REQUIRED)[0]


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("drawn", [0.25, 0.5])
def test_fewer_are_sure_and_more_possible_than_comply(seed, drawn):
    counts = np.array([[c.sum() for c in sure_and_possible(units, REQUIRED)] for units in blocks(seed, drawn)])
    surely, possibly = counts.sum(axis=0) / (8 * 512)
    # measured 4 % and 6 % apart; 5.2 standard errors of a share of 82 % in 4096 are 3.1 %: false alarm 1e-7 each
    assert surely <= COMPLY - 0.037 + 0.031
    assert possibly >= COMPLY + 0.059 - 0.031
    # negative control: plain comparison of four draws counts too many
    plain = np.mean([np.mean(draws.low >= REQUIRED) for draws in _four(seed, 0.81)])
    assert plain > COMPLY + 0.031


def _four(seed, drawn):
    rng = np.random.default_rng(seed)
    for _ in range(8):
        mean = rng.normal(ndtri(REQUIRED) + ndtri(COMPLY), 1.0, 512)
        z = rng.standard_normal((512, 4))
        p = ndtr((mean[:, None] + np.sqrt(drawn) * z) / np.sqrt(1.0 - drawn)).mean(axis=1)
        yield UnitCompletion(p, p, None)


@pytest.mark.parametrize("seed", SEEDS)
def test_stop_rule_on_blocks_of_units(seed):
    # decisions at 1 - 1e-7 each: 70 % and 95 % are asked of 82 %
    for required, word in ((0.70, MET), (0.95, NOT_MET)):
        watch = PassFailWatch(StopRule(required=required, confidence=1.0 - 1e-7))
        words = []
        for units in blocks(seed, 0.25, 12):
            surely, possibly = sure_and_possible(units, REQUIRED)
            words.append(watch.look(surely.size, int(surely.sum()), int(possibly.sum())).word)
        assert words[-1] == word
        assert set(words) <= {word, "undecided"}


def test_every_cell_counts_and_brackets_leave_doubt():
    low, high = np.array([[0.95, 0.95, 0.80], [0.92, 0.85, 0.95]]), np.array([[0.96, 0.96, 0.81], [0.93, 0.91, 0.96]])
    surely, possibly = sure_and_possible(UnitCompletion(low, high, None), 0.9)
    assert surely.tolist() == [True, False, False]
    assert possibly.tolist() == [True, True, False]
    # a unit whose halves disagree is in doubt, and one within two standard errors
    middle = np.array([0.92, 0.92, 0.92])
    halves = np.array([[0.92, 0.89, 0.92], [0.92, 0.95, 0.92]])
    units = UnitCompletion(middle, middle, Sampling(np.array([0.005, 0.005, 0.011]), halves, 16))
    surely, possibly = sure_and_possible(units, 0.9)
    assert surely.tolist() == [True, False, False]
    assert possibly.all()
