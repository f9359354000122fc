"""`chainkit scout` on files: findings, chain, sweeps, plot, messages, exit codes."""

from __future__ import annotations

import csv
import errno
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml

import chainkit.scout
from chainkit.chain import load_chain
from chainkit.cli import scout as command
from chainkit.cli.main import main
from chainkit.cli.show import cell
from chainkit.dsp.backing import accompany
from chainkit.dsp.voice import PlantedResonance, sing
from chainkit.pages.plots import files
from chainkit.scout import gathering, proposal, report, scout_file, sweeps
from chainkit.stages.compress import Compress, Sidechain

RATE = 16000
KEYS = {"kind", "frequency_hz", "q", "prominence_db", "share", "confidence", "gain_db"}


@pytest.fixture(scope="module")
def sung():
    return sing(RATE, seconds=8.0, seed=4, resonance=PlantedResonance(320.0, 6.0, 9.0))


@pytest.fixture(scope="module")
def sounds(tmp_path_factory, sung):
    """A folder with a voice that hums and its backing, made once: each test gets copies."""
    made = tmp_path_factory.mktemp("sounds")
    hum = 1e-3 * np.sin(2 * np.pi * np.outer(np.arange(len(sung.voice)) / RATE, [50.0, 150.0]))
    soundfile.write(made / "lead.wav", sung.voice + hum.sum(axis=1, keepdims=True), RATE, "PCM_24")
    soundfile.write(made / "backing.wav", accompany(44100, 8.0, 4).audio, 44100, "PCM_24")
    return made


@pytest.fixture
def folder(tmp_path, monkeypatch, sounds):
    monkeypatch.chdir(tmp_path)
    for path in sounds.iterdir():
        shutil.copy(path, tmp_path)
    return tmp_path


@pytest.fixture(scope="module", autouse=True)
def each_sound_is_scouted_once():
    """Runs of the command on the same bytes share what was found, which nothing alters."""
    found = {}

    def shared(voice, backing=None, progress=None):
        heard = (Path(voice).read_bytes(), backing and (backing, Path(backing).read_bytes()))
        if heard not in found:
            found[heard] = scout_file(voice, backing, progress)
        return replace(found[heard], path=Path(voice))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("chainkit.scout.scout_file", shared)
        yield


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
    assert "against" in printed
    assert "confidence below 0.50: a hint" in printed
    assert "chain to start from, once the source is trimmed to −26 LUFS" in printed


def test_a_hint_is_never_printed_as_sure(folder, capsys):
    """A confidence of 0.4999 would be rounded to what the line below the table calls sure."""
    scouting = chainkit.scout.scout_file("lead.wav")
    for confidence, printed in ((0.4999, "0.49"), (0.5, "0.50")):
        finding = replace(scouting.findings[0], confidence=confidence)
        assert cell(command.row(finding, scouting, False)[6]) == printed


def test_what_the_chain_leaves_out_is_marked_in_the_table(folder, capsys, monkeypatch):
    """Nothing evens the spectrum by 100 dB, so every hint with a bell is left out."""
    monkeypatch.setattr(proposal, "WORTH", 100.0)
    found = told(capsys)
    left = {(one["kind"], one["frequency_hz"]) for one in found["chain"]["left_out"]}
    assert scout() == 0
    table = capsys.readouterr().out.replace("−", "-").split("chain to start from")[0]
    marked = 0
    for one in found["findings"]:
        if one["gain_db"] is not None:
            (line,) = [
                line
                for line in table.splitlines()
                if line.split()[:2] == [one["kind"], f"{one['frequency_hz']:.0f}"]
            ]
            is_left = (one["kind"], one["frequency_hz"]) in left
            gain = f"{one['gain_db']:.2f}"
            assert line.split()[-1] == (f"({gain})" if is_left else gain)
            marked += is_left
    assert marked
    assert "gain in brackets: the chain leaves it out" in table


