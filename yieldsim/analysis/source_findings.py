"""Sanity of a source and of what stands in the store before: whether it reaches the start, worked out by hand."""

from __future__ import annotations

from collections.abc import Iterator

from yieldsim.analysis.finding import LOOK, OK, WARNING, Finding, volts
from yieldsim.analysis.nominal_store import charge_at, energy_at, voltage_with
from yieldsim.design.quantity import format_quantity
from yieldsim.design.schema import Design


def source_findings(design: Design) -> Iterator[Finding]:
    """Yield what the nominal source gives beside what the nominal store takes to the start voltage."""
    yield from _precharge(design)
    if design.harvester is None:
        return
    if design.harvester.kind == "piezoelectric":
        yield _piezo(design)
    elif design.harvester.kind == "energy packet":
        yield _packet(design)


def before_the_release(design: Design) -> float:
    """Voltage [V] of the nominal store at the release: what was there, and what a precharge adds.

    Insulation and reverse leakage are left aside, so it is the most that is there.
    """
    storage, precharge = design.storage, design.precharge
    start = storage.before.nominal
    idle = design.regulator.off_current.nominal
    held = charge_at(design, start)
    if storage.residual is not None:
        held = max(held - idle * storage.residual.time_since.nominal, 0.0)
    if precharge is None:
        return voltage_with(charge_at, design, held)
    gained = (precharge.current.nominal - idle) * precharge.charge_time.nominal
    reached = voltage_with(charge_at, design, max(held + gained, 0.0))
    limit = precharge.voltage_limit.nominal
    if design.storage.clamp_voltage is not None:
        limit = min(limit, design.storage.clamp_voltage.nominal)
    return min(reached, max(limit, voltage_with(charge_at, design, held)))


def _precharge(design: Design) -> Iterator[Finding]:
    if design.precharge is None:
        return
    there, start = before_the_release(design), design.regulator.start_voltage.nominal
    net = design.precharge.current.nominal - design.regulator.off_current.nominal
    text = f"precharge: it takes the nominal store to {volts(there)} at most"
    if net <= 0.0:
        idle = format_quantity(design.regulator.off_current.nominal, "A")
        yield Finding(WARNING, f"precharge.current: regulator.off_current, {idle}, takes all of it.")
    elif there >= start:
        yield Finding(OK, f"{text}, and the regulator starts at {volts(start)}.")
    elif design.harvester is None:
        yield Finding(WARNING, f"{text}, below the start at {volts(start)}, and there is no other source.")
    else:
        yield Finding(OK, f"{text}; the source must add the rest to the start at {volts(start)}.")


def _piezo(design: Design) -> Finding:
    """Share the charge of every stroke with the store, without load and losses."""
    top, start = piezo_top(design), design.regulator.start_voltage.nominal
    harvester = design.harvester
    swing = harvester.open_circuit_swing.nominal if harvester and harvester.open_circuit_swing else 0.0
    drop = _drops(design)
    told = f"harvester.open_circuit_swing: {volts(swing)}"
    need = start + drop
    if swing < need:
        return Finding(WARNING, f"{told} is below the start at {volts(start)} and {volts(drop)} of diodes.")
    text = f"{told}; sharing its charge, the strokes take the nominal store to {volts(top)} without load or losses"
    if top < start:
        return Finding(WARNING, f"{text}, below the start at {volts(start)}.")
    kind = OK if top >= 1.2 * start else LOOK
    return Finding(kind, f"{text}; the regulator starts at {volts(start)}.")


def _drops(design: Design) -> float:
    junctions = 2 if design.rectifier.kind == "full bridge" else 1
    points = design.rectifier.forward_drop.points
    return junctions * (points[0][1] if points else design.rectifier.forward_drop.nominal)


def piezo_top(design: Design) -> float:
    """Return the voltage [V] of the nominal store after all strokes: charge sharing behind ideal diodes with a drop.

    The element stands at v; a stroke takes it to v + s; what exceeds V + drop flows into the store.
    """
    harvester = design.harvester
    if harvester is None or harvester.open_circuit_swing is None or harvester.source_capacitance is None:
        return 0.0
    own, swing, drop = harvester.source_capacitance.nominal, harvester.open_circuit_swing.nominal, _drops(design)
    rectified = design.rectifier.kind == "full bridge"
    held = charge_at(design, before_the_release(design))
    across = 0.0
    for stroke in harvester.strokes:
        across += swing * stroke.linkage.nominal
        store = voltage_with(charge_at, design, held)
        if abs(across) <= store + drop or (across < 0.0 and not rectified):
            continue
        low, high = store, abs(across) - drop
        for _ in range(60):  # where the charge that has left the element is the charge that the store has taken
            middle = 0.5 * (low + high)
            given = own * (abs(across) - drop - middle)
            low, high = (middle, high) if charge_at(design, middle) - held < given else (low, middle)
        held = charge_at(design, low)
        across = (low + drop) if across > 0.0 else -(low + drop)
    return voltage_with(charge_at, design, held)


def _packet(design: Design) -> Finding:
    harvester, start = design.harvester, design.regulator.start_voltage.nominal
    given = 0.0
    if harvester is not None and harvester.energy is not None and harvester.efficiency is not None:
        given = harvester.energy.nominal * harvester.efficiency.nominal
    there = energy_at(design, before_the_release(design))
    needed = energy_at(design, start)
    top = voltage_with(energy_at, design, there + given)
    text = (
        f"harvester.energy: {format_quantity(given, 'J', 3)} reach the store, which takes "
        f"{format_quantity(max(needed - there, 0.0), 'J', 3)} to the start at {volts(start)} and would stand at "
        f"{volts(top)} without load"
    )
    if there + given < needed:
        return Finding(WARNING, f"{text}; the regulator never starts.")
    return Finding(OK if there + given >= 1.2 * needed else LOOK, f"{text}.")
