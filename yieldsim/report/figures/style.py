"""The look of every picture: paper, ink, a few colours, and how pictures become bytes.

Colours follow the set of Okabe and Ito, which people with any common colour vision deficiency can tell apart;
each is paired with a marker, a dash pattern or a hatch, so that a print in grey says the same.

References
----------
Okabe, M. and Ito, K. (2008). Color universal design: how to make figures and presentations that are friendly
to colorblind people.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from yieldsim.words.names import axis_label

INK = "#1c2733"
MUTED = "#5d6b78"
GREY = "#aab4bd"
FAINT = "#c9d1d8"
WASH = "#eef1f4"
PAPER = "#ffffff"

BLUE = "#0072b2"
SKY = "#56b4e9"
ORANGE = "#e69f00"
VERMILION = "#d55e00"
PURPLE = "#a65e8c"
TEAL = "#00745a"
YELLOW = "#d8c934"
BLACK = "#1c2733"

SERIES: tuple[tuple[str, str], ...] = (
    (VERMILION, "o"),
    (BLUE, "s"),
    (ORANGE, "^"),
    (PURPLE, "D"),
    (TEAL, "v"),
    (SKY, "P"),
    (BLACK, "X"),
    (YELLOW, "h"),
)
LEVELS: dict[str, tuple[str, str]] = {
    "lot": (ORANGE, "s"),
    "unit": (BLUE, "o"),
    "actuation": (VERMILION, "D"),
    "mission": (PURPLE, "v"),
}

WIDTH = 7.4  # of every picture [in]: what fits an A4 page
DOTS = 160  # of a bitmap [1/in]
FONTS = "'Source Sans 3','Helvetica Neue',Arial,'Liberation Sans','DejaVu Sans',sans-serif"

_SETTINGS: Any = {  # the stubs know each name by itself, not a mapping of them
    "font.family": ["DejaVu Sans"],  # comes with matplotlib: the same layout on every machine
    "font.size": 8.0,
    "text.color": INK,
    "text.parse_math": False,  # names are free text: a dollar sign starts no formula
    "figure.facecolor": PAPER,
    "figure.dpi": DOTS,
    "figure.constrained_layout.h_pad": 0.05,
    "figure.constrained_layout.w_pad": 0.05,
    "axes.facecolor": PAPER,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.labelsize": 8.0,
    "axes.linewidth": 0.7,
    "axes.titlesize": 8.0,
    "axes.titlelocation": "left",
    "axes.titlecolor": MUTED,
    "axes.titlepad": 5.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.grid": False,
    "axes.unicode_minus": True,
    "grid.color": FAINT,
    "grid.linewidth": 0.5,
    "xtick.color": MUTED,
    "xtick.labelcolor": INK,
    "xtick.labelsize": 7.5,
    "xtick.major.size": 3.0,
    "xtick.major.width": 0.6,
    "xtick.minor.visible": False,
    "ytick.color": MUTED,
    "ytick.labelcolor": INK,
    "ytick.labelsize": 7.5,
    "ytick.major.size": 3.0,
    "ytick.major.width": 0.6,
    "ytick.minor.visible": False,
    "lines.linewidth": 1.4,
    "lines.solid_capstyle": "butt",
    "hatch.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 7.5,
    "svg.fonttype": "none",
    "svg.hashsalt": "yieldsim",
}


def drawn_per(level: str) -> str:
    """Return what a legend says of a level: ``drawn per unit``."""
    return "drawn by the mission" if level == "mission" else f"drawn per {level}"


@contextmanager
def drawing_style() -> Iterator[None]:
    """Draw and save inside this: it starts from the library's own defaults, whatever the user has set."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_SETTINGS)
        yield


def new_figure(height: float, width: float = WIDTH) -> Figure:
    """Return an empty picture of ``width`` x ``height`` [in] that makes room for its own labels."""
    return Figure(figsize=(width, height), layout="constrained")


def heading(figure: Figure, title: str) -> None:
    """Write the name of the picture, at its upper left."""
    figure.suptitle(title, x=0.012, ha="left", fontsize=9.5, fontweight="bold", color=INK)


def label_of(name: str) -> str:
    """Return the label of an axis with its unit: ``temperature [°C]``."""
    return axis_label(name).replace("[degC]", "[\u00b0C]")


def spread(positions: Sequence[float], gap: float) -> list[float]:
    """Move labels apart: the least shifts, in order, that keep neighbours ``gap`` apart.

    Neighbours that touch form a block, which is centred on the mean of what its members asked for.
    """
    order = sorted(range(len(positions)), key=lambda k: positions[k])
    blocks: list[list[int]] = []
    for k in order:
        blocks.append([k])
        while len(blocks) > 1 and _bottom(blocks[-1], positions, gap) < _top(blocks[-2], positions, gap) + gap:
            last = blocks.pop()
            blocks[-1] += last
    placed = [0.0] * len(positions)
    for block in blocks:
        for rank, k in enumerate(block):
            placed[k] = _bottom(block, positions, gap) + rank * gap
    return placed


def _bottom(block: list[int], positions: Sequence[float], gap: float) -> float:
    return sum(positions[k] for k in block) / len(block) - gap * (len(block) - 1) / 2


def _top(block: list[int], positions: Sequence[float], gap: float) -> float:
    return _bottom(block, positions, gap) + gap * (len(block) - 1)


def quiet(axes: Axes, *sides: str) -> None:
    """Take away the named spines and their ticks' marks."""
    for side in sides:
        axes.spines[side].set_visible(False)
    if "left" in sides:
        axes.tick_params(axis="y", length=0)
    if "bottom" in sides:
        axes.tick_params(axis="x", length=0)


def svg_of(figure: Figure) -> str:
    """Return the picture as SVG text: the same characters every time, without date or maker."""
    buffer = io.BytesIO()
    with drawing_style():
        _settle(figure)
        canvas: Any = FigureCanvasSVG(figure)
        canvas.print_svg(buffer, metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = buffer.getvalue().decode("utf-8")
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    return text.replace("'DejaVu Sans'", FONTS)


def png_of(figure: Figure) -> bytes:
    """Return the picture as PNG bytes: the same every time, without the maker's name."""
    buffer = io.BytesIO()
    with drawing_style():
        _settle(figure)
        canvas: Any = FigureCanvasAgg(figure)
        canvas.print_png(buffer, metadata={"Software": None})
    return buffer.getvalue()


def _settle(figure: Figure) -> None:
    """Make room for the labels once: both files show the same layout, and it is half of what drawing costs."""
    figure.set_dpi(DOTS)
    engine = figure.get_layout_engine()
    if engine is not None and figure.axes:
        engine.execute(figure)
        figure.set_layout_engine("none")
