"""How wide each parameter spreads about its nominal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.figure import Figure

from yieldsim.report.figures import style
from yieldsim.report.numbers import fixed

if TYPE_CHECKING:
    from yieldsim.analysis.check import CheckedParameter, CheckResult

_SHOWN = 30
_WIDEST = 2.5  # of a limit relative to the nominal; a bar that goes on is cut there and tells its limit


def draw(result: CheckResult) -> Figure:
    """One bar a parameter from its low to its high limit, relative to the nominal, the widest first."""
    rows = sorted(
        (row for row in map(_relative, result.parameters) if row is not None), key=lambda row: row[1] - row[2]
    )
    rows = rows[:_SHOWN]
    with style.drawing_style():
        figure = style.new_figure(1.0 + 0.22 * max(len(rows), 4))
        style.heading(figure, "How wide the parameters spread")
        axes = figure.add_subplot()
        for y, (parameter, low, high) in enumerate(rows):
            assumed = parameter.basis == "assumed"
            axes.barh(
                y,
                100 * (min(high, _WIDEST) - low),
                left=100 * low,
                height=0.6,
                color=style.ORANGE if assumed else style.BLUE,
                hatch="////" if assumed else None,
                edgecolor=style.PAPER,
                linewidth=0.0,
            )
            if high > _WIDEST:
                axes.annotate(
                    f"to {fixed(100 * high, 0, signed=True)} % \u25b8",
                    (100 * _WIDEST, y),
                    xytext=(-3, 0),
                    textcoords="offset points",
                    ha="right",
                    va="center",
                    fontsize=7,
                    bbox={"facecolor": style.PAPER, "edgecolor": "none", "pad": 0.8},
                )
            axes.annotate(
                parameter.basis,
                (1.0, y),
                xytext=(6, 0),
                xycoords=("axes fraction", "data"),
                textcoords="offset points",
                va="center",
                fontsize=7.5,
                color=style.MUTED,
            )
        axes.axvline(0.0, color=style.INK, linewidth=0.8)
        axes.margins(x=0.04)
        axes.use_sticky_edges = False
        axes.set_yticks(range(len(rows)), [parameter.name for parameter, _, _ in rows])
        axes.set_ylim(max(len(rows), 1) - 0.4, -0.6)
        axes.set_ylabel("parameter")
        axes.set_xlabel("limits relative to the nominal [%]")
        axes.grid(axis="x")
        if any(_has_no_share(parameter) for parameter in result.parameters):
            axes.set_title("without levels in dB, and without places between the limits of a dielectric code")
        style.quiet(axes, "left")
    return figure


def _has_no_share(parameter: CheckedParameter) -> bool:
    """Whether a share of the nominal says nothing: of a level in dB, and of a place between two limits."""
    return parameter.unit == "dB" or parameter.name.endswith(".dielectric")


def _relative(parameter: CheckedParameter) -> tuple[CheckedParameter, float, float] | None:
    nominal = parameter.value_SI
    if parameter.low is None or parameter.high is None or not nominal or parameter.low == parameter.high:
        return None
    if _has_no_share(parameter):
        return None
    ends = sorted((parameter.low / nominal - 1.0, parameter.high / nominal - 1.0))
    return parameter, ends[0], ends[1]
