"""The same work on the workers of a dask.distributed scheduler.

The workers need chainkit and the files under the same paths. Nothing but the description of the
work and its outcome goes over the network.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from chainkit.errors import UsageError
from chainkit.songbook.running import Report, on_one_core
from chainkit.songbook.work import FAILED, Outcome, Work

TIMEOUT = 10.0  # seconds to wait for the scheduler


def run(found: Sequence[Outcome], work: Work, address: str, report: Report) -> list[Outcome]:
    """Do `work` on each voice, wherever the scheduler at `address` sends it.

    Parameters and result are those of `chainkit.songbook.running.run`; `address` is one such as
    ``tcp://10.0.0.7:8786``.

    Raises
    ------
    UsageError
        dask.distributed is not installed, or no scheduler answers.
    """
    done: dict[int, Outcome] = {}
    work = partial(on_one_core, work)
    with _client(address) as client:
        from distributed import as_completed

        waiting = {
            client.submit(work, replace(voice, voice=voice.voice.absolute()), pure=False): number
            for number, voice in enumerate(found)
        }
        for future in as_completed(list(waiting), loop=client.loop):
            number = waiting[future]
            done[number] = replace(_outcome(future, found[number]), voice=found[number].voice)
            report(done[number])
    return [done[number] for number in range(len(found))]


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
