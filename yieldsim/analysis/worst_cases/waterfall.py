"""The way of one quantity from its nominal value to its worst one, in its unit and, of a reserve, in kind."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.margins import Margins, input_current, reserve_in_kind, store_charge_between
from yieldsim.analysis.worst_cases.answers import RESERVE, Contribution, StageInKind, Waterfall
from yieldsim.analysis.worst_cases.box import NO_ACCESS, WorstCaseBox
from yieldsim.analysis.worst_cases.search import Found, Searcher
from yieldsim.analysis.worst_cases.shares import (
    BENCH,
    TOLERANCE,
    Measure,
    Share,
    adverse_effects,
    biases,
    randoms,
)
from yieldsim.design.schema import Design
from yieldsim.engine.strata import Stratum
from yieldsim.kernel import layout as at

FloatArray = NDArray[np.float64]

_NOTHING = 1e-9  # share of the way below which a tolerance does nothing


def waterfall(searcher: Searcher, found: Found, nominal: float) -> Waterfall:
    """Tell the way to what was found.

    Parameters
    ----------
    searcher : with the boxes
    found : the worst of a quantity
    nominal : of the nominal actuation on the bench [unit]
    """
    box = searcher.boxes[len(found.stratum.tries)]
    asked, charge = found.asked, found.asked.name == RESERVE
    measure = _measure(box, asked.column, charge)
    bench, benched = _bench(searcher, nominal, charge)
    first = biases(box, found.condition, found.stratum, _link(found), measure, bench)
    second, worst = randoms(box, found.condition, found.stratum, found.search.point, measure)
    biased = bench + np.sum([share.effect for share in first], axis=0)
    rates: tuple[float | None, float | None] = (None, None)
    at_worst = None
    if charge:
        margins, values = box.opened(found.search.point, found.condition, found.stratum)
        rates = _rates(margins)
        at_worst = _in_kind(margins, values)
    alone = adverse_effects(found.search.start_value, found.search.alone)
    turned = {(a.name, a.level, a.attempt): -abs(float(e)) for a, e in zip(box.axes, alone, strict=True)}
    way = float(worst[0]) - nominal
    return Waterfall(
        quantity=asked.name,
        unit=asked.unit,
        temperature_degC=found.condition.temperature,
        age_yr=found.condition.age,
        attempts=found.case.attempts,
        channel=found.case.channel,
        message=found.message(searcher.response.design),
        press=found.press,
        nominal=nominal,
        biased=float(biased[0]),
        worst=float(worst[0]),
        root_sum_square=found.root_sum_square,
        contributions=tuple(_contribution(s, way, turned, rates, asked.least) for s in (*first, *second)),
        nominal_in_kind=benched,
        worst_in_kind=at_worst,
    )


def _link(found: Found) -> str:
    """The outcome of the link in words."""
    made = found.case.attempts
    words = f"{made} attempt{'s' if made > 1 else ''}"
    words += "" if found.stratum.acknowledged else ", no answer"
    words += ", press stopped short" if found.stratum.partial else ""
    return words if found.case.channel == NO_ACCESS else f"{words}, channel {found.case.channel}, longest backoffs"


def _measure(box: WorstCaseBox, column: int, charge: bool) -> Measure:
    """Return what is measured: the quantity, and the reserve's charge [C] beside it."""

    def measure(base: FloatArray, scale: FloatArray, u: FloatArray, stratum: Stratum) -> FloatArray:
        values = box.values_of(base, scale, u, stratum)
        if not charge:
            return values[:, [column]]
        charges = [_charge(box.response.design, x, row) for x, row in zip(base, values, strict=True)]
        return np.column_stack([values[:, column], charges])

    return measure


def _charge(design: Design, x: FloatArray, values: FloatArray) -> float:
    """Charge [C] that the store gives over the volts of a reserve."""
    store, reserve = float(values[at.RESERVE_STORE]), float(values[at.RESERVE])
    return store_charge_between(design, x, store - reserve, store)


def _bench(searcher: Searcher, nominal: float, charge: bool) -> tuple[FloatArray, StageInKind | None]:
    if not charge:
        return np.array([nominal]), None
    opened = searcher.response.respond_at({}, BENCH, opened=True)
    margins = Margins(searcher.response.design, opened.x, opened.record, int(opened.codes[at.MESSAGE]))
    return np.array([nominal, _charge(margins.design, opened.x, opened.values)]), _in_kind(margins, opened.values)


def _in_kind(margins: Margins, values: FloatArray) -> StageInKind:
    found = reserve_in_kind(margins, values)
    return StageInKind(found.charge, found.octets, found.listen)


def _rates(margins: Margins) -> tuple[float | None, float | None]:
    """Octets on air, and seconds of listening, that a coulomb buys."""
    octets, listen = None, None
    for code, step in enumerate(margins.design.radio.sequence):
        if not margins.design.radio.runs(step, margins.message):
            continue
        current = input_current(margins, code)
        if step.frame is not None and octets is None and current > 0.0:
            octets = step.frame.bit_rate / 8.0 / current
        if step.acknowledgement is not None and listen is None and current > 0.0:
            listen = 1.0 / current
    return octets, listen


def _contribution(
    share: Share,
    way: float,
    alone: dict[tuple[str, str, int], float],
    rates: tuple[float | None, float | None],
    least: bool,
) -> Contribution:
    effect = float(share.effect[0])
    charge = float(share.effect[1]) if len(share.effect) > 1 else None
    own = None
    if share.axis is not None:
        own = alone[share.axis.name, share.axis.level, share.axis.attempt] * (1.0 if least else -1.0)
    octets, listen = (None if charge is None or rate is None else charge * rate for rate in rates)
    return Contribution(
        name=share.name,
        level=share.level,
        kind=share.kind,
        source=share.source,
        effect=effect,
        share=effect / way if way else 0.0,
        pushes=_pushes(share, way),
        alone=own,
        effect_C=charge,
        octets=octets,
        listen_s=listen,
    )


def _pushes(share: Share, way: float) -> str | None:
    if share.source != TOLERANCE or share.place is None:
        return None
    if abs(float(share.effect[0])) <= _NOTHING * abs(way):
        return "either"
    return "low" if share.place <= 0.0 else "high" if share.place >= 1.0 else "inside"
