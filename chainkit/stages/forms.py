"""Forms of settings: what may stand behind a key, and how it is read, shown and checked."""

from __future__ import annotations

import re
from numbers import Integral, Real
from typing import Any, ClassVar, NamedTuple, NoReturn

from chainkit.texts import brief
from chainkit.units import NUMBER, Quantity, near, nearest


class SettingFault(ValueError):
    """A value that a setting does not allow; `path` leads to it inside the stage."""

    def __init__(self, path: tuple[str | int, ...], message: str) -> None:
        super().__init__(message)
        self.path = path
        self.message = message


class Value:
    """A scalar setting: how its text is read, shown, and bounded.

    Attributes
    ----------
    due : str
        What may stand in a chain file, in words that continue ``is not``.
    due_in_python : str
        The same of a value that comes from Python.
    """

    words: dict[str, Any] = {}
    due = "allowed here"

    @property
    def due_in_python(self) -> str:
        """As `due`, unless Python has other words for it."""
        return self.due

    def read(self, text: str) -> Any:
        """Value of `text`; raises ValueError whose message continues ``key 'text' …``."""
        if text.lower() in self.words:
            return self.words[text.lower()]
        value = self.parse(text)
        if not self.takes(value):
            raise ValueError(f"is not {self.due}")
        return value

    def show(self, value: Any) -> str | float | bool:
        """`value` as it is written in a chain file."""
        for word, meaning in self.words.items():
            if value is meaning or (isinstance(meaning, str) and value == meaning):
                return word
        return self.format(value)

    def parse(self, text: str) -> Any:
        """Value of `text`, bounds not yet checked."""
        raise ValueError(f"is not {self.due}")

    def format(self, value: Any) -> str | float | bool:
        """Text of `value`."""
        return str(value)

    def takes(self, value: Any) -> bool:
        """Whether `value` is of the right kind and within bounds."""
        return True

    def allowed(self) -> tuple[str, ...]:
        """What may stand there, each word or span by itself."""
        return tuple(self.words)

    def nearest(self, text: str) -> str:
        """The allowed word that is nearest to `text`, empty where none is: a span is near none."""
        return near(text, self.words)


class Amount(Value):
    """A quantity with its unit, within bounds given in base units.

    Parameters
    ----------
    quantity : Quantity
        What is measured.
    low, high : float
        Least and greatest value allowed, in the quantity's base unit.
    words : dict of str to object
        Words allowed besides, with their meaning: ``{"match": "match"}``.
    """

    def __init__(
        self, quantity: Quantity, low: float, high: float, words: dict[str, Any] | None = None
    ) -> None:
        self.quantity = quantity
        self.low = low
        self.high = high
        self.words = words or {}

    def parse(self, text: str) -> float:
        """Value in the base unit."""
        try:
            return self.quantity.parse(text, self.low, self.high)
        except ValueError as fault:
            if self.words and re.fullmatch(r"[^\W\d]+", text):
                words = ", ".join(self.words)
                hint = nearest(text, self.words)
                raise ValueError(f"is neither a {self.quantity.name} nor {words}{hint}") from None
            raise fault

    def format(self, value: float) -> str:
        """`value` with its unit."""
        return self.quantity.format(value)

    def takes(self, value: Any) -> bool:
        """Whether it is a number within bounds, or what a word means."""
        if _is_number(value):
            return bool(self.low <= value <= self.high)
        return (value is None or isinstance(value, str)) and value in self.words.values()

    @property
    def due(self) -> str:  # type: ignore[override]
        """The bounds with their units."""
        return "between {} and {}".format(*self._bounds)

    @property
    def due_in_python(self) -> str:
        """The bounds as plain numbers, and what the words mean."""
        unit = f", in {self.quantity.base}" if self.quantity.base else ""
        number = f"a number from {self.low:.9g} to {self.high:.9g}{unit}"
        return " or ".join([*map(repr, self.words.values()), number])

    def allowed(self) -> tuple[str, ...]:
        """The bounds, then the words."""
        return (" to ".join(self._bounds), *self.words)

    @property
    def _bounds(self) -> tuple[str, str]:
        return self.quantity.format(self.low), self.quantity.format(self.high)


class Number(Value):
    """A bare number within bounds."""

    def __init__(self, low: float, high: float) -> None:
        self.low = low
        self.high = high
        self.due = f"a number between {low:g} and {high:g}"

    def parse(self, text: str) -> float:
        """Value of a YAML 1.2 decimal number."""
        if re.fullmatch(NUMBER, text) is None:
            raise ValueError(f"is not {self.due}")
        return float(text)

    def format(self, value: float) -> float:
        """The number itself."""
        return value

    def takes(self, value: Any) -> bool:
        """Whether it is a number within bounds."""
        return _is_number(value) and self.low <= value <= self.high

    def allowed(self) -> tuple[str, ...]:
        """The bounds."""
        return (f"{self.low:g} to {self.high:g}",)