def test_the_backing_tells_what_it_hides(folder, capsys):
    found = told(capsys, "--backing", "backing.wav")
    hidden = {band["frequency_hz"] for band in found["hidden_bands"]}
    lived_in = [band for band in found["bands"] if band["lived_in"]]
    assert hidden == {band["frequency_hz"] for band in lived_in if band["clear"] < 0.3}
    assert found["backing"]["file"] == "backing.wav"
    assert found["backing"]["seconds"] == pytest.approx(8.0)
    assert found["notes"] == []
    assert all(finding["clear"] is not None for finding in found["findings"])
    assert scout("--backing", "backing.wav") == 0
    assert "hidden by the backing:" in capsys.readouterr().out


def test_the_comments_of_the_de_esser_are_true_of_its_values(folder, capsys):
    """A ratio of 4:1 takes three quarters of what lies above the threshold."""
    tried = told(capsys, "--write", "start.yaml")["chain"]["trial"]["inside_sibilants_db"]
    text = (folder / "start.yaml").read_text("utf-8")
    above = re.search(r"threshold: .*# ([\d.]+) dB below the level of the middle sibilant", text)
    takes = re.search(
        r"ratio: '4:1' .*# takes ([\d.]+) dB from that one; on trial ([\d.]+) dB", text
    )
    assert float(takes[1]) == pytest.approx(0.75 * float(above[1]), abs=0.1)
    assert float(takes[2]) == pytest.approx(tried, abs=0.051)
    assert f"On trial it took {takes[2]} dB from the" in " ".join(text.replace("#", "").split())


def test_the_written_chain_keeps_the_name_of_the_file(folder):
    for name, told in (
        ('it\'s a "voice" ñ – 声 & $x #1: {0} %.wav', None),
        ("two\nlines\x1b.wav", "two_lines_.wav"),
    ):
        (folder / "lead.wav").rename(folder / name)
        assert main(["scout", name, "--write", "start.yaml", "--force"]) == 0
        chain = load_chain("start.yaml")
        assert chain.name == f"Start for {told or name}"
        assert f"what was found in {told or name}.\n" in chain.notes
        (folder / name).rename(folder / "lead.wav")


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


def test_what_is_told_is_what_is_written(folder, capsys):
    """Numbers of the file, read by a YAML parser, against JSON and against the screen."""
    found = told(capsys, "--write", "start.yaml")
    assert found["written"] == ["start.yaml"]
    file = yaml.load((folder / "start.yaml").read_text(), yaml.BaseLoader)
    eq, deess, compress = (stage[name] for stage, name in zip(file["stages"], KINDS, strict=True))
    chain = found["chain"]
    assert file["working_level"] == f"{chain['working_level_lufs']:g} LUFS"
    for band, written in zip(chain["eq"], eq["bands"], strict=True):
        assert band["shape"] == written["shape"]
        assert band["frequency_hz"] == hertz(written["frequency"])
        assert band.get("gain_db") == number(written.get("gain"))
        assert band.get("q") == number(written.get("q"))
        assert band["reason"]
    for stage, written in ((chain["deess"], deess), (chain["compress"], compress)):
        assert stage["threshold_db"] == number(written["threshold"])
        assert stage["attack_seconds"] == number(written["attack"]) / 1000
        assert f"{stage['ratio']:g}:1" == written["ratio"]
    assert chain["deess"]["range_db"] == number(deess["range"])
    assert chain["deess"]["frequency_hz"] == hertz(deess["frequency"])
    assert scout() == 0
    printed = capsys.readouterr().out.replace("−", "-")
    for stage in (*eq["bands"], deess, compress):
        assert f"threshold {stage.get('threshold')}" in printed or "shape" in stage
        assert f"gain {stage.get('gain')}" in printed or "gain" not in stage
    assert f"range {deess['range']}" in printed
    words = " ".join(printed.split())
    for left in chain["left_out"]:
        assert f"{left['kind']} at " in words
        assert left["reason"] in words
    assert max(map(len, printed.split("chain to start from")[1].splitlines())) <= 100


KINDS = ("eq", "deess", "compress")


def number(text):
    return None if text is None else float(text.split()[0])


def hertz(text):
    return pytest.approx(number(text) * (1000.0 if text.endswith("kHz") else 1.0))


