"""Threads that read ahead and work behind, in order, with little waiting in between.

The compiled loops, the sound file library and the hashes let other threads run, so two cores are
of use even for one voice. What is computed does not depend on it: each item is handled in order.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from types import TracebackType
from typing import Any, Generic, TypeVar

Item = TypeVar("Item")
_END = object()
_THREADED = ContextVar("threaded", default=True)


@contextmanager
def one_core() -> Iterator[None]:
    """Context in which no threads are used: when every core has a voice of its own."""
    before = _THREADED.set(False)
    try:
        yield
    finally:
        _THREADED.reset(before)


class Behind(Generic[Item]):
    """Hands items to `work` in a thread of its own, in order; a context manager.

    Leaving the block well waits until all is done; a fault of `work` comes out of `put` or at the
    end of the block.

    Parameters
    ----------
    work : callable
    room : int
        How many items may wait.
    """

    def __init__(self, work: Callable[[Item], Any], room: int = 4) -> None:
        self._work = work
        self._threaded = _THREADED.get()
        self._queue: queue.Queue[Any] = queue.Queue(room)
        self._fault: BaseException | None = None
        self._given_up = False
        self._thread = threading.Thread(target=self._run, daemon=True)

    def put(self, item: Item) -> None:
        """Add an item; waits while too many wait already."""
        if self._fault is not None:
            raise self._fault
        if self._threaded:
            self._queue.put(item)
        else:
            self._work(item)

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
        self._queue.put(_END)
        self._thread.join()
        if self._fault is not None and kind is None:
            raise self._fault

    def _run(self) -> None:
        while (item := self._queue.get()) is not _END:
            # After a fault the queue is still emptied, so that nobody waits for room for ever.
            if self._fault is None and not self._given_up:
                try:
                    self._work(item)
                except BaseException as fault:  # handed to the thread that puts
                    self._fault = fault


def ahead(items: Iterable[Item], room: int = 4) -> Iterator[Item]:
    """Yield `items`, fetched ahead by a thread of their own; a fault in fetching comes out here."""
    if not _THREADED.get():
        yield from items
        return
    waiting: queue.Queue[Any] = queue.Queue(room)
    given_up = threading.Event()

    def fetch() -> None:
        try:
            for item in items:
                if given_up.is_set():
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
            yield item
    finally:
        given_up.set()
        while thread.is_alive():
            try:
                waiting.get(timeout=0.01)
            except queue.Empty:
                continue
