"""A counter-based generator: a uniform number is a function of a key and a counter, without any state.

Philox4x32-10, Salmon, Moraes, Dror and Shaw, "Parallel random numbers: as easy as 1, 2, 3", SC11 (2011).
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from yieldsim.kernel.compiled import compiled, entry_point, inlined

# All arithmetic is on 64-bit signed integers when compiled and on Python's unbounded ones when not. A product
# of two 32-bit words may exceed 2**63 and then wraps when compiled; its 64 bits are the same, and the masks
# after the shift take away the sign bits, so both ways give the same words.
_MASK = 0xFFFFFFFF
_MULTIPLIER_0 = 0xD2511F53
_MULTIPLIER_1 = 0xCD9E8D57
_WEYL_0 = 0x9E3779B9
_WEYL_1 = 0xBB67AE85
_ROUNDS = 10
# 52 random bits and a half: the half makes the number symmetric about 0.5 and keeps it off 0 and 1. With 53
# bits the half would be lost to rounding above 0.5, and the largest number would round to 1.
_SCALE = 2.0**-52
NOT_DRAWN = -1.0  # stands in the place of a uniform number that nothing has asked for yet


@compiled
def philox(key0, key1, word0, word1, word2, word3):
    """Return the four 32-bit words of Philox4x32-10 for a key of two and a counter of four 32-bit words."""
    # int() of a numpy integer leaves Python's unbounded arithmetic when not compiled, and does nothing
    # otherwise.
    k0, k1 = int(np.int64(key0)), int(np.int64(key1))
    c0, c1 = int(np.int64(word0)), int(np.int64(word1))
    c2, c3 = int(np.int64(word2)), int(np.int64(word3))
    for _ in range(_ROUNDS):
        product0 = _MULTIPLIER_0 * c0
        product1 = _MULTIPLIER_1 * c2
        c0, c1, c2, c3 = (
            ((product1 >> 32) & _MASK) ^ c1 ^ k0,
            product1 & _MASK,
            ((product0 >> 32) & _MASK) ^ c3 ^ k1,
            product0 & _MASK,
        )
        k0 = (k0 + _WEYL_0) & _MASK
        k1 = (k1 + _WEYL_1) & _MASK
    return c0, c1, c2, c3


@compiled
def uniform(key0, key1, word0, word1, word2, word3):
    """Return a uniform number strictly inside (0, 1) [-] for a key of two and a counter of four 32-bit words.

    The number is an odd multiple of 2**-53: 52 random bits and a half.
    """
    high, low, _, _ = philox(key0, key1, word0, word1, word2, word3)
    return ((high << 20) + (low >> 12) + 0.5) * _SCALE


@inlined
def addressed(keys, k, address, attempt):
    """Return the uniform number [-] of slot ``k`` in an attempt of the actuation at ``address`` (unit, actuation).

    ``keys`` (slots, 2) are the key words of each slot.
    """
    unit, actuation = address[0], address[1]
    return uniform(keys[k, 0], keys[k, 1], unit & _MASK, actuation, attempt, unit >> 32)


@inlined
def drawn(keys, k, address, attempt, uniforms):
    """Return slot ``k`` of the ``uniforms`` (slots,) of an attempt, drawn by its address where it was not yet."""
    if uniforms[k] == NOT_DRAWN:
        uniforms[k] = addressed(keys, k, address, attempt)
    return uniforms[k]


@entry_point
def uniforms(
    digest: int,
) -> Callable[
    [int, int, NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]],
    NDArray[np.float64],
]:
    """Uniform numbers for arrays of counters, ``uniforms(key0, key1, word0, word1, word2, word3)``.

    Key words are integers, counter words (n,) int64 arrays of 32-bit values; returns (n,) as `uniform` gives
    them.
    """

    def uniforms(key0, key1, word0, word1, word2, word3):
        _ = digest
        result = np.empty(word0.shape[0])
        for i in range(word0.shape[0]):
            result[i] = uniform(key0, key1, word0[i], word1[i], word2[i], word3[i])
        return result

    return uniforms