class Choice(Value):
    """One of a few words."""

    def __init__(self, *options: str) -> None:
        self.options = options
        self.due = f"one of {', '.join(options)}"

    def parse(self, text: str) -> str:
        """The word, in its proper spelling."""
        if text.lower() not in self.options:
            raise ValueError(f"is not {self.due}{nearest(text, self.options)}")
        return text.lower()

    def takes(self, value: Any) -> bool:
        """Whether it is one of the words."""
        return isinstance(value, str) and value in self.options

    def allowed(self) -> tuple[str, ...]:
        """The words."""
        return self.options

    def nearest(self, text: str) -> str:
        """The nearest word."""
        return near(text, self.options)


class Switch(Value):
    """Yes or no."""

    spellings: ClassVar[dict[str, bool]] = {"yes": True, "no": False, "true": True, "false": False}
    due = "one of yes, no"
    due_in_python = "True or False"

    def parse(self, text: str) -> bool:
        """True for yes or true, False for no or false."""
        if text.lower() not in self.spellings:
            raise ValueError(f"is not {self.due}{nearest(text, self.spellings)}")
        return self.spellings[text.lower()]

    def format(self, value: bool) -> str:
        """``yes`` or ``no``."""
        return "yes" if value else "no"

    def takes(self, value: Any) -> bool:
        """Whether it is True or False."""
        return isinstance(value, bool)

    def allowed(self) -> tuple[str, ...]:
        """The words."""
        return ("yes", "no")

    def nearest(self, text: str) -> str:
        """The nearest spelling."""
        return near(text, self.spellings)


class Text(Value):
    """Free text; `pattern` and its meaning in words narrow it."""

    def __init__(self, pattern: str = r"(?s).*", meaning: str = "text", default: Any = "") -> None:
        self.pattern = pattern
        self.due = meaning
        self.default = default

    def parse(self, text: str) -> str:
        """The text itself; what may be left out may not be written empty."""
        if re.fullmatch(self.pattern, text) is None:
            raise ValueError(f"is not {self.due}")
        return text

    def takes(self, value: Any) -> bool:
        """Whether it is text of the form due, or left out."""
        if not isinstance(value, str):
            return value is None and self.default is None
        return value == self.default or re.fullmatch(self.pattern, value) is not None

    def allowed(self) -> tuple[str, ...]:
        """The form due, in words."""
        return (self.due,)


class Group(NamedTuple):
    """A mapping of settings: the fields of `cls`."""

    cls: type[Any]


class Variant(NamedTuple):
    """A mapping whose `key` tells which of `cases` its other settings belong to."""

    key: str
    cases: dict[str, type[Any]]


class Items(NamedTuple):
    """A list of `item`."""

    item: Variant | Group | Row


class Row(NamedTuple):
    """A short list of values in fixed places: ``[12.5 s, -3 dB]``."""

    names: tuple[str, ...]
    values: tuple[Value, ...]


Form = Value | Group | Variant | Items


def checked(form: Form | Row, value: Any, path: tuple[str | int, ...]) -> Any:
    """`value` where `form` allows it, its lists as tuples and its numbers as Python's own.

    Raises
    ------
    SettingFault
        It, or something in it, is not allowed; the message names it by `path`.
    """
    if isinstance(form, Value):
        value = _plain(value)
        if not form.takes(value):
            raise SettingFault(path, f"{_title(path)} {brief(value)} is not {form.due_in_python}")
        return value
    if isinstance(form, Items):
        items = enumerate(_listed(value, path, "a list"))
        return tuple(checked(form.item, item, (*path, number)) for number, item in items)
    if isinstance(form, Row):
        due = f"[{', '.join(form.names)}]"
        cells = _listed(value, path, due)
        if len(cells) != len(form.names):
            _refuse(value, path, due)
        columns = zip(form.values, cells, form.names, strict=True)
        return tuple(checked(cell_form, cell, (*path, name)) for cell_form, cell, name in columns)
    allowed = tuple(form.cases.values()) if isinstance(form, Variant) else (form.cls,)
    if not isinstance(value, allowed):
        names = ", ".join(cls.__name__ for cls in allowed)
        _refuse(value, path, f"one of {names}" if len(allowed) > 1 else f"a {names}")
    return value


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _plain(value: Any) -> Any:
    """`value` as Python's own number where it is another one, such as numpy's."""
    if type(value) in (float, int, bool) or not isinstance(value, Real):
        return value
    return int(value) if isinstance(value, Integral) else float(value)


def _listed(value: Any, path: tuple[str | int, ...], due: str) -> tuple[Any, ...]:
    if isinstance(value, (str, bytes, dict)):
        _refuse(value, path, due)
    try:
        return tuple(value)
    except TypeError:
        _refuse(value, path, due)


def _refuse(value: Any, path: tuple[str | int, ...], due: str) -> NoReturn:
    raise SettingFault(path, f"{_title(path)} needs {due}; found {brief(value)}") from None


def _title(path: tuple[str | int, ...]) -> str:
    """`path` as ``--set`` takes it, what is in a list by its number from 1."""
    return ".".join(str(key + 1) if isinstance(key, int) else key for key in path)
