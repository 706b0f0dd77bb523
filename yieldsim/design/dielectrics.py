"""Dielectrics of capacitors: codes of ceramics with their temperature limits, and two generic words.

Source of the codes: EIA-198 (ANSI/EIA-198, ceramic dielectric capacitors classes I, II, III and IV). The three
characters of classes II and III were compared with published copies of the table; those of class I other than C0G are
from memory of the standard. Codes state limits, not a part: where between them it lies is drawn.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

REFERENCE = 25.0  # temperature at which the nominal capacitance holds [degC]

# Classes II and III: lowest and highest temperature [degC], largest changes of capacitance between them [%].
LOWEST = {"X": -55.0, "Y": -30.0, "Z": 10.0}
HIGHEST = {"2": 45.0, "4": 65.0, "5": 85.0, "6": 105.0, "7": 125.0, "8": 150.0}
_EVEN = {"A": 1.0, "B": 1.5, "C": 2.2, "D": 3.3, "E": 4.7, "F": 7.5, "P": 10.0, "R": 15.0, "S": 22.0}
CHANGES = {letter: (-change, change) for letter, change in _EVEN.items()}
CHANGES |= {"T": (-33.0, 22.0), "U": (-56.0, 22.0), "V": (-82.0, 22.0)}

# Class I: significant figure of the temperature coefficient, its multiplier, its tolerance [ppm/K].
FIGURES = {
    **{"C": 0.0, "B": 0.3, "L": 0.8, "A": 0.9, "M": 1.0, "P": 1.5},
    **{"R": 2.2, "S": 3.3, "T": 4.7, "V": 5.6, "U": 7.5},
}
MULTIPLIERS = {"0": -1.0, "1": -10.0, "2": -100.0, "3": -1000.0, "5": 1.0, "6": 10.0, "7": 100.0, "8": 1000.0}
SPREADS = {"G": 30.0, "H": 60.0, "J": 120.0, "K": 250.0, "L": 500.0, "M": 1000.0, "N": 2500.0}
# Operating range that class I parts are made for (IEC 60384-21, category 55/125); their codes name none.
CLASS_1_RANGE = (-55.0, 125.0)  # [degC]


@dataclass(frozen=True)
class Dielectric:
    """Temperature limits that a code states.

    Attributes
    ----------
    code : three characters
    lowest, highest : temperatures between which it holds [degC]
    low, high : limits of the relative change of capacitance there [-], or, where ``per_kelvin``, of the temperature
        coefficient [1/K] about 25 degC
    per_kelvin : class I
    """

    code: str
    lowest: float
    highest: float
    low: float
    high: float
    per_kelvin: bool

    def holds(self, temperature: float) -> bool:
        """Whether the code says anything about a temperature [degC]."""
        return self.lowest <= temperature <= self.highest

    def limits(self, temperature: float) -> tuple[float, float]:
        """Return what the capacitance of a part is multiplied by at ``temperature`` [degC] at place 0 and at place 1.

        1 and 1 at 25 degC, where the nominal holds. Below 25 degC the coefficient of class I works the other way, so
        that the first may be the greater one.
        """
        if temperature == REFERENCE:
            return 1.0, 1.0
        scale = temperature - REFERENCE if self.per_kelvin else 1.0
        return 1.0 + self.low * scale, 1.0 + self.high * scale


@dataclass(frozen=True)
class Preset:
    """Drift of a generic kind of capacitor over its rated life; common practice, no published source.

    ``change`` of the capacitance [-] in ``rated_life`` [h] at ``rated_temperature`` [degC], twice as fast for every
    ``doubling`` [K] above.
    """

    word: str
    change: float
    rated_life: float
    rated_temperature: float
    doubling: float


# The life of an aluminium electrolytic halves per 10 K, that of a solid polymer falls to a tenth per 20 K, and both are
# specified to lose up to 20 % in 2,000 h at 105 degC in their general-purpose grades: common practice, no published
# source. Nothing generic can be said about their temperature coefficients.
PRESETS = {
    preset.word: preset
    for preset in (
        Preset("aluminium electrolytic", -0.20, 2000.0, 105.0, 10.0),
        Preset("polymer", -0.20, 2000.0, 105.0, 6.0),
    )
}
_CODE_1 = re.compile(f"([{''.join(FIGURES)}])([{''.join(MULTIPLIERS)}])([{''.join(SPREADS)}])")
_CODE_2 = re.compile(f"([{''.join(LOWEST)}])([{''.join(HIGHEST)}])([{''.join(CHANGES)}])")
_MISREAD = str.maketrans({"O": "0"})
# Other names of codes, as the trade writes them
SYNONYMS = {"NP0": "C0G", "NPO": "C0G", "COG": "C0G"}


def dielectric_of(code: str) -> Dielectric | None:
    """Return the limits of a code such as ``X7R`` or ``C0G``; None for what is no code of the standard."""
    if found := _CODE_2.fullmatch(code):
        lowest, highest, change = found.groups()
        low, high = CHANGES[change]
        return Dielectric(code, LOWEST[lowest], HIGHEST[highest], low / 100.0, high / 100.0, False)
    if found := _CODE_1.fullmatch(code):
        figure, multiplier, spread = found.groups()
        nominal = FIGURES[figure] * MULTIPLIERS[multiplier]
        low, high = (nominal - SPREADS[spread]) * 1e-6, (nominal + SPREADS[spread]) * 1e-6
        return Dielectric(code, *CLASS_1_RANGE, low, high, True)
    return None


def known_code(code: str) -> Dielectric:
    """Return the limits of a code that has been read already.

    Raises
    ------
    ValueError : no such code
    """
    found = dielectric_of(code)
    if found is None:
        raise ValueError(f"no dielectric code {code!r}")
    return found


def meant(text: str) -> str | None:
    """Return the code or word that a wrong spelling was meant to be, None where nothing is near."""
    upper = text.strip().upper()
    if upper in SYNONYMS:
        return SYNONYMS[upper]
    for candidate in (upper, upper.translate(_MISREAD)):
        if dielectric_of(candidate) is not None:
            return candidate
    lower = text.strip().lower()
    return next((word for word in PRESETS if lower and (lower in word or word in lower)), None)
