"""Integer samples of plain WAV files, to and from bytes.

libsndfile takes samples one by one, in pieces of 8 kB, and so needs as long for 24 bits as a chain
does for its filters. The headers stay in its hands; what lies between is done here in one go.
"""

from __future__ import annotations

from io import BufferedReader
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainkit.audio.chunks import set_length
from chainkit.audio.formats import BITS
from chainkit.dsp import kernels_quantise as kernels

_CONTAINERS = ("WAV", "WAVEX")
SUBTYPES = ("PCM_16", "PCM_24", "PCM_32")


def is_written(container: str, subtype: str) -> bool:
    """Whether `PlainFile` can complete such a file."""
    return container in _CONTAINERS and subtype in SUBTYPES


class PlainSamples:
    """Samples read from the middle of a file.

    Parameters
    ----------
    file : BufferedReader
        At the first sample.
    channels : int
    subtype : str, one of `SUBTYPES`
    """

    def __init__(self, file: BufferedReader, channels: int, subtype: str) -> None:
        self._file = file
        self._channels = channels
        self._bits = BITS[subtype]
        self._room = np.empty(0, dtype=np.uint8)

    def read(self, count: int) -> NDArray[np.float64]:
        """Up to `count` frames, code / 2^(bits − 1); fewer at the end of the file.

        Returns
        -------
        ndarray, (frames, channels), float64
        """
        width = self._bits // 8 * self._channels
        if len(self._room) < count * width:
            self._room = np.empty(count * width, dtype=np.uint8)
        frames = self._file.readinto(self._room[: count * width].data) // width
        return self._decoded(self._room[: frames * width]).reshape(frames, self._channels)

    def _decoded(self, data: NDArray[np.uint8]) -> NDArray[np.float64]:
        if self._bits == 24:
            samples = np.empty(len(data) // 3)
            kernels.unpack_24(data, samples)
            return samples
        return np.multiply(data.view(f"<i{self._bits // 8}"), 2.0 ** (1 - self._bits), dtype=float)


class PlainFile:
    """Codes added to the end of a file that ends with an empty chunk of samples.

    It has the methods of `soundfile.SoundFile` that a writer needs.

    Parameters
    ----------
    path : Path
    subtype : str, one of `SUBTYPES`
    """

    def __init__(self, path: Path, subtype: str) -> None:
        self._path = path
        self._bits = BITS[subtype]
        self._frames = 0
        self._file = open(path, "ab", buffering=0)  # noqa: SIM115 - a context manager itself

    def __enter__(self) -> PlainFile:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def write(self, codes: NDArray[np.int32]) -> None:
        """Add frames.

        Parameters
        ----------
        codes : ndarray, (frames, channels), int32
            At the high end of 32 bits.
        """
        left = self._encoded(codes.reshape(-1)).data.cast("B")
        while left:
            left = left[self._file.write(left) :]
        self._frames += len(codes)

    def close(self) -> None:
        """Close the file and tell its header how long it has become."""
        self._file.close()
        set_length(self._path, self._frames)

    def _encoded(self, codes: NDArray[np.int32]) -> NDArray[Any]:
        if self._bits == 24:
            data = np.empty(3 * len(codes), dtype=np.uint8)
            kernels.pack_24(codes, data)
            return data
        return (codes >> (32 - self._bits)).astype(f"<i{self._bits // 8}")
