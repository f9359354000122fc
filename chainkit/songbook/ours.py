"""Whether the sound file under the name of an output is a render of ours, which may be replaced."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from chainkit.audio.formats import BITS
from chainkit.audio.reader import AudioReader, sha256
from chainkit.dsp.levels import to_gain
from chainkit.errors import ChainkitError
from chainkit.gainlog import read_log
from chainkit.gainlog.rows import RowValues, peaks
from chainkit.record import Outputs, part_of

LOG_STEP = 1.2e-5  # 1e-4 dB, the last digit of the log, as a part of an amplitude
DITHERED = 1.5  # steps by which dither and rounding move a sample at most; the log is of it before


def is_ours(outputs: Outputs, record: Mapping[str, Any] | None) -> bool:
    """Whether no audio stands there, or audio that we rendered and nobody has changed since.

    It is what `record`, the one beside it, tells of, by its hash. A render that was killed between
    its files leaves a log and audio that no record tells of yet: then the log is another than the
    record's, and tells of this audio by its levels.
    """
    if not os.path.lexists(outputs.audio):
        return True
    try:
        if part_of(record, "output").get("sha256") == sha256(outputs.audio):
            return True
        is_new = part_of(record, "log").get("sha256") != sha256(outputs.log)
        return is_new and _tells_of(outputs)
    except OSError:
        return False


def _tells_of(outputs: Outputs) -> bool:
    """Whether the log has the peak level of each of its rows of the audio in its format."""
    try:
        log, audio = read_log(outputs.log), AudioReader(Path(outputs.audio))
        hop = round(log.seconds[1] * audio.rate) if len(log.seconds) > 1 else audio.frames
        if len(log.after) != -(-audio.frames // max(hop, 1)):
            return False
        rows = RowValues(hop, peaks)
        found = [*map(rows.add, audio.blocks()), rows.finish()]
    except ChainkitError:
        return False
    held, told = to_gain(np.concatenate(found)), to_gain(log.after)
    step = 2.0 ** (1 - BITS[audio.subtype]) if audio.subtype in BITS else 0.0
    return np.allclose(held, told, rtol=LOG_STEP, atol=DITHERED * step)
