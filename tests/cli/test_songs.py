"""A record's songs through the command line, on files: what is rendered, kept, told and resumed."""

from __future__ import annotations

import hashlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from functools import cache

import numpy as np
import pytest
import songwork
import soundfile
from jsonschema import Draft202012Validator
from yaml import safe_load

from chainkit.audio import atomic
from chainkit.audio.leftovers import pending_name
from chainkit.audio.reader import AudioReader
from chainkit.cli.main import main
from chainkit.dsp.voice import sing
from chainkit.errors import ChainFileError, UsageError
from chainkit.pages import voice_sheet
from chainkit.songbook import cluster, load_songbook, naming, running, songbook_schema, worker
from chainkit.songbook.work import FAILED, RENDERED, STALE, Outcome, look, render_voice

RATE = 16000
WIDER = 10.0 * np.log10(2.0)  # dB
CHAIN = """\
chainkit: 1
working_level: -24 LUFS
stages:
  - eq:
      bands:
        - {shape: highpass, frequency: 80 Hz, slope: 24 dB/oct}
  - deess: {frequency: 5 kHz, threshold: -44 dB, range: 8 dB}
  - compress: {threshold: -28 dB, ratio: 3:1, makeup: match}
"""


@cache
def sung(seed):
    """Four seconds of a demo voice, for reading only."""
    return sing(RATE, seconds=4.0, seed=seed).voice


def write_voice(path, seed, gain=1.0, subtype="FLOAT"):
    path.parent.mkdir(exist_ok=True)
    soundfile.write(path, gain * sung(seed), RATE, subtype)


def book_of(count, extra=""):
    songs = [
        f"  - title: Song {n}\n    voices:\n      - {{role: lead, file: {n}/lead.wav{extra}}}\n"
        for n in range(1, count + 1)
    ]
    return f"chainkit: 1\nrecord: Example\nchains: {{lead: lead.yaml}}\nsongs:\n{''.join(songs)}"


