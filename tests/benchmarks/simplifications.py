"""What two simplifications of the model cost: a straight line for a junction, one voltage for a bank.

Both by the reference alone: with the exponential law in place of the line, and with the branches of a bank each at
its own voltage.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from random_kinds import random_kind
from reference_branches import solve_branches
from reference_node import Capacitor, LoadStep, ReferenceNode, Stroke, solve

from yieldsim.engine.part_tables import drop_line, junction_drop

# invented junctions that follow the law, [V] at 1 mA and 100 mA
JUNCTIONS = {"silicon": (0.58, 0.82), "Schottky": (0.20, 0.36)}
IDLE = (LoadStep("idle", 1e-3, 0.0, 0.0),)


def _coil(ohm: float, henry: float, emf: float, width: float, store: float) -> ReferenceNode:
    return ReferenceNode(
        sequence=IDLE, start_voltage=1e3, strokes=(Stroke(0.0, emf, width),),
        coil_resistance=ohm, coil_inductance=henry, capacitance=store, esr=0.1,
    )  # fmt: skip


def _element(farad: float, swing: float, width: float, store: float) -> ReferenceNode:
    return ReferenceNode(
        sequence=IDLE, start_voltage=1e3, strokes=(Stroke(0.0, swing, width), Stroke(2.0 * width, -swing, width)),
        source_capacitance=farad, loss_resistance=5e6, capacitance=store, esr=0.1,
    )  # fmt: skip


SOURCES = {
    "coil, 100 ohm, 15 V in 2.5 ms, 47 uF": _coil(100.0, 27e-3, 15.0, 2.5e-3, 47e-6),
    "coil, 100 ohm, 8 V in 5 ms, 100 uF": _coil(100.0, 0.0, 8.0, 5e-3, 100e-6),
    "coil, 300 ohm, 10 V in 4 ms, 22 uF": _coil(300.0, 40e-3, 10.0, 4e-3, 22e-6),
    "coil, 1 kohm, 8 V in 8 ms, 10 uF": _coil(1000.0, 0.0, 8.0, 8e-3, 10e-6),
    "piezoelectric, 100 nF, 40 V in 2 ms, 2 uF": _element(100e-9, 40.0, 2e-3, 2e-6),
    "piezoelectric, 20 nF, 30 V in 5 ms, 1 uF": _element(20e-9, 30.0, 5e-3, 1e-6),
}


def _peak_current(node: ReferenceNode) -> float:
    """Greatest current into a short circuit [A]."""
    stroke = node.strokes[0]
    if node.source_capacitance is not None:
        return node.source_capacitance * stroke.amplitude * math.pi / (2.0 * stroke.width)
    return stroke.amplitude / math.hypot(node.coil_resistance, math.pi * node.coil_inductance / stroke.width)


def _line(points: tuple[tuple[float, float], ...]) -> tuple[float, float]:
    (i0, v0), (i1, v1) = points
    slope = (v1 - v0) / (i1 - i0)
    return v0 - slope * i0, slope


def diode_rows() -> list[dict[str, Any]]:
    """Error of the store's peak voltage [V], regulator off, of each line against the law; two junctions in series."""
    rows = []
    for junction, (low, high) in JUNCTIONS.items():
        law = ((1e-3, low), (100e-3, high))
        middle = float(junction_drop(law, 10e-3))
        for name, node in SOURCES.items():
            peak = _peak_current(node)
            fitted = drop_line(law, peak)
            lines = {
                "through 1 and 100 mA": _line(law),
                "through 10 and 100 mA": _line(((10e-3, middle), (100e-3, high))),
                "fitted by charge": (fitted.intercept, fitted.slope),
            }
            exact = solve(replace(node, junction_law=law)).unloaded_peak
            errors = {
                line: solve(replace(node, junction_voltage=volts, junction_slope=ohm)).unloaded_peak - exact
                for line, (volts, ohm) in lines.items()
            }
            rows.append({"junction": junction, "source": name, "peak_current": peak, "peak": exact, "errors": errors})
    return rows


def _bank(node: ReferenceNode, rng: np.random.Generator) -> tuple[Capacitor, ...]:
    """Two or three unlike capacitors in place of the node's store, each with an ESR of its own."""
    shares = rng.dirichlet([1.5] * int(rng.integers(2, 4)))
    bias = node.bias or (node.bank[0].bias if node.bank else None)
    return tuple(
        Capacitor(
            capacitance=max(float(share), 0.02) * node.capacitance,
            bias=bias if rng.random() < 0.5 else None,
            esr=math.exp(rng.uniform(math.log(0.01), 0.0)),
            insulation=node.insulation,
        )
        for share in shares
    )


def bank_row(source: str, regulator: str, seed: int, index: int) -> dict[str, Any]:
    """Error of one voltage behind the parallel ESR against branches of their own."""
    if source == "energy packet":
        return {"unsolved": "a packet is given to the one voltage"}
    node = random_kind(source, regulator, seed, index)
    bank = _bank(node, np.random.default_rng([seed, index, 77]))
    node = replace(node, bank=bank, clamp=math.inf, restart=False)
    if node.start_delay == 0.0:
        node = replace(node, output_capacitance=0.0)
    try:
        exact, simple = solve_branches(node, rtol=1e-8, atol=1e-10), solve(node)
    except (ValueError, RuntimeError) as problem:  # a forced run that empties a branch
        return {"unsolved": str(problem)}
    if (exact.start_time is None) != (simple.start_time is None):
        return {"unsolved": "started by one of the two alone"}
    names = ("reserve", "start_margin", "run_margin")
    return {name: getattr(simple, name) - getattr(exact, name) for name in names}
