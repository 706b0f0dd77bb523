"""How we know: what was computed, what the bounds mean, what is assumed, and what the model leaves out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldsim.report.numbers import count, engineering, plain, small_share, stated, temperature, years

if TYPE_CHECKING:
    from yieldsim.analysis.signoff import SignoffResult
    from yieldsim.analysis.until import Stopped
    from yieldsim.design.parameter import Parameter
    from yieldsim.design.schema import Conditions, Design

CAUTION = (
    "This is an estimate, computed from the inputs stated below. It is no substitute for qualification "
    "tests of built hardware. Local codes and regulations and the judgement of licensed practice come "
    "first."
)

_COIL = (
    "The harvester's emf is taken as open-circuit: the braking of the mechanism by the coil current is neglected, "
    "and so are core loss and saturation; the inductance is constant.",
)
_PIEZO = (
    "The piezoelectric element is an open-circuit swing behind a source capacitance, with a loss resistance across "
    "it, both constant over a stroke. The swing does not depend on the speed of the stroke, charge stays on the "
    "element from stroke to stroke, and what the element does to the mechanism is neglected.",
)
_PACKET = (
    "The harvester is an energy packet, the view of a data sheet: energy times efficiency reaches the store at "
    "constant power over the delivery time, whatever the store's voltage. The losses of coil, rectifier and the "
    "series resistance of the store are inside the efficiency, so no diode current or reverse voltage is told.",
)
_RECTIFIER = (
    "The rectifier is a straight line fitted to its curve over the currents of a stroke; its junctions move together "
    "within a unit.",
)
_STORE = (
    "The bias curve of the store is independent of temperature and age; its state is charge, and energy is the "
    "integral of voltage over charge.",
)
#: error [V] of the reserve that one voltage behind one series resistance brings to a bank, against capacitors that
#: each keep a voltage of their own; None until it is measured
BANK_ERROR_V: float | None = 0.030
_BANK = (
    "Capacitors in parallel stand at one voltage, and their series resistance is that of all of them in parallel: "
    "that they share a current step unevenly until their own voltages agree is left out"
)
_NO_HARVESTER = ("There is no harvester: what the store holds at the release is all there is.",)
_PRECHARGE = (
    "Before the release the precharge is a constant current, less what the regulator takes while off and what leaks, "
    "for the charge time and up to its voltage limit; the regulator is held off until the release. Light and heat "
    "that change meanwhile are not modelled, and the precharge gives nothing after the release.",
)
_RESIDUAL = (
    "What the actuation before left in the store runs down by the regulator's off current and leakage for the time "
    "since then, which is drawn by itself: one actuation does not pass its own end on to the next.",
)
_NO_RESTART = ("A regulator that stopped does not start again within the actuation.",)
_RESTART = (
    "After a brown-out the regulator starts again when its input rises through the start voltage, and the whole "
    "sequence runs again on the same draws; margins and times are those of the best start. The output capacitor is "
    "then charged anew, as from empty.",
)
_PARTIAL = (
    "A partial press cuts every stroke when it has delivered the share drawn for it, of its flux, swing or energy; "
    "how fast the mechanism moves until then is that of a full press.",
)
_CODES = (
    "A dielectric code states limits of the temperature factor, not a curve: each part lies at one place between "
    "them, drawn uniformly, and keeps it at every temperature. The code says nothing of bias and ageing.",
)
_CURVES = ("Factors against input voltage or load current are straight lines between their points, flat beyond.",)
_MESSAGES = (
    "Which message is sent is drawn for each actuation by itself, from the shares stated; the nominal actuation "
    "sends the commonest.",
)
_GATE = (
    "A retry begins only with the regulator's input at or above the stated voltage at the end of the attempt before; "
    "the radio is taken to measure it without error, time or energy. Otherwise the actuation ends unacknowledged.",
)
_ALWAYS = (
    "After the start-up the regulator's output capacitor helps nothing, which errs on the safe side.",
    "The supply must hold throughout every step, its first instant included; the first violation is a brown-out.",
    "Losses of frames and acknowledgements are independent from attempt to attempt within what the design states.",
    "Ageing follows the mission's temperatures, the same for every condition of that age; it does not know "
    "batches that turn out bad, or parts that fail outright.",
)


def _methods_beyond(result: SignoffResult) -> list[tuple[str, str]]:
    """How the parts that a brief sign-off leaves out were made."""
    parts = {
        "Worst case": result.worst_case,
        "Causes of failure": result.causes,
        "Sureness of the inputs": result.sureness,
    }
    found = [(name, part.method) for name, part in parts.items() if part is not None]
    if result.unit_changes is not None:
        found.append(("What a change is worth", result.unit_changes.slopes_method))
    if result.life is not None and result.life.binding.lives:
        found.append(("Ages by which units have fallen", result.life.binding.lives[0].method))
    return found


def stopping(stopped: Stopped) -> str:
    """Return why a watched run ended, and what its bounds are worth although it was watched."""
    looked = "once" if stopped.looks == 1 else f"{count(stopped.looks)} times"
    return (
        f"The run ended after {count(stopped.units)} of at most {count(stopped.most_units)} units: {stopped.reason}. "
        f"It was looked at {looked}, and all bounds hold at all looks together: that on the share "
        "of units that comply as a confidence sequence, the others by spending a part of the error at each look."
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
    if yields.stopped is not None:
        items.append(stopping(yields.stopped))
    items.append(
        "The confidence covers sampling alone, given the stated distributions; how far those are right is "
        "told by the basis of each parameter."
    )
    items.append(
        f"Ranking: {count(result.ranking.model_calls)} actuations computed at one condition; "
        f"{result.ranking.method}. The intervals of the indices are of sampling, too."
    )
    items.append(_accuracy(result))
    items += [f"{name}: {method}." for name, method in _methods_beyond(result)]
    return items


def _lots(lots: int | None) -> str:
    return "Each unit comes from a lot of its own." if lots is None else f"The units come from {count(lots)} lots."


def _accuracy(result: SignoffResult) -> str:
    accuracy = result.provenance.settings.get("accuracy")
    text = f"The integration aims at {engineering(accuracy, 'V')} in reserve and start margin (the accuracy setting)"
    line = result.check.drop_line
    text += (
        f"; the line through the rectifier's curve is {engineering(line['mean_error_V'], 'V')} off it in the "
        f"mean over the charge and {engineering(line['error_V'], 'V')} at most"
    )
    shown = (result.actuation.ledger_error, result.nominal.ledger_error, result.yields.ledger_error)
    opened = sum(ledger.sample for ledger in result.yields.ledgers)
    return (
        f"{text}; the energy ledgers of all {count(opened + 2)} actuations opened close to "
        f"{small_share(max(map(abs, shown)), 'up')} of their whole."
    )


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


def limits(result: SignoffResult) -> tuple[str, ...]:
    """Return what the model leaves out of this design."""
    return limits_of(result.design)


def limits_of(design: Design) -> tuple[str, ...]:
    """Return the limits of the model as far as they touch a design."""
    harvester, storage, regulator = design.harvester, design.storage, design.regulator
    kind = "" if harvester is None else harvester.kind
    source = {"electromagnetic": _COIL, "piezoelectric": _PIEZO, "energy packet": _PACKET}.get(kind, ())
    curved = (regulator.off_current, regulator.quiescent, regulator.dropout, regulator.efficiency)
    touched = (
        (source if kind else _NO_HARVESTER, True),
        (_PARTIAL, harvester is not None and harvester.partial is not None),
        (_RESIDUAL, storage.residual is not None),
        (_PRECHARGE, design.precharge is not None),
        (_RECTIFIER, kind in ("electromagnetic", "piezoelectric")),
        (_STORE, True),
        (_bank(), len(storage.capacitors) > 1),
        (_CODES, any(p.temperature is not None and p.temperature.kind == "dielectric" for p in _capacitances(design))),
        (_RESTART if regulator.restart else _NO_RESTART, True),
        (_CURVES, any(p is not None and p.curve is not None for p in curved)),
        (_MESSAGES, len(design.radio.messages) > 1),
        (_GATE, design.link.retry_above is not None),
        (_ALWAYS, True),
    )
    return tuple(text for texts, here in touched if here for text in texts)


def _bank() -> tuple[str, ...]:
    """Return what is said of a bank, with the error of it where that is known."""
    known = ""
    if BANK_ERROR_V is not None:
        known = (
            f"; in random banks of 0.01 to 1 ohm the reserve was off by {engineering(BANK_ERROR_V, 'V')} at most for it"
        )
    return (f"{_BANK}{known}.",)


def _capacitances(design: Design) -> list[Parameter]:
    return [part.capacitance for part in design.storage.parts]
