"""What is told of designs without energy, with a charge before the stroke, with sites; and marks that coincide."""

from dataclasses import replace
from itertools import combinations

import numpy as np

from yieldsim.design.schema import Site
from yieldsim.report import method
from yieldsim.report.figures import ledger, outcome_shares, style
from yieldsim.report.page import _ALT, page_of
from yieldsim.report.terminal import text_of


def texts(figure):
    return [text.get_text() for axes in figure.axes for text in axes.texts]


def test_a_ledger_without_energy_is_drawn_and_says_so(result):
    empty = replace(result.actuation, ledger=dict.fromkeys(result.actuation.ledger, 0.0))
    told = "No energy was at hand: none from the source, none stored before."
    figure = ledger.draw(empty)
    assert style.png_of(figure)
    assert told in texts(figure)
    assert told not in texts(ledger.draw(result.actuation))
    assert "left in store" not in text_of(empty)


def test_a_start_before_any_stroke_is_a_start(result):
    started = replace(result.actuation, start_time_s=0.0, start_stroke=None)
    assert "started              at the release, before any stroke" in text_of(started)
    never = replace(result.actuation, start_time_s=None, start_stroke=None)
    assert "started              never" in text_of(never)


def test_check_names_what_is_assumed_once(answers):
    check = answers["check"]
    text = text_of(check)
    assert text.count("parameters are assumed") == 1
    assert "Assumed," not in text
    assert " ".join(text.split()).count("in the mean over the charge") == 1


def test_the_page_tells_the_settings_in_force(result):
    page = page_of(result, dict.fromkeys(_ALT, "<svg/>")).replace("\u00a0", " ")
    assert (
        "<th>settings</th><td>units 96, actuations 6, lots: one for each unit, effort 64, accuracy 0.5 mV, "
        "confidence 95 %</td>"
    ) in page
    other = replace(result, ranking=replace(result.ranking, confidence=0.9))
    assert "confidence 95 % (ranking: 90 %)" in page_of(other, dict.fromkeys(_ALT, "<svg/>")).replace("\u00a0", " ")


def test_each_site_is_told_with_its_share_and_mission(result):
    sites = (Site("valley", 0.7, ((5.0, 1.0),)), Site("ridge", 0.3, ((-10.0, 0.5), (25.0, 0.5))))
    design = replace(result.design, conditions=replace(result.design.conditions, sites=sites))
    items = [item.replace("\u00a0", " ") for item in method.assumptions(replace(result, design=design))]
    assert "Site valley, 70 % of the units: 100 % at 5 °C." in items
    assert any(item.startswith("Site ridge, 30 % of the units: 50 % at ") for item in items)
    assert not any(item.startswith("Mission:") for item in items)
    assert any(item.startswith("Mission:") for item in method.assumptions(result))


def test_marks_at_one_share_do_not_hide_each_other(result):
    shares = {"unacknowledged": 1e-3, "never started": 1e-3, "channel busy": 1.02e-3, "brown-out in listen": 0.2}
    shares["brown-out in boot"] = 0.2
    cells = tuple(replace(cell, outcomes={"complete": 0.597, **shares}) for cell in result.yields.cells)
    figure = outcome_shares.draw(replace(result.yields, cells=cells))
    style.png_of(figure)  # places the axes
    axes = figure.axes[0]
    lines = [line for line in axes.lines if line.get_label() in shares]
    assert len(lines) == len(shares)
    points = [axes.transData.transform(line.get_xydata()) * 72 / figure.dpi for line in lines]
    for a, b in combinations(points, 2):
        distance = np.linalg.norm(a[:, None] - b[None, :], axis=2)
        assert distance.min() >= lines[0].get_markersize()
