"""How much one stage makes the next ones work."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from chainkit.chain.stream import Audio, Blocks, Prepared
from chainkit.gainlog import GainLog


@dataclass(frozen=True)
class Effect:
    """What one stage costs or saves a later one.

    Parameters
    ----------
    stage, later : str
        Names of the two stages.
    change : float, dB
        Mean reduction of the later stage with the first one in the chain, less that without it.
    """

    stage: str
    later: str
    change: float


def interplay(prepared: Prepared, rate: int, channels: int, blocks: Blocks) -> tuple[Effect, ...]:
    """Effects of each stage on every later one that turns down.

    Each stage is bypassed in turn while trim and makeup stay as they are, so that nothing but the
    stage itself is missed.
    """
    stages = prepared.chain.active
    workers = [n for n, stage in enumerate(stages) if stage.reduces]
    ahead = [n for n in range(len(stages)) if any(later > n for later in workers)]
    if not ahead:
        return ()
    whole = mean_reductions(prepared, rate, channels, blocks())
    effects = []
    for n in ahead:
        without = replace(prepared, chain=prepared.chain.bypassing(stages[n].name))
        rest = mean_reductions(without, rate, channels, blocks())
        effects += [
            Effect(stages[n].name, stages[m].name, whole[stages[m].name] - rest[stages[m].name])
            for m in workers
            if m > n
        ]
    return tuple(effects)


def mean_reductions(
    prepared: Prepared, rate: int, channels: int, blocks: Iterable[Audio]
) -> dict[str, float]:
    """Mean reduction in dB of each stage that turns down, over the whole voice."""
    stream = prepared.stream(rate, channels)
    log = GainLog(stream, max(1, rate // 100), None)
    for block, passage in stream.passages(blocks):
        log.add(block, passage)
    log.finish()
    return {name: found.mean for name, found in log.statistics().items()}
