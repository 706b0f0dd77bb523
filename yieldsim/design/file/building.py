"""From the tables of the file to the parts of a design: names are given, defaults filled in, files read."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

from yieldsim.design.file import sections
from yieldsim.design.file.fields import Flawed, Reading, flaw
from yieldsim.design.file.laws import COPPER, COPPER_REFERENCE, LEAKAGE_DOUBLES_PER
from yieldsim.design.parameter import AgeingLaw, Parameter, TemperatureLaw
from yieldsim.design.physical import PHYSICAL
from yieldsim.design.quantity import shown
from yieldsim.design.schema import (
    Acknowledgement,
    Backoff,
    Conditions,
    Correlation,
    Defaults,
    Derating,
    Frame,
    Harvester,
    Link,
    Radio,
    Rectifier,
    Regulator,
    Requirement,
    Site,
    Step,
    Storage,
    Stroke,
    Waveform,
)
from yieldsim.words.errors import InputError
from yieldsim.words.tables import read_columns

_COPPER = TemperatureLaw("linear", COPPER, COPPER_REFERENCE, source="annealed copper, IEC 60028")
_LEAKAGE = TemperatureLaw("doubling", doubles_per=LEAKAGE_DOUBLES_PER, source="rule of thumb for junction leakage")


def named(parameter: Parameter, name: str) -> Parameter:
    """Build the parameter with its name, and its laws' coefficients with theirs."""
    several = len(parameter.ageing) > 1
    ageing = []
    for i, law in enumerate(parameter.ageing, start=1):
        place = f"ageing_{i}" if several else "ageing"
        ageing.append(law if law.change is None else _aged(law, law.change, f"{name}.{place}.change"))
    return replace(parameter, name=name, ageing=tuple(ageing))


def _aged(law: AgeingLaw, change: Parameter, name: str) -> AgeingLaw:
    return replace(law, change=replace(change, name=name))


def _or_none(parameter: Parameter | None, name: str) -> Parameter | None:
    return None if parameter is None else named(parameter, name)


def _or_default(parameter: Parameter | None, name: str, value: float = 0.0) -> Parameter:
    if parameter is not None:
        return named(parameter, name)
    return Parameter(name, PHYSICAL[name.rpartition(".")[2]].dimension, value, defaulted=True)


def defaults(table: sections.DefaultsTable) -> Defaults:
    """Build the file's defaults."""
    return Defaults(table.shape, table.level)


def conditions(table: sections.ConditionsTable, sites: tuple[sections.SiteTable, ...]) -> Conditions:
    """Cells and mission; 25 degC alone where the file has no mission."""
    life = table.service_life if table.service_life is not None else max(table.ages)
    mission = _mission(table.mission) if table.mission else ((25.0, 1.0),)
    return Conditions(
        table.temperatures,
        table.ages,
        life,
        table.actuations_per_day,
        mission,
        table.mission is not None,
        tuple(Site(site.name, site.share, _mission(site.mission)) for site in sites),
    )


def _mission(rows: tuple[sections.MissionTable, ...]) -> tuple[tuple[float, float], ...]:
    return tuple((row.temperature, row.share) for row in rows)


def requirement(table: sections.RequirementTable) -> Requirement:
    """Build the requirement."""
    return Requirement(table.completion, table.unit_yield, table.applies_to, table.confidence)


def deratings(tables: tuple[sections.DeratingTable, ...]) -> tuple[Derating, ...]:
    """Derating rules."""
    return tuple(Derating(table.of, table.at_most, table.share) for table in tables)


def harvester(table: sections.ElectromagneticTable, reading: Reading) -> Harvester:
    """Build the source; its waveform is read from its file."""
    coil = named(table.coil_resistance, "harvester.coil_resistance")
    return Harvester(
        table.kind,
        _or_none(table.peak_emf, "harvester.peak_emf"),
        _or_none(table.transit_time, "harvester.transit_time"),
        _or_default(table.speed, "harvester.speed", 1.0),
        coil if coil.temperature is not None else replace(coil, temperature=_COPPER),
        _or_default(table.coil_inductance, "harvester.coil_inductance"),
        () if table.emf_waveform is not None else _strokes(table.strokes),
        None if table.emf_waveform is None else _waveform(table.emf_waveform, reading),
        _or_none(table.mechanical_energy, "harvester.mechanical_energy"),
    )


