"""The ``bext`` chunk against EBU Tech 3285 v2 (2011), 64-bit files against EBU Tech 3306 (2009)
and Rec. ITU-R BS.2088-1 (2019); other chunks of a WAV file come through as they stand.
"""

from __future__ import annotations

import struct
import wave

import numpy as np
import pytest
import riff
import soundfile

from chainkit.audio.chunks import append_chunks
from chainkit.audio.formats import output_format
from chainkit.audio.metadata import BroadcastLoudness, coding_history_line, revised_bext
from chainkit.audio.reader import AudioReader
from chainkit.audio.writer import AudioWriter
from chainkit.errors import AudioFileError, UsageError

FRAMES = 11  # of 24 bits in mono: 33 bytes, so that data end on an odd byte
DATA = bytes(range(3 * FRAMES))
UNUSED = b"\xff\x7f"


def wav(path, *chunks, rate=48000, before=()):
    path.write_bytes(riff.riff(*before, riff.fmt(rate, 1, 24), riff.chunk(b"data", DATA), *chunks))
    return path


def carried(source, output, *, loudness=None, seed=0):
    """Copy the samples of `source`; the chunks of the output."""
    reader = AudioReader(source)
    container, subtype = output_format(reader, output)
    with AudioWriter(
        output,
        rate=reader.rate,
        channels=reader.channels,
        container=container,
        subtype=subtype,
        metadata=reader.metadata,
        seed=seed,
    ) as writer:
        for block in reader.blocks():
            writer.write(block)
        if loudness is not None:
            writer.metadata = writer.metadata.with_loudness(loudness)
    return riff.chunks_of(output.read_bytes())


@pytest.mark.parametrize(
    ("rate", "count", "stored"),
    [
        (48000, 3600 * 48000, "00b84c0a00000000"),  # 01:00:00
        (96000, 36000 * 96000, "0060fecd00000000"),  # 10:00:00
        (44100, 45000 * 44100 + 22050, "4267497600000000"),  # 12:30:00.5
        (192000, 86399 * 192000, "0012c2dc03000000"),  # 23:59:59, high word 3
    ],
)
def test_time_reference_comes_through_with_both_words(tmp_path, rate, count, stored):
    """Tech 3285 v2, 2.3: first sample count since midnight, low word, then high word."""
    source = wav(tmp_path / "in.wav", riff.chunk(b"bext", riff.bext(count)), rate=rate)
    out = carried(source, tmp_path / "out.wav")
    assert out[b"bext"][338:346].hex() == stored


@pytest.mark.parametrize("history_bytes", [0, 1, 12_000, 100_001])
def test_all_but_loudness_and_umid_comes_through_byte_for_byte(tmp_path, history_bytes):
    """Tech 3285 v2, 2.3: fixed fields take 602 bytes, coding history the rest, of any length.

    The UMID is that of the input's material alone (SMPTE ST 330); zeros for none, from memory.
    """
    history = (b"A=PCM,F=48000,W=24,M=mono,T=Mk1\r\n" * 4000)[:history_bytes]
    original = riff.bext(1234, loudness=bytes(range(10)), history=history)
    out = carried(
        wav(tmp_path / "in.wav", before=[riff.chunk(b"bext", original)]), tmp_path / "out.wav"
    )[b"bext"]
    assert out[:348] == original[:348]
    assert original[348:412] != bytes(64) == out[348:412]
    assert out[412:422] == 5 * UNUSED
    assert out[422:602] == original[422:602]
    assert out[602 : 602 + history_bytes] == history
    assert out[602 + history_bytes :].strip() == b"A=PCM,F=48000,W=24,M=mono,T=chainkit"


@pytest.mark.parametrize("version", [0, 1])
def test_reserved_bytes_of_older_versions_stay(tmp_path, version):
    """Tech 3285 v2: versions 0 and 1 have no loudness fields, 0 no UMID; those are reserved."""
    original = riff.bext(5, version=version)
    out = carried(wav(tmp_path / "in.wav", riff.chunk(b"bext", original)), tmp_path / "out.wav")
    assert out[b"bext"][:348] + out[b"bext"][412:602] == original[:348] + original[412:]
    assert out[b"bext"][348:412] == bytes(64)