@pytest.fixture
def record(tmp_path, monkeypatch):
    """Make a record of so many songs in the current folder."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "lead.yaml").write_text(CHAIN)

    def make(count):
        for n in range(1, count + 1):
            write_voice(tmp_path / str(n) / "lead.wav", n)
        (tmp_path / "book.yaml").write_text(book_of(count))
        return tmp_path

    return make


def songs(*options):
    return main(["songs", "book.yaml", "--jobs", "1", *options])


def render_without_pages():
    """What `songs` does, but for the pages, which take most of the time."""
    for voice in load_songbook("book.yaml").voices:
        render_voice(Outcome(voice, STALE))


def told(capsys, *options):
    """Exit code and JSON of a run."""
    capsys.readouterr()
    code = songs("--json", *options)
    return code, json.loads(capsys.readouterr().out)


def states(result):
    """State of each voice that has a render."""
    return {voice["number"]: voice["state"] for voice in result["voices"] if voice["figures"]}


def hashes(folder):
    """Hash of every output that is the same in every run."""
    rendered = folder / "rendered"
    found = [*sorted(rendered.rglob("*.wav")), *sorted(rendered.rglob("*.gr.csv"))]
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in found}


# ------------------------------------------------------------------------------ what is rendered
def test_songs_are_rendered_with_their_pages_and_then_kept(record, capsys):
    folder = record(2)
    assert songs() == 0
    printed = capsys.readouterr().out
    assert "2 voices: 2 rendered" in printed
    assert "Song 2" in printed
    # Which figure of a stage it is: its name, the figure, the unit, one beneath the other.
    assert re.search(r" in sibi- +compress\n.* lants, +95 %,\n.* dB +dB\n", printed), printed
    outputs = sorted(p.relative_to(folder).as_posix() for p in (folder / "rendered").rglob("*.*"))
    assert outputs == [
        "rendered/Song 1/lead.gr.csv", "rendered/Song 1/lead.recall.html",
        "rendered/Song 1/lead.record.json", "rendered/Song 1/lead.wav",
        "rendered/Song 2/lead.gr.csv", "rendered/Song 2/lead.recall.html",
        "rendered/Song 2/lead.record.json", "rendered/Song 2/lead.wav",
        "rendered/overview.html",
    ]  # fmt: skip
    times = {path: os.stat(path).st_mtime_ns for path in outputs[:-1]}
    code, result = told(capsys)
    assert code == 0
    assert states(result) == {1: "current", 2: "current"}
    assert {path: os.stat(path).st_mtime_ns for path in outputs[:-1]} == times


def test_only_what_has_changed_is_rendered_again(record, capsys):
    folder = record(3)
    render_without_pages()
    write_voice(folder / "2" / "lead.wav", 2, gain=0.9)
    (folder / "rendered" / "Song 3" / "lead.record.json").unlink()
    _, result = told(capsys, "--dry-run")
    assert {entry["number"]: entry["reason"] for entry in result["to_render"]} == {
        2: "the voice has changed since",
        3: "never rendered",
    }
    assert states(told(capsys)[1]) == {1: "current", 2: "rendered", 3: "rendered"}


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda folder: _edit(folder / "lead.yaml", "ratio: 3:1", "ratio: 4:1"), "the chain"),
        (lambda folder: _edit(folder / "lead.yaml", "-24 LUFS", "-25 LUFS"), "the chain"),
        (lambda folder: _edit(folder / "book.yaml", "lead.wav}", "lead.wav, changes: "
                              "{deess.threshold: -40 dB}}"), "the chain"),
        (lambda folder: _edit(folder / "lead.yaml", "range: 8 dB", "range: 8.0 dB"), None),
        (lambda folder: _output(folder, "lead.gr.csv").unlink(), "a file of the render"),
        (lambda folder: _edit(_output(folder, "lead.record.json"), '"numpy": "', '"numpy": "0'),
         "made by other versions"),
        (lambda folder: _output(folder, "lead.record.json").write_text("{"), "never rendered"),
        (lambda folder: _edit(_output(folder, "lead.record.json"), '"sha256"', '"sha"'),
         "its record is damaged"),
    ],
)  # fmt: skip
def test_a_change_is_noticed(record, change, reason):
    folder = record(1)
    render_without_pages()
    change(folder)
    found = look(load_songbook("book.yaml").voices[0])
    assert found.reason.startswith(reason or "")
    assert (found.state == STALE) == (reason is not None)


def _output(folder, name, title="Song 1"):
    return folder / "rendered" / title / name


def _edit(path, old, new):
    path.write_text(path.read_text().replace(old, new))


def test_a_dry_run_writes_nothing(record, capsys):
    folder = record(1)
    before = sorted(folder.rglob("*"))
    assert songs("--dry-run") == 0
    assert "song 1 (Song 1), lead: never rendered" in capsys.readouterr().out
    assert sorted(folder.rglob("*")) == before


def test_only_one_song_and_all_by_force(record, capsys):
    record(2)
    _, result = told(capsys, "--only", "Song 2")
    assert states(result) == {2: "rendered"}
    assert [entry["number"] for entry in result["to_render"]] == [1]
    _, result = told(capsys, "--force")
    assert states(result) == {1: "rendered", 2: "rendered"}
    assert songs("--only", "Sung 2") == 2
    message = "no song 'Sung 2'; the titles are 'Song 1', 'Song 2'; did you mean 'Song 2'?"
    assert message in capsys.readouterr().err


def test_one_song_alone_leaves_the_others_in_the_overview(record, capsys):
    """What is out of date keeps the figures of its earlier render, and is said to be so."""
    folder = record(4)
    render_without_pages()
    _edit(folder / "lead.yaml", "ratio: 3:1", "ratio: 4:1")
    _output(folder, "lead.record.json", "Song 2").unlink()
    (folder / "3" / "lead.wav").write_bytes(b"not a sound at all")
    assert songs("--only", "Song 1") == 0
    printed = capsys.readouterr().out
    page = (folder / "rendered" / "overview.html").read_text()
    for words in (
        "song 2 (Song 2), lead: never rendered",
        "song 3 (Song 3), lead: could not be rendered: book.yaml:13:28: 3/lead.wav is not a sound",
        "song 4 (Song 4), lead: out of date: the chain has changed since",
    ):
        assert words in page
        assert words in printed
    assert page.count('recall.html"') == 3
    assert re.search(r"Song 4 +lead +out of date ", printed)
    table = printed[re.search("(?m)^ .*sibilance.*$", printed).start() :].split("\n\n")[0]
    assert max(map(len, table.split("\n"))) <= 110


def test_a_missing_file_is_the_failure_of_its_song(record, capsys):
    folder = record(3)
    (folder / "3" / "lead.wav").unlink()
    extra = ", rides: moves.csv, backing: none.wav}"
    _edit(folder / "book.yaml", "1/lead.wav}", f"1/lead.wav{extra}")
    assert songs() == 1
    told = capsys.readouterr()
    assert "3 voices: 1 rendered, 2 failed" in told.out
    assert "wrote rendered/overview.html" in told.out
    assert told.err.splitlines()[-3:] == [
        "chainkit: song 1 (Song 1), lead: book.yaml:7:47: there is no ride file 'moves.csv'",
        "chainkit: song 1 (Song 1), lead: book.yaml:7:67: there is no backing 'none.wav'",
        "chainkit: song 3 (Song 3), lead: book.yaml:13:28: there is no file '3/lead.wav'",
    ]


def test_all_faults_of_a_ride_file_are_told_of_its_song(record, capsys):
    folder = record(1)
    (folder / "moves.csv").write_text("seconds,gain_db\n0,x\n1\n")
    _edit(folder / "book.yaml", "1/lead.wav}", "1/lead.wav, rides: moves.csv}")
    assert songs("--dry-run") == 1
    told = capsys.readouterr()
    lines = told.err.splitlines()
    for line, place in zip(lines, ("moves.csv:2:3", "moves.csv:3:1"), strict=True):
        assert line.startswith(f"chainkit: song 1 (Song 1), lead: {place}: row ")


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("rides", "seconds,gain_db\n0.0,0.0\n1.0\n", "moves:3:1: row '1.0'"),
        ("rides", "seconds,gain_db\n", "book.yaml:7:47: the ride file moves holds no points"),
        ("backing", "no sound", "book.yaml:7:49: moves is not a sound file"),
    ],
)
def test_an_unreadable_file_is_the_failure_of_its_song(record, capsys, name, text, told):
    folder = record(2)
    (folder / "moves").write_text(text)
    _edit(folder / "book.yaml", "1/lead.wav}", f"1/lead.wav, {name}: moves}}")
    assert songs() == 1
    printed = capsys.readouterr()
    assert "2 voices: 1 rendered, 1 failed" in printed.out
    (failure,) = [line for line in printed.err.splitlines() if "song 1" in line]
    assert told in failure
    assert failure.count("moves") == 1
    assert not (folder / "rendered" / "Song 1").exists()


def test_a_chain_that_does_not_suit_a_voice_is_told_before_any_work(record, capsys):
    folder = record(2)
    x, rate = soundfile.read(folder / "2" / "lead.wav")
    soundfile.write(folder / "2" / "lead.wav", x[::2], rate // 2)
    assert songs("--dry-run") == 1
    (failure,) = capsys.readouterr().err.splitlines()
    assert failure.startswith("chainkit: song 2 (Song 2), lead: lead.yaml:7:")
    assert "is not below half the sample rate (8 kHz → 4 kHz)" in failure


def test_a_change_that_does_not_suit_a_voice_is_told_with_its_place(record, capsys):
    """The chain file's own value would."""
    folder = record(1)
    changes = "changes: {deess.frequency: 7 kHz, eq.bands.1.frequency: 9 kHz}"
    (folder / "book.yaml").write_text(book_of(1, f", {changes}"))
    line = (folder / "book.yaml").read_text().splitlines()[6]
    told = f"book.yaml:7:{line.index('9 kHz') + 1}: frequency 9 kHz is not below half the sample"
    for command in (["check", "book.yaml"], ["songs", "book.yaml"]):
        assert main(command) != 0
        said = capsys.readouterr().err
        assert told in said
        assert "lead.yaml" not in said


def test_a_failure_that_was_not_asked_for_is_told_but_fails_nothing(record, capsys):
    folder = record(2)
    (folder / "2" / "lead.wav").unlink()
    assert songs("--only", "Song 1", "--force") == 0
    count, told, *_ = capsys.readouterr().out.splitlines()
    assert count == "1 voice: 1 rendered"  # of what was asked for
    assert told.startswith("  song 2 (Song 2), lead: could not be rendered: book.yaml:10:28")
    assert songs("--only", "Song 2", "--force") == 1


def test_rides_and_changes_reach_the_chain(record):
    folder = record(1)
    (folder / "moves.csv").write_text("seconds,gain_db\n0.0,0.0\n1.0,-3.0\n")
    extra = ", rides: moves.csv, changes: {deess.threshold: -40 dB, compress.ratio: 4:1}"
    (folder / "book.yaml").write_text(book_of(1, extra))
    chain = load_songbook("book.yaml").voices[0].chain
    assert [stage.kind for stage in chain.stages] == ["ride", "eq", "deess", "compress"]
    assert chain.stages[0].points == ((0.0, 0.0), (1.0, -3.0))
    assert (chain.stages[2].threshold, chain.stages[3].ratio) == (-40.0, 4.0)


def test_the_recall_sheet_marks_the_rides_of_its_song(record):
    folder = record(1)
    (folder / "moves.csv").write_text("seconds,gain_db\n0,-6\n")
    (folder / "book.yaml").write_text(book_of(1, ", rides: moves.csv"))
    assert songs() == 0
    sheet = (folder / "rendered" / "Song 1" / "lead.recall.html").read_text("utf-8")
    assert "marked with *, in place of what the chain file says: rides moves.csv." in sheet
    assert '<p class="own">Straight lines' in sheet