def _strokes(tables: tuple[sections.StrokeTable, ...] | None) -> tuple[Stroke, ...]:
    if tables is None:
        start, linkage = (
            _or_default(None, f"harvester.stroke_1.{key}", v) for key, v in (("start", 0.0), ("linkage", 1.0))
        )
        return (Stroke(start, linkage),)
    strokes = []
    for i, table in enumerate(tables, start=1):
        place = f"harvester.stroke_{i}"
        strokes.append(
            Stroke(
                named(table.start, f"{place}.start"),
                _or_default(table.linkage, f"{place}.linkage", 1.0),
                _or_none(table.transit_time, f"{place}.transit_time"),
                _or_none(table.speed, f"{place}.speed"),
            )
        )
    return tuple(strokes)


def _waveform(table: sections.WaveformTable, reading: Reading) -> Waveform:
    place = ("harvester", "emf_waveform")
    if reading.folder is None:
        remedy = "read the configuration from a file, or say which folder its files are in"
        reason = "a file is named, but the configuration has no folder"
        raise Flawed(flaw(*place, "file", value=table.file, reason=reason, remedy=remedy))
    try:
        columns = read_columns(
            table.file, [table.time, table.emf], base=reading.folder, key="harvester.emf_waveform.file"
        )
    except InputError as error:
        raise Flawed(
            *(flaw(*place, "file", value=table.file, reason=p.reason, remedy=p.remedy) for p in error.problems)
        ) from None
    time, emf = columns[table.time], columns[table.emf]
    fault = None
    if len(time) < 2:
        fault = "a waveform has two samples or more", "give the whole pulse"
    elif time[0] < 0.0:
        fault = f"its first time, {time[0]:g} s, lies before the release", "count the time from the release"
    elif any(after <= before for before, after in pairwise(time)):
        fault = f'the times in column "{table.time}" do not rise', "sort the rows by time, each time once"
    elif not any(emf):
        fault = f'the emf in column "{table.emf}" is 0 throughout', "give the open-circuit emf in V"
    if fault is not None:
        raise Flawed(flaw(*place, "file", value=table.file, reason=fault[0], remedy=fault[1]))
    return Waveform(tuple(time), tuple(emf), _or_default(table.scale, "harvester.emf_waveform.scale", 1.0), table.file)


def rectifier(table: sections.RectifierTable) -> Rectifier:
    """Build the diodes."""
    leakage = _or_default(table.reverse_leakage, "rectifier.reverse_leakage")
    if leakage.temperature is None and leakage.nominal > 0.0:
        leakage = replace(leakage, temperature=_LEAKAGE)
    drop = named(table.forward_drop, "rectifier.forward_drop")
    return Rectifier(table.kind, drop, leakage, table.current_rating, table.reverse_rating)


def storage(table: sections.StorageTable) -> Storage:
    """Build the store."""
    return Storage(
        named(table.capacitance, "storage.capacitance"),
        _or_default(table.esr, "storage.esr"),
        _or_none(table.insulation, "storage.insulation"),
        _or_default(table.initial_voltage, "storage.initial_voltage"),
        _or_none(table.clamp_voltage, "storage.clamp_voltage"),
        table.voltage_rating,
        table.since_soldering,
    )


def regulator(table: sections.DirectTable) -> Regulator:
    """Build the regulator; what its kind does not have is None."""
    output = getattr(table, "output", None)
    efficiency = getattr(table, "efficiency", None)
    linear = isinstance(table, sections.LinearTable)
    return Regulator(
        table.kind,
        _or_none(output, "regulator.output"),
        _or_default(table.quiescent, "regulator.quiescent"),
        _or_default(table.off_current, "regulator.off_current"),
        _or_default(getattr(table, "ground_share", None), "regulator.ground_share") if linear else None,
        named(table.start_voltage, "regulator.start_voltage"),
        _or_default(table.stop_voltage, "regulator.stop_voltage"),
        _or_default(table.start_delay, "regulator.start_delay"),
        _or_default(table.output_capacitance, "regulator.output_capacitance"),
        _or_none(getattr(table, "dropout", None), "regulator.dropout"),
        _or_none(efficiency, "regulator.efficiency"),
        table.voltage_rating,
    )


