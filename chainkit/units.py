"""Quantities with their units: ``5.5 kHz`` ↔ 5500.0, and the nearest right spelling.

Text becomes plain floats in Hz, dB, seconds, … once, in the chain layer; below it no unit travels.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_TEXT = re.compile(rf"\s*({NUMBER})\s*(\S.*?)?\s*")
_RATIO = re.compile(rf"\s*({NUMBER}|inf|∞)\s*:\s*({NUMBER})\s*")


class Quantity:
    """A kind of quantity: its units, how it is read and how it is shown.

    Parameters
    ----------
    name : str
        What it is, for messages: ``frequency``.
    factors : dict of str to float
        Unit to factor into the base unit; the first is the base unit.
    examples : tuple of str
        The two likely spellings of a bare number; ``{}`` stands for the number.
    shown : tuple of str
        The units used to show a value; the base unit alone if left out.
    """

    def __init__(
        self,
        name: str,
        factors: dict[str, float],
        examples: tuple[str, str],
        shown: tuple[str, ...] = (),
    ) -> None:
        self.name = name
        self.factors = factors
        self.examples = examples
        self.shown = shown or (next(iter(factors)),)
        self._by_lower = {unit.lower(): unit for unit in factors}

    def parse(self, text: str) -> float:
        """Value of `text` in the base unit.

        Raises
        ------
        ValueError
            The unit is missing or unknown, or the text is no number; the message says what is due.
        """
        match = _TEXT.fullmatch(text)
        if match is None:
            raise ValueError(f"is not a {self.name}; write it like {self._spellings('3')}")
        number, unit = match.groups()
        if unit is None:
            raise ValueError(f"has no unit; write {self._spellings(number)}")
        factor = self.factors.get(self._by_lower.get(unit.lower(), ""))
        if factor is None:
            hint = nearest(unit, self.factors)
            raise ValueError(f"has no unit of {self.name} ({', '.join(self.factors)}){hint}")
        value = float(number) * factor
        if not math.isfinite(value):
            raise ValueError("is out of range")
        return value

    def format(self, value: float) -> str:
        """`value` with the unit that reads best; `parse` gives the same float back."""
        base, *others = self.shown
        unit = next((unit for unit in others if self._reads_better(value, unit)), base)
        text = f"{_plain(value / self.factors[unit])} {unit}"
        return text if self.parse(text) == value else f"{value / self.factors[base]!r} {base}"

    def _reads_better(self, value: float, unit: str) -> bool:
        factor = self.factors[unit]
        return abs(value) >= factor if factor > 1 else 0 < abs(value) < 1

    def _spellings(self, number: str) -> str:
        size = number.lstrip("+-")
        return " or ".join(repr(example.format(size)) for example in self.examples)


class Ratio(Quantity):
    """A ratio to one, ``4:1``; ``inf`` stands for infinity to one."""

    def __init__(self) -> None:
        super().__init__("ratio", {":1": 1.0}, ("{}:1", "inf"))

    def parse(self, text: str) -> float:
        """Value of ``4:1`` or ``inf``; raises ValueError for anything else."""
        if text.strip().lower() in ("inf", "∞"):
            return math.inf
        match = _RATIO.fullmatch(text)
        if match is None:
            number = text.strip() if re.fullmatch(NUMBER, text.strip()) else "4"
            raise ValueError(f"is not a ratio; write {self._spellings(number)}")
        over, under = match.groups()
        if float(under) == 0:
            raise ValueError("divides by zero; write it like '4:1'")
        return math.inf if over in ("inf", "∞") else float(over) / float(under)

    def format(self, value: float) -> str:
        """`value` as ``4:1``."""
        if math.isinf(value):
            return "inf"
        text = f"{_plain(value)}:1"
        return text if self.parse(text) == value else f"{value!r}:1"


FREQUENCY = Quantity("frequency", {"Hz": 1.0, "kHz": 1e3}, ("{} Hz", "{} kHz"), ("Hz", "kHz"))
GAIN = Quantity("gain", {"dB": 1.0}, ("{} dB", "-{} dB"))
LEVEL = Quantity("level", {"dB": 1.0, "dBFS": 1.0}, ("-{} dB", "{} dB"))
TIME = Quantity(
    "time", {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6}, ("{} ms", "{} s"), ("s", "ms")
)
SHARE = Quantity("share", {"%": 0.01}, ("{} %", "100 %"), ("%",))
SLOPE = Quantity("slope", {"dB/oct": 1.0}, ("{} dB/oct", "12 dB/oct"))
BANDWIDTH = Quantity("bandwidth", {"oct": 1.0}, ("{} oct", "1 oct"))
LOUDNESS = Quantity("loudness", {"LUFS": 1.0}, ("-{} LUFS", "{} LUFS"))
LOUDNESS_DIFFERENCE = Quantity("loudness difference", {"LU": 1.0}, ("{} LU", "-{} LU"))
RATIO = Ratio()


def _plain(number: float) -> str:
    """Shortest text that reads back as nearly the same number, never in exponent form."""
    text = f"{number:.10g}"
    return f"{number:.10f}".rstrip("0").rstrip(".") if "e" in text else text


def nearest(word: str, allowed: Iterable[str]) -> str:
    """``"; did you mean 'ratio'?"``, or nothing when no allowed word is near."""
    from difflib import get_close_matches

    by_lower = {name.lower(): name for name in allowed}
    found = get_close_matches(word.lower(), by_lower, n=1, cutoff=0.6)
    return f"; did you mean {by_lower[found[0]]!r}?" if found else ""
