"""An opened actuation: its source in the terms of its kind, the nominal curve behind it, and what its titles tell."""

from dataclasses import replace

import numpy as np
import pytest

from yieldsim.analysis.actuation import Trace
from yieldsim.report.figures import actuation, source_panel, style
from yieldsim.report.figures import drawn as drawn_values
from yieldsim.report.numbers import fixed
from yieldsim.report.terminal import text_of


def title(figure):
    return figure.get_suptitle()


def own(axes):
    """Return the curve of the actuation itself."""
    return next(line for line in axes.lines if line.get_color() == style.INK)


def test_the_area_under_the_power_of_a_packet_is_what_it_delivers(opened):
    # energy packet: power times time is energy times efficiency, the rest is lost inside
    for address in (None, (62, 1), (27, 2)):
        result = opened["lid-tally", address]
        axes = actuation.draw(result).axes[0]
        assert axes.get_ylabel() == "power [mW]"
        time, power = own(axes).get_data()
        delivered = np.trapezoid(power, time) * 1e-6  # mW ms
        assert delivered == pytest.approx(result.ledger["source"] - result.ledger["coil"], rel=5e-3)


def test_a_piezoelectric_element_shows_the_voltage_across_it(opened):
    result = opened["seat-counter", (2, 0)]
    axes = actuation.draw(result).axes[0]
    assert axes.get_ylabel() == "across element [V]"
    assert "piezoelectric element" in axes.get_title(loc="left")
    # the bridge holds it within input voltage and two drops of at most 0.7 V while it conducts
    assert np.abs(own(axes).get_ydata()).max() <= result.peak_voltage_V + 1.4


def test_a_coil_shows_its_emf(opened):
    axes = actuation.draw(opened["vent-flap", None]).axes[0]
    assert axes.get_ylabel() == "emf [V]"


def test_a_design_without_a_harvester_has_no_source_to_show(opened):
    bare = replace(opened["vent-flap", None], source="")
    assert actuation.draw(bare).axes[0].get_title(loc="left").startswith("no harvester")


def test_the_nominal_curve_stands_behind_an_addressed_one_and_inside_the_panel(opened):
    for key, result in opened.items():
        axes = next(a for a in actuation.draw(result).axes if a.get_ylabel() == "voltage [V]")
        grey = [line for line in axes.lines if line.get_color() == style.GREY]
        if key[1] is None:
            assert not grey
            continue
        assert np.array_equal(grey[0].get_ydata(), result.nominal_trace.input_V)
        shown = np.asarray(result.nominal_trace.time_s) * 1e3 <= axes.get_xlim()[1]
        assert grey[0].get_ydata()[shown].max() <= axes.get_ylim()[1]
        assert grey[0].get_zorder() < min(
            line.get_zorder() for line in axes.lines if line.get_color() in (style.BLUE, style.SKY, style.TEAL)
        )


def test_the_title_tells_address_message_press_and_starts(opened):
    result = opened["lid-tally", (62, 1)]
    told = title(actuation.draw(replace(result, partial=True, message="count", starts=3)))
    assert told.startswith("Unit 62, actuation 1 at 12 °C when new: ")
    assert "message “count”" in told
    assert "partial press" in told
    assert "3 starts" in told
    plain = title(actuation.draw(replace(opened["vent-flap", None], partial=False, message=None, starts=1)))
    assert plain.startswith("Nominal actuation at 48 °C when new: ")
    assert "\n" not in plain


def test_every_start_up_is_hatched(opened):
    # off, starting, step 0, off, starting, step 0: start-ups last from 1 to 3 and from 6 to 7 [s]
    phase = np.array([-1, -2, -2, 0, 0, -1, -2, 0, 0, -1])
    time = np.arange(10.0)
    trace = Trace(*[time] * 7, phase)
    assert actuation._start_ups(replace(opened["vent-flap", None], trace=trace)) == [(1.0, 3.0), (6.0, 7.0)]


def test_steps_of_one_name_share_a_colour(opened):
    result = opened["lid-tally", (27, 2)]
    strip = actuation.draw(result).axes[1]
    blocks = [patch for patch in strip.patches if not patch.get_hatch()]
    colours = {}
    for step, block in zip(result.steps, blocks, strict=True):
        colours.setdefault(step.step, set()).add(block.get_facecolor())
    assert len(result.steps) > len(colours)
    assert all(len(found) == 1 for found in colours.values())
    assert len(set.union(*colours.values())) == len(colours)


def test_a_store_that_holds_something_at_the_release_is_marked(opened):
    result = opened["vent-flap", None]
    axes = next(a for a in actuation.draw(result).axes if a.get_ylabel() == "voltage [V]")
    level = float(result.trace.store_V[0])
    marks = [line for line in axes.lines if line.get_marker() == "D"]
    assert [list(line.get_ydata()) for line in marks] == [[level]]
    assert f"at the release {fixed(level, 2)} V" in axes.get_title(loc="left")
    empty = next(a for a in actuation.draw(opened["seat-counter", None]).axes if a.get_ylabel() == "voltage [V]")
    assert not [line for line in empty.lines if line.get_marker() == "D"]


def test_strokes_that_come_long_after_the_sequence_are_named_not_drawn(opened):
    result = opened["seat-counter", None]
    figure = actuation.draw(result)
    begins = [begin for begin, _ in source_panel.strokes_of(result)]
    assert len(begins) >= 2
    assert figure.axes[0].get_xlim()[1] < begins[-1] * 1e3
    assert "not drawn: stroke at" in figure.axes[0].get_title(loc="left")


def test_drawn_values_stand_beside_their_nominal(opened):
    result = opened["vent-flap", (59, 0)]
    text = text_of(result)
    axes = drawn_values.draw(result).axes[0]
    names = [tick.get_text() for tick in axes.get_yticklabels()]
    limits = [abs(row.of_limit) for row in result.drawn if row.of_limit is not None]
    assert names == [row.name for row in result.drawn if row.of_limit is not None][: len(names)]
    assert limits == sorted(limits, reverse=True)
    for row in result.drawn[:5]:
        assert row.name in text
    assert "What was drawn for unit 59, actuation 0" in title(drawn_values.draw(result))
