"""Second-order sections in series, with state that carries from block to block."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from chainkit.dsp import kernels, storage

Audio = NDArray[np.float64]


class Cascade:
    """A cascade of second-order sections in transposed direct form II.

    What comes out does not depend on how the signal is cut into blocks, bit for bit.

    Parameters
    ----------
    sos : array_like, (sections, 6)
        Rows b0 b1 b2 a0 a1 a2 with a0 = 1; no rows pass the signal through.
    channels : int, > 0

    Raises
    ------
    ValueError
        If `sos` has another shape or an a0 that is not 1.
    """

    def __init__(self, sos: ArrayLike, channels: int) -> None:
        rows = np.asarray(sos, dtype=np.float64)
        if rows.ndim != 2 or rows.shape[1] != 6 or not np.all(rows[:, 3] == 1.0):
            raise ValueError(f"sos has shape {rows.shape}; rows b0 b1 b2 1 a1 a2 are due")
        count = len(rows)
        self._sections = np.ascontiguousarray(rows[:, [0, 1, 2, 4, 5]])
        self._decays, self._jumps = _responses_to_state(rows)
        self._states = np.zeros((channels, count, 2))
        self._held = storage.empty(channels, kernels.TILE)
        self._held[:] = 0.0
        self._filled = 0
        self._scratch = (
            storage.empty(kernels.STEPS, kernels.LANES),
            storage.empty(2, kernels.LANES),
            storage.empty(count, 2),
            storage.empty(channels, kernels.TILE),
        )

    def process(self, x: Audio, out: Audio | None = None) -> Audio:
        """Filter the next block.

        Parameters
        ----------
        x : ndarray, (frames, channels)
        out : ndarray, (frames, channels), optional
            Where to put the result.

        Returns
        -------
        ndarray, (frames, channels)
        """
        y = storage.empty(*x.shape) if out is None else out
        self._filled = kernels.cascade(
            x, self._sections, self._decays, self._jumps, self._held, self._filled,
            self._states, *self._scratch, y,
        )  # fmt: skip
        return y


def _responses_to_state(rows: Audio) -> tuple[Audio, Audio]:
    """Output after 0, 1, 2 … frames, and state after a run, of unit states with no input.

    From ``y = p; p' = -a1 p + q; q' = -a2 p``: the state moves by A = [[-a1, 1], [-a2, 0]] a
    frame, and the output after t frames is the first row of A^t. Powers are taken in extended
    precision where the machine has it. What has decayed below `TINY` counts as nothing.
    """
    step = np.zeros((len(rows), 2, 2), dtype=np.longdouble)
    step[:, 0, 0] = -rows[:, 4]
    step[:, 1, 0] = -rows[:, 5]
    step[:, 0, 1] = 1.0
    power = np.zeros_like(step) + np.eye(2)
    decays = np.empty((len(rows), kernels.STEPS, 2))
    for frame in range(kernels.STEPS):
        decays[:, frame] = power[:, 0]
        power = power @ step
    jumps = power.astype(np.float64)
    decays[np.abs(decays) < kernels.TINY] = 0.0
    jumps[np.abs(jumps) < kernels.TINY] = 0.0
    return decays, jumps