def test_edited_rides_are_told_from_an_edited_chain(record, capsys):
    folder = record(1)
    moves = folder / "moves.csv"
    moves.write_text("seconds,gain_db\n0.0,0.0\n1.0,-3.0\n")
    (folder / "book.yaml").write_text(book_of(1, ", rides: moves.csv"))
    render_without_pages()
    moves.write_text("seconds,gain_db\n0.0,0.0\n1.0,-2.0\n")
    _, result = told(capsys, "--dry-run")
    assert [entry["reason"] for entry in result["to_render"]] == ["the rides have changed since"]


def test_rides_take_the_place_of_the_points_in_a_ride_stage(record):
    folder = record(1)
    (folder / "lead.yaml").write_text(
        "chainkit: 1\nstages:\n  - eq: {bands: []}\n  - ride: {points: [[0 s, 1 dB]], name: r}\n"
    )
    (folder / "moves.csv").write_text("seconds,gain_db\n0.0,-2.0\n")
    (folder / "book.yaml").write_text(book_of(1, ", rides: moves.csv"))
    chain = load_songbook("book.yaml").voices[0].chain
    assert [stage.name for stage in chain.stages] == ["eq", "r"]
    assert chain.stages[1].points == ((0.0, -2.0),)


def test_the_working_level_makes_one_chain_fit_every_recording_level(record, capsys):
    folder = record(3)
    for n, gain in enumerate((-12.0, 0.0, 9.0), start=1):
        write_voice(folder / str(n) / "lead.wav", 1, 10 ** (gain / 20), "DOUBLE")
    _, result = told(capsys)
    quiet, plain, loud = (
        np.concatenate(list(AudioReader(voice["output"]).blocks())) for voice in result["voices"]
    )
    np.testing.assert_allclose(quiet, plain, rtol=0, atol=1e-6)
    np.testing.assert_allclose(loud, plain, rtol=0, atol=1e-6)
    trims = [voice["figures"]["trim_db"] for voice in result["voices"]]
    assert np.diff(trims) == pytest.approx([-12.0, -9.0], abs=1e-6)
    for statistic in ("greatest_db", "mean_db", "p95_db", "outside_sibilants_db"):
        for stage in ("deess", "compress"):
            values = [voice["stages"][stage][statistic] for voice in result["voices"]]
            assert values == pytest.approx([values[0]] * 3, abs=0.02)
            assert statistic != "greatest_db" or values[0] > 1.0


def test_one_corrupt_voice_does_not_stop_the_rest(record, capsys):
    folder = record(3)
    (folder / "2" / "lead.wav").write_bytes(b"not a sound at all")
    code, result = told(capsys)
    assert code == 1
    assert states(result) == {1: "rendered", 3: "rendered"}
    assert [entry["file"] for entry in result["failed"]] == ["2/lead.wav"]
    assert songs() == 1
    printed = capsys.readouterr()
    assert "3 voices: 2 current, 1 failed" in printed.out
    assert "song 2 (Song 2), lead: book.yaml:10:28: 2/lead.wav is not a sound file" in printed.err
    assert "2/lead.wav is not a sound file" in (folder / "rendered/overview.html").read_text()


def test_a_failure_is_told_also_where_the_overview_cannot_be_written(record, capsys):
    folder = record(2)
    (folder / "2" / "lead.wav").write_bytes(b"not a sound at all")
    (folder / "rendered" / "overview.html").mkdir(parents=True)
    assert songs() == 4
    failure, page = capsys.readouterr().err.splitlines()
    assert "song 2 (Song 2), lead: book.yaml:10:28: 2/lead.wav is not a sound file" in failure
    assert "overview.html is a folder" in page


def test_clipping_fails_one_song_unless_allowed(record, capsys):
    folder = record(1)
    _edit(folder / "lead.yaml", "makeup: match", "makeup: 24 dB")
    write_voice(folder / "1" / "lead.wav", 1, subtype="PCM_16")
    assert songs() == 1
    message = capsys.readouterr().err
    assert "would clip" in message
    assert "; --allow-clipping keeps it\n" in message
    assert not list((folder / "rendered").rglob("lead.*"))
    assert songs("--allow-clipping") == 0


def test_a_makeup_out_of_reach_is_told_of_its_song(record, capsys):
    folder = record(1)
    _edit(folder / "lead.yaml", "threshold: -28 dB, ratio: 3:1", "threshold: -90 dB, ratio: inf")
    assert songs() == 0
    told_of = re.search(r"\* (song 1 \(Song 1\), lead: .*)", capsys.readouterr().out)
    assert told_of[1].endswith(" quieter than its input: its makeup ends at 48 dB")
    note = told_of[1].removeprefix("song 1 (Song 1), lead: ")
    for page in ("overview.html", "Song 1/lead.recall.html"):
        assert note in (folder / "rendered" / page).read_text()
    (voice,) = told(capsys)[1]["voices"]
    assert voice["render_notes"] == [note]


@pytest.mark.parametrize(
    ("seconds", "channels", "level", "asked"),
    [
        (4, 2, 0.1, []),
        (5.5, 1, 0.1, []),
        (2, 2, 0.1, ["the backing ends after 2.0 s, the voice after 4.0 s"]),
        (8, 2, 0.1, ["the backing lasts 8.0 s, the voice ends after 4.0 s"]),
        (4, 4, 0.1, ["channels: the backing has 4, the voice 1"]),
        (4, 2, 0.0, ["the backing is silent"]),
    ],
)
def test_a_backing_that_seems_the_wrong_one_is_asked_about(
    record, capsys, rng, seconds, channels, level, asked
):
    folder = record(1)
    x = level * rng.standard_normal((round(seconds * RATE), channels))
    soundfile.write("backing.wav", x, RATE, "FLOAT")
    (folder / "book.yaml").write_text(book_of(1, ", backing: backing.wav"))
    assert songs() == 0
    out = capsys.readouterr().out
    asked = [f"{words}; is it the right file?" for words in asked]
    assert re.findall(r"\* song 1 \(Song 1\), lead: (.*right file.*)", out) == asked
    page = (folder / "rendered" / "overview.html").read_text()
    assert all(words in page for words in asked)
    (voice,) = told(capsys)[1]["voices"]
    assert voice["backing_notes"] == asked


def test_rides_of_another_song_are_asked_about_wherever_they_are_used(record, capsys):
    folder = record(1)
    (folder / "moves.csv").write_text("seconds,gain_db\n0,-3\n209,-3\n")
    (folder / "ridden.yaml").write_text("chainkit: 1\nstages: [ride: {file: moves.csv}]\n")
    asked = "ride goes on to 209.0 s, the voice ends after 4.0 s; is it the right file?"
    assert main(["render", "1/lead.wav", "--chain", "ridden.yaml", "-o", "out.wav"]) == 0
    assert f"chainkit: {asked}\n" in capsys.readouterr().err
    assert json.loads((folder / "out.record.json").read_text())["notes"] == [asked]
    options = ["--chain", "ridden.yaml", "--untreated", "-o", "compared"]
    assert main(["compare", "1/lead.wav", *options]) == 0
    assert f"chainkit: ridden: {asked}\n" in capsys.readouterr().err
    (folder / "book.yaml").write_text(book_of(1, ", rides: moves.csv"))
    assert songs() == 0
    assert f"* song 1 (Song 1), lead: {asked}\n" in capsys.readouterr().out


