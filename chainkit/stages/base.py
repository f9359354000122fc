"""What a stage is: frozen settings that describe it, and a run that uses them once.

A stage declares its settings as dataclass fields made by `setting`; the chain file, the JSON
Schema, the printed chain and the checks of the Python API are all read off these fields.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple, Protocol

from chainkit.stages.forms import Form, SettingFault, Switch, Text, checked

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
