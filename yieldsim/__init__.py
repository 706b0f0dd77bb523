"""Monte Carlo reliability of batteryless wireless nodes, from press to acknowledgement.

The public names are resolved when they are first used, so that importing the package costs next to nothing::

    from yieldsim import Settings, read_design, yields

    result = yields(read_design("node.toml"), Settings(units=2048))
    print(result.verdict.reason)
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from yieldsim.analysis.actuation import ActuationResult as ActuationResult
    from yieldsim.analysis.actuation import actuation as actuation
    from yieldsim.analysis.ageing import LifeResult as LifeResult
    from yieldsim.analysis.ageing import life as life
    from yieldsim.analysis.allocation import AllocationResult as AllocationResult
    from yieldsim.analysis.allocation import allocate as allocate
    from yieldsim.analysis.alternates import AlternatesResult as AlternatesResult
    from yieldsim.analysis.alternates import for_each as for_each
    from yieldsim.analysis.check import CheckResult as CheckResult
    from yieldsim.analysis.check import check as check
    from yieldsim.analysis.comparison import ComparisonResult as ComparisonResult
    from yieldsim.analysis.comparison import compare as compare
    from yieldsim.analysis.ranking import RankResult as RankResult
    from yieldsim.analysis.ranking import rank as rank
    from yieldsim.analysis.ranking_of_failure import FailureRankResult as FailureRankResult
    from yieldsim.analysis.ranking_of_failure import rank_failure as rank_failure
    from yieldsim.analysis.rankings.plausible_widths import PlausibleWidths as PlausibleWidths
    from yieldsim.analysis.ratings import RatingsResult as RatingsResult
    from yieldsim.analysis.ratings import ratings as ratings
    from yieldsim.analysis.result import Result as Result
    from yieldsim.analysis.signoff import SignoffResult as SignoffResult
    from yieldsim.analysis.signoff import signoff as signoff
    from yieldsim.analysis.sizing import SizeResult as SizeResult
    from yieldsim.analysis.sizing import size as size
    from yieldsim.analysis.sureness import InputSureness as InputSureness
    from yieldsim.analysis.sureness import sureness_of_inputs as sureness_of_inputs
    from yieldsim.analysis.worst_case import WorstCaseResult as WorstCaseResult
    from yieldsim.analysis.worst_case import worst_case as worst_case
    from yieldsim.analysis.yields import YieldResult as YieldResult
    from yieldsim.analysis.yields import yields as yields
    from yieldsim.design.parameter import Parameter as Parameter
    from yieldsim.design.reading import design_from_toml as design_from_toml
    from yieldsim.design.reading import json_schema as json_schema
    from yieldsim.design.reading import read_design as read_design
    from yieldsim.design.schema import Design as Design
    from yieldsim.engine.columns import Condition as Condition
    from yieldsim.engine.response import Response as Response
    from yieldsim.engine.settings import Settings as Settings
    from yieldsim.estimate.intervals import Estimate as Estimate
    from yieldsim.words.errors import InputError as InputError
    from yieldsim.words.errors import WorkError as WorkError
    from yieldsim.words.errors import YieldsimError as YieldsimError

__version__ = "0.1.0"

_HOMES = {
    "ActuationResult": "analysis.actuation",
    "AllocationResult": "analysis.allocation",
    "AlternatesResult": "analysis.alternates",
    "CheckResult": "analysis.check",
    "ComparisonResult": "analysis.comparison",
    "Condition": "engine.columns",
    "Design": "design.schema",
    "Estimate": "estimate.intervals",
    "FailureRankResult": "analysis.ranking_of_failure",
    "InputError": "words.errors",
    "InputSureness": "analysis.sureness",
    "LifeResult": "analysis.ageing",
    "Parameter": "design.parameter",
    "PlausibleWidths": "analysis.rankings.plausible_widths",
    "RankResult": "analysis.ranking",
    "RatingsResult": "analysis.ratings",
    "Response": "engine.response",
    "Result": "analysis.result",
    "Settings": "engine.settings",
    "SignoffResult": "analysis.signoff",
    "WorkError": "words.errors",
    "SizeResult": "analysis.sizing",
    "WorstCaseResult": "analysis.worst_case",
    "YieldResult": "analysis.yields",
    "YieldsimError": "words.errors",
    "actuation": "analysis.actuation",
    "allocate": "analysis.allocation",
    "for_each": "analysis.alternates",
    "check": "analysis.check",
    "compare": "analysis.comparison",
    "design_from_toml": "design.reading",
    "json_schema": "design.reading",
    "life": "analysis.ageing",
    "rank": "analysis.ranking",
    "rank_failure": "analysis.ranking_of_failure",
    "ratings": "analysis.ratings",
    "read_design": "design.reading",
    "signoff": "analysis.signoff",
    "size": "analysis.sizing",
    "sureness_of_inputs": "analysis.sureness",
    "worst_case": "analysis.worst_case",
    "yields": "analysis.yields",
}
__all__ = ["__version__", *_HOMES]


def __getattr__(name: str) -> Any:
    """Import the module that a public name lives in when the name is first used."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Return the public names, used or not."""
    return sorted({*globals(), *_HOMES})