def test_a_lost_recall_sheet_is_written_again(record):
    folder = record(1)
    songs()
    sheet = folder / "rendered" / "Song 1" / "lead.recall.html"
    text = sheet.read_text()
    sheet.unlink()
    songs()
    assert sheet.read_text() == text


def test_a_sheet_that_tells_of_another_place_is_written_again(record):
    folder = record(1)
    songs()
    sheet = folder / "rendered" / "Song 1" / "lead.recall.html"
    assert "Example, song 1" in sheet.read_text()
    (voice,) = load_songbook("book.yaml").voices
    assert not voice_sheet.lacks_sheet(voice)
    for old, new in (("record: Example", 'record: "A & B"'), ("lead.wav}", "lead.wav, changes: {"
                     "deess.range: 8 dB}}")):  # fmt: skip
        _edit(folder / "book.yaml", old, new)
        (voice,) = load_songbook("book.yaml").voices
        assert look(voice).state == "current"
        assert voice_sheet.lacks_sheet(voice)
    songs()
    assert not voice_sheet.lacks_sheet(voice)
    assert "A &amp; B, song 1" in sheet.read_text()
    assert "deess.range 8 dB" in sheet.read_text()


@pytest.mark.parametrize(("sides", "wider"), [((1, 1), 0.0), ((2, 1), -WIDER), ((1, 2), WIDER)])
def test_backing_tells_how_far_the_voice_stands_out(record, capsys, sides, wider):
    """A mono voice is heard from both sides of a stereo backing, and so is a mono backing."""
    folder = record(1)
    voice, backing = sides
    x, rate = soundfile.read(folder / "1" / "lead.wav", always_2d=True)
    soundfile.write(folder / "1" / "lead.wav", np.repeat(x, voice, axis=1), rate, "FLOAT")
    t = np.arange(4 * 48000) / 48000
    sine = 0.1 * np.sin(2 * np.pi * 997 * t)[:, None]
    soundfile.write("backing.wav", np.repeat(sine, backing, axis=1), 48000, "FLOAT")
    (folder / "book.yaml").write_text(book_of(1, ", backing: backing.wav"))
    _, result = told(capsys)
    figures = result["voices"][0]["figures"]
    # A 997 Hz sine at 0 dBFS on one channel reads −3.01 LUFS, and on two twice the power (ITU-R
    # BS.1770-5, Annex 1); this one lies 20 below.
    beneath = -23.01 + (WIDER if backing == 2 else 0.0)
    # The figure of the voice is that of its loudest channel.
    own = figures["output_loudest_channel_lufs"] + (WIDER if voice == 2 else 0.0)
    expected = own - figures["trim_db"] - beneath + wider
    assert figures["above_backing_lu"] == pytest.approx(expected, abs=0.01)


def test_a_voice_stands_above_its_backing_as_compare_tells(record, capsys):
    """What one reads here may be given to ``compare --voice-level``."""
    folder = record(1)
    (folder / "lead.yaml").write_text("chainkit: 1\nstages: []\n")
    x = np.random.default_rng(1).standard_normal((4 * RATE, 2))
    soundfile.write("backing.wav", 0.1 * x, RATE, "FLOAT")
    (folder / "book.yaml").write_text(book_of(1, ", backing: backing.wav"))
    _, result = told(capsys)
    options = ["--chain", "lead.yaml", "--backing", "backing.wav", "-o", "compared", "--json"]
    assert main(["compare", "1/lead.wav", *options]) == 0
    level = json.loads(capsys.readouterr().out)["voice_level_lu"]
    figure = result["voices"][0]["figures"]["above_backing_lu"]
    assert figure == pytest.approx(level, abs=0.01)


def test_outputs_that_no_voice_has_any_more_are_told_and_kept(record, capsys):
    folder = record(2)
    songs("--only", "Song 1")
    _edit(folder / "book.yaml", "title: Song 1", "title: First song")
    capsys.readouterr()
    kept = "no voice of this songbook has them any more, and kept: rendered/Song 1/lead.*"
    for options in (["--dry-run"], []):
        assert songs(*options) == 0
        assert kept in capsys.readouterr().err
    assert _output(folder, "lead.wav").exists()
    assert told(capsys)[1]["left_behind"] == ["rendered/Song 1/lead.*"]


@pytest.mark.parametrize(
    ("pattern", "matches"),
    [("{title}/{name}", "*/*"), ("[{number}] {title}", "[[]*] *"), ("{{x}}{role}", "{x}*")],
)
def test_a_pattern_matches_every_output(pattern, matches):
    assert naming.any_output(pattern) == matches


# ------------------------------------------------------------------------ what is not ours is kept
def test_a_recording_in_the_place_of_an_output_is_kept(record, capsys):
    folder = record(2)
    take = folder / "rendered" / "Song 1" / "lead.wav"
    take.parent.mkdir(parents=True)
    take.write_bytes(b"mine")
    fault = "rendered/Song 1/lead.wav exists already and is no render of chainkit; --force replaces"
    assert main(["check", "book.yaml"]) == 2
    assert fault in capsys.readouterr().err
    assert songs("--dry-run") == 1
    assert f"song 1 (Song 1), lead: {fault}" in capsys.readouterr().err
    assert songs() == 1
    printed = capsys.readouterr()
    assert "2 voices: 1 rendered, 1 failed" in printed.out
    assert fault in printed.err
    assert take.read_bytes() == b"mine"
    assert songs("--force", "--only", "Song 1") == 0
    assert soundfile.info(take).frames == 4 * RATE
    assert songs() == 0


@pytest.mark.parametrize(
    "tells",
    ["{}", '{"chainkit_record": 1, "output": {"file": "other.wav"}}', '{"chainkit_record": 1}'],
)
def test_a_record_that_tells_of_another_file_claims_nothing(record, tells):
    folder = record(1)
    _output(folder, "").mkdir(parents=True)
    _output(folder, "lead.wav").write_bytes(b"mine")
    _output(folder, "lead.record.json").write_text(tells)
    assert look(load_songbook("book.yaml").voices[0]).state == FAILED


@pytest.mark.parametrize(
    "change",
    [
        lambda audio: soundfile.write(audio, np.full(4 * RATE, 0.1), RATE, "FLOAT"),
        lambda audio: _with_last_byte(audio, 1),  # the log cannot tell this one
    ],
    ids=["another", "edited"],
)
def test_a_file_that_took_the_place_of_a_render_is_kept(record, capsys, change):
    folder = record(1)
    render_without_pages()
    audio = _output(folder, "lead.wav")
    change(audio)
    before = audio.read_bytes()
    _edit(folder / "lead.yaml", "ratio: 3:1", "ratio: 4:1")
    assert songs() == 1
    assert f"{audio.relative_to(folder)} exists already and was changed since" in (
        capsys.readouterr().err
    )
    assert audio.read_bytes() == before
    assert songs("--force") == 0
    assert audio.read_bytes() != before


