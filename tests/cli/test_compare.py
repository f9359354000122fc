"""Comparisons through the command line: folder, figures, loudness by an independent meter."""

from __future__ import annotations

import csv
import errno
import html
import json
import re
import shutil

import numpy as np
import pyloudnorm
import pytest
import soundfile
from signals import bursts

from chainkit.audio import atomic
from chainkit.cli.main import main

CHAIN = """\
chainkit: 1
stages:
  - eq: {bands: [{shape: high_shelf, frequency: 6 kHz, gain: 6 dB}]}
  - deess: {threshold: -40 dB, ratio: 4:1}
  - compress: {threshold: -26 dB, ratio: 3:1}
"""


@pytest.fixture
def folder(tmp_path, rng, monkeypatch):
    monkeypatch.chdir(tmp_path)
    soundfile.write("voice.wav", bursts(rng, 96_000), 48000, "PCM_24")
    soundfile.write("backing.wav", 0.05 * rng.standard_normal((96_000, 2)), 48000, "PCM_24")
    (tmp_path / "chain.yaml").write_text(CHAIN)
    return tmp_path


def test_what_is_odd_about_a_comparison_is_told(folder, capsys, rng):
    """A backing that is too short or not of this voice, and one candidate alone."""
    soundfile.write("short.wav", 0.05 * rng.standard_normal(60_000), 48000, "PCM_24")
    command = ["compare", "voice.wav", "--chain", "chain.yaml", "--backing", "short.wav", "--json"]
    assert main([*command, "-o", "one"]) == 0
    told = capsys.readouterr().err
    assert "the backing ends after 1.2 s, the voice after 2.0 s: silence counts as the rest" in told
    assert "one candidate alone, nothing to compare: add --untreated or another --chain" in told
    soundfile.write("long.wav", 0.05 * rng.standard_normal((149_000, 4)), 48000, "PCM_24")
    command[5] = "long.wav"
    assert main([*command, "--untreated", "-o", "long"]) == 0
    assert capsys.readouterr().err.splitlines() == [
        "chainkit: the backing lasts 3.1 s, the voice ends after 2.0 s; is it the right file?",
        "chainkit: channels: the backing has 4, the voice 1; is it the right file?",
    ]
    command[5] = "backing.wav"
    assert main([*command, "--untreated", "-o", "two"]) == 0
    assert capsys.readouterr().err == ""


def test_a_squeeze_that_ends_below_its_target_is_told(folder, capsys):
    """A voice of bursts cannot be as loud as −4 LUFS with its peaks at −1 dBTP."""
    command = ["compare", "voice.wav", "--chain", "chain.yaml", "--untreated", "-o", "out"]
    assert main([*command, "--squeeze", "-4LUFS"]) == 0
    found = json.loads((folder / "out/candidates.json").read_text())
    assert found["squeezed_lufs"] < -5.0
    ends = f"{found['squeezed_lufs']:.1f} LUFS"
    note = f"-4 LUFS is out of the squeeze's reach: every candidate ends at {ends}"
    assert note in capsys.readouterr().err
    assert all(note in candidate["notes"] for candidate in found["candidates"])
    page = html.unescape((folder / "out/index.html").read_text())
    assert f"All candidates: {note}" in page
    assert re.findall(r"<dt>Squeezed to</dt><dd>(.*?)</dd>", page) == [
        f"{ends}; −4.0 LUFS is out of reach".replace("-", "−")
    ]


COMMAND = ["compare", "voice.wav", "--chain", "chain.yaml", "--orders", "all", "-o", "out"]


@pytest.mark.parametrize(
    ("voice", "backing", "told"),
    [
        ((10, 0.1), (96_000, 0.1), "voice.wav is shorter than 0.4 s: it has no level"),
        ((19_199, 0.1), (96_000, 0.1), "voice.wav is shorter than 0.4 s"),
        ((48_000, 0.0), (96_000, 0.1), "voice.wav is silent: it has no level in a mix"),
        ((48_000, 0.1), (96_000, 0.0), "backing.wav is silent while voice.wav lasts"),
    ],
)
def test_a_file_without_a_level_in_the_mix_is_named(folder, rng, capsys, voice, backing, told):
    for name, (frames, level) in (("voice.wav", voice), ("backing.wav", backing)):
        soundfile.write(name, level * rng.standard_normal(frames).clip(-3, 3), 48000, "PCM_24")
    assert main(["compare", *ONE, "--backing", "backing.wav", "-o", "out"]) == 3
    assert capsys.readouterr().err.splitlines()[-1].startswith(f"chainkit: {told}")
    assert not (folder / "out").exists()


