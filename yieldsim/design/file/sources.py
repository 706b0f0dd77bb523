"""The sources of the file: every kind of harvester, and what charges the store beforehand."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field, model_validator

from yieldsim.design.file.fields import Flaw, Flawed, Table, flaw, list_of, of_another_kind, one_of
from yieldsim.design.file.parameters import physical
from yieldsim.design.parameter import Parameter


class StrokeTable(Table):
    """One pass of the mechanism, from a start of its own or a dwell behind the end of the stroke before."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["start"]}, {"required": ["dwell"]}]})

    start: Annotated[Parameter | None, physical("start"), Field(examples=["0 ms"])] = None
    dwell: Annotated[Parameter | None, physical("dwell"), Field(examples=["40 ms"])] = None
    linkage: Annotated[Parameter | None, physical("linkage"), Field(examples=[1])] = None
    transit_time: Annotated[Parameter | None, physical("transit_time")] = None
    speed: Annotated[Parameter | None, physical("speed")] = None

    @model_validator(mode="after")
    def _one_beginning(self) -> StrokeTable:
        if self.start is None and self.dwell is None:
            remedy = 'add start = "80 ms", or dwell = "40 ms" behind the stroke before'
            raise Flawed(flaw(reason="a stroke without a beginning", remedy=remedy))
        if self.start is not None and self.dwell is not None:
            reason = "a stroke has either a start or a dwell behind the stroke before, not both"
            raise Flawed(flaw("dwell", reason=reason, remedy="keep one of them"))
        return self


class PartialTable(Table):
    """Presses that stop short: their share, and what part of each stroke they deliver."""

    share: Annotated[Parameter, physical("share"), Field(examples=["3 %"])]
    travel: Annotated[Parameter, physical("travel"), Field(examples=[0.6])]


class WaveformTable(Table):
    """A measured open-circuit emf, in columns of a CSV file: time in s, emf in V."""

    file: Annotated[str, Field(examples=["emf.csv"])]
    time: Annotated[str, Field(examples=["time_s"])]
    emf: Annotated[str, Field(examples=["emf_V"])]
    scale: Annotated[Parameter | None, physical("scale")] = None


class _HarvesterTable(Table):
    partial: PartialTable | None = None

    @classmethod
    def stranger(cls, key: str) -> str:
        """Return the remedy for an unknown key, which may belong to another kind of harvester."""
        return of_another_kind(key, HARVESTERS) or super().stranger(key)


_StrokesField = Annotated[tuple[StrokeTable, ...] | None, list_of(StrokeTable, '[{ start = "0 ms", linkage = 1 }]')]


def _stroke_flaws(strokes: tuple[StrokeTable, ...], transit_time: Parameter | None) -> list[Flaw]:
    """Tell what is wrong with strokes that take the transit time they have not themselves from the harvester."""
    flaws = []
    if transit_time is None and (not strokes or any(stroke.transit_time is None for stroke in strokes)):
        flaws.append(flaw("transit_time", reason="missing", remedy='add it, for example transit_time = "2.4 ms"'))
    for i, stroke in enumerate(strokes):
        if stroke.linkage is not None and stroke.linkage.nominal == 0.0:
            remedy = "write 1, or -1 for a return stroke"
            flaws.append(flaw("strokes", i, "linkage", value=0, reason="a stroke without a linkage", remedy=remedy))
    if strokes and strokes[0].dwell is not None:
        reason = "no stroke stands before the first one"
        flaws.append(flaw("strokes", 0, "dwell", reason=reason, remedy='write start = "0 ms" in its place'))
    return flaws


class ElectromagneticTable(_HarvesterTable):
    """A magnet that passes a coil: half-sine pulses, or a measured waveform."""

    kind: Annotated[str, one_of("electromagnetic")]
    peak_emf: Annotated[Parameter | None, physical("peak_emf"), Field(examples=["16 V"])] = None
    transit_time: Annotated[Parameter | None, physical("transit_time"), Field(examples=["2.4 ms"])] = None
    speed: Annotated[Parameter | None, physical("speed")] = None
    coil_resistance: Annotated[Parameter, physical("coil_resistance"), Field(examples=["100 ohm"])]
    coil_inductance: Annotated[Parameter | None, physical("coil_inductance")] = None
    strokes: _StrokesField = None
    emf_waveform: WaveformTable | None = None
    mechanical_energy: Annotated[Parameter | None, physical("mechanical_energy")] = None

    @model_validator(mode="after")
    def _one_source(self) -> ElectromagneticTable:
        flaws: list[Flaw] = []
        if self.emf_waveform is not None:
            for key in ("peak_emf", "transit_time", "strokes"):
                if getattr(self, key) is not None:
                    reason = "a measured waveform stands in its place"
                    flaws.append(flaw(key, reason=reason, remedy=f"leave out {key}, or emf_waveform"))
            if self.partial is not None:
                reason = "a measured waveform cannot be cut short"
                remedy = "record the partial press as a waveform of its own"
                flaws.append(flaw("partial", reason=reason, remedy=remedy))
        else:
            if self.peak_emf is None:
                flaws.append(flaw("peak_emf", reason="missing", remedy='add it, for example peak_emf = "16 V"'))
            flaws.extend(_stroke_flaws(self.strokes or (), self.transit_time))
        if flaws:
            raise Flawed(*flaws)
        return self


class PiezoelectricTable(_HarvesterTable):
    """An element that is bent: an open-circuit swing behind its own capacitance."""

    kind: Annotated[str, one_of("piezoelectric")]
    open_circuit_swing: Annotated[Parameter, physical("open_circuit_swing"), Field(examples=["60 V"])]
    transit_time: Annotated[Parameter | None, physical("transit_time"), Field(examples=["4 ms"])] = None
    speed: Annotated[Parameter | None, physical("speed")] = None
    source_capacitance: Annotated[Parameter, physical("source_capacitance"), Field(examples=["220 nF"])]
    loss_resistance: Annotated[Parameter | None, physical("loss_resistance"), Field(examples=["2 Mohm"])] = None
    strokes: _StrokesField = None

    @model_validator(mode="after")
    def _sound_strokes(self) -> PiezoelectricTable:
        flaws = _stroke_flaws(self.strokes or (), self.transit_time)
        if flaws:
            raise Flawed(*flaws)
        return self


class EnergyPacketTable(_HarvesterTable):
    """What a data sheet says of a whole module: so much energy, delivered evenly over a time."""

    kind: Annotated[str, one_of("energy packet")]
    energy: Annotated[Parameter, physical("energy"), Field(examples=["300 uJ"])]
    efficiency: Annotated[Parameter, physical("harvester.efficiency"), Field(examples=["70 %"])]
    delivery_time: Annotated[Parameter, physical("delivery_time"), Field(examples=["5 ms"])]


HARVESTERS: dict[str, type[Table]] = {
    "electromagnetic": ElectromagneticTable,
    "piezoelectric": PiezoelectricTable,
    "energy packet": EnergyPacketTable,
}


class PrechargeTable(Table):
    """A direct-current source (photovoltaic, thermal) that charges the store before the actuation."""

    current: Annotated[Parameter, physical("precharge.current"), Field(examples=["15 uA"])]
    voltage_limit: Annotated[Parameter, physical("voltage_limit"), Field(examples=["3.2 V"])]
    charge_time: Annotated[Parameter, physical("charge_time"), Field(examples=["60 s"])]
