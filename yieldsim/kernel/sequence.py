"""The load sequence: what a step asks of the supply, the margins it leaves, and steps in which the store only drains.

Once the last stroke is over and the bridge blocks, a steady current drains the store in closed form and nothing else
happens, unless V_in falls below what the step needs. `run_out` takes such steps one after another without going round
the chain of legs for each of them, and `hold_out` the radio that is held on behind them.
"""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel import link
from yieldsim.kernel import places as pl
from yieldsim.kernel.circuit import leakage, store_charge, store_voltage
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.demand import demand_step, needed_input, steady_current, steady_need
from yieldsim.kernel.drain import drained


@inlined
def begin_sequence(m):
    """Set the journey at the beginning of the sequence, as `chance.build_sequence` counted it."""
    m[pl.SEGMENT_AT] = 0.0
    m[pl.SEGMENTS], m[pl.COMPLETES] = m[pl.ALL_SEGMENTS], m[pl.ALL_COMPLETE]
    m[pl.ACKNOWLEDGED] = m[pl.ALL_ACKNOWLEDGED]
    m[pl.FAILED_STEP] = -1.0


@apart
def set_step(segment, m, steps, real, efficiency_curve):
    """Set demand and watch for one segment of the sequence."""
    demand_step(
        segment[link.SEG_CURRENT], segment[link.SEG_SLOPE], segment[link.SEG_AT], segment[link.SEG_MINIMUM],
        m, efficiency_curve,
    )  # fmt: skip
    m[pl.NEED] = needed_input(segment[link.SEG_MINIMUM], m)
    m[pl.FLOOR] = m[pl.NEED] if real else -math.inf
    m[pl.PHASE] = segment[link.SEG_STEP]
    step = int(segment[link.SEG_STEP])
    m[pl.LEDGER_COLUMN] = float(at.LED_STEPS + (steps if step == at.CHANNEL_ACCESS else step))
    m[pl.LEAST] = math.inf


@inlined
def too_low(minimum, m):
    """Whether the regulated supply itself is below the ``minimum`` [V] of a step."""
    return m[pl.REGULATOR] != at.DIRECT and m[pl.V_SET] < minimum


@inlined
def start_of_step(m, segments, real):
    """Whether the next segment can begin in a real run: its supply is not too low by itself."""
    strict = real or m[pl.RETRACED] > 0.5
    return not (strict and too_low(segments[int(m[pl.SEGMENT_AT]), link.SEG_MINIMUM], m))


@inlined
def held_segment(segments, count):
    """Index of the segment whose load is held on: the last listening one of ``count``, else the last of them."""
    for k in range(count - 1, -1, -1):
        if segments[k, link.SEG_LISTENS] > 0.5:
            return float(k)
    return float(count - 1)


@inlined
def stops_here(k, v_in, m, segments):
    """Whether segment ``k`` is the last before a retry for which V_in is too low."""
    later = segments[k + 1, link.SEG_ATTEMPT]
    return later > 1.5 and later > segments[k, link.SEG_ATTEMPT] and v_in < m[pl.RETRY_LEVEL]


@inlined
def goes_on(k, v_in, m, segments, codes):
    """Whether a segment of completion follows segment ``k``; a retry for which V_in is too low is not begun."""
    if k + 1 < int(m[pl.COMPLETES]) and stops_here(k, v_in, m, segments):
        m[pl.COMPLETES], m[pl.ACKNOWLEDGED] = float(k + 1), 0.0
        codes[at.ATTEMPTS_USED] = int(segments[k, link.SEG_ATTEMPT])
        m[pl.HELD] = held_segment(segments, k + 1)
    return k + 1 < int(m[pl.COMPLETES])


