"""A parameter as the file writes it: a text, a text with a tolerance, or a table; all read to one type."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Annotated, Any, Union

from pydantic import Field, ValidationInfo

from yieldsim.design.dielectrics import PRESETS, REFERENCE, Preset, dielectric_of, meant
from yieldsim.design.file.fields import (
    Flawed,
    Reading,
    Table,
    collected,
    each,
    flaw,
    one_of,
    quantity,
    validated,
    whole,
)
from yieldsim.design.file.laws import (
    AGEING,
    CoefficientTable,
    DoublingTable,
    positive_factors,
    read_ageing_table,
    read_points,
    read_temperature,
)
from yieldsim.design.file.read_by import ReadBy
from yieldsim.design.file.tolerances import LimitsField, ToleranceTable, default_tolerance, read_tolerances
from yieldsim.design.impossible import faults_of
from yieldsim.design.parameter import AgeingLaw, Parameter, TemperatureLaw, Tolerance
from yieldsim.design.physical import PHYSICAL
from yieldsim.design.quantity import format_quantity, read_toleranced, shown
from yieldsim.design.units import DIMENSIONS


def _plain(read: Callable[[Any, Reading], Any], shape: Any) -> ReadBy:
    return ReadBy(lambda value, info: read(value, info.context), shape)


def _read_nominal(value: Any, reading: Reading) -> float:
    nominal, limits = read_toleranced(value, reading.dimension)
    if limits is not None:
        remedy = 'write tolerance = "..." beside it'
        raise Flawed(flaw(value=value, reason="a nominal with a tolerance inside a table", remedy=remedy))
    return nominal


def _read_ageing(value: Any, reading: Reading) -> tuple[AgeingLaw, ...]:
    if value == []:
        raise Flawed(flaw(value=value, reason="an empty list", remedy="leave the ageing out"))
    if not isinstance(value, list):
        return (_read_ageing_law(value, reading),)
    return tuple(each(value, lambda entry: _read_ageing_law(entry, reading)))


def _read_ageing_law(value: Any, reading: Reading) -> AgeingLaw:
    table, law = read_ageing_table(value, reading)
    if "change" not in type(table).model_fields:
        return law
    (change,) = collected([("change", lambda: read_parameter(value["change"], "change", reading))])
    return replace(law, change=change)


_TemperatureField = Annotated[
    TemperatureLaw,
    _plain(read_temperature, Union[str, CoefficientTable, DoublingTable, list[Any]]),  # noqa: UP007
    Field(examples=["-0.11 %/K"]),
]
_AgeingShape: Any = Union[tuple(AGEING.values())]  # noqa: UP007 - built at run time
_AgeingField = Annotated[tuple[AgeingLaw, ...], _plain(_read_ageing, _AgeingShape | list[_AgeingShape])]
_ToleranceField = Annotated[
    tuple[Tolerance, ...],
    _plain(read_tolerances, Union[str, ToleranceTable, list[ToleranceTable]]),  # noqa: UP007
    Field(examples=["±5 %"]),
]


class _Spread(Table):
    tolerance: _ToleranceField = ()
    within_total: LimitsField | None = None
    sample_size: Annotated[int | None, whole(at_least=2, at_most=10**9)] = None
    basis: Annotated[str, one_of("datasheet", "measured", "assumed")] = "assumed"
    note: str = ""


class ChangeTable(_Spread):
    """The coefficient of an ageing law."""

    nominal: Annotated[float, _plain(_read_nominal, str), Field(examples=["-2.5 %"])]


class _Lawful(_Spread):
    temperature: _TemperatureField | None = None
    ageing: _AgeingField = ()


class ParameterTable(_Lawful):
    """One uncertain physical quantity."""

    nominal: Annotated[float, _plain(_read_nominal, str | float), Field(examples=["9 mA"])]


_CurveField = Annotated[list[Any] | None, Field(examples=[[["2 V", 1.0], ["10 V", 1.4]]])]


class InputCurveTable(ParameterTable):
    """A quantity of the regulator that may follow its input voltage: points of a factor on it."""

    against_input: _CurveField = None


class DropoutTable(InputCurveTable):
    """Dropout at the current it was measured at."""

    at: Annotated[float, quantity("A", above=0.0), Field(examples=["20 mA"])]


class EfficiencyTable(ParameterTable):
    """Efficiency, which may follow the load current: points of a factor on it."""

    against_load: Annotated[list[Any] | None, Field(examples=[[["1 mA", 0.8], ["20 mA", 1.0]]])] = None


class CurrentTable(ParameterTable):
    """A supply current that may follow the supply: I = nominal + slope * (V_out - at)."""

    slope: Annotated[float | None, quantity("A/V"), Field(examples=["0.5 mA/V"])] = None
    at: Annotated[float | None, quantity("V", above=0.0), Field(examples=["3 V"])] = None


class CapacitanceTable(ParameterTable):
    """Capacitance with its small-signal DC-bias curve."""

    bias: Annotated[list[Any] | None, Field(examples=[[["0 V", 1.0], ["6 V", 0.7]]])] = None
    dielectric: Annotated[
        str | None, Field(description="EIA code of a ceramic, or a generic word", examples=["X7R", "C0G", *PRESETS])
    ] = None


class JunctionTable(_Lawful):
    """Forward drop of ONE junction: points of its curve, or one drop for every current."""

    nominal: Annotated[float | None, _plain(_read_nominal, str), Field(examples=["0.35 V"])] = None
    points: Annotated[list[Any] | None, Field(examples=[[["10 mA", "0.32 V"], ["100 mA", "0.42 V"]]])] = None


_TABLES: dict[str, type[_Spread]] = {
    "change": ChangeTable,
    "dropout": DropoutTable,
    "quiescent": InputCurveTable,
    "off_current": InputCurveTable,
    "efficiency": EfficiencyTable,
    "current": CurrentTable,
    "capacitance": CapacitanceTable,
    "forward_drop": JunctionTable,
}
_ANY_CURRENT = (1e-3, 0.1)  # [A] ends of the curve that stands for one drop at every current


def physical(key: str) -> ReadBy:
    """Make the field of one physical quantity, a key of :data:`~yieldsim.design.physical.PHYSICAL`."""
    row = PHYSICAL[key]
    known = DIMENSIONS[row.dimension]
    text: Any = Annotated[str, Field(description=row.meaning, examples=[known.example])]
    table: Any = _TABLES.get(key, ParameterTable)
    shape: Any = Union[text, float, table] if known.bare else Union[text, table]  # noqa: UP007

    def read(value: Any, info: ValidationInfo[Any]) -> Parameter:
        return read_parameter(value, key, info.context)

    return ReadBy(read, shape)


def read_parameter(value: Any, key: str, reading: Reading) -> Parameter:
    """Read a parameter without its name.

    Parameters
    ----------
    value : what the file says
    key : of :data:`~yieldsim.design.physical.PHYSICAL`
    reading : defaults and folder

    Raises
    ------
    Flawed : every fault of it
    """
    row = PHYSICAL[key]
    inner = reading.of(row.dimension, key)
    if isinstance(value, dict):
        parameter = _from_table(value, key, inner)
    else:
        nominal, limits = read_toleranced(value, row.dimension)
        if limits is not None and limits.low == limits.high:
            raise Flawed(flaw(value=value, reason="limits without a width", remedy="leave the tolerance out"))
        tolerances = () if limits is None else (default_tolerance(limits, inner),)
        parameter = Parameter("", _stored(row.dimension), nominal, tolerances)
    if key == "forward_drop" and parameter.points is None:
        parameter = replace(parameter, points=tuple((current, parameter.nominal) for current in _ANY_CURRENT))
    if key == "dropout" and parameter.at is None:
        spelled = format_quantity(parameter.nominal, "V")
        remedy = f'write dropout = {{ nominal = "{spelled}", at = "20 mA" }} with its test current'
        raise Flawed(flaw(value=value, reason="a dropout without its test current", remedy=remedy))
    faults = faults_of(parameter, row)
    if faults:
        below: tuple[str, ...] = ("nominal",) if isinstance(value, dict) and "nominal" in value else ()
        written = value.get("nominal") if below else value if not isinstance(value, dict) else None
        raise Flawed(*(flaw(*below, value=written, reason=reason, remedy=remedy) for reason, remedy in faults))
    return parameter


def _stored(dimension: str) -> str:
    return "factor" if dimension == "change" else dimension


def _from_table(value: dict[str, Any], key: str, reading: Reading) -> Parameter:
    kind = _TABLES.get(key, ParameterTable)
    table: Any = validated(kind, value, reading)
    points = bias = None
    nominal = table.nominal
    temperature, ageing = getattr(table, "temperature", None), getattr(table, "ageing", ())
    if isinstance(table, JunctionTable):
        points = _junction(table, value)
        nominal = points[-1][1] if points else nominal
    if isinstance(table, CapacitanceTable) and table.bias is not None:
        curve = table.bias
        (bias,) = collected([("bias", lambda: _bias(curve))])
    code = getattr(table, "dielectric", None)
    if code is not None:
        temperature, ageing = _with_dielectric(code, temperature, ageing)
    slope, at = getattr(table, "slope", None), getattr(table, "at", None)
    if isinstance(table, CurrentTable) and (slope is None) is not (at is None):
        missing = "slope" if slope is None else "at"
        remedy = 'a slope needs the supply it refers to: slope = "0.5 mA/V", at = "3 V"'
        raise Flawed(flaw(missing, reason="missing", remedy=remedy))
    total = table.within_total
    return Parameter(
        "",
        _stored(reading.dimension),
        nominal,
        _about_nominal(table.tolerance, nominal),
        temperature=temperature,
        ageing=ageing,
        within_total=None if total is None else (total.low, total.high, total.relative),
        basis=table.basis,
        note=table.note,
        sample_size=table.sample_size,
        at=at,
        slope=slope,
        points=points,
        bias=bias,
        curve=_factor_curve(table),
        dielectric=code,
    )


def _factor_curve(table: Any) -> tuple[tuple[float, float], ...] | None:
    """Points of a factor against the regulator's input voltage or load current, None where the table has none."""
    for key, dimension, example in (
        ("against_input", "V", '[["2 V", 1.0], ["10 V", 1.4]]'),
        ("against_load", "A", '[["1 mA", 0.8], ["20 mA", 1.0]]'),
    ):
        written = getattr(table, key, None)
        if written is not None:
            (points,) = collected([(key, partial(_factor_points, written, dimension, example, table))])
            return points
    return None


