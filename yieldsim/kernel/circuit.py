"""The circuit of one actuation: what the value vector means to the stepper.

`fill_circuit` turns a value vector into the few numbers the equations need. `store_voltage` is the charge-voltage
relation of the store, `draw` the current the regulator takes, `needed_input` the lowest regulator input a step works
at.
"""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel.compiled import compiled, inlined

# --- entries of a circuit [unit] --------------------------------------------------------------------------------
(
    DROP,  # junctions in series times the intercept of the drop line [V]
    R_COIL,  # [ohm]
    R_DIODE,  # junctions in series times the slope of the drop line [ohm]
    COIL_L,  # [H]
    C_STORE,  # C_s [F]
    R_ESR,  # [ohm]
    LEAK_RATE,  # 1 / (ohm-farad product) [1/s]
    I_REVERSE,  # [A]
    CLAMP,  # [V]
    CLAMP_CHARGE,  # charge of the store at the clamp voltage [C]
    V_SET,  # [V]
    I_QUIESCENT,  # [A]
    I_OFF,  # [A]
    GROUND,  # [-]
    V_START,  # [V]
    V_STOP,  # [V]
    DELAY,  # [s]
    C_OUT,  # [F]
    R_PASS,  # [ohm]
    ETA,  # [-]
    REGULATOR,  # LINEAR, BUCK, DIRECT
    JUNCTIONS,  # 2 or 1
    INTERCEPT,  # of one junction [V]
    SLOPE,  # of one junction [ohm]
) = range(24)
CIRCUIT = 24

# --- entries of a demand: what the regulator draws -----------------------------------------------------------------
(
    DEMAND_FORM,  # STEADY: a constant current; DEPENDS: on the supply; POWER: a constant power
    DEMAND_STEADY,  # constant regulator input current [A]
    DEMAND_LOAD,  # load current at the reference voltage [A]; the power of POWER [W]
    DEMAND_SLOPE,  # dI_load/dV_out [S]
    DEMAND_AT,  # reference voltage [V]
    DEMAND_FLOOR,  # V_out below which the load current is held [V]
    DEMAND_EXTRA,  # constant input current beside the load's share [A]
) = range(7)
DEMAND = 7
STEADY, DEPENDS, POWER = 0.0, 1.0, 2.0
# A converter charges its output capacitor at constant power; below this share of V_set, where none works, at the
# current
# it has there, so that a start forced on an empty store stays finite.
LOWEST_INPUT = 0.25


@compiled
def fill_circuit(design, x, c):
    """Fill the circuit ``c`` (CIRCUIT,) from a value vector ``x`` of `layout`."""
    junctions = float(design.junctions)
    intercept = design.drop_line[0] + x[at.FORWARD_DROP] - design.drop_line[2]
    if intercept < 0.0:  # a diode never gives energy
        intercept = 0.0
    c[INTERCEPT] = intercept
    c[SLOPE] = design.drop_line[1]
    c[JUNCTIONS] = junctions
    c[DROP] = junctions * intercept
    c[R_DIODE] = junctions * design.drop_line[1]
    c[R_COIL] = x[at.COIL_RESISTANCE]
    c[COIL_L] = x[at.COIL_INDUCTANCE]
    c[C_STORE] = x[at.CAPACITANCE]
    c[R_ESR] = x[at.ESR]
    c[LEAK_RATE] = 1.0 / x[at.INSULATION]
    c[I_REVERSE] = x[at.REVERSE_LEAKAGE]
    c[CLAMP] = x[at.CLAMP_VOLTAGE]
    c[CLAMP_CHARGE] = math.inf
    if x[at.CLAMP_VOLTAGE] < math.inf:
        c[CLAMP_CHARGE] = store_charge(x[at.CLAMP_VOLTAGE], x[at.CAPACITANCE], design.bias, design.bias_step)
    c[V_SET] = x[at.OUTPUT]
    c[I_QUIESCENT] = x[at.QUIESCENT]
    c[I_OFF] = x[at.OFF_CURRENT]
    c[GROUND] = x[at.GROUND_SHARE]
    c[V_START] = x[at.START_VOLTAGE]
    c[V_STOP] = x[at.STOP_VOLTAGE]
    c[DELAY] = x[at.START_DELAY]
    c[C_OUT] = x[at.OUTPUT_CAPACITANCE]
    c[R_PASS] = x[at.DROPOUT] / design.dropout_current if design.dropout_current > 0.0 else 0.0
    c[ETA] = x[at.EFFICIENCY]
    c[REGULATOR] = float(design.regulator)


