"""Channel access and retries of the compiled link against the standard's procedure, played through here.

Unslotted CSMA-CA (IEEE Std 802.15.4-2006, clause 7.5.1.4): NB = 0, BE = macMinBE; wait a random whole number
of unit backoff periods from 0 to 2^BE - 1; assess the channel; if it is busy raise NB by one and BE by one up
to macMaxBE, and give up once NB exceeds macMaxCSMABackoffs, else begin again at the wait.

Statistical tests: three named seeds. No single comparison may reject a right kernel with a probability above
1e-8; there are fewer than 40 of them in this file, so that a false alarm of any is below 1e-6. Draws come by
address, as in a yield.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.stats import binomtest, chi2_contingency, chisquare

from yieldsim.design.reading import design_from_toml
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

SEEDS = pytest.mark.parametrize("seed", [11, 4711, 20240611])
FALSE_ALARM = 1e-8
COUNT = 20_000
FEWEST = 25  # expected in each class of a chi-square test

UNIT, ASSESS, TURNAROUND = 320e-6, 128e-6, 192e-6  # 20, 8 and 12 symbols of 16 us
BOOT, FRAME, WAIT = 1e-3, 1024e-6, 544e-6
MIN_BE, MAX_BE, MAX_BACKOFFS = 3, 5, 4  # macMinBE, macMaxBE, macMaxCSMABackoffs
ACCESS_FAILED = -1

TEXT = """
title = "Bird-bath reporter on the bench: a full store, no harvester"
[conditions]
temperatures = ["25 degC"]
ages = ["0 yr"]
service_life = "10 yr"
[rectifier]
kind = "full bridge"
forward_drop = "0.3 V"
[storage]
capacitance = "1 mF"
initial_voltage = "5 V"
[regulator]
kind = "linear"
output = "2.4 V"
quiescent = "1 uA"
start_voltage = "2.6 V"
dropout = {{ nominal = "0.1 V", at = "20 mA" }}
[radio]
minimum_supply = "1.9 V"
[[radio.sequence]]
step = "boot"
duration = "1 ms"
current = "1 mA"
[[radio.sequence]]
step = "transmit"
frame = {{ octets = 26, bit_rate = "250 kbit/s", overhead_octets = 6 }}
current = "2 mA"
[[radio.sequence]]
step = "listen"
acknowledgement = {{ earliest = "544 us", spread = "0 us", timeout = "864 us" }}
current = "2 mA"
[link]
attempts = {attempts}
frame_loss = "{frame_loss} %"
acknowledgement_loss = "{acknowledgement_loss} %"
"""
BACKOFF = """
[link.backoff]
unit = "320 us"
minimum_exponent = {exponent}
maximum_exponent = 5
maximum_backoffs = 4
busy = "{busy} %"
idle_current = "0.1 mA"
assess_time = "128 us"
assess_current = "1 mA"
turnaround = "192 us"
turnaround_current = "1 mA"
"""


def played(
    seed: int, *, attempts: int = 1, frame_loss: float = 0.0, acknowledgement_loss: float = 0.0,
    busy: float | None = None, exponent: int = MIN_BE, count: int = COUNT,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Values and codes of ``count`` actuations drawn by address; shares in per cent."""
    text = TEXT.format(attempts=attempts, frame_loss=frame_loss, acknowledgement_loss=acknowledgement_loss)
    if busy is not None:
        text += BACKOFF.format(exponent=exponent, busy=busy)
    response = Response(design_from_toml(text), Settings(seed=seed))
    base = response.nominal_base(Condition(25.0, 0.0))[None]
    rows = np.zeros((count, 3), dtype=np.int64)
    rows[:, at.ROW_UNIT_ID] = np.arange(count) // 50
    rows[:, at.ROW_ACTUATION] = np.arange(count) % 50
    return run(response.kernel, base, np.zeros_like(base), rows)


