"""The main job through the command line, on files: outputs, messages, exit codes."""

from __future__ import annotations

import csv
import json
import os
import resource
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile
from signals import bursts, noise, sine

from chainkit.audio.chunks import append_chunks
from chainkit.chain import parse_chain
from chainkit.cli.main import main
from chainkit.errors import UsageError
from chainkit.record import load_record, prepared_chain
from chainkit.rendering import passes, render

CHAIN = """\
chainkit: 1
working_level: -24 LUFS
stages:
  - eq:
      bands:
        - {shape: highpass, frequency: 80 Hz, slope: 24 dB/oct}
        - {shape: bell, frequency: 280 Hz, gain: -3.5 dB, q: 4}
  - deess: {threshold: -40 dB, ratio: 4:1, range: 8 dB}
  - compress: {threshold: -26 dB, ratio: 3:1, makeup: match}
"""
IDLE = "chainkit: 1\nstages: []\n"


@pytest.fixture
def folder(tmp_path, rng, monkeypatch):
    """A folder with a voice and chains, made the current one."""
    monkeypatch.chdir(tmp_path)
    soundfile.write("voice.wav", bursts(rng, 96_000), 48000, "PCM_24")
    (tmp_path / "chain.yaml").write_text(CHAIN)
    (tmp_path / "idle.yaml").write_text(IDLE)
    return tmp_path


def test_a_makeup_out_of_reach_is_a_note(folder, capsys):
    stage = "compress: {threshold: -70 dB, ratio: inf, knee: 0 dB, attack: 0 ms, makeup: match}"
    (folder / "far.yaml").write_text(f"chainkit: 1\nstages:\n  - {stage}\n")
    assert main(["render", "voice.wav", "--chain", "far.yaml", "-o", "out.wav"]) == 0
    record = load_record("out.record.json")
    assert record["matched_makeup_db"] == {"compress": 48.0}
    levels = record["levels"]
    missing = levels["before"]["integrated_lufs"] - levels["after"]["integrated_lufs"]
    told = f"the output of compress is {missing:.3g} LU quieter than its input"
    assert record["notes"] == [f"{told}: its makeup ends at 48 dB"]
    assert f"{told}: its makeup ends at 48 dB\n" in capsys.readouterr().err


def test_what_no_one_could_read_again_is_refused_without_a_warning(folder, capsys):
    """Eight gains of 48 dB: what is measured of it in single precision would overflow."""
    (folder / "loud.yaml").write_text("chainkit: 1\nstages:\n" + "  - gain: {gain: 48 dB}\n" * 8)
    soundfile.write("voice.wav", np.full(48_000, 0.5), 48000, "FLOAT")
    assert main(["render", "voice.wav", "--chain", "loud.yaml", "-o", "out.wav"]) == 4
    (told,) = capsys.readouterr().err.splitlines()[-1:]
    assert told.endswith("at frame 0, channel 1, is not within +180 dBFS")
    assert not list(folder.glob("out*"))


@pytest.mark.parametrize("mix", ["100 %", "50 %", "15 %"])
def test_the_bar_s_length_is_about_that_of_the_passes(folder, mix):
    stage = "compress: {threshold: -30 dB, ratio: 4:1, makeup: match, mix: MIX}".replace("MIX", mix)
    text = f"chainkit: 1\nworking_level: -20 LUFS\nstages:\n  - {stage}\n"
    chain = parse_chain(text)
    read = []
    render("voice.wav", chain, "out.wav", progress=read.append)
    assert sum(read) == pytest.approx(96_000 * passes(chain), abs=2 * 96_000)


def log_rows(name):
    """Rows of a gain-reduction log."""
    with open(name, newline="") as file:
        return list(csv.DictReader(file))


def kept(folder):
    """Names of what lies in the folder, hidden files included."""
    return sorted(path.name for path in folder.iterdir())


def test_a_bypassed_stage_has_no_matched_makeup(folder):
    change = ["--set", "compress.bypass=true"]
    assert main(["render", "voice.wav", "--chain", "chain.yaml", *change, "-o", "out.wav"]) == 0
    assert load_record("out.record.json")["matched_makeup_db"] == {}


