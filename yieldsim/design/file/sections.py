"""The sections of the file, one model a table; :mod:`yieldsim.design.physical` says what a key measures."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar

from pydantic import ConfigDict, Field, model_validator

from yieldsim.design.file.alternates import EXAMPLE, AlternateTable
from yieldsim.design.file.fields import (
    Flaw,
    Flawed,
    Table,
    by_kind,
    each,
    flaw,
    list_of,
    number,
    of_another_kind,
    one_of,
    quantity,
    whole,
)
from yieldsim.design.file.parameters import physical
from yieldsim.design.file.read_by import ReadBy
from yieldsim.design.file.sources import HARVESTERS, PrechargeTable
from yieldsim.design.parameter import LEVELS, Parameter
from yieldsim.design.quantity import shown
from yieldsim.words.spelling import closest

_ABSOLUTE_ZERO = -273.15  # [degC]
_MISSION = '[{ temperature = "25 degC", share = "100 %" }]'
_RATINGS = ("store.voltage", "regulator.voltage", "radio.voltage", "rectifier.current", "rectifier.reverse")


class DefaultsTable(Table):
    """What a bare ``±5 %`` means."""

    shape: Annotated[str, one_of("uniform", "truncated normal", "triangular")] = "uniform"
    level: Annotated[str, one_of(*LEVELS)] = "unit"


class MissionTable(Table):
    """A share of the actuations, and of the years, spent at one temperature."""

    temperature: Annotated[float, quantity("degC", above=_ABSOLUTE_ZERO), Field(examples=["25 degC"])]
    share: Annotated[float, quantity("share"), Field(examples=["100 %"])]


class SiteTable(Table):
    """A share of the units with a mission of its own."""

    name: str
    share: Annotated[float, quantity("share"), Field(examples=["30 %"])]
    mission: Annotated[tuple[MissionTable, ...], list_of(MissionTable, _MISSION)]


def _list(dimension: str, unit: str | None, above: float | None, at_least: float | None, example: str) -> Any:
    """Accept a list of plain quantities, all different."""
    read_one = quantity(dimension, unit=unit, above=above, at_least=at_least).read

    def read(value: Any) -> tuple[float, ...]:
        if not isinstance(value, list) or not value:
            raise Flawed(
                flaw(value=value, reason="a list with one entry or more is due here", remedy=f"write {example}")
            )
        numbers = each(value, read_one)
        for i, entry in enumerate(numbers):
            if entry in numbers[:i]:
                raise Flawed(flaw(i, value=value[i], reason="given twice", remedy="leave one of them out"))
        return tuple(numbers)

    return ReadBy(read, list[str])


class ConditionsTable(Table):
    """Temperatures x ages are the cells of every analysis."""

    temperatures: Annotated[
        tuple[float, ...],
        _list("degC", None, _ABSOLUTE_ZERO, None, '["-20 degC", "25 degC"]'),
        Field(examples=[["-20 degC", "25 degC"]]),
    ]
    ages: Annotated[
        tuple[float, ...],
        _list("s", "yr", None, 0.0, '["0 yr", "10 yr"]'),
        Field(examples=[["0 yr", "10 yr"]]),
    ]
    service_life: Annotated[float | None, quantity("s", unit="yr", above=0.0), Field(examples=["10 yr"])] = None
    actuations_per_day: Annotated[float | None, number(above=0.0), Field(examples=[30])] = None
    mission: Annotated[tuple[MissionTable, ...] | None, list_of(MissionTable, _MISSION)] = None


class RequirementTable(Table):
    """What the design must reach."""

    completion: Annotated[float | None, quantity("share", above=0.0), Field(examples=["99.9 %"])] = None
    unit_yield: Annotated[float | None, quantity("share", above=0.0), Field(examples=["99.5 %"])] = None
    applies_to: Annotated[str, one_of("every condition", "over the mission")] = "every condition"
    confidence: Annotated[float, quantity("share", at_least=0.5, at_most=0.999999)] = 0.95

    @model_validator(mode="after")
    def _complete(self) -> RequirementTable:
        if self.unit_yield is not None and self.completion is None:
            reason = "a unit yield without the completion that a unit must reach"
            raise Flawed(flaw("completion", reason=reason, remedy='add it, for example completion = "99.9 %"'))
        return self


class DeratingTable(Table):
    """A stress that must stay at or below a part of its rating."""

    of: Annotated[str, one_of(*_RATINGS), Field(examples=["store.voltage"])]
    at_most: Annotated[float, quantity("share", above=0.0), Field(examples=["70 %"])]
    share: Annotated[float, quantity("share", above=0.0), Field(alias="in", examples=["99.9 %"])]


class RectifierTable(Table):
    """The diodes between coil and store."""

    kind: Annotated[str, one_of("full bridge", "single diode"), Field(examples=["full bridge"])]
    forward_drop: Annotated[Parameter | None, physical("forward_drop"), Field(examples=["0.35 V"])] = None
    reverse_leakage: Annotated[Parameter | None, physical("reverse_leakage")] = None
    current_rating: Annotated[float | None, quantity("A", above=0.0), Field(examples=["1 A"])] = None
    reverse_rating: Annotated[float | None, quantity("V", above=0.0), Field(examples=["30 V"])] = None


class CapacitorTable(Table):
    """One capacitor of a bank."""

    name: Annotated[str, Field(examples=["ceramic"])]
    capacitance: Annotated[Parameter, physical("capacitance"), Field(examples=["47 uF"])]
    esr: Annotated[Parameter | None, physical("esr")] = None
    insulation: Annotated[Parameter | None, physical("insulation")] = None
    voltage_rating: Annotated[float | None, quantity("V", above=0.0), Field(examples=["16 V"])] = None


class ResidualTable(Table):
    """What the actuation before left in the store, and how long ago that was."""

    voltage: Annotated[Parameter, physical("voltage"), Field(examples=["1.9 V"])]
    time_since: Annotated[Parameter, physical("time_since"), Field(examples=["2 s"])]


class StorageTable(Table):
    """The storage capacitor, or a bank of them."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["capacitance"]}, {"required": ["capacitor"]}]})

    capacitance: Annotated[Parameter | None, physical("capacitance"), Field(examples=["47 uF"])] = None
    esr: Annotated[Parameter | None, physical("esr")] = None
    insulation: Annotated[Parameter | None, physical("insulation")] = None
    initial_voltage: Annotated[Parameter | None, physical("initial_voltage")] = None
    clamp_voltage: Annotated[Parameter | None, physical("clamp_voltage")] = None
    capacitor: Annotated[
        tuple[CapacitorTable, ...], list_of(CapacitorTable, '[{ name = "ceramic", capacitance = "47 uF" }]')
    ] = ()
    residual: ResidualTable | None = None
    voltage_rating: Annotated[float | None, quantity("V", above=0.0), Field(examples=["16 V"])] = None
    since_soldering: Annotated[float, quantity("s", unit="h", at_least=0.0), Field(examples=["1000 h"])] = 1000.0

    @model_validator(mode="after")
    def _one_store(self) -> StorageTable:
        flaws: list[Flaw] = []
        if self.capacitor:
            for key in ("capacitance", "esr", "insulation", "voltage_rating"):
                if getattr(self, key) is not None:
                    remedy = f"leave it out, or the bank: {key} belongs into each [[storage.capacitor]]"
                    flaws.append(flaw(key, reason="the capacitors of a bank have their own", remedy=remedy))
        elif self.capacitance is None:
            flaws.append(flaw("capacitance", reason="missing", remedy='add it, for example capacitance = "47 uF"'))
        if self.residual is not None and self.initial_voltage is not None:
            reason = "the residual says what is in the store"
            flaws.append(flaw("initial_voltage", reason=reason, remedy="leave out initial_voltage, or residual"))
        if flaws:
            raise Flawed(*flaws)
        return self


