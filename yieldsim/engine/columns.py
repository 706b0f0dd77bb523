"""From a design to what the compiled code reads: the constant part, and one row of values a unit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.design.parameter import Parameter
from yieldsim.design.schema import Design, Step
from yieldsim.engine.laws import Mission, ageing_factor, dielectric_factor, temperature_factor, temperature_shift
from yieldsim.engine.part_tables import bank_bias, bank_table, bias_table, drop_line, unloaded_peak_current
from yieldsim.engine.placement import column_of, defaults_of, part_base, placed, step_base, stroke_base, width
from yieldsim.kernel import layout
from yieldsim.population.population import Population
from yieldsim.population.slots import slot_keys

__all__ = ["Condition", "column_of", "kernel_design", "unit_columns", "width"]

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


# --- the constant part --------------------------------------------------------------------------------------


def _drop_line(design: Design) -> FloatArray:
    drop = design.rectifier.forward_drop
    if drop.points is None:
        return np.array([drop.nominal, 0.0, drop.nominal])
    line = drop_line(drop.points, unloaded_peak_current(design))
    return np.array([line.intercept, line.slope, drop.nominal])


def _source(design: Design) -> tuple[int, IntArray, FloatArray]:
    """Code of the source, columns of the strokes (S, 3), samples of a measured stroke (2, N)."""
    harvester = design.harvester
    no_samples, no_strokes = np.empty((2, 0)), np.empty((0, 3), dtype=np.int64)
    if harvester is None:
        return layout.NO_SOURCE, no_strokes, no_samples
    if harvester.kind == "energy packet":
        return layout.PACKET, no_strokes, no_samples
    if harvester.waveform is not None:
        samples = np.array([harvester.waveform.time, harvester.waveform.emf], dtype=np.float64)
        return layout.SAMPLED, no_strokes, samples
    rows = []
    for k, stroke in enumerate(harvester.strokes):
        base = stroke_base(k)
        own_time, own_speed = stroke.transit_time is not None, stroke.speed is not None
        rows.append(
            (
                base + layout.STROKE_TRANSIT_TIME if own_time else layout.TRANSIT_TIME,
                base + layout.STROKE_SPEED if own_speed else layout.SPEED,
                int(stroke.dwell is not None),
            )
        )
    code = layout.PIEZO if harvester.kind == "piezoelectric" else layout.HALF_SINE
    return code, np.array(rows, dtype=np.int64).reshape(-1, 3), no_samples


def _store(design: Design) -> tuple[FloatArray, float, FloatArray, float]:
    """Return the bias table of the store with its step, and the charges of a bank with theirs.

    The bias table of a bank is that of its nominal parts.
    """
    capacitors = design.storage.capacitors
    if not capacitors:
        (part,) = design.storage.parts
        bias, bias_step, _ = bias_table(part.capacitance.bias)
        return bias, bias_step, np.empty((0, 0, 0)), 1.0
    curves = tuple(part.capacitance.bias for part in capacitors)
    bank, bank_step, _ = bank_table(curves)
    bias, bias_step = bank_bias(curves, tuple(part.capacitance.nominal for part in capacitors))
    return bias, bias_step, bank, bank_step


def _step_row(design: Design, s: int, step: Step) -> tuple[int, int, int, int]:
    own = step_base(design, s) + layout.STEP_MINIMUM_SUPPLY
    minimum = layout.MINIMUM_SUPPLY if step.minimum_supply is None else own
    return KINDS[step.kind], WHENS[step.when], int(step.required), minimum


def _curve(parameter: Parameter | None) -> FloatArray:
    """Points (N, 2) of the factor on a parameter; (0, 2) where there is none."""
    curve = () if parameter is None or parameter.curve is None else parameter.curve
    return np.array(curve, dtype=np.float64).reshape(-1, 2)


def _messages(design: Design) -> tuple[FloatArray, IntArray, FloatArray, IntArray]:
    """Return the cumulative shares (M,), which steps run (P, M), air times [s] (P, M, 2) and PSDU octets (M, 3).

    All frames of one attempt pass or fail together, so their octets are added up. Shares that do not quite add up
    to 1 are scaled.
    """
    radio = design.radio
    shares = np.cumsum([message.share for message in radio.messages] or [1.0])
    shares /= shares[-1]
    runs = np.zeros((len(radio.sequence), len(shares)), dtype=np.int64)
    air = np.zeros((*runs.shape, 2))
    octets = np.zeros((len(shares), 3), dtype=np.int64)
    octets[:, 2] = ACKNOWLEDGEMENT_OCTETS
    for m in range(len(shares)):
        for s, step in enumerate(radio.sequence):
            runs[s, m] = int(radio.runs(step, m))
            if step.frame is None:
                continue
            for r in range(2):
                own = radio.octets(step.frame, m, retry=bool(r))
                air[s, m, r] = step.frame.time_of(own)
                octets[m, r] += own * runs[s, m]
    return shares, runs, air, octets


def kernel_design(design: Design, population: Population) -> layout.KernelDesign:
    """Return a design as the compiled code reads it, with the keys of the population's seed.

    Raises
    ------
    InputError
        As `Population`.
    """
    source, strokes, waveform = _source(design)
    bias, bias_step, bank, bank_step = _store(design)
    shares, runs, air_time, octets = _messages(design)
    steps = design.radio.sequence
    currents = [step.current for step in steps]
    regulator, link, backoff = design.regulator, design.link, design.link.backoff
    dropout = regulator.dropout
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
        bank=bank,
        bank_step=bank_step,
        regulator=REGULATORS[regulator.kind],
        restart=regulator.restart,
        dropout_current=(dropout.at or 0.0) if dropout is not None else 0.0,
        off_curve=_curve(regulator.off_current),
        quiescent_curve=_curve(regulator.quiescent),
        dropout_curve=_curve(dropout),
        efficiency_curve=_curve(regulator.efficiency),
        steps=np.array([_step_row(design, s, step) for s, step in enumerate(steps)], dtype=np.int64).reshape(-1, 4),
        slopes=np.array([(c.slope or 0.0, c.at or 0.0) for c in currents], dtype=np.float64).reshape(-1, 2),
        attempts=link.attempts,
        message_shares=shares,
        step_runs=runs,
        air_time=air_time,
        octets=octets,
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


def _tempered(
    parameter: Parameter, temperature: float, spread: dict[str, tuple[FloatArray, FloatArray]], n: int
) -> FloatArray | float:
    """Factor of the temperature law; (n,) where it differs from unit to unit."""
    law = parameter.temperature
    if law is not None and law.place is not None:
        return dielectric_factor(law, _as_made(law.place, spread, n), temperature)
    return temperature_factor(law, temperature)


def _combine(design: Design, base: FloatArray) -> None:
    """Fill the columns of the store from those of a bank: sum, parallel resistance, ohm-farad product of the whole."""
    parts = [part_base(design, k) for k in range(len(design.storage.capacitors))]
    capacitance = base[:, [p + layout.PART_CAPACITANCE for p in parts]]
    resistance = base[:, [p + layout.PART_ESR for p in parts]]
    leakage = capacitance / base[:, [p + layout.PART_INSULATION for p in parts]]
    total, conductance = capacitance.sum(axis=1), leakage.sum(axis=1)
    with np.errstate(divide="ignore"):
        base[:, layout.ESR] = 1.0 / (1.0 / resistance).sum(axis=1)
        base[:, layout.INSULATION] = total / conductance
    base[:, layout.CAPACITANCE] = total


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
        Values [SI] without what varies from actuation to actuation. The columns of the store of a bank are those of
        all its capacitors together.
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
    base = np.tile(defaults_of(design), (n, 1))
    scale = np.zeros_like(base)
    for parameter, column in placed(design):
        tempered = _tempered(parameter, condition.temperature, spread, n)
        shift = temperature_shift(parameter.temperature, condition.temperature)
        aged = _ageing(design, parameter, condition.age, spread, n, mission or design.conditions.mission)
        base[:, column] = (_as_made(parameter, spread, n) * tempered + shift) * aged
        if parameter.name in drawn:
            scale[:, column] = tempered * aged * (parameter.nominal if drawn[parameter.name] else 1.0)
    if design.regulator.output is None:
        # A direct supply has no voltage of its own: its output capacitor is charged to the start voltage.
        base[:, layout.OUTPUT] = base[:, layout.START_VOLTAGE]
    if design.storage.capacitors:
        _combine(design, base)
    return base, scale