def test_chunks_that_stay_behind_are_named(folder, capsys):
    append_chunks("voice.wav", [(b"levl", b"peaks"), (b"iXML", b"<BWFXML/>")])
    assert main(["render", "voice.wav", "--chain", "idle.yaml", "-o", "out.wav"]) == 0
    said = "the output lacks these parts of the voice's file: levl; "
    assert capsys.readouterr().err.count(said) == 1
    record = json.loads((folder / "out.record.json").read_text())
    assert record["output"]["chunks_left_out"] == ["levl"]
    assert main(["verify", "out.record.json"]) == 0


def test_tags_that_stay_behind_are_named(folder, capsys):
    with soundfile.SoundFile("voice.flac", "w", 48000, 1, "PCM_24") as file:
        file.title, file.artist = "Take 3", "Nobody"
        file.write(soundfile.read("voice.wav")[0])
    assert main(["render", "voice.flac", "--chain", "idle.yaml", "-o", "out.flac"]) == 0
    assert "parts of the voice's file: tags (title, artist); " in capsys.readouterr().err
    record = json.loads((folder / "out.record.json").read_text())
    assert record["output"]["chunks_left_out"] == ["tags (title, artist)"]
    assert main(["render", "out.flac", "--chain", "idle.yaml", "-o", "again.flac"]) == 0
    assert "parts of the voice" not in capsys.readouterr().err


def test_render_writes_audio_log_and_record(folder, capsys):
    assert main(["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"]) == 0
    printed = capsys.readouterr()
    assert "integrated loudness" in printed.out
    assert "wrote out.wav" in printed.out
    voice, out = soundfile.info("voice.wav"), soundfile.info("out.wav")
    assert (out.frames, out.samplerate, out.subtype) == (voice.frames, 48000, "PCM_24")
    rows = log_rows("out.gr.csv")
    assert list(rows[0]) == [
        *("frame", "seconds", "in_dbfs", "eq_db", "deess_db", "compress_db", "out_dbfs")
    ]
    assert len(rows) == 200
    assert [int(row["frame"]) for row in rows[:3]] == [0, 480, 960]
    record = json.loads((folder / "out.record.json").read_text())
    assert record["voice"]["file"] == "voice.wav"
    assert record["stages"]["compress"]["mean_db"] > 0.1
    before = record["levels"]["before"]["integrated_lufs"]
    assert record["trim_db"] == pytest.approx(-24 - before, abs=1e-9)
    assert not list(folder.glob(".chainkit*"))


def test_the_log_s_figures_are_those_of_the_signal(folder):
    # A steady square of known level through a known curve: 10·(1 − 1/4) = 7.5 dB of reduction.
    x = np.where(np.arange(48_000) % 8 < 4, 1.0, -1.0) * 10 ** (-10 / 20)
    soundfile.write("square.wav", x, 48000, "DOUBLE")
    (folder / "c.yaml").write_text(
        "chainkit: 1\nstages:\n  - compress: {threshold: -20 dB, ratio: 4:1, knee: 0 dB}\n"
    )
    main(["render", "square.wav", "--chain", "c.yaml", "-o", "o.wav", "--log-step", "100 ms"])
    rows = log_rows("o.gr.csv")
    assert len(rows) == 10
    last = {key: float(value) for key, value in rows[-1].items()}
    assert last["in_dbfs"] == pytest.approx(-10, abs=1e-3)
    assert last["compress_db"] == pytest.approx(-7.5, abs=1e-3)
    assert last["out_dbfs"] == pytest.approx(-17.5, abs=1e-3)
    stage = json.loads((folder / "o.record.json").read_text())["stages"]["compress"]
    assert stage["greatest_db"] == pytest.approx(7.5, abs=1e-3)
    assert stage["p95_db"] == pytest.approx(7.5, abs=0.011)
    assert stage["share_above_1_db"] > 0.99


def test_the_detail_file_replays(folder):
    command = ["render", "voice.wav", "--chain", "chain.yaml", "--set", "working_level=-30LUFS"]
    main([*command, "-o", "o.wav", "--detail", "--samples", "float64"])
    gains = np.load("o.gr.npz")
    assert sorted(gains.files) == ["compress", "deess", "rate"]
    assert gains["compress"].shape == (96_000, 1)
    rows = np.array([float(row["compress_db"]) for row in log_rows("o.gr.csv")])
    lowest = gains["compress"][:, 0].reshape(200, 480).min(axis=1)
    np.testing.assert_allclose(rows, lowest, atol=5e-5)


