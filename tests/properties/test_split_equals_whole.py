"""Processors give the same bits however the signal is cut into blocks."""

from __future__ import annotations

import numpy as np
import pytest

from chainkit.dsp import filters, kernels
from chainkit.dsp.deesser import DeEsser
from chainkit.dsp.dynamics import Compressor
from chainkit.dsp.equalizer import Equalizer
from chainkit.dsp.gains import Gain, Ride

RATE = 48000
WINDOW, LOOKAHEAD = 240, 72  # frames of 5 ms and 1.5 ms
REACH = len(filters.split_fir(RATE, 5500.0)) // 2
HOP = 1024 - 2 * REACH

DYNAMICS = {
    "threshold": -30.0, "ratio": 4.0, "knee": 6.0, "attack": 0.002, "release": 0.03,
    "reduction_range": 12.0, "window": 0.005,
}  # fmt: skip
COMPRESSOR = DYNAMICS | {
    "detector": "peak", "lookahead": 0.0, "sidechain_highpass": None, "makeup": 0.0, "mix": 1.0,
    "link": True,
}  # fmt: skip
DEESSER = DYNAMICS | {
    "frequency": 5500.0, "upper": None, "sense": "band", "detector": "rms", "lookahead": 0.0015,
    "phase": "linear",
}  # fmt: skip

PROCESSORS = {
    "gain": lambda channels: Gain(channels, -3.0),
    "ride": lambda channels: Ride(RATE, channels, [0.01, 0.02, 0.05], [-3.0, 4.0, 0.0]),
    "equalizer": lambda channels: Equalizer(
        np.concatenate(
            [filters.butterworth("highpass", RATE, 80.0, 3), filters.bell(RATE, 3e3, 4.0, 2.0)]
        ),
        channels,
    ),
    "compressor": lambda channels: Compressor(RATE, channels, **COMPRESSOR),
    "compressor, every setting": lambda channels: Compressor(
        RATE,
        channels,
        **COMPRESSOR
        | {
            "detector": "rms", "lookahead": 0.0015, "sidechain_highpass": 150.0, "makeup": 3.0,
            "mix": 0.6, "link": False,
        },
    ),
    "compressor, slow attack": lambda channels: Compressor(
        RATE, channels, **COMPRESSOR | {"attack": 0.05, "release": 0.01}
    ),
    "de-esser, linear": lambda channels: DeEsser(RATE, channels, **DEESSER),
    "de-esser, linear, share": lambda channels: DeEsser(
        RATE, channels, **DEESSER | {"sense": "share", "threshold": -9.0, "upper": 9000.0}
    ),
    "de-esser, minimum": lambda channels: DeEsser(
        RATE, channels, **DEESSER | {"phase": "minimum", "sense": "share", "threshold": -9.0}
    ),
}  # fmt: skip

LENGTHS = sorted(
    {1, 2}
    | {edge + off for edge in (LOOKAHEAD, REACH, WINDOW, HOP, 1024) for off in (-1, 0, 1)}
    | {kernels.TILE + off for off in (-1, 0, 1)}
    | {5000}
)


def voice(frames: int, channels: int) -> np.ndarray:
    """Noise that swells and falls, with a stretch of silence."""
    time = np.arange(5000)[:, None] / RATE
    swell = np.clip(np.sin(2 * np.pi * 31 * time), 0, 1)
    noise = np.random.default_rng(5).uniform(-1, 1, (5000, channels))
    return np.ascontiguousarray((noise * swell)[:frames])


def through(run, x, size):
    """All audio and gains, and the number of frames that came back for each block."""
    blocks = [run.process(x[begin : begin + size]) for begin in range(0, len(x), size)]
    blocks.append(run.finish())
    audio = np.concatenate([y for y, _ in blocks])
    gains = [gain for _, gain in blocks if gain is not None]
    return audio, np.concatenate(gains) if gains else np.empty((0, 1))


