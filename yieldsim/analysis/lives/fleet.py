"""What a fleet loses: reports that do not complete, and the share of the units that most of them come from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.cell import bounds
from yieldsim.engine.laws import DAYS_PER_YEAR
from yieldsim.estimate.concentration import Concentration, concentration
from yieldsim.estimate.intervals import CLUSTERS, Estimate, low_bound_of_clusters
from yieldsim.estimate.unit_completion import UnitCompletion
from yieldsim.words.errors import InputError, Problem

IntArray = NDArray[np.int64]

DEFAULT_NODES = 1000
MOST = 0.8  # of the losses: what "most of them" means


@dataclass(frozen=True)
class AgeLoss:
    """Reports of the fleet that do not complete in a year of this age; None where their number is not stated."""

    age_yr: float
    lost_share: Estimate
    lost_per_yr: Estimate | None

    def payload(self) -> dict[str, Any]:
        """Return it for machines."""
        return {
            "age_yr": self.age_yr,
            **bounds("lost_share", self.lost_share),
            **bounds("lost_reports_per_yr", self.lost_per_yr),
        }


@dataclass(frozen=True)
class FleetLosses:
    """What a fleet of such units loses over the mission.

    The intervals are of the expectation over all units that could be built; a given fleet in a given year scatters
    about it.

    Attributes
    ----------
    nodes : in the fleet
    reports_per_yr : actuations of the whole fleet in a year; None where the file does not say how many there are
    lost_share : of all actuations over the life, weighted by the mission, those that do not complete
    energy_lost_share : those for which the energy does not suffice, a part of them
    lost_per_yr, energy_lost_per_yr : the same as numbers of reports in a mean year of the life
    by_age : in a year of each age
    most : which share of the units produces 80 % of the losses; None where none is lost
    """

    nodes: int
    reports_per_yr: float | None
    lost_share: Estimate
    energy_lost_share: Estimate
    lost_per_yr: Estimate | None
    energy_lost_per_yr: Estimate | None
    by_age: tuple[AgeLoss, ...]
    most: Concentration | None

    def payload(self) -> dict[str, Any]:
        """Return it for machines."""
        most = None
        if self.most is not None:
            most = {
                "of_losses": self.most.of_losses,
                **bounds("units", self.most.units),
                "method": self.most.units.method,
                "curve": [
                    {"units": x, "losses_plain": plain, "losses_crossed": crossed}
                    for (x, plain), (_, crossed) in zip(self.most.curve, self.most.crossed, strict=True)
                ],
            }
        return {
            "nodes": self.nodes,
            "reports_per_yr": self.reports_per_yr,
            **bounds("lost_share", self.lost_share),
            **bounds("energy_lost_share", self.energy_lost_share),
            **bounds("lost_reports_per_yr", self.lost_per_yr),
            **bounds("energy_lost_reports_per_yr", self.energy_lost_per_yr),
            "method": self.lost_share.method,
            "by_age": [one.payload() for one in self.by_age],
            "most": most,
        }


def check_nodes(nodes: int) -> int:
    """Return the size of a fleet, or refuse it with InputError."""
    if nodes < 1:
        raise InputError(Problem(None, "fleet", str(nodes), "a fleet has one node or more", "use 1000"))
    return nodes


def mean_completion(units: UnitCompletion, clusters: IntArray | None, confidence: float) -> Estimate:
    """Return the mean completion of units, arrays (n,): the upper ends of their brackets, bounds from both ends.

    What parts the ends are rare outcomes of the link whose supply was not asked. Nearly all of them complete, as the
    likelier ones of the same unit do, but for what the link itself loses, of which the upper ends are free
    (`yieldsim.analysis.lives.units.capped`): the middle would count half of them as lost, which is more than a good
    supply loses.

    Draws are independent between units, so that the bounds over units or lots allow for the luck of the draws too.
    Units that look settled get fewer of them, which shifts their mean a little: in four runs of 768 units of the
    valve-turn demo at 60 degC after 1 yr the loss came out at -6, -5, 0 and +2 % of that of 64 draws for all, that of
    the first four draws of all at -3, -7, 0 and +1 %.
    """
    low = low_bound_of_clusters(units.low, clusters, confidence)
    high = 1.0 - low_bound_of_clusters(1.0 - units.high, clusters, confidence)
    value = float(units.high.mean())
    return Estimate(value, min(low, value), max(high, value), confidence, CLUSTERS)


def lost(completion: Estimate, times: float = 1.0) -> Estimate:
    """Return what does not complete, ``times`` as many."""
    c = completion
    return Estimate(times * (1.0 - c.value), times * (1.0 - c.high), times * (1.0 - c.low), c.confidence, c.method)


def fleet_losses(
    nodes: int,
    actuations_per_day: float | None,
    life: tuple[UnitCompletion, UnitCompletion],
    by_age: list[tuple[float, Estimate]],
    clusters: IntArray | None,
    confidence: float,
    seed: int,
) -> FleetLosses:
    """Return what a fleet loses.

    Parameters
    ----------
    nodes : in the fleet
    actuations_per_day : of each
    life : completion and energy of each unit over the mission and the years, arrays (n,)
    by_age : ages [yr] with the completion over the mission there
    clusters : (n,) lot of each unit, or None
    confidence : of each bound
    seed : of the resampling of units
    """
    reports = None if actuations_per_day is None else nodes * actuations_per_day * DAYS_PER_YEAR

    def counted(completion: Estimate) -> Estimate | None:
        return None if reports is None else lost(completion, reports)

    completion, energy = (mean_completion(one, clusters, confidence) for one in life)
    whole = life[0]
    halves = None
    if whole.sampling is not None:  # about the middles of the brackets
        up = 0.5 * (whole.high - whole.low)
        halves = np.clip(1.0 - whole.sampling.halves - up, 0.0, 1.0)
    return FleetLosses(
        nodes=nodes,
        reports_per_yr=reports,
        lost_share=lost(completion),
        energy_lost_share=lost(energy),
        lost_per_yr=counted(completion),
        energy_lost_per_yr=counted(energy),
        by_age=tuple(AgeLoss(age, lost(one), counted(one)) for age, one in by_age),
        most=concentration(1.0 - whole.high, halves, MOST, confidence, clusters, seed),
    )
