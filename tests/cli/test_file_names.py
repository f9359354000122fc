"""File names that are no UTF-8, as disks of older systems hold them: every command takes them."""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path

import pytest

from chainkit.audio.writer import write
from chainkit.cli.main import main
from chainkit.dsp.voice import sing
from chainkit.pages import plots

RATE = 16000
ODD = os.fsdecode(b"\xff")
TOLD = "\\udcff"
CHAIN = "chainkit: 1\nstages:\n  - compress: {threshold: -30 dB, ratio: 2:1}\n"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    try:
        (tmp_path / f"{ODD}.yaml").write_text(CHAIN)
    except OSError:
        pytest.skip("this file system takes UTF-8 alone")
    voice = sing(RATE, seconds=4.0).voice
    for name in ("voice.wav", f"{ODD}.wav"):
        write(name, voice, RATE)
    return tmp_path


@pytest.fixture
def run(folder, capsys):
    def call(*words):
        assert main(list(words)) == 0
        return capsys.readouterr().out

    return call


def test_measure_reads_prints_and_writes(run):
    (found,) = json.loads(run("measure", f"{ODD}.wav", "--json"))
    assert found["file"] == f"{ODD}.wav"
    told = run("measure", f"{ODD}.wav", "voice.wav", "--timeline", f"{ODD}.csv")
    assert f"{TOLD}.wav" in told.splitlines()[0]
    assert f"wrote {TOLD}.csv" in told
    with open(f"{ODD}.csv", encoding="utf-8", newline="") as file:
        names = {row["file"] for row in csv.DictReader(file)}
    assert names == {f"{TOLD}.wav", "voice.wav"}


@pytest.mark.parametrize("ending", ["wav", "flac"])
def test_a_render_is_verified(run, ending):
    """The record's JSON holds the names so that they come back."""
    out = f"o{ODD}.{ending}"
    run("render", f"{ODD}.wav", "--chain", f"{ODD}.yaml", "-o", out)
    assert os.path.isfile(out)
    record = json.loads(Path(f"o{ODD}.record.json").read_text("utf-8"))
    assert record["voice"]["file"] == f"{ODD}.wav"
    assert "identical" in run("verify", f"o{ODD}.record.json")


def test_scout_writes_a_chain_sweeps_and_a_plot(run, folder):
    sounds = (f"{ODD}.wav", "--backing", f"{ODD}.wav")
    written = ("--write", f"w{ODD}.yaml", "--plot", f"{ODD}.png")
    swept = ("--sweeps", f"s{ODD}", "--glide", "150 Hz..2 kHz", "--length", "1 s")
    assert f"wrote w{TOLD}.yaml" in run("scout", *sounds, *written, *swept)
    assert (folder / f"s{ODD}" / "glide.wav").is_file()
    run("check", f"w{ODD}.yaml", "--plot", f"{ODD}.svg")


def test_ride_compare_and_songs(run, folder):
    run("ride", f"{ODD}.wav", "--backing", f"{ODD}.wav", "-o", f"{ODD}.csv", "--plot", f"{ODD}.png")
    asked = ("--chain", f"{ODD}.yaml", "--untreated", "--jobs", "1")
    run("compare", f"{ODD}.wav", *asked, "-o", f"c{ODD}")
    assert (folder / f"c{ODD}" / "index.html").is_file()
    (folder / f"{ODD}.wav").rename(folder / f"c{ODD}" / "lead.wav")
    (folder / f"c{ODD}" / "chain.yaml").write_text(CHAIN)
    songs = "songs:\n  - title: One\n    voices:\n      - {role: lead, file: lead.wav}\n"
    book = f"chainkit: 1\nrecord: Made\noutput: out\nchains: {{lead: chain.yaml}}\n{songs}"
    (folder / f"c{ODD}" / "record.yaml").write_text(book)
    assert f"wrote c{TOLD}" in run("songs", f"c{ODD}/record.yaml", "--jobs", "1")


def test_a_file_that_is_not_there_is_told(folder, capsys):
    assert main(["measure", f"none{ODD}.wav"]) == 3
    assert f"none{TOLD}.wav does not exist" in capsys.readouterr().err


def test_a_drawing_spells_out_what_no_font_has():
    sheet, grid = plots.figure(4.0, 3.0, title=f"{ODD} ñ 声")
    axes = plots.panel(sheet, grid[0, 0], ODD)
    plots.curve(axes, [0.0, 1.0], [0.0, 1.0], label=ODD)
    plots.legend(axes)
    text = plots.svg(sheet, "names", "names")
    assert text.count(TOLD) == 3
    assert "ñ 声" in text
