"""How the units of a design fare over the years at one temperature, in every condition, or over the mission."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.cell import bounds
from yieldsim.analysis.lives.fleet import mean_completion
from yieldsim.design.schema import Requirement
from yieldsim.engine.laws import DAYS_PER_YEAR
from yieldsim.estimate.intervals import Estimate
from yieldsim.estimate.lifetimes import ShareLife, complying, first_falls, recovered, share_life, surviving
from yieldsim.estimate.unit_completion import UnitCompletion

IntArray = NDArray[np.int64]

EVERY, MISSION = "every condition", "over the mission"
SHARES = (0.01, 0.1)  # of the units that have fallen: B1 and B10


@dataclass(frozen=True)
class LifePoint:
    """One age.

    Attributes
    ----------
    age_yr : years in service
    actuations : of each unit up to then; None where the file does not say how many a day
    completion, energy_sufficed : mean over the units; None in every condition taken together
    unit_yield, unit_yield_energy : share of units that reach the requirement at this age; None without one
    surviving : share of units that have reached it at every age so far
    first_falls : number of units first seen below it at this age
    """

    age_yr: float
    actuations: float | None
    completion: Estimate | None
    energy_sufficed: Estimate | None
    unit_yield: Estimate | None
    unit_yield_energy: Estimate | None
    surviving: Estimate | None
    first_falls: int | None

    def payload(self) -> dict[str, Any]:
        """Return it for machines."""
        return {
            "age_yr": self.age_yr,
            "actuations_so_far": self.actuations,
            **bounds("completion", self.completion),
            **bounds("energy_sufficed", self.energy_sufficed),
            **bounds("unit_yield", self.unit_yield),
            **bounds("unit_yield_energy", self.unit_yield_energy),
            **bounds("surviving", self.surviving),
            "first_falls": self.first_falls,
        }


@dataclass(frozen=True)
class LifeCurve:
    """The units over the years in one place.

    Attributes
    ----------
    place : ``every condition``, ``over the mission`` or a temperature
    temperature_degC : None but for a temperature
    binding : whether the requirement applies here
    points : by age
    below_when_new, recovering, outliving : shares of units that are below the requirement when new, that fell and
        reach it again at the last age, and that never fell; None without a requirement
    lives : ages by which 1 %, 10 % and the share that may fall have fallen below the requirement
    lives_energy : the same by energy alone
    """

    place: str
    temperature_degC: float | None
    binding: bool
    points: tuple[LifePoint, ...]
    below_when_new: Estimate | None
    recovering: Estimate | None
    outliving: Estimate | None
    lives: tuple[ShareLife, ...]
    lives_energy: tuple[ShareLife, ...]

    def payload(self) -> dict[str, Any]:
        """Return it for machines."""
        return {
            "place": self.place,
            "temperature_degC": self.temperature_degC,
            "binding": self.binding,
            **self._methods(),
            "points": [point.payload() for point in self.points],
            **bounds("below_when_new", self.below_when_new),
            **bounds("recovering", self.recovering),
            **bounds("outliving", self.outliving),
            "lives": [_life_payload(life) for life in self.lives],
            "lives_energy": [_life_payload(life) for life in self.lives_energy],
        }

    def _methods(self) -> dict[str, str]:
        """How the estimates of the last point were made, those of the others alike."""
        last = self.points[-1]
        named = {"completion": last.completion, "unit_yield": last.unit_yield, "surviving": last.surviving}
        return {f"{name}_method": estimate.method for name, estimate in named.items() if estimate is not None}


def _life_payload(life: ShareLife) -> dict[str, Any]:
    """Return an age for machines; None with its flag where it lies beyond the horizon."""
    return {
        "name": life_name(life.share),
        "share": life.share,
        "age_yr": None if life.beyond else life.value,
        "age_low_yr": life.low,
        "age_high_yr": None if math.isinf(life.high) else life.high,
        "seen_after_yr": life.after,
        "seen_before_yr": None if math.isinf(life.before) else life.before,
        "beyond_horizon": life.beyond,
        "surely_beyond_horizon": life.surely_beyond,
        "horizon_yr": life.horizon,
        "confidence": life.confidence,
        "method": life.method,
    }


def life_name(share: float) -> str:
    """Return the name of an age by the share of the units in per cent: ``B10``."""
    return f"B{100.0 * share:.6g}"


def shares_of(requirement: Requirement | None) -> tuple[float, ...]:
    """Return the shares of fallen units whose ages are told: 1 %, 10 %, and the one that the requirement allows."""
    allowed = None if requirement is None or requirement.unit_yield is None else 1.0 - requirement.unit_yield
    shares = set(SHARES)
    if allowed is not None and 1e-9 < allowed < 1.0:
        shares.add(round(allowed, 12))
    return tuple(sorted(shares))


@dataclass(frozen=True)
class Asked:
    """What all curves share: ages [yr], actuations a day, requirement, lots (n,) and confidence of each bound."""

    ages: tuple[float, ...]
    actuations_per_day: float | None
    requirement: Requirement | None
    clusters: IntArray | None
    confidence: float

    @property
    def required(self) -> float | None:
        """Completion required of a unit [share]."""
        return None if self.requirement is None else self.requirement.completion


def curve_of(
    place: str,
    temperature: float | None,
    completion: Sequence[UnitCompletion],
    energy: Sequence[UnitCompletion],
    asked: Asked,
) -> LifeCurve:
    """Return the curve of one place.

    Parameters
    ----------
    place : see `LifeCurve`
    temperature : [degC], or None
    completion, energy : one an age, arrays (n,), or (cells, n) where several cells bind together
    asked : what all curves share
    """
    required, requirement = asked.required, asked.requirement
    binding = requirement is not None and place == (MISSION if requirement.applies_to == MISSION else EVERY)
    points = [_point(k, completion[k], energy[k], asked) for k in range(len(asked.ages))]
    if required is None:
        return LifeCurve(place, temperature, False, tuple(points), None, None, None, (), ())
    kept, kept_energy = (surviving(units, required, asked.confidence, asked.clusters) for units in (completion, energy))
    falls = np.bincount(first_falls(completion, required).likely, minlength=len(asked.ages) + 1)
    lived = tuple(replace(p, surviving=kept[k], first_falls=int(falls[k])) for k, p in enumerate(points))
    shares = shares_of(requirement)
    return LifeCurve(
        place=place,
        temperature_degC=temperature,
        binding=binding,
        points=lived,
        below_when_new=_complement(kept[0]),
        recovering=recovered(completion, required, asked.confidence, asked.clusters),
        outliving=kept[-1],
        lives=tuple(share_life(asked.ages, kept, share) for share in shares),
        lives_energy=tuple(share_life(asked.ages, kept_energy, share) for share in shares),
    )


def _point(k: int, completion: UnitCompletion, energy: UnitCompletion, asked: Asked) -> LifePoint:
    single = completion.low.ndim == 1
    age, rate = asked.ages[k], asked.actuations_per_day

    def mean(units: UnitCompletion) -> Estimate | None:
        return mean_completion(units, asked.clusters, asked.confidence) if single else None

    def share(units: UnitCompletion) -> Estimate | None:
        if asked.required is None:
            return None
        return complying(units, asked.required, asked.confidence, asked.clusters)

    return LifePoint(
        age_yr=age,
        actuations=None if rate is None else rate * DAYS_PER_YEAR * age,
        completion=mean(completion),
        energy_sufficed=mean(energy),
        unit_yield=share(completion),
        unit_yield_energy=share(energy),
        surviving=None,
        first_falls=None,
    )


def _complement(e: Estimate) -> Estimate:
    return Estimate(1.0 - e.value, 1.0 - e.high, 1.0 - e.low, e.confidence, e.method)
