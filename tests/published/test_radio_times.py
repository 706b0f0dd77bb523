"""Times on air of IEEE 802.15.4 at 2.4 GHz, as a design read from a file runs them, and its packet error
rate.

O-QPSK: 62 500 symbols of 4 bits a second, 32 us an octet; 4 octets of preamble, 1 of start-of-frame delimiter
and 1 of length come before the payload of at most 127. The immediate acknowledgement has 5 octets and begins
a turnaround of 12 symbols after the frame. Bit rate, frame layout and aMaxPHYPacketSize: values from memory
of IEEE Std 802.15.4.
"""

from __future__ import annotations

import re

import pytest

from yieldsim.analysis.actuation import ActuationResult, actuation
from yieldsim.design.reading import design_from_toml
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.settings import Settings
from yieldsim.kernel.link import packet_error

SYMBOL = 16e-6  # [s]
OCTET = 2 * SYMBOL
TURNAROUND = 12 * SYMBOL  # aTurnaroundTime
UNIT_BACKOFF = 20 * SYMBOL  # aUnitBackoffPeriod
SYNCHRONISATION = 10 * SYMBOL  # phySHRDuration
ACKNOWLEDGEMENT = (6 + 5) * OCTET
# macAckWaitDuration = aUnitBackoffPeriod + aTurnaroundTime + phySHRDuration + 6 octets, 54 symbols
# (IEEE Std 802.15.4-2006, clause 7.4.2)
ACKNOWLEDGEMENT_WAIT = UNIT_BACKOFF + TURNAROUND + SYNCHRONISATION + 6 * OCTET
BENCH = Condition(25.0, 0.0)

# A made-up node on the bench: a store that is full from the start, no harvester, losses as a test needs them.
TEXT = """
title = "Flower-pot reporter on the bench"
[conditions]
temperatures = ["25 degC"]
ages = ["0 yr"]
service_life = "10 yr"
[rectifier]
kind = "full bridge"
forward_drop = "0.3 V"
[storage]
capacitance = "470 uF"
initial_voltage = "5 V"
[regulator]
kind = "linear"
output = "2.4 V"
quiescent = "1 uA"
start_voltage = "2.6 V"
dropout = { nominal = "0.2 V", at = "20 mA" }
[radio]
minimum_supply = "1.9 V"
[[radio.sequence]]
step = "boot"
duration = "1 ms"
current = "3 mA"
[[radio.sequence]]
step = "transmit"
frame = { octets = 26, bit_rate = "250 kbit/s", overhead_octets = 6 }
current = "9 mA"
[[radio.sequence]]
step = "listen"
acknowledgement = { earliest = "544 us", spread = "0 us", timeout = "864 us" }
current = "8 mA"
[link]
attempts = 1
frame_loss = "0 %"
acknowledgement_loss = "0 %"
"""


def bench(text: str = TEXT, **changes: str) -> Design:
    """The node with some keys of its text set to other values."""
    for name, value in changes.items():
        text, count = re.subn(rf"\b{name} = [^,}}\n]+", f"{name} = {value}", text)
        assert count == 1
    return design_from_toml(text)


def durations(result: ActuationResult) -> list[tuple[str, float]]:
    return [(step.step, step.end_s - step.start_s) for step in result.steps]


def test_acknowledgement_times_are_those_of_the_standard() -> None:
    """What the text above states, from the symbols."""
    assert pytest.approx(352e-6, rel=1e-12) == ACKNOWLEDGEMENT
    assert TURNAROUND + ACKNOWLEDGEMENT == pytest.approx(544e-6, rel=1e-12)
    assert pytest.approx(54 * SYMBOL, rel=1e-12) == ACKNOWLEDGEMENT_WAIT
    assert pytest.approx(864e-6, rel=1e-12) == ACKNOWLEDGEMENT_WAIT


# 32 us times 6 + N octets; the longest frame's 4 256 us is also seen in published timing tables
AIR = {5: 352, 11: 544, 20: 832, 26: 1024, 40: 1472, 64: 2240, 100: 3392, 127: 4256}


@pytest.mark.parametrize(("octets", "microseconds"), AIR.items())
def test_air_time(octets: int, microseconds: int) -> None:
    result = actuation(bench(octets=str(octets)), Settings(), BENCH)
    assert dict(durations(result))["transmit"] == pytest.approx(1e-6 * microseconds, rel=1e-9)
    assert (6 + octets) * OCTET == pytest.approx(1e-6 * microseconds, rel=1e-12)


def test_air_time_follows_bit_rate_and_overhead() -> None:
    # 50 kbit/s FSK, 4 octets of preamble, 2 of delimiter, 2 of header: 5.44 ms for 26 octets (8 bits each)
    text = TEXT.replace("250 kbit/s", "50 kbit/s")
    result = actuation(bench(text, overhead_octets="8"), Settings(), BENCH)
    assert dict(durations(result))["transmit"] == pytest.approx(5.44e-3, rel=1e-9)