def test_sweeps_glide_and_caution(folder, capsys):
    options = ("--sweeps", "sweeps", "--glide", "150 Hz..2 kHz", "--length", "2 s")
    assert scout(*options) == 0
    output = capsys.readouterr()
    assert "Turn the monitors down" in output.err
    assert "85 dBA over 8 hours" in output.err
    names = {path.name for path in (folder / "sweeps").iterdir()}
    assert {"glide.wav", "glide.csv", "sweeps.csv"} < names
    with open("sweeps/sweeps.csv", newline="") as file:
        listed = list(csv.DictReader(file))
    assert {row["file"] for row in listed} | {"sweeps.csv", "glide.csv"} == names
    assert all(row["file"].endswith(".wav") for row in listed)
    assert any(row["finding"] == "hum" and float(row["gain_db"]) < 0 for row in listed)
    assert any("-hum-50Hz.wav" in name for name in names)
    assert soundfile.info("sweeps/glide.wav").frames == 2 * RATE
    assert scout(*options) == 4
    assert "sweeps holds sweeps already; --force replaces what is there" in capsys.readouterr().err
    assert scout(*options, "--force") == 0


def test_what_is_heard_is_told(folder, capsys):
    """The help knows the figures without loading what uses them."""
    with pytest.raises(SystemExit):
        main(["scout", "--help"])
    helped = " ".join(capsys.readouterr().out.split())
    assert f"first {sweeps.MOST} findings" in helped
    assert f"loudest {sweeps.PHRASE:g} s as they are, pushed up by {sweeps.PUSH:g} dB" in helped
    glide = sweeps.Glide(150.0, 2000.0)
    assert f"narrow boost (Q {glide.q:g}) that glides over the loudest" in helped
    assert f'(default "{glide.boost:g} dB")' in helped
    assert scout("--sweeps", "s", "--glide", "150 Hz..2 kHz", "--length", "1 s") == 0
    printed = capsys.readouterr().out
    assert "pushed up by 9 dB, with the change" in printed
    assert "glide.wav: the same 4 s, again and again" in printed


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ((), "94 dBA, 9 dB higher, is enough for 60 minutes"),
        (("--boost", "6 dB"), "94 dBA, 9 dB higher, is enough for 60 minutes"),
        (("--boost", "12 dB"), "97 dBA, 12 dB higher, is enough for 30 minutes"),
        (("--boost", "14 dB"), "99 dBA, 14 dB higher, is enough for 18 minutes"),
        (("--boost", "18 dB"), "103 dBA, 18 dB higher, is enough for 7.5 minutes"),
    ],
)
def test_the_caution_counts_with_the_boost(folder, capsys, options, told):
    """Half the time for each 3 dB above 85 dBA over 8 hours; parts of files are pushed up by 9 dB.

    NIOSH, *Occupational Noise Exposure* (1998), table 1-1, has for 94, 97, 99 and 103 dBA 1 h,
    30 min, 18 min 59 s and 7 min 30 s (from memory).
    """
    glide = ("--glide", "150 Hz..2 kHz", "--length", "1 s") if options else ()
    assert scout("--sweeps", "sweeps", *glide, *options) == 0
    assert told in capsys.readouterr().err


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_sweeps_of_an_earlier_run_go_and_nothing_else(folder, rng):
    assert scout("--sweeps", "s", "--glide", "150 Hz..2 kHz", "--length", "1 s") == 0
    earlier = set(contents(folder / "s"))
    for name in ("notes.txt", "99-hum-50Hz.wav"):
        (folder / "s" / name).write_bytes(b"mine")
    with open("s/sweeps.csv", "a") as file:
        file.write("notes.txt,,,,\n../lead.wav,,,,\n")
    soundfile.write("lead.wav", 0.1 * rng.standard_normal((2 * RATE, 1)), RATE)
    before = (folder / "lead.wav").read_bytes()
    assert scout("--sweeps", "s", "--glide", "150 Hz..2 kHz", "--length", "1 s", "--force") == 0
    now = contents(folder / "s")
    with open("s/sweeps.csv", newline="") as file:
        listed = {row["file"] for row in csv.DictReader(file)}
    assert set(now) == listed | {"sweeps.csv", "glide.csv", "notes.txt", "99-hum-50Hz.wav"}
    assert earlier - set(now)
    assert scout("--sweeps", "s", "--force") == 0  # and the glide, its table with it
    assert not {"glide.wav", "glide.csv"} & set(contents(folder / "s"))
    assert now["notes.txt"] == now["99-hum-50Hz.wav"] == b"mine"
    assert (folder / "lead.wav").read_bytes() == before