@pytest.mark.parametrize(("subtype", "gain"), [("FLOAT", 0.9999), ("PCM_16", 0.998)])
def test_a_log_alone_claims_the_audio_whose_levels_it_has(record, subtype, gain):
    """A record that is gone leaves the log: it knows its own audio, dithered or not."""
    folder = record(1)
    write_voice(folder / "1" / "lead.wav", 1, subtype=subtype)
    render_without_pages()
    audio = _output(folder, "lead.wav")
    _output(folder, "lead.record.json").unlink()
    voice = load_songbook("book.yaml").voices[0]
    assert look(voice).state == STALE
    x, _ = soundfile.read(audio, dtype="float64")
    soundfile.write(audio, gain * x, RATE, subtype)
    assert look(voice).state == FAILED


def _with_last_byte(path, change):
    data = bytearray(path.read_bytes())
    data[-4] ^= change
    path.write_bytes(data)


class Killed(BaseException):
    """Stands for the end of the process."""


@pytest.mark.parametrize("earlier", [False, True])
@pytest.mark.parametrize("placed", [0, 1, 2])
def test_a_render_that_was_killed_between_its_files_is_taken_up(
    record, monkeypatch, placed, earlier
):
    """Of log, audio and record none, one or two have come into place, maybe over earlier ones."""
    folder = record(1)
    if earlier:
        render_without_pages()
        _edit(folder / "lead.yaml", "ratio: 3:1", "ratio: 4:1")
    voice = load_songbook("book.yaml").voices[0]
    names = []

    def counted(pending, target, *rest):
        if len(names) == placed:
            raise Killed
        names.append(target.name)
        put(pending, target, *rest)

    put = atomic._put_in_place
    monkeypatch.setattr(atomic, "_put_in_place", counted)
    with pytest.raises(Killed):
        render_voice(Outcome(voice, STALE))
    monkeypatch.undo()
    monkeypatch.chdir(folder)
    assert names == ["lead.gr.csv", "lead.wav"][:placed]
    assert look(voice).state == STALE
    assert render_voice(look(voice)).state == RENDERED
    assert look(voice).state == "current"


# ----------------------------------------------------------------------------- side by side
def test_two_processes_give_the_same_bits_as_one(record, capsys):
    folder = record(3)
    render_without_pages()
    alone = hashes(folder)
    assert main(["songs", "book.yaml", "--jobs", "2", "--force"]) == 0
    assert "3 voices: 3 rendered" in capsys.readouterr().out
    assert hashes(folder) == alone
    assert len(alone) == 6


def test_a_process_that_dies_takes_one_song_with_it(record):
    record(4)
    found = [Outcome(voice, STALE) for voice in load_songbook("book.yaml").voices]
    seen = []
    done = running.run(found, songwork.dies_at_second, 2, seen.append)
    assert [outcome.state for outcome in done] == [RENDERED, FAILED, RENDERED, RENDERED]
    assert sorted(outcome.voice.number for outcome in seen) == [1, 2, 3, 4]


def test_ctrl_c_ends_also_what_is_queued(monkeypatch):
    """A process is sent work ahead; after Ctrl-C it begins none of it."""
    monkeypatch.setattr(worker, "_ENDED", threading.Event())
    begun = []

    def interrupted(found):
        begun.append(found)
        raise KeyboardInterrupt

    before = signal.getsignal(signal.SIGINT)
    try:
        for found in ("first", "second"):
            with pytest.raises(KeyboardInterrupt):
                worker.interruptible(interrupted, found)
    finally:
        signal.signal(signal.SIGINT, before)
    assert begun == ["first"]


def test_two_runs_at_once_are_refused(record, capsys):
    record(1)
    with running.alone("book.yaml"):
        assert songs() == 2
    assert "another run is at work on it" in capsys.readouterr().err


@pytest.mark.parametrize("how", [[signal.SIGKILL, signal.SIGKILL], [signal.SIGINT]])
def test_a_run_that_was_ended_is_taken_up(record, rng, capsys, how):
    folder = record(4)
    frames = lengthened(folder)
    render_without_pages()
    undisturbed = hashes(folder)
    for path in undisturbed:
        os.unlink(path)
    for signal_sent in how:
        end_in_the_middle(folder, signal_sent, rng.uniform(0.0, 0.5))
        for path in (folder / "rendered").rglob("*.wav"):
            assert AudioReader(path).frames == frames
    assert songs() == 0
    assert hashes(folder) == undisturbed
    assert not list(folder.rglob(".chainkit-*"))


def test_sigterm_to_all_processes_leaves_nothing_unfinished(record, rng):
    folder = record(4)
    lengthened(folder)
    end_in_the_middle(folder, signal.SIGTERM, rng.uniform(0.0, 0.5))


def test_a_run_that_a_signal_ends_tells_how_far_it_came(record, monkeypatch, capsys):
    record(2)

    def ended(*found):
        raise SystemExit(128 + signal.SIGTERM)

    monkeypatch.setattr(running, "run", ended)
    with pytest.raises(SystemExit):
        songs()
    assert capsys.readouterr().err == (
        "chainkit: ended by a signal: 0 of 2 voices done; run again to go on\n"
    )


def test_what_a_killed_run_left_unfinished_is_removed(record):
    """Beside an output, and where the overview is written."""
    folder = record(1)
    (folder / "rendered" / "Song 1").mkdir(parents=True)
    for place in ("rendered", "rendered/Song 1"):
        (folder / place / pending_name()).write_text("half")
    assert songs() == 0
    assert not list(folder.rglob(".chainkit-*"))


def lengthened(folder):
    """Make the four voices last a while; returns their frames."""
    voice = np.tile(sung(1), (12, 1))
    for n in range(1, 5):
        soundfile.write(folder / str(n) / "lead.wav", voice * (1 - n / 20), RATE, "FLOAT")
    return len(voice)


def end_in_the_middle(folder, how, then):
    """Start a run and end it `then` seconds after it has begun to write."""
    command = [sys.executable, "-m", "chainkit.cli.main", "songs", "book.yaml", "--jobs", "2"]
    with open(folder / "told.txt", "w") as told:
        run = subprocess.Popen(command, stdout=told, stderr=told, start_new_session=True)
    while run.poll() is None and not list((folder / "rendered").rglob(".chainkit-*")):
        time.sleep(0.005)
    time.sleep(then)
    assert run.poll() is None
    if how == signal.SIGKILL:
        run.kill()
    else:
        os.killpg(run.pid, how)  # as Ctrl-C on a terminal, which reaches all processes
    run.wait()
    # The processes that it started notice that it is gone.
    while alive(run.pid):
        time.sleep(0.01)
    told = (folder / "told.txt").read_text()
    if how == signal.SIGKILL:
        assert told == ""  # also from what tidies up behind it
    else:
        done = len(list(folder.rglob("*.recall.html")))
        why = "interrupted" if how == signal.SIGINT else "ended by a signal"
        assert told == f"chainkit: {why}: {done} of 4 voices done; run again to go on\n"
        assert not list(folder.rglob(".chainkit-*"))


