"""From the tables of the file to the parts of a design: names are given, defaults filled in, files read."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from yieldsim.design.file import sections
from yieldsim.design.file.fields import Flawed, flaw
from yieldsim.design.file.laws import LEAKAGE_DOUBLES_PER
from yieldsim.design.file.naming import named, or_default, or_none
from yieldsim.design.parameter import Parameter, TemperatureLaw
from yieldsim.design.quantity import shown
from yieldsim.design.schema import (
    Acknowledgement,
    Backoff,
    Capacitor,
    Conditions,
    Correlation,
    Defaults,
    Derating,
    Frame,
    Link,
    Message,
    Radio,
    Rectifier,
    Regulator,
    Requirement,
    Residual,
    Site,
    Step,
    Storage,
)

_LEAKAGE = TemperatureLaw("doubling", doubles_per=LEAKAGE_DOUBLES_PER, source="rule of thumb for junction leakage")


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


def rectifier(table: sections.RectifierTable) -> Rectifier:
    """Build the diodes."""
    leakage = or_default(table.reverse_leakage, "rectifier.reverse_leakage")
    if leakage.temperature is None and leakage.nominal > 0.0:
        leakage = replace(leakage, temperature=_LEAKAGE)
    drop = or_default(table.forward_drop, "rectifier.forward_drop")
    return Rectifier(table.kind, drop, leakage, table.current_rating, table.reverse_rating)


def storage(table: sections.StorageTable) -> Storage:
    """Build the store; what a bank has in its capacitors is None in the store itself, but for the lowest rating."""
    bank = tuple(_capacitor(part) for part in table.capacitor)
    ratings = [part.voltage_rating for part in bank if part.voltage_rating is not None]
    return Storage(
        or_none(table.capacitance, "storage.capacitance"),
        None if bank else or_default(table.esr, "storage.esr"),
        or_none(table.insulation, "storage.insulation"),
        or_default(table.initial_voltage, "storage.initial_voltage") if table.residual is None else None,
        or_none(table.clamp_voltage, "storage.clamp_voltage"),
        bank,
        None if table.residual is None else _residual(table.residual),
        min(ratings, default=table.voltage_rating),
        table.since_soldering,
    )


def _capacitor(table: sections.CapacitorTable) -> Capacitor:
    place = f"storage.{table.name}"
    return Capacitor(
        table.name,
        named(table.capacitance, f"{place}.capacitance"),
        or_default(table.esr, f"{place}.esr"),
        or_none(table.insulation, f"{place}.insulation"),
        table.voltage_rating,
    )


def _residual(table: sections.ResidualTable) -> Residual:
    place = "storage.residual"
    return Residual(named(table.voltage, f"{place}.voltage"), named(table.time_since, f"{place}.time_since"))


def regulator(table: sections.DirectTable) -> Regulator:
    """Build the regulator; what its kind does not have is None."""
    output = getattr(table, "output", None)
    efficiency = getattr(table, "efficiency", None)
    linear = isinstance(table, sections.LinearTable)
    return Regulator(
        table.kind,
        or_none(output, "regulator.output"),
        or_default(table.quiescent, "regulator.quiescent"),
        or_default(table.off_current, "regulator.off_current"),
        or_default(getattr(table, "ground_share", None), "regulator.ground_share") if linear else None,
        named(table.start_voltage, "regulator.start_voltage"),
        or_default(table.stop_voltage, "regulator.stop_voltage"),
        or_default(table.start_delay, "regulator.start_delay"),
        or_default(table.output_capacitance, "regulator.output_capacitance"),
        or_none(getattr(table, "dropout", None), "regulator.dropout"),
        or_none(efficiency, "regulator.efficiency"),
        table.voltage_rating,
        table.restart,
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
    messages = tuple(Message(row.name, row.share, row.octets, row.retry_octets) for row in table.message)
    return Radio(minimum, table.maximum_supply, tuple(steps), messages)


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
        or_none(table.duration, f"{place}.duration"),
        None if frame is None else Frame(frame.octets, frame.bit_rate, frame.overhead_octets, frame.retry_octets),
        None
        if wait is None
        else Acknowledgement(
            named(wait.earliest, f"{place}.earliest"),
            or_default(wait.spread, f"{place}.spread"),
            named(wait.timeout, f"{place}.timeout"),
        ),
        named(table.current, f"{place}.current"),
        or_none(table.minimum_supply, f"{place}.minimum_supply"),
        table.required or when != "after acknowledgement",
        table.message,
    )


def link(table: sections.LinkTable) -> Link:
    """Build attempts, losses and channel access; one attempt without losses by default."""
    return Link(
        table.attempts,
        or_default(table.frame_loss, "link.frame_loss"),
        or_default(table.acknowledgement_loss, "link.acknowledgement_loss"),
        or_none(table.signal_to_noise, "link.signal_to_noise"),
        None if table.backoff is None else _backoff(table.backoff),
        or_none(table.retry_above, "link.retry_above"),
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
