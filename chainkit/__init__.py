"""Chainkit renders a recorded voice through a chain of stages and shows what the chain did.

Public names, resolved when they are first used, so that ``import chainkit`` costs nothing.
"""

from __future__ import annotations

TYPE_CHECKING = False  # that of typing costs more than all else that is loaded ahead of main
if TYPE_CHECKING:
    from typing import Any

    from chainkit.chain import Chain, load_chain, parse_chain
    from chainkit.chain.stream import ChainStream, Prepared, Processed, prepare
    from chainkit.chain.text import dump_chain
    from chainkit.dsp.meter import Measurement
    from chainkit.dsp.riding import RideSettings
    from chainkit.errors import (
        AudioFileError,
        ChainFileError,
        ChainkitError,
        ClippingError,
        OutputError,
        UsageError,
    )
    from chainkit.measure import measure_file
    from chainkit.rendering import Options, Result, render
    from chainkit.rides import Rides, find_rides, write_rides
    from chainkit.scout import Scouting, scout_file
    from chainkit.songbook import Songbook, load_songbook
    from chainkit.stages.compress import Compress, Sidechain
    from chainkit.stages.deess import Deess
    from chainkit.stages.eq import Bell, Eq, Highpass, HighShelf, Lowpass, LowShelf, Notch
    from chainkit.stages.gain import Gain
    from chainkit.stages.ride import Ride
    from chainkit.verify import Verdict, verify_record

    __version__: str

_HOMES = {
    "chainkit.chain": ("Chain", "load_chain", "parse_chain"),
    "chainkit.chain.stream": ("ChainStream", "Prepared", "Processed", "prepare"),
    "chainkit.chain.text": ("dump_chain",),
    "chainkit.dsp.meter": ("Measurement",),
    "chainkit.dsp.riding": ("RideSettings",),
    "chainkit.errors": (
        "AudioFileError",
        "ChainFileError",
        "ChainkitError",
        "ClippingError",
        "OutputError",
        "UsageError",
    ),
    "chainkit.measure": ("measure_file",),
    "chainkit.rendering": ("Options", "Result", "render"),
    "chainkit.rides": ("Rides", "find_rides", "write_rides"),
    "chainkit.scout": ("Scouting", "scout_file"),
    "chainkit.songbook": ("Songbook", "load_songbook"),
    "chainkit.stages.compress": ("Compress", "Sidechain"),
    "chainkit.stages.deess": ("Deess",),
    "chainkit.stages.eq": (
        "Bell",
        "Eq",
        "HighShelf",
        "Highpass",
        "LowShelf",
        "Lowpass",
        "Notch",
    ),
    "chainkit.stages.gain": ("Gain",),
    "chainkit.stages.ride": ("Ride",),
    "chainkit.verify": ("Verdict", "verify_record"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "AudioFileError",
    "Bell",
    "Chain",
    "ChainFileError",
    "ChainStream",
    "ChainkitError",
    "ClippingError",
    "Compress",
    "Deess",
    "Eq",
    "Gain",
    "HighShelf",
    "Highpass",
    "LowShelf",
    "Lowpass",
    "Measurement",
    "Notch",
    "Options",
    "OutputError",
    "Prepared",
    "Processed",
    "Result",
    "Ride",
    "RideSettings",
    "Rides",
    "Scouting",
    "Sidechain",
    "Songbook",
    "UsageError",
    "Verdict",
    "dump_chain",
    "find_rides",
    "load_chain",
    "load_songbook",
    "measure_file",
    "parse_chain",
    "prepare",
    "render",
    "scout_file",
    "verify_record",
    "write_rides",
]


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__, "__version__"})


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version("chainkit")
    if name not in _HOME_OF:
        raise AttributeError(f"module 'chainkit' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOME_OF[name]), name)
