"""``chainkit measure``: table, JSON, files, and faults."""

from __future__ import annotations

import csv
import io
import json
import sys

import numpy as np
import pytest
import soundfile

from chainkit.audio.writer import write
from chainkit.cli.main import main
from chainkit.cli.measure import text
from chainkit.cli.show import cell
from chainkit.dsp.voice import sing
from chainkit.pages.plots import files

RATE = 48000
SIBILANTS = [
    "start_seconds",
    "end_seconds",
    "peak_hz",
    "centre_hz",
    "band_dbfs",
    "against_voice_db",
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("measured")
    voice = sing(RATE, seconds=12.0).voice.reshape(-1, 1)
    write(made / "voice.wav", voice, RATE, subtype="PCM_24")
    write(made / "quiet.wav", np.repeat(0.1 * voice, 2, axis=1), RATE, subtype="FLOAT")
    write(made / "silence.wav", np.zeros((RATE, 1)), RATE, subtype="PCM_16")
    return made


@pytest.fixture
def run(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)

    def call(*words):
        code = main(["measure", *words])
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return call


def test_a_terminal_without_a_minus_sign_shows_a_hyphen(monkeypatch):
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), encoding="ascii"))
    assert text(-3.0, 1) == "-3.0"


def test_integers_stored_as_float_are_asked_about(folder, run):
    x, rate = soundfile.read(folder / "voice.wav", always_2d=True)
    soundfile.write(folder / "integers.wav", x * 2.0**23, rate, "FLOAT")
    code, _, err = run("voice.wav", "integers.wav")
    peak = 20.0 * np.log10(np.abs(x).max() * 2.0**23)
    assert code == 0
    asked = "is this a file of integers stored as float? Whether it is clipped is not known"
    assert err == f"chainkit: integers.wav: samples reach {peak:+.0f} dBFS: {asked}\n"


def test_json_has_an_object_a_file(run):
    code, out, _ = run("voice.wav", "quiet.wav", "--json")
    voice, quiet = json.loads(out)
    assert code == 0
    assert (voice["file"], quiet["file"]) == ("voice.wav", "quiet.wav")
    assert (voice["frames"], voice["rate"], voice["channels"]) == (12 * RATE, RATE, 1)
    # Two channels, each 20 dB lower: 3.01 LU more than one of them.
    for name in ("short_term_max_lufs", "momentary_max_lufs"):
        assert quiet[name] == pytest.approx(voice[name] - 16.9897, abs=0.001)
    # The quietest blocks fall below the gate at −70 LUFS.
    assert quiet["integrated_lufs"] == pytest.approx(voice["integrated_lufs"] - 16.9897, abs=0.2)
    assert quiet["true_peak_dbtp"] == pytest.approx(voice["true_peak_dbtp"] - 20.0, abs=0.001)
    assert quiet["crest_db"] == pytest.approx(voice["crest_db"], abs=0.001)
    assert quiet["sibilance_index_db"] == pytest.approx(voice["sibilance_index_db"], abs=0.001)
    assert [s["start"] for s in quiet["sibilants"]] == [s["start"] for s in voice["sibilants"]]
    assert list(voice["sibilants"][0]) == [name.removesuffix("_seconds") for name in SIBILANTS]
    named = {
        "short_term_max_lufs", "momentary_max_lufs", "loudness_range_lu", "sample_peak_dbfs",
        "rms_dbfs", "peak_to_loudness_db", "dc_offset", "clipped_runs", "first_clipped_seconds",
        "noise_floor_dbfs", "sounding_share", "low_mid_db", "presence_db", "air_db",
        "sibilants_a_minute", "sibilants_median_db", "sibilants_p95_db", "spectrum",
    }  # fmt: skip
    assert named <= set(voice)
    assert len(voice["spectrum"]) == 30


def test_figures_that_do_not_exist_are_null(run):
    (silence,) = json.loads(run("silence.wav", "--json")[1])
    for name in ("integrated_lufs", "true_peak_dbtp", "rms_dbfs", "sibilance_index_db"):
        assert silence[name] is None
    assert silence["sibilants"] == []


def test_the_table_has_a_column_a_file(run):
    code, out, err = run("voice.wav", "silence.wav")
    lines = [line.split("  ") for line in out.splitlines()]
    assert code == 0
    assert err == ""
    assert [part.strip() for part in lines[0] if part] == ["voice.wav", "silence.wav"]
    loudness = next(line for line in out.splitlines() if line.startswith("integrated loudness"))
    assert loudness.split()[-1] == "–"
    (figures,) = json.loads(run("voice.wav", "--json")[1])
    expected = f"{figures['integrated_lufs']:.1f}".replace("-", "−")
    assert loudness.split()[-2] == expected


def test_finer_bands(run):
    (figures,) = json.loads(run("voice.wav", "--json", "--fraction", "12")[1])
    assert len(figures["spectrum"]) == 94
    assert run("voice.wav", "--fraction", "5")[0] == 2


