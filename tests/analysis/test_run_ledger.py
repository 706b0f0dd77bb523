"""Where the energy went: ledgers close, are named, and their mean and spread are those of the actuations opened."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from statistics import fmean, quantiles
from types import SimpleNamespace

import numpy as np
import pytest
from shipped import NAMES, changed, one_cell, shipped

from yieldsim.analysis.actuation import actuation
from yieldsim.analysis.ledger import (
    CAME,
    SAMPLE,
    cell_ledger,
    entry_columns,
    ledger_of,
    open_shares,
    reference_of,
    sample_of,
)
from yieldsim.analysis.yields import YieldResult, yields
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at

BENCH = Condition(25.0, 0.0)
IN_TURN = SimpleNamespace(map=map)  # a mapper that works in the order of the tasks
CLOSES = 1e-3  # of what came in


@pytest.mark.parametrize("name", NAMES)
def test_every_ledger_of_every_shipped_design_closes(name: str) -> None:
    design = shipped(name)
    response = Response(design, Settings(units=24, actuations=4))
    conditions = design.conditions
    for temperature in (min(conditions.temperatures), max(conditions.temperatures)):
        ledgers = response.ledgers(sample_of(24, 4), Condition(temperature, max(conditions.ages)))
        assert len(ledgers) == 96
        assert np.abs(open_shares(ledgers)).max() <= CLOSES
        came = ledgers[:, at.LED_SOURCE] + ledgers[:, at.LED_INITIAL]
        assert came.min() > 0.0
        # every column has one name, so that what is shown is the whole of it
        columns = list(entry_columns(design).values())
        assert len(set(columns)) == len(columns)
        rest = np.setdiff1d(np.arange(ledgers.shape[1]), columns)
        assert not ledgers[:, rest].any()
        # negative control: one entry 1 % off leaves more than a thousandth open
        wrong = ledgers.copy()
        wrong[:, at.LED_STORE] += 0.01 * came
        assert np.abs(open_shares(wrong)).min() > CLOSES


@pytest.mark.parametrize(
    ("units", "actuations"), [(3072, 32), (1, 10), (100, 1), (200, 3), (256, 1), (16, 16), (7, 1000), (2, 3)]
)
def test_a_sample_is_spread_evenly_over_the_units(units: int, actuations: int) -> None:
    sample = sample_of(units, actuations)
    assert sample.shape == (min(SAMPLE, units * actuations), 2)
    assert len(np.unique(sample, axis=0)) == len(sample)
    assert sample.min() >= 0
    assert (sample.max(axis=0) < [units, actuations]).all()
    counts = np.bincount(sample[:, 0], minlength=units)
    assert counts.max() - counts.min() <= 1
    assert (np.diff(sample[:, 0]) >= 0).all()  # in address order


def test_mean_and_spread_are_those_of_the_actuations_opened() -> None:
    design = shipped("lid-tally")
    response = Response(design, Settings(units=12, actuations=2, threads=1))
    ledger = cell_ledger(response, BENCH, IN_TURN)
    opened = [response.replay(unit, number, BENCH) for unit in range(12) for number in range(2)]
    named = [ledger_of(design, replayed.ledger) for replayed in opened]
    assert ledger.sample == 24
    assert ledger.error == max(abs(error) for _, error in named)
    whole = np.mean([rows["source"] + rows["stored at the release"] for rows, _ in named])
    for name, entry in ledger.entries.items():
        energies = np.array([rows[name] for rows, _ in named])
        assert entry.mean_J == pytest.approx(energies.mean(), rel=1e-12)
        assert (entry.low_J, entry.high_J) == pytest.approx(np.percentile(energies, [5, 95]), rel=1e-12)
        assert entry.share == pytest.approx(energies.mean() / whole, rel=1e-12)
    with ThreadPoolExecutor(2) as threads:
        assert cell_ledger(response, BENCH, threads) == ledger


def test_shares_of_what_came_in_and_of_where_it_went_add_up_to_one(found: YieldResult) -> None:
    for ledger in found.ledgers:
        came = ("source", "stored at the release")
        assert sum(ledger.entries[name].share for name in came) == pytest.approx(1.0, abs=1e-12)
        went = sum(entry.share for name, entry in ledger.entries.items() if name not in came)
        assert went == pytest.approx(1.0, abs=CLOSES)
        assert all(e.low_J <= e.high_J for e in ledger.entries.values())


def test_a_run_opens_its_worst_condition_and_the_one_next_to_a_bench(found: YieldResult) -> None:
    places = [(ledger.temperature_degC, ledger.age_yr) for ledger in found.ledgers]
    assert places == [(found.worst.temperature_degC, found.worst.age_yr), (25.0, 0.0)]
    cold, warm = Condition(-10.0, 0.0), Condition(40.0, 0.0)
    assert reference_of([cold, warm, Condition(25.0, 5.0)]) == warm
    assert reference_of([cold]) == cold


def test_machine_readable_ledger(found: YieldResult) -> None:
    answer = json.loads(json.dumps(found.as_json(), allow_nan=False))
    assert len(answer["ledger"]) == 2
    for cell in answer["ledger"]:
        assert set(cell) == {"temperature_degC", "age_yr", "actuations", "entries", "greatest_error"}
        assert cell["actuations"] == 256  # of 64 units with 8 each
        assert 0.0 <= cell["greatest_error"] <= CLOSES
        names = ["source", "stored at the release", "coil", "diodes", "ESR", "clamp", "leakage", "regulator"]
        names += ["boot", "transmit", "listen", "left in store", "left in coil"]
        assert [entry["name"] for entry in cell["entries"]] == names
        assert all(set(entry) == {"name", "mean_J", "low_J", "high_J", "share"} for entry in cell["entries"])
    assert answer["ledger_error"] == max(cell["greatest_error"] for cell in answer["ledger"])


def test_one_condition_is_opened_once(small: Design) -> None:
    result = yields(one_cell(small), Settings(units=4, actuations=2, threads=1))
    assert [ledger.sample for ledger in result.ledgers] == [8]


def test_a_store_without_bias_holds_half_c_v_squared(small: Design) -> None:
    capacitance = replace(small.storage.capacitance, bias=None, tolerances=(), ageing=())
    design = replace(small, harvester=None, storage=replace(small.storage, capacitance=capacitance))
    result = actuation(design.with_nominal("storage.initial_voltage", 4.0), Settings(), BENCH)
    # the energy of a charged capacitor, C V^2 / 2
    assert result.ledger["stored at the release"] == pytest.approx(0.5 * 33e-6 * 4.0**2, rel=1e-9)
    assert result.ledger["left in store"] == pytest.approx(0.5 * 33e-6 * result.left_V**2, rel=1e-9)
    assert result.left_V < 4.0


def test_a_packet_gives_its_energy_and_its_module_keeps_what_the_efficiency_leaves() -> None:
    full = actuation(shipped("lid-tally"), Settings(), BENCH)
    # 165 uJ at 68 %
    assert full.ledger["source"] == pytest.approx(165e-6, rel=1e-6)
    assert full.ledger["coil"] == pytest.approx(0.32 * 165e-6, rel=1e-6)
    short = changed("lid-tally", ('share = "1.5 %"', 'share = "100 %"'))
    opened = actuation(short, Settings(), BENCH, (3, 1))
    assert opened.partial
    energy, travel = (opened.values[f"harvester.{name}"][0] for name in ("energy", "partial.travel"))
    assert 0.56 <= travel <= 0.84  # 0.7 within 20 %
    assert opened.ledger["source"] == pytest.approx(travel * energy, rel=1e-6)
    assert opened.ledger["coil"] == pytest.approx(
        (1.0 - opened.values["harvester.efficiency"][0]) * travel * energy, rel=1e-6
    )


# --- of every shipped design over a run -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_a_run_of_every_shipped_design_is_the_mean_and_spread_of_what_can_be_opened(name: str) -> None:
    whole = shipped(name)
    hot = Condition(max(whole.conditions.temperatures), max(whole.conditions.ages))
    units, actuations = 10, 2
    settings = Settings(units=units, actuations=actuations, threads=1)
    result = yields(one_cell(whole, hot.temperature, hot.age), settings)
    assert result.cells[0].outcomes["not finished"] == 0.0
    (ledger,) = result.ledgers
    assert ledger.sample == units * actuations
    assert result.ledger_error == ledger.error <= CLOSES
    opened = [actuation(whole, settings, hot, (u, k)).ledger for u in range(units) for k in range(actuations)]
    came = np.mean([rows["source"] + rows["stored at the release"] for rows in opened])
    assert came > 0.0
    for entry, told in ledger.entries.items():
        energies = [rows.get(entry, 0.0) for rows in opened]
        # the standard library's quantiles, which include both ends: 5 % and 95 % are the first and last of 20 parts
        *_, high = low, *_ = quantiles(energies, n=20, method="inclusive")
        assert told.mean_J == pytest.approx(fmean(energies), rel=1e-9, abs=1e-18)
        assert (told.low_J, told.high_J) == pytest.approx((low, high), rel=1e-9, abs=1e-18)
        assert told.share == pytest.approx(fmean(energies) / came, rel=1e-9, abs=1e-15)
    # where it came from is where it went, on average too; negative control: without the losses of the regulator
    went = {entry: told.mean_J for entry, told in ledger.entries.items() if entry not in CAME}
    assert sum(went.values()) == pytest.approx(came, rel=CLOSES)
    assert sum(went.values()) - went["regulator"] != pytest.approx(came, rel=CLOSES)
