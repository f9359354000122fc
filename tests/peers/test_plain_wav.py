"""Integer samples of plain WAV files against libsndfile: the same bytes, the same samples."""

from __future__ import annotations

import naive_quantise
import numpy as np
import pytest
import soundfile

from chainkit.audio.formats import BITS
from chainkit.audio.plain import SUBTYPES
from chainkit.audio.reader import AudioReader
from chainkit.audio.writer import AudioWriter
from chainkit.dsp import kernels_quantise as kernels


def codes_of(rng, bits, shape):
    """Codes at the high end of 32 bits, both ends of the range among them."""
    codes = rng.integers(-(2 ** (bits - 1)), 2 ** (bits - 1), shape)
    codes[0], codes[-1] = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
    return (codes << (32 - bits)).astype(np.int32)


@pytest.mark.parametrize("frames", [2, 301, 70_001])
@pytest.mark.parametrize("channels", [1, 2, 3])
@pytest.mark.parametrize("subtype", SUBTYPES)
@pytest.mark.parametrize("container", ["WAV", "WAVEX"])
def test_files_are_those_of_libsndfile(tmp_path, rng, container, subtype, channels, frames):
    codes = codes_of(rng, BITS[subtype], (frames, channels))
    soundfile.write(tmp_path / "peer.wav", codes, 48000, subtype, format=container)
    form = {"rate": 48000, "channels": channels, "container": container, "subtype": subtype}
    with AudioWriter(tmp_path / "ours.wav", **form) as writer:
        writer.write(codes[:100] / 2.0**31)
        writer.write(codes[100:] / 2.0**31)
    assert (tmp_path / "ours.wav").read_bytes() == (tmp_path / "peer.wav").read_bytes()


@pytest.mark.parametrize("channels", [1, 2, 5])
@pytest.mark.parametrize("subtype", SUBTYPES)
@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
def test_samples_are_those_of_libsndfile(tmp_path, rng, container, subtype, channels):
    path = tmp_path / "x.wav"
    codes = codes_of(rng, BITS[subtype], (1001, channels))
    soundfile.write(path, codes, 48000, subtype, format=container)
    peer, _ = soundfile.read(path, always_2d=True)
    assert np.array_equal(np.concatenate(list(AudioReader(path).blocks(97))), peer)


def test_bytes_of_24_bits(rng):
    codes = codes_of(rng, 24, 999)
    data, x = np.empty(3 * 999, dtype=np.uint8), np.empty(999)
    kernels.pack_24(codes, data)
    assert data.tobytes() == naive_quantise.bytes_of([int(code) >> 8 for code in codes], 24)
    kernels.unpack_24(data, x)
    assert np.array_equal(x, codes / 2.0**31)
