"""What all results share: where they come from, and how they are shown.

This is the one place that reaches against the stream, to the report room, so that a result in a notebook can
show its own table and picture.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from yieldsim.design.schema import Design
from yieldsim.engine.settings import Settings

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Provenance:
    """What a result was made from: enough to make it again.

    Attributes
    ----------
    version : of the package
    title : of the design
    file : name of the configuration file, without its folder
    design_hash, conditions_hash : see `Design`
    seed : of all draws
    settings : effort and accuracy, by name
    warnings : of the design, and of the analysis
    """

    version: str
    title: str
    file: str | None
    design_hash: str
    conditions_hash: str
    seed: int
    settings: Mapping[str, Any]
    warnings: tuple[str, ...] = ()


def provenance(design: Design, settings: Settings, *warnings: str) -> Provenance:
    """Return the provenance of a result of ``design`` under ``settings``."""
    from yieldsim import __version__

    return Provenance(
        version=__version__,
        title=design.title,
        file=design.source.name if design.source else None,
        design_hash=design.hash,
        conditions_hash=design.conditions_hash,
        seed=settings.seed,
        settings=settings.as_dict(),
        warnings=(*design.warnings, *warnings),
    )


@dataclass(frozen=True)
class Result:
    """A frozen answer. Subclasses name their command and fill `payload`."""

    command: ClassVar[str] = ""
    provenance: Provenance

    def payload(self) -> dict[str, Any]:
        """Return the command's own part of the JSON answer."""
        return {}

    def as_json(self, files: tuple[str, ...] = ()) -> dict[str, Any]:
        """Return the JSON answer: the common envelope and the command's part; None where not applicable."""
        p = self.provenance
        envelope = {
            "command": self.command,
            "version": p.version,
            "design": p.title,
            "design_hash": p.design_hash,
            "conditions_hash": p.conditions_hash,
            "seed": p.seed,
            "settings": dict(p.settings),
            "warnings": list(p.warnings),
            "files": list(files),
        }
        answer: dict[str, Any] = cleaned({**envelope, **self.payload()})
        return answer

    def table(self) -> pd.DataFrame:
        """Return the result as a table, units in the column names."""
        from yieldsim.report.tables import table_of

        return table_of(self)

    def plot(self) -> Figure:
        """Return the result as a picture."""
        from yieldsim.report.figures import figure_of

        return figure_of(self)

    def _repr_html_(self) -> str:
        return str(self.table().to_html(index=False, escape=True))


def cleaned(value: Any) -> Any:
    """Return ``value`` made of plain JSON types, numbers that are not finite as None."""
    if isinstance(value, Mapping):
        return {str(k): cleaned(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [cleaned(v) for v in value]
    if hasattr(value, "tolist"):
        return cleaned(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value
