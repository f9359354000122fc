"""`chainkit scout` on files: findings, chain, sweeps, plot, messages, exit codes."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile

from chainkit.cli.main import main
from chainkit.dsp.backing import accompany
from chainkit.dsp.voice import Resonance, sing

RATE = 16000
KEYS = {"kind", "frequency_hz", "q", "prominence_db", "share", "confidence", "gain_db"}


@pytest.fixture(scope="module")
def sung():
    return sing(RATE, seconds=8.0, seed=4, resonance=Resonance(320.0, 6.0, 9.0))


@pytest.fixture
def folder(tmp_path, monkeypatch, sung):
    monkeypatch.chdir(tmp_path)
    hum = 1e-3 * np.sin(2 * np.pi * np.outer(np.arange(len(sung.voice)) / RATE, [50.0, 150.0]))
    soundfile.write("lead.wav", sung.voice + hum.sum(axis=1, keepdims=True), RATE, "PCM_24")
    soundfile.write("backing.wav", accompany(44100, 8.0, 4).audio, 44100, "PCM_24")
    return tmp_path


def scout(*options):
    return main(["scout", "lead.wav", *options])


def told(capsys, *options):
    assert scout("--json", *options) == 0
    return json.loads(capsys.readouterr().out)


def test_findings_are_told_as_json(folder, capsys):
    found = told(capsys)
    assert all(finding.keys() >= KEYS for finding in found["findings"])
    assert all(0 <= finding["confidence"] <= 1 for finding in found["findings"])
    assert all(0 <= finding["share"] <= 1 for finding in found["findings"])
    assert found["mains_hz"] == 50
    kinds = {finding["kind"] for finding in found["findings"]}
    assert {"hum", "sibilance"} <= kinds
    assert found["bands"] is found["hidden_bands"] is None


def test_findings_are_told_as_a_table(folder, capsys):
    assert scout() == 0
    printed = capsys.readouterr().out
    assert "prominence, dB" in printed
    assert "hum" in printed


def test_the_backing_tells_what_it_hides(folder, capsys):
    found = told(capsys, "--backing", "backing.wav")
    hidden = {band["frequency_hz"] for band in found["hidden_bands"]}
    assert hidden == {band["frequency_hz"] for band in found["bands"] if band["clear"] < 0.3}
    assert all(finding["clear"] is not None for finding in found["findings"])
    assert scout("--backing", "backing.wav") == 0
    assert "hidden by the backing:" in capsys.readouterr().out


def test_the_written_chain_is_checked_and_rendered(folder, capsys):
    assert scout("--write", "start.yaml") == 0
    assert "wrote start.yaml" in capsys.readouterr().out
    assert main(["check", "start.yaml", "--rate", "16 kHz"]) == 0
    assert main(["render", "lead.wav", "--chain", "start.yaml", "-o", "out.wav"]) == 0
    assert soundfile.info("out.wav").frames == soundfile.info("lead.wav").frames
    capsys.readouterr()
    assert main(["measure", "--json", "lead.wav", "out.wav"]) == 0
    before, after = json.loads(capsys.readouterr().out)
    assert after["sibilance_index_db"] < before["sibilance_index_db"]


def test_sweeps_glide_and_caution(folder, capsys):
    options = ("--sweeps", "sweeps", "--glide", "150 Hz..2 kHz", "--seconds", "2 s")
    assert scout(*options) == 0
    output = capsys.readouterr()
    assert "Turn the monitors down" in output.err
    assert "85 dBA over 8 hours" in output.err
    names = {path.name for path in (folder / "sweeps").iterdir()}
    assert {"glide.wav", "glide.csv"} < names
    assert any("-hum-50Hz.wav" in name for name in names)
    assert soundfile.info("sweeps/glide.wav").frames == 2 * RATE
    assert scout(*options) == 4
    assert "exists already; --force replaces it" in capsys.readouterr().err
    assert scout(*options, "--force") == 0


def test_the_plot_is_written(folder):
    assert scout("--plot", "scout.png") == 0
    assert (folder / "scout.png").read_bytes().startswith(b"\x89PNG")


def test_silence_is_told(folder, capsys):
    soundfile.write("lead.wav", np.zeros((RATE, 2)), RATE)
    found = told(capsys, "--backing", "backing.wav", "--sweeps", "sweeps", "--plot", "plot.png")
    assert found["findings"] == []
    assert scout() == 0
    output = capsys.readouterr()
    assert "nothing was found" in output.out
    assert "lead.wav is silent" in output.err
    assert scout("--write", "start.yaml") == 3


@pytest.mark.parametrize(("rate", "channels", "frames"), [(8000, 1, 4000), (96000, 3, 96000)])
def test_other_formats_and_short_files(folder, rng, rate, channels, frames):
    soundfile.write("lead.wav", 0.1 * rng.standard_normal((frames, channels)), rate, "FLOAT")
    assert scout("--write", "start.yaml", "--sweeps", "sweeps", "--plot", "plot.png") == 0
    assert main(["render", "lead.wav", "--chain", "start.yaml", "-o", "out.wav"]) == 0


def test_a_file_of_one_frame(folder):
    soundfile.write("lead.wav", np.full((1, 1), 0.5), RATE)
    assert scout("--sweeps", "sweeps") == 0


def test_nothing_is_written_where_one_output_cannot_be(folder, capsys):
    (folder / "plot.png").write_bytes(b"mine")
    assert scout("--write", "start.yaml", "--plot", "plot.png") == 4
    assert "plot.png exists already" in capsys.readouterr().err
    assert not (folder / "start.yaml").exists()
    assert scout("--write", "plot.png", "--plot", "plot.png", "--force") == 2
    assert "two outputs name one file" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "code", "message"),
    [
        (["--glide", "150 Hz..2 kHz"], 2, "--glide needs --sweeps DIR"),
        (["--sweeps", "s", "--boost", "6 dB"], 2, "--boost needs --glide LOW..HIGH"),
        (["--sweeps", "s", "--glide", "150 Hz"], 2, "write two frequencies"),
        (["--sweeps", "s", "--glide", "150..2000"], 2, "'150' has no unit"),
        (["--sweeps", "s", "--glide", "1 kHz..9 kHz"], 2, "is not below half the sample rate"),
        (["--sweeps", "s", "--glide", "1 kHz..2 kHz", "--boost", "30 dB"], 2, "is not between"),
        (["--backing", "nowhere.wav"], 3, "nowhere.wav does not exist"),
        (["--plot", "plot.txt"], 2, "does not end in .png"),
        (["--sweeps", "nowhere/s"], 4, "there is no folder"),
        (["--sweeps", "lead.wav"], 4, "lead.wav is a file; name a folder"),
        (["--write", "lead.wav", "--force"], 4, "lead.wav is the input"),
    ],
)
def test_faults_are_told(folder, capsys, options, code, message):
    assert scout(*options) == code
    error = capsys.readouterr().err
    assert message in error
    assert "Traceback" not in error