def test_an_idle_chain_gives_the_same_24_bit_samples_without_dither(folder):
    main(["render", "voice.wav", "--chain", "idle.yaml", "-o", "out.wav"])
    before, after = (soundfile.read(name, dtype="int32")[0] for name in ("voice.wav", "out.wav"))
    assert np.array_equal(before, after)
    assert json.loads((folder / "out.record.json").read_text())["output"]["dithered"] is False


def test_the_same_render_twice_is_the_same_file(folder):
    for name in ("a.wav", "b.wav"):
        main(["render", "voice.wav", "--chain", "chain.yaml", "-o", name, "--samples", "16"])
    assert (folder / "a.wav").read_bytes() == (folder / "b.wav").read_bytes()
    main(
        [
            "render",
            "voice.wav",
            "--chain",
            "chain.yaml",
            "-o",
            "c.wav",
            "--samples",
            "16",
            "--seed",
            "1",
        ]
    )
    assert (folder / "a.wav").read_bytes() != (folder / "c.wav").read_bytes()


def test_the_size_of_blocks_changes_nothing(folder, monkeypatch):
    command = ["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav", "--detail"]
    outputs = [folder / f"out.{ending}" for ending in ("wav", "gr.csv", "gr.npz", "record.json")]
    main(command)
    whole = [path.read_bytes() for path in outputs]
    monkeypatch.setattr("chainkit.rendering.LONG", 1009)  # a prime: no window begins with a block
    main([*command, "--force"])
    assert [path.read_bytes() for path in outputs] == whole


def test_the_record_holds_every_value_that_was_rendered_with(folder, capsys):
    """As `check` prints them, the makeup measured."""
    main(["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"])
    stages = load_record("out.record.json")["chain"]["stages"]
    assert stages[1]["deess"]["lookahead"] == "1 ms"
    capsys.readouterr()
    main(["check", "chain.yaml", "--json"])
    (checked,) = json.loads(capsys.readouterr().out)
    checked["stages"][2]["compress"]["makeup"] = stages[2]["compress"]["makeup"]
    assert stages == checked["stages"]


def verdict_on(samples, rate, capsys):
    """What verify says, in JSON, of an output that is not what was rendered."""
    soundfile.write("out.wav", samples, rate, "PCM_24")
    capsys.readouterr()
    assert main(["verify", "out.record.json", "--json"]) == 1
    return json.loads(capsys.readouterr().out)


def test_verify_says_identical_then_different(folder, capsys):
    main(["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"])
    assert main(["verify", "out.record.json"]) == 0
    assert "identical" in capsys.readouterr().out
    samples, rate = soundfile.read("out.wav", dtype="int32")
    samples[777] += 1 << 8
    verdict = verdict_on(samples, rate, capsys)
    assert verdict["first_frame"] == 777
    assert verdict["greatest_difference_dbfs"] == pytest.approx(-138.47, abs=0.01)


def test_verify_tells_how_far_audio_of_another_length_agrees(folder, capsys):
    main(["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"])
    samples, rate = soundfile.read("out.wav", dtype="int32")
    frames = len(samples)
    samples = samples[:-100]
    verdict = verdict_on(samples, rate, capsys)
    assert verdict["first_frame"] == frames - 100
    assert verdict["greatest_difference_dbfs"] is None
    assert any(f"{frames - 100} frames, rendered again" in why for why in verdict["reasons"])
    samples[555] += 1 << 9
    verdict = verdict_on(samples, rate, capsys)
    assert verdict["first_frame"] == 555
    assert verdict["greatest_difference_dbfs"] == pytest.approx(-132.45, abs=0.01)


def test_verify_tells_of_other_channels(folder, capsys):
    main(["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"])
    samples, rate = soundfile.read("out.wav", dtype="int32", always_2d=True)
    count = samples.shape[1]
    soundfile.write("out.wav", np.repeat(samples[:, :1], count + 1, axis=1), rate, "PCM_24")
    assert main(["verify", "out.record.json"]) == 1
    told = f"the output has {count + 1} channels, rendered again it has {count} channel"
    assert capsys.readouterr().out.split("; ")[1].strip() == told


