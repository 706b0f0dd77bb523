"""Two numbers at a time: where in their plane the requirement may be met, and one point shown to meet it.

Every pair of a grid is looked at as in `sizing`, with half the units and only once, and ruled out or not; all that are
ruled out are so together at the confidence stated. Of the pairs that are left, the one farthest from what is ruled out
is confirmed by a run of its own seed; it is the only one that anything is shown of.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any, ClassVar

from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.sizes.ranges import Range, check_required, scan_values
from yieldsim.analysis.sizes.runs import Judgement, Look, judge_design
from yieldsim.analysis.sizes.search import Looking, Stages, fresh_seed
from yieldsim.analysis.sizing import NOTHING, judgement_row
from yieldsim.analysis.stress import check_ratings
from yieldsim.analysis.verdict import UNDECIDED
from yieldsim.analysis.yields import bounds, confidence_of
from yieldsim.design.schema import Design, Requirement
from yieldsim.design.variation import Variable, tied_values, variable_of
from yieldsim.engine.execution import mapper
from yieldsim.engine.settings import Settings
from yieldsim.words.errors import InputError, Problem

POINTS = 7  # values of each number where its series does not give more
_MOST = 400  # pairs

Pair = tuple[float, float]


@dataclass(frozen=True)
class MapResult(Result):
    """Which pairs of two numbers may meet the requirement.

    Attributes
    ----------
    first, second : the numbers
    first_values, second_values : scanned, ascending
    preferred_first, preferred_second : of these, those in a series
    looks : one a pair, by the first and then the second number; None where the pair makes the design impossible
    confidence : of each bound by itself, and of all that is ruled out as a whole
    choice : the pair that was confirmed; None where all are ruled out
    judgement : of its run with a fresh seed; None without one
    word : ``met``, ``not met``, ``undecided``, or ``nothing`` where every pair is ruled out
    """

    command: ClassVar[str] = "size"
    first: Variable
    second: Variable
    first_values: tuple[float, ...]
    second_values: tuple[float, ...]
    preferred_first: tuple[float, ...]
    preferred_second: tuple[float, ...]
    looks: tuple[Look | None, ...]
    confidence: float
    choice: Pair | None
    judgement: Judgement | None
    word: str
    ties: tuple[str, ...]
    scan_units: int
    scan_actuations: int
    tested: int
    requirement: Requirement | None

    def look(self, i: int, j: int) -> Look | None:
        """Look at the i-th first and j-th second value."""
        return self.looks[i * len(self.second_values) + j]

    def payload(self) -> dict[str, Any]:
        """Return all pairs, the choice and the run that judged it."""
        return {
            "parameter": self.first.key,
            "dimension": self.first.dimension,
            "nominal": self.first.nominal,
            "second_parameter": self.second.key,
            "second_dimension": self.second.dimension,
            "second_nominal": self.second.nominal,
            "ties": list(self.ties),
            "confidence": self.confidence,
            "requirement": None if self.requirement is None else asdict(self.requirement),
            "verdict": self.word,
            "choice": None if self.choice is None else {"first": self.choice[0], "second": self.choice[1]},
            "pairs": pair_rows(self),
            "scan_units": self.scan_units,
            "scan_actuations": self.scan_actuations,
            "tested": self.tested,
            "judgements": [] if self.judgement is None else [judgement_row(self.judgement)],
        }


def pair_rows(result: MapResult) -> list[dict[str, Any]]:
    """Return one row a pair for machines and tables."""
    rows: list[dict[str, Any]] = []
    for i, a in enumerate(result.first_values):
        for j, b in enumerate(result.second_values):
            look = result.look(i, j)
            row: dict[str, Any] = {"first": a, "second": b, "possible_design": look is not None}
            if look is not None:
                row |= {"temperature_degC": look.temperature_degC, "age_yr": look.age_yr}
                row |= bounds("completion", look.completion) | bounds("unit_yield", look.unit_yield)
                row |= {"ruled_out_by": look.ruled_out}
            rows.append(row)
    return rows


def size_map(
    design: Design,
    settings: Settings,
    parameters: tuple[str, str],
    scans: tuple[Range, Range] | None = None,
    progress: Stages | None = None,
) -> MapResult:
    """Look at every pair of values of two numbers.

    Parameters
    ----------
    design : Design
    settings : as for `yieldsim.analysis.sizing.size`
    parameters : keys of the two numbers
    scans : what is scanned of each, without candidates; what moves with each of them is tied to it
    progress : called with ``scan`` or the run that confirms, what is done of it, and of how much

    Raises
    ------
    InputError : as for `size`; one number twice; more than 400 pairs
    """
    scans = scans or (Range(points=POINTS), Range(points=POINTS))
    first, second = (variable_of(design, key) for key in parameters)
    if first.key == second.key:
        raise InputError(Problem(None, "--and", second.key, "one number twice", "name another one"))
    confidence = confidence_of(design, settings)
    check_required(design)
    check_ratings(design)
    (a_values, a_sold, _), (b_values, b_sold, _) = (
        scan_values(v, s) for v, s in zip((first, second), scans, strict=True)
    )
    if len(a_values) * len(b_values) > _MOST:
        told = f"{len(a_values)} times {len(b_values)}"
        raise InputError(Problem(None, "range", told, f"more than {_MOST} pairs", "narrow a range, or lower --points"))

    def changes(pair: Pair) -> dict[str, float]:
        mine = tied_values(design, first, scans[0].ties, pair[0])
        other = tied_values(design, second, scans[1].ties, pair[1])
        both = set(mine) & set(other)
        if both:
            raise InputError(Problem(None, "tie", ", ".join(sorted(both)), "moved twice", "leave out one tie"))
        return mine | other

    pairs = [(a, b) for a in a_values for b in b_values]
    with mapper(settings.threads) as over:
        looks = Looking(design, settings, confidence, changes, over, progress, brief=True)
        looks.plan(len(pairs))
        looks.look_at(pairs)
        if not looks.seen:
            raise InputError(Problem(None, first.key, None, looks.refused[0][1], "scan ranges that are possible"))
        grid = [[looks.seen.get((a, b)) for b in b_values] for a in a_values]
        place = most_central(grid, [[a in a_sold and b in b_sold for b in b_values] for a in a_values])
        choice = None if place is None else (a_values[place[0]], b_values[place[1]])
        judgement = None
        if choice is not None and scans[0].confirm:
            fresh = replace(settings, seed=fresh_seed(settings.seed))
            blocks = None if progress is None else partial(progress, "run 1")
            judgement = judge_design(looks.design_with(choice), choice[0], fresh, confidence, over, blocks)
    word = NOTHING if choice is None else UNDECIDED if judgement is None else judgement.verdict.word
    return MapResult(
        provenance=provenance(design, settings),
        first=first,
        second=second,
        first_values=a_values,
        second_values=b_values,
        preferred_first=tuple(sorted(a_sold)),
        preferred_second=tuple(sorted(b_sold)),
        looks=tuple(look for row in grid for look in row),
        confidence=confidence,
        choice=choice,
        judgement=judgement,
        word=word,
        ties=tuple(str(tie) for scan in scans for tie in scan.ties),
        scan_units=looks.settings.units,
        scan_actuations=looks.settings.actuations,
        tested=looks.tested,
        requirement=design.requirement,
    )


def most_central(grid: Sequence[Sequence[Look | None]], sold: Sequence[Sequence[bool]]) -> tuple[int, int] | None:
    """Return the place of the pair that is possible and farthest from one that is not, in steps of the grid.

    Pairs estimated to meet everything come before others, preferred values before others, then distance; what lies
    beyond the border of the grid is not known, and counts as not possible. None where no pair is possible.
    """
    places = [(i, j) for i, row in enumerate(grid) for j in range(len(row))]
    out = [p for p in places if (look := grid[p[0]][p[1]]) is None or look.ruled_out is not None]
    best: tuple[tuple[bool, bool, float, float], tuple[int, int]] | None = None
    for i, j in places:
        look = grid[i][j]
        if look is None or look.ruled_out is not None:
            continue
        border = min(i + 1, len(grid) - i, j + 1, len(grid[i]) - j)
        far = min(border, *(math.hypot(i - a, j - b) for a, b in out), math.inf)
        rank = (look.score >= 0.0, sold[i][j], far, look.score)
        if best is None or rank > best[0]:
            best = (rank, (i, j))
    return None if best is None else best[1]
