"""Where the energy went: the ledger of one actuation by name, and its mean and spread over a sample of a run."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper
from yieldsim.engine.response import CHANNEL_ACCESS, Response
from yieldsim.kernel import layout as at

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SAMPLE = 256  # actuations of a cell whose energies are added up
BENCH = 25.0  # temperature at which a unit is first tried [degC]
SPREAD = (0.05, 0.95)  # quantiles of an entry over the sample
_TOGETHER = 32  # actuations a task

CAME = {"source": at.LED_SOURCE, "stored at the release": at.LED_INITIAL}
_WENT = {
    "coil": at.LED_COIL,
    "diodes": at.LED_DIODE,
    "ESR": at.LED_ESR,
    "clamp": at.LED_CLAMP,
    "leakage": at.LED_LEAKAGE,
    "regulator": at.LED_REGULATOR,
}
_LEFT = {"left in store": at.LED_STORE, "left in coil": at.LED_COIL_LEFT}


@dataclass(frozen=True)
class LedgerEntry:
    """One entry over a sample: mean, 5 % and 95 % point [J], and the mean as a share of all that came in."""

    mean_J: float
    low_J: float
    high_J: float
    share: float


@dataclass(frozen=True)
class CellLedger:
    """Energies of a sample of one cell's actuations.

    Attributes
    ----------
    temperature_degC, age_yr : the condition
    sample : number of actuations, spread evenly over the units
    source : kind of the harvester, empty without one
    entries : name -> entry; `CAME` in front, then where it went, in the order of the ledger
    error : the most that the ledger of any of them leaves open, as a share of what came in
    """

    temperature_degC: float
    age_yr: float
    sample: int
    source: str
    entries: dict[str, LedgerEntry]
    error: float

    def payload(self) -> dict[str, Any]:
        """Return it for machines."""
        return {
            "temperature_degC": self.temperature_degC,
            "age_yr": self.age_yr,
            "actuations": self.sample,
            "entries": [{"name": name, **asdict(entry)} for name, entry in self.entries.items()],
            "greatest_error": self.error,
        }


def entry_columns(design: Design) -> dict[str, int]:
    """Return the column of the ledger of every entry by name: what came, losses, steps, what is left."""
    rows = {**CAME, **_WENT}
    sequence = design.radio.sequence
    for k, step in enumerate(sequence):
        taken = step.name in rows or step.name in _LEFT or step.name == CHANNEL_ACCESS
        rows[f"step {step.name}" if taken else step.name] = at.LED_STEPS + k
    if design.link.backoff is not None:
        rows[CHANNEL_ACCESS] = at.LED_STEPS + len(sequence)
    return {**rows, **_LEFT}


def open_shares(ledgers: FloatArray) -> FloatArray:
    """Return what ledgers (n, L) leave open, as shares (n,) of what came in; 0 where nothing did."""
    came = ledgers[:, at.LED_SOURCE] + ledgers[:, at.LED_INITIAL]
    went = ledgers.sum(axis=1) - came
    return np.asarray(np.divide(came - went, came, out=np.zeros_like(came), where=came > 0.0))


def ledger_of(design: Design, ledger: FloatArray) -> tuple[dict[str, float], float]:
    """Return the ledger (L,) of one actuation by name [J], and what it leaves open as a share of what came in."""
    rows = {name: float(ledger[k]) for name, k in entry_columns(design).items()}
    return rows, float(open_shares(ledger[None])[0])


def sample_of(units: int, actuations: int) -> IntArray:
    """Return the addresses (n, 2) of at most `SAMPLE` actuations: units evenly spread, their actuations in turn."""
    count = min(SAMPLE, units * actuations)
    place = np.arange(count)
    unit = place * units // count
    first = np.searchsorted(unit, unit)  # how many of the same unit stand in front
    number = place - first if count > units else place % actuations
    return np.stack([unit, number], axis=1).astype(np.int64)


def reference_of(conditions: Sequence[Condition]) -> Condition:
    """Return the condition nearest to a bench: the least age, then the temperature next to 25 degC."""
    return min(conditions, key=lambda c: (c.age, abs(c.temperature - BENCH), c.temperature))


def cell_ledger(response: Response, condition: Condition, over: Mapper) -> CellLedger:
    """Open a sample of a cell's actuations and add up where their energy went.

    Parameters
    ----------
    response : Response
        Units and actuations of its settings say how many there are.
    condition : the cell
    over : anything with an executor's ``map``; the result does not depend on it
    """
    settings, harvester = response.settings, response.design.harvester
    addresses = sample_of(settings.units, settings.actuations)
    parts = [addresses[k : k + _TOGETHER] for k in range(0, len(addresses), _TOGETHER)]
    found = np.concatenate(list(over.map(lambda part: response.ledgers(part, condition), parts)))
    finite = found[np.isfinite(found).all(axis=1)]  # an actuation that was not finished has no ledger
    if len(finite) == 0:
        finite = np.zeros((1, found.shape[1]))
    whole = float(finite[:, [at.LED_SOURCE, at.LED_INITIAL]].sum(axis=1).mean())
    entries = {}
    for name, column in entry_columns(response.design).items():
        energies = finite[:, column]
        low, high = np.quantile(energies, SPREAD)
        mean = float(energies.mean())
        entries[name] = LedgerEntry(mean, float(low), float(high), mean / whole if whole > 0.0 else 0.0)
    error = float(np.abs(open_shares(finite)).max())
    source = "" if harvester is None else harvester.kind
    return CellLedger(condition.temperature, condition.age, len(finite), source, entries, error)
