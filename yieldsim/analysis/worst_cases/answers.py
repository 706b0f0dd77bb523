"""What a worst case answers: quantities, cases of the link, failure points, contributions. Fields as in the output."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

import math
from dataclasses import dataclass

from yieldsim.analysis.stress import has_diodes, rating_of, regulated
from yieldsim.analysis.tail import FailureParameter
from yieldsim.design.schema import Design
from yieldsim.kernel import layout as at

REGULATED = at.VALUES  # column behind the kernel's values: the regulated voltage
RESERVE, HOLD_UP = "reserve", "hold-up"
VOLTAGE_MARGIN, START_MARGIN = "voltage margin", "start margin"
_STRESSES = {
    "store.voltage": (at.PEAK_VOLTAGE, "V"),
    "regulator.voltage": (at.PEAK_VOLTAGE, "V"),
    "radio.voltage": (at.PEAK_VOLTAGE, "V"),
    "rectifier.current": (at.PEAK_CURRENT, "A"),
    "rectifier.reverse": (at.PEAK_REVERSE, "V"),
}
_OF_DIODES = ("rectifier.current", "rectifier.reverse")


@dataclass(frozen=True)
class Asked:
    """One quantity.

    Attributes
    ----------
    name : ``reserve``, ``voltage margin``, ``start margin``, ``hold-up``, or a rating by its name
    unit : V, s or A
    column : of the kernel's values, `REGULATED` behind them
    least : whether the worst is the least; of a rating it is the greatest
    limit : what it must not pass: 0, or the rating as far as a derating rule lets it be used
    rating : None for a margin
    by_attempts : whether the number of attempts matters to it
    noise : differences up to this say nothing [unit]
    """

    name: str
    unit: str
    column: int
    least: bool
    limit: float
    rating: float | None
    by_attempts: bool
    noise: float


@dataclass(frozen=True)
class CaseAnswer:
    """The answers for one number of attempts, in the unit of the quantity.

    Attributes
    ----------
    attempts : transmissions, all but the last one lost
    channel : ``clear`` or ``busy to the last`` assessment, every backoff as long as it can be
    message, press : what was worst of these; None where there is no choice
    link_probability : of so many attempts on such a channel with such a message and press, for the nominal unit,
        whatever the lengths of the backoffs
    biased : of the nominal part at the condition
    extreme_value : worst found in the box of all extremes
    root_sum_square : biased, less or more the root of the sum of squares of what each tolerance does alone
    quantile : of a sample with so many attempts forced and everything else by chance, at 1 - content or content
    quantile_limit : distribution-free tolerance limit of that; None where the sample is too small for it
    evaluations : actuations computed for the extreme value
    interior : parameters that stand between their extremes at the worst point
    """

    attempts: int
    channel: str
    message: str | None
    press: str | None
    link_probability: float
    biased: float
    extreme_value: float
    root_sum_square: float
    quantile: float | None
    quantile_limit: float | None
    evaluations: int
    interior: tuple[str, ...]


@dataclass(frozen=True)
class CellAnswer:
    """The answers for one quantity at one condition, in its unit.

    Attributes
    ----------
    quantity, unit : what
    temperature_degC, age_yr : the condition
    stated : False for a temperature between stated ones, looked at because it is worse than both
    nominal : of the nominal actuation at 25 degC, new
    extreme_value, root_sum_square : worst of the cases of the link
    quantile, quantile_limit, sample_extreme : of a sample with the link by chance; ``sample_extreme`` is its worst
    normal_limit : tolerance limit if it were normal, to see whether it is
    limit, rating : what must not be passed; None for the rating of a margin
    passed : which of the answers pass the limit
    cases : one a number of attempts and channel
    """

    quantity: str
    unit: str
    temperature_degC: float
    age_yr: float
    stated: bool
    nominal: float
    extreme_value: float
    root_sum_square: float
    quantile: float
    quantile_limit: float | None
    sample_extreme: float
    normal_limit: float
    limit: float
    rating: float | None
    passed: tuple[str, ...]
    cases: tuple[CaseAnswer, ...]


@dataclass(frozen=True)
class FailurePointAnswer:
    """Where a quantity fails first, at its worst condition, with so many attempts on a clear channel.

    Attributes
    ----------
    quantity : what passes its limit
    temperature_degC, age_yr, attempts : where
    reliability_index : distance of the most probable point at the limit from the median [standard scores], negative
        where the median itself fails; None where none was found
    failure, failure_low, failure_high : probability of passing the limit, with its two-sided interval; None where no
        point was found
    flag : in plain words what keeps it from being trusted
    model_calls : actuations computed
    parameters : at that point, the most important first
    """

    quantity: str
    temperature_degC: float
    age_yr: float
    attempts: int
    reliability_index: float | None
    failure: float | None
    failure_low: float | None
    failure_high: float | None
    flag: str | None
    model_calls: int
    parameters: tuple[FailureParameter, ...]


@dataclass(frozen=True)
class Contribution:
    """One contribution on the way from the nominal value to the worst one.

    Attributes
    ----------
    name, level : as drawn; no level for what is no tolerance
    kind : ``bias``, added algebraically, or ``random``
    source : ``link``, ``temperature``, ``ageing``, ``tolerance`` or ``acting together``
    effect : signed [unit of the quantity]
    share : of the whole way, signed
    pushes : where a tolerance stands at the worst point: ``low``, ``high``, ``inside``; ``either`` where it does
        nothing
    alone : worst that the tolerance does by itself at the condition; what the root of the sum of squares is made of;
        None for a bias
    effect_C : the same in charge; None for anything but the reserve
    octets, listen_s : that charge as octets on air and as time of listening, at the currents of the worst actuation
    """

    name: str
    level: str
    kind: str
    source: str
    effect: float
    share: float
    pushes: str | None
    alone: float | None
    effect_C: float | None
    octets: float | None
    listen_s: float | None


@dataclass(frozen=True)
class StageInKind:
    """A reserve in the trade's other units."""

    charge_C: float
    octets: int | None
    listen_s: float | None


