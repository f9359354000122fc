"""Every fault of a sound file or an output: one line that names it, nothing lost, nothing left."""

from __future__ import annotations

import os
import pickle
import re
import resource
import shutil
import struct
import subprocess
import sys
from contextlib import contextmanager

import numpy as np
import pytest
import riff
import soundfile

from chainkit.audio import atomic, folders, formats, leftovers
from chainkit.audio.atomic import atomic_file, refuse_same, together
from chainkit.audio.chunks import ChunkFile, overwrite
from chainkit.audio.folders import made_folder, pending_folder
from chainkit.audio.formats import check_subtype, output_format
from chainkit.audio.reader import AudioReader, read
from chainkit.audio.writer import AudioWriter, write
from chainkit.errors import (
    AudioFileError,
    ChainkitError,
    ClippingError,
    OutputError,
    SampleFormatError,
    UsageError,
)
from chainkit.measure import measure_file

FLOAT_WAV = {"rate": 48000, "channels": 2, "container": "WAV", "subtype": "FLOAT"}
NOISE = np.random.default_rng(3).uniform(-0.5, 0.5, (50_000, 2))


@contextmanager
def one_line(kind, match):
    """The block raises `kind` with a message of one line that matches."""
    with pytest.raises(kind, match=match) as caught:
        yield
    assert "\n" not in str(caught.value)


def listing(folder):
    return sorted(path.name for path in folder.iterdir())


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """The working folder, as a user without privileges sees it: root may write anywhere."""
    tmp_path.chmod(0o777)
    monkeypatch.chdir(tmp_path)
    if os.geteuid() != 0:
        yield tmp_path
        return
    os.seteuid(65534)
    yield tmp_path
    os.seteuid(0)


# Inputs


def test_a_missing_file():
    with one_line(AudioFileError, r"^nowhere/voice.wav does not exist$"):
        AudioReader("nowhere/voice.wav")


def test_a_folder(tmp_path):
    with one_line(AudioFileError, r"is a folder, not a sound file$"):
        AudioReader(tmp_path)


