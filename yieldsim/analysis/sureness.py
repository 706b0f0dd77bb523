"""How sure a verdict is of its inputs: the share of plausible sets of input laws that meet the requirement.

The laws of a design are stated, but nobody knows them exactly: a measured tolerance rests on so many parts, a
datasheet's says how far parts may lie and not how they do, an assumed one is a guess
(`yieldsim.analysis.rankings.plausible_widths` has the ranges, which may be stated otherwise). Sets of laws are drawn
from these ranges, and the share of units that comply is worked out for each from one run, by reweighting
(`yieldsim.estimate.reweighting`).

A run of the laws as stated says nothing of wider ones: half of the widest uniform law would lie outside everything
that was drawn. The run is therefore made of *widened* laws, of which every plausible one is a part. Each input that is
varied costs effective samples, so that few are: those whose rank correlation with the voltage margin carries most, at
the condition that is worst for it. The others, those that differ by actuation, and those whose law has no density
ratio, stay as stated and are named. Limits of a truncated normal law stand still.

Where the requirement binds each condition by itself, those in which none of 1,024 actuations of the widened laws fails
are left out, and named: a unit that fails there fails where it is harder, too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.mission import Plan, over_the_mission, plan_of
from yieldsim.analysis.ranking import CONFIDENCE, worst_condition
from yieldsim.analysis.rankings.input_laws import Input, inputs_of
from yieldsim.analysis.rankings.measuring import CONVENTION, plausible_width, sample_size_of
from yieldsim.analysis.rankings.plausible_widths import PlausibleWidths
from yieldsim.analysis.rankings.scene import Scene
from yieldsim.analysis.running import joint_completion, run_cells
from yieldsim.design.parameter import Parameter, Tolerance
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, Progress, mapper
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.laws import Law
from yieldsim.estimate.rank_correlation import rank_correlations
from yieldsim.estimate.reweighting import Basis, plausible_sets
from yieldsim.estimate.reweighting import sureness as share_of_sets
from yieldsim.estimate.settled import sure_and_possible
from yieldsim.kernel import layout as at
from yieldsim.words.errors import InputError, Problem

FloatArray = NDArray[np.float64]

SETS = 200
TOO_WIDE = "as wide as is plausible it could not be"  # how the reason of an input that is kept for that begins
_MOST_VARIED = 6
_LEAST_SHARE = 0.01  # of the squared rank correlations, from which an input is varied
_SCREENED = 1024
_TAILED = (
    0.8  # spread that is sampled over the widest plausible one: a ratio up to 1.25 keeps weights of finite variance
)
_NORMAL = ("normal", "lognormal", "truncated normal")


@dataclass(frozen=True)
class VariedInput:
    """One input whose law is varied.

    Attributes
    ----------
    name, level, basis : of the input
    sample_size : measured parts that its centre and spread are drawn from; None for a range of the spread alone
    width_low, width_high : range of its spread over the stated one [-]
    """

    name: str
    level: str
    basis: str
    sample_size: int | None
    width_low: float
    width_high: float


@dataclass(frozen=True)
class InputSureness:
    """How many plausible sets of input laws meet the requirement.

    Attributes
    ----------
    share, share_low, share_high : of the sets that the run supports, those whose share of complying units reaches the
        required one; two-sided interval of the share of all sets, unsupported ones counted either way. NaN where none
        is supported
    sets, met, not_met, undecided, unsupported : sets in all, and by what their own bounds say
    required, completion : share of units that must comply, and completion of a unit that does
    units : run
    left_out : conditions in which none of 1,024 actuations of the widened laws failed
    varied : inputs whose laws are varied
    kept : name and level of inputs that stay as stated though they are not known exactly -> why
    confidence : of the interval
    plausible_widths : range of the true width over the stated one, of assumed and of datasheet numbers [-]
    method : in words
    """

    share: float
    share_low: float
    share_high: float
    sets: int
    met: int
    not_met: int
    undecided: int
    unsupported: int
    required: float
    completion: float
    units: int
    left_out: tuple[Condition, ...]
    varied: tuple[VariedInput, ...]
    kept: dict[str, str]
    confidence: float
    plausible_widths: PlausibleWidths = CONVENTION
    method: str = (
        "plausible laws drawn from sample sizes and ranges of widths, reweighted from one run of widened laws; sets "
        "below 100 effective units count as unsupported"
    )

    def payload(self) -> dict[str, Any]:
        """Return all of it for machines."""
        return asdict(self)


def sureness_of_inputs(
    design: Design,
    settings: Settings,
    progress: Progress | None = None,
    sets: int = SETS,
    widths: PlausibleWidths = CONVENTION,
) -> InputSureness:
    """Run widened laws once, and return how many plausible sets of laws meet the requirement.

    The cost is that of a `yield` run of one actuation a unit, in the conditions that matter.

    Parameters
    ----------
    design : with a required completion and unit yield
    settings : units, seed, accuracy, confidence and threads are used
    progress : called with blocks done and blocks in all
    sets : plausible sets of laws
    widths : how wide tolerances may truly be that nobody has measured

    Raises
    ------
    InputError : nothing is required, so that there is nothing to be sure of
    """
    requirement = design.requirement
    if requirement is None or requirement.completion is None or requirement.unit_yield is None:
        file = None if design.source is None else design.source.name
        reason = "no share of units is required, so that there is nothing to be sure of"
        raise InputError(
            Problem(file, "requirement.unit_yield", None, reason, "state requirement.completion and unit_yield")
        )
    confidence = settings.confidence or requirement.confidence or CONFIDENCE
    stated = Response(design, settings)
    with mapper(settings.threads) as over:
        chosen, kept = _chosen(stated, widths, over)
        wide = Response(_widened(design, chosen, widths), replace(settings, actuations=1))
        plan = _matters(wide, plan_of(design), over)
        answers = run_cells(wide, plan, over, progress)
    numbers = np.arange(settings.units, dtype=np.int64)
    units = joint_completion(wide, plan, [answer.completion for answer in answers], numbers)
    if units is None:
        raise ValueError("units without a completion")
    surely, possibly = sure_and_possible(units, requirement.completion)
    values = 0.5 * (surely.astype(np.float64) + possibly.astype(np.float64))
    laws = [law for one in chosen if (law := one.law) is not None]
    drawn = plausible_sets(laws, [_basis(one, widths) for one in chosen], sets, settings.seed)
    found = share_of_sets(
        values,
        _values(wide, chosen, numbers),
        _laws(wide, chosen),
        drawn,
        requirement.unit_yield,
        None if settings.lots is None else wide.population.lot_of(numbers),
        confidence,
    )
    return InputSureness(
        share=found.share,
        share_low=found.low,
        share_high=found.high,
        sets=sets,
        met=found.met,
        not_met=found.not_met,
        undecided=found.undecided,
        unsupported=found.unsupported,
        required=requirement.unit_yield,
        completion=requirement.completion,
        units=settings.units,
        left_out=tuple(c for c in plan_of(design).conditions if c not in plan.conditions),
        varied=tuple(_told(one, widths) for one in chosen),
        kept=kept,
        confidence=confidence,
        plausible_widths=widths,
    )


# --- which inputs are varied --------------------------------------------------------------------------------


def _chosen(response: Response, widths: PlausibleWidths, over: Mapper) -> tuple[list[Input], dict[str, str]]:
    """Inputs to vary, and those that stay as stated with the reason."""
    inputs = inputs_of(response.design, response.population)
    of_units = [one for one in inputs if one.variable.level != "actuation"]
    shares = dict(zip(((o.variable.name, o.variable.level) for o in of_units), _shares(response, over), strict=True))
    kept: dict[str, str] = {}
    candidates: list[tuple[float, Input]] = []
    for one in inputs:
        label = _label(one)
        share = shares.get((one.variable.name, one.variable.level), 0.0)
        if one.variable.level == "actuation":
            kept[label] = "it differs by actuation"
        elif one.law is None:
            kept[label] = one.problem or "no law"
        elif share < _LEAST_SHARE:
            kept[label] = "little influence"
        else:
            candidates.append((share, one))
    candidates.sort(key=lambda pair: (-pair[0], pair[1].variable.name, pair[1].variable.level))
    chosen: list[Input] = []
    for _, one in candidates:
        if len(chosen) == _MOST_VARIED:
            kept[_label(one)] = f"less influence than {_MOST_VARIED} others"
        elif (reason := _too_wide(response, one, widths)) is not None:
            kept[_label(one)] = reason
        else:
            chosen.append(one)
    return chosen, kept


def _label(one: Input) -> str:
    return f"{one.variable.name} ({one.variable.level})"


def _too_wide(response: Response, one: Input, widths: PlausibleWidths) -> str | None:
    """Why the widest plausible law of an input is none that a part could have; None where it is one."""
    try:
        Response(_widened(response.design, [one], widths), response.settings)
    except InputError as error:
        high = plausible_width(one.parameter, one.variable.level, widths)[1]
        return f"{TOO_WIDE} ({high:.3g} times as stated): {error.problems[0].reason}"
    return None


def _shares(response: Response, over: Mapper) -> FloatArray:
    """Share of each lot and unit input in the squared rank correlations with the voltage margin."""
    condition: Condition = worst_condition(response, "voltage margin", over)
    points = _screen(response)
    margin = Scene(response, condition, over).column(points, at.VOLTAGE_MARGIN, "voltage margin")
    unit_axes = [k for k, axis in enumerate(response.dimensions) if axis.attempt < 0]
    deviations = response.population.deviations_at(np.ascontiguousarray(points[:, unit_axes]))
    if np.ptp(margin) == 0.0 or not deviations.shape[1]:
        return np.zeros(deviations.shape[1])
    squares = rank_correlations(deviations, margin).rank ** 2
    return np.asarray(squares / squares.sum())


def _screen(response: Response) -> FloatArray:
    """Independent points of the unit cube."""
    rng = np.random.default_rng([response.settings.seed, 0x5E7])
    return np.asarray(np.clip(rng.random((_SCREENED, len(response.dimensions))), 1e-12, 1.0 - 1e-12))


def _matters(wide: Response, plan: Plan, over: Mapper) -> Plan:
    """Return the plan without conditions in which nothing fails; the hardest one stays, and all of a mission."""
    if over_the_mission(wide.design):
        return plan
    points = _screen(wide)
    margins = [Scene(wide, c, over).run(points)[0][:, at.VOLTAGE_MARGIN] for c in plan.conditions]
    least = [float(np.nanmin(margin)) for margin in margins]
    kept = [k for k, low in enumerate(least) if low < 0.0 or low == min(least)]
    return Plan(
        tuple(plan.conditions[k] for k in kept), tuple(plan.excursions[k] for k in kept), tuple(range(len(kept)))
    )


# --- widened and plausible laws -----------------------------------------------------------------------------


def _basis(one: Input, widths: PlausibleWidths) -> Basis:
    """What an input's law is known from."""
    size = sample_size_of(one.parameter, one.variable.level)
    if size is not None and one.law is not None and one.law.shape in _NORMAL:
        return Basis(sample_size=size)
    return Basis(factor=plausible_width(one.parameter, one.variable.level, widths))