def test_a_voice_of_one_gating_block_has_a_level_in_the_mix(folder, rng):
    """At 44056 Hz the block is 17622 frames, which is a little less than 0.4 s."""
    for name in ("voice.wav", "backing.wav"):
        soundfile.write(name, 0.1 * rng.standard_normal(17_622), 44056, "PCM_24")
    assert main(["compare", *ONE, "--backing", "backing.wav", "-o", "out"]) == 0


def test_a_silent_backing_is_no_mix_at_a_level_of_one_s_own_either(folder, capsys):
    soundfile.write("backing.wav", np.zeros(96_000), 48000, "PCM_24")
    options = ["--backing", "backing.wav", "--voice-level=-2LU", "-o", "out"]
    assert main(["compare", *ONE, *options]) == 3
    assert "backing.wav is silent while voice.wav lasts: there is no mix" in capsys.readouterr().err


def test_what_cannot_be_written_is_named_as_it_was_asked_for(folder, capsys, monkeypatch):
    """As on a full disk: the file that was being written lies in no folder that the user knows."""

    def full(comparison, folder):
        raise atomic.cannot_write(folder / "candidates.csv", OSError(errno.ENOSPC, "No space"))

    monkeypatch.setattr("chainkit.cli.compare.write_folder", full)
    assert main(["compare", *ONE, "-o", "out"]) == 4
    assert capsys.readouterr().err.endswith("chainkit: out cannot be written: no space\n")
    assert not (folder / "out").exists()


def test_an_order_is_told_once_on_the_page_also_where_values_vary(folder, capsys):
    options = ["--orders", "compress,eq", "--vary", "deess.threshold=-36dB,-30dB", "-o", "out"]
    assert main(["compare", "voice.wav", "--chain", "chain.yaml", *options]) == 0
    assert 'class="description"' not in (folder / "out" / "index.html").read_text()
    assert main(["compare", *ONE, "--vary", "deess.threshold=-36dB,-30dB", "-o", "values"]) == 0
    assert 'class="description"' in (folder / "values" / "index.html").read_text()


IN_THE_MIX = ["--backing", "backing.wav", "--squeeze"]


def told_sizes(text):
    """Bytes that are told: those of the folder, and those it needs meanwhile."""
    return [1e9 * float(size) for size in re.findall(r"([0-9.]+) GB", text)]


@pytest.mark.parametrize("options", [[], IN_THE_MIX])
def test_a_large_folder_is_told_before_it_is_made(folder, capsys, monkeypatch, options):
    """Ten minutes of a voice are told; what two seconds take shows that it is right."""
    assert main([*COMMAND, *options]) == 0
    assert "GB" not in capsys.readouterr().err
    took = sum(path.stat().st_size for path in (folder / "out").rglob("*.*") if path.is_file())
    soundfile.write("voice.wav", np.zeros(600 * 48000), 48000, "PCM_24")
    monkeypatch.setattr("chainkit.compare.job.compare", interrupted)
    assert main([*COMMAND, *options, "--force"]) == 130
    whole, renders = told_sizes(capsys.readouterr().err)
    assert 0.8 < whole / (300 * took) < 1.2
    assert renders == pytest.approx(6 * 600 * 48000 * 8, rel=0.05)


def interrupted(*arguments):
    raise KeyboardInterrupt


def test_a_disk_without_room_is_told_before_there_is_work(folder, capsys, monkeypatch):
    usage = type(shutil.disk_usage("."))
    monkeypatch.setattr("shutil.disk_usage", lambda path: usage(10**9, 10**9 - 10**6, 10**6))
    monkeypatch.setattr("chainkit.compare.job.compare", interrupted)
    assert main(COMMAND) == 4
    assert "out needs about 8 MB while it is made, 1 MB are free" in capsys.readouterr().err
    assert sorted(path.name for path in folder.iterdir()) == [
        *("backing.wav", "chain.yaml", "voice.wav")
    ]