def test_a_pipe(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    with one_line(AudioFileError, r"pipe.wav is not a regular file$"):
        AudioReader(tmp_path / "pipe.wav")


@pytest.mark.parametrize("content", [b"", b"R", b"Dear engineer,\nplease mix this.\n"])
def test_a_text_file_named_wav(tmp_path, content):
    (tmp_path / "letter.wav").write_bytes(content)
    with one_line(AudioFileError, r"letter.wav is not a sound file that can be read$"):
        AudioReader(tmp_path / "letter.wav")


def test_a_file_that_may_not_be_read(folder):
    write("voice.wav", NOISE, 48000, subtype="FLOAT")
    os.chmod("voice.wav", 0)
    with one_line(AudioFileError, r"^voice.wav cannot be read: permission denied$"):
        AudioReader("voice.wav")


@pytest.mark.parametrize("extension", ["wav", "rf64", "w64", "aiff", "caf"])
def test_a_file_cut_short_names_both_counts(tmp_path, extension):
    path = tmp_path / f"voice.{extension}"
    write(path, NOISE[:2000], 48000, subtype="PCM_16")
    with open(path, "r+b") as file:
        file.truncate(path.stat().st_size - 4 * 500)
    with one_line(AudioFileError, r"cut short: its header promises 2000 frames, it holds 1500$"):
        AudioReader(path)


def test_a_file_cut_within_its_header(tmp_path):
    write(tmp_path / "voice.caf", NOISE, 48000, subtype="PCM_16")
    with open(tmp_path / "voice.caf", "r+b") as file:
        file.truncate(4196)
    with one_line(AudioFileError, r"promises 200000 bytes of samples, it holds 100$"):
        AudioReader(tmp_path / "voice.caf")


def test_a_flac_file_cut_short_names_both_counts(tmp_path):
    path = tmp_path / "voice.flac"
    write(path, NOISE, 48000, subtype="PCM_16")
    with open(path, "r+b") as file:
        file.truncate(path.stat().st_size // 2)
    with one_line(
        AudioFileError,
        r"damaged or cut short: its header promises 50000 frames, "
        r"it cannot be decoded beyond frame 2\d000$",
    ):
        list(AudioReader(path).blocks(1000))


@pytest.mark.parametrize(("frames", "promised"), [(1 << 31, 1 << 31), (1 << 62, 1 << 62)])
def test_an_rf64_file_that_promises_what_no_disk_holds(tmp_path, frames, promised):
    """EBU Tech 3306: the sizes are those of the ds64 chunk."""
    samples = bytes(2000)
    sizes = riff.ds64(2 * frames + 80, 2 * frames, frames)
    body = b"WAVE" + sizes + riff.fmt(48000, 1, 16) + b"data\xff\xff\xff\xff" + samples
    (tmp_path / "voice.wav").write_bytes(b"RF64\xff\xff\xff\xff" + body)
    told = f"cut short: its header promises {promised} frames, it holds 1000$"
    with one_line(AudioFileError, told):
        AudioReader(tmp_path / "voice.wav")


@pytest.mark.parametrize("size", [0x7FFFFFFFFFFFFFFF, 0xFFFFFFFFFFFFFFFF])
@pytest.mark.parametrize("extension", ["caf", "w64"])
def test_samples_until_the_end_are_no_promise(tmp_path, extension, size):
    """CAF: a size of -1 is not known yet; the greatest number is taken for that, too."""
    path = tmp_path / f"voice.{extension}"
    write(path, NOISE[:1000], 48000, subtype="PCM_16")
    data = ChunkFile(path).find(b"data")
    packed = struct.pack(">Q" if extension == "caf" else "<Q", size)
    overwrite(path, data.start - 8, packed)
    assert ChunkFile(path).data_bytes() is None


def test_a_flac_stream_of_unknown_length(tmp_path):
    """STREAMINFO counts samples in its last 36 bits ahead of the checksum; 0 is unknown."""
    path = tmp_path / "voice.flac"
    write(path, NOISE, 48000, subtype="PCM_16")
    data = bytearray(path.read_bytes())
    data[21] &= 0xF0
    data[22:26] = bytes(4)
    path.write_bytes(data)
    with one_line(AudioFileError, r"voice.flac does not say how long it is"):
        AudioReader(path)


def test_a_recording_to_a_pipe_is_read_to_its_end(tmp_path):
    """A size of 0xFFFFFFFF in a RIFF file: common practice, no source."""
    data = riff.fmt(48000, 1, 16) + b"data\xff\xff\xff\xff" + bytes(200)
    (tmp_path / "voice.wav").write_bytes(b"RIFF\xff\xff\xff\xffWAVE" + data)
    assert AudioReader(tmp_path / "voice.wav").frames == 100


@pytest.mark.parametrize("extension", ["wav", "rf64", "w64", "aiff", "caf"])
def test_a_file_without_frames(tmp_path, extension):
    write(tmp_path / f"voice.{extension}", np.zeros((0, 1)), 48000)
    with one_line(AudioFileError, rf"voice.{extension} has no frames$"):
        AudioReader(tmp_path / f"voice.{extension}")


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_the_first_sample_that_is_not_finite_is_named(tmp_path, value, subtype):
    samples = NOISE[:3000].astype("<f4" if subtype == "FLOAT" else "<f8")
    samples[2400, 1] = samples[2999, 0] = value
    head = struct.pack("<HHIIHH", 3, 2, 48000, 0, 2 * samples.itemsize, 8 * samples.itemsize)
    data = riff.chunk(b"fmt ", head) + riff.chunk(b"data", samples.tobytes())
    (tmp_path / "voice.wav").write_bytes(riff.riff(data))
    blocks = AudioReader(tmp_path / "voice.wav").blocks(1000)
    assert len(next(blocks)) == len(next(blocks)) == 1000
    with one_line(AudioFileError, rf"sample {value} at frame 2400 \(0.050 s\), channel 2, is not"):
        next(blocks)


@pytest.mark.parametrize("value", [1.0000001e9, -1e38, 1.7e308])
def test_the_first_sample_that_is_no_signal_is_named(tmp_path, value):
    samples = np.tile([1e9, -1e9], (3000, 1))
    samples[2400, 1] = samples[2999, 0] = value
    soundfile.write(tmp_path / "voice.wav", samples, 48000, subtype="DOUBLE")
    fault = rf"sample {re.escape(str(value))} at frame 2400 \(0.050 s\), channel 2, is no signal"
    with one_line(AudioFileError, rf"{fault}: beyond \+180 dBFS$"):
        read(tmp_path / "voice.wav")


def test_the_loudest_signal_is_read_and_measured(tmp_path):
    write(tmp_path / "voice.wav", 1e9 * np.sign(NOISE), 48000, subtype="DOUBLE")
    assert read(tmp_path / "voice.wav")[0].max() == 1e9
    assert measure_file(tmp_path / "voice.wav").sample_peak_dbfs == pytest.approx(180.0)


@pytest.mark.parametrize(
    ("rate", "channels", "match"),
    [
        (7999, 1, "sample rate of 7999 Hz, not within 8000 to 384000$"),
        (384001, 1, "sample rate of 384001 Hz"),
        (48000, 33, "has 33 channels; at most 32 are read$"),
    ],
)
def test_rates_and_channels_out_of_range(tmp_path, rate, channels, match):
    write(tmp_path / "voice.wav", np.zeros((10, channels)), rate)
    with one_line(AudioFileError, match):
        AudioReader(tmp_path / "voice.wav")


@pytest.mark.parametrize("extension", ["wav", "rf64", "w64", "aiff", "caf", "flac"])
def test_damaged_headers_are_refused_or_read_to_the_end(tmp_path, rng, extension):
    """Random bytes in the header: a clear refusal, or as many frames as the reader says."""
    path = tmp_path / f"voice.{extension}"
    write(path, NOISE[:300], 48000, subtype="PCM_24")
    sound = path.read_bytes()
    refused = 0
    for _ in range(60):
        damaged = bytearray(sound[: len(sound) - int(rng.choice([0, 0, 7, 900]))])
        for place in rng.integers(0, min(200, len(damaged)), 3):
            damaged[place] = rng.choice([0, 1, 127, 128, 255])
        path.write_bytes(damaged)
        try:
            reader = AudioReader(path)
            assert reader.frames == sum(map(len, reader.blocks()))
        except AudioFileError:
            refused += 1
    assert 0 < refused < 60


# Formats


def test_a_flac_file_without_frames_is_not_written(tmp_path):
    with one_line(OutputError, r"out.flac cannot be written as FLAC PCM_24$"):
        write(tmp_path / "out.flac", np.zeros((0, 1)), 48000)
    assert listing(tmp_path) == []


@pytest.mark.parametrize(
    ("output", "subtype", "match"),
    [
        ("out.mp9", None, r"out.mp9: '.mp9' names no format that can be written \(.wav, "),
        ("out.wva", None, r"did you mean '.wav'\?$"),
        ("out", None, r"out: has no extension"),
        (
            "out.flac",
            None,
            r"FLAC has no sample format 'FLOAT' \(PCM_S8, PCM_16, PCM_24\)$",
        ),
        (
            "out.wav",
            "PCM24",
            r"WAV has no sample format 'PCM24' .*did you mean 'PCM_24'\?$",
        ),
    ],
)
def test_formats_that_there_are_not(tmp_path, output, subtype, match):
    write(tmp_path / "in.wav", NOISE, 48000, subtype="FLOAT")
    with one_line(UsageError, match):
        output_format(AudioReader(tmp_path / "in.wav"), output, subtype)


def test_a_fault_of_sample_formats_goes_between_processes():
    with pytest.raises(SampleFormatError, match="^FLAC has no") as caught:
        check_subtype("FLAC", "FLOAT")
    again = pickle.loads(pickle.dumps(caught.value))
    assert str(again) == str(caught.value)
    assert (again.container, again.possible) == ("FLAC", ["PCM_S8", "PCM_16", "PCM_24"])


def test_too_many_channels_for_flac(tmp_path):
    write(tmp_path / "in.wav", np.zeros((10, 9)), 48000)
    with one_line(UsageError, r"^FLAC holds at most 8 channels, not 9$"):
        output_format(AudioReader(tmp_path / "in.wav"), "out.flac")
    with one_line(UsageError, r"^FLAC holds at most 8 channels, not 9$"):
        write(tmp_path / "out.flac", np.zeros((10, 9)), 48000)


def test_a_wav_file_that_would_pass_4_gib(tmp_path, monkeypatch):
    monkeypatch.setitem(formats._SIZE_LIMITS, "WAV", (1 << 20) + 4096)
    with (
        one_line(OutputError, r"out.wav would pass 4 GiB, which WAV cannot$"),
        AudioWriter(tmp_path / "out.wav", **FLOAT_WAV) as writer,
    ):
        writer.write(NOISE[:500])
        writer.write(NOISE[:500])
    assert listing(tmp_path) == []


# Outputs


ENDED = """
import os, sys
from chainkit.audio.atomic import atomic_file
from chainkit.audio.folders import pending_folder
with atomic_file("out.csv") as file, pending_folder("out") as folder:
    (folder / "half").touch()
    print("begun", flush=True)
    sys.stdin.read()
"""


def unfinished(folder):
    return set(folder.glob(".chainkit-*.part"))


def test_what_a_killed_process_left_goes_and_what_another_writes_stays(tmp_path):
    """A file and a folder of each; those of the process that lives are locked."""

    def begin():
        command = [sys.executable, "-c", ENDED]
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
        process = subprocess.Popen(command, cwd=tmp_path, **pipes)
        assert process.stdout.readline() == b"begun\n"
        return process

    alive = begin()
    kept = unfinished(tmp_path)
    killed = begin()
    assert len(kept) == 2
    assert kept < unfinished(tmp_path)
    killed.kill()
    killed.communicate()
    assert len(unfinished(tmp_path)) == 4
    write(tmp_path / "out.wav", NOISE, 48000, subtype="FLOAT")
    assert unfinished(tmp_path) == kept
    alive.communicate(b"")
    assert listing(tmp_path) == ["out.csv", "out.wav"]


def test_what_another_machine_or_anybody_else_left_stays(tmp_path):
    """Locks need not reach other machines, and what is named otherwise is none of ours."""
    (tmp_path / "precious").mkdir()
    (tmp_path / "precious" / "take").touch()
    own = leftovers.pending_name()
    foreign = leftovers.PENDING.replace("*", f"0{own.split('-')[1]}-{'a' * 16}")
    others = [foreign, own.replace(".part", "z.part"), f"my{own}"]
    for name in others:
        (tmp_path / name).mkdir()
    (tmp_path / leftovers.pending_name()).symlink_to("precious")
    os.mkfifo(tmp_path / leftovers.pending_name())  # to open it would wait for somebody
    before = listing(tmp_path)
    with pending_folder(tmp_path / "out"):
        pass
    write(tmp_path / "out.wav", NOISE, 48000, subtype="FLOAT")
    assert listing(tmp_path) == sorted([*before, "out.wav"])
    assert listing(tmp_path / "precious") == ["take"]


@pytest.mark.parametrize("kind", [folders._new_folder, atomic._new_file])
def test_what_is_taken_for_a_leftover_before_it_is_locked_is_made_again(tmp_path, kind):
    pending, made = tmp_path / leftovers.pending_name(), []

    def make(path):
        made.append(kind(path))
        if len(made) < 3:
            leftovers.remove_ended(tmp_path)
            assert not path.exists()
        return made[-1]

    lock = leftovers.held(pending, make)
    assert lock == made[2]
    leftovers.remove_ended(tmp_path)
    assert pending.exists()
    os.close(lock)
    leftovers.remove_ended(tmp_path)
    assert not pending.exists()


def test_a_made_folder_goes_again_where_nothing_came_into_it(tmp_path):
    with made_folder(tmp_path / "a" / "b", parents=True):
        assert (tmp_path / "a" / "b").is_dir()
    assert listing(tmp_path) == []
    with made_folder(tmp_path / "a" / "b", parents=True):
        (tmp_path / "a" / "file").touch()
    assert listing(tmp_path / "a") == ["file"]
    with one_line(OutputError, "there is no folder"), made_folder(tmp_path / "c" / "d"):
        pass
    with one_line(OutputError, "file exists$"), made_folder(tmp_path / "a" / "file"):
        pass
    with one_line(OutputError, "not a directory"), made_folder(tmp_path / "a/file/b", True):
        pass
    with made_folder(tmp_path / "a"):  # was there before
        (tmp_path / "a" / "file").unlink()
    assert listing(tmp_path) == ["a"]


def test_an_existing_file_is_kept(tmp_path):
    (tmp_path / "out.wav").write_bytes(b"precious")
    with one_line(OutputError, r"out.wav exists already$"):
        write(tmp_path / "out.wav", NOISE, 48000, subtype="FLOAT")
    assert (tmp_path / "out.wav").read_bytes() == b"precious"
    assert listing(tmp_path) == ["out.wav"]


def test_an_existing_file_is_replaced_when_forced(tmp_path):
    (tmp_path / "out.wav").write_bytes(b"dispensable")
    write(tmp_path / "out.wav", NOISE, 48000, subtype="FLOAT", force=True)
    assert AudioReader(tmp_path / "out.wav").frames == len(NOISE)
    assert listing(tmp_path) == ["out.wav"]


@pytest.mark.parametrize("links", [True, False], ids=["hard links", "no hard links"])
def test_a_file_that_comes_meanwhile_is_kept(tmp_path, monkeypatch, links):
    if not links:
        monkeypatch.setattr(atomic.os, "link", refuse_links)
    with (
        one_line(OutputError, r"out.wav exists already"),
        AudioWriter(tmp_path / "out.wav", **FLOAT_WAV) as writer,
    ):
        writer.write(NOISE)
        (tmp_path / "out.wav").write_bytes(b"precious")
    assert (tmp_path / "out.wav").read_bytes() == b"precious"
    assert listing(tmp_path) == ["out.wav"]


def refuse_links(source, target):
    raise PermissionError(1, "Operation not permitted")


def test_file_systems_without_hard_links_do(tmp_path, monkeypatch):
    monkeypatch.setattr(atomic.os, "link", refuse_links)
    write(tmp_path / "out.wav", NOISE, 48000, subtype="FLOAT")
    assert AudioReader(tmp_path / "out.wav").frames == len(NOISE)
    assert listing(tmp_path) == ["out.wav"]


def test_nothing_is_at_its_place_before_it_is_complete(tmp_path):
    with AudioWriter(tmp_path / "out.wav", **FLOAT_WAV) as writer:
        writer.write(NOISE)
        assert not (tmp_path / "out.wav").exists()
    assert listing(tmp_path) == ["out.wav"]


@pytest.mark.parametrize("fault", [KeyboardInterrupt, SystemExit, ZeroDivisionError])
def test_an_interrupt_leaves_nothing(tmp_path, fault):
    def interrupted():
        with AudioWriter(tmp_path / "out.wav", **FLOAT_WAV) as writer:
            writer.write(NOISE)
            raise fault

    with pytest.raises(fault):
        interrupted()
    assert listing(tmp_path) == []


def test_a_missing_folder(tmp_path):
    with one_line(OutputError, r"out.wav cannot be written: there is no folder '.*/missing'$"):
        write(tmp_path / "missing" / "out.wav", NOISE, 48000, subtype="FLOAT")


def test_a_link_into_a_missing_folder(tmp_path):
    (tmp_path / "out.wav").symlink_to("missing/real.wav")
    with one_line(OutputError, r"out.wav cannot be written: there is no folder '.*/missing'$"):
        write(tmp_path / "out.wav", NOISE, 48000, subtype="FLOAT")


@pytest.mark.skipif(not os.path.isdir("/proc"), reason="the system has no /proc")
def test_a_folder_that_takes_no_files():
    with one_line(OutputError, r"^/proc/x.wav cannot be written: no file can be made in '/proc'$"):
        write("/proc/x.wav", NOISE, 48000, subtype="FLOAT")


def test_a_file_taken_for_a_folder(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    with one_line(OutputError, r"out.wav cannot be written: not a directory$"):
        write(tmp_path / "file" / "out.wav", NOISE, 48000, subtype="FLOAT")


def test_a_name_that_is_too_long(tmp_path):
    with one_line(OutputError, r"cannot be written: file name too long$"):
        write(tmp_path / f"{'x' * 300}.wav", NOISE, 48000, subtype="FLOAT")


def test_a_folder_without_write_permission(folder):
    os.mkdir("locked", 0o555)
    with one_line(OutputError, r"^locked/out.wav cannot be written: permission denied$"):
        write("locked/out.wav", NOISE, 48000, subtype="FLOAT")


@pytest.mark.parametrize("force", [True, False])
def test_a_folder_or_a_device_in_the_way(tmp_path, force):
    """A named pipe stands for any device: replacing a real one would harm the machine."""
    (tmp_path / "out.wav").mkdir()
    with one_line(OutputError, r"out.wav is a folder; name a file in it$"):
        write(tmp_path / "out.wav", NOISE, 48000, subtype="FLOAT", force=force)
    os.mkfifo(tmp_path / "pipe.wav")
    with one_line(OutputError, r"pipe.wav is not a regular file$"):
        write(tmp_path / "pipe.wav", NOISE, 48000, subtype="FLOAT", force=force)


def test_a_symbolic_link_stays_and_what_it_names_is_written(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "out.wav").symlink_to("elsewhere/real.wav")
    write(tmp_path / "out.wav", NOISE, 48000, subtype="FLOAT")
    assert (tmp_path / "out.wav").is_symlink()
    assert listing(tmp_path / "elsewhere") == ["real.wav"]


@pytest.fixture
def file_size_limit():
    """Sets the limit until the test ends."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    yield lambda size: resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("share", [0.0, 0.0002, 0.5, 0.99])
@pytest.mark.parametrize("extension", ["wav", "rf64", "w64", "aiff", "caf", "flac"])
def test_a_write_that_fails_anywhere_leaves_nothing(tmp_path, file_size_limit, extension, share):
    """In the header, in the samples, at the end; FLAC keeps its last frames until it closes."""
    whole = tmp_path / f"in.{extension}"
    write(whole, NOISE, 48000, subtype="PCM_16")
    x = read(whole)[0]
    file_size_limit(int(share * whole.stat().st_size))
    with one_line(OutputError, rf"out.{extension} cannot be written: file too large$"):
        write(tmp_path / f"out.{extension}", x, 48000, subtype="PCM_16")
    assert listing(tmp_path) == [whole.name]


def test_metadata_that_no_longer_fit_leave_nothing(tmp_path, file_size_limit):
    write(tmp_path / "in.wav", NOISE, 48000, subtype="PCM_16")
    whole = (tmp_path / "in.wav").read_bytes()
    (tmp_path / "in.wav").write_bytes(whole + riff.chunk(b"bext", riff.bext()))
    reader = AudioReader(tmp_path / "in.wav")
    metadata, x = reader.metadata, read(tmp_path / "in.wav")[0]
    file_size_limit(len(whole) + 100)
    form = {**FLOAT_WAV, "subtype": "PCM_16", "metadata": metadata}
    with (
        one_line(OutputError, r"out.wav cannot be written: file too large$"),
        AudioWriter(tmp_path / "out.wav", **form) as writer,
    ):
        writer.write(x)
    assert listing(tmp_path) == ["in.wav"]


FULL_DISK = """
import os, sys
import numpy as np
from chainkit.audio.atomic import atomic_file
from chainkit.audio.writer import write
from chainkit.errors import OutputError

def sound():
    write("out.wav", np.zeros((100_000, 1)), 48000, subtype="FLOAT")

def text():
    with atomic_file("out.csv") as file:
        file.write("0" * 400_000)

os.chdir(sys.argv[1])
for attempt in (sound, text):
    try:
        attempt()
    except OutputError as fault:
        print(fault, os.listdir("."))
"""


def test_a_full_disk(tmp_path):
    """A disk of 256 KiB, mounted in a name space of its own."""
    own = ["unshare", "--mount", *(["--map-root-user"] if os.geteuid() else [])]
    mount = ["sh", "-c", f"mount -t tmpfs -o size=256k none '{tmp_path}' && exec \"$@\"", "sh"]
    if (
        not shutil.which("unshare")
        or subprocess.run([*own, *mount, "true"], check=False).returncode
    ):
        pytest.skip("no permission to mount a small disk here")
    command = [*own, *mount, sys.executable, "-c", FULL_DISK, str(tmp_path)]
    shown = subprocess.run(command, check=True, capture_output=True, text=True)
    assert shown.stdout.splitlines() == [
        "out.wav cannot be written: no space left on device []",
        "out.csv cannot be written: no space left on device []",
    ]
    assert shown.stderr == ""


@pytest.mark.parametrize("bad", [np.nan, np.inf, 1e39, -1.01e9])
def test_samples_that_cannot_be_stored_are_named(tmp_path, bad):
    block = NOISE[:100].copy()
    block[40, 1] = bad
    with (
        one_line(OutputError, r"at frame 140, channel 2, is not within \+180 dBFS$"),
        AudioWriter(tmp_path / "out.wav", **FLOAT_WAV) as writer,
    ):
        writer.write(NOISE[:100])
        writer.write(block)
    assert listing(tmp_path) == []


def test_samples_too_great_to_round_are_named(tmp_path):
    with one_line(OutputError, r"sample 1.7e\+308 at frame 0, channel 1, is not within \+180 dBFS"):
        write(tmp_path / "out.wav", [1.7e308], 48000, subtype="PCM_24")


def test_blocks_of_another_shape_are_a_fault_of_the_program(tmp_path):
    with (
        pytest.raises(ValueError, match=r"shape \(9, 1\) is not \(frames, 2\)"),
        AudioWriter(tmp_path / "out.wav", **FLOAT_WAV) as writer,
    ):
        writer.write(np.zeros((9, 1)))
    write(tmp_path / "in.wav", NOISE, 48000)
    with pytest.raises(ValueError, match="size=0 must be at least 1"):
        list(AudioReader(tmp_path / "in.wav").blocks(0))


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_clipping_is_refused_at_the_end(tmp_path, subtype):
    x = NOISE.copy()
    x[12000, 1], x[12003, 0] = 1.2, -1.5
    form = {**FLOAT_WAV, "subtype": subtype}
    with (
        one_line(
            ClippingError,
            r"out.wav would clip by up to 3.52 dB, first at frame 12000 \(0.250 s\), samples: 2; "
            r"a gain of -3.53 dB at the end cures it$",
        ),
        AudioWriter(tmp_path / "out.wav", **form) as writer,
    ):
        writer.write(x)
    assert listing(tmp_path) == []
    with AudioWriter(tmp_path / "out.wav", **form) as writer:
        writer.write(x * 10 ** (-3.53 / 20))
    assert listing(tmp_path) == ["out.wav"]


def test_exit_codes_tell_the_faults_apart():
    codes = [kind.exit_code for kind in (UsageError, AudioFileError, OutputError, ClippingError)]
    assert codes == [2, 3, 4, 4]
    assert issubclass(ClippingError, OutputError)
    assert issubclass(OutputError, ChainkitError)


# Input = output, and other files


@pytest.mark.parametrize("how", ["itself", "symbolic link", "hard link", "another spelling"])
def test_an_output_that_is_the_input(tmp_path, how):
    source, output = tmp_path / "in.wav", tmp_path / "out.wav"
    source.write_bytes(b"voice")
    if how == "symbolic link":
        output.symlink_to(source)
    elif how == "hard link":
        output.hardlink_to(source)
    else:
        output = source if how == "itself" else tmp_path / "." / ".." / tmp_path.name / "in.wav"
    with one_line(OutputError, r"is the input; choose another output$"):
        refuse_same(source, output)


def test_an_output_that_is_another_file(tmp_path):
    (tmp_path / "in.wav").write_bytes(b"voice")
    (tmp_path / "copy.wav").write_bytes(b"voice")
    refuse_same(tmp_path / "in.wav", tmp_path / "copy.wav")
    refuse_same(tmp_path / "in.wav", tmp_path / "new.wav")


def test_text_and_bytes_appear_when_complete(tmp_path):
    with atomic_file(tmp_path / "log.csv") as file:
        file.write("frame,µ\r\n")
        assert listing(tmp_path) != ["log.csv"]
    with atomic_file(tmp_path / "log.npz", mode="wb") as file:
        file.write(b"\r\n")
    assert (tmp_path / "log.csv").read_bytes() == "frame,µ\r\n".encode()
    assert listing(tmp_path) == ["log.csv", "log.npz"]


def test_a_file_that_fails_half_way_leaves_what_was_there(tmp_path):
    def failing():
        with atomic_file(tmp_path / "log.csv", force=True) as file:
            file.write("new")
            raise KeyError

    (tmp_path / "log.csv").write_text("old")
    with pytest.raises(KeyError):
        failing()
    assert (tmp_path / "log.csv").read_text() == "old"
    assert listing(tmp_path) == ["log.csv"]


def write_together(folder, last=lambda: None, force=False):
    before = listing(folder)
    with together():
        with atomic_file(folder / "a.csv", force) as file:
            file.write("new")
        write(folder / "b.wav", NOISE, 48000, subtype="FLOAT", force=force)
        assert [name for name in listing(folder) if not name.startswith(".")] == before
        last()
        with atomic_file(folder / "c.csv", force) as file:
            file.write("new")


def test_files_that_belong_together_appear_together(tmp_path):
    write_together(tmp_path)
    assert listing(tmp_path) == ["a.csv", "b.wav", "c.csv"]
    assert (tmp_path / "a.csv").read_text() == "new"
    write_together(tmp_path, force=True)
    assert listing(tmp_path) == ["a.csv", "b.wav", "c.csv"]


@pytest.mark.parametrize("fault", [KeyboardInterrupt, SystemExit, ZeroDivisionError])
def test_of_files_that_belong_together_none_is_left_alone(tmp_path, fault):
    (tmp_path / "c.csv").write_text("old")

    def failing():
        raise fault

    with pytest.raises(fault):
        write_together(tmp_path, failing, force=True)
    assert listing(tmp_path) == ["c.csv"]
    with pytest.raises(OutputError, match="c.csv exists already"):
        write_together(tmp_path)
    assert listing(tmp_path) == ["c.csv"]
    assert (tmp_path / "c.csv").read_text() == "old"


@pytest.mark.parametrize("links", [True, False])
def test_files_are_taken_back_where_the_next_cannot_follow(tmp_path, monkeypatch, links):
    """Somebody writes the second of three when all are complete and about to take their places."""
    if not links:
        monkeypatch.setattr(atomic.os, "link", refuse_links)

    def meanwhile():
        (tmp_path / "b.wav").write_bytes(b"mine")

    with pytest.raises(OutputError, match="b.wav exists already"):
        write_together(tmp_path, meanwhile)
    assert listing(tmp_path) == ["b.wav"]
    assert (tmp_path / "b.wav").read_bytes() == b"mine"


def test_a_pipe_is_no_regular_file(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with one_line(OutputError, r"pipe is not a regular file$"), atomic_file(tmp_path / "pipe"):
        pass


def test_the_fault_of_another_file_is_not_taken_for_the_output(tmp_path):
    with pytest.raises(FileNotFoundError, match="other.txt"), atomic_file(tmp_path / "log.csv"):
        (tmp_path / "other.txt").read_text()
    assert listing(tmp_path) == []


def test_permissions_are_those_of_any_new_file(tmp_path):
    (tmp_path / "plain").touch()
    write(tmp_path / "out.wav", NOISE, 48000, subtype="FLOAT")
    assert (tmp_path / "out.wav").stat().st_mode == (tmp_path / "plain").stat().st_mode
