"""Sound files out and in again: exact samples, formats that follow, the same file each time."""

from __future__ import annotations

import struct
import wave

import numpy as np
import pytest
import riff
from hypothesis import given, settings
from hypothesis import strategies as st

from chainkit.audio.formats import BITS, CONTAINERS, output_format, subtypes
from chainkit.audio.reader import AudioReader, read
from chainkit.audio.writer import AudioWriter, write

EXTENSIONS = ("wav", "rf64", "w64", "aiff", "caf")
FORMATS = [
    (extension, subtype)
    for extension in (*EXTENSIONS, "flac")
    for subtype in subtypes(CONTAINERS[f".{extension}"])
]


def grid(rng, bits, shape):
    """Samples on the grid of `bits`, both ends of it among them."""
    codes = rng.integers(-(2 ** (bits - 1)), 2 ** (bits - 1), shape)
    codes[0], codes[-1] = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
    return codes / 2.0 ** (bits - 1)


def copied(reader, output, size=65536, **options):
    container, subtype = output_format(reader, output)
    with AudioWriter(
        output,
        rate=reader.rate,
        channels=reader.channels,
        container=container,
        subtype=subtype,
        **options,
    ) as writer:
        for block in reader.blocks(size):
            writer.write(block)
    return writer


@pytest.mark.parametrize("channels", [1, 2, 8])
@pytest.mark.parametrize(("extension", "subtype"), FORMATS)
def test_samples_come_back_exactly(tmp_path, rng, extension, subtype, channels):
    x = grid(rng, BITS.get(subtype, 24), (301, channels))
    path = tmp_path / f"x.{extension}"
    write(path, x, 48000, subtype=subtype)
    reader = AudioReader(path)
    assert (reader.rate, reader.channels, reader.frames) == (48000, channels, 301)
    assert (reader.container, reader.subtype) == (CONTAINERS[f".{extension}"], subtype)
    assert np.array_equal(read(path)[0], x)


@pytest.mark.parametrize("extension", [*EXTENSIONS, "flac"])
@pytest.mark.parametrize("rate", [8000, 11025, 44100, 96000, 384000])
def test_sample_rates_come_back(tmp_path, rng, extension, rate):
    path = tmp_path / f"x.{extension}"
    write(path, grid(rng, 16, (50, 1)), rate)
    assert read(path)[1] == rate


@pytest.mark.parametrize("extension", EXTENSIONS)
def test_32_channels_come_back(tmp_path, rng, extension):
    x = grid(rng, 24, (40, 32))
    write(tmp_path / f"x.{extension}", x, 96000)
    assert np.array_equal(read(tmp_path / f"x.{extension}")[0], x)


def test_24_bit_samples_are_code_over_two_to_the_23(tmp_path):
    """Decoded by hand from the bytes, and read by Python's own wave module."""
    codes = [-(2**23), -1, 0, 1, 2**23 - 1, 1193046]
    data = b"".join(code.to_bytes(3, "little", signed=True) for code in codes)
    path = tmp_path / "x.wav"
    path.write_bytes(riff.riff(riff.fmt(48000, 1, 24), riff.chunk(b"data", data)))
    assert read(path)[0][:, 0].tolist() == [code / 2**23 for code in codes]
    write(tmp_path / "y.wav", read(path)[0], 48000)
    with wave.open(str(tmp_path / "y.wav")) as file:
        assert file.readframes(6) == data


@given(
    codes=st.lists(st.integers(-(2**31), 2**31 - 1), min_size=1, max_size=30),
    bits=st.sampled_from([16, 24, 32]),
)
@settings(max_examples=30)
def test_any_codes_come_back(tmp_path, codes, bits):
    x = np.array([code >> (32 - bits) for code in codes]) / 2.0 ** (bits - 1)
    write(tmp_path / "x.caf", x, 44100, subtype=f"PCM_{bits}", force=True)
    assert np.array_equal(read(tmp_path / "x.caf")[0][:, 0], x)


@given(values=st.lists(st.floats(-1e9, 1e9), min_size=1))
@settings(max_examples=30)
def test_any_doubles_come_back(tmp_path, values):
    write(tmp_path / "x.wav", values, 44100, subtype="DOUBLE", force=True)
    assert read(tmp_path / "x.wav")[0][:, 0].tolist() == values


@given(values=st.lists(st.floats(-1e9, 1e9), min_size=1))
@settings(max_examples=30)
def test_32_bit_floats_are_the_nearest(tmp_path, values):
    write(tmp_path / "x.wav", values, 44100, subtype="FLOAT", force=True)
    assert read(tmp_path / "x.wav")[0][:, 0].tolist() == np.float32(values).tolist()


@pytest.mark.parametrize("size", [1, 17, 509, 4096, 100_000])
def test_blocks_do_not_depend_on_their_size(tmp_path, rng, size):
    x = grid(rng, 24, (1501, 2))
    write(tmp_path / "x.flac", x, 48000)
    reader = AudioReader(tmp_path / "x.flac")
    blocks = list(reader.blocks(size))
    assert np.array_equal(np.concatenate(blocks), x)
    assert all(block.flags.c_contiguous and block.dtype == np.float64 for block in blocks)
    assert {len(block) for block in blocks[:-1]} <= {size}


def test_blocks_start_again_and_stay_apart(tmp_path, rng):
    x = grid(rng, 24, (100, 2))
    write(tmp_path / "x.wav", x, 48000)
    reader = AudioReader(tmp_path / "x.wav")
    first, second = reader.blocks(60), reader.blocks(60)
    kept = next(first)
    kept[:] = 0.0
    assert np.array_equal(next(second), x[:60])
    assert np.array_equal(next(first), x[60:])