class DirectTable(Table):
    """No regulator: a switch that connects the radio to the store."""

    kind: Annotated[str, one_of("direct")]
    quiescent: Annotated[Parameter | None, physical("quiescent")] = None
    off_current: Annotated[Parameter | None, physical("off_current")] = None
    start_voltage: Annotated[Parameter, physical("start_voltage"), Field(examples=["2.6 V"])]
    stop_voltage: Annotated[Parameter | None, physical("stop_voltage")] = None
    start_delay: Annotated[Parameter | None, physical("start_delay")] = None
    output_capacitance: Annotated[Parameter | None, physical("output_capacitance")] = None
    voltage_rating: Annotated[float | None, quantity("V", above=0.0), Field(examples=["16 V"])] = None
    restart: bool = False

    @classmethod
    def stranger(cls, key: str) -> str:
        """Return the remedy for an unknown key, which may belong to another kind of regulator."""
        return of_another_kind(key, REGULATORS) or super().stranger(key)


class _RegulatedTable(DirectTable):
    output: Annotated[Parameter, physical("output"), Field(examples=["2.5 V"])]
    dropout: Annotated[Parameter | None, physical("dropout")] = None


class LinearTable(_RegulatedTable):
    """A linear regulator."""

    kind: Annotated[str, one_of("linear")]
    ground_share: Annotated[Parameter | None, physical("ground_share")] = None


