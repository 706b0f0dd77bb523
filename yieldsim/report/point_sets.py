"""Where the units of a run came from, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldsim.report.layout import wrapped
from yieldsim.report.numbers import count

if TYPE_CHECKING:
    from yieldsim.analysis.point_sets import PointSet


def point_set_lines(points: PointSet) -> list[str]:
    """Return what is to be known of units from Sobol' sets; nothing for units drawn at random."""
    if points.scrambles is None or points.points_each is None:
        return []
    return wrapped(
        f"Units come from {points.scrambles} scrambled Sobol' sets of {count(points.points_each)}, each unit from a "
        "lot of its own. Completion and sufficing energy are worked out along lines through these units, the other "
        "shares of actuations are counted; bounds rest on the spread between the sets."
    )