def alive(group):
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_real_scheduler_with_two_workers_gives_the_same_bits(record, capsys):
    distributed = pytest.importorskip("distributed")
    folder = record(2)
    render_without_pages()
    alone = hashes(folder)
    capsys.readouterr()
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as workers:
        options = ["--workers", workers.scheduler_address, "--force", "--json"]
        assert main(["songs", "book.yaml", *options]) == 0
    assert states(json.loads(capsys.readouterr().out)) == {1: "rendered", 2: "rendered"}
    assert hashes(folder) == alone


@pytest.fixture
def scheduler():
    """A scheduler without workers, in a process of its own, and its address."""
    pytest.importorskip("distributed")
    options = "n_workers=0, processes=True, dashboard_address=None"
    program = f"from distributed import LocalCluster\nwith LocalCluster({options}) as found:\n"
    program += "    print(found.scheduler_address, flush=True)\n    input()"
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    with subprocess.Popen([sys.executable, "-c", program], **pipes) as process:
        yield process, process.stdout.readline().strip()
        process.kill()


def test_workers_that_are_gone_are_told_in_a_line(record, scheduler, monkeypatch, capfd):
    record(2)
    monkeypatch.setattr(cluster, "PATIENCE", 0.2)
    assert main(["songs", "book.yaml", "--workers", scheduler[1]]) == 1
    assert capfd.readouterr().err == (
        "chainkit: the scheduler has no workers: 0 of 2 voices done; run again to go on\n"
    )


def test_a_scheduler_that_is_gone_is_told_in_a_line(record, scheduler, capfd):
    process, address = scheduler
    record(2)
    threading.Timer(1.0, process.kill).start()
    assert main(["songs", "book.yaml", "--workers", address]) == 1
    told = f"the scheduler at {address} is gone"
    assert capfd.readouterr().err == f"chainkit: {told}: 0 of 2 voices done; run again to go on\n"


def test_a_scheduler_that_does_not_answer_is_named(record, monkeypatch, capsys):
    record(1)
    monkeypatch.setattr(cluster, "TIMEOUT", 0.2)
    assert main(["songs", "book.yaml", "--workers", "tcp://127.0.0.1:9"]) == 2
    assert "no scheduler answers at tcp://127.0.0.1:9" in capsys.readouterr().err
    assert main(["songs", "book.yaml", "--workers", "tcp://127.0.0.1:9", "--jobs", "2"]) == 2


# --------------------------------------------------------------------------------- faults
HEAD = "chainkit: 1\nchains: {lead: lead.yaml}\nsongs:\n  - title: A\n    voices:\n"
LEAD = HEAD + "      - {role: lead, file: 1/lead.wav"

FAULTS = [
    ("chains: {lead: lead.yaml}\n", "1:1", "the format version is missing"),
    ("chainkit: 2\n", "1:11", "not a known format version"),
    ("chainkit: 1\nsong: []\n", "2:1", "no key 'song' in a songbook; .* did you mean 'songs'?"),
    ("chainkit: 1\nsongs: []\n", "1:1", "chains is due, a chain file for each role; missing"),
    ("chainkit: 1\nchains: {}\n", "2:9", "chains is due, a chain file for each role; empty"),
    ("chainkit: 1\nchains: {lead: lead.yaml}\n", "1:1", "songs is due"),
    ("chainkit: 1\nchains: {lead: lead.yaml}\nsongs: []\n", "3:8", "songs is empty"),
    ("chainkit: 1\nchains: {lead: led.yaml}\nsongs: []\n", "2:16", "led.yaml"),
    ("chainkit: 1\nnaming: '{titel}'\nchains: {lead: lead.yaml}\nsongs: []\n", "2:9",
     "naming '{titel}' may hold .* did you mean 'title'?"),
    ("chainkit: 1\nnaming: '../{title}'\nchains: {lead: lead.yaml}\nsongs: []\n", "2:9",
     "leaves the output folder"),
    (HEAD + "      - {role: leed, file: 1/lead.wav}\n", "6:16",
     "no chain for role 'leed'; chains has lead; did you mean 'lead'?"),
    (HEAD + "      - {role: lead}\n", "6:9", "a voice needs file"),
    (LEAD + ", changes: {deess.treshold: -36 dB}}\n", "6:66",
     "deess.treshold: no key 'treshold'; .* did you mean 'threshold'?"),
    (LEAD + ", changes: {deess.threshold: -36}}\n", "6:67", "has no unit; write '-36 dB'"),
    (LEAD + ", changes: {des.threshold: -36 dB}}\n", "6:65", "no stage 'des'"),
    (LEAD + ", changes: [a]}\n", "6:49", "changes needs a mapping"),
    (LEAD + "}\n      - {role: lead, file: 1/lead.wav}\n", "7:9",
     "is also that of the voice in line 6; give one of them a name"),
    (LEAD + "}\n  - title: A\n    voices: []\n", "7:12", "two songs have the title 'A'"),
    ("output: .\nnaming: '{number}/lead'\n" .replace("{number}", "1") + LEAD + "}\n", "8:9",
     "the output '1/lead.wav' is a file that this songbook reads"),
    (LEAD.replace("title: A", f"title: {'a' * 300}") + "}\n", "6:9",
     "the output 'rendered/aaa.* is too long: a folder takes 255 bytes .* shorten the title"),
    (LEAD.replace("chainkit: 1", "chainkit: 1\nnaming: '{title}'").replace(
        "title: A", f"title: {'a' * 244}") + "}\n", "7:9", "a file 243 ahead of .recall.html"),
    (LEAD.replace("title: A", "title: Overview.HTML") + "}\n", "6:9",
     "would take the place of overview.html, the page of all songs"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "place", "message"), FAULTS)
def test_a_fault_is_told_with_its_place(record, text, place, message):
    folder = record(1)
    (folder / "book.yaml").write_text(text)
    with pytest.raises(UsageError, match=rf"(?s)book.yaml:{place}: .*{message}"):
        load_songbook("book.yaml")