@pytest.mark.parametrize("name", PROCESSORS)
@pytest.mark.parametrize("channels", [1, 2, 8])
def test_any_block_size_gives_the_same_bits(name, channels):
    x = voice(5000, channels)
    whole, gain = through(PROCESSORS[name](channels), x, len(x))
    assert whole.shape == x.shape
    assert name == "gain" or len(np.unique(whole[3000:3300])) > 100
    for size in (17, 509, 4096) if channels > 1 else (1, 17, 509, 4096):
        cut, cut_gain = through(PROCESSORS[name](channels), x, size)
        assert cut.tobytes() == whole.tobytes(), size
        assert cut_gain.tobytes() == gain.tobytes(), size


@pytest.mark.parametrize("size", [509, 4096, 65_536])
def test_a_long_voice_gives_the_same_bits_where_the_band_leaves_in_parts(size):
    """What a share is taken of lies on either side of where the linear filter hands out frames."""
    x = 1e-4 * np.random.default_rng(5).uniform(-1, 1, (120_000, 1))
    x[::REACH] *= 1e4
    name = "de-esser, linear, share"
    for cut, whole in zip(
        through(PROCESSORS[name](1), x, size), through(PROCESSORS[name](1), x, len(x)), strict=True
    ):
        assert cut.tobytes() == whole.tobytes()


@pytest.mark.parametrize("name", PROCESSORS)
def test_any_length_is_the_beginning_of_a_longer_one(name):
    """What a frame becomes does not depend on what comes long after it; lengths around edges."""
    x = voice(5000, 1)
    whole, gain = through(PROCESSORS[name](1), x, len(x))
    seen = LOOKAHEAD + REACH  # frames that a frame may look ahead
    for frames in LENGTHS:
        y, some = through(PROCESSORS[name](1), x[:frames], 509)
        assert len(y) == frames
        assert len(some) in (0, frames)
        sure = max(frames - seen, 0)
        np.testing.assert_allclose(y[:sure], whole[:sure], rtol=0, atol=1e-12)


@pytest.mark.parametrize("name", PROCESSORS)
def test_no_frames(name):
    run = PROCESSORS[name](2)
    y, gain = run.process(np.empty((0, 2)))
    assert y.shape == (0, 2)
    assert gain is None or len(gain) == 0
    y, gain = run.finish()
    assert y.shape == (0, 2)
    assert gain is None or len(gain) == 0


@pytest.mark.parametrize("name", PROCESSORS)
def test_empty_blocks_between_change_nothing(name):
    x = voice(3000, 2)
    whole, _ = through(PROCESSORS[name](2), x, len(x))
    run = PROCESSORS[name](2)
    parts = [run.process(part)[0] for part in (x[:1000], x[:0], x[1000:], x[:0])]
    assert np.concatenate([*parts, run.finish()[0]]).tobytes() == whole.tobytes()


@pytest.mark.parametrize("name", PROCESSORS)
def test_input_is_left_alone_and_output_is_ones_own(name):
    """What came out does not change when more goes in."""
    x = voice(4000, 2)
    kept = x.copy()
    run = PROCESSORS[name](2)
    first, gain = run.process(x)
    audio_before, gain_before = first.copy(), None if gain is None else gain.copy()
    run.process(x)
    assert x.tobytes() == kept.tobytes()
    assert first.tobytes() == audio_before.tobytes()
    assert gain is None or gain.tobytes() == gain_before.tobytes()


@pytest.mark.parametrize("name", PROCESSORS)
def test_silence_stays_silence(name):
    y, gain = through(PROCESSORS[name](2), np.zeros((5000, 2)), 509)
    assert not y.any()
    assert name in ("gain", "ride") or len(np.unique(gain)) <= 1


@pytest.mark.parametrize("name", [name for name in PROCESSORS if name != "equalizer"])
def test_gain_tells_what_was_done(name):
    """y = x 10^(gain / 20) to 1e-9; a de-esser turns its band up by the gain, and that alone."""
    x = voice(5000, 2)
    y, gain = through(PROCESSORS[name](2), x, 509)
    if name.startswith("de-esser"):
        idle = Equalizer(filters.allpass(RATE, 5500.0, 0.5**0.5), 2)
        base = idle.process(x)[0] if "minimum" in name else x
        expected = base + (10 ** (gain / 20) - 1) * PROCESSORS[name](2).band(x)
    else:
        expected = x * 10 ** (gain / 20)
    np.testing.assert_allclose(y, expected, rtol=0, atol=1e-9)
