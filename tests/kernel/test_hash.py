"""The counter-based generator: known answers, the same bits with and without compilation, uniformity."""

import hashlib
import os
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from yieldsim.kernel.hash import philox, uniform, uniforms

# Values from memory of the known-answer file of the reference distribution (Random123) of Salmon, Moraes,
# Dror and Shaw (2011), "philox4x32 10": key, counter, result.
KNOWN_ANSWERS = [
    ((0x0, 0x0), (0x0, 0x0, 0x0, 0x0), (0x6627E8D5, 0xE169C58D, 0xBC57AC4C, 0x9B00DBD8)),
    ((0xFFFFFFFF,) * 2, (0xFFFFFFFF,) * 4, (0x408F276D, 0x41C83B0E, 0xA20BC7C6, 0x6D5451FD)),
    (
        (0xA4093822, 0x299F31D0),
        (0x243F6A88, 0x85A308D3, 0x13198A2E, 0x03707344),
        (0xD16CFE09, 0x94FDCCEB, 0x5001E420, 0x24126EA1),
    ),
]
WORD = st.integers(0, 2**32 - 1)
SEEDS = {"alder": 20_011, "birch": 481_516, "cedar": 90_210}


@pytest.mark.parametrize(("key", "counter", "result"), KNOWN_ANSWERS)
def test_known_answers(key: tuple[int, int], counter: tuple[int, ...], result: tuple[int, ...]) -> None:
    assert philox(*key, *counter) == result


def plain(function):  # type: ignore[no-untyped-def]
    return getattr(function, "py_func", function)


@given(WORD, WORD, WORD, WORD, WORD, WORD)
def test_compiled_and_plain_words_are_equal(a: int, b: int, c: int, d: int, e: int, f: int) -> None:
    assert philox(a, b, c, d, e, f) == plain(philox)(a, b, c, d, e, f)
    # Numpy integers, as they come out of an array, must not overflow in plain Python.
    words = np.array([a, b, c, d, e, f], dtype=np.int64)
    assert plain(philox)(*words) == philox(a, b, c, d, e, f)
    assert philox(*words.astype(np.uint64)) == philox(a, b, c, d, e, f)


def test_uniforms_are_the_same_in_a_process_without_compilation() -> None:
    code = (
        "import hashlib, numpy as np\n"
        "from yieldsim.kernel.hash import uniforms\n"
        "n = np.arange(500, dtype=np.int64)\n"
        "u = uniforms(4000000007, 12, n * 8589935 % 2**32, n, 3 * n, n * 0 + 4294967295)\n"
        "print(hashlib.sha256(u.tobytes()).hexdigest())\n"
    )
    environment = dict(os.environ, NUMBA_DISABLE_JIT="1", PYTHONPATH=os.pathsep.join(sys.path))
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    n = np.arange(500, dtype=np.int64)
    ours = uniforms(4000000007, 12, n * 8589935 % 2**32, n, 3 * n, n * 0 + 4294967295)
    assert done.stdout.strip() == hashlib.sha256(ours.tobytes()).hexdigest()


@given(WORD, WORD, WORD, WORD, WORD, WORD)
def test_uniform_is_an_odd_multiple_of_2_to_the_minus_53(a: int, b: int, c: int, d: int, e: int, f: int) -> None:
    u = uniform(a, b, c, d, e, f)
    assert 0.0 < u < 1.0
    assert (u * 2**53).is_integer()
    assert int(u * 2**53) % 2 == 1
    assert 1.0 - (1.0 - u) == u
    high, low, _, _ = philox(a, b, c, d, e, f)
    assert u == (high * 2**20 + low // 2**12 + 0.5) / 2**52


def test_the_extreme_numbers_stay_inside() -> None:
    # The formula at the smallest and largest words: with 53 bits and a half the largest would round to 1.
    assert (0 + 0.5) * 2.0**-52 > 0.0
    assert (2**52 - 1 + 0.5) * 2.0**-52 < 1.0
    assert (2**53 - 1 + 0.5) * 2.0**-53 == 1.0


def draw(seed: int, words: tuple[int, int, int, int], n: int) -> np.ndarray:
    """Numbers along one counter word (or all of them), the others fixed."""
    index = np.arange(n, dtype=np.int64)
    return uniforms(seed, 7, *(index * step + 1 for step in words))


# A Kolmogorov-Smirnov, a serial-correlation and a bit test for each of 3 seeds and 4 words, each at 2.5e-8:
# false-alarm rate of all together at most 36 * 2.5e-8 < 1e-6.
ALARM = 2.5e-8


def alarms(u: np.ndarray) -> list[str]:
    n = len(u)
    found = []
    if stats.kstest(u, "uniform").pvalue < ALARM:
        found.append("distribution")
    serial = np.corrcoef(u[:-1], u[1:])[0, 1] * np.sqrt(n - 1)
    if abs(serial) > stats.norm.isf(ALARM / 2):
        found.append("serial correlation")
    bits = (u * 2**52).astype(np.int64)
    ones = np.array([np.count_nonzero(bits >> k & 1) for k in range(52)])
    if np.max(np.abs(ones - n / 2)) > np.sqrt(n / 4) * stats.norm.isf(ALARM / 2 / 52):
        found.append("bits")
    return found


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
@pytest.mark.parametrize("word", range(4))
def test_each_counter_word_gives_uniform_numbers(seed: int, word: int) -> None:
    steps = tuple(1 if k == word else 0 for k in range(4))
    assert alarms(draw(seed, steps, 20_000)) == []  # type: ignore[arg-type]


def test_negative_control_a_weak_generator_is_caught() -> None:
    # A multiplicative generator with a short word, read along its own counter.
    index = np.arange(1, 20_001, dtype=np.int64)
    assert "serial correlation" in alarms((index * 69069 % 2**16 + 0.5) / 2**16 * 0.5 + index / 40_001)
    assert "distribution" in alarms(draw(1, (1, 0, 0, 0), 20_000) ** 1.1)
    assert "bits" in alarms(np.floor(draw(1, (1, 0, 0, 0), 20_000) * 2**30) / 2**30)
