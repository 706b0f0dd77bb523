"""Point sets: stratified, unbiased, better than random, and a function of the name alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.special import ndtri
from scipy.stats import qmc

from yieldsim.population.points import HASHED, OWNED, coordinate, point_set

COMMON = [
    coordinate("harvester.peak_emf", "unit"),
    coordinate("storage.capacitance", "unit"),
    coordinate("harvester.speed", "actuation"),
    coordinate("regulator.start_voltage", "unit"),
    coordinate("harvester.coil_resistance", "unit"),
    coordinate("regulator.dropout", "unit"),
    coordinate("harvester.peak_emf", "unit", 1),
    coordinate("storage.capacitance", "unit", 1),
]
NAMES = [*COMMON, *(coordinate(f"radio.step_{k}.current", "unit") for k in range(4))]
SEEDS = {"alder": 20_011, "birch": 481_516, "cedar": 90_210}


@settings(max_examples=30)
@given(st.text(min_size=1, max_size=20), st.integers(0, 2**63), st.integers(0, 11))
def test_every_dyadic_interval_holds_one_point(name: str, seed: int, m: int) -> None:
    # A (0, 1)-sequence in base 2 (Niederreiter 1987): the first 2^m points fall one into each interval of
    # length 2^-m.
    x = point_set([name], 2**m, seed)[:, 0]
    np.testing.assert_array_equal(np.sort(np.floor(x * 2**m)), np.arange(2**m))
    assert np.all((x > 0) & (x < 1))


def test_extended_by_doubling() -> None:
    long = point_set(NAMES, 1024, 3)
    for n in (1, 2, 64, 512):
        np.testing.assert_array_equal(point_set(NAMES, n, 3), long[:n])


def test_a_coordinate_depends_on_its_name_alone() -> None:
    whole = point_set(NAMES, 256, 3)
    part = point_set([NAMES[9], "another", NAMES[2]], 256, 3)
    np.testing.assert_array_equal(part[:, 0], whole[:, 9])
    np.testing.assert_array_equal(part[:, 2], whole[:, 2])


def test_seeds_scramble_independently() -> None:
    first, second = point_set(NAMES, 256, 1), point_set(NAMES, 256, 2)
    assert not np.any(first == second)


def integral(points: np.ndarray) -> float:
    """Mean of a smooth function of normal scores with curvature and an interaction; its expectation is 1."""
    z = ndtri(points)
    weights = 0.5 / (1 + np.arange(points.shape[1]))
    return float(np.mean(np.exp(z @ weights - 0.5 * np.sum(weights**2)) + 0.3 * z[:, 0] * z[:, 1]))


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_scrambled_sets_are_unbiased(seed: int) -> None:
    # Student t over 32 scramblings, two-sided at 3e-7 for each of three seeds: false-alarm rate below 1e-6.
    means = np.array([integral(point_set(NAMES, 256, seed + k)) for k in range(32)])
    assert stats.ttest_1samp(means, 1.0).pvalue > 3e-7
    # Negative control: a bias of one standard deviation of a random sample's mean would be seen.
    assert stats.ttest_1samp(means + 0.8 / 16, 1.0).pvalue < 3e-7


def spread(sets: list[np.ndarray]) -> float:
    return float(np.std([integral(points) for points in sets]))


def test_error_is_far_below_that_of_random_points() -> None:
    random = np.random.default_rng(1)
    plain = spread([random.random((1024, len(NAMES))) for _ in range(24)])
    assert spread([point_set(NAMES, 1024, k) for k in range(24)]) < 0.4 * plain
    # Names that own the first dimensions are as good as a scrambled sequence of scipy's of that many
    # dimensions.
    theirs = spread([qmc.Sobol(len(COMMON), rng=k).random(1024) for k in range(24)])
    assert spread([point_set(COMMON, 1024, k) for k in range(24)]) < 2.0 * theirs < 0.2 * plain


def test_digits_are_those_of_the_sobol_sequence() -> None:
    # Without scrambling, coordinates are those of scipy's sequence in another order of the points; a lower
    # triangular scramble and a shift keep every elementary interval of a pair of coordinates as full as it
    # was.
    ours = point_set(COMMON[:1] + COMMON[6:7], 1024, 5)  # dimensions 0 and 1
    theirs = qmc.Sobol(2, scramble=False).random(1024)
    for split in range(11):
        cells = np.array([2**split, 2 ** (10 - split)])
        counts = [len(np.unique(np.floor(points * cells), axis=0)) for points in (ours, theirs)]
        assert counts == [1024, 1024]


def test_hashed_names_get_distinct_dimensions_in_any_order() -> None:
    names = [coordinate(f"radio.step_{k}.current", "unit") for k in range(HASHED)]
    points = point_set(names, 64, 1)
    assert len(np.unique(points.round(12), axis=1).T) == HASHED
    np.testing.assert_array_equal(point_set(names[::-1], 64, 1)[:, ::-1], points)
    with pytest.raises(ValueError, match=f"{HASHED + 1} coordinates"):
        point_set([*names, "one more"], 64, 1)
    assert OWNED % 2 == 0


@pytest.mark.parametrize("n", [0, 3, 1000, 2**25])
def test_other_numbers_of_points_are_refused(n: int) -> None:
    with pytest.raises(ValueError, match="power of two"):
        point_set(NAMES, n, 1)


def test_a_name_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="twice"):
        point_set(["a", "b", "a"], 4, 1)