@pytest.mark.parametrize(("extension", "subtype"), [("wav", "PCM_24"), ("flac", "PCM_16")])
def test_an_idle_copy_is_the_same_file_without_dither(tmp_path, rng, extension, subtype):
    source, output = tmp_path / f"in.{extension}", tmp_path / f"out.{extension}"
    write(source, grid(rng, BITS[subtype], (5000, 2)), 48000, subtype=subtype)
    writer = copied(AudioReader(source), output)
    assert not writer.dithered
    assert AudioReader(output).sha256() == AudioReader(source).sha256()


def test_reading_leaves_the_input_alone(tmp_path, rng):
    path = tmp_path / "x.wav"
    write(path, grid(rng, 16, (100, 1)), 48000)
    path.chmod(0o444)
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    read(path)
    _ = AudioReader(path).metadata
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


@pytest.mark.parametrize(
    ("source", "subtype", "output", "expected"),
    [
        ("in.wav", "PCM_24", "out.wav", ("WAV", "PCM_24")),
        ("in.wav", "PCM_24", "OUT.FLAC", ("FLAC", "PCM_24")),
        ("in.rf64", "FLOAT", "out.wav", ("RF64", "FLOAT")),
        ("in.rf64", "FLOAT", "out.w64", ("W64", "FLOAT")),
        ("in.aiff", "PCM_16", "out.wav", ("WAV", "PCM_16")),
        ("in.caf", "PCM_S8", "out.wav", ("WAV", "PCM_U8")),
        ("in.wav", "PCM_U8", "out.caf", ("CAF", "PCM_S8")),
        ("in.wav", "PCM_U8", "out.aiff", ("AIFF", "PCM_16")),
        ("in.wav", "PCM_32", "out.bwf", ("WAV", "PCM_32")),
    ],
)
def test_the_output_format_follows_the_input(tmp_path, source, subtype, output, expected):
    write(tmp_path / source, np.zeros(10), 48000, subtype=subtype)
    assert output_format(AudioReader(tmp_path / source), output) == expected


def test_a_wav_file_of_extensible_format_stays_one(tmp_path):
    data = riff.chunk(b"data", bytes(12))
    (tmp_path / "in.wav").write_bytes(riff.riff(riff.fmt(48000, 1, 24, mask=4), data))
    reader = AudioReader(tmp_path / "in.wav")
    assert output_format(reader, "out.wav") == ("WAVEX", "PCM_24")


def test_the_output_format_can_be_chosen(tmp_path):
    write(tmp_path / "in.wav", np.zeros(10), 48000, subtype="FLOAT")
    reader = AudioReader(tmp_path / "in.wav")
    assert output_format(reader, "out.flac", "pcm_24") == ("FLAC", "PCM_24")


@pytest.mark.parametrize("subtype", ["PCM_16", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("extension", ["wav", "aiff"])
def test_the_same_samples_are_the_same_file_whatever_the_blocks(tmp_path, rng, extension, subtype):
    """Float files hold a PEAK chunk with a time stamp; ours is 0 whenever it was written."""
    x = rng.uniform(-0.9, 0.9, (3000, 2))
    form = {"rate": 48000, "channels": 2, "container": extension.upper(), "subtype": subtype}
    files = []
    for n, size in enumerate([1, 17, 3000]):
        files.append(tmp_path / f"{n}.{extension}")
        with AudioWriter(files[-1], seed=4, **form) as writer:
            for start in range(0, 3000, size):
                writer.write(x[start : start + size])
    contents = {file.read_bytes() for file in files}
    assert len(contents) == 1
    peak = contents.pop().partition(b"PEAK")[2]
    assert peak[8:12] == (b"" if subtype == "PCM_16" else bytes(4))


def test_seeds_choose_the_dither(tmp_path, rng):
    write(tmp_path / "in.wav", rng.uniform(-0.5, 0.5, 1000), 48000, subtype="DOUBLE")
    reader = AudioReader(tmp_path / "in.wav")
    form = {"rate": 48000, "channels": 1, "container": "WAV", "subtype": "PCM_16"}
    digests = []
    for n, seed in enumerate([1, 1, 2]):
        with AudioWriter(tmp_path / f"{n}.wav", seed=seed, **form) as writer:
            writer.write(next(reader.blocks()))
        assert writer.dithered
        digests.append(AudioReader(tmp_path / f"{n}.wav").sha256())
    assert digests[0] == digests[1] != digests[2]


@pytest.mark.parametrize(
    ("steps", "code"),
    [(-32769, -32768), (-32768, -32768), (32767, 32767), (32768, 32767), (70000, 32767)],
)
def test_samples_beyond_full_scale_are_held_there_when_allowed(tmp_path, steps, code):
    form = {"rate": 48000, "channels": 1, "container": "WAV", "subtype": "PCM_16"}
    with AudioWriter(tmp_path / "x.wav", allow_clipping=True, **form) as writer:
        writer.write(np.array([[steps / 32768]]))
    assert struct.unpack("<h", (tmp_path / "x.wav").read_bytes()[-2:]) == (code,)
    assert (writer.clipping is not None) == (steps != code)


def test_floats_beyond_full_scale_are_stored(tmp_path):
    write(tmp_path / "x.wav", [1.5, -3.0], 48000, subtype="FLOAT")
    assert read(tmp_path / "x.wav")[0][:, 0].tolist() == [1.5, -3.0]
