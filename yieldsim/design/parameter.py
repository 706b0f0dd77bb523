"""One uncertain physical quantity: nominal value, tolerance, temperature law and ageing law.

The value of a parameter in one unit at one condition is::

    (nominal * (1 + sum of relative deviations) + sum of absolute deviations) * temperature law * ageing law

with one deviation a level (``lot``, ``unit``, ``actuation``). All numbers are SI; temperatures are in degC.
"""

from __future__ import annotations

from dataclasses import dataclass

LEVELS = ("lot", "unit", "actuation")
SHAPES = (
    "normal",
    "truncated normal",
    "uniform",
    "triangular",
    "trapezoidal",
    "lognormal",
    "sorted",
    "measured",
)


@dataclass(frozen=True)
class Tolerance:
    """How one parameter spreads at one level.

    Deviations are relative to the nominal where ``relative``, otherwise in the parameter's SI unit.

    Attributes
    ----------
    level : ``lot``, ``unit`` or ``actuation``
    shape : one of ``SHAPES``
    relative : whether the numbers below are relative to the nominal
    low, high : limits of the deviation; None for a normal, a lognormal
    sigma : standard deviation of the (parent) normal; of ln x for a lognormal, whose median is the nominal
    mode : peak of a triangular; mean of the parent normal of a truncated normal or of a sorted shape with a
        sigma
    flat : trapezoidal only, full width of the flat top as a share of the width between the limits
    removed : sorted only, (low, high) of the band that was taken out
    offset : shift added to every deviation
    values : measured only, the observed deviations in ascending order
    file, column : where the measured values were read
    sample_size : number of measured values
    """

    level: str
    shape: str
    relative: bool
    low: float | None = None
    high: float | None = None
    sigma: float | None = None
    mode: float = 0.0
    flat: float | None = None
    removed: tuple[float, float] | None = None
    offset: float = 0.0
    values: tuple[float, ...] = ()
    file: str | None = None
    column: str | None = None
    sample_size: int | None = None


@dataclass(frozen=True)
class TemperatureLaw:
    """How a parameter follows the ambient temperature T [degC].

    Attributes
    ----------
    kind : ``linear`` (factor 1 + coefficient*(T - reference)), ``shift`` (adds coefficient*(T - reference),
        voltages
        only), ``table`` (factor from a shape-preserving cubic through the points, flat beyond the ends),
        ``doubling`` (factor 2**((T - reference)/doubles_per)) or ``dielectric`` (a factor within the limits of a code)
    coefficient : [1/K] for ``linear``, [V/K] for ``shift``
    reference : temperature at which the nominal holds [degC]
    temperatures, factors : points of a table [degC], [-]
    doubles_per : [K]
    code : EIA code of a ``dielectric``
    place : where within the limits of the code a part lies, 0 at the lowest and 1 at the highest, itself a parameter
    source : where a law comes from that the file does not state; empty for one that it states
    """

    kind: str
    coefficient: float | None = None
    reference: float = 25.0
    temperatures: tuple[float, ...] = ()
    factors: tuple[float, ...] = ()
    doubles_per: float | None = None
    code: str | None = None
    place: Parameter | None = None
    source: str = ""


@dataclass(frozen=True)
class AgeingLaw:
    """How a parameter drifts with time or use; each law gives a factor, several multiply.

    Attributes
    ----------
    law : ``per decade of hours``, ``per year``, ``per decade of actuations``, ``endurance`` or ``table``
    change : relative change a decade, a year or at the rated life, itself a parameter [-]; None for a table
    start : actuations below which nothing changes (``per decade of actuations``)
    rated_life : [h] at ``rated_temperature`` [degC] (``endurance``)
    doubling : temperature rise that doubles the speed of drift [K], or None where ``activation_energy`` [eV]
        is given
    years, factors : points of a table [yr], [-]
    """

    law: str
    change: Parameter | None = None
    start: float | None = None
    rated_life: float | None = None
    rated_temperature: float | None = None
    doubling: float | None = None
    activation_energy: float | None = None
    years: tuple[float, ...] = ()
    factors: tuple[float, ...] = ()


@dataclass(frozen=True)
class Parameter:
    """One physical quantity of a design.

    Attributes
    ----------
    name : dotted path, the key of its draws (``radio.boot.current``)
    dimension : what it measures (``V``, ``A``, ``ohm``, ``factor``, ...)
    nominal : SI value, temperatures in degC
    tolerances : at most one a level
    temperature, ageing : its laws
    within_total : (low, high, relative) limits of the sum of all deviations, where the maker sorts
    basis : ``datasheet``, ``measured`` or ``assumed``
    note : free text
    sample_size : how many parts a measured tolerance rests on
    defaulted : the file does not say it; the reader's own value stands here
    at : test current of a dropout [A], or reference voltage of a ``slope`` [V]
    slope : change of a current with the supply [A/V]
    points : ((current [A], drop [V]), ...) of one junction; the nominal is the drop at the highest current
    bias : ((voltage [V], factor [-]), ...) differential capacitance against bias
    curve : ((regulator input [V], factor [-]), ...) of an off, quiescent current or dropout, ((load current [A],
        factor), ...) of an efficiency: the value holds where the factor is 1; linear between points, flat beyond
    dielectric : EIA code or generic word of a capacitance, as the file gives it; what it adds stands in the laws
    """

    name: str
    dimension: str
    nominal: float
    tolerances: tuple[Tolerance, ...] = ()
    temperature: TemperatureLaw | None = None
    ageing: tuple[AgeingLaw, ...] = ()
    within_total: tuple[float, float, bool] | None = None
    basis: str = "assumed"
    note: str = ""
    sample_size: int | None = None
    defaulted: bool = False
    at: float | None = None
    slope: float | None = None
    points: tuple[tuple[float, float], ...] | None = None
    bias: tuple[tuple[float, float], ...] | None = None
    curve: tuple[tuple[float, float], ...] | None = None
    dielectric: str | None = None

    @property
    def levels(self) -> tuple[str, ...]:
        """Levels at which it is drawn, in the order lot, unit, actuation."""
        return tuple(level for level in LEVELS if any(t.level == level for t in self.tolerances))

    def tolerance_at(self, level: str) -> Tolerance | None:
        """Return the tolerance of one level, or None."""
        return next((t for t in self.tolerances if t.level == level), None)

    @property
    def coefficients(self) -> tuple[Parameter, ...]:
        """Parameters of its own laws: that of its temperature law, then those of its ageing laws in their order."""
        place = () if self.temperature is None or self.temperature.place is None else (self.temperature.place,)
        return place + tuple(law.change for law in self.ageing if law.change is not None)
