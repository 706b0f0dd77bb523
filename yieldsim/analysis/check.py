"""What the engine will use, and whether it makes sense, before anything is run."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, ClassVar

from yieldsim.analysis.described import (
    LevelLimits,
    ageing_text,
    dimension_of,
    levels_of,
    levels_text,
    limits_of,
    temperature_text,
    tolerance_text,
)
from yieldsim.analysis.findings import Finding, drop_line_of, findings_of
from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.stated import Row, settings_of_design
from yieldsim.design.quantity import format_quantity
from yieldsim.design.schema import Design
from yieldsim.design.units import DIMENSIONS
from yieldsim.engine.settings import Settings


@dataclass(frozen=True)
class CheckedParameter:
    """One parameter as the engine uses it.

    Attributes
    ----------
    name : dotted path
    value_SI : nominal in ``unit``
    unit : SI unit, degC for temperatures, empty where there is none
    shown : the nominal as it would be written
    tolerance : levels and shapes in words, empty for none
    low, high : limits of the value before its laws in ``unit``: the tolerances' own, or the 0.135 % and
        99.865 % points where one has none; None without a tolerance
    limits : low and high of each level by itself in words, an asterisk behind 0.135 % and 99.865 % points
    levels : the same in ``unit``
    temperature, ageing : laws in words, with their reference
    temperature_defaulted : the temperature law is not the file's; its source stands with it
    basis, note : where the numbers come from
    defaulted : the file does not say it
    """

    name: str
    value_SI: float
    unit: str
    shown: str
    tolerance: str
    low: float | None
    high: float | None
    limits: str
    levels: tuple[LevelLimits, ...]
    temperature: str
    temperature_defaulted: bool
    ageing: str
    basis: str
    note: str
    defaulted: bool


@dataclass(frozen=True)
class CheckResult(Result):
    """Parameters and all else that is used, findings, assumed names, and the line for the forward drop.

    ``design_settings`` holds rows of a key and a text: conditions, requirement, tables, ratings, the load
    sequence, the link, correlations.
    ``drop_line`` holds ``intercept_V``, ``slope_ohm``, ``error_V``, its largest deviation from the table
    over the currents that matter, and ``mean_error_V``, the mean one weighted with charge.
    """

    command: ClassVar[str] = "check"
    parameters: tuple[CheckedParameter, ...]
    findings: tuple[Finding, ...]
    assumed: tuple[str, ...]
    drop_line: dict[str, float]
    design_settings: tuple[Row, ...]

    @property
    def defaults(self) -> dict[str, int]:
        """How many nominal values, and how many temperature laws, the file does not state."""
        return {
            "parameters": sum(p.defaulted for p in self.parameters),
            "temperature_laws": sum(p.temperature_defaulted for p in self.parameters),
        }

    def payload(self) -> dict[str, Any]:
        """Return parameters, what else is used, findings, what is assumed or a default, the drop's line."""
        return {
            "parameters": [asdict(parameter) for parameter in self.parameters],
            "findings": [asdict(finding) for finding in self.findings],
            "assumed": list(self.assumed),
            "drop_line": self.drop_line,
            "design_settings": [{"key": key, "text": text} for key, text in self.design_settings],
            "defaults": self.defaults,
        }


def check(design: Design, settings: Settings | None = None) -> CheckResult:
    """Say what will be used for a design. Only a stated mechanical energy has one actuation run."""
    settings = settings or Settings()
    assumed = tuple(p.name for p in design.parameters.values() if p.basis == "assumed" and not p.defaulted)
    line = drop_line_of(design)
    return CheckResult(
        provenance=provenance(design, settings),
        parameters=tuple(_checked(design, name) for name in design.parameters),
        findings=tuple(findings_of(design, settings, assumed, line)),
        assumed=assumed,
        drop_line=line,
        design_settings=settings_of_design(design),
    )


def _checked(design: Design, name: str) -> CheckedParameter:
    parameter = design.parameters[name]
    low, high = limits_of(parameter)
    return CheckedParameter(
        name=name,
        value_SI=parameter.nominal,
        unit=next(iter(DIMENSIONS[parameter.dimension].units)),
        shown=format_quantity(parameter.nominal, dimension_of(parameter)),
        tolerance=tolerance_text(parameter),
        low=low,
        high=high,
        limits=levels_text(parameter),
        levels=levels_of(parameter),
        temperature=temperature_text(parameter),
        temperature_defaulted=parameter.temperature is not None and bool(parameter.temperature.source),
        ageing=ageing_text(parameter),
        basis=parameter.basis,
        note=parameter.note,
        defaulted=parameter.defaulted,
    )
