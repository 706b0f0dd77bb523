"""Scrambled Sobol' point sets whose coordinates belong to names.

A coordinate is a dimension of the Sobol' sequence of Joe and Kuo (SIAM J. Sci. Comput. 30, 2008), as
scipy.stats.qmc has it, and the dimension follows from the name alone, not from the place of a variable in a
design: dropping or adding another leaves its points unchanged to the bit. Names that most designs have own
the first dimensions, whose pairs are spread best; every other name is hashed into those behind. (Where two
such names of one set fall on one dimension, about once in twenty sets with eight of them, the second in order
moves to the next free one.)

Each coordinate is scrambled by a random lower triangular matrix and a digital shift (Matoušek, "On the
L2-discrepancy for anchored boxes", 1998) hashed from seed and name. The first n points of a larger set are
the set of n.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

INDEX_BITS = 30  # of scipy's direction numbers
MOST_POINTS = 2**24
POINT_BITS = 52  # as many as the hash gives to a draw; a half is added
HASHED = 512  # dimensions for names without one of their own

# The more a variable tends to decide, the lower its dimension. A list to be lengthened at its end only:
# moving an entry changes every set that holds it.
_OWNERS = (
    "harvester.peak_emf@unit",
    "storage.capacitance@unit",
    "harvester.speed@actuation",
    "regulator.start_voltage@unit",
    "harvester.coil_resistance@unit",
    "regulator.dropout@unit",
    "rectifier.forward_drop@unit",
    "radio.boot.current@unit",
    "radio.transmit.current@unit",
    "radio.listen.current@unit",
    "radio.boot.duration@unit",
    "harvester.coil_inductance@unit",
    "regulator.output@unit",
    "link.frame_loss@event",
    "link.acknowledgement_loss@event",
    "link.backoff.slot_1@event",
    "link.backoff.busy_1@event",
    "radio.listen.latency@event",
    "storage.capacitance@lot",
    "storage.capacitance.ageing.change@unit",
    "harvester.transit_time@unit",
    "storage.esr@unit",
    "regulator.stop_voltage@unit",
    "rectifier.reverse_leakage@unit",
    "regulator.quiescent@unit",
    "regulator.efficiency@unit",
    "harvester.peak_emf@lot",
    "harvester.peak_emf.ageing.change@unit",
    "regulator.output_capacitance@unit",
    "regulator.start_delay@unit",
    "radio.minimum_supply@unit",
    "harvester.peak_emf@actuation",
    "harvester.transit_time@actuation",
    "storage.initial_voltage@actuation",
    "storage.initial_voltage@unit",
    "storage.clamp_voltage@unit",
    "storage.insulation@unit",
    "regulator.off_current@unit",
    "regulator.ground_share@unit",
    "harvester.emf_waveform.scale@unit",
    "harvester.stroke_2.linkage@unit",
    "link.signal_to_noise@unit",
    "link.signal_to_noise@actuation",
    "link.backoff.slot_2@event",
    "link.backoff.busy_2@event",
    "link.backoff.slot_3@event",
    "link.backoff.busy_3@event",
    "link.backoff.slot_4@event",
    "link.backoff.busy_4@event",
    "link.backoff.slot_5@event",
    "link.backoff.busy_5@event",
    "storage.esr.ageing.change@unit",
    "link.backoff.unit@unit",
    "harvester.partial@event",
    "radio.message@event",
    "harvester.open_circuit_swing@unit",
    "harvester.source_capacitance@unit",
    "harvester.energy@unit",
    "storage.capacitance.dielectric@unit",
    "harvester.partial.travel@actuation",
)
BLOCKS = 2
OWNED = 128  # dimensions kept for the list, blocks interleaved
_OWNED = {f"{name}#{block}": BLOCKS * i + block for i, name in enumerate(_OWNERS) for block in range(BLOCKS)}


def coordinate(name: str, level: str, block: int = 0) -> str:
    """Return the name of a coordinate.

    Parameters
    ----------
    name : of a parameter or of an event of the link
    level : ``lot``, ``unit``, ``actuation`` or ``event``
    block : tells apart the independent copies of one variable that an index of influence needs, from 0
    """
    return f"{name}@{level}#{block}"


def point_set(names: Sequence[str], n: int, seed: int) -> NDArray[np.float64]:
    """Return a scrambled point set in the unit cube.

    Parameters
    ----------
    names : (d) distinct names of the coordinates, best those that `coordinate` makes; at most 512 others
    n : number of points, a power of two up to 2**24
    seed : of the scrambling; sets with different seeds are independent randomisations of one sequence

    Returns
    -------
    (n, d) float64, strictly inside (0, 1)

    Raises
    ------
    ValueError
        ``n`` is not a power of two in the range, a name occurs twice, or there are too many.
    """
    if n < 1 or n > MOST_POINTS or n & (n - 1):
        raise ValueError(f"n = {n}: the number of points must be a power of two up to {MOST_POINTS}")
    bits = n.bit_length() - 1
    directions = _direction_numbers(bits)
    dimensions = _dimensions(names)
    result = np.empty((n, len(names)))
    for j, name in enumerate(names):
        result[:, j] = _points(directions[dimensions[name]], name, seed)
    return result


def points_at(names: Sequence[str], indices: NDArray[np.int64], seed: int) -> NDArray[np.float64]:
    """Return some points of a set by their place, to the bits of `point_set`.

    Parameters
    ----------
    names, seed : as for `point_set`
    indices : (n,) places of the points, from 0 and below 2**24

    Returns
    -------
    (n, d) float64, strictly inside (0, 1)

    Raises
    ------
    ValueError
        A place out of range, and as `point_set`.
    """
    if indices.size and not 0 <= int(indices.min()) <= int(indices.max()) < MOST_POINTS:
        raise ValueError(f"places {indices.min()} to {indices.max()}: from 0 and below {MOST_POINTS} are needed")
    bits = max(int(indices.max()).bit_length(), 1) if indices.size else 1
    directions = _direction_numbers(bits)
    dimensions = _dimensions(names)
    result = np.empty((len(indices), len(names)))
    for j, name in enumerate(names):
        first, mixed = _scrambling(directions[dimensions[name]].tobytes(), name, seed)
        x = np.full(len(indices), first)
        for k, direction in enumerate(mixed):
            x ^= np.where((indices >> k) & 1, direction, np.uint64(0))
        result[:, j] = (x.astype(np.float64) + 0.5) * 2.0**-POINT_BITS
    return result


def _dimensions(names: Sequence[str]) -> dict[str, int]:
    """Return the dimension of every name, handed out by hash so that their order does not matter."""
    if len(set(names)) != len(names):
        raise ValueError("a coordinate's name occurs twice")
    found = {name: _OWNED[name] for name in names if name in _OWNED}
    others = sorted((int(_integers(f"dimension\0{name}", 1)[0]), name) for name in names if name not in _OWNED)
    if len(others) > HASHED:
        raise ValueError(f"{len(others)} coordinates; a set has at most {HASHED} beside the common ones")
    taken: set[int] = set()
    for number, name in others:
        place = number % HASHED
        while place in taken:
            place = (place + 1) % HASHED
        taken.add(place)
        found[name] = OWNED + place
    return found


@lru_cache(maxsize=4)
def _direction_numbers(bits: int) -> NDArray[np.uint64]:
    """Return the first direction numbers (dimensions, bits) of the sequence, as POINT_BITS-bit fractions.

    The sequence runs in Gray code, so point 2^(k+1) - 1 is direction number k itself.
    """
    from scipy.stats import qmc  # a second to import, needed for point sets only

    engine = qmc.Sobol(OWNED + HASHED, scramble=False, bits=INDEX_BITS)
    result = np.empty((OWNED + HASHED, bits), dtype=np.uint64)
    for k in range(bits):
        engine.fast_forward(2 ** (k + 1) - 1 - engine.num_generated)
        result[:, k] = (engine.random(1)[0] * 2.0**INDEX_BITS).astype(np.uint64)
    return result << np.uint64(POINT_BITS - INDEX_BITS)


def _points(directions: NDArray[np.uint64], name: str, seed: int) -> NDArray[np.float64]:
    """Return a coordinate of all points: its direction numbers are scrambled, its first point shifted."""
    first, mixed = _scrambling(directions.tobytes(), name, seed)
    x = np.array([first])
    for direction in mixed:
        x = np.concatenate([x, x ^ direction])
    return (x.astype(np.float64) + 0.5) * 2.0**-POINT_BITS


@lru_cache(maxsize=4096)
def _scrambling(directions: bytes, name: str, seed: int) -> tuple[np.uint64, NDArray[np.uint64]]:
    """Return the first point of a coordinate, and its scrambled direction numbers."""
    scramble = _integers(f"scramble\0{seed}\0{name}", POINT_BITS + 1)
    one, whole = np.uint64(1), np.uint64(2**POINT_BITS - 1)
    # Weights of the digits, the most significant first.
    weight = one << np.arange(POINT_BITS - 1, -1, -1).astype(np.uint64)
    above = ~((weight << one) - one)  # digits more significant than each
    rows = (scramble[:POINT_BITS] & above & whole) | weight
    parity = np.bitwise_count(rows[:, None] & np.frombuffer(directions, dtype=np.uint64)[None, :]) & 1
    mixed = np.bitwise_or.reduce(np.where(parity, weight[:, None], np.uint64(0)), axis=0)
    return scramble[POINT_BITS] & whole, mixed


def _integers(text: str, count: int) -> NDArray[np.uint64]:
    """Hashed 64-bit integers (SHAKE256, FIPS 202), the same on every machine."""
    content = hashlib.shake_256(text.encode()).digest(8 * count)
    return np.frombuffer(content, dtype="<u8").astype(np.uint64)
