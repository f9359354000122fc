"""Nothing but sound takes the place of a recording, whatever ``--force`` allows."""

from __future__ import annotations

import os
import shutil

import pytest

from chainkit.audio.atomic import atomic_file, refuse_sound
from chainkit.audio.writer import write
from chainkit.cli.main import main
from chainkit.errors import OutputError, UsageError

RATE = 16000
COMMANDS = {
    "scout chain": ["scout", "voice.wav", "--write", "OUT"],
    "timeline": ["measure", "voice.wav", "--timeline", "OUT"],
    "sibilants": ["measure", "voice.wav", "--sibilants", "OUT"],
    "rides": ["ride", "voice.wav", "-o", "OUT"],
    "preset": ["presets", "copy", "airy-double", "OUT"],
    "measure plot": ["measure", "voice.wav", "--plot", "OUT"],
    "scout plot": ["scout", "voice.wav", "--plot", "OUT"],
    "ride plot": ["ride", "voice.wav", "-o", "rides.csv", "--plot", "OUT"],
    "check plot": ["check", "chain.yaml", "--plot", "OUT"],
}
ENDINGS = {"preset": ".yaml", "scout chain": ".yaml", "timeline": ".csv", "sibilants": ".csv"}


@pytest.fixture
def folder(tmp_path, monkeypatch, rng):
    monkeypatch.chdir(tmp_path)
    for name in ("voice.wav", "other.wav", "other.flac"):
        write(name, 0.1 * rng.standard_normal(RATE), RATE)
    (tmp_path / "chain.yaml").write_text("chainkit: 1\nstages: []\n")
    return tmp_path


def run(command, out):
    return main([out if word == "OUT" else word for word in COMMANDS[command]] + ["--force"])


@pytest.mark.parametrize("name", ["other.wav", "other.flac", "new.AIFF"])
@pytest.mark.parametrize("command", COMMANDS)
def test_a_name_that_is_a_sound_s_is_refused(folder, capsys, command, name):
    there = sorted(os.listdir())
    kept = {path: path.read_bytes() for path in folder.glob("other.*")}
    assert run(command, name) == 2
    assert name in capsys.readouterr().err
    assert sorted(os.listdir()) == there
    assert all(path.read_bytes() == data for path, data in kept.items())


@pytest.mark.parametrize("command", COMMANDS)
def test_a_recording_under_another_name_is_kept(folder, capsys, command):
    """Also behind a link."""
    out = f"taken{ENDINGS.get(command, '.csv' if command == 'rides' else '.png')}"
    os.symlink("other.wav", out)
    data = (folder / "other.wav").read_bytes()
    assert run(command, out) == 4
    assert f"{out} is a sound file; it is kept" in capsys.readouterr().err
    assert (folder / "other.wav").read_bytes() == data


def test_a_render_s_log_is_no_place_for_one_either(folder, capsys):
    shutil.copy("other.wav", "out.gr.csv")
    asked = ["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav", "--force"]
    assert main(asked) == 4
    assert "out.gr.csv is a sound file; it is kept" in capsys.readouterr().err
    assert not os.path.exists("out.wav")


@pytest.mark.parametrize("head", [b"OggS", b"ID3\x04", b".snd", b"BW64", b"caff"])
def test_recordings_that_are_only_read_are_known_too(tmp_path, head):
    path = tmp_path / "take.csv"
    path.write_bytes(head + bytes(60))
    with pytest.raises(OutputError, match="is a sound file"), atomic_file(path, force=True):
        pass


def test_what_is_no_sound_may_be_replaced(tmp_path):
    path = tmp_path / "rides.csv"
    path.write_text("RIDES\n")
    with atomic_file(path, force=True) as file:
        file.write("new")
    assert path.read_text() == "new"
    os.mkfifo(tmp_path / "pipe.csv")
    refuse_sound(tmp_path / "pipe.csv")  # is not waited for
    with pytest.raises(UsageError, match="give it its own ending"):
        refuse_sound(tmp_path / "new.w64")


def test_sound_may_replace_sound(folder):
    asked = ["render", "voice.wav", "--chain", "chain.yaml", "-o", "other.wav", "--force"]
    assert main(asked) == 0
