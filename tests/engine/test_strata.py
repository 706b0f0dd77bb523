"""Outcomes of the link as strata: their probabilities and what they force, against counting."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, stats
from scipy.special import comb

from yieldsim.design.reading import design_from_toml
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.engine.strata import (
    Chances,
    Stratum,
    chances_of,
    list_strata,
    pivot_slot,
    probability,
)
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run
from yieldsim.words.errors import InputError

SEEDS = {"alder": 20_011, "birch": 481_516, "cedar": 90_210}
BENCH = Condition(25.0, 0.0)
# A store charged at the release that holds any sequence up: what is left is the link.
CHARGED = """
title = "Charged at the release"
[conditions]
temperatures = ["25 degC"]
ages = ["0 yr"]
[rectifier]
kind = "full bridge"
forward_drop = "0.3 V"
[storage]
esr = "0 ohm"
capacitance = "100 mF"
initial_voltage = "2.4 V"
[regulator]
kind = "direct"
start_voltage = "2 V"
[radio]
minimum_supply = "1.5 V"
[[radio.sequence]]
step = "send"
frame = { octets = 20, bit_rate = "250 kbit/s", overhead_octets = 6 }
current = "9 mA"
"""
LISTEN = """
[[radio.sequence]]
step = "listen"
acknowledgement = { earliest = "0.5 ms", spread = "0 ms", timeout = "0.9 ms" }
current = "7 mA"
"""
LOSSES = """
[link]
attempts = 3
frame_loss = { nominal = "20 %", tolerance = { level = "actuation", within = "±10 %" } }
acknowledgement_loss = "10 %"
"""
SEVERAL = """
[link]
attempts = 2
frame_loss = { nominal = "20 %", tolerance = { level = "actuation", within = "±10 %" } }
acknowledgement_loss = "10 %"
"""
# No slots to draw (2^0 of them): the time that an attempt takes tells how many assessments it made.
BACKOFF = """
[link.backoff]
unit = "320 us"
minimum_exponent = 0
maximum_exponent = 0
maximum_backoffs = 2
busy = "30 %"
idle_current = "1 mA"
assess_time = "130 us"
assess_current = "8 mA"
turnaround = "17 us"
turnaround_current = "8 mA"
"""


def response(*parts: str, seed: int = 1) -> Response:
    return Response(design_from_toml(CHARGED + "".join(parts)), Settings(seed=seed))


def chances(lost: list[float], busy: list[float], assessments: int = 3) -> Chances:
    """Chances of units with one message that is acknowledged and one kind of press."""
    return Chances(
        lost=np.tile(np.array(lost)[:, None, None], (1, 1, 2)),
        busy=np.array(busy),
        partial=np.zeros(len(lost)),
        messages=np.ones(1),
        listens=(True,),
        assessments=assessments,
    )


def units_of(r: Response, n: int = 1) -> tuple[np.ndarray, np.ndarray]:
    return r.unit_base(np.arange(n), BENCH)


# --- probabilities --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("parts", [(LISTEN, LOSSES), (LISTEN, SEVERAL, BACKOFF), (BACKOFF,), ()])
def test_all_strata_together_are_certain(parts: tuple[str, ...]) -> None:
    r = response(*parts)
    strata, weights = list_strata(r, chances_of(r, *units_of(r)), 1e-15)
    assert len(set(strata)) == len(strata)
    assert (weights > 0.0).all()
    assert len(strata) < 48
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    assert (np.diff(weights[0]) <= 1e-15).all()  # most probable first


def test_three_attempts_by_hand() -> None:
    # lost: 1 - 0.8 * 0.9 = 0.28 at each attempt; the spread of the loss about its mean averages out
    r = response(LISTEN, LOSSES)
    found = chances_of(r, *units_of(r))
    assert found.lost[0] == pytest.approx(0.28, abs=1e-12)
    assert found.busy[0] == 0.0
    strata, weights = list_strata(r, found, 1e-15)
    lost = 1 + at.PLAN_LOST
    assert dict(zip(strata, weights[0], strict=True)) == pytest.approx(
        {
            Stratum((1,), True): 0.72,
            Stratum((lost, 1), True): 0.28 * 0.72,
            Stratum((lost, lost, 1), True): 0.28**2 * 0.72,
            Stratum((lost, lost, lost), False): 0.28**3,
        },
        abs=1e-12,
    )


def test_one_attempt_with_channel_access_by_hand() -> None:
    # IEEE 802.15.4-2006, 7.5.1.4: one assessment more than backoffs; all of them busy gives the attempt up
    given = chances([0.1], [0.3])
    one = {
        (1,): 0.7 * 0.9,
        (3,): 0.3**2 * 0.7 * 0.9,
        (2 + at.PLAN_LOST,): 0.3 * 0.7 * 0.1,
        (3 + at.PLAN_SPENT,): 0.3**3,
    }
    for tries, share in one.items():
        assert probability(Stratum(tries, True), given)[0] == pytest.approx(share, rel=1e-14), tries


def test_what_is_left_out_is_negligible_for_every_unit_or_48_are_listed() -> None:
    r = response(LISTEN, LOSSES, BACKOFF)
    given = chances([0.001, 0.02], [0.0, 0.05], r.kernel.exponents[2] + 1)
    for negligible in (0.5, 1e-2, 1e-3):
        strata, weights = list_strata(r, given, negligible)
        left = 1.0 - weights.sum(axis=1)
        assert left.max() <= negligible
        assert (1.0 - weights[:, :-1].sum(axis=1)).max() > negligible  # none too many
    strata, weights = list_strata(r, chances([0.4], [0.4], r.kernel.exponents[2] + 1), 1e-6)
    assert len(strata) == 48
    assert 0.0 < 1.0 - weights.sum() < 0.2


def test_a_plan_stands_in_front_of_zeros() -> None:
    assert Stratum((1 + at.PLAN_LOST, 2), True).plan(4).tolist() == [1 + at.PLAN_LOST, 2, 0, 0, at.PRESS_FULL, 1]
    shown = Stratum((1,), True, partial=True, message=2).plan(1)
    assert shown.tolist() == [1, at.PRESS_PARTIAL, 3]


# --- against counting what the compiled loop does with random draws ---------------------------------------------------

ACTUATIONS = 40_000
# Signatures of two attempts with channel access: at most 20. 3 seeds x 20 x two-sided 1e-8: false-alarm rate at most
# 6e-7 in all.
ALARM = 1e-8

Signature = tuple[int, int, int]


def signatures(values: np.ndarray, codes: np.ndarray) -> list[Signature]:
    """What can be seen of each row: outcome, attempts, end of the sequence in microseconds."""
    end = np.round(values[:, at.SEQUENCE_END] * 1e6).astype(int)
    return list(zip(codes[:, at.OUTCOME].tolist(), codes[:, at.ATTEMPTS_USED].tolist(), end.tolist(), strict=True))


def counted(r: Response, base: np.ndarray, scale: np.ndarray) -> Counter[Signature]:
    rows = np.zeros((ACTUATIONS, 3), dtype=np.int64)
    rows[:, at.ROW_ACTUATION] = np.arange(ACTUATIONS)
    return Counter(signatures(*run(r.kernel, base, scale, rows)))


def expected(r: Response, base: np.ndarray, scale: np.ndarray, chances: Chances) -> dict[Signature, float]:
    """Probability of each signature: every stratum is forced once, and its weight given to what is then seen."""
    strata, weights = list_strata(r, chances, 1e-12)
    assert weights.sum() == pytest.approx(1.0, abs=1e-9)
    plans = np.stack([s.plan(r.kernel.attempts) for s in strata])
    rows = np.zeros((len(strata), 3), dtype=np.int64)
    values, codes = run(r.kernel, base, scale, rows, plans=plans)
    for stratum, outcome in zip(strata, codes[:, at.OUTCOME], strict=True):
        assert (outcome == at.COMPLETE) == stratum.acknowledged
    total: dict[Signature, float] = {}
    for seen, weight in zip(signatures(values, codes), weights[0], strict=True):
        total[seen] = total.get(seen, 0.0) + float(weight)
    return total


def least_p(found: Counter[Signature], probable: dict[Signature, float]) -> float:
    """The least p-value of the counts of all signatures; 0 for one that should not occur."""
    if set(found) - set(probable):
        return 0.0
    return min(stats.binomtest(found[s], ACTUATIONS, min(p, 1.0)).pvalue for s, p in probable.items())


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_strata_are_as_frequent_as_counted(seed: int) -> None:
    r = response(LISTEN, SEVERAL, BACKOFF, seed=seed)
    base, scale = units_of(r)
    right = chances_of(r, base, scale)
    found = counted(r, base, scale)
    probable = expected(r, base, scale, right)
    assert 10 < len(probable) <= 20
    assert least_p(found, probable) > ALARM
    # negative controls: a busier channel, a better link
    busier = replace(right, busy=right.busy * 1.1)
    better = replace(right, lost=right.lost * 0.9)
    for wrong in (busier, better):
        assert least_p(found, expected(r, base, scale, wrong)) < ALARM


def test_without_an_acknowledgement_a_frame_sent_completes() -> None:
    r = response(BACKOFF)
    base, scale = units_of(r)
    right = chances_of(r, base, scale)
    strata, weights = list_strata(r, right, 1e-12)
    by_tries = dict(zip([s.tries for s in strata], weights[0], strict=True))
    assert by_tries == pytest.approx({(1,): 0.7, (2,): 0.21, (3,): 0.063, (3 + at.PLAN_SPENT,): 0.027})
    assert {s.tries: s.acknowledged for s in strata} == {(1,): True, (2,): True, (3,): True, (2003,): False}
    assert least_p(counted(r, base, scale), expected(r, base, scale, right)) > ALARM


def test_repeating_without_listening_is_refused() -> None:
    with pytest.raises(InputError) as caught:
        response(LOSSES)
    assert str(caught.value) == (
        "link.attempts = 3: without an acknowledgement step nothing tells the node to try again; "
        "write attempts = 1, or add a step with an acknowledgement"
    )


# --- signal to noise ---------------------------------------------------------------------------------------------

SNR = """
[link]
attempts = 2
signal_to_noise = { nominal = "2 dB", tolerance = [LEVELS] }
"""


def packet_error(decibels: float, octets: int) -> float:
    """IEEE Std 802.15.4-2006, annex E.4.1.7: bit error rate of 2.4 GHz O-QPSK, and of a packet of so many bits."""
    k = np.arange(2, 17)
    terms = (-1.0) ** k * comb(16, k) * np.exp(20.0 * 10.0 ** (decibels / 10.0) * (1.0 / k - 1.0))
    return float(1.0 - (1.0 - 8.0 / 15.0 / 16.0 * terms.sum()) ** (8 * octets))


def lost_at(decibels: float) -> float:
    return 1.0 - (1.0 - packet_error(decibels, 20)) * (1.0 - packet_error(decibels, 5))  # frame, acknowledgement


def test_each_units_own_signal_to_noise_decides() -> None:
    r = response(LISTEN, SNR.replace("LEVELS", '{ level = "unit", sigma = "1.5 dB" }'))
    base, scale = units_of(r, 50)
    chances = chances_of(r, base, scale)
    expected = [lost_at(x) for x in base[:, at.SIGNAL_TO_NOISE]]
    np.testing.assert_allclose(chances.lost[:, 0, 0], expected, rtol=1e-6, atol=1e-12)
    assert chances.lost.min() < 1e-5
    assert chances.lost.max() > 0.1


def test_fading_is_averaged_into_the_far_tail() -> None:
    # the loss of a good unit is made by rare deep fades, most of them more than 2.4 standard deviations from the middle
    levels = '{ level = "unit", sigma = "1.5 dB" }, { level = "actuation", sigma = "1.5 dB" }'
    r = response(LISTEN, SNR.replace("LEVELS", levels))
    base, scale = units_of(r, 40)
    chances = chances_of(r, base, scale)
    for decibels, lost in zip(base[:, at.SIGNAL_TO_NOISE], chances.lost[:, 0, 0], strict=True):
        truth, _ = integrate.quad(
            lambda z, middle=decibels: lost_at(middle + 1.5 * z) * stats.norm.pdf(z), -8.0, 8.0,
            points=np.linspace(-6.0, 4.0, 11), limit=400, epsabs=1e-13,
        )  # fmt: skip
        assert lost == pytest.approx(truth, rel=1e-6)
    assert chances.lost.min() < 1e-4


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_fading_lost_as_often_as_counted(seed: int) -> None:
    # two-sided 1e-7 for each of three seeds
    r = response(LISTEN, SNR.replace("LEVELS", '{ level = "actuation", sigma = "2.5 dB" }'), seed=seed)
    base, scale = units_of(r)
    lost = chances_of(r, base, scale).lost[0, 0, 0]
    found = counted(r, base, scale)
    second = sum(n for (_, attempts, _), n in found.items() if attempts == 2)
    never = sum(n for (outcome, _, _), n in found.items() if outcome == at.UNACKNOWLEDGED)
    assert stats.binomtest(second, ACTUATIONS, lost).pvalue > 1e-7 / 2
    # each attempt fades by itself
    assert stats.binomtest(never, ACTUATIONS, lost**2).pvalue > 1e-7 / 2
    assert stats.binomtest(second, ACTUATIONS, lost_at(2.0)).pvalue < 1e-7  # negative control: no fading


# --- press, message, retry ----------------------------------------------------------------------------------------

# The frame of each message and of a retry takes another time, the partial press leaves the charged store as it is.
MIX = """
[link]
attempts = 2
frame_loss = "20 %"
[harvester]
kind = "energy packet"
energy = "1 uJ"
efficiency = "50 %"
delivery_time = "1 ms"
[harvester.partial]
share = { nominal = "10 %", tolerance = { level = "unit", within = "±5 %" } }
travel = 0.5
[[radio.message]]
name = "count"
share = "70 %"
[[radio.message]]
name = "report"
share = "30 %"
octets = 60
retry_octets = 10
"""


def told(values: np.ndarray, codes: np.ndarray) -> list[tuple[int, ...]]:
    """`signatures` with the press and the message."""
    seen = signatures(values, codes)
    return [(*s, int(p), int(m)) for s, p, m in zip(seen, codes[:, at.PARTIAL], codes[:, at.MESSAGE], strict=True)]


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_press_and_message_are_as_frequent_as_counted(seed: int) -> None:
    # 3 seeds x 12 kinds of row x two-sided 1e-8: false-alarm rate at most 4e-7 in all
    r = response(LISTEN, MIX, seed=seed)
    base, scale = units_of(r)
    strata, weights = list_strata(r, chances_of(r, base, scale), 1e-12)
    assert weights.sum() == pytest.approx(1.0, abs=1e-9)
    assert len(strata) == 2 * 2 * 3  # presses, messages; acknowledged at once, at the retry, not at all
    plans = np.stack([s.plan(r.kernel.attempts) for s in strata])
    forced = told(*run(r.kernel, base, scale, np.zeros((len(strata), 3), dtype=np.int64), plans=plans))
    rows = np.zeros((ACTUATIONS, 3), dtype=np.int64)
    rows[:, at.ROW_ACTUATION] = np.arange(ACTUATIONS)
    found = Counter(told(*run(r.kernel, base, scale, rows)))
    assert set(found) <= set(forced)
    for kind, share in zip(forced, weights[0], strict=True):
        assert stats.binomtest(found[kind], ACTUATIONS, float(share)).pvalue > ALARM
    swapped = [found[kind] for kind in forced][::-1]  # negative control
    wrong = [stats.binomtest(n, ACTUATIONS, float(w)).pvalue for n, w in zip(swapped, weights[0], strict=True)]
    assert min(wrong) < ALARM


def test_each_unit_has_its_own_share_of_partial_presses() -> None:
    r = response(LISTEN, MIX)
    base, scale = units_of(r, 20)
    strata, weights = list_strata(r, chances_of(r, base, scale), 1e-12)
    partial = weights[:, [s.partial for s in strata]].sum(axis=1)
    np.testing.assert_allclose(partial, base[:, at.PARTIAL_SHARE], rtol=1e-9)
    assert np.ptp(partial) > 0.005


# --- the pivot ---------------------------------------------------------------------------------------------------

ACTUATION = '{ nominal = "2.4 V", tolerance = { level = "actuation", within = "±0.1 V" } }'
HARVESTER = """
[harvester]
kind = "electromagnetic"
peak_emf = { nominal = "5 V", tolerance = { level = "actuation", sigma = "1 %" } }
transit_time = "2 ms"
coil_resistance = "100 ohm"
"""


def with_changes(*changes: tuple[str, str], more: str = "") -> Response:
    text = CHARGED
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return Response(design_from_toml(text + more), Settings())


def test_the_pivot_is_the_press_else_what_is_drawn_once() -> None:
    assert pivot_slot(response(LISTEN, LOSSES)) is None  # a loss is drawn for each attempt
    store = with_changes(('"2.4 V"', ACTUATION))
    assert pivot_slot(store) == 0
    assert store.slots[0] == "storage.initial_voltage"
    speed = 'speed = { nominal = 1, tolerance = { level = "actuation", sigma = "1 %" } }'
    pressed = with_changes(('"2.4 V"', ACTUATION), more=HARVESTER + speed)
    slot = pivot_slot(pressed)
    assert slot is not None
    assert pressed.slots[slot] == "harvester.speed"
    unpressed = with_changes(('"2.4 V"', ACTUATION), more=HARVESTER)
    slot = pivot_slot(unpressed)
    assert slot is not None
    assert unpressed.slots[slot] == "harvester.peak_emf"
