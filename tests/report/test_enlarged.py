"""A sequence that is short beside the time before it is drawn a second time, enlarged, so that every step is read."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from yieldsim.analysis.actuation import actuation as open_actuation
from yieldsim.design.reading import read_design
from yieldsim.engine.columns import Condition
from yieldsim.engine.settings import Settings
from yieldsim.report.figures import actuation, style

CONFIGS = Path(__file__).parents[2] / "configs"
BENCH = Condition(25.0, 0.0)
NAMES = sorted(path.stem for path in CONFIGS.glob("*.toml"))
LEAST = 0.25  # of the axis


@pytest.fixture(scope="module")
def late():
    """A seat let down so weakly that the regulator starts when it swings back, 120 ms later."""
    design = read_design(CONFIGS / "seat-counter.toml").with_nominal("harvester.open_circuit_swing", 70.0)
    result = open_actuation(design, Settings(), BENCH)
    assert result.start_stroke == 2
    assert result.outcome == "complete"
    return result


def panel(figure, *, label=None, ticks=None):
    """Return the last panel of a kind, which is the enlarged one where there are two."""
    return [
        axes
        for axes in figure.axes
        if (label is None or axes.get_ylabel() == label)
        and (ticks is None or [t.get_text() for t in axes.get_yticklabels()] == ticks)
    ][-1]


def share_of_the_axis(figure, result):
    low, high = panel(figure, ticks=["steps"]).get_xlim()
    return (result.steps[-1].end_s - result.steps[0].start_s) * 1e3 / (high - low)


def test_a_sequence_after_a_long_wait_fills_its_panels(late):
    figure = actuation.draw(late)
    assert share_of_the_axis(figure, late) > 0.6
    strip, volts = panel(figure, ticks=["steps"]), panel(figure, label="voltage [V]")
    assert strip.get_xlim() == volts.get_xlim() == figure.axes[-2].get_xlim()
    # every step has its name inside its own block, and its need is inside the panel
    names = [text for text in strip.texts if text.get_text()]
    blocks = [patch for patch in strip.patches if not patch.get_hatch()]
    assert [text.get_text() for text in names] == [step.step for step in late.steps]
    for step, text, block in zip(late.steps, names, blocks, strict=True):
        begin, end = step.start_s * 1e3, step.end_s * 1e3
        assert begin <= text.get_position()[0] <= end
        assert (block.get_x(), block.get_width()) == (pytest.approx(begin), pytest.approx(end - begin))
        assert strip.get_xlim()[0] < begin < end < strip.get_xlim()[1]
        assert 0.0 < step.required_input_V < volts.get_ylim()[1]
    # the curve is inside too
    low, high = volts.get_xlim()
    time = np.asarray(late.trace.time_s) * 1e3
    inside = (time >= low) & (time <= high)
    assert np.asarray(late.trace.input_V)[inside].max() <= volts.get_ylim()[1]


def test_the_whole_stands_above_with_what_is_enlarged_shaded(late):
    figure = actuation.draw(late)
    first = next(axes for axes in figure.axes if axes.get_ylabel() == "voltage [V]")
    assert first is not panel(figure, label="voltage [V]")
    assert first.get_xlim() == figure.axes[0].get_xlim()
    assert first.get_xlim()[0] == 0.0
    near = panel(figure, ticks=["steps"]).get_xlim()
    (shade,) = first.patches
    assert (shade.get_x(), shade.get_x() + shade.get_width()) == pytest.approx(near)
    assert f"enlarged: {near[0]:.1f} ms to {near[1]:.1f} ms" in panel(figure, ticks=["steps"]).get_title(loc="left")
    assert np.array_equal(first.lines[0].get_ydata(), late.trace.input_V)
    labelled = [axes for axes in figure.axes if axes.get_xlabel() == "time since the release [ms]"]
    assert len(labelled) == 2


def test_the_ends_of_the_enlarged_panel_are_those_of_the_sequence_whatever_its_length(late):
    # a sequence just short of a quarter of the axis is enlarged, one just above is not
    whole = (0.0, actuation._shown_until(late))
    first, *_, last = late.steps
    for share, enlarged in ((0.24, True), (0.26, False)):
        begin = last.end_s - share * whole[1]
        steps = (replace(first, start_s=begin, end_s=begin), last)
        trace = replace(late.trace, phase=np.full_like(late.trace.phase, -1))  # without a start-up
        found = actuation._window(replace(late, steps=steps, trace=trace), whole)
        assert (found is not None) is enlarged
        if found is not None:
            assert found[0] < begin < last.end_s < found[1]
    assert actuation._window(replace(late, steps=()), whole) is None


@pytest.mark.parametrize("name", NAMES)
def test_steps_of_every_shipped_design_take_a_quarter_of_their_axis(name):
    design = read_design(CONFIGS / f"{name}.toml")
    hot = Condition(max(design.conditions.temperatures), max(design.conditions.ages))
    # seat-counter: unit 3 starts on its second stroke in actuation 6
    for condition, address in ((BENCH, None), (hot, (3, 1)), (hot, (3, 6))):
        result = open_actuation(design, Settings(), condition, address)
        figure = actuation.draw(result)
        if result.steps:
            assert share_of_the_axis(figure, result) >= LEAST
        style.png_of(figure)
        renderer = FigureCanvasAgg(figure).get_renderer()
        for axes in figure.axes:
            for text in (axes.title, axes._left_title, *axes.texts):
                if isinstance(text, Text) and text.get_text():
                    box = text.get_window_extent(renderer)
                    assert box.x1 <= figure.bbox.x1 + 1, (name, text.get_text())
                    assert box.y1 <= figure.bbox.y1 + 1, (name, text.get_text())


def test_a_long_title_is_folded_where_a_part_of_it_ends(late):
    with style.drawing_style():
        axes = style.new_figure(1.0).add_subplot()
        parts = [f"part {k} of a title" for k in range(9)]
        axes.set_title(" \u00b7 ".join(parts))
        actuation._fold(axes)
    lines = axes.get_title(loc="left").split("\n")
    assert len(lines) == 2
    assert [part for line in lines for part in line.split(" \u00b7 ")] == parts
    assert max(map(len, lines)) <= 108
    assert "\n" not in actuation.draw(late).axes[0].get_title(loc="left")


def test_an_actuation_that_broke_off_is_drawn_as_far_as_it_is_known(late):
    """Numbers that are not finite take no part in the limits of a panel."""
    cut = int(np.searchsorted(late.trace.time_s, late.steps[1].start_s))
    broken = {
        name: np.where(np.arange(len(late.trace.time_s)) < cut, getattr(late.trace, name), np.nan)
        for name in ("store_V", "input_V", "output_V", "drawn_current_A")
    }
    result = replace(late, outcome="not finished", trace=replace(late.trace, **broken))
    figure = actuation.draw(result)
    volts = panel(figure, label="voltage [V]")
    known = broken["input_V"][np.isfinite(broken["input_V"])]
    assert known.max() < volts.get_ylim()[1] < 2.0 * known.max()
    for text in volts.texts:
        assert np.isfinite(text.xy).all()
    assert style.png_of(figure)
