"""The circuit of one actuation: what the value vector means to the stepper.

`fill_circuit` turns a value vector into the few numbers the equations need; `fill_bank` makes the charge-voltage table
of a bank of capacitors. `store_voltage` is that relation, `leakage` what the store loses by itself.
"""

import math
from typing import Any, NamedTuple

from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel.compiled import INTERPRETED, apart, inlined
from yieldsim.kernel.lanes import any_of, choose, four_at, lesser, whole

if not INTERPRETED:
    from numba import types
    from numba.extending import overload

    from yieldsim.kernel.lanes import INLINE

# A piezoelectric source without resistance in its path would charge the store at once; this much stands in it [ohm].
LEAST_RESISTANCE = 1e-3
# Newton steps of a charge, each of which squares the error, and the share of C_s below which one has squared it away.
NEWTON_STEPS = 30
MET = 1e-9


@inlined
def moves_circuit(design):
    """Whether the circuit differs from actuation to actuation of a unit: anything but the press and the load does."""
    first_part = at.FIXED + at.PER_STROKE * design.strokes.shape[0] + at.PER_STEP * design.steps.shape[0]
    for v in range(design.variable_column.shape[0]):
        column = design.variable_column[v]
        if column != at.SPEED and (column < at.FIXED or column >= first_part):
            return True
    return False


@inlined
def fill_circuit(design, x, m, bank_known):
    """Fill the circuit in ``m`` from a value vector ``x`` of `layout`.

    The charge-voltage table of a bank is made anew where its capacitors (``bank_known`` (K,), the ones it was last made
    for) have changed.
    """
    junctions = float(design.junctions)
    intercept = max(design.drop_line[0] + x[at.FORWARD_DROP] - design.drop_line[2], 0.0)  # a diode never gives energy
    m[pl.KIND] = float(design.source)
    m[pl.INTERCEPT] = intercept
    m[pl.SLOPE] = design.drop_line[1]
    m[pl.JUNCTIONS] = junctions
    m[pl.DROP] = junctions * intercept
    m[pl.C_STORE], m[pl.ESR], m[pl.LEAK] = x[at.CAPACITANCE], x[at.ESR], x[at.CAPACITANCE] / x[at.INSULATION]
    m[pl.BIAS_STEP] = design.bias_step
    if design.bank.shape[0] > 0:
        fill_bank(design, x, m, bank_known)
    m[pl.PER_CHARGE] = 1.0 / m[pl.C_STORE]
    m[pl.POINTS_PER_CHARGE] = 1.0 / (m[pl.C_STORE] * m[pl.BIAS_STEP])
    m[pl.ESR_SOURCE] = 0.0 if design.source == at.PACKET else m[pl.ESR]
    fill_source_path(design, x, m)
    m[pl.I_REVERSE] = x[at.REVERSE_LEAKAGE]
    m[pl.CLAMP] = x[at.CLAMP_VOLTAGE]
    m[pl.CLAMP_CHARGE] = store_charge(x[at.CLAMP_VOLTAGE], m) if x[at.CLAMP_VOLTAGE] < math.inf else math.inf
    m[pl.V_SET] = x[at.OUTPUT]
    m[pl.I_QUIESCENT] = x[at.QUIESCENT]
    m[pl.I_OFF] = x[at.OFF_CURRENT]
    m[pl.GROUND] = x[at.GROUND_SHARE]
    m[pl.V_START] = x[at.START_VOLTAGE]
    m[pl.V_STOP] = x[at.STOP_VOLTAGE]
    m[pl.DELAY] = x[at.START_DELAY]
    m[pl.C_OUT] = x[at.OUTPUT_CAPACITANCE]
    m[pl.R_PASS] = x[at.DROPOUT] / design.dropout_current if design.dropout_current > 0.0 else 0.0
    m[pl.ETA] = x[at.EFFICIENCY]
    m[pl.REGULATOR] = float(design.regulator)
    m[pl.RETRY_LEVEL] = x[at.RETRY_ABOVE]


@inlined
def fill_source_path(design, x, m):
    """Fill what stands between the source and the store."""
    m[pl.R_COIL], m[pl.INERTIA], m[pl.LOSS], m[pl.POWER_IN], m[pl.POWER_LOST] = 0.0, 0.0, 0.0, 0.0, 0.0
    diodes = m[pl.JUNCTIONS] * m[pl.SLOPE]
    if design.source == at.PACKET:
        power = x[at.PACKET_ENERGY] / x[at.DELIVERY_TIME]
        m[pl.POWER_IN] = power * x[at.PACKET_EFFICIENCY]
        m[pl.POWER_LOST] = power - m[pl.POWER_IN]
    elif design.source == at.PIEZO:
        m[pl.INERTIA] = x[at.SOURCE_CAPACITANCE]
        m[pl.LOSS] = 1.0 / x[at.LOSS_RESISTANCE]
        diodes = max(diodes, LEAST_RESISTANCE - m[pl.ESR])
    else:
        m[pl.R_COIL], m[pl.INERTIA] = x[at.COIL_RESISTANCE], x[at.COIL_INDUCTANCE]
    m[pl.R_LOOP] = m[pl.R_COIL] + diodes
    m[pl.FOLLOWS] = 1.0 if design.source == at.PIEZO or m[pl.INERTIA] == 0.0 else 0.0


