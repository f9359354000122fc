"""`chainkit ride` on files: points, figures, messages, exit codes."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
import soundfile

from chainkit.audio.formats import CONTAINERS
from chainkit.chain import parse_chain
from chainkit.cli.main import main
from chainkit.dsp.backing import accompany
from chainkit.dsp.voice import sing
from chainkit.pages.plots import files
from chainkit.rides import RideSettings, find_rides, write_rides

RATE = 16000


@pytest.fixture(scope="module")
def sung():
    return sing(RATE, seconds=14.0, seed=4)


@pytest.fixture(scope="module")
def band():
    return accompany(RATE, 14.0, 4).audio


@pytest.fixture
def folder(tmp_path, monkeypatch, sung):
    monkeypatch.chdir(tmp_path)
    soundfile.write("lead.wav", sung.voice, RATE, "PCM_24")
    return tmp_path


def ride(*options):
    return main(["ride", "lead.wav", "-o", "rides.csv", *options])


def points():
    with open("rides.csv", newline="") as file:
        return [tuple(map(float, row.values())) for row in csv.DictReader(file)]


def test_moves_are_written_and_told(folder, capsys, sung):
    assert ride() == 0
    printed = capsys.readouterr().out
    assert (folder / "rides.csv").read_text().startswith("seconds,gain_db\n")
    assert f"{len(sung.phrases)} phrases" in printed
    assert "phrase-to-phrase spread" in printed
    assert len(points()) <= 7 * len(sung.phrases)


def test_the_ride_stage_takes_the_file_and_does_what_was_told(folder, capsys, sung):
    assert ride("--amount", "100 %", "--range", "12 dB", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    chain = parse_chain("chainkit: 1\nstages:\n  - ride: {file: rides.csv}\n", folder=folder)
    gain = chain.process(sung.voice, RATE).gains["ride"][:, 0]
    seconds, gains = np.array(points()).T
    np.testing.assert_allclose(gain, np.interp(np.arange(len(gain)) / RATE, seconds, gains))
    assert [point["seconds"] for point in told["points"]] == list(seconds)
    again = np.array([phrase["after_lufs"] for phrase in told["phrases"]])
    assert told["spread_after_lu"] == pytest.approx(again.std())
    assert told["spread_after_lu"] < 0.1 * told["spread_before_lu"]


def test_a_backing_at_another_rate_is_followed(folder, capsys):
    soundfile.write("backing.wav", accompany(44100, 14.0, 4).audio, 44100, "PCM_24")
    assert ride("--backing", "backing.wav", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["amount"], told["follow"], told["range_db"]) == (1.0, 1.0, 12.0)
    assert told["departure_after_lu"] <= 1.0 < 3.0 < told["departure_before_lu"]


def test_phrases_held_by_the_range_are_told(folder, capsys):
    assert ride("--amount", "100 %", "--range", "1 dB", "--json") == 0
    out, err = capsys.readouterr()
    told = json.loads(out)
    wanted = np.array([phrase["wanted_db"] for phrase in told["phrases"]])
    assert min(wanted) < -1.0 < 1.0 < max(wanted)
    held = np.count_nonzero(np.abs(wanted) > 1.0)
    assert told["phrases_at_limit"] == held
    assert f"{held} of {len(wanted)} phrases are held by the range of 1 dB; --range" in err
    assert max(abs(gain) for _, gain in points()) == pytest.approx(1.0)


def test_the_plot_is_written(folder):
    assert ride("--plot", "rides.png") == 0
    assert (folder / "rides.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("level", "message"),
    [(0.0, "lead.wav is silent"), (0.1, "no phrase of a voice was found in lead.wav")],
)
def test_where_nothing_is_sung_there_is_no_file(folder, capsys, level, message):
    x = np.zeros(2 * RATE)
    x[RATE : RATE + 800] = level * np.sin(2 * np.pi * 300 * np.arange(800) / RATE)
    soundfile.write("lead.wav", x, RATE)
    assert ride("--plot", "rides.png") == 3
    assert f"{message}; there is nothing to ride" in capsys.readouterr().err
    assert not list(folder.glob("rides.*"))


def test_what_is_too_short_is_not_called_silent(folder, capsys, rng):
    soundfile.write("lead.wav", 0.1 * rng.standard_normal(100), RATE, "FLOAT")
    assert ride() == 3
    assert "lead.wav is too short, 6 ms; there is nothing to ride" in capsys.readouterr().err


def test_a_backing_that_ends_early_is_told(folder, capsys, sung, band):
    end = (sung.phrases[0].end + sung.phrases[1].start) / 2
    soundfile.write("backing.wav", band[: round(end * RATE)], RATE, "FLOAT")
    assert ride("--backing", "backing.wav") == 0
    printed = capsys.readouterr()
    count = len(sung.phrases)
    told = f"the backing ends after {end:.1f} s, the voice after 14.0 s, behind {count - 1} of"
    assert f"{told} {count} phrases; is it the right file?" in printed.err
    assert "steady distance" not in printed.out


def test_a_backing_of_another_song_is_asked_about(folder, capsys, band):
    long = np.concatenate([band, band])[:, [0, 1, 1, 0]]
    soundfile.write("backing.wav", long, RATE, "FLOAT")
    assert ride("--backing", "backing.wav") == 0
    told = capsys.readouterr().err
    asked = f"the backing lasts {len(long) / RATE:.1f} s, the voice ends after 14.0 s"
    assert f"{asked}; is it the right file?" in told
    assert "channels: the backing has 4, the voice 1; is it the right file?" in told


@pytest.mark.parametrize(("missing", "said"), [(0.5, True), (0.05, False)])
def test_a_backing_that_ends_behind_the_last_phrase_is_told_where_it_is_much(
    folder, capsys, band, missing, said
):
    soundfile.write("backing.wav", band[: round((14.0 - missing) * RATE)], RATE, "FLOAT")
    assert ride("--backing", "backing.wav") == 0
    told = "the backing ends after 13.5 s, the voice after 14.0 s; is it the right file?"
    assert (told in capsys.readouterr().err) == said


@pytest.mark.parametrize("level", [0.0, 1e-5])
def test_a_silent_backing_is_refused(folder, capsys, rng, level):
    soundfile.write("backing.wav", level * rng.standard_normal(20 * RATE), RATE, "FLOAT")
    assert ride("--backing", "backing.wav") == 3
    assert "backing.wav is silent while the voice lasts; there is nothing to follow" in (
        capsys.readouterr().err
    )
    assert not (folder / "rides.csv").exists()


@pytest.mark.parametrize("played", [(0.0, 0.01), (5.0, 5.3)])
def test_a_backing_that_plays_under_no_phrase_is_refused(folder, capsys, rng, played):
    """Ten milliseconds of it, or a noise between the first phrase and the second."""
    x = np.zeros(14 * RATE)
    start, end = (round(time * RATE) for time in played)
    x[start:end] = 0.1 * rng.standard_normal(end - start)
    soundfile.write("backing.wav", x[: max(end, 160)], RATE, "FLOAT")
    assert ride("--backing", "backing.wav") == 3
    assert "backing.wav is silent under every phrase; there is nothing to follow" in (
        capsys.readouterr().err
    )
    assert not (folder / "rides.csv").exists()


def test_sound_that_is_neither_phrase_nor_breath_is_told_and_not_lifted(folder, capsys, sung, rng):
    """A noise of 3 s behind the song, at the level of a quiet phrase."""
    noise = 0.01 * rng.standard_normal((3 * RATE, 1))
    room = 1e-4 * rng.standard_normal((RATE, 1))
    soundfile.write("lead.wav", np.concatenate([sung.voice, room, noise, room]), RATE, "PCM_24")
    assert ride("--json") == 0
    told = capsys.readouterr()
    assert "sound taken for neither phrase nor breath is not lifted: 15.0 to 18.0 s" in told.err
    (found,) = json.loads(told.out)["unridden"]
    assert (found["start"], found["end"]) == pytest.approx((15.0, 18.0), abs=0.03)
    assert points()[-1][0] < 15.0


def test_phrases_without_backing_are_told(folder, capsys, sung, band):
    x = band.copy()
    x[round(sung.phrases[1].start * RATE) :] = 0.0
    soundfile.write("backing.wav", x, RATE, "FLOAT")
    assert ride("--backing", "backing.wav") == 0
    count = len(sung.phrases)
    assert f"the backing is silent under {count - 1} of {count} phrases" in capsys.readouterr().err


def test_one_phrase_is_told_as_one(folder, capsys, sung):
    first = sung.phrases[0]
    cut = sung.voice[: round((first.end + 0.2) * RATE)]
    soundfile.write("lead.wav", cut, RATE, "PCM_24")
    assert ride() == 0
    assert "\n1 phrase, " in capsys.readouterr().out


def test_several_channels_and_a_short_backing(folder, sung, band):
    soundfile.write("lead.wav", np.hstack([sung.voice, -sung.voice]), RATE, "FLOAT")
    soundfile.write("backing.wav", band[: 8 * RATE, [0, 1, 1]], RATE, "FLOAT")
    assert ride("--backing", "backing.wav") == 0


def test_no_moves_are_left_where_the_drawing_is_ended(folder, monkeypatch, capsys):
    def ended(sheet, form):
        raise KeyboardInterrupt

    before = sorted(folder.iterdir())
    monkeypatch.setattr(files, "_finished", ended)
    assert ride("--plot", "rides.png") == 130
    assert capsys.readouterr().err == "chainkit: interrupted\n"
    assert sorted(folder.iterdir()) == before


def test_nothing_is_written_where_the_plot_cannot_be(folder, capsys):
    (folder / "rides.png").write_bytes(b"mine")
    before = sorted(folder.iterdir())
    assert ride("--plot", "rides.png") == 4
    assert "rides.png exists already" in capsys.readouterr().err
    assert sorted(folder.iterdir()) == before


@pytest.mark.parametrize(
    ("options", "code", "message"),
    [
        (["--amount", "60"], 2, "'60' has no unit; write '60 %' or '100 %'"),
        (["--amount", "0.6"], 2, "'0.6' has no unit; write '60 %' or '0.6 %'"),
        (["--amount", "1"], 2, "'1' has no unit; write '100 %' or '1 %'"),
        (["--amount", "140 %"], 2, "'140 %' is not between 0 % and 100 %"),
        (["--range", "-3 dB"], 2, "is not between 0 dB and 24 dB"),
        (["--range", "-3dB"], 2, "'-3dB' is not between 0 dB and 24 dB"),
        (["--range", "-3"], 2, "'-3' has no unit; write '3 dB' ("),
        (["--follow", "50 %"], 2, "--follow needs --backing FILE"),
        (["--backing", "nowhere.wav"], 3, "nowhere.wav does not exist"),
        (["--plot", "rides.txt"], 2, "does not end in .png"),
    ],
)
def test_faults_are_told(folder, capsys, options, code, message):
    assert ride(*options) == code
    assert message in capsys.readouterr().err


def test_files_are_kept_and_inputs_are_safe(folder, capsys):
    assert ride() == 0
    assert ride() == 4
    assert "rides.csv exists already; --force replaces what is there" in capsys.readouterr().err
    assert ride("--force") == 0
    (folder / "link.csv").symlink_to("lead.wav")
    assert main(["ride", "lead.wav", "-o", "link.csv", "--force"]) == 4
    assert "link.csv is the input" in capsys.readouterr().err


def test_moves_do_not_go_under_the_name_of_a_sound_file(folder, capsys):
    for ending in CONTAINERS:
        assert main(["ride", "lead.wav", "-o", f"moves{ending.upper()}", "--force"]) == 2
        assert "is named as a sound file" in capsys.readouterr().err


def test_from_python(folder):
    rides = find_rides("lead.wav")
    write_rides(rides, "rides.csv")
    assert points() == list(rides.points)
    assert rides.departure == (None, None)
    assert (rides.alone, rides.behind) == (0, 0)


@pytest.mark.parametrize(
    ("setting", "message"),
    [
        ({"amount": 1.01}, "amount 1.01 is not a number from 0 to 1$"),
        ({"follow": -0.1}, "follow -0.1 is not a number from 0 to 1$"),
        ({"reach": 25.0}, "reach 25.0 is not a number from 0 to 24$"),
        ({"reach": float("nan")}, "reach nan is not a number from 0 to 24$"),
        ({"amount": True}, "amount True is not a number from 0 to 1$"),
        ({"follow": None}, "follow None is not a number from 0 to 1$"),
        ({"reach": "6 dB"}, "reach '6 dB' is not a number from 0 to 24$"),
    ],
)
def test_settings_out_of_bounds_are_refused(setting, message):
    with pytest.raises(ValueError, match=f"^{message}"):
        RideSettings(**{"amount": 0.6, "follow": 0.0, "reach": 6.0} | setting)