def test_orders_in_the_mix_and_squeezed(folder, capsys):
    command = ["compare", "voice.wav", "--chain", "chain.yaml", "--orders", "all", "-o", "out"]
    assert main([*command, "--backing", "backing.wav", "--squeeze", "-12LUFS"]) == 0
    printed = capsys.readouterr().out
    assert "eq → deess → compress" in printed
    assert "clear of the backing" in printed
    assert "turn the monitors down" in printed
    found = json.loads((folder / "out/candidates.json").read_text())
    assert len(found["candidates"]) == 6
    # The same loudness by an independent implementation of ITU-R BS.1770 (pyloudnorm, with the
    # standard's own weighting).
    meter = pyloudnorm.Meter(48000, filter_class="DeMan")
    for view in ("voice", "mix", "squeezed"):
        loudness = []
        for candidate in found["candidates"]:
            x, _ = soundfile.read(folder / "out" / candidate["views"][view]["file"])
            loudness.append(meter.integrated_loudness(x))
            assert np.abs(x).max() <= 10 ** (-0.99 / 20)
            assert loudness[-1] == pytest.approx(
                candidate["views"][view]["integrated_lufs"], abs=0.05
            )
        assert max(loudness) - min(loudness) <= 0.05
    rows = list(csv.DictReader((folder / "out/candidates.csv").read_text().splitlines()))
    assert [row["name"] for row in rows] == [c["name"] for c in found["candidates"]]
    assert (folder / "out/index.html").is_file()
    assert len(list((folder / "out/chains").iterdir())) == 6


def test_a_voice_below_the_absolute_gate_says_why_nothing_was_matched(folder, rng, capsys):
    soundfile.write("voice.wav", 1e-4 * bursts(rng, 48_000), 48000, "FLOAT")
    assert main(["compare", "voice.wav", "--chain", "chain.yaml", "-o", "out"]) == 0
    expected = "the voice has no loudness (below -70 LUFS, or too short): nothing was matched"
    assert expected in capsys.readouterr().out


def test_a_candidate_s_chain_file_renders_that_candidate(folder):
    main(["compare", "voice.wav", "--chain", "chain.yaml", "--orders", "compress,eq", "-o", "out"])
    (chain,) = (folder / "out/chains").iterdir()
    assert (
        main(
            [
                "render",
                "voice.wav",
                "--chain",
                str(chain),
                "-o",
                "again.wav",
                "--samples",
                "float64",
            ]
        )
        == 0
    )
    view = json.loads((folder / "out/candidates.json").read_text())["candidates"][0]["views"][
        "voice"
    ]
    heard, _ = soundfile.read(folder / "out" / view["file"])
    again, _ = soundfile.read("again.wav")
    assert np.abs(again * 10 ** (view["gain_db"] / 20) - heard).max() < 3 * 2**-23


