"""The demo recording: its files, its truth, its render, and the commands it proposes."""

import argparse
import csv
import importlib
import json
import shlex

import numpy as np
import pytest
import soundfile

from chainkit.chain import load_chain
from chainkit.cli.main import COMMANDS, main
from chainkit.demo import make_demo
from chainkit.errors import OutputError, UsageError
from chainkit.stages.eq import Bell

SHORT = 6.0


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    return make_demo(tmp_path_factory.mktemp("demo"), seconds=16.0, seed=3)


def table(path):
    with open(path, newline="") as file:
        return list(csv.DictReader(file))


def level(x):
    return 10 * np.log10(np.mean(np.square(x)))


def test_the_files_are_what_they_say(recording):
    voice, backing = soundfile.info(recording.voice), soundfile.info(recording.backing)
    assert (voice.channels, backing.channels) == (1, 2)
    for info in (voice, backing):
        assert (info.samplerate, info.subtype, info.frames) == (48000, "PCM_24", 16 * 48000)


@pytest.mark.parametrize("name", ["voice", "backing"])
def test_sounds_peak_at_half_of_full_scale(recording, name):
    x, _ = soundfile.read(getattr(recording, name))
    # Dither of 24 bits moves a peak by less than a millionth.
    assert 20 * np.log10(np.abs(x).max()) == pytest.approx(-6.0, abs=1e-4)


def test_the_truth_is_in_the_sound(recording):
    x, rate = soundfile.read(recording.voice)
    for row in table(recording.phrases):
        inside = x[
            round(float(row["start_seconds"]) * rate) : round(float(row["end_seconds"]) * rate)
        ]
        assert level(inside) == pytest.approx(float(row["level_db"]), abs=0.1)
    treble = np.diff(x, n=2)  # rises 12 dB an octave: what is left is hiss
    inside = np.zeros(len(treble), dtype=bool)
    for row in table(recording.sibilants):
        inside[
            round(float(row["start_seconds"]) * rate) : round(float(row["end_seconds"]) * rate)
        ] = True
    assert level(treble[inside]) > level(treble[~inside]) + 12.0


def test_the_truth_is_in_order_and_complete(recording):
    for name in ("sibilants", "phrases", "breaths", "plosives", "dull", "notes"):
        rows = table(getattr(recording, name))
        assert rows
        starts = [float(row["start_seconds"]) for row in rows]
        assert starts == sorted(starts)
        assert all(float(row["start_seconds"]) < float(row["end_seconds"]) < 16.0 for row in rows)
    assert {row["kind"] for row in table(recording.sibilants)} == {"s", "z", "sh", "ch"}
    assert len(table(recording.resonances)) == 1
    assert float(table(recording.swell)[-1]["seconds"]) >= 16.0


def test_the_chain_cuts_the_resonance_that_was_planted(recording):
    chain = load_chain(recording.chain)
    (planted,) = table(recording.resonances)
    (bell,) = [band for band in chain.stages[0].bands if isinstance(band, Bell)]
    assert bell.frequency == pytest.approx(float(planted["frequency_hz"]), rel=0.015)
    assert bell.gain == pytest.approx(-float(planted["gain_db"]), abs=0.06)
    assert bell.q == pytest.approx(float(planted["q"]), abs=0.06)


def test_the_chain_works_on_sibilants_and_loud_phrases(recording):
    chain = load_chain(recording.chain)
    x, rate = soundfile.read(recording.voice)
    gains = chain.process(x, rate).gains
    times = np.arange(len(x)) / rate
    hiss = np.any(
        [
            (times >= float(row["start_seconds"]) + 0.01)
            & (times < float(row["end_seconds"]) - 0.01)
            for row in table(recording.sibilants)
        ],
        axis=0,
    )
    turned_down = -gains["deess"][:, 0]
    assert 2.0 < np.mean(turned_down[hiss]) < 8.0
    assert np.mean(turned_down[~hiss]) < 1.0
    phrases = sorted(table(recording.phrases), key=lambda row: -float(row["level_db"]))
    idle = gains["compress"].max()  # makeup: some frame is not turned down
    first, last = (
        np.mean(
            idle
            - gains["compress"][
                (times > float(p["start_seconds"])) & (times < float(p["end_seconds"]))
            ]
        )
        for p in (phrases[0], phrases[-1])
    )
    assert 2.0 < first < 7.0
    assert last < first / 2


def test_the_same_seed_makes_the_same_files(tmp_path):
    folders = [tmp_path / name for name in ("one", "two")]
    recordings = [make_demo(folder, seconds=SHORT, seed=5, register="high") for folder in folders]
    for name in vars(recordings[0]):
        one, two = (getattr(recording, name).read_bytes() for recording in recordings)
        assert one == two


def test_a_folder_with_files_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(OutputError, match="not empty"):
        make_demo(tmp_path, seconds=SHORT)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
    make_demo(tmp_path, seconds=SHORT, force=True)
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_a_file_in_the_folder_s_place_is_left_alone(tmp_path):
    (tmp_path / "demo").write_text("mine")
    with pytest.raises(OutputError, match="is a file"):
        make_demo(tmp_path / "demo", seconds=SHORT)
    assert (tmp_path / "demo").read_text() == "mine"


def test_a_demo_that_cannot_be_written_leaves_no_folder(tmp_path, monkeypatch):
    def full(*truth):
        raise OutputError("no space left on device")

    monkeypatch.setattr("chainkit.demo._write_truth", full)
    for directory in (tmp_path / "demo", tmp_path / "new" / "demo"):
        with pytest.raises(OutputError, match="no space left"):
            make_demo(directory, seconds=SHORT)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("seconds", [1.0, 1e6, float("nan")])
def test_a_length_out_of_range_is_refused(tmp_path, seconds):
    with pytest.raises(UsageError, match="between 3 s and 600 s"):
        make_demo(tmp_path / "demo", seconds=seconds)
    assert not (tmp_path / "demo").exists()


def test_the_command_renders_the_recording_and_says_what_is_next(tmp_path, capsys):
    folder = tmp_path / "a demo"
    assert main(["demo", str(folder), "--length", "6 s", "--seed", "2"]) == 0
    record = json.loads((folder / "rendered.record.json").read_text())
    assert record["voice"]["file"] == "voice.wav"
    assert soundfile.info(folder / "rendered.wav").frames == 6 * 48000
    assert (folder / "rendered.gr.csv").exists()
    assert "next" in capsys.readouterr().out

    assert main(["demo", str(folder), "--length", "6 s"]) == 4
    assert "not empty" in capsys.readouterr().err
    assert main(["demo", str(folder), "--length", "4 s", "--force"]) == 0
    assert soundfile.info(folder / "rendered.wav").frames == 4 * 48000


def test_the_proposed_commands_are_spelt_right(tmp_path):
    from chainkit.cli.demo import next_steps

    lines = [line.strip() for line in next_steps(tmp_path / "a demo").splitlines()]
    proposed = [shlex.split(line) for line in lines if line.startswith("chainkit ")]
    assert len(proposed) >= 4
    for _, command, *words in proposed:
        assert command in COMMANDS
        parser = argparse.ArgumentParser(exit_on_error=False)
        importlib.import_module(f"chainkit.cli.{command}").add_arguments(parser)
        parser.parse_args(words)