def test_all_faults_are_told_at_once(record):
    """Those that follow from another are not: no chain is known, so no change fits it."""
    folder = record(1)
    (folder / "book.yaml").write_text(
        "chainkit: 1\nsong: 1\nnaming: '{titel}'\nchains: {lead: lead.yaml, double: none}\n"
        "songs:\n"
        "  - titel: A\n    voices:\n"
        "      - {role: led, fil: 1/lead.wav}\n"
        "      - {role: lead, file: 1/lead.wav, changes: "
        "{deess.treshold: -36 dB, compress.ratio: 0:1, compress.knee: 3}}\n"
        "  - title: B\n    voices:\n"
        "      - {role: double, file: 1/lead.wav, changes: {deess.treshold: -36 dB}}\n"
        "      - {role: double, file: 1/lead.wav}\n"
        "  - title: B\n    voices: []\n"
    )
    with pytest.raises(ChainFileError, match="no key") as caught:
        load_songbook("book.yaml")
    told = [(fault.line, fault.message.split(";")[0]) for fault in caught.value.faults]
    assert told == [
        (2, "no key 'song' in a songbook"),
        (3, "naming '{titel}' may hold {record}, {number}, {title}, {role}, {name}"),
        (4, told[2][1]),  # what presets there are
        (6, "no key 'titel' in a song"),
        (6, "a song needs title"),
        (8, "a voice needs file, its sound file"),
        (8, "no chain for role 'led'"),
        (8, "no key 'fil' in a voice"),
        (9, "deess.treshold: no key 'treshold'"),
        (9, told[9][1]),
        (9, told[10][1]),
        (13, "this output, 'rendered/B/double.wav', is also that of the voice in line 12"),
        (14, "two songs have the title 'B'"),
    ]
    assert "compress.ratio" in told[9][1]
    assert "compress.knee" in told[10][1]


def test_without_chains_no_role_is_refused(record):
    (record(1) / "book.yaml").write_text(LEAD.replace("chains: {lead: lead.yaml}\n", "") + "}\n")
    with pytest.raises(ChainFileError, match="chains is due") as caught:
        load_songbook("book.yaml")
    assert len(caught.value.faults) == 1


def test_a_file_name_that_no_system_takes_is_refused(record):
    (record(1) / "book.yaml").write_text(HEAD + '      - {role: lead, file: "a\\0"}\n')
    with pytest.raises(ChainFileError, match=r"book.yaml:6:28: file 'a\\x00' is not a text"):
        load_songbook("book.yaml")


# --------------------------------------------------------------------------------- check
def test_a_songbook_is_checked_as_one(record, capsys):
    folder = record(2)
    assert main(["check", "book.yaml"]) == 0
    assert "book.yaml: a songbook of 2 songs and 2 voices, without a fault" in (
        capsys.readouterr().out
    )
    assert main(["check", "book.yaml", "lead.yaml", "--json"]) == 0
    book, chain = json.loads(capsys.readouterr().out)
    assert (book.pop("file"), book["remarks"]) == ("book.yaml", [])
    assert (chain.pop("file"), chain.pop("remarks")) == ("lead.yaml", [])
    assert book["songs"][1]["voices"][0]["chain"] == chain
    own = "1/lead.wav, changes: {compress.makeup: 48 dB}}"
    _edit(folder / "book.yaml", "1/lead.wav}", own)
    assert main(["check", "book.yaml"]) == 0
    told = capsys.readouterr().err
    assert "book.yaml: song 1 (Song 1), lead: caution: it can raise" in told
    _edit(folder / "book.yaml", own, "1/lead.wav}")
    assert main(["check", "book.yaml", "--plot", "x.png"]) == 2
    assert "--plot draws a chain; book.yaml is a songbook" in capsys.readouterr().err
    _edit(folder / "book.yaml", "1/lead.wav}", "none.wav}")
    assert main(["check", "book.yaml"]) == 2
    assert capsys.readouterr().err == "chainkit: book.yaml:7:28: there is no file 'none.wav'\n"
    _edit(folder / "book.yaml", "role: lead", "role: led")
    assert main(["check", "book.yaml"]) == 2
    assert capsys.readouterr().err.count("no chain for role 'led'") == 2