@dataclass(frozen=True)
class Access:
    """Channel accesses: assessments made, units of backoff in all, whether the channel was clear at last."""

    assessments: np.ndarray
    units: np.ndarray
    clear: np.ndarray

    def classes(self) -> np.ndarray:
        """One number an access: its units, or ACCESS_FAILED, and the assessments."""
        return 1000 * self.assessments + np.where(self.clear, self.units, 500 + self.units // 8)


def seen(values: np.ndarray, codes: np.ndarray) -> Access:
    """What the kernel's durations say: remainders of 320 us tell the number of assessments of 128 us."""
    spent = values[:, at.SEQUENCE_END] - values[:, at.START_TIME] - BOOT
    clear = codes[:, at.OUTCOME] == at.COMPLETE
    spent = np.where(clear, spent - TURNAROUND - FRAME - WAIT, spent)
    symbols = np.rint(spent / 16e-6).astype(np.int64)
    assert np.abs(spent - symbols * 16e-6).max() < 1e-9
    # k assessments of 8 symbols leave 8 k modulo 20, which differs for k = 1 .. 5
    assessments = np.array([{(8 * k) % 20: k for k in range(1, 6)}[int(r)] for r in symbols % 20])
    return Access(assessments, (symbols - 8 * assessments) // 20, clear)


def simulated(rng: np.random.Generator, count: int, busy: float, least: int = MIN_BE) -> Access:
    """The standard's procedure, one access after another."""
    found = np.empty((count, 3), dtype=np.int64)
    for row in found:
        backoffs, exponent, waited, assessed = 0, least, 0, 0
        while True:
            waited += int(rng.integers(0, 2**exponent))
            assessed += 1
            if rng.random() >= busy:
                row[:] = assessed, waited, 1
                break
            backoffs, exponent = backoffs + 1, min(exponent + 1, MAX_BE)
            if backoffs > MAX_BACKOFFS:
                row[:] = assessed, waited, 0
                break
    return Access(found[:, 0], found[:, 1], found[:, 2] == 1)


def same_law(first: Access, second: Access) -> float:
    """Probability of a chi-square of two samples this large or larger, were their laws the same."""
    both = [access.classes() for access in (first, second)]
    names = np.unique(np.concatenate(both))
    table = np.array([np.array([np.sum(sample == name) for name in names]) for sample in both])
    few = table.sum(axis=0) < 2 * FEWEST
    table = np.column_stack([table[:, ~few], table[:, few].sum(axis=1)])
    table = table[:, table.sum(axis=0) > 0]
    return float(chi2_contingency(table).pvalue)


@SEEDS
@pytest.mark.parametrize("busy", [0.0, 40.0])
def test_backoffs_are_those_of_the_standard(seed: int, busy: float) -> None:
    access = seen(*played(seed, busy=busy))
    assert same_law(access, simulated(np.random.default_rng(seed + 1), COUNT, busy / 100.0)) > FALSE_ALARM


@SEEDS
@pytest.mark.parametrize("busy", [0.0, 40.0])
def test_a_wrong_minimum_exponent_is_seen(seed: int, busy: float) -> None:
    """Negative control: the kernel waits as if macMinBE were 2."""
    access = seen(*played(seed, busy=busy, exponent=2))
    assert same_law(access, simulated(np.random.default_rng(seed + 1), COUNT, busy / 100.0)) < FALSE_ALARM


@SEEDS
def test_first_backoff_is_uniform(seed: int) -> None:
    access = seen(*played(seed, busy=0.0))
    assert (access.assessments == 1).all()
    assert (access.units >= 0).all()
    counts = np.bincount(access.units, minlength=2**MIN_BE)
    assert len(counts) == 2**MIN_BE  # 0 .. 7 units, 2 240 us at most
    assert chisquare(counts).pvalue > FALSE_ALARM


@SEEDS
def test_access_fails_when_every_assessment_is_busy(seed: int) -> None:
    """Five assessments in all: busy^5 of the accesses fail, and no frame is sent then."""
    values, codes = played(seed, busy=60.0)
    failed = int((codes[:, at.OUTCOME] == at.UNACKNOWLEDGED).sum())
    assert binomtest(failed, COUNT, 0.6**5).pvalue > FALSE_ALARM
    assert binomtest(failed, COUNT, 0.6**4).pvalue < FALSE_ALARM  # negative control: one assessment fewer
    lost = codes[:, at.OUTCOME] == at.UNACKNOWLEDGED
    assert not codes[lost, at.DELIVERED].any()
    access = seen(values, codes)
    assert (access.assessments[lost] == 1 + MAX_BACKOFFS).all()
    # at most 7 + 15 + 31 + 31 + 31 units in all, 36.8 ms
    assert access.units.max() <= 115


def test_longest_access_of_all() -> None:
    """Always busy: 5 assessments, and the units 0..7, 0..15 and three times 0..31 add up."""
    access = seen(*played(7, busy=100.0))
    assert not access.clear.any()
    counts = np.ones(1)
    for exponent in (3, 4, 5, 5, 5):
        counts = np.convolve(counts, np.full(2**exponent, 0.5**exponent))
    assert len(counts) == 116
    expected, observed = COUNT * counts, np.bincount(access.units, minlength=116)
    inner = expected >= FEWEST
    observed = np.append(observed[inner], observed[~inner].sum())
    expected = np.append(expected[inner], expected[~inner].sum())
    assert chisquare(observed, expected).pvalue > FALSE_ALARM


def attempt_law(loss: float, most: int) -> np.ndarray:
    """Probability of each number of attempts used, 1 to ``most``: geometric, the last one takes the rest."""
    law = (1.0 - loss) * loss ** np.arange(most)
    law[-1] = loss ** (most - 1)
    return law


@SEEDS
def test_attempts_used(seed: int) -> None:
    """An attempt fails with its frame or its acknowledgement, each on its own: 1 - 0.7 * 0.8."""
    values, codes = played(seed, attempts=4, frame_loss=30.0, acknowledgement_loss=20.0)
    loss = 1.0 - 0.7 * 0.8
    used = np.bincount(codes[:, at.ATTEMPTS_USED], minlength=5)[1:]
    assert chisquare(used, COUNT * attempt_law(loss, 4)).pvalue > FALSE_ALARM
    # negative control: the acknowledgement's loss forgotten
    assert chisquare(used, COUNT * attempt_law(0.3, 4)).pvalue < FALSE_ALARM
    failed = int((codes[:, at.OUTCOME] == at.UNACKNOWLEDGED).sum())
    assert binomtest(failed, COUNT, loss**4).pvalue > FALSE_ALARM
    # each attempt but an acknowledged last one waits 864 us
    complete = codes[:, at.OUTCOME] == at.COMPLETE
    lasted = values[:, at.SEQUENCE_END] - values[:, at.START_TIME] - BOOT
    tries = codes[:, at.ATTEMPTS_USED]
    expected = tries * FRAME + np.where(complete, (tries - 1) * 864e-6 + WAIT, tries * 864e-6)
    assert lasted == pytest.approx(expected, abs=1e-9)


@SEEDS
def test_delivered_counts_frames_and_not_acknowledgements(seed: int) -> None:
    """A frame gets through in 1 - 0.3^2 of the actuations of which all acknowledgements are lost."""
    _, codes = played(seed, attempts=2, frame_loss=30.0, acknowledgement_loss=100.0)
    assert not (codes[:, at.OUTCOME] == at.COMPLETE).any()
    delivered = int(codes[:, at.DELIVERED].sum())
    assert binomtest(delivered, COUNT, 1.0 - 0.3**2).pvalue > FALSE_ALARM
    assert binomtest(delivered, COUNT, 0.7).pvalue < FALSE_ALARM  # negative control: the first attempt alone


@SEEDS
def test_attempts_do_not_share_their_draws(seed: int) -> None:
    """Whether attempt 1 failed tells nothing of attempt 2; negative control: it tells all of itself."""
    _, codes = played(seed, attempts=2, frame_loss=40.0)
    second = codes[codes[:, at.ATTEMPTS_USED] == 2]
    failed = int((second[:, at.OUTCOME] == at.UNACKNOWLEDGED).sum())
    assert binomtest(failed, len(second), 0.4).pvalue > FALSE_ALARM
    assert binomtest(len(second), len(second), 0.4).pvalue < FALSE_ALARM


def test_draws_hang_on_seed_and_address_alone() -> None:
    values, codes = played(11, attempts=2, frame_loss=30.0, busy=40.0, count=500)
    again, codes_again = played(11, attempts=2, frame_loss=30.0, busy=40.0, count=800)
    assert np.array_equal(values, again[:500], equal_nan=True)
    assert np.array_equal(codes, codes_again[:500])
    other, _ = played(12, attempts=2, frame_loss=30.0, busy=40.0, count=500)
    assert not np.array_equal(values, other, equal_nan=True)
