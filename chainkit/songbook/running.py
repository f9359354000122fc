"""The work on many voices at once, in processes of their own.

Processes are started afresh, not forked, so that no thread or lock of ours is copied. A process
that dies takes only its own voice with it: what was left is tried again one by one.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from multiprocessing import resource_tracker
from pathlib import Path

from chainkit.errors import UsageError
from chainkit.pipeline import one_core
from chainkit.process import cores
from chainkit.songbook import worker
from chainkit.songbook.model import Voice
from chainkit.songbook.work import FAILED, Outcome, Work, look

Report = Callable[[Outcome], None]


def look_at(voices: Sequence[Voice], forced: Container[Voice] = ()) -> list[Outcome]:
    """How it stands with each voice, those in `forced` being rendered again in any case.

    Hashing lets threads run side by side.
    """
    with ThreadPoolExecutor(cores()) as threads:
        return list(threads.map(lambda voice: look(voice, force=voice in forced), voices))


def run(found: Sequence[Outcome], work: Work, jobs: int, report: Report) -> list[Outcome]:
    """Do `work` on each voice, `jobs` at a time.

    Parameters
    ----------
    found : sequence of Outcome
        How it stands with each voice.
    work : callable
        A function of a module, or a `functools.partial` of one, so that other processes find it.
    jobs : int ≥ 1
        How many cores to use; one means this process.
    report : callable
        Called with each outcome as it comes; when the run is interrupted, perhaps twice.

    Returns
    -------
    list of Outcome
        In the order of `found`.
    """
    if jobs <= len(found):
        work = partial(on_one_core, work)
    if jobs == 1 or len(found) < 2:
        return [_reported(work(voice), report) for voice in found]
    done = _pooled(dict(enumerate(found)), work, jobs, report)
    for number, voice in enumerate(found):
        if number not in done:
            done |= _pooled({number: voice}, work, 1, report)
        if number not in done:
            done[number] = _reported(_died(voice), report)
    return [done[number] for number in range(len(found))]


def on_one_core(work: Work, found: Outcome) -> Outcome:
    """Do `work` without threads of its own: every core has a voice to work on."""
    with one_core():
        return work(found)


@contextmanager
def alone(songbook: str | Path) -> Iterator[None]:
    """Hold the songbook, so that two runs do not write the same outputs.

    The system lets go of it when the process ends, however it ends. Where it has no such locks
    (Windows), nothing is held.

    Raises
    ------
    UsageError
        Another run holds it.
    """
    try:
        import fcntl
    except ImportError:
        yield
        return
    with open(songbook, "rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise UsageError(f"{songbook}: another run is at work on it") from None
        yield


def _pooled(found: dict[int, Outcome], work: Work, jobs: int, report: Report) -> dict[int, Outcome]:
    """Outcomes of the voices that a pool of processes got done before one of them died."""
    done: dict[int, Outcome] = {}
    fresh = multiprocessing.get_context("spawn")
    workers = min(jobs, len(found))
    _start_tracker()
    with ProcessPoolExecutor(workers, mp_context=fresh, initializer=worker.begin) as pool:
        with _interrupts_held():
            waiting = {
                pool.submit(worker.interruptible, work, voice): number
                for number, voice in found.items()
            }
        try:
            for future in as_completed(waiting):
                done[waiting[future]] = _reported(future.result(), report)
        except BrokenProcessPool:
            return done
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            _report_finished(waiting, report)
            raise
    return done


def _report_finished(futures: Iterable[Future[Outcome]], report: Report) -> None:
    """Report what was finished, some of it once more."""
    for future in futures:
        if future.done() and not future.cancelled() and future.exception() is None:
            report(future.result())


def _start_tracker() -> None:
    """Start the process that frees what a killed pool leaves, and let it do so without a word.

    It would warn of leaked semaphores; they are freed, and nobody can do anything about it.
    """
    if os.name != "posix":
        return
    sys.warnoptions.append("ignore:resource_tracker:UserWarning")  # handed on to that process
    try:
        resource_tracker.ensure_running()
    finally:
        sys.warnoptions.pop()


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Hold Ctrl-C back while processes are started, which start with it held back as well."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _reported(outcome: Outcome, report: Report) -> Outcome:
    report(outcome)
    return outcome


def _died(found: Outcome) -> Outcome:
    return replace(found, state=FAILED, reason="the process that rendered it was ended")
