"""Presets: found, listed, shown, copied; each works on a voice at its working level."""

import json
from contextlib import suppress

import numpy as np
import pytest

from chainkit.audio.writer import write
from chainkit.chain import load_chain
from chainkit.chain.reading import find_chain, load_preset
from chainkit.cli.main import main
from chainkit.dsp.voice import sing
from chainkit.errors import UsageError
from chainkit.presets import preset_names, preset_path

RATE = 48000


@pytest.fixture(scope="module")
def song():
    return sing(RATE, seconds=16.0, seed=1)


@pytest.fixture(scope="module")
def loud(song):
    """The louder half of the phrases."""
    return sorted(song.phrases, key=lambda phrase: -phrase.level_db)[: len(song.phrases) // 2]


def frames(song, spans, margin=0.0):
    """Whether each frame lies in one of `spans`, `margin` seconds left out at both ends."""
    times = np.arange(len(song.voice)) / song.rate
    return np.any([(times >= s.start + margin) & (times < s.end - margin) for s in spans], axis=0)


def reductions(chain, processed, rate, kind):
    """Reduction in dB of all stages of one kind together, (frames,)."""
    runs = processed.prepared.stream(rate, 1).runs
    return sum(
        run.idle_db - processed.gains[stage.name][:, 0]
        for stage, run in zip(chain.active, runs, strict=True)
        if stage.kind == kind
    )


def test_there_are_presets_for_many_jobs():
    assert len(preset_names()) >= 8
    assert preset_names() == sorted(preset_names())


@pytest.mark.parametrize("name", preset_names())
def test_a_preset_says_what_it_is_for(name):
    chain = load_chain(preset_path(name))
    assert chain.name
    assert chain.working_level is not None
    assert "Listen" in chain.notes
    assert "#" in preset_path(name).read_text("utf-8")
    chain.check(44100)


def test_presets_fit_the_rates_that_the_readme_tells():
    fitting = {rate: 0 for rate in (16000, 22050, 32000, 96000)}
    for chain in map(load_preset, preset_names()):
        for rate in fitting:
            with suppress(UsageError):
                chain.check(rate)
                fitting[rate] += 1
    assert fitting == {16000: 2, 22050: 10, 32000: 10, 96000: 10}


def test_a_preset_that_does_not_suit_the_rate_is_named_with_the_way_out(
    tmp_path, monkeypatch, capsys
):
    monkeypatch.chdir(tmp_path)
    write("v.wav", np.zeros((100, 1)), 16000)
    assert main(["render", "v.wav", "--chain", "airy-double", "-o", "o.wav"]) == 2
    lines = capsys.readouterr().err.splitlines()
    for line in lines:
        assert line.startswith("chainkit: preset airy-double:")
        assert "is not below half the sample rate" in line
        assert line.endswith("chainkit presets copy airy-double TO puts it where you can change it")
    change = ["--set", "eq.bands.1.frequency=8 kHz"]
    assert main(["render", "v.wav", "--chain", "airy-double", *change, "-o", "o.wav"]) == 2
    changed = [one for one in capsys.readouterr().err.splitlines() if one not in lines]
    assert [one.partition(" is not")[2] for one in changed] == [
        " below half the sample rate (16 kHz → 8 kHz)"
    ]
    (tmp_path / "record.yaml").write_text(
        "chainkit: 1\nchains: {a: airy-double}\n"
        "songs: [{title: T, voices: [{role: a, file: v.wav}]}]\n"
    )
    assert main(["check", "record.yaml"]) == 2
    assert capsys.readouterr().err.splitlines() == lines


@pytest.mark.parametrize(
    ("named", "near"),
    [("airy-duoble", "airy-double"), ("chorus.yaml", "dense-chorus"), ("x", None)],
)
def test_the_preset_near_to_that_of_a_role_is_told_as_json(
    tmp_path, monkeypatch, capsys, named, near
):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "record.yaml").write_text(
        f"chainkit: 1\nchains: {{lead: {named}}}\nsongs: [{{title: T, voices: []}}]\n"
    )
    assert main(["check", "record.yaml", "--json"]) == 2
    ((fault,),) = [found["faults"] for found in json.loads(capsys.readouterr().out)]
    assert (fault["key"], fault["value"], fault["nearest"]) == ("lead", named, near)
    assert fault["allowed"] == preset_names()


@pytest.mark.parametrize("name", preset_names())
def test_a_preset_s_thresholds_fit_a_voice(name, song, loud):
    chain = load_chain(preset_path(name))
    processed = chain.process(song.voice, RATE)
    assert np.abs(processed.audio).max() < 1.0

    squeezed = reductions(chain, processed, RATE, "compress")[frames(song, loud)]
    assert 1.0 < np.mean(squeezed) < 7.0

    turned_down = reductions(chain, processed, RATE, "deess")
    in_loud = [s for s in song.sibilants if frames(song, loud)[round(s.start * RATE)]]
    hisses = [s for s in in_loud if s.kind in ("s", "z")]
    assert 3.0 < np.mean(turned_down[frames(song, hisses, 0.01)]) < 9.0
    assert np.mean(turned_down[frames(song, song.notes, 0.04)]) < 1.0