def radio(table: sections.RadioTable) -> Radio:
    """Build the load sequence; a step without its `when` gets it from its place."""
    kinds = [_kind(step) for step in table.sequence]
    first = kinds.index("frame") if "frame" in kinds else len(kinds)
    last = kinds.index("listen") if "listen" in kinds else _last(kinds)
    steps = []
    for i, (step, kind) in enumerate(zip(table.sequence, kinds, strict=True)):
        place = "once" if i < first else "each attempt" if i <= last else "after acknowledgement"
        steps.append(_step(step, kind, step.when or place))
    minimum = named(table.minimum_supply, "radio.minimum_supply")
    return Radio(minimum, table.maximum_supply, tuple(steps))


def _last(kinds: list[str]) -> int:
    """Position of the last frame; without one, all steps stand before the first frame."""
    return max((i for i, kind in enumerate(kinds) if kind == "frame"), default=len(kinds))


def _kind(step: sections.StepTable) -> str:
    return "frame" if step.frame is not None else "listen" if step.acknowledgement is not None else "fixed"


def _step(table: sections.StepTable, kind: str, when: str) -> Step:
    place = f"radio.{table.step}"
    frame, wait = table.frame, table.acknowledgement
    return Step(
        table.step,
        when,
        kind,
        _or_none(table.duration, f"{place}.duration"),
        None if frame is None else Frame(frame.octets, frame.bit_rate, frame.overhead_octets),
        None
        if wait is None
        else Acknowledgement(
            named(wait.earliest, f"{place}.earliest"),
            _or_default(wait.spread, f"{place}.spread"),
            named(wait.timeout, f"{place}.timeout"),
        ),
        named(table.current, f"{place}.current"),
        _or_none(table.minimum_supply, f"{place}.minimum_supply"),
        table.required or when != "after acknowledgement",
    )


def link(table: sections.LinkTable) -> Link:
    """Build attempts, losses and channel access; one attempt without losses by default."""
    return Link(
        table.attempts,
        _or_default(table.frame_loss, "link.frame_loss"),
        _or_default(table.acknowledgement_loss, "link.acknowledgement_loss"),
        _or_none(table.signal_to_noise, "link.signal_to_noise"),
        None if table.backoff is None else _backoff(table.backoff),
    )


def _backoff(table: sections.BackoffTable) -> Backoff:
    keys = (
        "unit",
        "busy",
        "idle_current",
        "assess_time",
        "assess_current",
        "turnaround",
        "turnaround_current",
    )
    parameters: dict[str, Any] = {key: named(getattr(table, key), f"link.backoff.{key}") for key in keys}
    return Backoff(
        **parameters,
        minimum_exponent=table.minimum_exponent,
        maximum_exponent=table.maximum_exponent,
        maximum_backoffs=table.maximum_backoffs,
    )


def correlations(
    tables: tuple[sections.CorrelationTable, ...], parameters: dict[str, Parameter]
) -> tuple[Correlation, ...]:
    """Correlations; the level is the one that all have in common, where there is exactly one."""
    made, flaws = [], []
    for i, table in enumerate(tables):
        if len(table.between) < 2 or len(set(table.between)) < len(table.between):
            reason = "two or more different parameters are due here"
            remedy = 'write between = ["regulator.dropout", "regulator.quiescent"]'
            flaws.append(flaw("correlation", i, "between", value=table.between, reason=reason, remedy=remedy))
            continue
        levels = [set(parameters[name].levels) for name in table.between if name in parameters]
        common = set.intersection(*levels) if levels else set()
        if table.level is None and len(common) > 1:
            listed = " and ".join(shown(level) for level in sorted(common))
            reason = f"the parameters spread together at more than one level: {listed}"
            remedy = f'say which: level = "{sorted(common)[-1]}"'
            flaws.append(flaw("correlation", i, "level", reason=reason, remedy=remedy))
            continue
        level = table.level or (next(iter(common)) if common else "unit")
        made.append(Correlation(tuple(table.between), table.rank, level))
    if flaws:
        raise Flawed(*flaws)
    return tuple(made)