def test_loudness_of_the_output_is_stored_in_hundredths(tmp_path):
    """Tech 3285 v2, 2.3: int16, round(100 · value): −23.00 LUFS is 04 f7, −1.00 dBTP is 9c ff."""
    source = wav(tmp_path / "in.wav", riff.chunk(b"bext", riff.bext(version=1)))
    loudness = BroadcastLoudness(-23.0, None, -1.0, float("-inf"), -0.005)
    bext = carried(source, tmp_path / "out.wav", loudness=loudness)[b"bext"]
    assert bext[412:422].hex(" ") == "04 f7 ff 7f 9c ff ff 7f 00 00"
    assert struct.unpack_from("<H", bext, 346) == (2,)


@pytest.mark.parametrize(
    ("history", "kept"),
    [
        (b"", b""),
        (b"first\r\n", b"first\r\n"),
        (b"first", b"first\r\n"),
        (b"first\r\n\0\0\0", b"first\r\n"),
    ],
)
def test_coding_history_gains_one_line(history, kept):
    """EBU R 98: lines end with CR LF. A line after NUL padding would not be read."""
    revised = revised_bext(riff.bext(history=history), b"new\r\n")
    assert revised[602:] == kept + b"new\r\n"


def test_a_bext_chunk_shorter_than_its_fields_stays_as_it_is():
    assert revised_bext(b"too short", b"new\r\n") == b"too short"


@pytest.mark.parametrize(
    ("channels", "subtype", "line"),
    [
        (1, "PCM_24", b"A=PCM,F=48000,W=24,M=mono,T=chainkit\r\n"),
        (2, "FLOAT", b"A=PCM,F=48000,W=32,M=stereo,T=chainkit; floating point\r\n"),
        (6, "PCM_16", b"A=PCM,F=48000,W=16,T=chainkit; 6 channels\r\n"),
    ],
)
def test_coding_history_line_has_the_form_of_ebu_r98(channels, subtype, line):
    assert coding_history_line(48000, channels, subtype) == line


def labelled_cues():
    """A cue point at frame 7 with a label; Multimedia Programming Interface 1.0 (1991)."""
    cue = struct.pack("<I", 1) + struct.pack("<II4sIII", 1, 7, b"data", 0, 0, 7)
    label = riff.chunk(b"labl", struct.pack("<I", 1) + b"verse\0")
    return riff.chunk(b"cue ", cue), riff.chunk(b"LIST", b"adtl" + label)


@pytest.mark.parametrize("place", ["before", "after"])
def test_cues_labels_text_and_ixml_come_through(tmp_path, place):
    cue, labels = labelled_cues()
    text = riff.chunk(b"LIST", b"INFO" + riff.chunk(b"INAM", b"Invented song\0"))
    ixml = riff.chunk(b"iXML", b"<BWFXML><NOTE>odd</NOTE></BWFXML>")
    chunks = [cue, labels, text, ixml, riff.chunk(b"JUNK", b"left behind")]
    sides = {"before": {"before": chunks}, "after": {}}[place]
    source = wav(tmp_path / "in.wav", *([] if sides else chunks), **sides)
    carried(source, tmp_path / "out.wav")
    out = (tmp_path / "out.wav").read_bytes()
    assert out.endswith(cue + labels + text + ixml)
    assert b"left behind" not in out


def test_the_output_is_a_wav_file_to_another_reader(tmp_path):
    """Python's own wave module, and the RIFF size: file length − 8."""
    source = wav(tmp_path / "in.wav", riff.chunk(b"bext", riff.bext(history=b"odd")))
    carried(source, tmp_path / "out.wav")
    data = (tmp_path / "out.wav").read_bytes()
    assert struct.unpack_from("<I", data, 4) == (len(data) - 8,)
    with wave.open(str(tmp_path / "out.wav")) as file:
        assert file.getparams()[:4] == (1, 3, 48000, FRAMES)
        assert file.readframes(FRAMES) == DATA


def test_chunks_behind_a_forgotten_pad_byte_are_found(tmp_path):
    body = riff.fmt(48000, 1, 24) + riff.chunk(b"data", DATA)[:-1]
    body += riff.chunk(b"bext", riff.bext(77))
    (tmp_path / "in.wav").write_bytes(riff.riff(body))
    chunks = AudioReader(tmp_path / "in.wav").metadata.chunks
    assert chunks == ((b"bext", riff.bext(77)),)


