"""Pictures: a unit on every axis, nothing clipped, the same bytes twice, no global state touched."""

import re
import subprocess
import sys
from dataclasses import replace
from itertools import combinations, pairwise
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from yieldsim.report.figures import figure_of, figures_of, more_figures_of, outcome_shares, style

PNG = b"\x89PNG\r\n\x1a\n"  # ISO/IEC 15948, clause 5.2
# Axes whose positions are names, not numbers
CATEGORICAL = {"parameter", "entry of the ledger", "contribution"}


@pytest.fixture(scope="module")
def pictures(answers, opened):
    """All pictures: those of the sign-off, and one of every kind of result."""
    result = answers["signoff"]
    drawn = dict(figures_of(result))
    alone = replace(result, yields=replace(result.yields, cells=result.yields.cells[:1]))
    drawn |= {f"{name}, one condition": figure for name, figure in figures_of(alone).items()}
    for kind, single in {**answers, **opened}.items():
        drawn[f"figure of {kind}"] = figure_of(single)
        drawn |= {f"{name} of {kind}": figure for name, figure in more_figures_of(single).items()}
    return drawn


def labels_of(axes):
    """Labels of the axes whose numbers a reader is shown."""
    for label, ticks in (
        (axes.get_xlabel(), axes.get_xticklabels()),
        (axes.get_ylabel(), axes.get_yticklabels()),
    ):
        shown = [tick.get_text() for tick in ticks if tick.get_visible() and tick.get_text()]
        if shown and shown != ["steps"]:
            yield label


def test_every_axis_says_its_unit(pictures):
    seen = 0
    for name, figure in pictures.items():
        style.png_of(figure)  # ticks get their labels when they are drawn
        for axes in figure.axes:
            for label in labels_of(axes):
                if label == "" and axes.get_shared_x_axes().joined(axes, figure.axes[-1]):
                    continue  # the lowest of joined panels carries the label
                assert re.search(r"\[.+\]", label) or label in CATEGORICAL, (name, label)
                seen += 1
    assert seen > 30


def test_the_check_for_units_can_fail(result):
    figure = figures_of(result)["ledger"]
    figure.axes[0].set_xlabel("energy")
    with pytest.raises(AssertionError, match="energy"):
        test_every_axis_says_its_unit({"ledger": figure})


def visible_texts(figure):
    for text in figure.findobj(Text):
        if text.get_visible() and text.get_text().strip():
            yield text


def test_no_text_is_clipped_by_the_edge_of_the_picture(pictures):
    for name, figure in pictures.items():
        style.png_of(figure)
        canvas = FigureCanvasAgg(figure)
        frame = figure.bbox
        for axes in figure.axes:
            # a tick outside the limits has a label that is not drawn
            ticks = {*axes.get_xticklabels(which="both"), *axes.get_yticklabels(which="both")}
            for text in set(visible_texts(axes)) - ticks:
                box = text.get_window_extent(canvas.get_renderer())
                assert box.x0 >= frame.x0 - 1, (name, text.get_text())
                assert box.x1 <= frame.x1 + 1, (name, text.get_text())
                assert box.y0 >= frame.y0 - 1, (name, text.get_text())
                assert box.y1 <= frame.y1 + 1, (name, text.get_text())


def test_texts_inside_the_panels_do_not_overlap(pictures):
    for name, figure in pictures.items():
        style.png_of(figure)
        renderer = FigureCanvasAgg(figure).get_renderer()
        for axes in figure.axes:
            boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in axes.texts if t.get_text().strip()]
            for (one, a), (other, b) in combinations(boxes, 2):
                width = min(a.x1, b.x1) - max(a.x0, b.x0)
                height = min(a.y1, b.y1) - max(a.y0, b.y0)
                assert width <= 1 or height <= 2, (name, one, other)


def test_bytes_are_the_same_twice(result):
    once = {name: (style.svg_of(f), style.png_of(f)) for name, f in figures_of(result).items()}
    again = {name: (style.svg_of(f), style.png_of(f)) for name, f in figures_of(result).items()}
    assert once == again


def test_both_files_show_one_layout_whichever_is_made_first(result):
    one, other = (figures_of(result)["completion"] for _ in range(2))
    svg = style.svg_of(one)
    placed = [axes.get_position().bounds for axes in one.axes]
    png = style.png_of(one)
    assert [axes.get_position().bounds for axes in one.axes] == placed
    assert (style.png_of(other), style.svg_of(other)) == (png, svg)


