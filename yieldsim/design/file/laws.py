"""Temperature and ageing laws as the file writes them."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any

from pydantic import Field

from yieldsim.design.file.fields import (
    Flawed,
    Reading,
    Table,
    collected,
    each,
    flaw,
    number,
    one_of,
    quantity,
    read_kind,
    validated,
)
from yieldsim.design.parameter import AgeingLaw, TemperatureLaw
from yieldsim.design.quantity import read_quantity

COPPER = 0.00393  # temperature coefficient of annealed copper at 20 degC [1/K], IEC 60028
COPPER_REFERENCE = 20.0  # [degC]
LEAKAGE_DOUBLES_PER = 10.0  # [K], a rule of thumb for junction leakage
_ABSOLUTE_ZERO = -273.15  # [degC]


class CoefficientTable(Table):
    """A coefficient about a temperature of its own."""

    change: Annotated[str, Field(examples=["-0.11 %/K"])]
    reference: Annotated[float, quantity("degC", above=_ABSOLUTE_ZERO), Field(examples=["25 degC"])]


class DoublingTable(Table):
    """Doubles with every so many kelvin, about 25 degC."""

    doubles_per: Annotated[float, quantity("K", above=0.0), Field(examples=["11 K"])]


def read_points(
    value: Any, x: str, y: str, example: str, *, unit: str | None = None
) -> tuple[tuple[float, float], ...]:
    """Two or more points of a curve, the first coordinate ascending."""
    if not isinstance(value, list) or len(value) < 2:
        raise Flawed(flaw(value=value, reason="two points or more are due here", remedy=f"write {example}"))

    def point(item: Any) -> tuple[float, float]:
        if not isinstance(item, list) or len(item) != 2:
            raise Flawed(flaw(value=item, reason="a point has two numbers", remedy=f"write {example}"))
        return read_quantity(item[0], x, unit=unit), read_quantity(item[1], y)

    points = tuple(each(value, point))
    for i, (before, here) in enumerate(pairwise(points), start=1):
        if here[0] <= before[0]:
            remedy = "sort the points by their first number, each different"
            raise Flawed(flaw(i, value=value[i], reason="points out of order", remedy=remedy))
    return points


def positive_factors(value: Any, points: tuple[tuple[float, float], ...]) -> None:
    """Refuses a curve of factors that reaches zero."""
    for i, (_, factor) in enumerate(points):
        if factor <= 0.0:
            raise Flawed(
                flaw(
                    i,
                    value=value[i],
                    reason="a factor must be above 0",
                    remedy="give the factor on the nominal",
                )
            )


def read_temperature(value: Any, reading: Reading) -> TemperatureLaw:
    """Read a temperature law from a coefficient, a table of points, or a table with keys."""
    own = reading.key == "coil_resistance"  # copper data sheets and standards state 20 degC
    reference = COPPER_REFERENCE if own else 25.0
    if isinstance(value, list):
        points = read_points(value, "degC", "factor", '[["-40 degC", 0.95], ["25 degC", 1.0], ["85 degC", 1.02]]')
        positive_factors(value, points)
        temperatures, factors = zip(*points, strict=True)
        return TemperatureLaw("table", None, reference, temperatures, factors)
    if isinstance(value, dict) and "doubles_per" in value:
        table = validated(DoublingTable, value, reading)
        if reading.dimension != "A":
            remedy = 'write a coefficient such as "0.2 %/K", or points'
            raise Flawed(
                flaw(
                    "doubles_per",
                    value=value["doubles_per"],
                    reason="for leakage currents only",
                    remedy=remedy,
                )
            )
        return TemperatureLaw("doubling", reference=reference, doubles_per=table.doubles_per)
    if isinstance(value, dict):
        table = validated(CoefficientTable, value, reading)
        if own and table.reference != COPPER_REFERENCE:
            remedy = "give the resistance at 20 degC and leave the reference out"
            reason = "a coil resistance is always given at 20 degC"
            raise Flawed(flaw("reference", value=value["reference"], reason=reason, remedy=remedy))
        (law,) = collected([("change", lambda: _coefficient(table.change, reading, table.reference))])
        return law
    return _coefficient(value, reading, reference)


def _coefficient(value: Any, reading: Reading, reference: float) -> TemperatureLaw:
    text = value.rstrip() if isinstance(value, str) else ""
    if text.endswith("V/K"):
        if reading.dimension != "V":
            reason = "a coefficient in V/K is for voltages only"
            raise Flawed(flaw(value=value, reason=reason, remedy='write it relative, for example "0.1 %/K"'))
        return TemperatureLaw("shift", read_quantity(value, "V/K"), reference)
    return TemperatureLaw("linear", read_quantity(value, "1/K"), reference)


# Ageing laws, one table each.
_Change = Annotated[Any, Field(examples=["-2.5 %"], json_schema_extra={"type": ["string", "object"]})]


class PerDecadeOfHours(Table):
    """1 + change * log10(h / 1000 h), h the hours since soldering."""

    law: Annotated[str, one_of("per decade of hours")]
    change: _Change


class PerYear(Table):
    """1 + change * years."""

    law: Annotated[str, one_of("per year")]
    change: _Change


class PerDecadeOfActuations(Table):
    """1 + change * log10(n / from), 1 below ``from``."""

    law: Annotated[str, one_of("per decade of actuations")]
    change: _Change
    start: Annotated[float, number(above=0.0), Field(alias="from", examples=[100])]


class Endurance(Table):
    """``change`` at the rated life, linear in time and faster when hotter than rated."""

    law: Annotated[str, one_of("endurance")]
    change: _Change
    rated_life: Annotated[float, quantity("s", unit="h", above=0.0), Field(examples=["2000 h"])]
    rated_temperature: Annotated[float, quantity("degC", above=_ABSOLUTE_ZERO), Field(examples=["105 degC"])]
    doubling: Annotated[float | None, quantity("K", above=0.0), Field(examples=["10 K"])] = None
    activation_energy: Annotated[float | None, quantity("eV", above=0.0), Field(examples=["0.8 eV"])] = None


class AgeingPoints(Table):
    """A factor for each age."""

    law: Annotated[str, one_of("table")]
    points: Annotated[list[Any], Field(examples=[[["0 yr", 1.0], ["10 yr", 0.9]]])]


AGEING: dict[str, type[Table]] = {
    "per decade of hours": PerDecadeOfHours,
    "per year": PerYear,
    "per decade of actuations": PerDecadeOfActuations,
    "endurance": Endurance,
    "table": AgeingPoints,
}


def read_ageing_table(value: Any, reading: Reading) -> tuple[Table, AgeingLaw]:
    """One ageing law without its change, and the table it came from."""
    table = read_kind(value, AGEING, "ageing law", "law", reading)
    if isinstance(table, PerDecadeOfActuations):
        return table, AgeingLaw(table.law, start=table.start)
    if isinstance(table, Endurance):
        if (table.doubling is None) is (table.activation_energy is None):
            remedy = 'write doubling = "10 K" or activation_energy = "0.8 eV", one of them'
            raise Flawed(flaw(reason="the speed at other temperatures is not said, or said twice", remedy=remedy))
        return table, AgeingLaw(
            table.law,
            rated_life=table.rated_life,
            rated_temperature=table.rated_temperature,
            doubling=table.doubling,
            activation_energy=table.activation_energy,
        )
    if isinstance(table, AgeingPoints):
        example = '[["0 yr", 1.0], ["10 yr", 0.9]]'
        (points,) = collected([("points", lambda: _ageing_points(table.points, example))])
        years, factors = zip(*points, strict=True)
        return table, AgeingLaw(table.law, years=years, factors=factors)
    return table, AgeingLaw(table.law)


def _ageing_points(value: Any, example: str) -> tuple[tuple[float, float], ...]:
    points = read_points(value, "s", "factor", example, unit="yr")
    positive_factors(value, points)
    return points