@pytest.mark.parametrize("changed", ["out.wav", "voice.wav"])
def test_verify_tells_of_another_sample_rate(folder, capsys, changed):
    """The same samples under another rate: no sample differs, and the sound is another one."""
    main(["render", "voice.wav", "--chain", "idle.yaml", "-o", "out.wav"])
    samples, rate = soundfile.read(changed, dtype="int32")
    soundfile.write("slow.wav", samples, 44100, "PCM_24")
    capsys.readouterr()
    if changed == "out.wav":
        os.replace("slow.wav", "out.wav")
    moved = ["--voice", "slow.wav"] if changed == "voice.wav" else []
    assert main(["verify", "out.record.json", "--json", *moved]) == 1
    verdict = json.loads(capsys.readouterr().out)
    there, again = ("44.1", "48") if changed == "out.wav" else ("48", "44.1")
    told = f"the output has a sample rate of {there} kHz, rendered again it has a sample rate of"
    assert f"{told} {again} kHz" in verdict["reasons"]
    assert verdict["greatest_difference_dbfs"] is None


def test_the_record_of_an_eq_without_bands_can_be_read(folder):
    (folder / "bare.yaml").write_text("chainkit: 1\nstages:\n  - eq: {bands: []}\n")
    assert main(["render", "voice.wav", "--chain", "bare.yaml", "-o", "out.wav"]) == 0
    assert main(["verify", "out.record.json"]) == 0


def test_verify_notices_another_voice(folder, capsys):
    main(["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"])
    samples, rate = soundfile.read("voice.wav", dtype="int32")
    samples[5_000] += 1 << 20
    soundfile.write("voice.wav", samples, rate, "PCM_24")
    assert main(["verify", "out.record.json"]) == 1
    assert "the voice voice.wav is not the file that was recorded" in capsys.readouterr().out


def test_verify_writes_names_in_json_as_people_do(folder, capsys):
    main(["render", "voice.wav", "--chain", "idle.yaml", "-o", "out.wav"])
    samples, rate = soundfile.read("voice.wav", dtype="int32")
    soundfile.write("Stöße.wav", samples[1:], rate, "PCM_24")
    capsys.readouterr()
    assert main(["verify", "out.record.json", "--json", "--voice", "Stöße.wav"]) == 1
    assert '"the voice Stöße.wav is not the file that was recorded"' in capsys.readouterr().out


def test_a_float_voice_keeps_its_format_and_channels(folder, rng):
    soundfile.write("wide.flac", 0.1 * noise(rng, -20, 48_000, 3), 44100, "PCM_16")
    assert main(["render", "wide.flac", "--chain", "chain.yaml", "-o", "wide.aiff"]) == 0
    info = soundfile.info("wide.aiff")
    assert (info.format, info.subtype, info.channels) == ("AIFF", "PCM_16", 3)
    assert (
        main(
            ["render", "wide.flac", "--chain", "chain.yaml", "-o", "f.wav", "--samples", "float32"]
        )
        == 0
    )
    assert soundfile.info("f.wav").subtype == "FLOAT"


def test_set_and_order_change_the_chain(folder, capsys):
    command = ["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav", "--json"]
    main([*command, "--set", "deess.threshold=-30dB", "--order", "deess,compress,eq"])
    record = json.loads(capsys.readouterr().out)
    assert [next(iter(stage)) for stage in record["chain"]["stages"]] == ["deess", "compress", "eq"]
    assert record["chain"]["stages"][0]["deess"]["threshold"] == "-30 dB"


@pytest.mark.parametrize("order", [[], ["--order", "compress,deess,eq"]])
def test_a_value_that_was_set_is_named_where_it_does_not_suit_the_rate(folder, capsys, order):
    wrong = ["--set", "deess.frequency=40kHz", "--set", "eq.bands.2.frequency = 30 kHz", *order]
    assert main(["render", "voice.wav", "--chain", "chain.yaml", "-o", "o.wav", *wrong]) == 2
    assert capsys.readouterr().err == (
        "chainkit: --set deess.frequency: frequency 40 kHz is not below half the sample rate "
        "(48 kHz → 24 kHz)\n"
        "chainkit: --set eq.bands.2.frequency: frequency 30 kHz is not below half the sample rate "
        "(48 kHz → 24 kHz)\n"
    )