@pytest.mark.parametrize("how", ["voice", "backing", "symbolic link", "hard link"])
def test_sweeps_never_replace_an_input(folder, capsys, how):
    (folder / "own").mkdir()
    inside, inputs = folder / "own" / "glide.wav", ["own/glide.wav"]
    (folder / "lead.wav").rename(inside)
    before = inside.read_bytes()
    if how == "backing":
        inputs = ["backing.wav", "--backing", "own/glide.wav"]
    elif how == "symbolic link":
        (folder / "link.wav").symlink_to(inside)
        inputs = ["link.wav"]
    elif how == "hard link":
        (folder / "link.wav").hardlink_to(inside)
        inputs = ["link.wav"]
    options = ("--sweeps", "own", "--glide", "150 Hz..2 kHz", "--force")
    assert main(["scout", *inputs, *options]) == 4
    assert "own/glide.wav is the input; choose another output" in capsys.readouterr().err
    assert inside.read_bytes() == before


def test_a_chain_can_go_into_the_folder_of_sweeps(folder):
    assert scout("--sweeps", "s", "--write", "s/start.yaml") == 0
    assert (folder / "s" / "start.yaml").exists()


def everything(folder):
    return {
        path.relative_to(folder): path.is_file() and path.read_bytes() for path in folder.rglob("*")
    }


@pytest.mark.parametrize(
    ("fault", "force"),
    [(KeyboardInterrupt, ("--force",)), (OSError(errno.ENOSPC, "No space left"), ())],
)
def test_a_run_that_is_ended_leaves_nothing(folder, monkeypatch, capsys, fault, force):
    """The plot is the last to be written: by then the chain and all sweeps are complete."""
    options = ("--write", "a.yaml", "--sweeps", "s", "--plot", "a.png", *force)
    if force:
        assert scout(*options) == 0
        (folder / "a.yaml").write_text("old")
    capsys.readouterr()
    before = everything(folder)

    def ended(sheet, form):
        raise fault

    monkeypatch.setattr(files, "_finished", ended)
    code = 130 if fault is KeyboardInterrupt else 4
    assert scout(*options) == code
    said = capsys.readouterr().err
    assert said == (
        "chainkit: interrupted\n"
        if code == 130
        else "chainkit: a.png cannot be written: no space left\n"
    )
    assert everything(folder) == before


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
    assert scout("--sweeps", "sweeps") == 0
    assert "no sweeps" in capsys.readouterr().err
    assert not (folder / "sweeps").exists()
    assert scout("--write", "start.yaml") == 3