@apart
def bank_charge(v, k, bank, bank_step):
    """Charge [V] of capacitor ``k`` of a bank over its C_s at ``v`` >= 0 [V], and its slope b [-]: cubic Hermite."""
    last = bank.shape[1] - 1
    place = v / bank_step
    if place >= last:
        return bank[k, last, 0] + bank[k, last, 1] * (v - last * bank_step), bank[k, last, 1]
    n = int(place)
    f = place - n
    y0, d0, y1, d1 = bank[k, n, 0], bank[k, n, 1] * bank_step, bank[k, n + 1, 0], bank[k, n + 1, 1] * bank_step
    rise = y1 - y0
    c2, c3 = 3.0 * rise - 2.0 * d0 - d1, d0 + d1 - 2.0 * rise
    return y0 + f * (d0 + f * (c2 + f * c3)), (d0 + f * (2.0 * c2 + 3.0 * f * c3)) / bank_step


@apart
def fill_bank(design, x, m, known):
    """Join the capacitors of a bank: sums of capacitance and leakage, parallel ESR, and one charge-voltage table.

    One charge at one voltage: q(V) is the sum over the capacitors, inverted at uniform q by Newton's method from the
    point before. The capacitors really share charge through their own ESR; the parallel value leaves that out.
    """
    count, last = design.bank.shape[0], int(m[pl.BIAS_LAST])
    first = x.shape[0] - at.PER_PART * count
    total, leak, admittance, changed = 0.0, 0.0, 0.0, False
    for k in range(count):
        part = first + at.PER_PART * k
        c = x[part + at.PART_CAPACITANCE]
        changed = changed or c != known[k]
        known[k] = c
        total += c
        leak += c / x[part + at.PART_INSULATION]
        admittance += 1.0 / x[part + at.PART_ESR]
    m[pl.C_STORE], m[pl.LEAK], m[pl.ESR] = total, leak, 1.0 / admittance
    top = (design.bank.shape[1] - 1) * design.bank_step
    full = 0.0
    for k in range(count):
        charge, _ = bank_charge(top, k, design.bank, design.bank_step)
        full += known[k] * charge
    step = full / total / last
    m[pl.BIAS_STEP] = step
    if not changed:
        return
    v = 0.0
    for n in range(last + 1):
        slope = 1.0
        for _ in range(NEWTON_STEPS):
            charge, slope = 0.0, 0.0
            for k in range(count):
                held, factor = bank_charge(v, k, design.bank, design.bank_step)
                charge += known[k] * held
                slope += known[k] * factor
            change = (n * step * total - charge) / slope
            v = max(v + change, 0.0)
            if abs(change) <= 1e-14 * top:
                break
        place = int(m[pl.BIAS_AT]) + 2 * n
        m[place], m[place + 1] = v, total / slope
        v += step * total / slope


@inlined
def hermite(f, v0, d0, v1, d1):
    """Value and slope at the share ``f`` of a piece with ``v0``, ``v1`` at its ends, and slopes ``d0``, ``d1``."""
    rise = v1 - v0
    c2 = 3.0 * rise - 2.0 * d0 - d1
    c3 = d0 + d1 - 2.0 * rise
    return v0 + f * (d0 + f * (c2 + f * c3)), d0 + f * (2.0 * c2 + 3.0 * f * c3)


@inlined
def store_voltage(q, m):
    """Voltage [V] of the store holding charge ``q`` [C], and its slope dV/dq [V/C].

    The inverse of q(V) = C_s * integral of b from 0 to V, b the differential bias factor, as cubic Hermite pieces in
    s = q / C_s; below zero the store is C_s itself.
    """
    per_charge, step = m[pl.PER_CHARGE], m[pl.BIAS_STEP]
    s = q * per_charge
    if s <= 0.0:
        return s, per_charge
    place = q * m[pl.POINTS_PER_CHARGE]
    last = m[pl.BIAS_LAST]
    k = int(m[pl.BIAS_AT])
    if place >= last:
        k += 2 * int(last)
        return m[k] + m[k + 1] * (s - last * step), m[k + 1] * per_charge
    n = int(place)
    f = place - n
    k += 2 * n
    voltage, slope = hermite(f, m[k], m[k + 1] * step, m[k + 2], m[k + 3] * step)
    return voltage, slope * m[pl.POINTS_PER_CHARGE]