@pytest.mark.parametrize("name", preset_names())
def test_a_preset_fits_any_recording_level(name, song):
    chain = load_chain(preset_path(name))
    voice = song.voice[: 6 * RATE]
    # Room tone stays on one side of the absolute gate of ITU-R BS.1770 at both levels.
    results = [chain.process(gain * voice, RATE).audio for gain in (1.0, 1.9)]
    assert np.abs(results[0] - results[1]).max() < 1e-6


@pytest.mark.parametrize("words", [[], ["list"]])
def test_the_list_names_each_with_its_use(capsys, words):
    assert main(["presets", *words]) == 0
    lines = capsys.readouterr().out.splitlines()
    for name in preset_names():
        use = load_chain(preset_path(name)).notes.splitlines()[0]
        assert any(line.startswith(name) and line.endswith(use) for line in lines)


@pytest.mark.parametrize("words", [["--json"], ["list", "--json"], ["--json", "list"]])
def test_the_list_for_machines(capsys, words):
    assert main(["presets", *words]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert [item["preset"] for item in listed] == preset_names()
    assert all(item["notes"] and item["name"] for item in listed)


@pytest.mark.parametrize("words", [["show", "quiet-verse"], ["copy", "quiet-verse", "mine.yaml"]])
def test_what_is_no_list_is_not_told_as_json(tmp_path, monkeypatch, capsys, words):
    monkeypatch.chdir(tmp_path)
    assert main(["presets", "--json", *words]) == 2
    assert f"{words[0]} has no --json; presets --json lists all" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_show_prints_the_file(capsys):
    assert main(["presets", "show", "quiet-verse"]) == 0
    assert capsys.readouterr().out == preset_path("quiet-verse").read_text("utf-8")


def test_copy_writes_a_file_and_keeps_what_is_there(tmp_path, capsys):
    target = tmp_path / "mine.yaml"
    assert main(["presets", "copy", "quiet-verse", str(target)]) == 0
    assert target.read_text("utf-8") == preset_path("quiet-verse").read_text("utf-8")
    assert f"wrote {target}" in capsys.readouterr().out

    target.write_text("mine")
    assert main(["presets", "copy", "quiet-verse", str(target)]) == 4
    assert "exists already" in capsys.readouterr().err
    assert target.read_text() == "mine"

    assert main(["presets", "copy", "quiet-verse", str(target), "--force"]) == 0
    assert load_chain(target).name == "Quiet verse"


def test_copy_into_a_folder_keeps_the_name(tmp_path):
    assert main(["presets", "copy", "dense-chorus", str(tmp_path)]) == 0
    assert load_chain(tmp_path / "dense-chorus.yaml").name == "Dense chorus"


@pytest.mark.parametrize("name", ["new/", "new.yaml/", "new/mine.yaml"])
def test_copy_into_a_folder_that_is_not_there(tmp_path, capsys, name):
    assert main(["presets", "copy", "dense-chorus", f"{tmp_path}/{name}"]) == 4
    folder = f"{tmp_path}/{name.rpartition('/')[0]}"
    assert f"there is no folder {folder!r}" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_copy_to_what_is_no_chain_file(tmp_path, capsys):
    assert main(["presets", "copy", "quiet-verse", str(tmp_path / "mine.wav")]) == 2
    assert "neither a folder nor named .yaml" in capsys.readouterr().err


def test_a_misspelt_name_is_answered_with_the_nearest(capsys):
    assert main(["presets", "show", "quite-verse"]) == 2
    assert "did you mean 'quiet-verse'?" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ("airy", "no preset 'airy'; did you mean 'airy-double'?"),
        ("Verse", "did you mean 'quiet-verse'?"),
        (
            "airy-double.yaml",
            "no chain file 'airy-double.yaml'; did you mean the preset 'air",
        ),
        ("quite-verse.yml", "did you mean the preset 'quiet-verse'?"),
        ("missing.yaml", "cannot read missing.yaml"),
        ("xyz", "chainkit presets lists them"),
    ],
)
def test_check_names_the_preset_that_is_near(tmp_path, monkeypatch, capsys, given, told):
    monkeypatch.chdir(tmp_path)
    assert main(["check", given]) == 2
    assert told in capsys.readouterr().err


def test_a_chain_is_found_by_path_or_by_name(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert find_chain("quiet-verse").file == str(preset_path("quiet-verse"))
    mine = "chainkit: 1\nname: Mine\nstages: []\n"
    (tmp_path / "quiet-verse").write_text(mine)  # a file of the same name comes first
    assert find_chain("quiet-verse").name == "Mine"
    # What is spelt like a file is taken for one, and reported missing as such.
    with pytest.raises(UsageError, match=r"^cannot read missing\.yaml: no such file"):
        find_chain("missing.yaml")
    with pytest.raises(
        UsageError, match=r"^no chain file 'quiet-vers', and no preset .*quiet-verse"
    ):
        find_chain("quiet-vers")


def test_a_folder_does_not_hide_the_preset_of_its_name(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "quiet-verse").mkdir()
    assert find_chain("quiet-verse").name == "Quiet verse"
