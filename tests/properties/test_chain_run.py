"""Chains in use: any block size gives the same bits, gains replay, idle is the identity."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal
from signals import bursts, noise

import chainkit
from chainkit import Chain, Compress, Deess, Eq, Gain, Ride
from chainkit.chain.lift import greatest_lift
from chainkit.chain.stream import ChainStream, measure_loudness, prepare
from chainkit.dsp.deesser import DeEsser
from chainkit.errors import UsageError
from chainkit.stages.compress import Sidechain
from chainkit.stages.eq import Bell, Highpass, HighShelf, LowShelf

EQ = Eq(
    bands=(
        Highpass(frequency=80.0, slope=24.0),
        Bell(frequency=280.0, gain=-3.5, q=4.0),
        HighShelf(frequency=8000.0, gain=3.0, q=0.7),
    )
)
FULL = Chain(
    [
        Gain(gain=3.0),
        Ride(points=((0.0, 0.0), (0.05, -4.0), (0.12, 2.0))),
        EQ,
        Deess(threshold=-34.0, range=8.0),
        Deess(threshold=-12.0, sense="share", phase="minimum", lookahead=0.0),
        Compress(threshold=-20.0, ratio=3.0, lookahead=0.003, sidechain=Sidechain(highpass=90.0)),
        Compress(threshold=-30.0, ratio=8.0, detector="rms", link=False, mix=0.4, makeup=5.0),
    ]
)


def in_blocks(chain, x, size, rate=48000):
    """Audio and gains of `x`, sent through `chain` in blocks of `size` frames."""
    stream = ChainStream(chain, rate, x.shape[1])
    passages = [stream.process(x[n : n + size]) for n in range(0, len(x), size)]
    passages.append(stream.finish())
    audio = np.concatenate([passage.audio for passage in passages])
    gains = [
        np.concatenate([passage.taps[n].gain for passage in passages])
        for n, stage in enumerate(chain.active)
        if stage.has_gain
    ]
    return audio, gains


@pytest.mark.parametrize("channels", [1, 2, 3, 8])
@pytest.mark.parametrize("size", [17, 509, 4096, 10_000])
def test_any_block_size_gives_the_same_bits(rng, channels, size):
    x = bursts(rng, 9_973, channels)
    whole, whole_gains = in_blocks(FULL, x, len(x))
    audio, gains = in_blocks(FULL, x, size)
    assert np.array_equal(audio, whole)
    for gain, whole_gain in zip(gains, whole_gains, strict=True):
        assert np.array_equal(gain, whole_gain)


def test_blocks_of_one_frame_give_the_same_bits(rng):
    x = bursts(rng, 1_200, 2)
    assert np.array_equal(in_blocks(FULL, x, 1)[0], in_blocks(FULL, x, len(x))[0])


@pytest.mark.parametrize("frames", [1, 2, 47, 48, 49, 95, 96, 97, 143, 144, 145, 500])
def test_short_voices_keep_their_length(rng, frames):
    x = noise(rng, -20.0, frames, 2)
    audio, gains = in_blocks(FULL, x, 7)
    assert audio.shape == x.shape
    assert all(len(gain) == frames for gain in gains)
    assert np.isfinite(audio).all()


def test_replaying_the_gains_gives_each_stage_s_output(rng):
    x = bursts(rng, 30_000, 2)
    stream = ChainStream(FULL, 48000, 2)
    taps = list(zip(stream.process(x).taps, stream.finish().taps, strict=True))
    for stage, (first, last) in zip(FULL.active, taps, strict=True):
        if stage.has_gain and stage.kind != "deess":
            given_ = np.concatenate([first.input, last.input])
            output = np.concatenate([first.output, last.output])
            gain = np.concatenate([first.gain, last.gain])
            np.testing.assert_allclose(given_ * 10 ** (gain / 20), output, rtol=0, atol=1e-9)


@pytest.mark.parametrize("phase", ["linear", "minimum"])
def test_replaying_the_de_esser_s_gain_on_its_band_gives_its_output(rng, phase):
    x = bursts(rng, 20_000)
    stage = Deess(threshold=-40.0, phase=phase)
    stream = ChainStream(Chain([stage]), 48000, 1)
    passages = [stream.process(x), stream.finish()]
    output = np.concatenate([passage.audio for passage in passages])
    gain = np.concatenate([passage.taps[0].gain for passage in passages])
    run = stage.start(48000, 1)
    assert isinstance(run, DeEsser)
    band = run.band(x)
    idle = in_blocks(Chain([Deess(threshold=24.0, phase=phase)]), x, len(x))[0]
    np.testing.assert_allclose(idle + (10 ** (gain / 20) - 1) * band, output, rtol=0, atol=1e-9)


IDLE = [
    Gain(gain=0.0),
    Ride(points=((0.0, 0.0),)),
    Eq(bands=()),
    Deess(threshold=24.0),
    Compress(threshold=24.0, ratio=8.0),
    Compress(threshold=-60.0, ratio=1.0),
    Compress(threshold=-60.0, ratio=8.0, mix=0.0),
    Compress(threshold=-60.0, ratio=8.0, range=0.0),
]


@pytest.mark.parametrize("stage", IDLE, ids=lambda stage: f"{stage.kind}")
def test_an_idle_stage_is_the_identity_bit_for_bit(rng, stage):
    x = bursts(rng, 8_000, 2)
    assert np.array_equal(in_blocks(Chain([stage]), x, 1000)[0], x)


def test_silence_stays_silence():
    x = np.zeros((5_000, 2))
    assert not in_blocks(FULL, x, 512)[0].any()


@pytest.mark.parametrize("value", [1.0, -1.0, 1e-310, 5e-324])
def test_dc_full_scale_and_denormals_come_out_finite(value):
    x = np.full((3_000, 1), value)
    assert np.isfinite(in_blocks(FULL, x, 700)[0]).all()


def stages():
    """Strategies for any stage."""
    levels = st.floats(-80.0, 0.0)
    times = st.sampled_from([0.0, 0.0005, 0.003, 0.02, 0.3])
    bells = st.builds(
        Bell, frequency=st.floats(20.0, 20e3), gain=st.floats(-18.0, 18.0), q=st.floats(0.1, 20.0)
    )
    dynamics = {
        "threshold": levels,
        "ratio": st.sampled_from([1.0, 1.5, 4.0, 20.0, np.inf]),
        "knee": st.floats(0.0, 24.0),
        "attack": times,
        "release": times,
        "window": times,
        "lookahead": times,
        "detector": st.sampled_from(["peak", "rms"]),
        "range": st.none() | st.floats(0.0, 30.0),
    }
    return st.one_of(
        st.builds(Gain, gain=st.floats(-24.0, 12.0)),
        st.builds(Eq, bands=st.lists(bells, max_size=4).map(tuple)),
        st.builds(
            Deess,
            frequency=st.floats(2e3, 9e3),
            sense=st.sampled_from(["band", "share"]),
            phase=st.sampled_from(["linear", "minimum"]),
            **dynamics,
        ),
        st.builds(Compress, mix=st.floats(0.0, 1.0), link=st.booleans(), **dynamics),
    )


@settings(max_examples=40)
@given(
    st.lists(stages(), max_size=4),
    st.integers(1, 3),
    st.integers(1, 3000),
    st.integers(1, 900),
    st.integers(0, 2**32),
)
def test_any_chain_gives_finite_audio_of_the_same_length_in_any_blocks(
    chosen, channels, frames, size, seed
):
    x = bursts(np.random.default_rng(seed), frames, channels)
    whole, _ = in_blocks(Chain(chosen), x, frames)
    assert whole.shape == x.shape
    assert np.isfinite(whole).all()
    assert np.array_equal(in_blocks(Chain(chosen), x, size)[0], whole)


def test_process_on_arrays_is_the_stream(rng):
    x = bursts(rng, 20_000)[:, 0]
    processed = FULL.process(x, 48000)
    assert processed.audio.shape == x.shape
    assert np.array_equal(processed.audio, in_blocks(FULL, x[:, None], 999)[0][:, 0])
    names = ["gain", "ride", "deess", "deess-2", "compress", "compress-2"]
    assert list(processed.gains) == names


@pytest.mark.parametrize(
    ("x", "message"),
    [
        (np.zeros(0), "not empty"),
        (np.zeros((2, 2, 2)), "not empty"),
        (np.array([0.0, 0.0, np.nan]), "frame 2 is not finite"),
    ],
)
def test_process_refuses_what_is_no_audio(x, message):
    with pytest.raises(ValueError, match=message):
        FULL.process(x, 48000)


@pytest.mark.parametrize("channels", [0, -1, 33, 48000, 1.5])
def test_channels_that_no_sound_has_are_refused(channels):
    """At once, and not where memory ends: sound with its axes swapped has thousands."""
    whole = Chain([])
    told = rf"^{channels} channels; audio is \(frames, channels\) with 1 to 32 channels$"
    for use in (
        lambda: whole.stream(48000, channels),
        lambda: chainkit.prepare(whole, 48000, channels, list),
        lambda: chainkit.Prepared(whole).stream(48000, channels),
    ):
        with pytest.raises(ValueError, match=told):
            use()


def test_sound_with_its_axes_swapped_is_refused():
    with pytest.raises(ValueError, match=r"^48000 channels; audio is \(frames, channels\)"):
        FULL.process(np.zeros((2, 48000)), 48000)


def test_as_many_channels_as_a_file_may_have_are_taken():
    assert Chain([]).process(np.zeros((10, 32)), 48000).audio.shape == (10, 32)


def test_a_whole_rate_may_be_a_float(rng):
    x = bursts(rng, 5_000)[:, 0]
    levelled = replace(FULL, working_level=-20.0)
    for rate in (48000.0, np.float32(48000), np.int64(48000)):
        assert np.array_equal(levelled.process(x, rate).audio, levelled.process(x, 48000).audio)


def test_working_level_makes_a_chain_level_independent(rng):
    # Room noise that the absolute gate of BS.1770 passes at one recording level and not at another.
    x = bursts(rng, 144_000) + noise(rng, -78.0, 144_000)
    x[48_000:96_000] = noise(rng, -64.0, 48_000)
    chain = Chain([Compress(threshold=-20.0, ratio=3.0), Deess(threshold=-40.0)], working_level=-20)
    plain = chain.process(x, 48000)
    for level in (-24.0, -12.0, 9.0):
        moved = chain.process(x * 10 ** (level / 20), 48000)
        np.testing.assert_allclose(moved.audio, plain.audio, rtol=0, atol=1e-9)
        assert moved.prepared.trim == pytest.approx(plain.prepared.trim - level, abs=1e-9)


def on_channels(x, *gains):
    """A mono voice (frames, 1) on several channels."""
    return x * np.array(gains)


@pytest.mark.parametrize(
    "gains",
    [(1.0, 1.0), (1.0, 0.0), (0.0, 1.0), (0.3, 1.0), (1.0,) * 6, (0.0, 0.0, 0.0, 9.0, 0.0, 1.0)],
)
def test_the_same_voice_is_treated_alike_on_any_channels(rng, gains):
    """On one, on both, on one of two, on six, in a surround beside a loud LFE (channel 4)."""
    x = bursts(rng, 96_000) + noise(rng, -78.0, 96_000)
    chain = Chain(
        [Compress(threshold=-30.0, ratio=3.0, link=False), Deess(threshold=-40.0)],
        working_level=-20.0,
    )
    alone, found = chain.process(x, 48000), chain.process(on_channels(x, *gains), 48000)
    assert found.prepared.trim == alone.prepared.trim
    if len(gains) == 2:
        channel = gains.index(1.0)
        np.testing.assert_allclose(found.audio[:, channel], alone.audio[:, 0], atol=1e-12)


def test_channels_that_are_silence_each_by_itself_are_not_trimmed(rng):
    """Their sum lies above −70 LUFS (noise of −71 dBFS is K-weighted to a little above that)."""
    x = np.repeat(noise(rng, -76.0, 96_000), 4, axis=1)
    prepared = prepare(Chain([EQ], working_level=-20.0), 48000, 4, lambda: [x])
    assert measure_loudness([x], 48000, 4) > -70.0
    assert prepared.trim == 0.0
    assert prepared.notes == (
        "no channel of the voice has a loudness (below -70 LUFS, or too short): no trim",
    )


@pytest.mark.parametrize("mix", [1.0, 0.5])
def test_matched_makeup_brings_back_the_loudness(rng, mix):
    x = bursts(rng, 96_000)
    chain = Chain([Compress(threshold=-30.0, ratio=4.0, makeup="match", mix=mix)])
    after = measure_loudness([chain.process(x, 48000).audio], 48000, 1)
    assert after == pytest.approx(measure_loudness([x], 48000, 1), abs=0.01)


def test_silence_has_no_loudness_and_says_so():
    prepared = prepare(Chain([EQ], working_level=-20.0), 48000, 1, lambda: [np.zeros((48000, 1))])
    assert prepared.trim == 0.0
    assert "no loudness" in prepared.notes[0]


def test_a_stream_that_needs_the_whole_voice_is_refused():
    with pytest.raises(UsageError, match="need the whole voice first"):
        chainkit.Chain([EQ], working_level=-20.0).stream(48000, 1)


def test_a_bypassed_stage_is_left_out(rng):
    x = bursts(rng, 4_000)
    audio, gains = in_blocks(FULL.bypassing(*(stage.name for stage in FULL.stages)), x, 500)
    assert np.array_equal(audio, x)
    assert gains == []


NO_BLOCKS = [
    (np.zeros((10, 3)), r"a block is \(frames, 2\); found \(10, 3\)"),
    (np.zeros((10, 1)), r"a block is \(frames, 2\); found \(10, 1\)"),
    (np.zeros(10), r"found \(10,\)"),
    ([0.0, 0.1], r"found \(2,\)"),
    (np.zeros((10, 2), dtype=np.int16), "audio is float with full scale ±1; found int16"),
    (np.full((10, 2), np.inf), "frame 0 is not finite"),
]


@pytest.mark.parametrize(("block", "message"), NO_BLOCKS)
def test_a_stream_refuses_blocks_that_are_not_its_own(block, message):
    stream = chainkit.Chain([EQ]).stream(48000, 2)
    with pytest.raises(ValueError, match=message):
        stream.process(block)


@pytest.mark.parametrize(("block", "message"), NO_BLOCKS)
@pytest.mark.parametrize(
    "chain",
    [
        Chain([], working_level=-20.0),
        Chain([Compress(threshold=-20.0, ratio=2.0, makeup="match")]),
        Chain([EQ, Compress(threshold=-20.0, ratio=2.0, makeup="match", mix=0.5)]),
    ],
    ids=["level", "match", "mixed"],
)
def test_what_is_measured_first_is_refused_alike(chain, block, message):
    """The compiled meters trust the shape: other channels than said wrote past their states."""
    with pytest.raises(ValueError, match=message):
        prepare(chain, 48000, 2, lambda: [np.full((100, 2), 0.1), block])


@pytest.mark.parametrize("stages", [[], [Gain(gain=3.0, bypass=True)], [Gain(gain=0.0)]])
def test_a_block_may_be_filled_anew_once_it_is_through(rng, stages):
    x = noise(rng, -20.0, 3000)
    stream, block, made = Chain(stages).stream(48000, 1), np.empty((1000, 1)), []
    for first in range(0, 3000, 1000):
        block[:] = x[first : first + 1000]
        made.append(stream.process(block).audio)
    np.testing.assert_array_equal(np.concatenate(made), x)


@pytest.mark.parametrize("phase", ["linear", "minimum"])
@pytest.mark.parametrize("detector", ["rms", "peak"])
@pytest.mark.parametrize("between", [0.0, 1e-6, 1e-4])
def test_a_share_is_that_of_sound_and_not_of_what_filters_leave(phase, detector, between):
    """A filter ahead rings into the silence between two phrases, the de-esser's own ahead of one.

    There a band may stand far above the whole, and a phrase must not begin turned down for it.
    """
    time = np.arange(24_000) / 48_000.0
    sung = sum(np.sin(2 * np.pi * 150 * k * time + k) / k**2 for k in range(1, 60))
    sung *= 0.2 * np.minimum(1.0, np.minimum(time, time[::-1]) / 0.002)
    x = np.concatenate([sung, np.zeros(24_000), sung])[:, None]
    x += between * np.sin(2 * np.pi * 40 * np.arange(len(x)) / 48_000.0)[:, None]
    deess = Deess(threshold=-12.0, sense="share", phase=phase, detector=detector)
    for stages in ([deess], [Eq(bands=(Highpass(frequency=80.0, slope=24),)), deess]):
        gain = Chain(stages).process(x, 48000).gains["deess"][:, 0]
        assert gain[48_000:].min() > gain[:24_000].min() - 1.0
        assert gain.min() > -4.5


@pytest.mark.parametrize(
    "band",
    [
        HighShelf(frequency=16.3, gain=-18.35, q=100.0),
        LowShelf(frequency=19_600.0, gain=-17.0, q=100.0),
        HighShelf(frequency=222.0, gain=15.0, q=50.0),
    ],
)
def test_the_lift_of_a_sharp_shelf_is_found_where_its_poles_ring(band):
    """Against scipy, on a grid that is fine about the poles which scipy finds."""
    sections = band.sections(48000)
    _, poles, _ = signal.sos2zpk(sections)
    at = abs(np.angle(poles[0])) * (1.0 + np.linspace(-0.01, 0.01, 20_001))
    _, there = signal.sosfreqz(sections, at)
    lift = greatest_lift(Chain([Eq(bands=(band,))]), 48000)
    assert lift.decibels == pytest.approx(20 * np.log10(np.abs(there).max()), abs=0.1)


def test_a_stream_is_used_once(rng):
    stream = chainkit.Chain([Deess(threshold=-40.0)]).stream(48000, 1)
    stream.process(noise(rng, -20.0, 500).astype(np.float32))
    stream.finish()
    with pytest.raises(ValueError, match="the stream is finished"):
        stream.process(noise(rng, -20.0, 500))
    with pytest.raises(ValueError, match="the stream is finished"):
        stream.finish()


@pytest.mark.parametrize(
    "rate", [0, -1, 44100.5, 1e9, float("nan"), 7999, "48000", None, [48000], True, 48000 + 0j]
)
def test_a_rate_that_no_sound_has_is_refused(rate):
    for use in (FULL.check, lambda rate: FULL.stream(rate, 1)):
        with pytest.raises(ValueError, match=r"is no whole number of Hz from 8000 to 384000"):
            use(rate)
    with pytest.raises(ValueError, match=r"rate=.* is no whole number"):
        Chain([]).process(np.zeros(1000), rate)


@pytest.mark.parametrize(
    ("option", "message"),
    [
        ({"force": "no"}, "force 'no' is not True or False$"),
        ({"detail": 1}, "detail 1 is not True or False$"),
        ({"allow_clipping": None}, "allow_clipping None is not True or False$"),
        ({"seed": 1.5}, "seed 1.5 is not a whole number from 0 to 9223372036854775807$"),
        ({"seed": -1}, "seed -1 is not a whole number"),
        ({"seed": 2**63}, "seed 9223372036854775808 is not a whole number"),
        ({"seed": True}, "seed True is not a whole number"),
        ({"log_step": "10 ms"}, "log_step '10 ms' is not a number from 0.0001 to 10, in s$"),
        ({"log_step": np.inf}, "log_step inf is not a number from"),
        ({"log_step": np.nan}, "log_step nan is not a number from"),
        ({"log_step": 1e12}, r"log_step 1000000000000.0 is not a number from"),
        ({"subtype": 16}, "subtype 16 is not text$"),
    ],
)
def test_options_are_checked_when_they_are_made(option, message):
    with pytest.raises(ValueError, match=f"^{message}"):
        chainkit.Options(**option)


def test_options_take_numbers_of_numpy():
    options = chainkit.Options(seed=np.int64(3), log_step=np.float32(0.5))
    assert options == chainkit.Options(seed=3, log_step=0.5)
    assert (type(options.seed), type(options.log_step)) == (int, float)


def test_what_is_no_chain_and_no_path_is_refused(tmp_path):
    """A number would be taken for an open file."""
    with pytest.raises(TypeError, match=r"as chainkit.load_chain gives one; found 'lead.yaml'"):
        chainkit.render("voice.wav", "lead.yaml", tmp_path / "out.wav")
    with pytest.raises(TypeError, match=r"such as Options\(force=True\); found \{'force': True\}"):
        chainkit.render("voice.wav", Chain([]), tmp_path / "out.wav", {"force": True})
    for load in (chainkit.load_chain, chainkit.load_songbook, chainkit.verify_record):
        with pytest.raises(TypeError, match="PathLike"):
            load(5)
