"""A bank whose capacitors each keep a voltage and an ESR of their own, to state what one voltage for all costs.

The node's model has one charge at one voltage behind the parallel ESR.  Here every capacitor is a branch,
C_k dV_k/dt = (V_in - V_k)/ESR_k, and what flows between unlike capacitors is seen.  Part of the independent
integration of `reference_node`; nothing of the project is imported.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from reference_circuit import ABOVE, ZERO, Circuit, Draw, Mode, Source
from reference_march import Actuation
from reference_node import ReferenceNode, ReferenceResult, judge, march
from reference_parts import Store, at_release


class BranchCircuit(Circuit):
    """The voltages of all capacitors are the state, behind them the coil current or the element's voltage."""

    def __init__(self, node: ReferenceNode, draw: Draw, source: Source, store: Store) -> None:
        super().__init__(node, draw, source, store)
        self.stores = len(node.parts)
        self.whole = math.fsum(part.capacitance for part in node.parts)

    def behind(self, y: Sequence[float]) -> tuple[float, float]:
        # Millman's theorem: branches in parallel are one source behind the parallel resistance
        parts = zip(y[: self.stores], self.node.parts, strict=True)
        return self.esr * sum([v / part.esr for v, part in parts]), self.esr

    def store_rates(
        self, y: Sequence[float], mode: Mode, magnitude: float, v_in: float, drawn: float, t: float
    ) -> list[float]:
        if mode.place == ZERO:
            return [0.0] * self.stores
        rates = []
        for v, part, store in zip(y[: self.stores], self.node.parts, self.store.parts, strict=True):
            lost = v * part.capacitance / part.insulation
            # the rectifier's leakage goes to the branches by their capacitance, while the bank as a whole is charged
            lost += self.node.reverse_leakage * part.capacitance / self.whole if mode.place == ABOVE else 0.0
            rates.append(((v_in - v) / part.esr - lost) / store.capacitance(v))
        return rates

    def switch(self, event: str, t: float, y: list[float], mode: Mode) -> Mode:
        if event == "sink":
            raise ValueError("branches are followed only while they hold a charge")
        return super().switch(event, t, y, mode)


class BranchActuation(Actuation):
    """Integrates one node, branch by branch."""

    circuits = BranchCircuit

    def first_state(self) -> list[float]:
        state = [at_release(self.node)] * len(self.node.parts)
        return [*state, 0.0] if self.node.piezoelectric else state


def solve_branches(node: ReferenceNode, rtol: float = 1e-10, atol: float = 1e-12) -> ReferenceResult:
    """One actuation of a node with a bank; raises ValueError where a branch has no ESR or the store is clamped."""
    if any(part.esr <= 0.0 for part in node.parts) or math.isfinite(node.clamp) or node.packet is not None:
        raise ValueError("branches need an ESR each, no clamp and no packet")
    if node.output_capacitance > 0.0 and node.start_delay == 0.0:
        raise ValueError("a charge taken at once has no branch it comes from")
    return judge(node, march(BranchActuation(node, rtol, atol)))