def test_an_output_that_would_clip_is_not_put_in_place(folder, capsys):
    soundfile.write("hot.wav", sine(997, -1, 1.0), 48000, "PCM_24")
    (folder / "up.yaml").write_text("chainkit: 1\nstages:\n  - gain: {gain: 6 dB}\n")
    before = kept(folder)
    assert main(["render", "hot.wav", "--chain", "up.yaml", "-o", "out.wav"]) == 4
    message = capsys.readouterr().err
    assert message.count("\n") == 1
    assert "would clip" in message
    assert "by up to 5.00 dB" in message
    assert message.endswith(" cures it; --allow-clipping keeps it\n")
    assert kept(folder) == before
    assert (
        main(["render", "hot.wav", "--chain", "up.yaml", "-o", "out.wav", "--allow-clipping"]) == 0
    )
    assert "caution: true peak" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["voice.wav", "--chain", "nope.yaml", "-o", "o.wav"], 2, "nope.yaml"),
        (["voice.wav", "--chain", "chain.yaml"], 2, "-o/--output"),
        (["nope.wav", "--chain", "chain.yaml", "-o", "o.wav"], 3, "nope.wav does not exist"),
        (["chain.yaml", "--chain", "chain.yaml", "-o", "o.wav"], 3, "not a sound file"),
        (["text.wav", "--chain", "chain.yaml", "-o", "o.wav"], 3, "not a sound file"),
        (["empty.wav", "--chain", "chain.yaml", "-o", "o.wav"], 3, "has no frames"),
        (["nan.wav", "--chain", "chain.yaml", "-o", "o.wav"], 3, "at frame 71234 "),
        (["short.wav", "--chain", "chain.yaml", "-o", "o.wav"], 3, "cut short"),
        (["voice.wav", "--chain", "chain.yaml", "-o", "voice.wav", "--force"], 4, "is the input"),
        (["voice.wav", "--chain", "chain.yaml", "-o", "link.wav", "--force"], 4, "is the input"),
        (["voice.wav", "--chain", "chain.yaml", "-o", "taken.wav"], 4, "--force replaces what is"),
        (["voice.wav", "--chain", "chain.yaml", "-o", "no/o.wav"], 4, "no folder 'no'"),
        (["voice.wav", "--chain", "chain.yaml", "-o", "o.mp9"], 2, "mp9"),
        (["voice.wav", "--chain", "chain.yaml", "-o", "."], 4, ". is a folder; name a file in it"),
        (["voice.wav", "--chain", "chain.yaml", "-o", "/"], 4, "/ is a folder; name a file in it"),
        (["voice.wav", "--chain", "chain.yaml", "-o", ".."], 4, ".. is a folder; name a file"),
        (
            ["voice.wav", "--chain", "chain.yaml", "-o", "o.flac", "--samples", "float32"],
            2,
            "chainkit: FLAC has no sample format float32; --samples takes 16, 24 for it\n",
        ),
        (
            ["voice.wav", "--chain", "chain.yaml", "-o", "o.flac", "--samples", "32"],
            2,
            "chainkit: FLAC has no sample format 32; --samples takes 16, 24 for it\n",
        ),
        (
            ["float.wav", "--chain", "chain.yaml", "-o", "o.flac"],
            2,
            "FLAC has no sample format float32, as the voice is; --samples takes 16, 24 for it\n",
        ),
        (
            ["voice.wav", "--chain", "chain.yaml", "-o", "o.wav", "--samples", "12"],
            2,
            "is not one of 16",
        ),
        (
            ["voice.wav", "--chain", "chain.yaml", "-o", "o.wav", "--set", "deess=1"],
            2,
            "chainkit: --set deess: write STAGE.KEY",
        ),
        (
            ["voice.wav", "--chain", "chain.yaml", "-o", "o.wav", "--set", "deess.threshold=-36"],
            2,
            "chainkit: --set deess.threshold: '-36' has no unit; write '-36 dB'",
        ),
        (
            ["voice.wav", "--chain", "chain.yaml", "-o", "o.wav", "--set", "gate.range=3dB"],
            2,
            "chainkit: --set gate.range: no stage 'gate'; the chain has eq, deess, compress",
        ),
        (
            ["voice.wav", "--chain", "chain.yaml", "-o", "o.wav"]
            + ["--set", "deess.range=3dB", "--set", "deess.range = 4dB"],
            2,
            "chainkit: --set deess.range is given twice; leave one",
        ),
        (
            ["voice.wav", "--chain", "chain.yaml", "-o", "o.wav", "--set", "working_level=3"],
            2,
            "chainkit: --set working_level: '3' has no unit",
        ),
        (
            ["voice.wav", "--chain", "chain.yaml", "-o", "o.wav", "--log-step", "3"],
            2,
            "has no unit",
        ),
        (["voice.wav", "--chian", "chain.yaml", "-o", "o.wav"], 2, "--chain"),
        (["low.wav", "--chain", "chain.yaml", "-o", "o.wav"], 2, "not below half the sample rate"),
    ],
)
def test_faults_are_one_line_and_leave_nothing(folder, rng, capsys, arguments, code, message):
    (folder / "text.wav").write_text("not audio at all\n" * 40)
    (folder / "taken.wav").write_text("mine")
    (folder / "link.wav").symlink_to("voice.wav")
    soundfile.write("empty.wav", np.zeros((0, 1)), 48000)
    soundfile.write("low.wav", bursts(rng, 8_000), 8000)
    soundfile.write("float.wav", bursts(rng, 8_000), 48000, "FLOAT")
    broken = bursts(rng, 96_000)
    broken[71_234] = np.nan
    soundfile.write("nan.wav", broken, 48000, "FLOAT")
    (folder / "short.wav").write_bytes((folder / "voice.wav").read_bytes()[:-10_000])
    before, voice = kept(folder), (folder / "voice.wav").read_bytes()
    assert main(["render", *arguments]) == code
    printed = capsys.readouterr()
    assert printed.out == ""
    assert message in printed.err
    assert "Traceback" not in printed.err
    assert kept(folder) == before
    assert (folder / "voice.wav").read_bytes() == voice
    assert (folder / "taken.wav").read_text() == "mine"


