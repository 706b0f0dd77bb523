"""How we know: what was computed, what the bounds mean, what is assumed, and what the model leaves out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldsim.report.numbers import count, engineering, plain, small_share, stated, temperature, years

if TYPE_CHECKING:
    from yieldsim.analysis.signoff import SignoffResult
    from yieldsim.design.schema import Conditions

CAUTION = (
    "This is an estimate, computed from the inputs stated below. It is no substitute for qualification "
    "tests of built hardware. Local codes and regulations and the judgement of licensed practice come "
    "first."
)

_LIMITS = (
    "The harvester's emf is taken as open-circuit: the braking of the mechanism by the coil current is "
    "neglected, and so are core loss and saturation; the inductance is constant.",
    "The rectifier is a straight line fitted to its curve over the currents of a stroke; its junctions "
    "move together within a unit.",
    "The bias curve of the store is independent of temperature and age; its state is charge, and energy is "
    "the integral of voltage over charge.",
    "After the start-up the regulator's output capacitor helps nothing, which errs on the safe side; a "
    "regulator that stopped does not start again.",
    "The supply must hold throughout every step, its first instant included; the first violation ends the actuation.",
    "Losses of frames and acknowledgements are independent from attempt to attempt within what the design states.",
    "Ageing follows the mission's temperatures, the same for every condition of that age; it does not know "
    "batches that turn out bad, or parts that fail outright.",
)


def computed(result: SignoffResult) -> list[str]:
    """Return what was computed and how sure it is, one sentence or two an item."""
    yields = result.yields
    settings = result.provenance.settings
    actuations = sum(cell.actuations for cell in yields.cells)
    items = [
        f"{count(actuations)} actuations in {count(len(yields.cells))} conditions: the same "
        f"{count(yields.cells[0].units)} units in each, every unit with "
        f"{count(yields.cells[0].actuations // yields.cells[0].units)} actuations there. "
        + _lots(settings.get("lots")),
        "Each draw is a function of the seed, the parameter's name, its level and the address of unit and "
        "actuation; the same seed gives the same draws whatever else is changed, added or left out.",
        f"Bounds are one-sided, each at {stated(yields.confidence)} confidence; completion: "
        f"{yields.cells[0].completion.method}.",
    ]
    if yields.joint is not None:
        items.append(f"Share of units that comply: {yields.joint.method}.")
    items.append(
        "The confidence covers sampling alone, given the stated distributions; how far those are right is "
        "told by the basis of each parameter."
    )
    items.append(
        f"Ranking: {count(result.ranking.model_calls)} actuations computed at one condition; "
        f"{result.ranking.method}. The intervals of the indices are of sampling, too."
    )
    items.append(_accuracy(result))
    return items


def _lots(lots: int | None) -> str:
    return "Each unit comes from a lot of its own." if lots is None else f"The units come from {count(lots)} lots."


def _accuracy(result: SignoffResult) -> str:
    accuracy = result.provenance.settings.get("accuracy")
    text = f"The integration aims at {engineering(accuracy, 'V')} in reserve and start margin"
    line = result.check.drop_line
    text += (
        f"; the line through the rectifier's curve is {engineering(line['mean_error_V'], 'V')} off it in the "
        f"mean over the charge and {engineering(line['error_V'], 'V')} at most"
    )
    ledgers = max(abs(result.actuation.ledger_error), abs(result.nominal.ledger_error))
    return f"{text}; the energy ledgers shown close to {small_share(ledgers, 'up')} of their whole."


def assumptions(result: SignoffResult) -> list[str]:
    """Return what was taken for granted, with the counts."""
    check = result.check
    total = len(check.parameters)
    defaulted = sum(p.defaulted for p in check.parameters)
    items = [
        f"{count(len(check.assumed))} of {count(total)} parameters rest on an assumption, "
        f"{count(defaulted)} stand at the reader's default."
    ]
    items += _missions(result.design.conditions)
    for pair in result.design.correlations:
        items.append(f"Rank correlation {plain(pair.rank)} per {pair.level} between {' and '.join(pair.between)}.")
    return items


def _missions(conditions: Conditions) -> list[str]:
    """Where the units spend their life: the mission of all, or each site with its share and its own."""
    life = f"service life {years(conditions.service_life)}"
    if conditions.actuations_per_day:
        life += f", {plain(conditions.actuations_per_day)} actuations a day"
    if not conditions.sites:
        stated_or_not = "" if conditions.mission_given else " (not stated in the file)"
        return [f"Mission: {_places(conditions.mission)}{stated_or_not}; {life}."]
    sites = [f"Site {s.name}, {stated(s.share)} of the units: {_places(s.mission)}." for s in conditions.sites]
    return [*sites, f"At every site: {life}."]


def _places(mission: tuple[tuple[float, float], ...]) -> str:
    return ", ".join(f"{stated(part)} at {temperature(t)}" for t, part in mission)


def limits() -> tuple[str, ...]:
    """Return what the model leaves out."""
    return _LIMITS
