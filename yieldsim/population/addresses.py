"""Addresses of draws: a key from seed, name and level; counter words from lot, unit, actuation and attempt.

Nothing else enters, so a draw does not depend on what else is in the design, on how many units there are, or
on the order of the work.
"""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

WORD = 0xFFFFFFFF

# Levels of the keys. `EVENT` is for what happens on the link: a loss of a given probability and the spread of
# that probability itself may carry one name and must not share their numbers.
LOT, UNIT, ACTUATION, EVENT = "lot", "unit", "actuation", "event"


def key(seed: int, name: str, level: str) -> tuple[int, int]:
    """Return two 32-bit key words: the BLAKE2b digest (RFC 7693) of seed, name and level."""
    digest = hashlib.blake2b(f"{seed}\0{name}\0{level}".encode(), digest_size=8).digest()
    return int.from_bytes(digest[:4], "little"), int.from_bytes(digest[4:], "little")


def words(ids: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the low and high 32-bit words of 64-bit lot or unit ids (n,): counter words 0 and 3."""
    return ids & WORD, (ids >> 32) & WORD
