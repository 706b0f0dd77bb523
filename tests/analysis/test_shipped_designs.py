"""Every shipped design through every analysis, and what is told of messages, short presses, restarts and sources."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq
from shipped import NAMES, changed, one_cell, shipped

from yieldsim.analysis.actuation import ActuationResult, actuation
from yieldsim.analysis.cell import CellYield
from yieldsim.analysis.check import check
from yieldsim.analysis.margins import needed_input, required_input, store_charge_between
from yieldsim.analysis.ranking import rank
from yieldsim.analysis.source_findings import piezo_top
from yieldsim.analysis.stress import check_ratings, rating_of
from yieldsim.analysis.yields import yields
from yieldsim.design.schema import Derating, Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run
from yieldsim.words.errors import InputError

BENCH = Condition(25.0, 0.0)


def rows_of(design: Design, units: int, actuations: int) -> tuple[np.ndarray, np.ndarray]:
    """Values and codes of all actuations at the bench, in address order."""
    response = Response(design, Settings(units=units, actuations=actuations))
    base, scale = response.unit_base(np.arange(units), BENCH)
    rows = np.array([[u, u, k] for u in range(units) for k in range(actuations)])
    return run(response.kernel, base, scale, rows)


def cell_of(design: Design, units: int, actuations: int, confidence: float = 0.95) -> CellYield:
    settings = Settings(units=units, actuations=actuations, threads=1, confidence=confidence)
    (cell,) = yields(one_cell(design), settings).cells
    return cell


# --- every command on every shipped design --------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_every_shipped_design_is_checked_opened_counted_and_ranked(name: str) -> None:
    design = one_cell(shipped(name))
    settings = Settings(units=8, actuations=2, effort=16, threads=1)
    assert check(shipped(name)).findings
    counted = yields(design, settings)
    worst = counted.addresses["worst"][0]
    opened = actuation(design, settings, BENCH, (worst.unit, worst.actuation))
    assert opened.voltage_margin_V == worst.voltage_margin_V  # to the bit
    assert opened.outcome == worst.outcome
    ranked = rank(design, settings, BENCH)
    for result in (counted, opened, ranked):
        json.dumps(result.as_json(), allow_nan=False)


# --- messages and presses -------------------------------------------------------------------------------------------


def test_messages_and_presses_are_counted_from_their_actuations() -> None:
    units, actuations = 96, 6
    design = changed("lid-tally", ('share = "1.5 %"', 'share = "20 %"'), ('energy = { nominal = "165 uJ"',
                     'energy = { nominal = "140 uJ"'), ('share = "94 %"', 'share = "60 %"'),
                     ('share = "6 %"', 'share = "40 %"'))  # fmt: skip
    _, codes = rows_of(design, units, actuations)
    done, partial = codes[:, at.OUTCOME] == at.COMPLETE, codes[:, at.PARTIAL] == 1
    cell = cell_of(design, units, actuations)
    assert [m.message for m in cell.by_message] == ["count", "report"]
    for k, told in enumerate(cell.by_message):
        sent = codes[:, at.MESSAGE] == k
        assert told.share == sent.mean()
        assert told.completion == pytest.approx(done[sent].mean(), abs=1e-12)
        assert 0.0 < told.completion_low < told.completion < told.completion_high < 1.0
    presses = cell.partial_presses
    assert presses is not None
    assert presses.share == partial.mean()
    assert presses.completion == pytest.approx(done[partial].mean(), abs=1e-12)
    assert presses.full_completion == pytest.approx(done[~partial].mean(), abs=1e-12)
    assert presses.share_of_failures == pytest.approx(partial[~done].mean(), abs=1e-12)
    assert presses.completion_low < presses.completion < presses.completion_high
    assert presses.full_completion_low < presses.full_completion < presses.full_completion_high
    # a press that stops short gives less energy
    assert presses.completion < presses.full_completion


def test_bounds_of_a_message_without_a_failure_are_those_of_a_success_run() -> None:
    # nothing fails: energy to spare and no losses; one press a unit, so that presses are independent
    design = changed("lid-tally", ('nominal = "165 uJ"', 'nominal = "400 uJ"'), ("attempts = 3", "attempts = 1"),
                     ('nominal = "1.5 dB"', 'nominal = "30 dB"'), ('share = "1.5 %"', 'share = "25 %"'))  # fmt: skip
    units = 60
    _, codes = rows_of(design, units, 1)
    assert (codes[:, at.OUTCOME] == at.COMPLETE).all()
    cell = cell_of(design, units, 1, 0.9)
    presses = cell.partial_presses
    assert presses is not None
    counts = [
        ((codes[:, at.MESSAGE] == 0).sum(), cell.by_message[0].completion_low, cell.by_message[0].completion_high),
        ((codes[:, at.PARTIAL] == 1).sum(), presses.completion_low, presses.completion_high),
        ((codes[:, at.PARTIAL] == 0).sum(), presses.full_completion_low, presses.full_completion_high),
    ]
    for n, low, high in counts:
        # the classical success run: without a failure in n, R >= (1 - C)^(1/n)
        assert low == pytest.approx(0.1 ** (1.0 / n), rel=1e-9)
        assert high == 1.0
    assert math.isnan(presses.share_of_failures)
    answer = json.loads(json.dumps(yields(one_cell(design), Settings(units=4, actuations=1)).as_json()))
    assert answer["cells"][0]["partial_presses"]["share_of_failures"] is None


def test_a_design_with_one_message_and_full_presses_has_no_such_rows(small: Design) -> None:
    cell = cell_of(small, 8, 2)
    assert cell.by_message == ()
    assert cell.partial_presses is None


# --- one actuation opened -------------------------------------------------------------------------------------------


def test_an_opened_actuation_tells_message_press_and_starts() -> None:
    # a weak coil makes the flap's regulator start twice, or not at all
    weak = shipped("vent-flap").with_nominal("harvester.peak_emf", 5.0)
    for design, units, actuations in ((shipped("lid-tally"), 40, 8), (weak, 24, 8)):
        _, codes = rows_of(design, units, actuations)
        kinds = np.stack([codes[:, at.MESSAGE], codes[:, at.PARTIAL], codes[:, at.STARTS]], axis=1)
        found, first = np.unique(kinds, axis=0, return_index=True)
        assert len(found) >= 3  # negative control: there is something to tell apart
        for (message, partial, starts), row in zip(found, first, strict=True):
            opened = actuation(design, Settings(), BENCH, (int(row) // actuations, int(row) % actuations))
            named = design.radio.messages[message].name if design.radio.messages else None
            assert (opened.message, opened.partial, opened.starts) == (named, bool(partial), starts)
            assert opened.left_V == opened.trace.store_V[-1]
            answer = json.loads(json.dumps(opened.as_json(), allow_nan=False))
            assert (answer["message"], answer["partial"], answer["starts"]) == (named, bool(partial), starts)


def test_the_nominal_actuation_sends_the_commonest_message_of_a_full_press() -> None:
    nominal = actuation(shipped("lid-tally"), Settings(), BENCH)
    assert (nominal.message, nominal.partial, nominal.starts) == ("count", False, 1)
    assert "read fill level" not in [step.step for step in nominal.steps]
    assert nominal.nominal_trace is None


def test_an_address_carries_the_nominal_curve_of_its_condition() -> None:
    design, hot = shipped("seat-counter"), Condition(45.0, 10.0)
    opened, nominal = actuation(design, Settings(), hot, (2, 1)), actuation(design, Settings(), hot)
    assert opened.nominal_trace is not None
    for field in ("time_s", "emf_V", "store_V", "input_V", "phase"):
        assert np.array_equal(getattr(opened.nominal_trace, field), getattr(nominal.trace, field))
    assert not np.array_equal(opened.trace.store_V, nominal.trace.store_V)


def test_the_source_of_a_trace_is_the_voltage_across_the_element() -> None:
    nominal = actuation(shipped("seat-counter"), Settings(), BENCH)
    time, emf = nominal.trace.time_s, nominal.trace.emf_V
    # the diodes hold the element within the store's voltage and two drops of 0.55 V and 9.1 ohm of their line: far
    # below the open-circuit swing of 110 V
    assert np.abs(emf).max() <= nominal.trace.input_V.max() + 2 * (
        0.60 + 9.5 * np.abs(nominal.trace.coil_current_A).max()
    )
    assert np.abs(emf).max() > nominal.trace.store_V.max()
    # between the strokes, blocked, it decays through the loss resistance: C_p R_loss = 0.816 s
    quiet = (time > 0.030) & (time < 0.110) & (nominal.trace.coil_current_A == 0.0)
    if quiet.sum() >= 2:
        first, last = np.flatnonzero(quiet)[[0, -1]]
        expected = emf[first] * math.exp(-(time[last] - time[first]) / (0.68e-6 * 1.2e6))
        assert emf[last] == pytest.approx(expected, rel=1e-3)


def test_a_packet_says_nothing_of_its_diodes() -> None:
    design = one_cell(shipped("lid-tally"))
    nominal = actuation(design, Settings(), BENCH)
    assert (nominal.peak_current_A, nominal.peak_reverse_V) == (None, None)
    assert not nominal.trace.emf_V.any()
    cell = cell_of(design, 4, 2)
    assert not {"peak_current_A", "peak_reverse_V"} & set(cell.quantiles)
    rated = replace(design, rectifier=replace(design.rectifier, current_rating=0.1, reverse_rating=20.0))
    assert not [name for name in cell_of(rated, 4, 2).ratings if name.startswith("rectifier")]
    with pytest.raises(InputError, match="inside its module"):
        check_ratings(replace(rated, deratings=(Derating("rectifier.current", 0.5, 0.9),)))


def test_a_bank_is_rated_as_its_weakest_capacitor() -> None:
    design = shipped("seat-counter")
    assert rating_of(design, "store.voltage") == 12.5  # of 16 V and 12.5 V
    assert cell_of(design, 4, 2).ratings["store.voltage"].rating == 12.5


@pytest.fixture(scope="module")
def drawn() -> ActuationResult:
    return actuation(shipped("seat-counter"), Settings(), BENCH, (1, 0))


def test_drawn_values_stand_by_how_far_out_they_are(drawn: ActuationResult) -> None:
    shares = [abs(row.of_limit or 0.0) for row in drawn.drawn]
    assert shares == sorted(shares, reverse=True)
    rows = {row.name: row for row in drawn.drawn}
    # 22 and 14 ms are not drawn at all; a full press has no use for its travel
    assert "regulator.off_current" not in rows
    assert not drawn.partial
    assert "harvester.partial.travel" not in rows
    # 1.8 V ±1.5 %, and the element ±10 %
    for name, width in (("regulator.output", 0.015), ("harvester.source_capacitance", 0.10)):
        row = rows[name]
        assert row.difference == pytest.approx(row.value / row.nominal - 1.0, rel=1e-9)
        assert row.of_limit == pytest.approx((row.value / row.nominal - 1.0) / width, rel=1e-9)
        assert abs(row.of_limit) <= 1.0


def test_the_travel_of_a_short_press_is_among_the_drawn() -> None:
    design = changed("lid-tally", ('share = "1.5 %"', 'share = "100 %"'))
    opened = actuation(design, Settings(), BENCH, (0, 0))
    row = next(row for row in opened.drawn if row.name == "harvester.partial.travel")
    assert (row.nominal, row.unit) == (0.7, "")
    assert row.of_limit == pytest.approx((row.value - 0.7) / 0.14, rel=1e-9)  # within 20 %


# --- margins --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("minimum", [1.3, 1.7, 1.9, 2.4])
@pytest.mark.parametrize("load", [0.0, 2.4e-3, 20e-3, 60e-3])
def test_the_needed_input_solves_the_dropout_curve(minimum: float, load: float) -> None:
    design = shipped("seat-counter")
    x = Response(design, Settings()).nominal_base(BENCH)

    def above(v: float) -> float:
        # 150 mV at 20 mA, times 1.4 at 1.7 V and 1.0 at 2 V, linear between and flat beyond
        return v - minimum - 0.150 / 0.020 * load * float(np.interp(v, [1.7, 2.0], [1.4, 1.0]))

    assert needed_input(design, x, minimum, load) == pytest.approx(brentq(above, 0.0, 10.0, xtol=1e-13), abs=1e-10)


def test_the_need_of_a_step_with_curves_is_that_of_the_simulation() -> None:
    # without a stop voltage the dropout decides; one step alone: V_in above its need at the end is the reserve
    design = shipped("seat-counter").with_nominal("regulator.stop_voltage", 0.0)
    design = replace(design, radio=replace(design.radio, sequence=design.radio.sequence[:1]))
    opened = Response(design, Settings(accuracy=1e-8)).respond_at({}, BENCH, opened=True)
    assert opened.codes[at.RESERVE_STEP] == 0
    need = opened.record[opened.record[:, at.REC_PHASE] == 0][-1, at.REC_INPUT] - opened.values[at.RESERVE]
    assert required_input(design, opened.x, 0) == pytest.approx(need, abs=1e-6)


def test_a_bank_gives_the_charge_of_all_its_capacitors() -> None:
    design = shipped("seat-counter")
    x = Response(design, Settings()).nominal_base(BENCH)
    ceramic = PchipInterpolator([0.0, 3.0, 6.0, 10.0, 16.0], [1.0, 0.93, 0.76, 0.52, 0.31])
    whole, _ = quad(lambda v: 4.7e-6 * float(ceramic(v)) + 10e-6, 2.0, 7.0, points=[3.0, 6.0], epsrel=1e-12)
    assert store_charge_between(design, x, 2.0, 7.0) == pytest.approx(whole, rel=1e-9)


# --- sanity of sources ----------------------------------------------------------------------------------------------


def told(design: Design, start: str) -> tuple[str, str]:
    ((kind, text),) = [(f.kind, f.text) for f in check(design).findings if f.text.startswith(start)]
    return kind, text


LINEAR = ("bias = [[\"0 V\", 1.0], [\"2 V\", 0.97], [\"4 V\", 0.90], [\"7 V\", 0.76]]\n", "")  # fmt: skip


def test_the_energy_of_a_packet_is_compared_with_what_the_store_takes() -> None:
    kind, text = told(changed("lid-tally", LINEAR), "harvester.energy")
    # 165 uJ at 68 % into 10 uF: V = sqrt(2 E / C); the start at 3.5 V takes C V^2 / 2
    assert f"{math.sqrt(2 * 165e-6 * 0.68 / 10e-6):.4g} V without load" in text
    assert "112 uJ reach the store, which takes 61.3 uJ to the start at 3.5 V" in text.replace("\u00b5", "u")
    assert kind == "ok"
    weak = changed("lid-tally", LINEAR, ('nominal = "165 uJ"', 'nominal = "60 uJ"'))
    kind, text = told(weak, "harvester.energy")
    assert kind == "warning"
    assert text.endswith("the regulator never starts.")


def test_the_swing_of_an_element_is_shared_with_the_store() -> None:
    ceramic = 'bias = [["0 V", 1.0], ["3 V", 0.93], ["6 V", 0.76], ["10 V", 0.52], ["16 V", 0.31]]\n'
    design = changed("seat-counter", (ceramic, ""))
    assert design.harvester is not None
    once = replace(design, harvester=replace(design.harvester, strokes=design.harvester.strokes[:1]))
    drop = 2 * once.rectifier.forward_drop.points[0][1]
    # charge sharing behind ideal diodes with a drop: C_p (S - drop - V) = C V
    expected = 0.68e-6 * (110.0 - drop) / (0.68e-6 + 14.7e-6)
    assert piezo_top(once) == pytest.approx(expected, rel=1e-9)
    kind, _ = told(shipped("seat-counter"), "harvester.open_circuit_swing")
    assert kind == "ok"
    low = shipped("seat-counter").with_nominal("harvester.open_circuit_swing", 4.0)
    kind, text = told(low, "harvester.open_circuit_swing")
    assert (kind, "is below the start at 3.8 V" in text) == ("warning", True)


def test_a_precharge_is_compared_with_the_start() -> None:
    design = shipped("vent-flap")
    kind, text = told(design, "precharge")
    assert kind == "ok"
    assert text.startswith("precharge: it takes the nominal store to 2.1 V at most")  # its limit
    kind, text = told(replace(design, harvester=None), "precharge")
    assert kind == "warning"
    assert text.endswith("there is no other source.")
    kind, text = told(design.with_nominal("precharge.current", 1e-7), "precharge")  # below the off current of 120 nA
    assert kind == "warning"
    assert text.startswith("precharge.current: regulator.off_current, 120 nA, takes all of it")


def test_check_tells_every_curve_code_and_message() -> None:
    rows = {key: text for name in NAMES for key, text in check(shipped(name)).design_settings}
    assert rows["regulator.dropout.against_input"] == "1.7 V: 1.4, 2 V: 1"
    assert rows["regulator.efficiency.against_load"] == "1 mA: 0.86, 3 mA: 0.95, 8 mA: 1, 20 mA: 0.98"
    assert rows["regulator.off_current.against_input"]
    assert rows["storage.ceramic.capacitance.dielectric"] == "X7R"
    assert rows["radio.message report"] == "6 % of the actuations, 58 octets, 22 in a retry"
    assert rows["radio.transmit.frame.retry_octets"].startswith("15 octets in a retry")
    assert rows["radio.store report.message"] == "runs for report alone"
    restarts = {name: dict(check(shipped(name)).design_settings)["regulator.restart"] for name in NAMES}
    assert [name for name, text in restarts.items() if text.startswith("starts again")] == ["vent-flap"]
    laws = {p.name: p.temperature for name in NAMES for p in check(shipped(name)).parameters}
    # EIA-198: X7R is -55 to 125 degC, within 15 %
    assert laws["storage.ceramic.capacitance"].startswith(
        "-15 % to +15 % of the value at 25 degC, -55 degC to 125 degC"
    )
