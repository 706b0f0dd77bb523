"""One row a quantity: name, symbol, unit, meaning. Columns, axis labels and JSON names are made from it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """A quantity that results speak of.

    Attributes
    ----------
    name : in words, lower case
    symbol : as formulas write it
    unit : SI or customary unit as it is shown; empty for a share or a count
    meaning : one sentence without its full stop
    """

    name: str
    symbol: str
    unit: str
    meaning: str


def _row(name: str, symbol: str, unit: str, meaning: str) -> tuple[str, Quantity]:
    return name, Quantity(name, symbol, unit, meaning)


QUANTITIES: dict[str, Quantity] = dict(
    [
        # margins
        _row(
            "start margin",
            "m_start",
            "V",
            "highest input voltage with the regulator kept off, less its start voltage",
        ),
        _row(
            "run margin",
            "m_run",
            "V",
            "least input voltage above what the sequence needs, up to the acknowledgement",
        ),
        _row(
            "voltage margin",
            "g",
            "V",
            "the lesser of start margin and run margin; not negative when the energy sufficed",
        ),
        _row("reserve", "r", "V", "least input voltage above the need, taken at the ends of the steps"),
        # times
        _row("start time", "t_start", "s", "time from release to the start of the regulator"),
        _row("complete time", "t_complete", "s", "time from release to the whole acknowledgement"),
        _row("brown-out time", "t_brown", "s", "time from release to the failure of the supply"),
        _row(
            "hold-up",
            "t_hold",
            "s",
            "how much longer the radio could have listened; negative by the time lacking",
        ),
        _row("run time", "t_run", "s", "time from the start to the brown-out, had the radio gone on listening"),
        _row("start", "t_0", "s", "beginning of a step"),
        _row("end", "t_1", "s", "end of a step"),
        _row("left", "V_left", "V", "store voltage where the record of an actuation ends"),
        # energies
        _row("mean", "E_mean", "J", "mean energy of a ledger's entry over a sample of actuations"),
        _row("low", "E_05", "J", "energy of a ledger's entry that 5 % of a sample stay below"),
        _row("high", "E_95", "J", "energy of a ledger's entry that 95 % of a sample stay below"),
        # stresses
        _row("peak voltage", "V_peak", "V", "highest input voltage of the regulator"),
        _row("peak current", "I_peak", "A", "highest current of a diode"),
        _row("peak reverse voltage", "V_reverse", "V", "highest reverse voltage of a diode"),
        _row("rating used", "s", "", "stress as a share of its rating"),
        # one step of the sequence
        _row("lowest input", "V_low", "V", "lowest input voltage during a step"),
        _row("required input", "V_need", "V", "input voltage that a step needs"),
        # waveforms
        _row("time", "t", "s", "time since the mechanism releases"),
        _row("emf", "e", "V", "open-circuit voltage of the coil"),
        _row("coil current", "j", "A", "current through the coil, signed"),
        _row("store voltage", "V", "V", "voltage of the ideal storage capacitor"),
        _row("input voltage", "V_in", "V", "voltage at the terminal of the store, the regulator's input"),
        _row("supply voltage", "V_out", "V", "supply that the radio sees"),
        # conditions
        _row("temperature", "T", "degC", "ambient temperature"),
        _row("age", "a", "yr", "years in service"),
        # shares
        _row("completion", "p", "", "share of actuations acknowledged before the supply failed"),
        _row("delivered", "p_d", "", "share of actuations whose frame got through, acknowledged or not"),
        _row("energy sufficed", "p_e", "", "share of actuations with a voltage margin of at least zero"),
        _row("unit completion", "pi_u", "", "share of one unit's actuations that complete"),
        _row("unit yield", "Y", "", "share of units whose completion reaches the requirement"),
        _row("ledger error", "d_E", "", "most that an energy ledger leaves open, as a share of what came in"),
        _row("of limit", "d_L", "", "deviation of a drawn value as a share of the way to its limit"),
        _row("confidence", "gamma", "", "probability with which a one-sided bound holds"),
        _row("first", "S_1", "", "share of the variance that a parameter explains alone"),
        _row("total", "S_T", "", "share of the variance in which a parameter takes part"),
        # counts
        _row("units", "n_u", "", "number of units"),
        _row("actuations", "n_a", "", "number of actuations"),
        _row("lots", "n_l", "", "number of lots"),
        _row("attempts", "k", "", "number of transmissions"),
        _row("start stroke", "k_s", "", "stroke during which the regulator started, counted from 1"),
        _row("starts", "n_s", "", "times the regulator started within an actuation"),
        _row("sample", "n_e", "", "number of actuations whose energy ledgers are added up"),
        _row("model calls", "n_m", "", "number of actuations computed"),
    ]
)


def json_name(name: str) -> str:
    """Return the name in machine-readable output: ``"run margin"`` becomes ``"run_margin_V"``."""
    quantity = QUANTITIES[name]
    words = name.replace(" ", "_").replace("-", "_")
    return f"{words}_{quantity.unit}" if quantity.unit else words


def axis_label(name: str) -> str:
    """Return the label of an axis: ``"reserve [V]"``; the name alone where there is no unit."""
    quantity = QUANTITIES[name]
    return f"{name} [{quantity.unit}]" if quantity.unit else name
