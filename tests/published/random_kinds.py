"""Random nodes of every source with every regulator, banks, curves and the rest among them.

Built on `random_designs`: supply first, then thresholds and load in proportion to what the store reaches.  Every
node is a function of (source, regulator, seed, index) alone.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from random_designs import LEAST_PEAK, bias_curve, coil_supply, flux, loaded, log_uniform
from reference_node import (
    Capacitor,
    LoadStep,
    Packet,
    Precharge,
    ReferenceNode,
    Stroke,
    highest,
    stroke_peaks,
    trace,
    unloaded,
)

SOURCES = ("coil", "waveform", "piezoelectric", "energy packet", "precharge", "precharge and coil")
REGULATORS = ("linear", "buck", "direct")


def random_kind(source: str, regulator: str, seed: int, index: int) -> ReferenceNode:
    """One node; raises ValueError for a source or regulator that there is none of."""
    rng = np.random.default_rng([SOURCES.index(source), REGULATORS.index(regulator), seed, index])
    while True:
        node = replace(_supply(rng, source), restart=bool(rng.random() < 0.4))
        node = _moving(rng, _banked(rng, node))
        if _bound(node) < LEAST_PEAK:
            continue  # the store cannot reach it even without losses
        off = unloaded(node, rtol=1e-7, atol=1e-9)
        peak = highest(off)[1]
        if peak < LEAST_PEAK:
            continue
        node = loaded(rng, node, peak, [p for p in stroke_peaks(node, off) if p == p], regulator)
        return _retried(rng, _sloped(rng, _curved(rng, node)))


def _supply(rng: np.random.Generator, source: str) -> ReferenceNode:
    if source == "coil":
        return coil_supply(rng, 0.0)
    if source == "waveform":
        return coil_supply(rng, 1.0)
    if source == "piezoelectric":
        return _element(rng)
    if source == "precharge and coil":
        return _precharged(rng, coil_supply(rng, 0.0), float(rng.uniform(0.3, 2.0)))
    bare = replace(coil_supply(rng, 0.0), strokes=(), coil_inductance=0.0, clamp=math.inf)
    if source == "precharge":
        return _precharged(rng, bare, float(rng.uniform(1.3, 8.0)))
    packet = Packet(log_uniform(rng, 0.1e-3, 2e-3), float(rng.uniform(0.3, 0.9)), log_uniform(rng, 0.5e-3, 8e-3))
    clamp = log_uniform(rng, 2.5, 12.0) if rng.random() < 0.3 else math.inf
    return replace(bare, packet=packet, clamp=clamp)


def _element(rng: np.random.Generator) -> ReferenceNode:
    """A piezoelectric element and a store that it can fill: one to four strokes to and fro."""
    base = coil_supply(rng, 0.0)
    swing, width = log_uniform(rng, 10.0, 60.0), log_uniform(rng, 0.5e-3, 10e-3)
    t = 0.0 if rng.random() < 0.6 else log_uniform(rng, 0.05e-3, 3e-3)
    strokes = []
    for k in range(int(rng.integers(1, 5))):
        strokes.append(Stroke(t, (-1.0) ** k * swing * float(rng.uniform(0.7, 1.0) if k else 1.0), width))
        t += width + (0.0 if rng.random() < 0.1 else log_uniform(rng, 0.05e-3, 20e-3))
    return replace(
        base,
        strokes=tuple(strokes),
        coil_inductance=0.0,
        source_capacitance=log_uniform(rng, 2e-9, 200e-9),
        loss_resistance=math.inf if rng.random() < 0.2 else log_uniform(rng, 1e5, 1e8),
        reverse_leakage=0.0 if rng.random() < 0.3 else log_uniform(rng, 10e-9, 1e-6),
        off_current=0.0 if rng.random() < 0.3 else log_uniform(rng, 10e-9, 0.5e-6),
        capacitance=log_uniform(rng, 1e-6, 100e-6),
        initial_voltage=0.0 if rng.random() < 0.6 else min(float(rng.uniform(0.3, 3.0)), base.clamp),
    )


def _precharged(rng: np.random.Generator, node: ReferenceNode, limit: float) -> ReferenceNode:
    """A residual voltage, some time with the regulator off, and a precharge."""
    left = 0.0 if rng.random() < 0.4 else min(float(rng.uniform(0.2, 1.2)) * limit, node.clamp)
    since = 0.0 if rng.random() < 0.4 else log_uniform(rng, 10e-3, 20.0)
    charge = Precharge(log_uniform(rng, 5e-6, 1e-3), limit, log_uniform(rng, 0.05, 50.0))
    return replace(node, initial_voltage=left, time_since=since, precharge=charge)


def _banked(rng: np.random.Generator, node: ReferenceNode) -> ReferenceNode:
    """In three of ten nodes the store is a bank of two or three unlike capacitors."""
    if rng.random() >= 0.3:
        return node
    shares = rng.dirichlet([1.5] * int(rng.integers(2, 4)))
    parts = [
        Capacitor(
            capacitance=float(max(share, 0.02)) * node.capacitance,
            bias=bias_curve(rng) if rng.random() < 0.5 else None,
            esr=0.0 if rng.random() < 0.1 else log_uniform(rng, 0.01, 1.0),
            insulation=math.inf if rng.random() < 0.2 else log_uniform(rng, 10.0, 1000.0),
        )
        for share in shares
    ]
    total = math.fsum(part.capacitance for part in parts)
    return replace(node, bank=tuple(parts), capacitance=total, bias=None, esr=0.0, insulation=math.inf)


def _moving(rng: np.random.Generator, node: ReferenceNode) -> ReferenceNode:
    """Presses that stop short, and strokes that dwell."""
    if (node.strokes or node.packet) and rng.random() < 0.25:
        node = replace(node, travel=float(rng.uniform(0.3, 0.97)))
    if len(node.strokes) > 1 and rng.random() < 0.4:
        ends = [s.start + s.width for s in node.strokes]
        dwelling = [
            replace(s, start=0.0, dwell=max(s.start - end, 0.0)) for s, end in zip(node.strokes[1:], ends, strict=False)
        ]
        node = replace(node, strokes=(node.strokes[0], *dwelling))
    if node.restart and len(node.strokes) > 1 and rng.random() < 0.7:
        node = _late(node, log_uniform(rng, 5e-3, 60e-3))
    return node


def _late(node: ReferenceNode, wait: float) -> ReferenceNode:
    """The strokes behind the first come so much later: after the load that it woke."""
    later = [
        replace(s, start=s.start + wait) if s.dwell is None else replace(s, dwell=s.dwell + (wait if k == 0 else 0.0))
        for k, s in enumerate(node.strokes[1:])
    ]
    return replace(node, strokes=(node.strokes[0], *later))


def _bound(node: ReferenceNode) -> float:
    """What the store cannot exceed [V], from the charge or the energy of the source."""
    begin = max(node.initial_voltage, node.precharge.limit if node.precharge else 0.0)
    least = 0.2 if any(part.bias for part in node.parts) else 1.0  # of the capacitance, under bias
    if node.packet is not None:
        energy = 2.0 * node.packet.energy * node.packet.efficiency / (least * node.capacitance)
        return math.sqrt(begin**2 + energy)
    if node.source_capacitance is not None:
        swings = sum(abs(s.amplitude) for s in node.strokes) * node.travel
        return begin + node.source_capacitance * swings / (least * node.capacitance)
    return begin + flux(node) / (node.coil_resistance * least * node.capacitance)


def _factors(rng: np.random.Generator, low: float, high: float, falls: bool = False) -> list[float]:
    found = [log_uniform(rng, low, high) for _ in range(int(rng.integers(2, 5)))]
    return sorted(found, reverse=True) if falls else found


def _curve(rng: np.random.Generator, factors: list[float], low: float, high: float) -> tuple[tuple[float, float], ...]:
    axis = np.linspace(low, high, len(factors)) + np.sort(rng.uniform(0.0, 0.1 * (high - low), len(factors)))
    return tuple((float(x), y) for x, y in zip(axis, factors, strict=True))


def _curved(rng: np.random.Generator, node: ReferenceNode) -> ReferenceNode:
    """Factor curves over the voltages and currents that the node sees."""
    start = node.start_voltage
    if rng.random() < 0.3:
        node = replace(node, off_curve=_curve(rng, _factors(rng, 0.3, 3.0), 0.1 * start, 1.1 * start))
    if rng.random() < 0.3:
        node = replace(node, quiescent_curve=_curve(rng, _factors(rng, 0.3, 3.0), 0.4 * start, 1.5 * start))
    if node.regulator != "direct" and rng.random() < 0.3:
        curve = _curve(rng, _factors(rng, 0.5, 2.0, falls=True), 0.5 * start, 1.1 * start)
        node = replace(node, dropout_curve=curve)
    if node.regulator == "buck" and rng.random() < 0.5:
        currents = [step.current for step in node.sequence]
        curve = _curve(rng, [float(x) for x in rng.uniform(0.8, 1.0, 3)], 0.5 * min(currents), max(currents))
        node = replace(node, efficiency_curve=curve)
    return node


def _sloped(rng: np.random.Generator, node: ReferenceNode) -> ReferenceNode:
    """In two of ten nodes the currents of the radio hang on its supply."""
    if rng.random() >= 0.2:
        return node
    supply = node.start_voltage if node.regulator == "direct" else node.output_voltage
    steps = tuple(
        replace(step, slope=float(rng.uniform(-0.3, 0.8)) * step.current / supply, reference=supply)
        if rng.random() < 0.7
        else step
        for step in node.sequence
    )
    return replace(node, sequence=steps)


def _retried(rng: np.random.Generator, node: ReferenceNode) -> ReferenceNode:
    """In two of ten nodes the acknowledgement is missed once, and a shorter frame sent if V_in allows."""
    if rng.random() >= 0.2:
        return node
    frame, listen = node.sequence[-2:]
    shorter = replace(frame, duration=frame.duration * float(rng.uniform(0.5, 1.0)))
    heard = replace(listen, duration=listen.duration * float(rng.uniform(0.3, 1.0)))
    # the first frame and the waiting share what one attempt was to take
    thrifty = [replace(s, current=0.6 * s.current, slope=0.6 * s.slope) for s in (frame, listen, shorter, heard)]
    first: list[LoadStep] = [*node.sequence[:-2], *thrifty[:2]]
    once = replace(node, sequence=tuple(first), restart=False)
    try:
        end = trace(once, rtol=1e-7, atol=1e-9).steps[-1][-1]
    except ValueError:  # more than the store holds: none of it matters
        return node
    gate = max(end.v_in(end.end) * float(rng.uniform(0.85, 1.1)), 0.1)
    return replace(node, sequence=(*first, replace(thrifty[2], gate=gate), thrifty[3]))