def test_an_acknowledged_attempt() -> None:
    result = actuation(bench(), Settings(), BENCH)
    assert result.outcome == "complete"
    assert [name for name, _ in durations(result)] == ["boot", "transmit", "listen"]
    assert [time for _, time in durations(result)] == pytest.approx([1e-3, 1024e-6, 544e-6], rel=1e-9)
    # one attempt without channel access, 26 octets, acknowledged: 1 568 us
    assert result.complete_time_s == pytest.approx(1e-3 + 1568e-6, rel=1e-9)


@pytest.mark.parametrize("lost", ["frame_loss", "acknowledgement_loss"])
def test_a_lost_attempt_costs_the_whole_wait(lost: str) -> None:
    result = actuation(bench(**{lost: '"100 %"'}), Settings(), BENCH, address=(3, 5))
    assert result.outcome == "unacknowledged"
    assert dict(durations(result))["listen"] == pytest.approx(ACKNOWLEDGEMENT_WAIT, rel=1e-9)
    assert result.delivered == (lost == "acknowledgement_loss")
    assert result.complete_time_s is None


def test_retries_repeat_what_belongs_to_an_attempt() -> None:
    # macMaxFrameRetries 3: four transmissions (value from memory of IEEE Std 802.15.4)
    result = actuation(bench(frame_loss='"100 %"', attempts="4"), Settings(), BENCH, address=(0, 0))
    one = [("transmit", 1024e-6), ("listen", ACKNOWLEDGEMENT_WAIT)]
    expected = [("boot", 1e-3), *(one * 4)]
    assert [name for name, _ in durations(result)] == [name for name, _ in expected]
    assert [time for _, time in durations(result)] == pytest.approx([time for _, time in expected], rel=1e-9)


BACKOFF = """
[link.backoff]
unit = "320 us"
minimum_exponent = 3
maximum_exponent = 5
maximum_backoffs = 4
busy = "0 %"
idle_current = "1 mA"
assess_time = "128 us"
assess_current = "8 mA"
turnaround = "192 us"
turnaround_current = "5 mA"
"""


def test_channel_access_of_a_clear_channel() -> None:
    """The mean first backoff of 3.5 units of 20 symbols, 8 symbols of assessment, 12 of turnaround."""
    result = actuation(bench(TEXT + BACKOFF), Settings(), BENCH)
    assert [name for name, _ in durations(result)] == ["boot", "channel access", "transmit", "listen"]
    assert dict(durations(result))["channel access"] == pytest.approx(1120e-6 + 128e-6 + 192e-6, rel=1e-9)


# SINR [dB] -> packet error rate of 11, 26 and 133 octets. Worked out in double precision from the formula of
# IEEE Std 802.15.4-2006, clause E.4.1.7, and PER = 1 - (1 - BER)^(8 octets).
PACKETS = {
    -3: (7.670270e-1, 9.680449e-1, None),
    -2: (3.677867e-1, 6.616907e-1, 9.960893e-1),
    -1: (9.621626e-2, 2.126778e-1, 7.057069e-1),
    0: (1.411493e-2, 3.304205e-2, 1.579183e-1),
    1: (1.135606e-3, 2.682082e-3, 1.364437e-2),
    2: (4.515524e-5, 1.067273e-4, 5.458312e-4),
    3: (7.565526e-7, 1.788214e-6, 9.147370e-6),
    4: (4.336203e-9, 1.024921e-8, 5.242863e-8),
}
# SINR [dB] -> bit error rate, as one eighth of an octet tells it
BITS = {
    -5: 7.517156409e-2,
    -4: 3.916345993e-2,
    -3: 1.641863778e-2,
    -2: 5.196999567e-3,
    -1: 1.148943716e-3,
    0: 1.615266879e-4,
    1: 1.291186626e-5,
    2: 5.131392089e-7,
    3: 8.597191275e-9,
    4: 4.927505058e-11,
}


@pytest.mark.parametrize(("decibel", "rates"), PACKETS.items())
def test_packet_error_rate(decibel: int, rates: tuple[float | None, ...]) -> None:
    for octets, rate in zip((11, 26, 133), rates, strict=True):
        if rate is not None:
            # half a unit of the seventh digit; at 4 dB the alternating sum begins to lose digits
            digits = 5e-7 if decibel < 4 else 1e-4
            assert packet_error(float(decibel), octets) == pytest.approx(rate, rel=digits)


@pytest.mark.parametrize(("decibel", "rate"), BITS.items())
def test_bit_error_rate(decibel: int, rate: float) -> None:
    assert packet_error(float(decibel), 0.125) == pytest.approx(rate, rel=1e-8 if decibel < 3 else 1e-4)


def test_packet_error_rate_at_its_ends() -> None:
    assert packet_error(-400.0, 0.125) == pytest.approx(0.5, rel=1e-12)  # no signal: every other bit is wrong
    assert packet_error(60.0, 127) == 0.0
    # 20 octets at the sensitivity limit of 1 %: 0.40350 dB
    assert packet_error(0.40350, 20) == pytest.approx(0.01, rel=1e-4)
    # frame of 26 octets and acknowledgement of 5 at 0 dB: 0.960730 come back
    both = (1.0 - packet_error(0.0, 26)) * (1.0 - packet_error(0.0, 5))
    assert both == pytest.approx(0.960730, rel=1e-6)
    assert (1.0 - both) ** 4 == pytest.approx(2.3782e-6, rel=1e-4)
