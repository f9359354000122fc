"""The same work on the workers of a dask.distributed scheduler.

The workers need chainkit and the files under the same paths. Nothing but the description of the
work and its outcome goes over the network.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from typing import Any

from chainkit.errors import LostError, UsageError
from chainkit.songbook.running import Report, on_one_core
from chainkit.songbook.work import FAILED, Outcome, Work

TIMEOUT = 10.0  # seconds to wait for the scheduler
PATIENCE = 30.0  # seconds without an outcome after which to look whether there are workers


def run(found: Sequence[Outcome], work: Work, address: str, report: Report) -> list[Outcome]:
    """Do `work` on each voice, wherever the scheduler at `address` sends it.

    Parameters and result are those of `chainkit.songbook.running.run`; `address` is one such as
    ``tcp://10.0.0.7:8786``.

    Raises
    ------
    UsageError
        dask.distributed is not installed, or no scheduler answers.
    LostError
        The scheduler or all of its workers are gone.
    """
    done: dict[int, Outcome] = {}
    work = partial(on_one_core, work)
    with _without_log(), _client(address) as client, client.as_current():
        waiting = {
            client.submit(work, replace(voice, voice=voice.voice.absolute()), pure=False): number
            for number, voice in enumerate(found)
        }
        try:
            for future in _completed(client, waiting):
                number = waiting[future]
                done[number] = replace(_outcome(future, found[number]), voice=found[number].voice)
                report(done[number])
        except (CancelledError, OSError):
            raise LostError(f"the scheduler at {address} is gone") from None
    return [done[number] for number in range(len(found))]


def _completed(client: Any, futures: Iterable[Any]) -> Iterator[Any]:
    """Each future when it is done."""
    from distributed import wait

    left, idle = set(futures), False
    while left:
        try:
            done = wait(left, timeout=PATIENCE, return_when="FIRST_COMPLETED").done
        except TimeoutError:
            # A worker may be on its way to take the place of one that was ended.
            if idle and not client.nthreads():
                raise LostError("the scheduler has no workers") from None
            idle = True
            continue
        idle = False
        left -= done
        yield from done


@contextmanager
def _without_log() -> Iterator[None]:
    """Keep what dask logs off the terminal: what matters of it is told in our words."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(before)


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise UsageError(
            "--workers needs dask.distributed: pip install 'chainkit[cluster]'"
        ) from None
    try:
        return Client(address, timeout=TIMEOUT, set_as_default=False)
    except (OSError, ValueError) as fault:
        raise UsageError(f"no scheduler answers at {address}: {fault}") from None


def _outcome(future: Any, found: Outcome) -> Outcome:
    fault = future.exception()
    if fault is None:
        result: Outcome = future.result()
        return result
    told = f"its worker failed: {type(fault).__name__}: {fault}"
    return replace(found, state=FAILED, reason=told)
