"""Completion by message and by press: its bounds hold their confidence, and hold the truth where that is known."""

from __future__ import annotations

import json

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import binom
from shipped import changed, one_cell

from yieldsim.analysis.yields import YieldResult, yields
from yieldsim.engine.settings import Settings
from yieldsim.estimate.frequencies import Frequencies, ratio_of_units
from yieldsim.estimate.intervals import Estimate, clopper_pearson_bounds, mean_of_clusters

SEEDS = (4021, 77, 190331)
REPEATS = 150
ACTUATIONS = 40

# Two sorts of units: share of the units, chance that an actuation is of the kind, chance that one of the kind counts.
# The unit that fails makes fewer of the kind, so that the share is a ratio of means and no mean of ratios.
SORTS = ((0.75, 0.6, 1.0), (0.25, 0.3, 0.0))
TRUTH = sum(p * s * c for p, s, c in SORTS) / sum(p * s for p, s, _ in SORTS)  # 0.857, where the mean of ratios is 0.75


def counts_of(rng: np.random.Generator, units: int, in_a_lot: int = 1) -> NDArray[np.int64]:
    """Draw (units, 2) actuations of the kind, and those that count; the units of a lot are of one sort."""
    sort = np.repeat(rng.random(units // in_a_lot) >= SORTS[0][0], in_a_lot).astype(int)
    _, of_kind, counting = np.array(SORTS).T
    made = rng.binomial(ACTUATIONS, of_kind[sort])
    return np.stack([made, rng.binomial(made, counting[sort])], axis=1)


def ratio(counts: np.ndarray, lots: np.ndarray | None, confidence: float) -> Estimate | None:
    return ratio_of_units(Frequencies.in_lots(counts, lots), confidence)


def misses(outside: list[bool], confidence: float) -> bool:
    """Whether bounds miss the truth more often than they may.

    Three seeds and two bounds, in two tests: 8e-8 for each keeps the false-alarm rate of all below 1e-6.
    """
    return sum(outside) > binom.isf(8e-8, len(outside), 1.0 - confidence)


@pytest.mark.parametrize("seed", SEEDS)
def test_bounds_on_a_conditional_share_hold_their_confidence(seed: int) -> None:
    rng, confidence = np.random.default_rng(seed), 0.9
    below: dict[str, list[bool]] = {"low": [], "high": [], "pooled": [], "mean of ratios": []}
    for _ in range(REPEATS):
        counts = counts_of(rng, 90)
        found = ratio(counts, None, confidence)
        assert found is not None
        assert found.value == pytest.approx(counts[:, 1].sum() / counts[:, 0].sum(), abs=1e-12)
        below["low"].append(found.low > TRUTH)
        below["high"].append(found.high < TRUTH)
        made, counting = counts.sum(axis=0)
        below["pooled"].append(clopper_pearson_bounds(int(counting), int(made), confidence)[0] > TRUTH)
        seen = counts[counts[:, 0] > 0]
        below["mean of ratios"].append(mean_of_clusters(seen[:, 1] / seen[:, 0], None, confidence).high < TRUTH)
    assert not misses(below["low"], confidence)
    assert not misses(below["high"], confidence)
    # negative controls: actuations taken as independent, and units taken as equally heavy
    assert misses(below["pooled"], confidence)
    assert misses(below["mean of ratios"], confidence)


@pytest.mark.parametrize("seed", SEEDS)
def test_bounds_on_a_conditional_share_reckon_with_lots(seed: int) -> None:
    rng, confidence, in_a_lot = np.random.default_rng(seed), 0.9, 12
    lots = np.repeat(np.arange(40), in_a_lot)
    together: list[bool] = []
    apart: list[bool] = []
    for _ in range(REPEATS):
        counts = counts_of(rng, 480, in_a_lot)
        by_lot, by_unit = (ratio(counts, clusters, confidence) for clusters in (lots, None))
        assert by_lot is not None
        assert by_unit is not None
        assert by_lot.value == pytest.approx(by_unit.value, abs=1e-12)
        together += [by_lot.low > TRUTH, by_lot.high < TRUTH]
        apart += [by_unit.low > TRUTH, by_unit.high < TRUTH]
    assert not misses(together[::2], confidence)
    assert not misses(together[1::2], confidence)
    assert misses(apart[::2], confidence)  # negative control: units of one lot taken as independent


def test_a_share_of_nothing_is_none() -> None:
    assert ratio(np.zeros((5, 2), dtype=np.int64), None, 0.95) is None


@pytest.mark.parametrize("lots", [None, 4])
def test_units_without_an_actuation_of_the_kind_add_nothing(lots: int | None) -> None:
    counts = np.array([[4, 3], [2, 2], [0, 0], [5, 1], [0, 0], [3, 3], [1, 0], [6, 6]])
    clusters = None if lots is None else np.arange(8) % lots
    whole = ratio(counts, clusters, 0.95)
    kept = counts[:, 0] > 0
    assert whole == ratio(counts[kept], None if clusters is None else clusters[kept], 0.95)


@pytest.mark.parametrize("clusters", [20, None])
def test_without_a_failure_the_lower_bound_is_that_of_a_success_run(clusters: int | None) -> None:
    counts = np.full((60, 2), 3)
    labels = None if clusters is None else np.arange(60) % clusters
    found = ratio(counts, labels, 0.95)
    assert found is not None
    # the classical success run: without a failure in n, R >= (1 - C)^(1/n)
    assert found.low == pytest.approx(0.05 ** (1.0 / (clusters or 60)), rel=1e-9)
    assert found.high == 1.0


# --- of a design whose truth is known -------------------------------------------------------------------------------

FRAME, BACK, SHORT = 0.20, 0.10, 0.30
SURE = 1.0 - 1e-8  # six bounds and three seeds: a false alarm in 2e-7


@pytest.fixture(scope="module", params=SEEDS)
def lossy(request: pytest.FixtureRequest) -> YieldResult:
    """Energy to spare in every press, one attempt: an actuation completes when its frame is acknowledged."""
    design = changed(
        "seat-counter",
        ('open_circuit_swing = { nominal = "110 V"', 'open_circuit_swing = { nominal = "260 V"'),
        ('share = "2 %"', f'share = "{SHORT:.0%}"'),
        ('frame_loss = "1.5 %"', f'frame_loss = "{FRAME:.0%}"'),
        ('acknowledgement_loss = "0.5 %"', f'acknowledgement_loss = "{BACK:.0%}"'),
        ("attempts = 2", "attempts = 1"),
    )
    settings = Settings(units=200, actuations=8, threads=1, seed=request.param, confidence=SURE)
    return yields(one_cell(design), settings)


def test_completion_by_press_is_that_of_the_link(lossy: YieldResult) -> None:
    (cell,) = lossy.cells
    assert set(name for name, share in cell.outcomes.items() if share > 0.0) == {"complete", "unacknowledged"}
    presses = cell.partial_presses
    assert presses is not None
    through = (1.0 - FRAME) * (1.0 - BACK)  # frame and acknowledgement are lost independently
    assert presses.full_completion_low <= through <= presses.full_completion_high
    assert presses.completion_low <= through <= presses.completion_high
    # the link knows nothing of the press: short presses have their share of the failures
    assert presses.share_of_failures_low <= SHORT <= presses.share_of_failures_high
    # negative controls: without the loss of acknowledgements; as if every failure were a short press
    assert not presses.full_completion_low <= 1.0 - FRAME + 0.1 <= presses.full_completion_high
    assert presses.share_of_failures_high < 0.6


def test_machine_readable_names_of_presses(lossy: YieldResult) -> None:
    (cell,) = json.loads(json.dumps(lossy.as_json(), allow_nan=False))["cells"]
    told = cell["partial_presses"]
    names = {"completion", "share_of_failures", "full_completion"}
    assert set(told) == {"share", *names, *(f"{n}_low" for n in names), *(f"{n}_high" for n in names)}
    for name in names:
        assert 0.0 < told[f"{name}_low"] < told[name] < told[f"{name}_high"] < 1.0
    assert cell["confidence"] == SURE
    assert cell["by_message"] == []


def test_machine_readable_names_of_messages() -> None:
    design = changed("lid-tally", ('share = "94 %"', 'share = "60 %"'), ('share = "6 %"', 'share = "40 %"'))
    result = yields(one_cell(design), Settings(units=24, actuations=4, threads=1))
    (cell,) = json.loads(json.dumps(result.as_json(), allow_nan=False))["cells"]
    assert [row["message"] for row in cell["by_message"]] == ["count", "report"]
    for row in cell["by_message"]:
        assert set(row) == {"message", "share", "completion", "completion_low", "completion_high"}
        assert 0.0 <= row["completion_low"] <= row["completion"] <= row["completion_high"] <= 1.0