def _told(one: Input, widths: PlausibleWidths) -> VariedInput:
    low, high = plausible_width(one.parameter, one.variable.level, widths)
    size = _basis(one, widths).sample_size
    return VariedInput(one.variable.name, one.variable.level, one.parameter.basis, size, low, high)


def _widened(design: Design, chosen: Sequence[Input], widths: PlausibleWidths) -> Design:
    """Return the design with the tolerances that are varied as wide as the widest plausible ones need them."""
    by_name: dict[str, Parameter] = {}
    for one in chosen:
        high = plausible_width(one.parameter, one.variable.level, widths)[1]
        name, level = one.variable.name, one.variable.level
        parameter = by_name.get(name, one.parameter)
        tolerances = tuple(
            _wide(tolerance, one.law, high) if tolerance.level == level and one.law is not None else tolerance
            for tolerance in parameter.tolerances
        )
        by_name[name] = replace(parameter, tolerances=tolerances)
    for parameter in by_name.values():
        design = design.with_parameter(parameter)
    return design


def _wide(tolerance: Tolerance, law: Law, high: float) -> Tolerance:
    """Return a tolerance of which every plausible one is a part."""
    if law.shape in _NORMAL:
        centre = law.centre - tolerance.offset if law.shape == "truncated normal" else tolerance.mode
        return replace(tolerance, sigma=law.spread * max(1.0, _TAILED * high), mode=centre)
    middle, half = law.centre - tolerance.offset, law.spread * max(1.0, high)
    mode = middle if law.shape == "triangular" else tolerance.mode
    return replace(tolerance, low=middle - half, high=middle + half, mode=mode)


def _laws(wide: Response, chosen: Sequence[Input]) -> list[Law]:
    """Laws that the run was drawn from."""
    known = {(o.variable.name, o.variable.level): o.law for o in inputs_of(wide.design, wide.population)}
    laws = [known[one.variable.name, one.variable.level] for one in chosen]
    return [law for law in laws if law is not None]


def _values(wide: Response, chosen: Sequence[Input], numbers: NDArray[np.int64]) -> FloatArray:
    """Drawn values (n, d) of the varied inputs."""
    deviations = wide.population.unit_deviations(numbers)
    place = {(v.name, v.level): k for k, v in enumerate(wide.population.unit_variables)}
    columns = [one.values(deviations[:, place[one.variable.name, one.variable.level]]) for one in chosen]
    return np.stack(columns, axis=1) if columns else np.empty((len(numbers), 0))