class Store(NamedTuple):
    """A store of each of several `lanes`, as `voltage_of` looks at them: one charge-voltage table serves all."""

    table: Any  # (N,) memory with the table in it
    first: Any  # place of its first point
    last: Any  # index of its last one
    step: Any  # spacing of its points in q / C_s [V]
    per_charge: Any  # 1 / C_s, of each [1/F]
    points: Any  # points of the table a coulomb, of each [1/C]


def voltage_of(q: Any, store: Any) -> Any:
    """`store_voltage` of a memory, or of the `Store` of `lanes`."""
    return store_voltage(q, store)


@inlined
def voltage_abreast(q, store):
    """`store_voltage` of `lanes`."""
    s, place = q * store.per_charge, q * store.points
    n = whole(lesser(choose(place > 0.0, place, 0.0), store.last - 1.0))
    v0, d0, v1, d1 = four_at(store.table, store.first, n)
    v, slope = hermite(place - n, v0, d0 * store.step, v1, d1 * store.step)
    slope = slope * store.points
    beyond, empty = place >= store.last, s <= 0.0
    if any_of(beyond):
        top = store.first + 2 * int(store.last)
        last, steep = store.table[top], store.table[top + 1]
        v = choose(beyond, last + steep * (s - store.last * store.step), v)
        slope = choose(beyond, steep * store.per_charge, slope)
    return choose(empty, s, v), choose(empty, store.per_charge, slope)


if not INTERPRETED:

    @overload(voltage_of, jit_options=INLINE)
    def _(q, store):
        if isinstance(store, types.Array):
            return lambda q, store: store_voltage(q, store)
        return lambda q, store: voltage_abreast(q, store)


@apart
def store_charge(voltage, m):
    """Charge [C] at which `store_voltage` gives ``voltage`` [V]: bracketed by the table, then Newton."""
    capacitance, step = m[pl.C_STORE], m[pl.BIAS_STEP]
    if voltage <= 0.0:
        return voltage * capacitance
    last, first = int(m[pl.BIAS_LAST]), int(m[pl.BIAS_AT])
    if voltage >= m[first + 2 * last]:
        return capacitance * (last * step + (voltage - m[first + 2 * last]) / m[first + 2 * last + 1])
    low, high = 0, last
    while high - low > 1:
        middle = (low + high) // 2
        if m[first + 2 * middle] <= voltage:
            low = middle
        else:
            high = middle
    k = first + 2 * low
    q = capacitance * step * (low + (voltage - m[k]) / (m[k + 2] - m[k]))
    for _ in range(NEWTON_STEPS):
        v, slope = store_voltage(q, m)
        change = (voltage - v) / slope
        q += change
        if abs(change) <= MET * capacitance:
            break
    return q


@apart
def store_energy(q, m):
    """Stored energy [J], the integral of V dq from 0, exact for the Hermite pieces of `store_voltage`."""
    capacitance, step = m[pl.C_STORE], m[pl.BIAS_STEP]
    s = q / capacitance
    if s <= 0.0:
        return 0.5 * capacitance * s * s
    last, first = int(m[pl.BIAS_LAST]), int(m[pl.BIAS_AT])
    total = 0.0
    whole = min(int(s / step), last)
    for k in range(first, first + 2 * whole, 2):
        total += 0.5 * step * (m[k] + m[k + 2]) + step * step / 12.0 * (m[k + 1] - m[k + 3])
    rest = s - whole * step
    k = first + 2 * whole
    if whole == last:
        return capacitance * (total + rest * (m[k] + 0.5 * m[k + 1] * rest))
    f = rest / step
    v0, d0, v1, d1 = m[k], m[k + 1] * step, m[k + 2], m[k + 3] * step
    rise = v1 - v0
    c2 = 3.0 * rise - 2.0 * d0 - d1
    c3 = d0 + d1 - 2.0 * rise
    return capacitance * (total + rest * (v0 + f * (d0 / 2.0 + f * (c2 / 3.0 + f * c3 / 4.0))))


@inlined
def leakage(voltage, m):
    """Current [A] lost from the store at ``voltage`` [V]: insulation and the rectifier's reverse leakage."""
    if voltage <= 0.0:
        return 0.0
    return voltage * m[pl.LEAK] + m[pl.I_REVERSE]


@apart
def energy_taken(q, energy, m):
    """Charge [C] left after ``energy`` [J] is taken from the store at once; an empty store gives what it has."""
    left = store_energy(q, m) - energy
    if left <= 0.0 or q <= 0.0:
        return min(q, 0.0)
    low, high = 0.0, q
    for _ in range(200):
        middle = 0.5 * (low + high)
        if store_energy(middle, m) < left:
            low = middle
        else:
            high = middle
        if high - low <= 1e-15 * q:
            break
    return 0.5 * (low + high)
