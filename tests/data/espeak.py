"""Labelled synthetic speech from the C library of espeak-ng, which tells when phonemes start."""

from __future__ import annotations

import ctypes
import ctypes.util
from functools import cache

import numpy as np
from data.labels import Label
from data.voices import Missing
from numpy.typing import NDArray

_SYNCHRONOUS = 2
_PHONEME_EVENTS = 1
_PHONEME = 7
_UTF8 = 1
_END_PAUSE = 0x1000


class _Event(ctypes.Structure):
    _fields_ = [
        ("type", ctypes.c_int),
        ("unique_identifier", ctypes.c_uint),
        ("text_position", ctypes.c_int),
        ("length", ctypes.c_int),
        ("audio_position", ctypes.c_int),
        ("sample", ctypes.c_int),
        ("user_data", ctypes.c_void_p),
        ("id", ctypes.c_char * 8),
    ]


_CALLBACK = ctypes.CFUNCTYPE(
    ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.POINTER(_Event)
)


@cache
def _library() -> tuple[ctypes.CDLL, int]:
    name = ctypes.util.find_library("espeak-ng") or "libespeak-ng.so.1"
    try:
        library = ctypes.CDLL(name)
    except OSError as fault:
        raise Missing("the C library of Debian's espeak-ng is not installed") from fault
    rate = library.espeak_Initialize(_SYNCHRONOUS, 0, None, _PHONEME_EVENTS)
    return library, rate


def speak(
    text: str, voice: str, *, speed: int = 160, pitch: int = 50
) -> tuple[NDArray[np.float64], int, list[Label]]:
    """Speak `text`: the audio (frames, 1), its rate, and the phonemes in espeak-ng's letters."""
    library, rate = _library()
    samples: list[NDArray[np.int16]] = []
    marks: list[tuple[str, float]] = []

    def receive(wave, count, events):  # type: ignore[no-untyped-def]
        if wave and count:
            samples.append(np.ctypeslib.as_array(wave, (count,)).copy())
        k = 0
        while events[k].type:
            if events[k].type == _PHONEME:
                marks.append((events[k].id.decode("utf-8", "replace"), events[k].sample / rate))
            k += 1
        return 0

    callback = _CALLBACK(receive)
    library.espeak_SetSynthCallback(callback)
    if library.espeak_SetVoiceByName(voice.encode()):
        raise Missing(f"espeak-ng has no voice {voice}")
    library.espeak_SetParameter(1, speed, 0)
    library.espeak_SetParameter(3, pitch, 0)
    line = text.encode()
    library.espeak_Synth(line, len(line) + 1, 0, 0, 0, _UTF8 | _END_PAUSE, None, None)
    library.espeak_Synchronize()
    audio = np.concatenate(samples).astype(np.float64) / 32768.0
    ends = [start for _, start in marks[1:]] + [len(audio) / rate]
    labels = [Label(name, start, end) for (name, start), end in zip(marks, ends, strict=True)]
    return audio[:, None], rate, labels
