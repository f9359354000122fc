"""A chain: stages in signal order."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from numbers import Real
from typing import TYPE_CHECKING, Any

from chainkit.chain import walk
from chainkit.chain.document import Place
from chainkit.chain.faults import Faults
from chainkit.chain.ridefile import with_points
from chainkit.errors import UsageError
from chainkit.stages.base import Misfit, Stage
from chainkit.stages.forms import Amount, Group, Items, SettingFault, Text, checked
from chainkit.stages.ride import Ride
from chainkit.texts import brief, cut
from chainkit.units import LOUDNESS, RATES, nearest

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from chainkit.chain.stream import ChainStream, Processed

FORMAT = "1"
WORKING_LEVEL = Amount(LOUDNESS, -60.0, 0.0, {"none": None})
HEAD = {"name": Text(), "notes": Text(), "working_level": WORKING_LEVEL}
STAGES = Items(Group(Stage))
Trail = tuple[Any, ...]


@dataclass(frozen=True)
class Chain:
    """Stages in signal order.

    Parameters
    ----------
    stages : iterable of Stage
        A stage without a name is given its kind, then kind-2, …; a ride that names a file, as seen
        from the current folder, the points in it.
    name, notes : str
    working_level : float or None, LUFS
        Loudness to which the voice is trimmed ahead of the first stage, that of its loudest channel
        by itself.
    source : str
        The file the chain was read from, for messages.
    places : mapping of path to Place
        Where each value stands, in the file or where it was replaced; a path is
        (stage index, key, …).
    file : str
        The chain file it was read from; empty where there is none.
    ride_files : tuple of str
        The files that points were read from.

    Raises
    ------
    SettingFault
        A value that a chain file would not take, such as a working level above 0 LUFS.
    UsageError
        Two stages have the same name, or a ride file cannot be read or has faults.
    """

    stages: tuple[Stage, ...]
    name: str = ""
    notes: str = ""
    working_level: float | None = None
    source: str = field(default="chain", compare=False)
    places: Mapping[Trail, Place] = field(default_factory=dict, compare=False, repr=False)
    file: str = field(default="", compare=False, repr=False)
    ride_files: tuple[str, ...] = field(default=(), compare=False, repr=False)

    def __post_init__(self) -> None:
        for key, form in HEAD.items():
            object.__setattr__(self, key, checked(form, getattr(self, key), (key,)))
        stages = checked(STAGES, self.stages, ("stages",))
        named = tuple(stage.file for stage in stages if isinstance(stage, Ride) and stage.file)
        object.__setattr__(self, "ride_files", (*self.ride_files, *named))
        stages = tuple(with_points(stage, "") for stage in stages)
        object.__setattr__(self, "stages", tuple(_named(stages)))
        faults = Faults()
        seen: set[str] = set()
        for index, stage in enumerate(self.stages):
            if stage.name in seen:
                with faults:
                    raise self.fault((index, "name"), f"two stages have the name {stage.name!r}")
            seen.add(stage.name)
        faults.tell()

    @property
    def active(self) -> tuple[Stage, ...]:
        """The stages that are not bypassed."""
        return tuple(stage for stage in self.stages if not stage.bypass)

    @property
    def needs_passes(self) -> bool:
        """Whether the whole voice must be heard before it can be rendered."""
        return self.needs_makeup or self.working_level is not None

    @property
    def needs_makeup(self) -> bool:
        """Whether the makeup of a stage is still to be measured."""
        from chainkit.stages.compress import is_matched

        return any(map(is_matched, self.active))

    def fault(self, path: Trail, message: str) -> UsageError:
        """The fault `message` at the place of `path`, or of the nearest value around it.

        Parameters
        ----------
        path : tuple
            Stage index, key, …; empty for the chain as a whole.
        message : str

        Returns
        -------
        UsageError
            To be raised; a ChainFileError where the chain was read from a file.
        """
        return self._misfit(Misfit(path, message))

    def _misfit(self, misfit: Misfit) -> UsageError:
        """The fault of `misfit`, whose path begins with the number of the stage."""
        found = walk.misfit_at(self.places, (), misfit)
        if found is not None:
            return found
        path = misfit.path
        where = f"stage {self.stages[int(path[0])].name}: " if path and self.stages else ""
        return UsageError(f"{self.source}: {where}{misfit.message}")

    def check(self, rate: int) -> None:
        """Raise the faults of the values that do not suit the sample rate.

        Parameters
        ----------
        rate : int, Hz

        Raises
        ------
        UsageError
            For example a frequency that is not below half the sample rate; a ChainFileError with
            the places where the chain was read from a file.
        ValueError
            The rate is no whole number of Hz from 8000 to 384000.
        """
        lowest, highest = RATES
        is_taken = isinstance(rate, Real) and lowest <= rate <= highest and rate == int(rate)
        if not is_taken:
            raise ValueError(f"rate={rate!r} is no whole number of Hz from {lowest} to {highest}")
        faults = Faults()
        for index, stage in enumerate(self.stages):
            for misfit in () if stage.bypass else stage.faults_at(rate):
                with faults:
                    raise self._misfit(misfit._replace(path=(index, *misfit.path)))
        faults.tell()

    def index(self, name: str) -> int:
        """Place of the stage called `name`.

        Parameters
        ----------
        name : str

        Returns
        -------
        int
            From 0, in signal order.

        Raises
        ------
        UsageError
            There is no such stage; the message names the nearest.
        """
        try:
            return self._index(name)
        except SettingFault as fault:
            raise UsageError(f"{self.source}: {fault}") from None

    def _index(self, name: str) -> int:
        names = [stage.name for stage in self.stages]
        if name not in names:
            found = f"the chain has {', '.join(names) or 'no stages'}"
            raise SettingFault((), f"no stage {brief(name)}; {found}{nearest(name, names)}")
        return names.index(name)

    def reordered(self, names: Iterable[str]) -> Chain:
        """The same chain with its stages in the order of `names`, each named once.

        Parameters
        ----------
        names : iterable of str

        Returns
        -------
        Chain

        Raises
        ------
        UsageError
            A name is unknown, missing or given twice.
        """
        order = [self.index(name) for name in names]
        if sorted(order) != list(range(len(self.stages))):
            every = ", ".join(stage.name for stage in self.stages)
            raise UsageError(f"{self.source}: an order names each stage once: {every}")
        moved = {old: new for new, old in enumerate(order)}
        places = {(moved[path[0]], *path[1:]): place for path, place in self.places.items()}
        return replace(self, stages=tuple(self.stages[old] for old in order), places=places)

    def resolved(self) -> Chain:
        """The same chain with each value that follows from another one filled in."""
        return replace(self, stages=tuple(stage.resolved() for stage in self.stages))

    def bypassing(self, *names: str) -> Chain:
        """The same chain with the stages called `names` bypassed.

        Parameters
        ----------
        *names : str

        Returns
        -------
        Chain

        Raises
        ------
        UsageError
            There is no such stage.
        """
        indices = [self.index(name) for name in names]
        stages = list(self.stages)
        for index in indices:
            stages[index] = replace(stages[index], bypass=True)
        return replace(self, stages=tuple(stages))

    def with_value(self, path: str, text: str, place: Place | None = None) -> Chain:
        """The same chain with one value changed.

        Parameters
        ----------
        path : str
            ``stage.key`` or ``working_level``; an item of a list by its number from 1:
            ``eq.bands.2.gain``.
        text : str
            The value as it would stand in a chain file: ``-36 dB``; ``none`` for no working level.
        place : Place or None
            Where the change stands, for its faults, also those that the value has later, such as
            at a sample rate; the path in this chain if None.

        Returns
        -------
        Chain

        Raises
        ------
        UsageError
            The path leads nowhere or the value is not allowed.
        TypeError
            Path or value is no text.
        """
        if not isinstance(path, str) or not isinstance(text, str):
            due = "path and value are text, such as 'deess.threshold' and '-36 dB'"
            raise TypeError(f"{due}; found {path!r} and {text!r}")
        place = place or Place(f"{self.source}: {cut(path)}")
        try:
            return self._changed(path, text, place)
        except SettingFault as fault:
            # A place in a file does not tell the path; another is named after it.
            blamed = cut(path) if place.line else place.source
            raise UsageError(f"{blamed}: {fault}") from None

    def _changed(self, path: str, text: str, place: Place) -> Chain:
        if path == "working_level":
            return replace(self, working_level=self._read(path, WORKING_LEVEL, text))
        stage_name, _, rest = path.partition(".")
        if not rest:
            raise SettingFault((), "write STAGE.KEY, for example deess.threshold")
        index = self._index(stage_name)
        stage = walk.changed(self.stages[index], rest.split("."), text)
        stages = list(self.stages)
        stages[index] = stage
        trail = (index, *(int(key) - 1 if key.isdecimal() else key for key in rest.split(".")))
        places = {**self.places, trail: place._replace(text=text)}
        return replace(self, stages=tuple(stages), places=places)

    def _read(self, path: str, form: Amount, text: str) -> Any:
        try:
            return form.read(text)
        except ValueError as fault:
            raise SettingFault((path,), f"{brief(text)} {fault}") from None

    def stream(self, rate: int, channels: int) -> ChainStream:
        """Begin one use of the chain on blocks of audio.

        Parameters
        ----------
        rate : int, Hz
        channels : int

        Returns
        -------
        ChainStream

        Raises
        ------
        UsageError
            Working level or ``makeup: match`` need the whole voice first: see `prepare`. Or a value
            does not suit the sample rate.
        ValueError
            `rate` is no whole number of Hz from 8000 to 384000, or `channels` not 1 to 32.
        """
        from chainkit.chain.stream import ChainStream

        if self.needs_passes:
            needs = "working_level and makeup: match need the whole voice first"
            raise UsageError(f"{self.source}: {needs}; use Chain.process or chainkit.prepare")
        return ChainStream(self, rate, channels)

    def process(self, x: ArrayLike, rate: int) -> Processed:
        """Send a whole voice through the chain.

        Parameters
        ----------
        x : array_like, (frames,) or (frames, channels), full scale ±1
        rate : int, Hz

        Returns
        -------
        Processed
            The audio in the shape of `x`, and the gain of each stage.

        Raises
        ------
        ValueError
            `x` is empty, has more than two dimensions or 32 channels, integers, or a sample that is
            not finite; or `rate` is no whole number of Hz from 8000 to 384000.
        UsageError
            A value of the chain does not suit the sample rate.
        """
        from chainkit.chain.stream import process_array

        return process_array(self, x, rate)

    def as_dict(self) -> dict[str, Any]:
        """The chain as plain values, as they would stand in a chain file, defaults filled in."""
        head: dict[str, Any] = {"chainkit": int(FORMAT)}
        if self.name:
            head["name"] = self.name
        if self.notes:
            head["notes"] = self.notes
        if self.working_level is not None:
            head["working_level"] = WORKING_LEVEL.show(self.working_level)
        return head | {"stages": [{stage.kind: walk.shown(stage)} for stage in self.stages]}


def _named(stages: tuple[Stage, ...]) -> Iterator[Stage]:
    """`stages`, each with a name: its own, else its kind, kind-2, …."""
    taken = {stage.name for stage in stages if stage.name}
    for stage in stages:
        if stage.name:
            yield stage
            continue
        numbers = itertools.count(2)
        name = stage.kind
        while name in taken:
            name = f"{stage.kind}-{next(numbers)}"
        taken.add(name)
        yield replace(stage, name=name)