class BuckTable(_RegulatedTable):
    """A step-down converter."""

    kind: Annotated[str, one_of("buck")]
    efficiency: Annotated[Parameter, physical("efficiency"), Field(examples=["88 %"])]


REGULATORS: dict[str, type[Table]] = {"linear": LinearTable, "buck": BuckTable, "direct": DirectTable}


_OctetsField = Annotated[int | None, whole(at_least=1, at_most=65_535), Field(examples=[15])]


class FrameTable(Table):
    """One transmission."""

    octets: Annotated[int, whole(at_least=1, at_most=65_535), Field(examples=[31])]
    retry_octets: _OctetsField = None
    bit_rate: Annotated[float, quantity("bit/s", above=0.0), Field(examples=["250 kbit/s"])]
    overhead_octets: Annotated[int, whole(at_least=0, at_most=65_535), Field(examples=[6])]


class AcknowledgementTable(Table):
    """When the acknowledgement comes."""

    earliest: Annotated[Parameter, physical("earliest"), Field(examples=["0.544 ms"])]
    spread: Annotated[Parameter | None, physical("spread")] = None
    timeout: Annotated[Parameter, physical("timeout"), Field(examples=["0.864 ms"])]


def _names_field() -> ReadBy:
    """Accept one name, or a list of different names."""

    def read(value: Any) -> tuple[str, ...]:
        names = [value] if isinstance(value, str) else value
        if not isinstance(names, list) or not names or not all(isinstance(name, str) for name in names):
            remedy = 'write message = "event", or message = ["event", "alarm"]'
            raise Flawed(
                flaw(value=value, reason="the name of a message, or a list of names, is due here", remedy=remedy)
            )
        for i, name in enumerate(names):
            if name in names[:i]:
                raise Flawed(flaw(value=value, reason=f"{shown(name)} given twice", remedy="leave one of them out"))
        return tuple(names)

    return ReadBy(read, str | list[str])


class StepTable(Table):
    """One step of the load sequence."""

    step: Annotated[str, Field(examples=["boot"])]
    when: Annotated[str | None, one_of("once", "each attempt", "after acknowledgement")] = None
    duration: Annotated[Parameter | None, physical("duration")] = None
    frame: FrameTable | None = None
    acknowledgement: AcknowledgementTable | None = None
    current: Annotated[Parameter, physical("current"), Field(examples=["9 mA"])]
    minimum_supply: Annotated[Parameter | None, physical("minimum_supply")] = None
    required: bool = False
    message: Annotated[tuple[str, ...], _names_field(), Field(examples=["event", ["event", "alarm"]])] = ()

    @model_validator(mode="after")
    def _one_kind(self) -> StepTable:
        given = [key for key in ("duration", "frame", "acknowledgement") if getattr(self, key) is not None]
        if len(given) != 1:
            state = "none of them is given" if not given else f"{' and '.join(given)} are given"
            reason = f"a step has exactly one of duration, frame and acknowledgement; {state}"
            remedy = 'add one, for example duration = "3.8 ms"' if not given else "keep one of them"
            raise Flawed(flaw(reason=reason, remedy=remedy))
        return self


class MessageTable(Table):
    """One kind of message and its share of the actuations."""

    name: Annotated[str, Field(examples=["event"])]
    share: Annotated[float, quantity("share", above=0.0), Field(examples=["90 %"])]
    octets: _OctetsField = None
    retry_octets: _OctetsField = None


class RadioTable(Table):
    """The load."""

    minimum_supply: Annotated[Parameter, physical("minimum_supply"), Field(examples=["1.9 V"])]
    maximum_supply: Annotated[float | None, quantity("V", above=0.0), Field(examples=["3.6 V"])] = None
    sequence: Annotated[
        tuple[StepTable, ...],
        list_of(StepTable, '[{ step = "boot", duration = "3.8 ms", current = "3.4 mA" }]'),
    ]
    message: Annotated[tuple[MessageTable, ...], list_of(MessageTable, '[{ name = "event", share = "90 %" }]')] = ()


