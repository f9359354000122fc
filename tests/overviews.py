"""Made outcomes of a songbook, with the figures that a test wants."""

from __future__ import annotations

from pathlib import Path

from chainkit.chain import Chain
from chainkit.doubts import Extent
from chainkit.songbook.model import Voice
from chainkit.songbook.work import CURRENT, HeardBacking, Outcome

# Seven ordinary songs: each figure a little off the middle, as voices are.
OFFSETS = (0.0, 0.3, -0.4, 0.2, -0.1, 0.5, -0.3)


def stage(kind, work, inside=None):
    return {
        "kind": kind, "greatest_db": work + 3.0, "mean_db": work / 3.0, "p95_db": work,
        "share_above_1_db": 0.4, "inside_sibilants_db": inside, "outside_sibilants_db": work / 4.0,
    }  # fmt: skip


def outcome(
    number, *, changes=(), rides=None, sibilance=0.0, level=0.0, deess=0.0, compress=0.0,
    spread=0.0, noise=0.0, clipped=0, loudness=0.0,
    backing=None, notes=(),
):  # fmt: skip
    """A song whose figures are the usual ones and so much more; its backing in LUFS."""
    off = OFFSETS[number % len(OFFSETS)]
    before = {
        "integrated_lufs": -26.0 + level + off, "loudness_range_lu": 9.0 + spread - off,
        "crest_db": 17.0 + off / 2, "sibilance_index_db": -12.0 + sibilance + off,
        "true_peak_dbtp": -6.0, "noise_floor_dbfs": -76.0 + level + 1.5 * off + noise,
        "clipped_runs": clipped, "sample_peak_dbfs": -7.0,
    }  # fmt: skip
    after = before | {
        "integrated_lufs": -20.0 + loudness + off / 5, "true_peak_dbtp": -2.0 + off,
    }  # fmt: skip
    for levels in (before, after):
        levels["loudest_channel_lufs"] = levels["integrated_lufs"]  # of mono
    record = {
        "trim_db": -20.0 - before["integrated_lufs"],
        "notes": list(notes),
        "voice": {"frames": 4 * 48000, "rate": 48000, "channels": 1},
        "output": {"channels": 1},
        "levels": {"before": before, "after": after | {"sibilance_index_db": -15.0 + off}},
        "stages": {
            "eq": {"kind": "eq"},
            "deess": stage("deess", 4.0 + off, inside=5.0 + deess + off),
            "compress": stage("compress", 8.0 + compress + off),
        },
    }
    voice = Voice(
        number=number, title=f"Song {number}", role="lead", name="lead", file=Path("lead.wav"),
        backing=None, rides=rides, changes=tuple(changes), chain=Chain(()),
        output=Path("rendered") / f"Song {number}" / "lead.wav",
    )  # fmt: skip
    beneath = None if backing is None else HeardBacking(backing, Extent(4.0, 1))
    return Outcome(voice, CURRENT, "", record, beneath)


def usual(*numbers):
    return [outcome(number) for number in numbers]
