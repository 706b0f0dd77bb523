"""Sobol' points under nested uniform scrambling.

Every digit of a coordinate is flipped or not by a coin of its own for each value of the digits before it (Owen 1995).
A coordinate's coins come from a hash of the leading digits (Burley 2020, after Laine and Karras 2011, with the
multipliers of Vegdahl 2021), so that no tree of coins is kept, any piece of the set can be made alone, and more points
extend fewer.

It is preferred here to a random linear map with a shift, which has the same variance: there, all parts of a set
share their aliases, a few bad maps make most of the error, and the spread between parts does not see it. Measured for
the indices of `yieldsim.estimate.indices` in `tests/benchmarks/indices.py`.

References
----------
Owen, A. B. (1995). Randomly permuted (t, m, s)-nets and (t, s)-sequences. Lecture Notes in Statistics 106, 299-317.
Burley, B. (2020). Practical hash-based Owen scrambling. Journal of Computer Graphics Techniques 9(4), 1-20.
Vegdahl, N. (2021). Building a better LK hash. https://psychopath.io/post/2021_01_30_building_a_better_lk_hash
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Words = NDArray[np.uint32]

BITS = 32
#: Dimensions for which scipy holds direction numbers.
MOST_DIMENSIONS = 21201

# even, so that a digit is moved by those before it alone
_EVEN = (0x3D20ADEA, 0x05526C56, 0x53A22864)
_SWAPS = ((1, 0x55555555), (2, 0x33333333), (4, 0x0F0F0F0F), (8, 0x00FF00FF))


class OwenSobol:
    """Points of one scrambled Sobol' set, in order.

    Parameters
    ----------
    dimension : int
        From 1 to `MOST_DIMENSIONS`.
    address : sequence of int
        Seed of the scramble.
    """

    def __init__(self, dimension: int, address: Sequence[int]) -> None:
        from scipy.stats import qmc

        self._engine = qmc.Sobol(dimension, scramble=False, bits=BITS)
        rng = np.random.default_rng(address)
        self._seeds = rng.integers(0, 1 << BITS, (2, dimension), dtype=np.uint32)

    def next(self, n: int) -> Floats:
        """Return the next n points, (n, dimension), strictly inside the unit cube; n is a power of two."""
        words = (self._engine.random(n) * 2.0**BITS).astype(np.uint32)
        # the middle of each cell is as balanced as its corner, and never 0 or 1
        return (scrambled(words, self._seeds).astype(np.float64) + 0.5) / 2.0**BITS


def scrambled(words: Words, seeds: Words) -> Words:
    """Scramble coordinates.

    Parameters
    ----------
    words : (n, d) array of uint32
        Coordinates, the leading digit first.
    seeds : (rounds, d) array of uint32
        Of each round and column.

    Returns
    -------
    (n, d) array of uint32
        For each column a permutation that keeps how many leading digits two values have in common.
    """
    x = _reversed(words)
    for seed in seeds:
        x = x ^ (x * np.uint32(_EVEN[0]))
        x = (x + seed) * ((seed >> np.uint32(16)) | np.uint32(1))
        for factor in _EVEN[1:]:
            x = x ^ (x * np.uint32(factor))
    return _reversed(x)


def _reversed(words: Words) -> Words:
    """Reverse the order of the digits."""
    x = words
    for shift, mask in _SWAPS:
        step, part = np.uint32(shift), np.uint32(mask)
        x = ((x >> step) & part) | ((x & part) << step)
    return np.asarray((x >> np.uint32(16)) | (x << np.uint32(16)), dtype=np.uint32)