def rows(path):
    with path.open(newline="") as file:
        return list(csv.reader(file))


def test_tables_of_one_file(run, folder, tmp_path):
    times, events = tmp_path / "t.csv", tmp_path / "s.csv"
    code, out, _ = run("voice.wav", "--timeline", str(times), "--sibilants", str(events))
    assert code == 0
    assert f"wrote {times}" in out
    (figures,) = json.loads(run("voice.wav", "--json")[1])
    head, *body = rows(times)
    assert head == ["seconds", "momentary_lufs", "short_term_lufs"]
    assert [row[0] for row in body] == [f"{0.1 * k:.1f}" for k in range(4, 121)]
    assert body[25][2] == ""  # 2.9 s: the first 3 s are not over
    assert body[26][2] != ""
    greatest = max(float(row[2]) for row in body if row[2])
    assert greatest == pytest.approx(figures["short_term_max_lufs"], abs=0.2)
    head, *body = rows(events)
    assert head == SIBILANTS
    assert len(body) == len(figures["sibilants"])
    for row, sibilant in zip(body, figures["sibilants"], strict=True):
        assert [float(cell) for cell in row] == pytest.approx(list(sibilant.values()), abs=0.51)


def test_tables_of_several_files_name_the_file(run, tmp_path):
    times, events = tmp_path / "t.csv", tmp_path / "s.csv"
    run("voice.wav", "silence.wav", "--timeline", str(times), "--sibilants", str(events))
    assert rows(times)[0] == ["file", "seconds", "momentary_lufs", "short_term_lufs"]
    assert rows(times)[-1] == ["silence.wav", "1.0", "", ""]
    assert rows(events)[0] == ["file", *SIBILANTS]
    assert {row[0] for row in rows(events)[1:]} == {"voice.wav"}


@pytest.mark.parametrize("files", [["voice.wav"], ["voice.wav", "quiet.wav", "silence.wav"]])
def test_a_drawing(run, tmp_path, files):
    path = tmp_path / "m.png"
    assert run(*files, "--plot", str(path))[0] == 0
    assert path.read_bytes().startswith(b"\x89PNG")


def test_no_table_is_left_where_the_drawing_is_ended(run, folder, monkeypatch):
    def ended(sheet, form):
        raise KeyboardInterrupt

    before = sorted(folder.iterdir())
    monkeypatch.setattr(files, "_finished", ended)
    code, _, told = run("quiet.wav", "--timeline", "t.csv", "--plot", "m.png")
    assert (code, told) == (130, "chainkit: interrupted\n")
    assert sorted(folder.iterdir()) == before


@pytest.mark.parametrize("option", ["--plot", "--timeline", "--sibilants"])
def test_what_is_there_is_kept(run, tmp_path, option):
    path = tmp_path / "there.png"
    path.write_text("mine")
    code, _, err = run("voice.wav", option, str(path))
    assert code == 4
    assert "there.png" in err
    assert path.read_text() == "mine"
    assert run("voice.wav", option, str(path), "--force")[0] == 0
    assert path.read_bytes() != b"mine"


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        ([], 2, "FILE"),
        (["nowhere.wav"], 3, "nowhere.wav"),
        (["voice.wav", "nowhere.wav"], 3, "nowhere.wav"),
        (["voice.wav", "--timeline", "voice.wav"], 4, "voice.wav"),
        (["voice.wav", "--plot", "m.txt"], 2, "m.txt"),
    ],
)
def test_faults_are_one_line(run, words, code, message):
    found, out, err = run(*words)
    assert found == code
    assert out == ""
    assert message in err
    assert "Traceback" not in err


def test_each_missing_file_is_told(run):
    code, out, err = run("nowhere.wav", "voice.wav", "gone.wav")
    assert (code, out) == (3, "")
    assert err.splitlines() == [
        "chainkit: nowhere.wav does not exist",
        "chainkit: gone.wav does not exist",
    ]


def test_two_outputs_of_one_name_are_refused_before_anything_is_written(
    tmp_path, monkeypatch, capsys
):
    monkeypatch.chdir(tmp_path)
    write("voice.wav", np.zeros((48_000, 1)), 48000)
    assert main(["measure", "voice.wav", "--timeline", "a.csv", "--sibilants", "./a.csv"]) == 2
    assert "two outputs name one file" in capsys.readouterr().err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["voice.wav"]


@pytest.mark.parametrize("value", [-0.0, -0.004, np.float64(-0.0049)])
def test_what_rounds_to_zero_has_no_sign(value):
    assert (cell(float(value)), cell(value)) == ("0.00", "0.00")
    assert (text(value, 1), text(value, 2)) == ("0.0", "0.00")
    assert (text(-0.06, 1), cell(-0.006)) == ("−0.1", "−0.01")