@inlined
def store_voltage(q, capacitance, bias, step):
    """Voltage [V] of the store holding charge ``q`` [C], and its slope dV/dq [V/C].

    The inverse of q(V) = C_s * integral of b from 0 to V, b the differential bias factor, as cubic Hermite pieces in
    s = q / C_s; below zero the store is C_s itself.
    """
    s = q / capacitance
    if s <= 0.0:
        return s, 1.0 / capacitance
    place = s / step
    last = bias.shape[0] - 1
    if place >= last:
        slope = bias[last, 1]
        return bias[last, 0] + slope * (s - last * step), slope / capacitance
    k = int(place)
    f = place - k
    v0, d0, v1, d1 = bias[k, 0], bias[k, 1] * step, bias[k + 1, 0], bias[k + 1, 1] * step
    rise = v1 - v0
    c2 = 3.0 * rise - 2.0 * d0 - d1
    c3 = d0 + d1 - 2.0 * rise
    voltage = v0 + f * (d0 + f * (c2 + f * c3))
    slope = (d0 + f * (2.0 * c2 + 3.0 * f * c3)) / step
    return voltage, slope / capacitance


@compiled
def store_charge(voltage, capacitance, bias, step):
    """Charge [C] at which `store_voltage` gives ``voltage`` [V]: bracketed by the table, then Newton."""
    if voltage <= 0.0:
        return voltage * capacitance
    last = bias.shape[0] - 1
    if voltage >= bias[last, 0]:
        return capacitance * (last * step + (voltage - bias[last, 0]) / bias[last, 1])
    low, high = 0, last
    while high - low > 1:
        middle = (low + high) // 2
        if bias[middle, 0] <= voltage:
            low = middle
        else:
            high = middle
    rise = bias[low + 1, 0] - bias[low, 0]
    q = capacitance * step * (low + (voltage - bias[low, 0]) / rise)
    for _ in range(30):
        v, slope = store_voltage(q, capacitance, bias, step)
        change = (voltage - v) / slope
        q += change
        if abs(change) <= 1e-16 * capacitance:
            break
    return q


@compiled
def store_energy(q, capacitance, bias, step):
    """Stored energy [J], the integral of V dq from 0, exact for the Hermite pieces of `store_voltage`."""
    s = q / capacitance
    if s <= 0.0:
        return 0.5 * capacitance * s * s
    last = bias.shape[0] - 1
    total = 0.0
    whole = min(int(s / step), last)
    for k in range(whole):
        total += 0.5 * step * (bias[k, 0] + bias[k + 1, 0]) + step * step / 12.0 * (bias[k, 1] - bias[k + 1, 1])
    rest = s - whole * step
    if whole == last:
        return capacitance * (total + rest * (bias[last, 0] + 0.5 * bias[last, 1] * rest))
    f = rest / step
    v0, d0, v1, d1 = bias[whole, 0], bias[whole, 1] * step, bias[whole + 1, 0], bias[whole + 1, 1] * step
    rise = v1 - v0
    c2 = 3.0 * rise - 2.0 * d0 - d1
    c3 = d0 + d1 - 2.0 * rise
    return capacitance * (total + rest * (v0 + f * (d0 / 2.0 + f * (c2 / 3.0 + f * c3 / 4.0))))


@inlined
def leakage(voltage, c):
    """Current [A] lost from the store at ``voltage`` [V]: insulation and the rectifier's reverse leakage."""
    if voltage <= 0.0:
        return 0.0
    return voltage * c[C_STORE] * c[LEAK_RATE] + c[I_REVERSE]


@inlined
def load_at(output, demand):
    """Load current [A] at a supply of ``output`` [V], held at its value at the step's minimum below that."""
    held = max(output, demand[DEMAND_FLOOR])
    return max(0.0, demand[DEMAND_LOAD] + demand[DEMAND_SLOPE] * (held - demand[DEMAND_AT]))


@compiled
def draw_power(terminal, c, demand):
    """Input current [A] of a constant power and its slope [S], as `draw`: the upper root of x^2 - a x + ESR*P = 0."""
    power, esr = demand[DEMAND_LOAD], c[R_ESR]
    a = terminal - esr * demand[DEMAND_EXTRA]
    lowest = LOWEST_INPUT * c[V_SET]
    root = a * a - 4.0 * esr * power
    if root > 0.0:
        root = math.sqrt(root)
        v_in = 0.5 * (a + root)
        if v_in > lowest:
            return power / v_in + demand[DEMAND_EXTRA], -power / (v_in * v_in) * 0.5 * (1.0 + a / root)
    return power / lowest + demand[DEMAND_EXTRA], 0.0