@inlined
def take_margins(k, least, margin, v, drawn, m, segments, values, codes):
    """Take the margins of segment ``k``: the ``least`` [V] of its supply over its need, and the ``margin`` [V] at its
    end, where the store is at ``v`` [V] and ``drawn`` [A] flows.
    """
    step = int(segments[k, link.SEG_STEP])
    if k == 0:
        codes[at.DELIVERED] = 0
    if k == 0 or least < values[at.RUN_MARGIN]:
        values[at.RUN_MARGIN] = least
        codes[at.RUN_STEP] = step
    if least < 0.0 and m[pl.FAILED_STEP] < 0.0:
        m[pl.FAILED_STEP] = float(step)
        m[pl.FIRST_BELOW] = min(m[pl.FIRST_BELOW], m[pl.TIME])
    if k == 0 or margin < values[at.RESERVE]:
        values[at.RESERVE] = margin
        values[at.RESERVE_STORE] = v
        values[at.RESERVE_CURRENT] = drawn
        codes[at.RESERVE_STEP] = step
    if segments[k, link.SEG_DELIVERS] > 0.5 and m[pl.FAILED_STEP] < 0.0:
        codes[at.DELIVERED] = 1


@inlined
def only_drains(m):
    """Whether from now on the store only drains, by currents that are steady where they do not follow the supply."""
    return (
        m[pl.TIME] >= m[pl.LAST] and m[pl.CONDUCTS] < 0.5 and m[pl.KIND] != at.PIEZO and m[pl.INFLOW] == 0.0
        and m[pl.REGULATOR] != at.BUCK and m[pl.QUIESCENT_POINTS] + m[pl.DROPOUT_POINTS] == 0.0
    )  # fmt: skip


@apart
def run_out(m, segments, values, codes):
    """Take segments while the store only drains and V_in stays above what they need; returns whether the last one of
    completion was among them.
    """
    if not only_drains(m):
        return False
    q = m[pl.CHARGE]
    v, v_q = store_voltage(q, m)
    while True:
        k = int(m[pl.SEGMENT_AT])
        load, minimum = segments[k, link.SEG_CURRENT], segments[k, link.SEG_MINIMUM]
        span = segments[k, link.SEG_DURATION]
        current, need = steady_current(load, m), steady_need(load, minimum, m)
        back = m[pl.ESR] * current
        first = v - back
        q, small = drained(q, v, v_q, span, current, m)
        v, v_q = store_voltage(q, m)
        last = v - back
        calm = small and first <= m[pl.TOP_INPUT] and last >= max(need, 0.0)  # below zero the bridge may conduct
        if segments[k, link.SEG_SLOPE] != 0.0 or too_low(minimum, m) or not calm:
            return False
        m[pl.TOP_REVERSE] = max(m[pl.TOP_REVERSE], first)
        m[pl.CHARGE] = q
        m[pl.TIME] += span
        m[pl.SEGMENT_AT] = float(k + 1)
        take_margins(k, last - need, last - need, v, current, m, segments, values, codes)
        if not goes_on(k, last, m, segments, codes):
            return True


@apart
def hold_out(m, segments):
    """How long [s] the radio can be held on from now until V_in meets its need; -1 where the chain must find it."""
    k = int(m[pl.HELD])
    if not only_drains(m) or segments[k, link.SEG_SLOPE] != 0.0:
        return -1.0
    load, minimum, q = segments[k, link.SEG_CURRENT], segments[k, link.SEG_MINIMUM], m[pl.CHARGE]
    current, need = steady_current(load, m), steady_need(load, minimum, m)
    level = need + m[pl.ESR] * current
    v, v_q = store_voltage(q, m)
    if not 0.0 < level < v:
        return -1.0
    target = store_charge(level, m)
    middle, _ = store_voltage(0.5 * (q + target), m)
    loss = current + leakage(middle, m)
    if not loss > 0.0:
        return -1.0
    span = (q - target) / loss
    _, small = drained(q, v, v_q, span, current, m)
    return span if small and m[pl.TIME] + span < m[pl.HORIZON] else -1.0
