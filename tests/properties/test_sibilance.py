"""How sibilants are found, against slow twins on curves of any kind."""

from __future__ import annotations

import naive_sibilance as naive
import numpy as np
import pytest

from chainkit.dsp import sibilance
from chainkit.dsp.kernels_sibilance import find

RULES = naive.Rules(
    reach=60, edge_level=12.0, edge_ratio=-9.0, edge_fall=3.0, edge_centre=0.6,
    onset_level=18.0, onset_ratio=4.0,
)  # fmt: skip
CAPS, LONG, CORE_LEVEL = (-4.0, 2.0), 12, 6.0
KINDS = ("steps", "noise", "slow", "silent")
LENGTHS = (1, 2, 3, 4, 7, 60, 150, 800)


def curves(rng, hops, kind):
    """Level, ratio and centre; whole numbers, so that some lie exactly at a threshold."""
    if kind == "silent":
        return np.full(hops, -300.0), np.zeros(hops), np.zeros(hops)
    if kind == "noise":
        walks = rng.normal(0.0, 6.0, (3, hops))
    elif kind == "slow":
        walks = np.cumsum(rng.normal(0.0, 1.0, (3, hops)), axis=1)
    else:
        walks = np.repeat(rng.normal(0.0, 6.0, (3, hops)), 9, axis=1)[:, :hops]
    level, ratio, centre = np.round(walks)
    return level - 30.0, ratio, 5000.0 + 300.0 * np.clip(centre, -15.0, 15.0)


def seeds_of(rng, level):
    """Some hops, the loudest first; now and then both ends ahead of all."""
    chosen = rng.permutation(len(level))[: 1 + len(level) // 2]
    chosen = chosen[np.argsort(-level[chosen], kind="stable")]
    if rng.random() < 0.3:
        ends = np.unique([0, len(level) - 1])
        chosen = np.concatenate([ends, chosen[~np.isin(chosen, ends)]])
    return chosen.astype(np.int64)


def found(seeds, three, hiss, bands, shortest):
    events = np.empty((3, len(seeds)), dtype=np.int64)
    figures, cores = np.empty((3, len(seeds))), np.empty((len(seeds), bands.shape[1]))
    count = find(
        seeds, three, hiss, bands, tuple(RULES), CAPS, (LONG, shortest), CORE_LEVEL,
        np.ones(len(hiss), dtype=bool), events, figures, cores,
    )  # fmt: skip
    return events[:, :count], figures[:, :count], cores[:count]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("hops", LENGTHS)
def test_events_agree_with_their_twin(kind, hops):
    for seed in range(12):
        rng = np.random.default_rng([seed, hops])
        three = curves(rng, hops, kind)
        hiss = 10.0 ** (three[0] / 10.0) * rng.uniform(0.5, 2.0, hops)
        bands = rng.random((hops, 5), dtype=np.float32)
        seeds = seeds_of(rng, three[0])
        events, figures, cores = found(seeds, three, hiss, bands, 2)
        twins = naive.find(seeds, three, hiss, bands, RULES, CAPS, LONG, 2, CORE_LEVEL)
        assert events.T.tolist() == [list(twin[:3]) for twin in twins]
        for twin, figure, core in zip(twins, figures.T, cores, strict=True):
            np.testing.assert_allclose(figure, twin[3:6], rtol=1e-12, atol=1e-9)
            np.testing.assert_allclose(core, twin[6], rtol=1e-12)
        assert kind == "silent" or hops < 800 or len(twins) > 1


def test_events_of_all_lengths_are_compared():
    """Long ones and short ones, ends of the curves, and a start that the rise moved."""
    spans, ends = [], set()
    for kind in KINDS[:3]:
        for seed in range(12):
            rng = np.random.default_rng([seed, 800])
            three = curves(rng, 800, kind)
            (start, stop, _), _, _ = found(
                seeds_of(rng, three[0]), three, np.ones(800), np.ones((800, 1), np.float32), 2
            )
            spans += (stop - start).tolist()
            ends |= {*start.tolist(), *stop.tolist()}
    assert min(spans) == 2
    assert max(spans) > LONG
    assert {0, 800} <= ends


@pytest.mark.parametrize(("length", "kept"), [(LONG, LONG), (LONG + 1, 5)])
def test_what_grows_too_long_needs_clearer_edges(length, kept):
    """Five hops of clear hiss, then what is between the two caps, then none."""
    ratio = np.full(100, -20.0)
    ratio[40 : 40 + length] = 0.0
    ratio[40:45] = 8.0
    three = (np.full(100, -30.0), ratio, np.full(100, 5000.0))
    (start, stop, _), _, _ = found(
        np.array([42]), three, np.ones(100), np.ones((100, 1), np.float32), 2
    )
    assert (start.tolist(), stop.tolist()) == ([40], [40 + kept])


def test_no_seeds_no_events():
    three = curves(np.random.default_rng(1), 50, "slow")
    none = np.empty(0, dtype=np.int64)
    events, figures, cores = found(none, three, np.ones(50), np.ones((50, 5), np.float32), 2)
    assert events.size == figures.size == cores.size == 0


# ------------------------------------------------------------------------ the voice around events
@pytest.mark.parametrize("seed", range(40))
def test_the_voice_around_events_agrees_with_its_twin(seed):
    """With events at both ends of what is seen, and without."""
    rng = np.random.default_rng(seed)
    hops = 900
    sums = 10.0 ** rng.normal(-4.0, 1.0, (7, hops))
    stretch = sibilance._Stretch(np.zeros((hops, 160), dtype=np.float32), sums)
    cuts = np.sort(rng.choice(np.arange(1, hops), 12, replace=False))
    cuts = [0, *cuts, hops] if seed % 2 else cuts
    events = list(zip(cuts[::2], cuts[1::2], strict=True))
    start, stop = np.array(events).T
    expected = [
        naive.neighbour(stretch.vowel, stretch.ratio, *event, sibilance._REACH) for event in events
    ]
    made = 10.0 ** (stretch._neighbours(start, stop) / 10.0)
    np.testing.assert_allclose(made, np.maximum(expected, 1e-30), rtol=1e-12)
    expected = [
        naive.around(stretch.total, stretch.voice, events, number, sibilance._AROUND)
        for number in range(len(events))
    ]
    made = 10.0 ** (stretch._around(start, stop) / 10.0)
    np.testing.assert_allclose(made, expected, rtol=1e-12)


def test_an_event_with_nothing_around_is_held_against_the_whole_voice():
    sums = np.ones((7, 300))
    stretch = sibilance._Stretch(np.zeros((300, 160), dtype=np.float32), sums)
    start, stop = np.array([0]), np.array([300])
    assert stretch._around(start, stop) == pytest.approx([0.0])
    assert stretch._neighbours(start, stop) == pytest.approx([-300.0])


@pytest.mark.parametrize("nyquist", [8000.0, 11025.0, 24000.0])
def test_colour_passes_over_bands_that_are_empty(nyquist):
    """By the definition, a core at a time; bands above half the sample rate hold nothing."""
    core = np.random.default_rng(4).random((6, 160)) ** 4
    core[:, int(nyquist // 100.0) :] = 0.0
    calm, own = sibilance._colour(core)
    for number, powers in enumerate(core):
        part = [power for power in powers[25:100] if power > 0.0]
        best = max(sum(part[n : n + 10]) / 10 for n in range(len(part) - 9))
        assert calm[number] == pytest.approx(10 * np.log10(best / np.mean(powers[7:20])), abs=1e-9)
        assert own[number] == pytest.approx(10 * np.log10(best / np.mean(part)), abs=1e-9)
