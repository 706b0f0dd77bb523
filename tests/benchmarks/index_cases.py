"""Functions with known sensitivity indices, and the estimators of other libraries on them.

Ishigami (a = 7, b = 0.1): Saltelli et al. (2008), Global Sensitivity Analysis: The Primer. Sobol' g: Saltelli and
Sobol' (1995), V_i = 1 / (3 (1 + a_i)**2). Linear in normal inputs: S_i = a_i**2 / sum. Product of lognormal inputs
with deviations s of the logarithm: V_i = exp(s_i**2) - 1 relative to the squared mean, as for g.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]
Pair = tuple[Floats, Floats]


@dataclass(frozen=True)
class IndexCase:
    """A function on the unit cube with its first-order and total indices."""

    function: Callable[[Floats], Floats]
    first: Floats
    total: Floats

    @property
    def dimension(self) -> int:
        return self.first.size


def ishigami(u: Floats) -> Floats:
    x = np.pi * (2.0 * u - 1.0)
    return np.sin(x[:, 0]) + 7.0 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])


def product_of(variances: Floats, function: Callable[[Floats], Floats]) -> IndexCase:
    """Product of independent factors of mean 1 with the given variances."""
    whole = np.prod(1.0 + variances)
    return IndexCase(function, variances / (whole - 1.0), variances / (1.0 + variances) * whole / (whole - 1.0))


def sobol_g(a: Floats) -> IndexCase:
    return product_of(1.0 / (3.0 * (1.0 + a) ** 2), lambda u: np.prod((np.abs(4.0 * u - 2.0) + a) / (1.0 + a), axis=1))


def lognormal(s: Floats) -> IndexCase:
    return product_of(np.expm1(s**2), lambda u: np.exp(ndtri(u) @ s))


def linear(a: Floats) -> IndexCase:
    share = a**2 / np.sum(a**2)
    return IndexCase(lambda u: ndtri(u) @ a, share, share)


CASES = {
    "Ishigami": IndexCase(
        ishigami, np.array([0.3139051911, 0.4424111448, 0.0]), np.array([0.5575888552, 0.4424111448, 0.2436836641])
    ),
    "g (8)": sobol_g(np.array([0.0, 1.0, 4.5, 9.0, 99.0, 99.0, 99.0, 99.0])),
    "g (20)": sobol_g(np.array([0.0, 0.5, 1.0, 2.0, 3.0, 4.5, 6.0, 9.0, 12.0, 20.0] + 10 * [99.0])),
    "lognormal (20)": lognormal(np.array([0.3, 0.25, 0.2, 0.15, 0.1] + 5 * [0.05] + 10 * [0.01])),
    "linear (20)": linear(np.linspace(1.0, 0.05, 20)),
}


# estimators of other libraries, each with n (d + 2) evaluations ------------------------------------------------


def by_scipy(case: IndexCase, n: int, seed: int) -> Pair:
    from scipy.stats import sobol_indices, uniform

    found = sobol_indices(
        func=lambda x: case.function(np.clip(x.T, 1e-9, 1.0 - 1e-9)),
        n=n,
        dists=[uniform()] * case.dimension,
        rng=np.random.default_rng(seed),
    )
    return found.first_order, found.total_order


def by_salib(case: IndexCase, n: int, seed: int) -> Pair:
    from SALib.analyze.sobol import analyze
    from SALib.sample.sobol import sample

    d = case.dimension
    problem = {"num_vars": d, "names": [f"x{i}" for i in range(d)], "bounds": [[0.0, 1.0]] * d}
    points = sample(problem, n, calc_second_order=False, scramble=True, seed=seed)
    y = case.function(np.clip(points, 1e-9, 1.0 - 1e-9))
    found = analyze(problem, y, calc_second_order=False, num_resamples=2, seed=seed)
    return np.asarray(found["S1"]), np.asarray(found["ST"])


def by_openturns(case: IndexCase, n: int, seed: int, name: str) -> Pair:
    import openturns as ot

    ot.RandomGenerator.SetSeed(seed + 1)
    cube = ot.JointDistribution([ot.Uniform(0.0, 1.0)] * case.dimension)
    points = ot.SobolIndicesExperiment(cube, n, False).generate()
    y = ot.Sample(case.function(np.asarray(points))[:, None])
    algorithm = getattr(ot, f"{name}SensitivityAlgorithm")(points, y, n)
    algorithm.setUseAsymptoticDistribution(True)
    return np.array(algorithm.getFirstOrderIndices()), np.array(algorithm.getTotalOrderIndices())


PEERS: dict[str, Callable[[IndexCase, int, int], Pair]] = {
    "scipy": by_scipy,
    "SALib": by_salib,
    **{
        f"OpenTURNS {name}": lambda case, n, seed, name=name: by_openturns(case, n, seed, name)
        for name in ("Saltelli", "Jansen", "Martinez")
    },
}