def _factor_points(written: list[Any], dimension: str, example: str, table: Any) -> tuple[tuple[float, float], ...]:
    points = read_points(written, dimension, "factor", example)
    positive_factors(written, points)
    for i, (place, factor) in enumerate(points):
        if place < 0.0:
            reason, remedy = "a voltage or current below 0", "begin at 0 or above"
            raise Flawed(flaw(i, value=written[i], reason=reason, remedy=remedy))
        if isinstance(table, DropoutTable) and i and factor > points[i - 1][1]:
            remedy = "give factors that do not rise with the input voltage"
            raise Flawed(flaw(i, value=written[i], reason="the dropout rises with the input voltage", remedy=remedy))
    return points


def _with_dielectric(
    code: str, temperature: TemperatureLaw | None, ageing: tuple[AgeingLaw, ...]
) -> tuple[TemperatureLaw | None, tuple[AgeingLaw, ...]]:
    """Laws of a capacitance with what its dielectric adds where the file gives no law of its own."""
    if code in PRESETS:
        return temperature, ageing or (_preset_law(PRESETS[code]),)
    if dielectric_of(code) is None:
        guess = meant(code)
        listed = f"an EIA code such as X7R, X5R or C0G, or {' or '.join(shown(word) for word in PRESETS)}"
        remedy = f"did you mean {shown(guess)}?" if guess else f"write {listed}"
        raise Flawed(flaw("dielectric", value=code, reason="no dielectric of this name", remedy=remedy))
    if temperature is not None:
        return temperature, ageing
    anywhere = Tolerance("unit", "uniform", False, -0.5, 0.5)
    place = Parameter("", "factor", 0.5, (anywhere,), basis="datasheet", note=f"anywhere within the limits of {code}")
    return TemperatureLaw("dielectric", reference=REFERENCE, code=code, place=place, source=f"{code}, EIA-198"), ageing