def test_a_chain_file_fault_names_its_place(folder, capsys):
    (folder / "bad.yaml").write_text(CHAIN.replace("ratio: 4:1", "ration: 4:1"))
    assert main(["render", "voice.wav", "--chain", "bad.yaml", "-o", "o.wav"]) == 2
    message = capsys.readouterr().err
    assert message.startswith("chainkit: bad.yaml:8:32: no key 'ration' in deess")
    assert message.count("\n") == 1


def test_a_clipped_voice_is_told(folder, capsys):
    x = sine(100.0, 6.0, 0.1).clip(-1.0, 1.0)
    soundfile.write("hot.wav", x, 48000, "PCM_16")
    assert main(["render", "hot.wav", "--chain", "idle.yaml", "-o", "out.wav"]) == 0
    # 10 periods of a sine of twice full scale, from 30 to 150 degrees: 1/1200 s is the first place.
    told = "the voice is clipped in 20 places, first at 0.001 s; no chain takes that back"
    assert told in capsys.readouterr().err


def test_integers_stored_as_float_are_asked_about_and_not_called_clipped(folder, capsys):
    x = np.rint(2.0**15 * sine(100.0, -6.0, 0.5))
    x[::480] = x[1::480] = x[2::480] = 16384.0  # one value three times, as clipping leaves it
    soundfile.write("integers.wav", x, 48000, "FLOAT")
    assert main(["render", "integers.wav", "--chain", "idle.yaml", "-o", "integers.out.wav"]) == 0
    told = capsys.readouterr().err
    assert "the voice's samples reach +84 dBFS: is this a file of integers" in told
    assert "is clipped in" not in told


def test_outputs_that_would_share_a_record_are_told_whose_it_is(folder, capsys):
    render = ["render", "voice.wav", "--chain", "idle.yaml", "-o"]
    assert main([*render, "co.wav"]) == 0
    capsys.readouterr()
    assert main([*render, "co.flac"]) == 4
    assert capsys.readouterr().err == (
        "chainkit: co.record.json exists already: log and record are named after both co.wav and "
        "co.flac; --force replaces what is there\n"
    )
    assert main([*render, "co.wav"]) == 4
    assert "co.flac" not in capsys.readouterr().err
    assert main([*render, "co.flac", "--force"]) == 0


def test_force_replaces_what_is_there(folder):
    command = ["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"]
    assert main(command) == 0
    assert main(command) == 4
    assert main([*command, "--force"]) == 0


LIMITED = """
import resource, signal, sys
from chainkit.cli.main import main
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
sys.exit(main(sys.argv[1:]))
"""


