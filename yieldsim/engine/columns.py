"""From a design to what the compiled code reads: the constant part, and one row of values a unit."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.design.parameter import Parameter
from yieldsim.design.schema import Design, Step
from yieldsim.engine.laws import Mission, ageing_factor, temperature_factor, temperature_shift
from yieldsim.engine.part_tables import bias_table, drop_line, unloaded_peak_current
from yieldsim.kernel import layout
from yieldsim.population.population import Population
from yieldsim.population.slots import slot_keys

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

REGULATORS = {"linear": layout.LINEAR, "buck": layout.BUCK, "direct": layout.DIRECT}
KINDS = {"fixed": layout.FIXED_STEP, "frame": layout.FRAME_STEP, "listen": layout.LISTEN_STEP}
WHENS = {"once": layout.ONCE, "each attempt": layout.EACH_ATTEMPT, "after acknowledgement": layout.AFTER}
JUNCTIONS = {"full bridge": 2, "single diode": 1}
# Immediate acknowledgement of IEEE 802.15.4: frame control 2, sequence number 1, frame check sequence 2
# octets.
ACKNOWLEDGEMENT_OCTETS = 5


@dataclass(frozen=True)
class Condition:
    """One cell: ambient ``temperature`` [degC] and ``age`` in service [yr]."""

    temperature: float
    age: float


def _strokes(design: Design) -> int:
    harvester = design.harvester
    return 0 if harvester is None or harvester.waveform is not None else len(harvester.strokes)


def _stroke_base(k: int) -> int:
    return layout.FIXED + layout.PER_STROKE * k


def _step_base(design: Design, s: int) -> int:
    return layout.FIXED + layout.PER_STROKE * _strokes(design) + layout.PER_STEP * s


def width(design: Design) -> int:
    """Return K, the length of a value vector."""
    return _step_base(design, len(design.radio.sequence))


def _harvester_columns(design: Design) -> Iterator[tuple[Parameter | None, int]]:
    harvester = design.harvester
    if harvester is None:
        return
    yield harvester.peak_emf, layout.PEAK_EMF
    yield harvester.transit_time, layout.TRANSIT_TIME
    yield harvester.speed, layout.SPEED
    yield harvester.coil_resistance, layout.COIL_RESISTANCE
    yield harvester.coil_inductance, layout.COIL_INDUCTANCE
    if harvester.waveform is not None:
        yield harvester.waveform.scale, layout.WAVEFORM_SCALE
        return
    for k, stroke in enumerate(harvester.strokes):
        base = _stroke_base(k)
        yield stroke.start, base + layout.STROKE_START
        yield stroke.linkage, base + layout.STROKE_LINKAGE
        yield stroke.transit_time, base + layout.STROKE_TRANSIT_TIME
        yield stroke.speed, base + layout.STROKE_SPEED


def _supply_columns(design: Design) -> Iterator[tuple[Parameter | None, int]]:
    yield design.rectifier.forward_drop, layout.FORWARD_DROP
    yield design.rectifier.reverse_leakage, layout.REVERSE_LEAKAGE
    storage = design.storage
    yield storage.capacitance, layout.CAPACITANCE
    yield storage.esr, layout.ESR
    yield storage.insulation, layout.INSULATION
    yield storage.initial_voltage, layout.INITIAL_VOLTAGE
    yield storage.clamp_voltage, layout.CLAMP_VOLTAGE
    regulator = design.regulator
    yield regulator.output, layout.OUTPUT
    yield regulator.quiescent, layout.QUIESCENT
    yield regulator.off_current, layout.OFF_CURRENT
    yield regulator.ground_share, layout.GROUND_SHARE
    yield regulator.start_voltage, layout.START_VOLTAGE
    yield regulator.stop_voltage, layout.STOP_VOLTAGE
    yield regulator.start_delay, layout.START_DELAY
    yield regulator.output_capacitance, layout.OUTPUT_CAPACITANCE
    yield regulator.dropout, layout.DROPOUT
    yield regulator.efficiency, layout.EFFICIENCY


def _load_columns(design: Design) -> Iterator[tuple[Parameter | None, int]]:
    yield design.radio.minimum_supply, layout.MINIMUM_SUPPLY
    for s, step in enumerate(design.radio.sequence):
        base = _step_base(design, s)
        yield step.duration, base + layout.STEP_DURATION
        if step.acknowledgement is not None:
            yield step.acknowledgement.earliest, base + layout.STEP_DURATION
            yield step.acknowledgement.spread, base + layout.STEP_SPREAD
            yield step.acknowledgement.timeout, base + layout.STEP_TIMEOUT
        yield step.current, base + layout.STEP_CURRENT
        yield step.minimum_supply, base + layout.STEP_MINIMUM_SUPPLY


def _link_columns(design: Design) -> Iterator[tuple[Parameter | None, int]]:
    link = design.link
    yield link.frame_loss, layout.FRAME_LOSS
    yield link.acknowledgement_loss, layout.ACKNOWLEDGEMENT_LOSS
    yield link.signal_to_noise, layout.SIGNAL_TO_NOISE
    if link.backoff is not None:
        yield link.backoff.unit, layout.BACKOFF_UNIT
        yield link.backoff.busy, layout.BACKOFF_BUSY
        yield link.backoff.idle_current, layout.BACKOFF_IDLE_CURRENT
        yield link.backoff.assess_time, layout.ASSESS_TIME
        yield link.backoff.assess_current, layout.ASSESS_CURRENT
        yield link.backoff.turnaround, layout.TURNAROUND
        yield link.backoff.turnaround_current, layout.TURNAROUND_CURRENT


def _placed(design: Design) -> Iterator[tuple[Parameter, int]]:
    for part in (_harvester_columns, _supply_columns, _load_columns, _link_columns):
        for parameter, column in part(design):
            if parameter is not None:
                yield parameter, column


def column_of(design: Design) -> dict[str, int]:
    """Return the column of the value vector that each parameter's value stands in.

    Parameters without a column (coefficients of laws, the mechanical energy) are left out.
    """
    return {parameter.name: column for parameter, column in _placed(design)}


def _defaults(design: Design) -> FloatArray:
    """Return what stands in a column (K,) whose parameter the design does not have."""
    row = np.zeros(width(design))
    row[layout.SPEED] = 1.0
    row[layout.WAVEFORM_SCALE] = 1.0
    row[layout.INSULATION] = math.inf
    row[layout.CLAMP_VOLTAGE] = math.inf
    row[layout.EFFICIENCY] = 1.0
    for s, step in enumerate(design.radio.sequence):
        if step.frame is not None:
            row[_step_base(design, s) + layout.STEP_DURATION] = step.frame.air_time
    return row


# --- the constant part --------------------------------------------------------------------------------------


def _drop_line(design: Design) -> FloatArray:
    drop = design.rectifier.forward_drop
    if drop.points is None:
        return np.array([drop.nominal, 0.0, drop.nominal])
    line = drop_line(drop.points, unloaded_peak_current(design))
    return np.array([line.intercept, line.slope, drop.nominal])


def _source(design: Design) -> tuple[int, IntArray, FloatArray]:
    """Code of the source, columns of the strokes (S, 2), samples of a measured stroke (2, N)."""
    harvester = design.harvester
    no_samples, no_strokes = np.empty((2, 0)), np.empty((0, 2), dtype=np.int64)
    if harvester is None:
        return layout.NO_SOURCE, no_strokes, no_samples
    if harvester.waveform is not None:
        samples = np.array([harvester.waveform.time, harvester.waveform.emf], dtype=np.float64)
        return layout.SAMPLED, no_strokes, samples
    rows = []
    for k, stroke in enumerate(harvester.strokes):
        base = _stroke_base(k)
        own_time, own_speed = stroke.transit_time is not None, stroke.speed is not None
        rows.append(
            (
                base + layout.STROKE_TRANSIT_TIME if own_time else layout.TRANSIT_TIME,
                base + layout.STROKE_SPEED if own_speed else layout.SPEED,
            )
        )
    return layout.HALF_SINE, np.array(rows, dtype=np.int64).reshape(-1, 2), no_samples


def _step_row(design: Design, s: int, step: Step) -> tuple[int, int, int, int]:
    own = _step_base(design, s) + layout.STEP_MINIMUM_SUPPLY
    minimum = layout.MINIMUM_SUPPLY if step.minimum_supply is None else own
    return KINDS[step.kind], WHENS[step.when], int(step.required), minimum


def _octets(design: Design) -> IntArray:
    """Return PSDU octets: all frames of one attempt, which pass or fail together; the acknowledgement."""
    frames = [step.frame.octets for step in design.radio.sequence if step.frame is not None]
    return np.array([sum(frames), ACKNOWLEDGEMENT_OCTETS], dtype=np.int64)


def kernel_design(design: Design, population: Population) -> layout.KernelDesign:
    """Return a design as the compiled code reads it, with the keys of the population's seed.

    Raises
    ------
    InputError
        As `Population`.
    """
    source, strokes, waveform = _source(design)
    bias, bias_step, _ = bias_table(design.storage.capacitance.bias)
    steps = design.radio.sequence
    currents = [step.current for step in steps]
    dropout, link, backoff = design.regulator.dropout, design.link, design.link.backoff
    drawn = population.actuation_variables
    columns = column_of(design)
    return layout.KernelDesign(
        source=source,
        junctions=JUNCTIONS[design.rectifier.kind],
        drop_line=_drop_line(design),
        strokes=strokes,
        waveform=waveform,
        bias=bias,
        bias_step=bias_step,
        regulator=REGULATORS[design.regulator.kind],
        dropout_current=(dropout.at or 0.0) if dropout is not None else 0.0,
        steps=np.array([_step_row(design, s, step) for s, step in enumerate(steps)], dtype=np.int64).reshape(-1, 4),
        slopes=np.array([(c.slope or 0.0, c.at or 0.0) for c in currents], dtype=np.float64).reshape(-1, 2),
        attempts=link.attempts,
        octets=_octets(design),
        use_signal_to_noise=link.signal_to_noise is not None,
        use_backoff=backoff is not None,
        exponents=np.array(
            [0, 0, 0]
            if backoff is None
            else [backoff.minimum_exponent, backoff.maximum_exponent, backoff.maximum_backoffs],
            dtype=np.int64,
        ),
        variable_column=np.array([columns[name] for name in drawn.names], dtype=np.int64),
        variable_each=drawn.each_attempt,
        variable_shape=drawn.shapes.codes,
        variable_params=drawn.shapes.params,
        variable_table=drawn.shapes.table,
        variable_factor=drawn.factor,
        keys=slot_keys(design, population.seed),
    )


# --- one row of values a unit -------------------------------------------------------------------------------


def _spread(population: Population, deviations: FloatArray) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Return sums over the levels, relative and absolute (n,), of each parameter that spreads."""
    sums: dict[str, tuple[FloatArray, FloatArray]] = {}
    for i, variable in enumerate(population.unit_variables):
        if variable.name not in sums:
            sums[variable.name] = (np.zeros(len(deviations)), np.zeros(len(deviations)))
        sums[variable.name][0 if variable.relative else 1][:] += deviations[:, i]
    return sums


