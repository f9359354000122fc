"""Threads that read ahead and work behind, in order, with little waiting in between.

The compiled loops, the sound file library and the hashes let other threads run, so two cores are
of use even for one voice. What is computed does not depend on it: each item is handled in order.

Items travel through `queue.SimpleQueue`, whose operations are indivisible. A queue made of locks in
Python can be left half-way by the exception of a signal handler, and then waits for ever. A second
one holds a token for each item that may wait; whoever wants to add an item takes one first.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from queue import SimpleQueue
from types import TracebackType
from typing import Any, Generic, TypeVar

Item = TypeVar("Item")
_END = object()
ROOM = 2
_THREADED = ContextVar("threaded", default=True)


@contextmanager
def one_core() -> Iterator[None]:
    """Context in which no threads are used: when every core has a voice of its own."""
    before = _THREADED.set(False)
    try:
        yield
    finally:
        _THREADED.reset(before)


def threaded() -> bool:
    """Whether threads are used here."""
    return _THREADED.get()


def _tokens(count: int) -> SimpleQueue[None]:
    tokens: SimpleQueue[None] = SimpleQueue()
    for _ in range(count):
        tokens.put(None)
    return tokens


class Behind(Generic[Item]):
    """Hands items to `work` in a thread of its own, in order; a context manager.

    Leaving the block well waits until all is done; a fault of `work` comes out of `put` or at the
    end of the block. Leaving it with an exception drops what still waits.

    Parameters
    ----------
    work : callable
    room : int
        How many items may wait.
    """

    def __init__(self, work: Callable[[Item], Any], room: int = ROOM) -> None:
        self._work = work
        self._tokens = _tokens(room)
        self._waiting: SimpleQueue[Any] = SimpleQueue()
        self._fault: BaseException | None = None
        self._given_up = False
        self._threaded = threaded()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def put(self, item: Item) -> None:
        """Add an item; waits while too many wait already."""
        if not self._threaded:
            self._work(item)
            return
        if self._fault is not None:
            raise self._fault
        self._tokens.get()
        self._waiting.put(item)

    def __enter__(self) -> Behind[Item]:
        if self._threaded:
            self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if not self._threaded:
            return
        self._given_up = kind is not None
        self._waiting.put(_END)
        try:
            self._thread.join()
        except BaseException:
            # Interrupted while waiting: what is being worked on must still come to its end, since
            # the caller is about to close what it works with.
            self._given_up = True
            self._thread.join()
            raise
        if self._fault is not None and kind is None:
            raise self._fault

    def _run(self) -> None:
        while (item := self._waiting.get()) is not _END:
            # After a fault the items are still taken, so that nobody waits for a token for ever.
            if self._fault is None and not self._given_up:
                try:
                    self._work(item)
                except BaseException as fault:  # handed to the thread that puts
                    self._fault = fault
            self._tokens.put(None)


class Meanwhile(Generic[Item]):
    """Works something out in a thread of its own, while others do other things.

    Parameters
    ----------
    work : callable
    """

    def __init__(self, work: Callable[[], Item]) -> None:
        self._work = work
        self._outcome: SimpleQueue[tuple[Any, BaseException | None]] = SimpleQueue()
        self._threaded = threaded()
        if self._threaded:
            threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        try:
            self._outcome.put((self._work(), None))
        except BaseException as fault:  # handed to whoever asks for the result
            self._outcome.put((None, fault))

    def result(self) -> Item:
        """Wait for what was worked out, or for its fault; once."""
        if not self._threaded:
            return self._work()
        found, fault = self._outcome.get()
        if fault is not None:
            raise fault
        return found


def ahead(items: Iterable[Item], room: int = ROOM) -> Iterator[Item]:
    """Yield `items`, fetched ahead by a thread of their own; a fault in fetching comes out here."""
    if not threaded():
        yield from items
        return
    tokens, waiting = _tokens(room), SimpleQueue[Any]()
    given_up = False

    def fetch() -> None:
        try:
            for item in items:
                tokens.get()
                if given_up:
                    return
                waiting.put((item, None))
            waiting.put((_END, None))
        except BaseException as fault:  # handed to the thread that takes
            waiting.put((_END, fault))

    thread = threading.Thread(target=fetch, daemon=True)
    thread.start()
    try:
        while True:
            item, fault = waiting.get()
            if fault is not None:
                raise fault
            if item is _END:
                return
            tokens.put(None)
            yield item
    finally:
        given_up = True
        tokens.put(None)
        thread.join()