def test_a_full_disk_is_one_line_and_leaves_nothing(folder):
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[1] == resource.RLIM_INFINITY
    before = kept(folder)
    command = ["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"]
    # numba must not write its cache under the limit.
    run = subprocess.run(
        [sys.executable, "-c", LIMITED, *command],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert run.returncode == 4
    assert run.stderr.startswith("chainkit: out.")
    assert run.stderr.count("\n") == 1
    assert kept(folder) == before


@pytest.mark.parametrize(
    ("number", "code", "said"),
    [
        (signal.SIGINT, 130, "chainkit: interrupted"),
        (signal.SIGTERM, 143, ""),
    ],
)
def test_an_interrupted_render_leaves_nothing(folder, rng, number, code, said):
    soundfile.write("long.wav", np.tile(bursts(rng, 480_000), (60, 1)), 48000, "PCM_24")
    before = kept(folder)
    command = ["render", "long.wav", "--chain", "chain.yaml", "-o", "out.wav", "--detail"]
    process = subprocess.Popen(
        [sys.executable, "-m", "chainkit.cli.main", *command], stderr=subprocess.PIPE, text=True
    )
    deadline = time.monotonic() + 60
    while kept(folder) == before and time.monotonic() < deadline:
        time.sleep(0.01)
    assert kept(folder) != before
    process.send_signal(number)
    _, message = process.communicate(timeout=60)
    assert process.returncode == code
    assert message.strip() == said
    assert kept(folder) == before


def test_metadata_travels(folder):
    # A bext chunk with a time reference beyond 32 bits (EBU Tech 3285): it must be unchanged.
    bext = bytearray(602)
    bext[0:5] = b"scene"
    bext[346] = 2
    bext[338:346] = (16_588_608_000).to_bytes(8, "little")
    data = (folder / "voice.wav").read_bytes() + b"bext" + len(bext).to_bytes(4, "little") + bext
    data = data[:4] + (len(data) - 8).to_bytes(4, "little") + data[8:]
    (folder / "voice.wav").write_bytes(data)
    assert main(["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"]) == 0
    out = (folder / "out.wav").read_bytes()
    chunk = out[out.index(b"bext") + 8 :]
    assert chunk[0:5] == b"scene"
    assert int.from_bytes(chunk[338:346], "little") == 16_588_608_000
    # LoudnessValue: hundredths of a LUFS, of the output.
    after = json.loads((folder / "out.record.json").read_text())["levels"]["after"]
    loudness = int.from_bytes(chunk[412:414], "little", signed=True)
    assert loudness == round(100 * after["integrated_lufs"])


# -------------------------------------------------------------------- inputs are never touched
@pytest.mark.parametrize("ending", ["wav", "gr.csv", "gr.npz", "record.json"])
@pytest.mark.parametrize("source", ["voice.wav", "chain.yaml", "moves.csv"])
def test_no_output_may_be_an_input(folder, capsys, ending, source):
    (folder / "moves.csv").write_text("seconds,gain_db\n0,0\n1,-3\n")
    (folder / "ride.yaml").write_text("chainkit: 1\nstages:\n  - ride: {file: moves.csv}\n")
    chain = "ride.yaml" if source == "moves.csv" else "chain.yaml"
    (folder / f"out.{ending}").symlink_to(source)
    before = (folder / source).read_bytes()
    command = ["render", "voice.wav", "--chain", chain, "-o", "out.wav", "--detail", "--force"]
    assert main(command) == 4
    assert "is the input" in capsys.readouterr().err
    assert (folder / source).read_bytes() == before


def test_a_record_that_cannot_be_written_leaves_no_audio(folder, capsys, monkeypatch):
    def full(record):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("chainkit.rendering.as_json", full)
    before = kept(folder)
    assert main(["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"]) == 4
    assert "no space left" in capsys.readouterr().err
    assert kept(folder) == before


def test_figures_of_a_clipped_output_are_those_of_its_file(folder, capsys):
    soundfile.write("hot.wav", sine(997, -1, 1.0), 48000, "PCM_16")
    (folder / "up.yaml").write_text("chainkit: 1\nstages:\n  - gain: {gain: 12 dB}\n")
    main(["render", "hot.wav", "--chain", "up.yaml", "-o", "out.wav", "--allow-clipping", "--json"])
    after = json.loads(capsys.readouterr().out)["levels"]["after"]
    main(["measure", "out.wav", "--json"])
    (measured,) = json.loads(capsys.readouterr().out)
    for key in ("integrated_lufs", "true_peak_dbtp", "sample_peak_dbfs"):
        assert after[key] == pytest.approx(measured[key], abs=0.01)
    assert max(float(row["out_dbfs"]) for row in log_rows("out.gr.csv")) <= 0.0


# ------------------------------------------------------------------------------------ records
@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("voice", None),
        ("voice.file", 3),
        ("voice.file", "no\0where"),
        ("output.dither_seed", -5),
        ("output.dither_seed", True),
        ("output.subtype", None),
        ("output.subtype", "PCM_17"),
        ("output.container", "TAPE"),
        ("trim_db", 1e6),
        ("trim_db", "loud"),
        ("chain", []),
        ("chain.stages", [{"gain": {}}]),
        ("chain.stages", [{"compress": {"threshold": "-9 dB", "ratio": "2:1", "makeup": "match"}}]),
        ("versions", None),
        ("chainkit_record", 2),
    ],
)
def test_a_record_that_was_tampered_with_is_one_line(folder, capsys, path, value):
    main(["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"])
    record = json.loads((folder / "out.record.json").read_text())
    *parents, last = path.split(".")
    inner = record
    for key in parents:
        inner = inner[key]
    inner[last] = value
    (folder / "out.record.json").write_text(json.dumps(record))
    capsys.readouterr()
    assert main(["verify", "out.record.json"]) == 2
    message = capsys.readouterr().err
    assert message.startswith("chainkit: out.record.json")
    assert message.count("\n") == 1
    assert "--" not in message  # no option cures it


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_a_record_s_trim_is_200_db_at_most(sign):
    record = {"chain": {"chainkit": 1, "stages": []}, "trim_db": sign * 200.0}
    assert prepared_chain(record, "x").trim == sign * 200.0
    record["trim_db"] = sign * 200.1
    with pytest.raises(UsageError, match="^x: trim_db or a makeup is not one that was rendered"):
        prepared_chain(record, "x")


