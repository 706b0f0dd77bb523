"""The units that a configuration may use: per dimension its accepted spellings and their size in SI.

A closed list: a spelling that is not here is refused, so nothing is ever guessed from a prefix.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

HOURS_PER_YEAR = 8760  # 365 days


@dataclass(frozen=True)
class Dimension:
    """What a number measures.

    Attributes
    ----------
    noun : as an error calls it
    example : a typical spelling
    units : accepted spelling -> size in the SI unit (degC for temperatures); the first is the SI unit
    shown : units that a formatted number may get, largest first; the engineering prefixes
    bare : whether a number without a unit is right
    points : whether the values themselves are in per cent, so that a width in per cent is in points of them
    """

    noun: str
    example: str
    units: dict[str, Decimal]
    shown: tuple[str, ...]
    bare: bool = False
    points: bool = False


def _prefixed(symbol: str, *exponents: int) -> dict[str, Decimal]:
    """Spellings of one unit with the prefixes of the given powers of ten; micro in its three spellings."""
    prefixes = {6: "M", 3: "k", 0: "", -3: "m", -6: "u", -9: "n", -12: "p"}
    units = {}
    for exponent in exponents:
        size = Decimal(1).scaleb(exponent)
        units[prefixes[exponent] + symbol] = size
        if exponent == -6:
            units["\u00b5" + symbol] = size  # micro sign
            units["\u03bc" + symbol] = size  # Greek small letter mu
    return units


def _times() -> dict[str, Decimal]:
    clock = {"min": 60, "h": 3600, "d": 86400, "yr": HOURS_PER_YEAR * 3600}
    return _prefixed("s", 0, -3, -6, -9) | {unit: Decimal(size) for unit, size in clock.items()}


_OHMS = _prefixed("ohm", 0, -3, 3, 6)
# the letter omega as Greek capital (U+03A9) and as ohm sign (U+2126)
_OHMS |= {spelling.replace("ohm", sign): size for spelling, size in _OHMS.items() for sign in ("\u03a9", "\u2126")}
_SHARES = {"%": Decimal("0.01"), "ppm": Decimal("1e-6")}
_PER_KELVIN = {"1/K": Decimal(1), "%/K": Decimal("0.01"), "ppm/K": Decimal("1e-6")}
_BARE = {"": Decimal(1)}

DIMENSIONS: dict[str, Dimension] = {
    "V": Dimension("a voltage", "2.5 V", _prefixed("V", 0, -3), ("V", "mV")),
    "A": Dimension("a current", "9 mA", _prefixed("A", 0, -3, -6, -9), ("A", "mA", "uA", "nA")),
    "ohm": Dimension("a resistance", "100 ohm", _OHMS, ("Mohm", "kohm", "ohm", "mohm")),
    "F": Dimension("a capacitance", "47 uF", _prefixed("F", 0, -3, -6, -9, -12), ("F", "mF", "uF", "nF", "pF")),
    "H": Dimension("an inductance", "27 mH", _prefixed("H", 0, -3, -6), ("H", "mH", "uH")),
    "s": Dimension("a time", "2.4 ms", _times(), ("s", "ms", "us", "ns")),
    "degC": Dimension("a temperature", "25 degC", {"degC": Decimal(1), "\u00b0C": Decimal(1)}, ("degC",)),
    "K": Dimension("a temperature difference", "10 K", {"K": Decimal(1)}, ("K",)),
    "J": Dimension("an energy", "300 uJ", _prefixed("J", 0, -3, -6), ("J", "mJ", "uJ")),
    "W": Dimension("a power", "20 mW", _prefixed("W", 0, -3, -6), ("W", "mW", "uW")),
    "Hz": Dimension("a frequency", "32 kHz", _prefixed("Hz", 0, 3, 6), ("MHz", "kHz", "Hz")),
    "bit/s": Dimension("a bit rate", "250 kbit/s", _prefixed("bit/s", 0, 3, 6), ("Mbit/s", "kbit/s", "bit/s")),
    "share": Dimension("a share", "99.9 %", _BARE | _SHARES, ("%",), bare=True, points=True),
    "factor": Dimension("a factor", "1.0", _BARE | _SHARES, ("",), bare=True),
    "change": Dimension("a relative change", "-2.5 %", _SHARES, ("%",), points=True),
    "1/K": Dimension("a temperature coefficient", "-0.11 %/K", _PER_KELVIN, ("%/K",)),
    "V/K": Dimension("a temperature coefficient", "-1.3 mV/K", _prefixed("V/K", 0, -3), ("V/K", "mV/K")),
    "ohm*F": Dimension("an insulation (resistance times capacitance)", "100 ohm*F", {"ohm*F": Decimal(1)}, ("ohm*F",)),
    "dB": Dimension("a level", "3 dB", {"dB": Decimal(1)}, ("dB",)),
    "eV": Dimension("an activation energy", "0.8 eV", {"eV": Decimal(1)}, ("eV",)),
    "A/V": Dimension(
        "a change of current with voltage",
        "0.5 mA/V",
        _prefixed("A/V", 0, -3, -6, -9),
        ("A/V", "mA/V", "uA/V", "nA/V"),
    ),
    "count": Dimension("a count", "3", _BARE, ("",), bare=True),
}


def owner_of(unit: str) -> str | None:
    """Return the dimension that has this spelling, or None."""
    return next((name for name, dimension in DIMENSIONS.items() if unit and unit in dimension.units), None)


def spellings(name: str) -> str:
    """Return the units of a dimension as an error lists them, one spelling each."""
    return ", ".join(unit for unit in DIMENSIONS[name].units if unit.isascii() and unit)