def test_files_are_what_they_claim_and_hold_no_date_or_maker(pictures):
    for name, figure in pictures.items():
        svg, png = style.svg_of(figure), style.png_of(figure)
        assert png.startswith(PNG), name
        assert b"Software" not in png
        assert ElementTree.fromstring(svg.encode()).tag == "{http://www.w3.org/2000/svg}svg"
        assert "<metadata" not in svg
        assert "<dc:date" not in svg
        assert "matplotlib.org" not in svg


def test_free_text_is_shown_as_it_is(answers):
    """A dollar sign starts no formula, an angle bracket no element."""
    with style.drawing_style():
        figure = style.new_figure(1.0)
        style.heading(figure, "cost $a_1$ <b>")
    assert "cost $a_1$ &lt;b&gt;" in style.svg_of(figure)


def test_the_users_settings_are_left_alone(result):
    before = dict(mpl.rcParams)
    style.svg_of(figures_of(result)["completion"])
    assert dict(mpl.rcParams) == before


def test_pictures_do_not_depend_on_the_users_settings(result):
    plain = style.svg_of(figures_of(result)["ranking"])
    with mpl.rc_context({"font.size": 20, "axes.facecolor": "black", "svg.hashsalt": None}):
        assert style.svg_of(figures_of(result)["ranking"]) == plain


def test_nothing_imports_the_stateful_interface():
    code = "import sys, yieldsim.report.figures, yieldsim.report.page; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_rare_outcomes_are_drawn_beside_frequent_ones(result):
    """Every outcome that occurred has a mark at its share, inside the axis."""
    figure = outcome_shares.draw(result.yields)
    axes = figure.axes[0]
    low, high = axes.get_xlim()
    drawn = {line.get_label(): list(line.get_xdata()) for line in axes.lines}
    for kind in outcome_shares.kinds_of(result.yields):
        shares = [cell.outcomes[kind] for cell in result.yields.cells if cell.outcomes[kind] > 0.0]
        assert drawn[kind] == shares
        assert all(low <= share <= high for share in shares)


def test_colours_of_the_levels_differ_in_grey_or_in_their_marks():
    # luma of ITU-R BT.601; two marks of the same shape must differ by more than 0.1
    for (a, mark_a), (b, mark_b) in combinations(style.LEVELS.values(), 2):
        luma = [float(np.dot((0.299, 0.587, 0.114), to_rgb(c))) for c in (a, b)]
        assert mark_a != mark_b or abs(luma[0] - luma[1]) > 0.1
    for (a, mark_a), (b, mark_b) in combinations(style.SERIES, 2):
        assert a != b
        assert mark_a != mark_b


@given(st.lists(st.floats(-10.0, 10.0), min_size=1, max_size=8), st.floats(0.01, 1.0))
def test_labels_are_moved_apart_and_keep_their_order(positions, gap):
    placed = style.spread(positions, gap)
    order = sorted(range(len(positions)), key=lambda k: positions[k])
    heights = [placed[k] for k in order]
    assert all(b - a >= gap * (1 - 1e-9) for a, b in pairwise(heights))
    if all(positions[b] - positions[a] >= gap for a, b in pairwise(order)):
        assert placed == positions


def test_a_result_of_another_kind_is_refused():
    class Other:
        command = "poem"

    with pytest.raises(TypeError, match="no picture of this kind"):
        figure_of(Other())


def test_results_show_themselves(answers):
    for kind in ("yield", "check"):
        result = answers[kind]
        assert style.svg_of(result.plot()) == style.svg_of(figure_of(result))
        shown = result._repr_html_()
        assert shown.startswith("<table")
        assert "<img" not in shown


@pytest.mark.parametrize(("name", "unit"), [("storage.capacitance.dielectric", ""), ("link.signal_to_noise", "dB")])
def test_what_has_no_share_of_a_nominal_is_left_out_of_the_spreads_and_told(answers, name, unit):
    check = answers["check"]
    place = replace(check.parameters[0], name=name, unit=unit, value_SI=0.5, low=0.0, high=1.0)
    axes = figure_of(replace(check, parameters=(*check.parameters, place))).axes[0]
    assert name not in [tick.get_text() for tick in axes.get_yticklabels()]
    assert "dielectric code" in axes.get_title(loc="left")
    assert not figure_of(check).axes[0].get_title(loc="left")


def test_a_spread_that_goes_far_does_not_squeeze_the_others(answers):
    """Its bar is cut, and its limit written: the axis stays readable for the rest."""
    check = answers["check"]
    wide = replace(check.parameters[0], name="storage.residual.time_since", value_SI=20.0, low=1.0, high=402.0)
    figure = figure_of(replace(check, parameters=(*check.parameters, wide)))
    axes = figure.axes[0]
    assert "to +1,910 % \u25b8" in [text.get_text() for text in axes.texts]  # 402 / 20 - 1 = 19.1
    assert axes.get_xlim()[1] < 300.0
