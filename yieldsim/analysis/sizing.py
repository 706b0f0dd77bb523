"""Which values of a number meet the requirement: a scan, the window that is left, and a value shown to be in it.

1. *Scan.* Preferred values of the range, or values of equal ratios, are looked at with few units in the conditions that
   are nominally hardest (`sizes.runs.look_at`), on common random numbers: draws are keyed by name and unit, so that
   every value sees the same units. A value is ruled out where an upper bound stays below what is required; one that is
   left, but looks as if it failed, is looked at again with four times the units. The gaps in which that changes are
   halved. All values ruled out are so together at the confidence stated.
2. *Choice.* Of the neighbouring values that are left, the preferred one farthest from both ends.
3. *Confirmation.* A run of all conditions with a seed of its own, at the full effort, shows whether it is met. Values
   beside it follow outwards, with the same fresh seed. All values shown meet the requirement together at the confidence
   stated; see `yieldsim.estimate.window` for why the chosen one need not pay for the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.sizes.ranges import Range, changing, check_required, scan_values
from yieldsim.analysis.sizes.runs import Judgement, Look
from yieldsim.analysis.sizes.search import Judging, Looking, Stages, fresh_seed
from yieldsim.analysis.stress import check_ratings
from yieldsim.analysis.verdict import UNDECIDED
from yieldsim.analysis.yields import bounds, confidence_of
from yieldsim.design.schema import Design, Requirement
from yieldsim.design.variation import Variable, variable_of
from yieldsim.engine.execution import mapper
from yieldsim.engine.settings import Settings
from yieldsim.estimate import window
from yieldsim.words.errors import InputError, Problem

__all__ = ["NOTHING", "Range", "SizeResult", "SizedValue", "Window", "fresh_seed", "judgement_row", "row_of", "size"]

NOTHING = "nothing"  # the word where every value is ruled out
_ROUNDS, _ADDED = 2, 8  # gaps halved, values added by that


@dataclass(frozen=True)
class SizedValue:
    """One scanned value.

    Attributes
    ----------
    value : SI
    label : spelled, or the name of the candidate
    preferred : in the series, or a candidate: what may be chosen
    changes : every number that goes with it, itself first
    look : what was seen
    """

    value: float
    label: str
    preferred: bool
    changes: dict[str, float]
    look: Look

    @property
    def possible(self) -> bool:
        """Whether it is not ruled out."""
        return self.look.ruled_out is None


@dataclass(frozen=True)
class Window:
    """Neighbouring values that are not ruled out, around the chosen one.

    Attributes
    ----------
    values : possible ones, ascending
    shown : of these, those shown to meet the requirement, all of them together
    below, above : nearest values that are ruled out; None where the scan ends before
    """

    values: tuple[float, ...]
    shown: tuple[float, ...]
    below: float | None
    above: float | None


@dataclass(frozen=True)
class SizeResult(Result):
    """Which values meet the requirement.

    Attributes
    ----------
    variable : what was sized
    series : of the preferred values; None for none
    ties : what moved with it, as given
    confidence : of each bound of the curve by itself, and of each family of statements as a whole
    scanned : by value
    refused : values that make the design impossible, with the reason
    windows : runs of possible values, that of the choice first
    choice : the value chosen; None where all are ruled out
    judgements : runs with the fresh seed, the choice first
    word : ``met`` where the choice is shown to meet the requirement, ``not met`` where its run refutes it,
        ``undecided``, or ``nothing`` where every scanned value is ruled out
    scan_units, scan_actuations : of each look; four times the units where a value left looked as if it failed
    tested : number of tests that could have ruled a value out; the bounds allow for so many
    confirm_seed : of the judging runs; None where none was made
    requirement : of the design
    """

    command: ClassVar[str] = "size"
    variable: Variable
    series: str | None
    ties: tuple[str, ...]
    confidence: float
    scanned: tuple[SizedValue, ...]
    refused: tuple[tuple[float, str], ...]
    windows: tuple[Window, ...]
    choice: float | None
    judgements: tuple[Judgement, ...]
    word: str
    scan_units: int
    scan_actuations: int
    tested: int
    confirm_seed: int | None
    requirement: Requirement | None

    @property
    def chosen(self) -> SizedValue | None:
        """The scanned value that was chosen."""
        return next((s for s in self.scanned if s.value == self.choice), None)

    @property
    def best(self) -> SizedValue:
        """The value that is nearest to meeting everything, by the estimates of the scan."""
        return max(self.scanned, key=lambda s: (s.look.score, s.look.completion.value, s.look.margin.value))

    @property
    def window(self) -> Window | None:
        """The window of the choice."""
        return self.windows[0] if self.windows else None

    def shown(self, value: float) -> bool | None:
        """Whether a value is shown to meet the requirement; None where no run judged it."""
        found = next((j for j in self.judgements if j.value == value), None)
        return None if found is None else found.met

    def payload(self) -> dict[str, Any]:
        """Return the scan, its windows, the choice and the runs that judged it."""
        return {
            "parameter": self.variable.key,
            "dimension": self.variable.dimension,
            "nominal": self.variable.nominal,
            "series": self.series,
            "ties": list(self.ties),
            "confidence": self.confidence,
            "requirement": None if self.requirement is None else asdict(self.requirement),
            "verdict": self.word,
            "choice": None if self.chosen is None else {"value": self.chosen.value, "changes": self.chosen.changes},
            "best": self.best.value,
            "windows": [asdict(w) for w in self.windows],
            "scan": [row_of(self, s) for s in self.scanned],
            "scan_method": _method(self.best.look),
            "refused": [{"value": value, "reason": reason} for value, reason in self.refused],
            "scan_units": self.scan_units,
            "scan_actuations": self.scan_actuations,
            "tested": self.tested,
            "confirm_seed": self.confirm_seed,
            "judgements": [judgement_row(j) for j in self.judgements],
        }


def _method(look: Look) -> str:
    """Say how the bounds of a look are made."""
    parts = [f"shares of actuations: {look.completion.method}", f"margin: {look.margin.method}"]
    if look.unit_yield is not None:
        parts.append(f"share of units: {look.unit_yield.method}")
    return "; ".join(parts)


def row_of(result: SizeResult, s: SizedValue) -> dict[str, Any]:
    """Return one scanned value for machines and tables."""
    look = s.look
    row: dict[str, Any] = {
        "value": s.value,
        "label": s.label,
        "preferred": s.preferred,
        "temperature_degC": look.temperature_degC,
        "age_yr": look.age_yr,
        **bounds("completion", look.completion),
        **bounds("unit_yield", look.unit_yield),
        **bounds("voltage_margin_1_percent_V", look.margin),
        "ruled_out_by": look.ruled_out,
        "shown": result.shown(s.value),
        "changes": s.changes,
    }
    for rule in look.deratings:
        row |= bounds(f"within_{rule.of.replace('.', '_')}", rule.reached)
    return row


def judgement_row(j: Judgement) -> dict[str, Any]:
    """Return one judging run for machines."""
    return {
        "value": j.value,
        "seed": j.seed,
        "confidence": j.confidence,
        "units": j.units,
        "derating_units": list(j.derating_units),
        **bounds("unit_yield", j.unit_yield),
        "unit_yield_method": None if j.unit_yield is None else j.unit_yield.method,
        "deratings": [
            {"of": rule.of, **bounds("reached", rule.reached), "verdict": rule.verdict} for rule in j.deratings
        ],
        "verdict": j.verdict.word,
        "reason": j.verdict.reason,
        "plain_units": j.plain_units,
    }


def size(
    design: Design,
    settings: Settings,
    parameter: str,
    scan: Range | None = None,
    progress: Stages | None = None,
) -> SizeResult:
    """Find the values of a number with which a design meets its requirement.

    Parameters
    ----------
    design : Design
    settings : units and actuations of the runs that confirm; a look takes a twelfth and an eighth of them
    parameter : key of a parameter, or of another number that `yieldsim.design.variation` knows
    scan : what is scanned; preferred values within a factor 2.5 of the nominal when None
    progress : called with ``scan`` or the run that confirms, what is done of it, and of how much

    Raises
    ------
    InputError : no such number, nothing required, a range that makes no sense, or no possible value in it
    """
    scan = scan or Range()
    variable = variable_of(design, parameter)
    confidence = confidence_of(design, settings)
    check_required(design)
    check_ratings(design)
    values, preferred, series = scan_values(variable, scan)
    with mapper(settings.threads) as over:
        looks = Looking(design, settings, confidence, changing(design, variable, scan), over, progress)
        looks.plan(len(values) + (0 if scan.candidates else _ADDED))
        # what a scan halves are gaps between values; parts of a list have none
        window.search(
            values,
            looks.ask,
            rounds=0 if scan.candidates else _ROUNDS,
            at_most=_ADDED,
            rounded=round if variable.whole else None,
        )
        if not looks.seen:
            raise InputError(Problem(None, parameter, None, looks.refused[0][1], "scan a range that is possible"))
        blocks = window.blocks_of(looks.answers())
        choice, block = _choice(blocks, preferred, looks)
        judgements: tuple[Judgement, ...] = ()
        if choice is not None and block is not None and scan.confirm:
            judging = Judging(looks, over, fresh_seed(settings.seed), progress)
            window.shown_outwards(choice, block.values, judging.show, confidence)
            judgements = tuple(judging.done)
    names = {dict(c.values)[parameter]: c.name for c in scan.candidates}
    return SizeResult(
        provenance=provenance(design, settings),
        variable=variable,
        series=series,
        ties=tuple(str(tie) for tie in scan.ties),
        confidence=confidence,
        scanned=tuple(
            SizedValue(v, names.get(v, variable.spelled(v)), v in preferred, looks.changes[v], looks.seen[v])
            for v in sorted(looks.seen)
        ),
        refused=tuple(looks.refused),
        windows=_windows(blocks, block, judgements),
        choice=choice,
        judgements=judgements,
        word=_word(choice, judgements),
        scan_units=looks.settings.units,
        scan_actuations=looks.settings.actuations,
        tested=looks.tested,
        confirm_seed=judgements[0].seed if judgements else None,
        requirement=design.requirement,
    )


def _choice(
    blocks: Sequence[window.Block], preferred: frozenset[float], looks: Looking
) -> tuple[float | None, window.Block | None]:
    """Return the value chosen and the block it lies in: preferred, estimated to meet everything, most central."""
    best: tuple[tuple[bool, bool, float], float, window.Block] | None = None
    for block in blocks:
        met = [v for v in block.values if looks.seen[v].score >= 0.0]
        for sold, choices in ((True, [v for v in block.values if v in preferred]), (False, list(block.values))):
            for likely, some in ((True, [v for v in choices if v in met]), (False, choices)):
                value = window.central(some, block.ends)
                if value is None:
                    continue
                rank = (likely, sold, window.room(value, block.ends))
                if best is None or rank > best[0]:
                    best = (rank, value, block)
    return (None, None) if best is None else (best[1], best[2])


def _windows(
    blocks: Sequence[window.Block], chosen: window.Block | None, judgements: Sequence[Judgement]
) -> tuple[Window, ...]:
    met = {j.value for j in judgements if j.met}
    ordered = sorted(blocks, key=lambda b: b is not chosen)
    return tuple(Window(b.values, tuple(v for v in b.values if v in met), b.below, b.above) for b in ordered)


def _word(choice: float | None, judgements: Sequence[Judgement]) -> str:
    if choice is None:
        return NOTHING
    return judgements[0].verdict.word if judgements else UNDECIDED
