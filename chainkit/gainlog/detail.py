"""The gain of each frame and stage, spooled and packed as NPZ."""

from __future__ import annotations

import shutil
import tempfile
import zipfile
from pathlib import Path
from typing import IO, Any

import numpy as np

from chainkit.chain.stream import ChainStream, Passage


class DetailLog:
    """Gain of each frame and stage, spooled beside the output and packed as NPZ at the end.

    Parameters
    ----------
    stream : ChainStream
    folder : Path
        Where the gains are spooled; they need 8 bytes a frame and stage.
    """

    def __init__(self, stream: ChainStream, folder: Path) -> None:
        self._rate = stream.rate
        self._names = [stage.name for stage in stream.chain.active]
        self._spools: list[IO[bytes]] = [
            tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - closed by close()
            for _ in self._names
        ]
        self._lanes = [0] * len(self._names)

    def add(self, passage: Passage) -> None:
        """Take what the stages did to one block."""
        for index, tap in enumerate(passage.taps):
            if tap.gain is not None:
                self._lanes[index] = tap.gain.shape[1]
                self._spools[index].write(np.ascontiguousarray(tap.gain).data)

    def pack(self, file: Any) -> None:
        """Write the NPZ: an array (frames, lanes) in dB for each stage with a gain, and rate."""
        with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
            with archive.open("rate.npy", "w") as member:
                np.lib.format.write_array(member, np.array(self._rate))
            for name, lanes, spool in zip(self._names, self._lanes, self._spools, strict=True):
                if lanes:
                    self._pack_one(archive, name, lanes, spool)

    def _pack_one(self, archive: zipfile.ZipFile, name: str, lanes: int, spool: IO[bytes]) -> None:
        size = spool.tell()
        header = {"descr": "<f8", "fortran_order": False, "shape": (size // (8 * lanes), lanes)}
        spool.seek(0)
        with archive.open(f"{name}.npy", "w", force_zip64=True) as member:
            np.lib.format.write_array_header_1_0(member, header)
            shutil.copyfileobj(spool, member, 1 << 20)

    def close(self) -> None:
        """Let the spooled gains go."""
        for spool in self._spools:
            spool.close()
