"""FLAC in memory: short parts of a sound file that travel inside a page."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray


def encode(x: NDArray[np.float64], rate: int, bits: int) -> bytes:
    """FLAC stream of `x`, rounded to `bits` without dither.

    Parameters
    ----------
    x : ndarray, (frames, channels)
        Full scale ±1; 1 to 8 channels.
    rate : int, Hz
    bits : int, 16 or 24

    Returns
    -------
    bytes
        A complete stream; decoded, frame n is ``rint(x[n] * 2**(bits - 1)) / 2**(bits - 1)``.

    Raises
    ------
    ValueError
        A sample rounds to a value outside the range of `bits`.

    Notes
    -----
    The samples are rounded here and handed over as integers: the encoder's own conversion from
    float scales by ``2**(bits - 1) - 1``, so that a file's samples would come back changed.
    """
    import soundfile

    full = 1 << (bits - 1)
    samples = np.rint(x * full)
    if samples.size and not (-full <= samples.min() and samples.max() < full):
        raise ValueError(f"samples pass full scale at {bits} bits")
    stream = io.BytesIO()
    words = samples.astype(np.int32) << (32 - bits)
    soundfile.write(stream, words, rate, format="FLAC", subtype=f"PCM_{bits}")
    return stream.getvalue()
