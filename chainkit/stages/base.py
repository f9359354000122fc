"""What a stage is: frozen settings that describe it, and a run that uses them once.

A stage declares its settings as dataclass fields made by `setting`; the chain file, the JSON
Schema, the printed chain and the checks of the Python API are all read off these fields.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from numbers import Integral, Real
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple, NoReturn, Protocol

from chainkit.units import NUMBER, Quantity, near, nearest

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

REQUIRED = dataclasses.MISSING


class Run(Protocol):
    """One use of a stage: owns buffers and filter state.

    `process` may hold back the first `latency` frames and `finish` returns them, so frame n that
    comes out always belongs to frame n that went in.
    """

    latency: int
    idle_db: float

    def process(self, x: Audio) -> tuple[Audio, Audio | None]:
        """Audio (frames, channels) and its gain in dB (frames, lanes), None where it has none."""

    def finish(self) -> tuple[Audio, Audio | None]:
        """What lookahead or a filter still hold."""


class Misfit(NamedTuple):
    """A value that is sound by itself, and does not go with another one or the sample rate.

    `path` leads to it inside the stage; `allowed` is what may stand there, where that is known.
    """

    path: tuple[str | int, ...]
    message: str
    allowed: tuple[str, ...] = ()


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

    cls: type[Settings]


class Variant(NamedTuple):
    """A mapping whose `key` tells which of `cases` its other settings belong to."""

    key: str
    cases: dict[str, type[Settings]]


class Items(NamedTuple):
    """A list of `item`."""

    item: Variant | Group | Row


class Row(NamedTuple):
    """A short list of values in fixed places: ``[12.5 s, -3 dB]``."""

    names: tuple[str, ...]
    values: tuple[Value, ...]


Form = Value | Group | Variant | Items


def setting(form: Form, default: Any = REQUIRED, *, about: str) -> Any:
    """Dataclass field for one setting of a stage.

    Parameters
    ----------
    form : Form
        What may stand there.
    default : object
        Value when the key is left out; REQUIRED when it must be there.
    about : str
        What it does, for the JSON Schema.
    """
    return dataclasses.field(default=default, metadata={"form": form, "about": about})


@dataclasses.dataclass(frozen=True)
class Settings:
    """Frozen settings, checked when made; lists become tuples, numbers of numpy Python's own.

    Raises
    ------
    SettingFault
        A value out of bounds, or values that do not go together.

    Attributes
    ----------
    exclusive : tuple of (str, str)
        Keys of which a chain file gives one or the other.
    """

    exclusive: ClassVar[tuple[tuple[str, str], ...]] = ()

    def __post_init__(self) -> None:
        for key, form in forms(type(self)).items():
            value = getattr(self, key)
            if not _left_out(self, key, value):
                object.__setattr__(self, key, checked(form, value, (key,)))
        for path, message, _ in self.conflicts():
            raise SettingFault(path, message)

    def conflicts(self) -> Iterator[Misfit]:
        """Each value that does not go together with another one."""
        yield from ()

    def faults_at(self, rate: int) -> Iterator[Misfit]:
        """Each value that does not suit the sample rate."""
        yield from ()


def _left_out(settings: Settings, key: str, value: Any) -> bool:
    """Whether `value` is the default None, which means that nothing was asked for."""
    return value is None and type(settings).__dataclass_fields__[key].default is None


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


def brief(value: Any) -> str:
    """`value` as Python writes it, text in quotes, cut where it is long."""
    if isinstance(value, str):
        return repr(cut(value))
    return cut(repr(value))


def cut(text: str) -> str:
    """`text` up to its 60th letter."""
    return text if len(text) <= 60 else f"{text[:60]}…"


def forms(cls: type[Settings]) -> dict[str, Form]:
    """Key to form of each setting of `cls`, in order of declaration."""
    return {
        field.name: field.metadata["form"]
        for field in dataclasses.fields(cls)
        if "form" in field.metadata
    }


NAME = Text(
    r"[A-Za-z0-9][A-Za-z0-9 _-]{0,63}", "a name of letters, digits, spaces, - and _ (at most 64)"
)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Stage(Settings):
    """Frozen description of one stage of a chain.

    Parameters
    ----------
    name : str
        Unique in its chain; filled in by the chain when left out.
    bypass : bool
        Leave the stage out of the signal.
    """

    kind: ClassVar[str]
    reduces: ClassVar[bool] = False
    """Whether the stage turns down, so that statistics of its reduction make sense."""
    has_gain: ClassVar[bool] = True
    """Whether what the stage does to a frame is one gain."""

    name: str = setting(
        NAME, "", about="Name of the stage, unique in the chain; its kind if left out."
    )
    bypass: bool = setting(Switch(), False, about="Leave the stage out of the signal.")

    @property
    def lift(self) -> float:
        """The most by which the stage raises all frequencies alike, in dB, as far as it is set."""
        return 0.0

    def remarks(self) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Path and message of each value that is allowed and seldom meant: it changes nothing."""
        yield from ()

    def resolved(self) -> Stage:
        """The same stage with each value that follows from another one filled in."""
        return self

    def start(self, rate: int, channels: int) -> Run:
        """Begin one use of the stage, whose compiled loops trust the shape of what they are given.

        A `chainkit.ChainStream` checks it first.

        Parameters
        ----------
        rate : int, Hz
        channels : int

        Returns
        -------
        Run
            For blocks of float64 in C order.
        """
        raise TypeError(f"{type(self).__name__} cannot run")


def below_nyquist(
    path: tuple[str | int, ...], frequency: float | None, rate: int
) -> Iterator[Misfit]:
    """A fault when `frequency` is not below half the sample rate."""
    from chainkit.units import FREQUENCY

    if frequency is not None and frequency >= rate / 2:
        given, full, half = map(FREQUENCY.format, (frequency, rate, rate / 2))
        told = f"{path[-1]} {given} is not below half the sample rate ({full} → {half})"
        yield Misfit(path, told, (f"below {half}",))