def test_chunks_are_added_at_even_places_only(tmp_path):
    source = wav(tmp_path / "in.wav")
    source.write_bytes(source.read_bytes()[:-1])
    append_chunks(source, [(b"bext", riff.bext(77)), (b"iXML", b"odd"), (b"_PMX", b"even")])
    assert AudioReader(source).metadata.names == ("bext", "iXML", "_PMX")
    assert source.stat().st_size % 2 == 0


def test_chunks_cannot_make_a_riff_file_pass_4_gib(tmp_path):
    source = wav(tmp_path / "in.wav")
    with open(source, "r+b") as file:
        file.truncate((1 << 32) - 10)
    with pytest.raises(ValueError, match="a RIFF file cannot pass 4 GiB"):
        append_chunks(source, [(b"iXML", bytes(100))])


def test_chunks_cut_off_at_the_end_are_left_behind(tmp_path):
    source = wav(tmp_path / "in.wav", riff.chunk(b"bext", riff.bext(77)))
    source.write_bytes(source.read_bytes()[:-10])
    assert AudioReader(source).metadata.names == ()


def test_an_enormous_chunk_is_refused(tmp_path):
    source = wav(tmp_path / "in.wav", b"bext" + struct.pack("<I", 2 << 30))
    with open(source, "r+b") as file:
        file.truncate(3 << 30)
    with pytest.raises(AudioFileError, match="'bext' chunk of 2147483648 bytes is too long"):
        _ = AudioReader(source).metadata


def test_containers_without_such_chunks_say_what_they_leave_out(tmp_path):
    source = wav(tmp_path / "in.wav", riff.chunk(b"bext", riff.bext()))
    metadata = AudioReader(source).metadata
    form = {"rate": 48000, "channels": 1, "subtype": "PCM_24", "metadata": metadata}
    assert AudioWriter(tmp_path / "o.flac", container="FLAC", **form).left_out == ("bext",)
    assert AudioWriter(tmp_path / "o.wav", container="WAV", **form).left_out == ()


def test_what_tells_of_the_samples_stays_behind_and_is_named(tmp_path):
    """EBU Tech 3285 supplement 3, ``levl``: an envelope of the peaks, stale once they change."""
    kept = [riff.chunk(name, b"kept") for name in (b"cart", b"chna", b"axml")]
    left = [riff.chunk(name, b"left") for name in (b"levl", b"MD5 ", b"\x1b[0m", b"levl", b"LIST")]
    source = wav(tmp_path / "in.wav", *kept, *left, riff.chunk(b"PAD ", b"left"))
    metadata = AudioReader(source).metadata
    assert metadata.unknown == ("levl", "MD5", "?[0m", "LIST")
    form = {"rate": 48000, "channels": 1, "subtype": "PCM_24", "metadata": metadata}
    assert AudioWriter(tmp_path / "o.wav", container="WAV", **form).left_out == metadata.unknown
    carried(source, tmp_path / "out.wav")
    assert (tmp_path / "out.wav").read_bytes().endswith(b"".join(kept))


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC"])
@pytest.mark.parametrize("subtype", ["PCM_24", "FLOAT"])
def test_plain_files_leave_nothing_behind(tmp_path, container, subtype):
    if not soundfile.check_format(container, subtype):
        return
    soundfile.write(tmp_path / "a", np.zeros((9, 2)), 48000, subtype, format=container)
    assert AudioReader(tmp_path / "a").metadata.unknown == ()


def test_markers_of_another_container_are_named(tmp_path):
    source = tmp_path / "in.aiff"
    soundfile.write(source, np.zeros(9), 48000, "PCM_16")
    with open(source, "ab") as file:
        file.write(b"MARK" + struct.pack(">I", 2) + bytes(2))
    assert AudioReader(source).metadata.unknown == ("MARK",)


def test_loudspeaker_positions_come_through(tmp_path):
    """WAVE_FORMAT_EXTENSIBLE, channel mask: 0x60F, side loudspeakers, is not the usual 0x3F."""
    source = tmp_path / "in.wav"
    data = riff.chunk(b"data", bytes(18 * 4))
    source.write_bytes(riff.riff(riff.fmt(48000, 6, 24, mask=0x60F), data))
    out = carried(source, tmp_path / "out.wav")[b"fmt "]
    assert struct.unpack_from("<I", out, 20) == (0x60F,)