@dataclass(frozen=True)
class Waterfall:
    """The way of one quantity from its nominal value to the worst one found.

    Attributes
    ----------
    quantity, unit, temperature_degC, age_yr, attempts, channel, message, press : which
    nominal, biased, worst : values before, between and after biases and random contributions
    root_sum_square : where root-sum-square ends instead of ``worst``
    contributions : biases first, each kind the largest first; their effects add up to worst - nominal
    nominal_in_kind, worst_in_kind : of a reserve
    """

    quantity: str
    unit: str
    temperature_degC: float
    age_yr: float
    attempts: int
    channel: str
    message: str | None
    press: str | None
    nominal: float
    biased: float
    worst: float
    root_sum_square: float
    contributions: tuple[Contribution, ...]
    nominal_in_kind: StageInKind | None
    worst_in_kind: StageInKind | None


def quantities_of(design: Design, accuracy: float) -> tuple[Asked, ...]:
    """Return what is asked of a design: margins, hold-up, and each rating it states."""
    volts, seconds, amperes = 2.0 * accuracy, 0.05 * accuracy, 0.02 * accuracy
    asked = [
        Asked(RESERVE, "V", at.RESERVE, True, 0.0, None, True, volts),
        Asked(VOLTAGE_MARGIN, "V", at.VOLTAGE_MARGIN, True, 0.0, None, True, volts),
        Asked(START_MARGIN, "V", at.START_MARGIN, True, 0.0, None, False, volts),
        Asked(HOLD_UP, "s", at.HOLD_UP, True, 0.0, None, True, seconds),
    ]
    for name, (column, unit) in _STRESSES.items():
        rating = rating_of(design, name)
        if rating is None or (name in _OF_DIODES and not has_diodes(design)):
            continue
        limit = rating * min((rule.at_most for rule in design.deratings if rule.of == name), default=1.0)
        column = REGULATED if regulated(design, name) else column
        asked.append(Asked(name, unit, column, False, limit, rating, False, amperes if unit == "A" else volts))
    return tuple(asked)


def passes(asked: Asked, value: float | None) -> bool:
    """Whether a value passes the limit; a missing or unknown one does."""
    if value is None or math.isnan(value):
        return True
    return value < asked.limit if asked.least else value > asked.limit