@inlined
def draw(terminal, c, demand):
    """Regulator input current [A] and its slope against ``terminal`` [S].

    ``terminal`` = V + ESR*|j| is the store's terminal before the regulator's own drop across the ESR, so that
    V_in = terminal - ESR * i_reg.
    """
    if demand[DEMAND_FORM] == STEADY:
        return demand[DEMAND_STEADY], 0.0
    if demand[DEMAND_FORM] == POWER:
        return draw_power(terminal, c, demand)
    esr, v_set, r_pass = c[R_ESR], c[V_SET], c[R_PASS]
    extra, share = demand[DEMAND_EXTRA], 1.0 + c[GROUND]
    regulated = load_at(v_set, demand) if c[REGULATOR] != at.DIRECT else 0.0
    if c[REGULATOR] == at.BUCK:
        # constant power while the input stands above V_set / eta: the upper root of x^2 - a x + ESR*P = 0
        a = terminal - esr * extra
        power = v_set * regulated / c[ETA]
        root = a * a - 4.0 * esr * power
        if root >= 0.0:
            root = math.sqrt(root)
            v_in = 0.5 * (a + root)
            if v_in * c[ETA] >= v_set:
                slope = -power / (v_in * v_in) * (0.5 * (1.0 + a / root) if root > 0.0 else 0.5)
                return power / v_in + extra, slope
    if c[REGULATOR] != at.DIRECT:
        current = regulated * share + extra
        if terminal - esr * current - r_pass * regulated >= v_set:
            return current, 0.0
    slope = demand[DEMAND_SLOPE]
    if slope != 0.0:
        # in dropout V_out = terminal - ESR*(share*I + extra) - R_pass*I, and I is linear in V_out
        gain = 1.0 + slope * (r_pass + esr * share)
        load = (demand[DEMAND_LOAD] + slope * (terminal - esr * extra - demand[DEMAND_AT])) / gain
        output = terminal - esr * (share * load + extra) - r_pass * load
        if load > 0.0 and output >= demand[DEMAND_FLOOR]:
            return load * share + extra, slope / gain * share
        load = load_at(output, demand)
    else:
        load = load_at(v_set, demand)
    return load * share + extra, 0.0


@compiled
def demand_off(c, demand):
    """Demand of the regulator before its start and after a brown-out."""
    demand[DEMAND_FORM] = STEADY
    demand[DEMAND_STEADY] = c[I_OFF]


@compiled
def demand_starting(c, demand):
    """Demand during the start delay: the quiescent current and the charging of the output capacitor."""
    if c[REGULATOR] == at.BUCK:
        demand[DEMAND_FORM] = POWER
        demand[DEMAND_LOAD] = 0.5 * c[C_OUT] * c[V_SET] ** 2 / (c[ETA] * c[DELAY])  # [W]
        demand[DEMAND_SLOPE] = 0.0
        demand[DEMAND_AT] = 0.0
        demand[DEMAND_FLOOR] = 0.0
        demand[DEMAND_EXTRA] = c[I_QUIESCENT]
        return
    demand[DEMAND_FORM] = STEADY
    demand[DEMAND_STEADY] = c[I_QUIESCENT] + c[C_OUT] * c[V_SET] / c[DELAY]


@compiled
def demand_step(c, demand, load, slope, reference, minimum):
    """Demand of a step: load current [A] at ``reference`` [V] with its slope [S], held below ``minimum`` [V]."""
    demand[DEMAND_LOAD] = load
    demand[DEMAND_SLOPE] = slope
    demand[DEMAND_AT] = reference
    demand[DEMAND_FLOOR] = minimum
    demand[DEMAND_EXTRA] = c[I_QUIESCENT]
    if slope == 0.0 and c[REGULATOR] != at.BUCK:
        demand[DEMAND_FORM] = STEADY
        demand[DEMAND_STEADY] = load * (1.0 + c[GROUND]) + c[I_QUIESCENT]
    else:
        demand[DEMAND_FORM] = DEPENDS


@compiled
def needed_input(c, demand, minimum):
    """Lowest regulator input V_need [V] of a step whose lowest supply is ``minimum`` [V]: max(V_min + V_do, V_stop)."""
    dropout = 0.0 if c[REGULATOR] == at.DIRECT else c[R_PASS] * load_at(minimum, demand)
    return max(minimum + dropout, c[V_STOP])


@compiled
def supply(v_in, c, demand):
    """Supply V_out [V] of the radio and its load current [A] at regulator input ``v_in`` [V], while a step runs."""
    if c[REGULATOR] == at.DIRECT:
        return v_in, load_at(v_in, demand)
    regulated = load_at(c[V_SET], demand)
    if v_in - c[R_PASS] * regulated >= c[V_SET]:
        return c[V_SET], regulated
    slope = demand[DEMAND_SLOPE]
    if slope != 0.0:
        load = (demand[DEMAND_LOAD] + slope * (v_in - demand[DEMAND_AT])) / (1.0 + slope * c[R_PASS])
        if load > 0.0 and v_in - c[R_PASS] * load >= demand[DEMAND_FLOOR]:
            return v_in - c[R_PASS] * load, load
        load = load_at(demand[DEMAND_FLOOR], demand)
        return v_in - c[R_PASS] * load, load
    return v_in - c[R_PASS] * regulated, regulated


@compiled
def energy_taken(q, energy, c, bias, step):
    """Charge [C] left after ``energy`` [J] is taken from the store at once; an empty store gives what it has."""
    left = store_energy(q, c[C_STORE], bias, step) - energy
    if left <= 0.0 or q <= 0.0:
        return min(q, 0.0)
    low, high = 0.0, q
    for _ in range(200):
        middle = 0.5 * (low + high)
        if store_energy(middle, c[C_STORE], bias, step) < left:
            low = middle
        else:
            high = middle
        if high - low <= 1e-15 * q:
            break
    return 0.5 * (low + high)
