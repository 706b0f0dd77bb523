"""From the tables of the sources to the parts of a design."""

from __future__ import annotations

from dataclasses import replace

from yieldsim.design.file import sources
from yieldsim.design.file.fields import Reading
from yieldsim.design.file.laws import COPPER, COPPER_REFERENCE
from yieldsim.design.file.naming import named, or_default, or_none
from yieldsim.design.file.waveforms import read_waveform
from yieldsim.design.parameter import TemperatureLaw
from yieldsim.design.schema import Harvester, Partial, Precharge, Stroke, Waveform

_COPPER = TemperatureLaw("linear", COPPER, COPPER_REFERENCE, source="annealed copper, IEC 60028")


def harvester(
    table: sources.ElectromagneticTable | sources.PiezoelectricTable | sources.EnergyPacketTable, reading: Reading
) -> Harvester:
    """Build the source; its waveform is read from its file. What its kind does not have is None."""
    partial = None if table.partial is None else _partial(table.partial)
    if isinstance(table, sources.EnergyPacketTable):
        return Harvester(
            table.kind,
            energy=named(table.energy, "harvester.energy"),
            efficiency=named(table.efficiency, "harvester.efficiency"),
            delivery_time=named(table.delivery_time, "harvester.delivery_time"),
            partial=partial,
        )
    if isinstance(table, sources.PiezoelectricTable):
        return Harvester(
            table.kind,
            transit_time=or_none(table.transit_time, "harvester.transit_time"),
            speed=or_default(table.speed, "harvester.speed", 1.0),
            strokes=_strokes(table.strokes),
            open_circuit_swing=named(table.open_circuit_swing, "harvester.open_circuit_swing"),
            source_capacitance=named(table.source_capacitance, "harvester.source_capacitance"),
            loss_resistance=or_none(table.loss_resistance, "harvester.loss_resistance"),
            partial=partial,
        )
    coil = named(table.coil_resistance, "harvester.coil_resistance")
    return Harvester(
        table.kind,
        or_none(table.peak_emf, "harvester.peak_emf"),
        or_none(table.transit_time, "harvester.transit_time"),
        or_default(table.speed, "harvester.speed", 1.0),
        coil if coil.temperature is not None else replace(coil, temperature=_COPPER),
        or_default(table.coil_inductance, "harvester.coil_inductance"),
        () if table.emf_waveform is not None else _strokes(table.strokes),
        None if table.emf_waveform is None else _waveform(table.emf_waveform, reading),
        or_none(table.mechanical_energy, "harvester.mechanical_energy"),
        partial=partial,
    )


def _partial(table: sources.PartialTable) -> Partial:
    place = "harvester.partial"
    return Partial(named(table.share, f"{place}.share"), named(table.travel, f"{place}.travel"))


def precharge(table: sources.PrechargeTable) -> Precharge:
    """Build the source that charges beforehand."""
    return Precharge(
        named(table.current, "precharge.current"),
        named(table.voltage_limit, "precharge.voltage_limit"),
        named(table.charge_time, "precharge.charge_time"),
    )


def _strokes(tables: tuple[sources.StrokeTable, ...] | None) -> tuple[Stroke, ...]:
    if tables is None:
        start, linkage = (
            or_default(None, f"harvester.stroke_1.{key}", v) for key, v in (("start", 0.0), ("linkage", 1.0))
        )
        return (Stroke(start, linkage),)
    strokes = []
    for i, table in enumerate(tables, start=1):
        place = f"harvester.stroke_{i}"
        strokes.append(
            Stroke(
                or_none(table.start, f"{place}.start"),
                or_default(table.linkage, f"{place}.linkage", 1.0),
                or_none(table.transit_time, f"{place}.transit_time"),
                or_none(table.speed, f"{place}.speed"),
                or_none(table.dwell, f"{place}.dwell"),
            )
        )
    return tuple(strokes)


def _waveform(table: sources.WaveformTable, reading: Reading) -> Waveform:
    time, emf = read_waveform(table, reading)
    return Waveform(time, emf, or_default(table.scale, "harvester.emf_waveform.scale", 1.0), table.file)
