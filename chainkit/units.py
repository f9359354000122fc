"""Quantities with their units: ``5.5 kHz`` ↔ 5500.0, and the nearest right spelling.

Text becomes plain floats in Hz, dB, seconds, … once, in the chain layer; below it no unit travels.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

RATES = (8000, 384000)
"""Lowest and highest sample rate in Hz that sound is taken at."""

MOST_CHANNELS = 32
"""Most channels that sound is taken with."""

LOG_STEPS = (0.0001, 10.0)
"""Shortest and longest row of a gain-reduction log in seconds."""

SEEDS = (0, 2**63 - 1)
"""Lowest and highest seed of what is random."""

UNSIGNED = r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
NUMBER = rf"[+-]?{UNSIGNED}"
_TEXT = re.compile(rf"\s*({NUMBER})\s*(\S.*?)?\s*")
_COMMA = re.compile(r",(\d+)\s*(\S.*)?")
_RATIO = re.compile(rf"\s*({NUMBER}|inf|∞)\s*:\s*({NUMBER})\s*")


def typeset(text: str) -> str:
    """`text` with the minus sign of print where a number begins with that of a keyboard."""
    return re.sub(r"(?<![\w.])-(?=[\d.])", "−", text)


class Quantity:
    """A kind of quantity: its units, how it is read and how it is shown.

    Parameters
    ----------
    name : str
        What it is, for messages: ``frequency``.
    powers : dict of str to int
        Unit to its power of ten in the base unit; so that reading rounds once, as text does.
    examples : tuple of str
        The two likely spellings of a bare number; ``{}`` stands for the number.
    shown : tuple of str
        The units used to show a value; the base unit alone if left out.

    Attributes
    ----------
    base : str
        The base unit; empty where a value in it is a bare number.
    """

    def __init__(
        self,
        name: str,
        powers: dict[str, int],
        examples: tuple[str, str],
        shown: tuple[str, ...] = (),
    ) -> None:
        self.name = name
        self.powers = powers
        self.examples = examples
        self.shown = shown or (next(iter(powers)),)
        self.base = next((unit for unit, power in powers.items() if power == 0), "")
        self._by_lower = {unit.lower(): unit for unit in powers}

    def parse(self, text: str, low: float = -math.inf, high: float = math.inf) -> float:
        """Value of `text` in the base unit; what a fault's message proposes is in bounds.

        Raises
        ------
        ValueError
            The unit is missing or unknown, or the text is no number; the message says what is due.
        """
        match = _TEXT.fullmatch(as_typed(text))
        if match is None:
            raise ValueError(
                f"is not a {self.name}; write it like {self._spellings('3', low, high)}"
            )
        number, unit = match.groups()
        if unit is None:
            raise ValueError(f"has no unit; write {self._spellings(number, low, high)}")
        comma = _COMMA.fullmatch(unit)
        if comma is not None:
            raise ValueError(self._with_comma(number, *comma.groups()))
        power = self.powers.get(self._by_lower.get(unit.lower(), ""))
        if power is None:
            self._refuse_number(text)
            hint = nearest(unit, self.powers)
            raise ValueError(f"has no unit of {self.name} ({', '.join(self.powers)}){hint}")
        mantissa, _, exponent = number.lower().partition("e")
        value = float(f"{mantissa}e{int(exponent or 0) + power}")
        if not math.isfinite(value) and math.isfinite(low) and math.isfinite(high):
            raise ValueError(f"is not between {self.format(low)} and {self.format(high)}")
        if not math.isfinite(value):
            raise ValueError("is out of range")
        return value

    def format(self, value: float) -> str:
        """`value` with the unit that reads best; `parse` gives the same float back."""
        base, *others = self.shown
        unit = next((unit for unit in others if self._reads_better(value, unit)), base)
        return f"{_shortest(value, self.powers[unit])} {unit}"

    def _reads_better(self, value: float, unit: str) -> bool:
        power = self.powers[unit]
        return abs(value) >= 10.0**power if power > 0 else 0 < abs(value) < 1

    def _with_comma(self, number: str, digits: str, unit: str | None) -> str:
        """What to say of `number`, a comma and `digits`; three digits may be thousands."""
        written = f"{number}.{digits}".rstrip("0").rstrip(".")
        unit = f" {unit}" if unit else ""
        if len(digits) == 3 and number.lstrip("+-").isdecimal():
            either = f"write '{number}{digits}{unit}' or '{written}{unit}'"
            return f"has a comma that parts thousands or decimals; {either}"
        return "has a decimal comma; write a point"

    def _refuse_number(self, text: str) -> None:
        """Raise where a known unit stands behind what begins like a number and is none."""
        units = "|".join(map(re.escape, self.powers))
        match = re.fullmatch(rf"\s*(\S*\d\S*?)\s*(?:{units})\s*", text, re.IGNORECASE)
        if match is not None:
            raise ValueError(f"is not a {self.name}: {match[1]!r} is not a decimal number")

    def _spellings(self, number: str, low: float, high: float) -> str:
        """How to write `number`, or the bounds where it would be out of them."""
        likely = [example.format(number.lstrip("+-")) for example in self.examples]
        fitting = [text for text in likely if low <= self.parse(text) <= high]
        if any(text not in self.examples for text in fitting):
            return " or ".join(map(repr, fitting))
        return f"{self.format(low)!r} to {self.format(high)!r}"


class Ratio(Quantity):
    """A ratio to one, ``4:1``; ``inf`` stands for infinity to one."""

    def __init__(self) -> None:
        super().__init__("ratio", {":1": 0}, ("{}:1", "inf"))
        self.base = ""

    def parse(self, text: str, low: float = -math.inf, high: float = math.inf) -> float:
        """Value of ``4:1`` or ``inf``; raises ValueError for anything else."""
        if text.strip().lower() in ("inf", "∞"):
            return math.inf
        match = _RATIO.fullmatch(as_typed(text))
        if match is None:
            number = text.strip() if re.fullmatch(NUMBER, text.strip()) else "4"
            raise ValueError(f"is not a ratio; write {self._spellings(number, low, high)}")
        over, under = match.groups()
        if float(under) == 0:
            raise ValueError("divides by zero; write it like '4:1'")
        return math.inf if over in ("inf", "∞") else float(over) / float(under)

    def format(self, value: float) -> str:
        """`value` as ``4:1``."""
        if math.isinf(value):
            return "inf"
        return f"{_shortest(value)}:1"


class Share(Quantity):
    """A share in percent; a bare number up to 1 may be meant as a part of one."""

    def __init__(self) -> None:
        super().__init__("share", {"%": -2}, ("{} %", "100 %"))

    def _spellings(self, number: str, low: float, high: float) -> str:
        part = float(number)
        if not (low <= part <= high and 0.0 < part <= 1.0):
            return super()._spellings(number, low, high)
        return f"{self.format(part)!r} or '{number} %'"


FREQUENCY = Quantity("frequency", {"Hz": 0, "kHz": 3}, ("{} Hz", "{} kHz"), ("Hz", "kHz"))
GAIN = Quantity("gain", {"dB": 0}, ("{} dB", "-{} dB"))
LEVEL = Quantity("level", {"dB": 0, "dBFS": 0}, ("-{} dB", "{} dB"))
TIME = Quantity("time", {"s": 0, "ms": -3, "us": -6, "µs": -6}, ("{} ms", "{} s"), ("s", "ms"))
SHARE = Share()
SLOPE = Quantity("slope", {"dB/oct": 0}, ("{} dB/oct", "12 dB/oct"))
BANDWIDTH = Quantity("bandwidth", {"oct": 0}, ("{} oct", "1 oct"))
LOUDNESS = Quantity("loudness", {"LUFS": 0}, ("-{} LUFS", "{} LUFS"))
LOUDNESS_DIFFERENCE = Quantity("loudness difference", {"LU": 0}, ("{} LU", "-{} LU"))
RATIO = Ratio()


def as_typed(text: str) -> str:
    """`text` with the minus sign of print, which chainkit shows, as that of a keyboard."""
    return text.replace("−", "-")


def _shortest(value: float, power: int = 0) -> str:
    """Shortest text of `value` in units of ten to the `power`, without an exponent if not long.

    The digits that tell `value` from its neighbours are moved, not divided, so nothing is rounded.
    """
    from decimal import Decimal  # late: 3 ms that few chain-file faults need

    number = Decimal(repr(float(value))).scaleb(-power).normalize()
    return f"{number:f}" if 1e-6 <= abs(number) < 1e15 or not number else f"{number:e}"


def nearest(word: str, allowed: Iterable[str]) -> str:
    """``"; did you mean 'ratio'?"``, or nothing when no allowed word is near."""
    found = near(word, allowed)
    return f"; did you mean {found!r}?" if found else ""


def near(word: str, allowed: Iterable[str]) -> str:
    """The allowed word that is nearest to `word`, empty when none is near."""
    from difflib import get_close_matches

    by_lower = {name.lower(): name for name in allowed}
    found = get_close_matches(word.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[found[0]] if found else ""
