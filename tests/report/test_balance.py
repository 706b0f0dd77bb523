"""Where the press went: the parts add up, the numbers at the bars are theirs, whiskers are the spread of the run."""

import re
from dataclasses import replace

import pytest

from yieldsim.analysis.ledger import CellLedger, LedgerEntry
from yieldsim.report.entries import CAME_IN, LEFT_OVER, LOST, USED, part_of, shown
from yieldsim.report.figures import ledger, style

HUNDRED = 100.0


def rows_of(figure):
    """Name, length of the bar, and the text at it, row by row."""
    axes = figure.axes[0]
    names = [tick.get_text() for tick in axes.get_yticklabels()]
    lengths = [patch.get_width() for patch in axes.patches]
    texts = [text.get_text() for text in axes.texts]
    assert len(names) == len(lengths) == len(texts)
    return list(zip(names, lengths, texts, strict=True))


def test_what_came_in_is_lost_used_or_left(opened):
    # conservation of energy; the ledger closes to 1e-3 of what came in
    for key, result in opened.items():
        sums = {name: length for name, length, _ in rows_of(ledger.draw(result)) if name in (CAME_IN, LOST, LEFT_OVER)}
        used = sum(length for name, length, _ in rows_of(ledger.draw(result)) if name == USED)
        assert sums[CAME_IN] == pytest.approx(sums[LOST] + used + sums[LEFT_OVER], rel=1e-3), key


def test_a_ledger_with_a_hole_is_seen(opened):
    result = opened["seat-counter", None]
    holed = replace(result, ledger={**result.ledger, "left in store": 0.0})
    sums = {name: length for name, length, _ in rows_of(ledger.draw(holed))}
    assert sums[CAME_IN] > 1.1 * (sums[LOST] + sums[USED] + sums[LEFT_OVER])


def test_bars_stand_in_their_part_the_largest_first(opened):
    for key, result in opened.items():
        part, before, seen = "", float("inf"), []
        names = {shown(name, result.source): part_of(name) for name in result.ledger}
        for name, length, _ in rows_of(ledger.draw(result)):
            if name in (CAME_IN, LOST, USED, LEFT_OVER):
                part, before = name, float("inf")
                seen.append(name)
                continue
            assert names[name] == part, key
            assert length <= before, key
            before = length
        assert seen == [p for p in (CAME_IN, LOST, USED, LEFT_OVER) if p in seen]


def test_numbers_at_the_bars_are_energy_and_share(opened):
    for key, result in opened.items():
        rows = rows_of(ledger.draw(result))
        whole = rows[0][1]
        for name, length, text in rows:
            number, unit, share, per = re.fullmatch(r"([\d.,]+) (µJ|mJ) · ([\d.]+) (%|ppm|ppb)", text).groups()
            # three digits of the energy, two of the share
            assert float(number.replace(",", "")) == pytest.approx(length, rel=5.1e-3), (key, name)
            scale = {"%": 1e-2, "ppm": 1e-6, "ppb": 1e-9}[per]
            assert float(share) * scale == pytest.approx(length / whole, rel=0.051), (key, name)
            assert f"[{unit}]" in ledger.draw(result).axes[0].get_xlabel()


def run_of(entries):
    made = {
        name: LedgerEntry(mean * 1e-6, low * 1e-6, high * 1e-6, mean / HUNDRED)
        for name, (mean, low, high) in entries.items()
    }
    return CellLedger(45.0, 10.0, 256, "electromagnetic", made, 3e-6)


def test_whiskers_are_the_spread_of_the_run():
    entries = {"source": (100, 70, 130), "coil": (60, 40, 85), "boot": (30, 28, 33), "left in store": (10, 1, 22)}
    figure = ledger.draw_run(run_of(entries))
    ends = [list(line.get_xdata()) for line in figure.axes[0].lines if line.get_marker() == "|"]
    assert [[round(x, 9) for x in pair] for pair in ends] == [[float(lo), float(hi)] for _, lo, hi in entries.values()]
    assert "mean of 256 actuations" in figure.axes[0].get_title(loc="left")
    low, high = figure.axes[0].get_xlim()
    assert low == 0.0
    assert high > 130.0


def test_large_energies_change_the_unit():
    entries = {"source": (3e5, 2e5, 4e5), "left in store": (3e5, 2e5, 4e5)}  # 0.3 J
    figure = ledger.draw_run(run_of(entries))
    assert figure.axes[0].get_xlabel() == "energy [mJ]"
    assert rows_of(figure)[0][2].startswith("300 mJ")


def test_entries_are_named_after_their_source():
    assert shown("coil", "piezoelectric") == "loss resistance of the element"
    assert shown("coil", "energy packet") == "losses inside the module"
    assert shown("source", "electromagnetic") == "from the coil"
    assert shown("boot", "piezoelectric") == "boot"
    assert {part_of(name) for name in ("source", "stored at the release")} == {CAME_IN}
    assert {part_of(name) for name in ("ESR", "regulator", "clamp")} == {LOST}
    assert part_of("left in coil") == LEFT_OVER
    assert part_of("boot") == USED


def test_every_picture_of_a_balance_can_be_written(opened):
    for result in opened.values():
        assert style.png_of(ledger.draw(result))
