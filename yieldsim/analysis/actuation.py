"""One actuation, nominal or addressed, opened: margins, steps, curve, energies, and the values behind it."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.conditions import condition_problems
from yieldsim.analysis.drawn import DrawnValue, drawn_values, values_of
from yieldsim.analysis.ledger import ledger_of
from yieldsim.analysis.margins import Margins, required_in_access, required_input, reserve_in_kind
from yieldsim.analysis.point_sets import points_problems
from yieldsim.analysis.result import Result, provenance
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Replayed, Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.population.scrambled import RANDOM
from yieldsim.words.errors import InputError, Problem

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_TOLD = (
    *("temperature_degC", "age_yr", "source", "outcome", "delivered", "message", "partial", "starts", "start_stroke"),
    *("start_margin_V", "run_margin_V", "voltage_margin_V", "reserve_V", "start_time_s", "complete_time_s"),
    *("hold_up_s", "hold_up_capped", "run_time_s", "left_V", "peak_voltage_V", "peak_current_A", "peak_reverse_V"),
    *("start_voltage_V", "stop_voltage_V", "reserve_charge_C", "reserve_octets", "reserve_listen_s"),
)


@dataclass(frozen=True)
class StepTrace:
    """One step as it ran: begin and end [s], lowest input voltage during it and the one it needs [V].

    The difference of the two voltages is the least margin within the step, channel access included, whose
    parts need different voltages.
    """

    step: str
    start_s: float
    end_s: float
    lowest_input_V: float
    required_input_V: float


@dataclass(frozen=True, eq=False)
class Trace:
    """The curve, (N,) arrays. ``phase`` is the index of the running step, or a code of `kernel.layout`.

    ``emf_V`` is the voltage across a piezoelectric element, its source capacitance included. It is 0 for an energy
    packet, whose current into the store stands in ``coil_current_A``.
    """

    time_s: FloatArray
    emf_V: FloatArray
    coil_current_A: FloatArray
    store_V: FloatArray
    input_V: FloatArray
    output_V: FloatArray
    drawn_current_A: FloatArray
    phase: IntArray


@dataclass(frozen=True)
class ActuationResult(Result):
    """One actuation.

    Attributes
    ----------
    temperature_degC, age_yr : the condition
    address : unit and actuation, None for the nominal actuation, which has no link losses
    source : kind of the harvester, empty without one
    outcome, delivered : how it ended; whether a frame got through
    message : name of the message sent, None where the design has one kind
    partial : the press stopped short
    starts : times the regulator started; margins and times are those of the best start
    start_stroke : stroke during which the regulator started, counted from 1
    start_margin_V, run_margin_V, voltage_margin_V, reserve_V : margins [V]
    start_time_s, complete_time_s : since the release [s]; None where it did not start, or complete
    hold_up_s, run_time_s : [s]; ``hold_up_capped`` where the supply held to the horizon
    left_V : voltage of the store where the record ends [V]
    peak_voltage_V, peak_current_A, peak_reverse_V : highest input voltage, diode current, reverse voltage of
        a diode; the diodes of an energy packet are inside it, and theirs are None
    steps : those that ran, in their order
    start_voltage_V, stop_voltage_V : of the regulator [V]
    reserve_charge_C, reserve_octets, reserve_listen_s : the reserve in other units: charge that the store
        can still give (lacks, where negative), further octets on air, further listening; None where the
        design sends or listens to nothing
    ledger : where the energy came from and went [J]
    ledger_error : what the ledger leaves open, as a share of what came in
    trace : the curve
    values : parameter -> value, nominal value at this condition, unit
    drawn : what was drawn for it, the farthest from its nominal first; empty for the nominal actuation
    nominal_trace : curve of the nominal actuation at the same condition; None for that itself
    """

    command: ClassVar[str] = "actuation"
    temperature_degC: float
    age_yr: float
    address: tuple[int, int] | None
    source: str
    outcome: str
    delivered: bool
    message: str | None
    partial: bool
    starts: int
    start_stroke: int | None
    start_margin_V: float
    run_margin_V: float
    voltage_margin_V: float
    reserve_V: float
    start_time_s: float | None
    complete_time_s: float | None
    hold_up_s: float
    hold_up_capped: bool
    run_time_s: float | None
    left_V: float
    peak_voltage_V: float
    peak_current_A: float | None
    peak_reverse_V: float | None
    steps: tuple[StepTrace, ...]
    start_voltage_V: float
    stop_voltage_V: float
    reserve_charge_C: float
    reserve_octets: int | None
    reserve_listen_s: float | None
    ledger: dict[str, float]
    ledger_error: float
    trace: Trace
    values: dict[str, tuple[float, float, str]]
    drawn: tuple[DrawnValue, ...] = ()
    nominal_trace: Trace | None = None

    def payload(self) -> dict[str, Any]:
        """Return everything but the curve."""
        address = None if self.address is None else {"unit": self.address[0], "actuation": self.address[1]}
        return {
            **{name: getattr(self, name) for name in _TOLD},
            "address": address,
            "steps": [asdict(step) for step in self.steps],
            "ledger_J": self.ledger,
            "ledger_error": self.ledger_error,
            "values": {
                name: {"value": value, "nominal": nominal, "unit": unit}
                for name, (value, nominal, unit) in self.values.items()
            },
            "drawn": [asdict(row) for row in self.drawn],
        }


def actuation(
    design: Design,
    settings: Settings,
    condition: Condition,
    address: tuple[int, int] | None = None,
    *,
    points: str = RANDOM,
) -> ActuationResult:
    """Open one actuation.

    Parameters
    ----------
    design : Design
    settings : Settings
        Seed, lots and accuracy are used.
    condition : Condition
    address : unit and actuation number as a yield result lists them; the nominal actuation when None: every
        value at its nominal for the condition, one attempt without losses
    points : where the units of that result come from, ``random`` or ``sobol``

    Raises
    ------
    InputError : a condition at which the laws do not hold, an address that does not exist, or lots with Sobol' sets
    """
    problems = [*condition_problems(design, condition), *_address_problems(address), *points_problems(points, settings)]
    if problems:
        raise InputError(*problems)
    response = Response(design, settings, points)
    nominal = response.respond_at({}, condition, opened=True)
    if address is None:
        return _result(response, condition, None, nominal, None)
    return _result(response, condition, address, response.replay(*address, condition), nominal)


def _address_problems(address: tuple[int, int] | None) -> Iterator[Problem]:
    for key, number, most in zip(("unit", "actuation"), address or (), (2**62, 2**30), strict=False):
        if not 0 <= number < most:
            yield Problem(None, key, str(number), "no such address", f"use 0 or more, below {most}")


def _result(
    response: Response,
    condition: Condition,
    address: tuple[int, int] | None,
    opened: Replayed,
    nominal: Replayed | None,
) -> ActuationResult:
    design, values, codes = response.design, opened.values, opened.codes
    harvester, messages = design.harvester, design.radio.messages
    message = int(codes[at.MESSAGE])
    kind = reserve_in_kind(Margins(design, opened.x, opened.record, message), values)
    ledger, error = ledger_of(design, opened.ledger)
    stroke = int(codes[at.START_STROKE])
    inside = response.kernel.source == at.PACKET  # the diodes are
    return ActuationResult(
        provenance=provenance(design, response.settings),
        temperature_degC=condition.temperature,
        age_yr=condition.age,
        address=address,
        source="" if harvester is None else harvester.kind,
        outcome=response.outcome_names[int(codes[at.OUTCOME])],
        delivered=bool(codes[at.DELIVERED]),
        message=messages[message].name if messages else None,
        partial=bool(codes[at.PARTIAL]),
        starts=int(codes[at.STARTS]),
        start_stroke=stroke + 1 if stroke >= 0 else None,
        start_margin_V=float(values[at.START_MARGIN]),
        run_margin_V=float(values[at.RUN_MARGIN]),
        voltage_margin_V=float(values[at.VOLTAGE_MARGIN]),
        reserve_V=float(values[at.RESERVE]),
        start_time_s=_known(values[at.START_TIME]),
        complete_time_s=_known(values[at.COMPLETE_TIME]),
        hold_up_s=float(values[at.HOLD_UP]),
        hold_up_capped=bool(codes[at.HOLD_UP_CAPPED]),
        run_time_s=_known(values[at.RUN_TIME]),
        left_V=float(opened.record[-1, at.REC_STORE]) if len(opened.record) else math.nan,
        peak_voltage_V=float(values[at.PEAK_VOLTAGE]),
        peak_current_A=None if inside else float(values[at.PEAK_CURRENT]),
        peak_reverse_V=None if inside else float(values[at.PEAK_REVERSE]),
        steps=tuple(steps_of(response, opened)),
        start_voltage_V=float(opened.x[at.START_VOLTAGE]),
        stop_voltage_V=float(opened.x[at.STOP_VOLTAGE]),
        reserve_charge_C=kind.charge,
        reserve_octets=kind.octets,
        reserve_listen_s=kind.listen,
        ledger=ledger,
        ledger_error=error,
        trace=_trace(opened.record),
        values=values_of(response, condition, address, opened.x),
        drawn=() if address is None else drawn_values(response, condition, address, opened),
        nominal_trace=None if nominal is None else _trace(nominal.record),
    )


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _trace(record: FloatArray) -> Trace:
    columns = (
        at.REC_TIME, at.REC_EMF, at.REC_COIL, at.REC_STORE, at.REC_INPUT, at.REC_OUTPUT, at.REC_DRAWN,
    )  # fmt: skip
    time, emf, coil, store, terminal, output, drawn = (record[:, k].copy() for k in columns)
    return Trace(time, emf, coil, store, terminal, output, drawn, record[:, at.REC_PHASE].astype(np.int64))


def steps_of(response: Response, opened: Replayed) -> Iterator[StepTrace]:
    """Yield the steps of a record in their order, neighbours of one name as one.

    What a step needs is worked out from the values of the last attempt made.
    """
    phase = opened.record[:, at.REC_PHASE].astype(np.int64)
    edges = np.flatnonzero(np.diff(phase)) + 1
    for rows in np.split(np.arange(len(phase)), edges):
        if rows.size == 0 or phase[rows[0]] < 0:
            continue
        code = int(phase[rows[0]])
        part = opened.record[rows]
        if code == at.CHANNEL_ACCESS:
            need = required_in_access(response.design, opened.x, part)
        else:
            need = required_input(response.design, opened.x, code)
        yield StepTrace(
            response.step_name(code),
            float(part[0, at.REC_TIME]),
            float(part[-1, at.REC_TIME]),
            float(part[:, at.REC_INPUT].min()),
            need,
        )