def test_json_says_what_is_the_same(folder, capsys):
    command = [
        "compare",
        "voice.wav",
        "--chain",
        "chain.yaml",
        "--chain",
        "chain.yaml",
        "-o",
        "out",
    ]
    assert main([*command, "--untreated", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["candidates"]
    assert [candidate["name"] for candidate in found] == ["chain", "chain-2", "untreated"]
    assert [candidate["same_as"] for candidate in found] == [None, "chain", None]
    residuals = [candidate["figures"]["residual_db"] for candidate in found]
    assert residuals[:2] == [None, None]
    assert residuals[2] > -60
    with open(folder / "out/candidates.csv", encoding="utf-8") as file:
        assert [bool(row["residual_db"]) for row in csv.DictReader(file)] == [False, False, True]


def test_what_a_render_notes_is_told_once_of_all_it_is_about(folder, capsys):
    stage = "compress: {threshold: -70 dB, ratio: inf, knee: 0 dB, attack: 0 ms, makeup: match}"
    (folder / "far.yaml").write_text(
        f"chainkit: 1\nstages:\n  - gain: {{gain: 0 dB}}\n  - {stage}\n"
    )
    command = ["compare", "voice.wav", "--chain", "far.yaml", "--vary", "gain.gain=0dB,1dB"]
    assert main([*command, "--vary", "compress.link=yes,no", "-o", "out"]) == 0
    found = json.loads((folder / "out/candidates.json").read_text())["candidates"]
    notes = [note for candidate in found for note in candidate["notes"]]
    assert len(found) == len(notes) == 4
    assert all(note.endswith("its makeup ends at 48 dB") for note in notes)
    # One gain for all channels or for each is the same for a mono voice.
    assert notes[:2] == [notes[0]] * 2
    assert notes[2:] == [notes[2]] * 2
    names = [candidate["name"] for candidate in found]
    due = [f"{names[n]}; {names[n + 1]}: {notes[n]}" for n in (0, 2)]
    told = [line.removeprefix("chainkit: ") for line in capsys.readouterr().err.splitlines()]
    assert told == due
    page = (folder / "out/index.html").read_text(encoding="utf-8")
    items = re.findall(r"<li>(.*?)</li>", page)
    assert [html.unescape(re.sub("</?bdi>", "", item)) for item in items] == due


def test_hostile_names_become_text_and_safe_files(folder):
    hostile = "<script>alert(1)</script>/../"
    (folder / "bad.yaml").write_text(f'chainkit: 1\nname: "{hostile}"\nstages: []\n')
    assert main(["compare", "voice.wav", "--chain", "bad.yaml", "-o", "out"]) == 0
    page = (folder / "out/index.html").read_text()
    assert "<script>alert" not in page
    assert sorted(p.name for p in folder.iterdir()) == [
        *("backing.wav", "bad.yaml", "chain.yaml", "out", "voice.wav")
    ]


ONE = ["voice.wav", "--chain", "chain.yaml"]


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["voice.wav", "-o", "out"], 2, "--chain"),
        ([*ONE, "--vary", "deess.treshold=-3dB", "-o", "out"], 2, "threshold"),
        ([*ONE, "--vary", "deess.frequency=4MHz,40kHz", "-o", "out"], 2, "'4MHz'"),
        ([*ONE, "--vary", "deess.frequency=90kHz", "-o", "o"], 2, "--vary deess.frequency=90kHz: "),
        ([*ONE, "--pin", "gate", "--orders", "all", "-o", "out"], 2, "gate"),
        ([*ONE, "--pin", "eq", "-o", "out"], 2, "--orders all"),
        (
            [*ONE, "--vary", "deess.range=3dB,4dB", "--vary", "deess.range=6dB", "-o", "out"],
            2,
            "--vary deess.range is given twice",
        ),
        ([*ONE, "--voice-level=-2 LU", "-o", "out"], 2, "needs --backing"),
        (["nope.wav", "--chain", "chain.yaml", "-o", "out"], 3, "does not exist"),
        ([*ONE, "--backing", "slow.wav", "-o", "out"], 3, "one sample rate"),
        ([*ONE, "-o", "full"], 4, "--force replaces what is there"),
        ([*ONE, "-o", "full", "--force"], 4, "it is kept"),
        ([*ONE, "-o", "no/out"], 4, "no folder"),
        ([*ONE, "--squeeze", "9", "-o", "out"], 2, "has no unit; write '-9 LUFS' ("),
        ([*ONE, "--squeeze", "-9", "-o", "out"], 2, "has no unit; write '-9 LUFS' ("),
        ([*ONE, "--squeeze", "-99LUFS", "-o", "out"], 2, "not between -30 LUFS and -4 LUFS"),
    ],
)
def test_faults_leave_nothing(folder, capsys, arguments, code, message):
    soundfile.write("slow.wav", np.zeros((4410, 2)), 44100)
    (folder / "full").mkdir()
    (folder / "full/mine.txt").write_text("mine")
    before = sorted(path.name for path in folder.iterdir())
    assert main(["compare", *arguments]) == code
    printed = capsys.readouterr()
    assert message in printed.err
    assert "Traceback" not in printed.err
    assert sorted(path.name for path in folder.iterdir()) == before
    assert (folder / "full/mine.txt").read_text() == "mine"


def test_force_replaces_an_earlier_comparison(folder):
    command = ["compare", "voice.wav", "--chain", "chain.yaml", "-o", "out"]
    assert main(command) == 0
    assert main(command) == 4
    assert main([*command, "--untreated", "--force"]) == 0
    assert len(list((folder / "out/audio").iterdir())) == 2