def test_a_fault_in_a_record_s_chain_is_told_where_it_stands(folder, capsys):
    """A record has no lines that a hand has written, so keys lead there."""
    main(["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"])
    record = json.loads((folder / "out.record.json").read_text())
    eq, deess, compress = record["chain"]["stages"]
    eq["eq"]["bands"][1]["frequency"] = "280"
    deess["deess"]["threshold"] = "-30"
    del compress["compress"]["ratio"]
    (folder / "out.record.json").write_text(json.dumps(record))
    capsys.readouterr()
    assert main(["verify", "out.record.json"]) == 2
    first, second, third = capsys.readouterr().err.splitlines()
    told = "chainkit: out.record.json: chain.stages."
    assert first.startswith(f"{told}1.eq.bands.2.frequency: frequency '280' has no unit")
    assert second.startswith(f"{told}2.deess.threshold: threshold '-30' has no unit")
    assert third.startswith(f"{told}3.compress: compress needs ratio")


@pytest.mark.parametrize("text", ["", "[" * 100_000, "{}", "[]", "null", "\x00"])
def test_what_is_no_record_is_one_line(folder, capsys, text):
    (folder / "x.record.json").write_text(text)
    assert main(["verify", "x.record.json"]) == 2
    assert "is not a render record" in capsys.readouterr().err


def test_a_record_moves_with_its_files_and_through_links(folder, capsys):
    (folder / "deep/er").mkdir(parents=True)
    (folder / "near").symlink_to("deep/er")
    assert main(["render", "voice.wav", "--chain", "chain.yaml", "-o", "near/out.wav"]) == 0
    assert main(["verify", "near/out.record.json"]) == 0
    (folder / "voice.wav").rename(folder / "elsewhere.wav")
    assert main(["verify", "near/out.record.json"]) == 3
    told = capsys.readouterr().err
    assert "/voice.wav is gone; --voice FILE names it where it lies now" in told
    assert main(["verify", "near/out.record.json", "--voice", "elsewhere.wav"]) == 0
    record = json.loads((folder / "near/out.record.json").read_text())
    assert record["chain_file"] == "../../chain.yaml"


# ---------------------------------------------------------------------------------- terminals
@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_any_encoding_of_the_terminal_will_do(folder, encoding):
    command = ["render", "voice.wav", "--chain", "chain.yaml", "-o", "out.wav"]
    run = subprocess.run(
        [sys.executable, "-m", "chainkit.cli.main", *command],
        capture_output=True,
        env=os.environ | {"PYTHONIOENCODING": encoding},
    )
    assert run.returncode == 0, run.stderr
    assert b"Traceback" not in run.stderr


@pytest.mark.parametrize(("place", "code"), [(">&-", 0), (">/dev/full", 4), ("| head -n 0", 0)])
def test_a_terminal_that_is_gone_is_no_traceback(folder, place, code):
    command = f"{sys.executable} -m chainkit.cli.main presets {place}"
    run = subprocess.run(["bash", "-o", "pipefail", "-c", command], capture_output=True, text=True)
    assert run.returncode == code, run.stderr
    assert run.stderr == ("chainkit: standard output: no space left on device\n" if code else "")
