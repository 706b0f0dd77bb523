"""Units as points of scrambled Sobol' sets: each depends on seed and number alone, and a set is balanced."""

from __future__ import annotations

import numpy as np
import pytest

from tests.population.made import base
from yieldsim.population.points import MOST_POINTS, coordinate, point_set, points_at
from yieldsim.population.population import Population
from yieldsim.population.scrambled import SCRAMBLES, ScrambledPopulation, scramble_seed

NAMES = ["storage.capacitance@unit#0", "a part of nobody's@unit#0", "harvester.speed@actuation#0"]
SEEDS = [3, 20_260_101, 77]


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("n", [1, 2, 64, 1024])
def test_points_by_their_place_are_those_of_the_set(n: int, seed: int) -> None:
    whole = point_set(NAMES, n, seed)
    some = np.random.default_rng(seed).permutation(n)[: max(n // 3, 1)]
    np.testing.assert_array_equal(points_at(NAMES, some, seed), whole[some])


@pytest.mark.parametrize("place", [-1, MOST_POINTS])
def test_places_out_of_range_are_refused(place: int) -> None:
    with pytest.raises(ValueError, match=f"^places {place} to {place}: from 0 and below 16777216 are needed$"):
        points_at(NAMES, np.array([place]), 1)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_unit_depends_on_its_number_alone(seed: int) -> None:
    population = ScrambledPopulation(base(), seed)
    units = np.arange(4 * SCRAMBLES)
    whole = population.unit_deviations(units)
    some = np.array([40, 3, 19])
    np.testing.assert_array_equal(population.unit_deviations(some), whole[some])
    assert not np.array_equal(ScrambledPopulation(base(), seed + 1).unit_deviations(units), whole)


@pytest.mark.parametrize("seed", SEEDS)
def test_each_scramble_is_balanced_in_every_coordinate(seed: int) -> None:
    """Of 2^m points of a net one lies in every interval of 2^-m (Sobol' 1967), independent points leave a third out."""
    population = ScrambledPopulation(base(), seed)
    u = population.unit_uniforms(np.arange(64 * SCRAMBLES))
    for r in range(SCRAMBLES):
        bins = np.sort(np.floor(64.0 * u[r::SCRAMBLES]).astype(int), axis=0)
        assert (bins == np.arange(64)[:, None]).all()
    # negative control
    plain = Population(base(), seed).unit_uniforms(np.arange(64))
    assert len(np.unique(np.floor(64.0 * plain[:, 0]))) < 60


def test_scrambles_are_those_of_their_own_seeds() -> None:
    population = ScrambledPopulation(base(), 5)
    names = [coordinate(v.name, v.level) for v in population.unit_variables]
    first = population.unit_uniforms(np.arange(8) * SCRAMBLES + 2)
    np.testing.assert_array_equal(first, point_set(names, 8, scramble_seed(5, 2)))
    assert len({scramble_seed(5, r) for r in range(SCRAMBLES)} | {scramble_seed(6, r) for r in range(SCRAMBLES)}) == 32


def test_every_unit_comes_from_a_lot_of_its_own() -> None:
    population = ScrambledPopulation(base(), 5)
    lots = [k for k, v in enumerate(population.unit_variables) if v.level == "lot"]
    assert lots
    assert (population.lot_of(np.arange(6)) == np.arange(6)).all()
    values = population.unit_deviations(np.arange(256))[:, lots[0]]
    assert len(np.unique(values)) == 256
