"""The figures in which the voices of a role are compared: from where on they matter, in words."""

from __future__ import annotations

from dataclasses import dataclass

CAUSE = 1.0  # dB: the least departure of the voice that is named as a cause


@dataclass(frozen=True)
class Figure:
    """A figure that is compared.

    Parameters
    ----------
    key : str
    least, always : float, dB or LU
        A departure below `least` never stands out, one from `always` on does whatever the others
        are like. Common practice, no source.
    more, less : str
        What a departure of ``{}`` dB up or down means; empty where it is welcome.
    """

    key: str
    least: float
    always: float
    more: str
    less: str

    def tell(self, departure: float) -> str:
        """The departure in words."""
        return (self.more if departure > 0 else self.less).format(f"{abs(departure):.1f}")


RECORDED = Figure(
    "loudest_channel_lufs", 3.0, 9.0,
    "was recorded {} dB louder than the median", "was recorded {} dB quieter than the median",
)  # fmt: skip
FIGURES = (
    Figure(
        "level_lufs", 3.0, 9.0,
        "reaches the chain {} dB louder than the median",
        "reaches the chain {} dB quieter than the median",
    ),
    Figure(
        "sibilance_index_db", 1.5, 3.0,
        "was sung with sibilants {} dB above the median",
        "was sung with sibilants {} dB below the median",
    ),
    Figure(
        "noise_against_voice_db", 6.0, 12.0,
        "its noise floor lies {} dB closer to the voice than the median", "",
    ),
    Figure(
        "output_loudest_channel_lufs", 1.0, 2.5,
        "comes out {} LU louder than the median", "comes out {} LU quieter than the median",
    ),
    Figure(
        "output_sibilance_index_db", 1.5, 3.0,
        "comes out with sibilants {} dB above the median",
        "comes out with sibilants {} dB below the median",
    ),
    Figure(
        "above_backing_lu", 2.0, 3.0,
        "stands {} LU further above its backing than the median",
        "stands {} LU less above its backing than the median",
    ),
)  # fmt: skip
OUTCOMES = (
    "level_lufs",
    "output_loudest_channel_lufs",
    "output_sibilance_index_db",
    "above_backing_lu",
)
"""Figures that the songbook's own changes and rides move."""
STAGE = Figure(
    "", 1.5, 3.0, "works {} dB harder than the median", "works {} dB less than the median"
)
KINDS = {"deess": "de-esser", "compress": "compressor"}
"""What a stage is called that has no name of its own."""


def _because(key: str, more: str, less: str) -> Figure:
    return Figure(key, CAUSE, CAUSE, more, less)


_LEVEL = _because(
    "level_lufs", "it reaches the chain {} dB louder", "it reaches the chain {} dB quieter"
)
_SIBILANTS = _because(
    "sibilance_index_db",
    "its sibilants are {} dB above the median in the recording",
    "its sibilants are {} dB below the median in the recording",
)
CAUSES = {
    "output_loudest_channel_lufs": (_LEVEL,),
    "output_sibilance_index_db": (_SIBILANTS,),
    "above_backing_lu": (
        _because(
            "recorded_above_backing_lu",
            "it was recorded {} LU further above it", "it was recorded {} LU less above it",
        ),
    ),
    "deess": (_SIBILANTS, _LEVEL),
    "compress": (
        _LEVEL,
        _because(
            "loudness_range_lu",
            "its loudness ranges over {} LU more", "its loudness ranges over {} LU less",
        ),
        _because(
            "crest_db",
            "its peaks stand {} dB further above its level",
            "its peaks stand {} dB less above its level",
        ),
    ),
}  # fmt: skip
"""What may be the reason, by the key of a figure or the kind of a stage."""