class BackoffTable(Table):
    """Channel access by listening before talking."""

    unit: Annotated[Parameter, physical("unit"), Field(examples=["320 us"])]
    minimum_exponent: Annotated[int, whole(at_least=0, at_most=16), Field(examples=[3])]
    maximum_exponent: Annotated[int, whole(at_least=0, at_most=16), Field(examples=[5])]
    maximum_backoffs: Annotated[int, whole(at_least=0, at_most=16), Field(examples=[4])]
    busy: Annotated[Parameter, physical("busy"), Field(examples=["5 %"])]
    idle_current: Annotated[Parameter, physical("idle_current"), Field(examples=["1.1 mA"])]
    assess_time: Annotated[Parameter, physical("assess_time"), Field(examples=["128 us"])]
    assess_current: Annotated[Parameter, physical("assess_current"), Field(examples=["8.2 mA"])]
    turnaround: Annotated[Parameter, physical("turnaround"), Field(examples=["192 us"])]
    turnaround_current: Annotated[Parameter, physical("turnaround_current"), Field(examples=["8.2 mA"])]

    @model_validator(mode="after")
    def _ordered(self) -> BackoffTable:
        if self.minimum_exponent > self.maximum_exponent:
            reason = f"below the minimum exponent {self.minimum_exponent}"
            remedy = "write at least the minimum exponent"
            raise Flawed(flaw("maximum_exponent", value=self.maximum_exponent, reason=reason, remedy=remedy))
        return self


class LinkTable(Table):
    """What happens between the radio and its peer."""

    attempts: Annotated[int, whole(at_least=1, at_most=100)] = 1
    frame_loss: Annotated[Parameter | None, physical("frame_loss")] = None
    acknowledgement_loss: Annotated[Parameter | None, physical("acknowledgement_loss")] = None
    signal_to_noise: Annotated[Parameter | None, physical("signal_to_noise")] = None
    backoff: BackoffTable | None = None
    retry_above: Annotated[Parameter | None, physical("retry_above"), Field(examples=["2.4 V"])] = None

    @model_validator(mode="after")
    def _one_source_of_losses(self) -> LinkTable:
        if self.signal_to_noise is not None:
            twice = [k for k in ("frame_loss", "acknowledgement_loss") if getattr(self, k) is not None]
            if twice:
                reason = "losses follow from signal_to_noise"
                raise Flawed(*(flaw(k, reason=reason, remedy=f"leave out {k}, or signal_to_noise") for k in twice))
        return self


class CorrelationTable(Table):
    """Rank correlation of parameters."""

    between: Annotated[list[str], Field(examples=[["regulator.dropout", "regulator.quiescent"]])]
    rank: Annotated[float, number(at_least=-1.0, at_most=1.0), Field(examples=[0.4])]
    level: Annotated[str | None, one_of(*LEVELS)] = None


class DesignFile(Table):
    """A design of a batteryless wireless node and the conditions it works under."""

    is_file: ClassVar[bool] = True

    title: Annotated[str, Field(examples=["Valve-turn reporter"])] = ""
    defaults: DefaultsTable = DefaultsTable()
    conditions: ConditionsTable
    site: Annotated[
        tuple[SiteTable, ...],
        list_of(SiteTable, f'[{{ name = "north", share = "30 %", mission = {_MISSION} }}]'),
    ] = ()
    requirement: RequirementTable | None = None
    derating: Annotated[
        tuple[DeratingTable, ...],
        list_of(DeratingTable, '[{ of = "store.voltage", at_most = "80 %", in = "99.9 %" }]'),
    ] = ()
    harvester: Annotated[Any, by_kind(HARVESTERS, "kind of harvester")] = None
    precharge: PrechargeTable | None = None
    rectifier: RectifierTable
    storage: StorageTable
    regulator: Annotated[Any, by_kind(REGULATORS, "kind of regulator")]
    radio: RadioTable
    link: LinkTable = LinkTable()
    correlation: Annotated[
        tuple[CorrelationTable, ...], list_of(CorrelationTable, '[{ between = ["a", "b"], rank = 0.4 }]')
    ] = ()
    alternate: Annotated[tuple[AlternateTable, ...], list_of(AlternateTable, EXAMPLE)] = ()


def nearest_section(key: str) -> str:
    """Return the remedy for a section that does not exist."""
    sections = DesignFile.keys()
    match = closest(key, sections)
    return f"did you mean {match}?" if match else f"sections: {', '.join(sections)}"