def _preset_law(preset: Preset) -> AgeingLaw:
    note = f"generic {preset.word}: common practice, no published source"
    return AgeingLaw(
        "endurance",
        Parameter("", "factor", preset.change, note=note, defaulted=True),
        rated_life=preset.rated_life,
        rated_temperature=preset.rated_temperature,
        doubling=preset.doubling,
    )


def _about_nominal(tolerances: tuple[Tolerance, ...], nominal: float) -> tuple[Tolerance, ...]:
    """Read the tolerances with absolute measured values turned into deviations from the nominal."""
    return tuple(_deviating(t, nominal) if t.shape == "measured" and not t.relative else t for t in tolerances)


def _deviating(t: Tolerance, nominal: float) -> Tolerance:
    values = tuple(x - nominal for x in t.values)
    return replace(t, values=values, low=values[0], high=values[-1])


def _junction(table: JunctionTable, written: dict[str, Any]) -> tuple[tuple[float, float], ...] | None:
    """Points of a junction's curve, or None where the table gives one drop for every current."""
    if (table.points is None) is (table.nominal is None):
        remedy = 'write points = [["10 mA", "0.32 V"], ["100 mA", "0.42 V"]], or one nominal for every current'
        raise Flawed(flaw(reason="either points or a nominal is due here", remedy=remedy))
    if table.points is None:
        return None
    curve = table.points
    (points,) = collected([("points", lambda: _curve(curve))])
    return points


def _curve(written: list[Any]) -> tuple[tuple[float, float], ...]:
    points = read_points(written, "A", "V", '[["10 mA", "0.32 V"], ["100 mA", "0.42 V"]]')
    for i, (current, drop) in enumerate(points):
        if current <= 0.0 or drop < 0.0 or (i and drop < points[i - 1][1]):
            remedy = "give currents above 0 and drops that do not fall with the current"
            raise Flawed(flaw(i, value=written[i], reason="no forward curve of a junction", remedy=remedy))
    return points


def _bias(written: list[Any]) -> tuple[tuple[float, float], ...]:
    points = read_points(written, "V", "factor", '[["0 V", 1.0], ["6 V", 0.7]]')
    if points[0] != (0.0, 1.0):
        reason = "the first point of a bias curve is 0 V with factor 1"
        raise Flawed(flaw(0, value=written[0], reason=reason, remedy='begin with ["0 V", 1.0]'))
    positive_factors(written, points)
    for i in range(1, len(points)):
        if points[i][1] > points[i - 1][1]:
            remedy = "give factors that do not rise with the voltage"
            raise Flawed(flaw(i, value=written[i], reason="the capacitance rises with bias", remedy=remedy))
    return points