def _as_made(parameter: Parameter, spread: dict[str, tuple[FloatArray, FloatArray]], n: int) -> FloatArray:
    """Value (n,) before the laws."""
    relative, absolute = spread.get(parameter.name, (np.zeros(n), np.zeros(n)))
    return parameter.nominal * (1.0 + relative) + absolute


def _ageing(
    design: Design,
    parameter: Parameter,
    age: float,
    spread: dict[str, tuple[FloatArray, FloatArray]],
    n: int,
    mission: Mission,
) -> FloatArray:
    """Product (n,) of the ageing laws, each with the coefficient of each unit."""
    product = np.ones(n)
    for law in parameter.ageing:
        change = _as_made(law.change, spread, n) if law.change is not None else np.zeros(n)
        product *= ageing_factor(
            law,
            change,
            age,
            mission=mission,
            since_soldering=design.storage.since_soldering,
            actuations_per_day=design.conditions.actuations_per_day,
        )
    return product


def unit_columns(
    design: Design,
    condition: Condition,
    population: Population,
    deviations: FloatArray,
    *,
    mission: Mission | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return the values of units at one condition.

    value = (nominal · (1 + Σ relative) + Σ absolute) · temperature law · ageing laws; a temperature law that
    shifts a voltage adds before the ageing.

    Parameters
    ----------
    design : Design
    condition : Condition
    population : Population
        Of this design.
    deviations : (n, d) float64
        Of level lot and unit, from `Population.unit_deviations` or `Population.deviations_at`.
    mission : ((temperature [degC], share), ...), optional
        Where the years passed; the design's own when None. The temperature of the condition is no part of it.

    Returns
    -------
    base : (n, K) float64
        Values [SI] without what varies from actuation to actuation.
    scale : (n, K) float64
        What an actuation-level deviation of the column's parameter is multiplied by before it is added to the
        base.

    Raises
    ------
    ValueError
        ``deviations`` has another number of columns than the population has variables of level lot and unit.
    """
    if deviations.ndim != 2 or deviations.shape[1] != len(population.unit_variables):
        raise ValueError(f"deviations have shape {deviations.shape}, not (n, {len(population.unit_variables)})")
    n = len(deviations)
    spread = _spread(population, deviations)
    drawn = dict(zip(population.actuation_variables.names, population.actuation_variables.relative, strict=True))
    base = np.tile(_defaults(design), (n, 1))
    scale = np.zeros_like(base)
    for parameter, column in _placed(design):
        tempered = temperature_factor(parameter.temperature, condition.temperature)
        shift = temperature_shift(parameter.temperature, condition.temperature)
        aged = _ageing(design, parameter, condition.age, spread, n, mission or design.conditions.mission)
        base[:, column] = (_as_made(parameter, spread, n) * tempered + shift) * aged
        if parameter.name in drawn:
            scale[:, column] = tempered * aged * (parameter.nominal if drawn[parameter.name] else 1.0)
    if design.regulator.output is None:
        # A direct supply has no voltage of its own: its output capacitor is charged to the start voltage.
        base[:, layout.OUTPUT] = base[:, layout.START_VOLTAGE]
    return base, scale