def rf64(magic=b"RF64", size=0xFFFFFFFF, data_size=0xFFFFFFFF, table=b"", tail=b""):
    """An RF64 file of FRAMES frames; `size` and `data_size` are the 32-bit fields."""
    data = b"data" + struct.pack("<I", data_size) + DATA + b"\0"
    rest = riff.fmt(48000, 1, 24) + data + tail
    head = riff.ds64(4 + 36 + len(table) + len(rest), len(DATA), FRAMES, table)
    return magic + struct.pack("<I", size) + b"WAVE" + head + rest


@pytest.mark.parametrize(
    "variant",
    [
        {},
        {"magic": b"BW64"},
        {"size": 500},  # the true 32-bit size, as one of EBU's own test files has it
        {"data_size": len(DATA)},
        {"table": struct.pack("<4sQ", b"bext", 4)},  # the chunk's own size is to be believed
    ],
)
def test_rf64_and_bw64_are_read_leniently(tmp_path, variant):
    tail = riff.chunk(b"bext", riff.bext(2**33 + 5))
    (tmp_path / "in.wav").write_bytes(rf64(tail=tail, **variant))
    reader = AudioReader(tmp_path / "in.wav")
    assert (reader.container, reader.frames) == ("RF64", FRAMES)
    padded = np.frombuffer(DATA, np.uint8).reshape(-1, 3)
    codes = np.pad(padded, ((0, 0), (1, 0))).view("<i4")
    assert np.array_equal(next(reader.blocks()), codes / 2.0**31)
    assert reader.metadata.chunks == ((b"bext", riff.bext(2**33 + 5)),)


def test_rf64_stays_rf64_and_its_size_counts_the_chunks(tmp_path):
    """Tech 3306: riffSize, at offset 20, is the file's length less 8."""
    (tmp_path / "in.wav").write_bytes(rf64(tail=riff.chunk(b"bext", riff.bext(9))))
    out = carried(tmp_path / "in.wav", tmp_path / "out.wav")
    data = (tmp_path / "out.wav").read_bytes()
    assert data[:16] == b"RF64\xff\xff\xff\xffWAVEds64"
    assert struct.unpack_from("<QQQ", data, 20) == (len(data) - 8, len(DATA), FRAMES)
    assert out[b"bext"][338:346] == struct.pack("<Q", 9)


@pytest.fixture
def five_gigabytes(tmp_path):
    """A sparse RF64 file: 2.5·10⁹ frames of 16-bit mono, then a bext chunk."""
    frames = 2_500_000_000
    tail = riff.chunk(b"bext", riff.bext(4_000_000_000))
    fields = riff.fmt(48000, 1, 16) + b"data" + struct.pack("<I", 0xFFFFFFFF)
    size = 4 + 36 + len(fields) + 2 * frames + len(tail)
    head = b"RF64\xff\xff\xff\xffWAVE" + riff.ds64(size, 2 * frames, frames) + fields
    path = tmp_path / "long.wav"
    with open(path, "wb") as file:
        file.write(head)
        file.seek(2 * frames, 1)
        file.write(tail)
    return path


def test_files_over_4_gib_are_read(five_gigabytes):
    reader = AudioReader(five_gigabytes)
    assert reader.frames == 2_500_000_000
    assert reader.metadata.chunks == ((b"bext", riff.bext(4_000_000_000)),)
    assert next(reader.blocks(100)).shape == (100, 1)


def test_an_output_over_4_gib_becomes_rf64(tmp_path, five_gigabytes):
    reader = AudioReader(five_gigabytes)
    reader.container = "WAV"
    assert output_format(reader, "out.wav") == ("RF64", "PCM_16")
    assert output_format(reader, "out.wav", "FLOAT") == ("RF64", "FLOAT")
    assert output_format(reader, "out.caf") == ("CAF", "PCM_16")
    with pytest.raises(UsageError, match=r"out.aiff would pass 4 GiB, which AIFF cannot"):
        output_format(reader, "out.aiff")


def test_chunks_are_added_behind_4_gib(five_gigabytes):
    append_chunks(five_gigabytes, [(b"iXML", b"odd")])
    length = five_gigabytes.stat().st_size
    with open(five_gigabytes, "rb") as file:
        assert struct.unpack_from("<Q", file.read(28), 20) == (length - 8,)
        file.seek(length - 12)
        assert file.read() == b"iXML\x03\0\0\0odd\0"
    assert AudioReader(five_gigabytes).metadata.names == ("bext", "iXML")
