"""What somebody should know of a render before listening to it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

LOUD_DBTP = -1.0  # the greatest true peak that EBU R 128 allows; from memory
LOUDER_LU = 6.0  # twice the amplitude: a rise that deserves a word before playing
MUCH_LOUDER_LU = 12.0  # four times: so much no songbook means, whose chains lift all songs alike


def of_scale(peak: float | None, clipped_runs: int | None) -> str | None:
    """What to ask of a programme whose full scale is most likely not 1; None of any other.

    Parameters
    ----------
    peak : float or None, dBFS
        Greatest sample; None for silence.
    clipped_runs : int or None
        None where full scale is not known.
    """
    if peak is None or clipped_runs is not None:
        return None
    asked = "is this a file of integers stored as float?"
    return f"samples reach {peak:+.0f} dBFS: {asked} Whether it is clipped is not known"


def of_render(
    levels: Mapping[str, Any], trim: float = 0.0, louder: float = LOUDER_LU
) -> Iterator[str]:
    """Cautions about a render.

    Parameters
    ----------
    levels : mapping
        Of its record: `before` and `after`.
    trim : float, dB
        What is left out of the rise: the trim to the working level, where songs are brought to
        one level on purpose.
    louder : float, LU
        The rise that is still meant.

    Yields
    ------
    str
    """
    before, after = levels["before"], levels["after"]
    strange = of_scale(before["sample_peak_dbfs"], before["clipped_runs"])
    if strange:
        yield f"the voice's {strange}"
    peak = after["true_peak_dbtp"]
    if peak is not None and peak > LOUD_DBTP:
        told = f"true peak {peak:z.1f} dBTP is above {LOUD_DBTP:g} dBTP"
        yield f"caution: {told}; it can clip in playback or coding"
    if before["integrated_lufs"] is None or after["integrated_lufs"] is None:
        return
    rise = after["integrated_lufs"] - before["integrated_lufs"] - trim
    if rise > louder:
        voice = "the trimmed voice" if trim else "the voice"
        yield (
            f"caution: the output is {rise:.1f} LU louder than {voice}; "
            "turn the monitors down before playing it"
        )