def test_check_tells_what_cannot_be_read_and_what_is_empty(record, capsys):
    folder = record(2)
    (folder / "1" / "lead.wav").write_bytes(b"not a sound at all")
    (folder / "2" / "lead.wav").unlink()
    assert main(["check", "book.yaml"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "chainkit: book.yaml:7:28: 1/lead.wav is not a sound file that can be read",
        "chainkit: book.yaml:10:28: there is no file '2/lead.wav'",
    ]
    (folder / "book.yaml").write_text(book_of(1) + "  - {title: Planned, voices: []}\n")
    write_voice(folder / "1" / "lead.wav", 1)
    assert main(["check", "book.yaml"]) == 0
    assert capsys.readouterr().err == "chainkit: book.yaml: song 2 (Planned) has no voices\n"


@pytest.mark.parametrize("command", ["check", "songs"])
def test_rides_for_a_bypassed_ride_stage_are_told(record, capsys, command):
    folder = record(1)
    (folder / "moves.csv").write_text("seconds,gain_db\n0,-3\n")
    ride = "stages:\n  - ride: {points: [[0 s, -1 dB]]}\n"
    _edit(folder / "lead.yaml", "stages:\n", ride)
    for bypass, told in (("no", 0), ("yes", 1)):
        extra = f", rides: moves.csv, changes: {{ride.bypass: {bypass}}}"
        (folder / "book.yaml").write_text(book_of(1, extra))
        assert main([command, "book.yaml", *["--dry-run"] * (command == "songs")]) == 0
        remark = "chainkit: book.yaml:7:47: the ride stage is bypassed: no move is made\n"
        assert capsys.readouterr().err.count(remark) == told


def test_songs_tells_of_songs_without_voices_as_check_does(record, capsys):
    folder = record(1)
    (folder / "book.yaml").write_text(book_of(1) + "  - {title: Planned, voices: []}\n")
    for dry_run in (["--dry-run"], []):
        assert songs(*dry_run) == 0
        assert capsys.readouterr().err == "chainkit: book.yaml: song 2 (Planned) has no voices\n"
    empty = "  - {title: A, voices: []}\n  - {title: B, voices: []}\n"
    (folder / "book.yaml").write_text(book_of(0) + empty)
    remark = "chainkit: book.yaml: no song has a voice, so there is nothing to render\n"
    assert main(["check", "book.yaml"]) == 0
    assert capsys.readouterr().err == remark
    assert songs("--only", "A") == 0
    printed = capsys.readouterr()
    assert printed.out == "0 voices\n"
    assert printed.err.startswith(remark)


@pytest.mark.parametrize(
    ("head", "blocking", "place", "folder", "known"),
    [
        ("output: v.wav\n", "v.wav", "1:9", "v.wav", ("output", "v.wav")),
        ("output: v.wav/deep/er\n", "v.wav", "1:9", "v.wav/deep/er", ("output", "v.wav/deep/er")),
        ("", "rendered", "1:1", "rendered", ("output", None)),
        ("", "rendered/A", "6:9", "rendered/A", (None, None)),
        ("", "link", "1:1", "rendered", ("output", None)),
    ],
)
def test_a_file_in_the_place_of_a_folder_of_outputs_is_refused(
    record, capsys, head, blocking, place, folder, known
):
    """Also by songs, ahead of all work; the last is a link that leads nowhere."""
    record(1)
    if blocking == "link":
        os.symlink("nowhere", "rendered")
        blocking = "rendered"
    else:
        os.makedirs(os.path.dirname(blocking) or ".", exist_ok=True)
        with open(blocking, "w") as file:
            file.write("kept")
    with open("book.yaml", "w") as file:
        file.write(f"{head}{LEAD}, name: one}}\n      - {{role: lead, file: 1/lead.wav}}\n")
    told = f"book.yaml:{place}: the folder '{folder}' cannot be made: '{blocking}' is no folder"
    assert main(["check", "book.yaml", "--json"]) == 2
    printed = capsys.readouterr()
    assert printed.err == f"chainkit: {told}\n"
    ((fault,),) = [found["faults"] for found in json.loads(printed.out)]
    assert (fault["key"], fault["value"]) == known
    assert songs() == 2
    assert capsys.readouterr().err == f"chainkit: {told}\n"


def test_a_sound_file_is_no_chain(record, capsys):
    record(1)
    assert main(["check", "1/lead.wav"]) == 2
    assert capsys.readouterr().err == (
        "chainkit: 1/lead.wav:1:1: not a text in UTF-8; a chain file or songbook is due\n"
    )


def test_faults_of_the_files_of_a_songbook_are_placed_as_json(record, capsys):
    folder = record(3)
    (folder / "1" / "lead.wav").write_bytes(b"not a sound at all")
    (folder / "2" / "lead.wav").unlink()
    _edit(folder / "book.yaml", "3/lead.wav}", "3/lead.wav, changes: {deess.frequency: 8.0 kHz}}")
    (folder / "rendered" / "Song 3").mkdir(parents=True)
    assert main(["check", "book.yaml", "--json"]) == 2
    ((*found,),) = [each["faults"] for each in json.loads(capsys.readouterr().out)]
    assert [(one["line"], one["key"], one["value"], one["allowed"]) for one in found] == [
        (7, "file", "1/lead.wav", None),
        (10, "file", "2/lead.wav", None),
        (13, "frequency", "8.0 kHz", ["below 8 kHz"]),
    ]
    _edit(folder / "book.yaml", "8.0 kHz", "5 kHz")
    (folder / "rendered" / "Song 3" / "lead.wav").write_bytes(b"mine")
    assert main(["check", "book.yaml", "--json"]) == 2
    ((*found,),) = [each["faults"] for each in json.loads(capsys.readouterr().out)]
    assert [one["line"] for one in found] == [7, 10, 13]
    assert "--force replaces what is there" in found[2]["message"]


def test_a_chain_of_a_songbook_that_changes_nothing_is_named_once(record, capsys):
    folder = record(2)
    (folder / "lead.yaml").write_text("chainkit: 1\nstages: []\n")
    assert main(["check", "book.yaml"]) == 0
    assert capsys.readouterr().err == (
        "chainkit: lead.yaml: no stages: the voice passes unchanged\n"
    )


def test_the_chains_of_a_songbook_are_checked_against_the_rate(record, capsys):
    record(1)
    assert main(["check", "book.yaml", "--rate", "8 kHz"]) == 2
    assert "lead.yaml:7:" in capsys.readouterr().err


def test_a_ride_ahead_of_the_stages_leaves_them_their_places(record, capsys):
    folder = record(1)
    main(["check", "book.yaml", "--rate", "8 kHz"])
    told = capsys.readouterr().err
    (folder / "moves.csv").write_text("seconds,gain_db\n0,0\n")
    _edit(folder / "book.yaml", "1/lead.wav}", "1/lead.wav, rides: moves.csv}")
    assert main(["check", "book.yaml", "--rate", "8 kHz"]) == 2
    assert capsys.readouterr().err == told


def test_a_chain_file_with_a_fault_is_not_taken_for_a_songbook(record, capsys):
    folder = record(1)
    _edit(folder / "lead.yaml", "working_level: -24 LUFS", "songs: []")
    assert main(["check", "lead.yaml"]) == 2
    assert "no key 'songs' in a chain file" in capsys.readouterr().err


def test_a_fault_in_a_chain_file_is_told_with_the_chain_file_s_place(record):
    folder = record(1)
    _edit(folder / "lead.yaml", "range: 8 dB", "range: 8")
    with pytest.raises(UsageError, match=r"lead.yaml:7:\d+: range '8' has no unit"):
        load_songbook("book.yaml")


def test_a_chain_is_looked_for_beside_the_songbook_alone(record, monkeypatch, capsys):
    folder = record(1)  # the chain lies here, in the current folder
    book = folder / "book"
    book.mkdir()
    (folder / "book.yaml").rename(book / "book.yaml")
    for place, path in [(folder, "book/book.yaml"), (book, "book.yaml")]:
        monkeypatch.chdir(place)
        assert main(["songs", path, "--dry-run"]) == 2
        told = capsys.readouterr().err
        missing = os.path.join(os.path.dirname(path), "lead.yaml")
        assert f"cannot read {missing}: no such file" in told


def test_a_preset_may_stand_for_a_chain_file(record):
    folder = record(1)
    _edit(folder / "book.yaml", "lead.yaml", "close-and-clear")
    assert load_songbook("book.yaml").voices[0].chain.stages


@pytest.mark.parametrize(
    ("title", "folder_name"),
    [
        ("'why/not? ..'", "01 why-not-"),
        ("-intro", "01 _intro"),
        ("a" * 252, "01 " + "a" * 252),
    ],
)
def test_names_are_made_safe_for_files(record, title, folder_name):
    folder = record(1)
    text = (
        book_of(1)
        .replace("Song 1", title)
        .replace("record: Example", "naming: '{number} {title}/{role}-{name}'")
    )
    (folder / "book.yaml").write_text(text)
    output = load_songbook("book.yaml").voices[0].output
    assert output.as_posix() == f"rendered/{folder_name}/lead-lead.wav"


@pytest.mark.parametrize(
    ("word", "name"),
    [
        ("../../etc/passwd", "_etc-passwd"), ("..", "_"), (".hidden", "_hidden"), ("-n", "_n"),
        ("CON", "_CON"), ("nul.take", "_nul.take"), ("Console", "Console"), ("con .x", "_con .x"),
        (" . a", "_a"), ("lpt1", "_lpt1"), ("Vol. 2", "Vol. 2"), ("a-b", "a-b"), ("é", "é"),
    ],
)  # fmt: skip
def test_names_are_safe_for_shells_and_other_systems(word, name):
    assert naming.safe(word) == name


# --------------------------------------------------------------------------------- schema
def test_the_schema_takes_a_songbook_and_refuses_faults(record):
    folder = record(2)
    schema = songbook_schema()
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    assert validator.is_valid(safe_load((folder / "book.yaml").read_text()))
    for wrong in (
        {"chainkit": 2},
        {"songs": []},
        {"songs": [{"title": "A"}]},
        {"songs": [{"title": "A", "voices": [{"role": "lead"}]}]},
        {"song": []},
    ):
        book = safe_load((folder / "book.yaml").read_text())
        assert not validator.is_valid(book | wrong)


def test_the_command_prints_the_schema(capsys):
    assert main(["schema", "songbook"]) == 0
    assert json.loads(capsys.readouterr().out) == songbook_schema()