def test_a_file_that_is_too_short_is_not_called_silent(folder, rng, capsys):
    soundfile.write("lead.wav", 0.3 * rng.standard_normal((RATE // 10, 1)), RATE)
    assert scout() == 0
    said = capsys.readouterr().err
    assert said.startswith("chainkit: lead.wav is too short: 0.1 s")
    assert "silent" not in said
    assert scout("--write", "start.yaml") == 3
    assert "lead.wav is too short: 0.1 s" in capsys.readouterr().err


def test_one_gating_block_is_long_enough(folder, capsys):
    """At 44056 Hz the block is 17622 frames, which is a little less than 0.4 s."""
    soundfile.write("lead.wav", np.zeros((17_622, 1)), 44056)
    assert scout() == 0
    assert "lead.wav is silent" in capsys.readouterr().err


def test_a_soft_file_is_told_what_it_lacks(folder, sung, capsys):
    """A peak of -60 dBFS is no silence; its loudness is below the gate of ITU-R BS.1770-5."""
    soft = 1e-3 * sung.voice / np.abs(sung.voice).max()
    soundfile.write("lead.wav", soft, RATE, "PCM_24")
    assert scout() == 0
    said = capsys.readouterr().err
    assert "lead.wav is too soft: its peak is -60.0 dBFS" in said
    assert "a gain of 54 dB would do" in said
    assert "silent" not in said
    soundfile.write("lead.wav", soft * 10.0 ** (54.0 / 20.0), RATE, "PCM_24")
    assert scout("--write", "start.yaml") == 0


def test_every_setting_has_the_unit_of_its_quantity(folder, capsys):
    chain = told(capsys)["chain"]
    assert {key for key in chain["compress"] if key.startswith(("makeup", "mix", "ratio"))} == {
        "makeup", "mix", "ratio",
    }  # fmt: skip
    settings = Compress(threshold=-20.0, ratio=4.0, makeup=3.0, sidechain=Sidechain(highpass=120.0))
    values = report._values(settings)
    assert values["makeup_db"] == 3.0
    assert values["sidechain"] == {"highpass_hz": 120.0}
    assert values["knee_db"] == 6.0


def test_what_findings_do_not_tell_is_said(folder, sung, rng, capsys, monkeypatch):
    monkeypatch.setattr(gathering, "find_resonances", lambda x, rate: [])  # no note is about them

    def notes(x, rate=RATE, *options):
        soundfile.write("lead.wav", np.clip(x, -1.0, 1.0), rate, "FLOAT")
        return told(capsys, *options)["notes"]

    assert notes(sung.voice) == []
    clipped, *_ = notes(sung.voice * 4.0 / np.abs(sung.voice).max())
    assert "is clipped" in clipped
    soundfile.write("lead.wav", 2.0**23 * sung.voice, RATE, "FLOAT")
    (integers,) = told(capsys)["notes"]
    assert "is this a file of integers stored as float?" in integers
    (offset,) = notes(0.3 + 0.5 * sung.voice)
    assert "a DC offset of 0.3" in offset
    small = 0.02 * np.abs(sung.voice).max() + sung.voice
    for gain in (1.0, 0.01):
        (offset,) = notes(gain * small)
        assert ", 2 % of its peak: a high-pass takes it away" in offset
        assert notes(gain * (small - 0.015 * np.abs(sung.voice).max())) == []
    (low,) = notes(0.1 * rng.standard_normal((16000, 1)), 8000)
    assert "below a sample rate of 16 kHz neither sibilance nor a de-esser is looked for" in low
    soundfile.write("backing.wav", np.zeros((8 * RATE, 1)), RATE)
    (silent,) = notes(sung.voice, RATE, "--backing", "backing.wav")
    assert silent == "backing.wav is silent where lead.wav sounds: it hides nothing"
    soundfile.write("backing.wav", 0.1 * rng.standard_normal((3 * RATE, 1)), RATE)
    (short,) = notes(sung.voice, RATE, "--backing", "backing.wav")
    assert (
        "the backing ends after 3.0 s, the voice after 8.0 s: it counts as silent from there on"
        in short
    )


def test_bands_that_the_source_lacks_are_not_hidden(folder, rng, capsys):
    """At 8 kHz nothing is above 4 kHz: white noise on noise hides only what is there."""
    soundfile.write("lead.wav", 0.01 * rng.standard_normal((4 * 8000, 1)), 8000, "FLOAT")
    soundfile.write("backing.wav", 0.3 * rng.standard_normal((4 * 48000, 1)), 48000, "FLOAT")
    found = told(capsys, "--backing", "backing.wav")
    hidden = [band["frequency_hz"] for band in found["hidden_bands"]]
    assert min(hidden) == 160.0
    assert max(hidden) == 4000.0  # its third octave reaches from 3.55 to 4.47 kHz


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
        (["--write", "."], 4, ". is a folder; name a file in it"),
        (["--sweeps", "s", "--write", "s"], 2, "two outputs name one file, s"),
        (["--sweeps", "s", "--write", "s/glide.csv"], 2, "two outputs name one file, s/glide.csv"),
        (["--write", "lead.wav", "--force"], 4, "lead.wav is the input"),
    ],
)
def test_faults_are_told(folder, capsys, options, code, message):
    assert scout(*options) == code
    error = capsys.readouterr().err
    assert message in error
    assert "Traceback" not in error
