"""The command line's start: what is imported when, and that every command explains itself."""

from __future__ import annotations

import dataclasses
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import chainkit
from chainkit.audio.writer import write
from chainkit.cli import show
from chainkit.cli.dispatch import joined
from chainkit.cli.main import COMMANDS, main
from chainkit.pages.curves import chain_sheet
from chainkit.presets import preset_names
from chainkit.stages.compress import Compress
from chainkit.stages.deess import Deess

HEAVY = ("numba", "scipy", "numpy", "matplotlib", "soundfile", "rich", "jinja2")
PROBE = f"""
import sys
from chainkit.cli.main import main
code = main(sys.argv[1:])
loaded = {{name.partition('.')[0] for name in sys.modules}}
print('LOADED', *sorted(loaded & set({HEAVY!r})))
sys.exit(code)
"""


def probe(*arguments):
    run = subprocess.run([sys.executable, "-c", PROBE, *arguments], capture_output=True, text=True)
    return run, run.stdout.splitlines()[-1].split()[1:]


def test_help_loads_nothing_heavy():
    run, loaded = probe("--help")
    assert run.returncode == 0
    assert loaded == []


def test_nothing_is_loaded_ahead_of_main():
    """Where a Ctrl-C could not be caught."""
    code = "import sys; before = {*sys.modules}; import chainkit.cli.main; "
    code += "print(*sorted({*sys.modules} - before))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["__future__", "chainkit", "chainkit.cli", "chainkit.cli.main"]


INTERRUPTED = """
import sys
class Interrupting:
    def find_spec(self, name, path=None, target=None):
        if name == sys.argv[1]:
            CTRL_C
from chainkit.cli.main import main
sys.meta_path.insert(0, Interrupting())
sys.exit(main(["check", "none.yaml"]))
"""


@pytest.mark.parametrize(
    "name", ["chainkit.process", "chainkit.cli.dispatch", "chainkit.cli.check"]
)
@pytest.mark.parametrize("how", ["raise KeyboardInterrupt", "exec('raise KeyboardInterrupt')"])
def test_a_ctrl_c_while_the_start_loads_is_told(name, how):
    code = [sys.executable, "-c", INTERRUPTED.replace("CTRL_C", how), name]
    run = subprocess.run(code, capture_output=True, text=True)
    assert (run.returncode, run.stderr) == (130, "chainkit: interrupted\n")


def test_the_package_runs_as_a_module():
    asked = [sys.executable, "-m", "chainkit"]
    told = subprocess.run([*asked, "presets", "--nothing"], capture_output=True, text=True)
    assert told.returncode == 2
    assert told.stderr.startswith("chainkit: unrecognized arguments: --nothing")
    assert subprocess.run([*asked, "--help"], capture_output=True, text=True).returncode == 0


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_each_command_s_help_loads_nothing_heavy(command):
    # argparse leaves by SystemExit, so the probe catches it.
    code = PROBE.replace(
        "code = main(sys.argv[1:])",
        "try: main(sys.argv[1:])\nexcept SystemExit as leaving: code = leaving.code",
    )
    run = subprocess.run(
        [sys.executable, "-c", code, command, "--help"], capture_output=True, text=True
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.splitlines()[-1].split()[1:] == []
    assert f"usage: chainkit {command}" in run.stdout


def test_a_chain_file_fault_loads_nothing_heavy(tmp_path):
    chain = tmp_path / "bad.yaml"
    chain.write_text("chainkit: 1\nstages:\n  - deess: {treshold: -3 dB}\n")
    run, loaded = probe("render", "voice.wav", "--chain", str(chain), "-o", "out.wav")
    assert run.returncode == 2
    assert "bad.yaml:3:13" in run.stderr
    assert loaded == []


def test_a_measure_goes_without_linear_algebra_and_cffi(tmp_path):
    voice = tmp_path / "voice.wav"
    write(voice, 0.1 * np.sin(np.arange(48_000))[:, None], 48_000)
    names = "print(*sorted(n for n in sys.modules if n.startswith(('scipy.linalg', 'cffi'))))"
    code = PROBE.replace("sys.exit(code)", f"{names}\nimport cffi, scipy.linalg.cython_blas")
    run = subprocess.run(
        [sys.executable, "-c", code, "measure", str(voice)], capture_output=True, text=True
    )
    assert run.returncode == 0, run.stderr  # others still find it
    assert run.stdout.splitlines()[-1] == ""


def test_the_overview_lists_every_command(capsys):
    assert main(["--help"]) == 0
    printed = capsys.readouterr().out
    assert all(f"  {command} " in printed for command in COMMANDS)


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        ([], 2, None),
        (["rendr"], 2, "did you mean 'render'?"),
        (["check"], 2, "CHAIN"),
        (["render", "x", "--chian", "y"], 2, "no option --chian; did you mean '--chain'?"),
        (["measure", "x", "--jsno"], 2, "no option --jsno; did you mean '--json'?"),
        (["presets", "copy", "a", "b", "--froce"], 2, "did you mean '--force'?"),
        (["presets", "shw", "a"], 2, "did you mean 'show'?"),
        (["presets", "foo"], 2, "chainkit: 'foo' is not one of list, show, copy ("),
        (["render", "x", "--samples", "24", "--samples=16"], 2, "--samples: given twice; leave"),
        (["scout", "x", "--plot", "a.png", "--plot", "a.png"], 2, "--plot: given twice"),
        (["measure", "x", "y", "x"], 2, "x is named twice; leave one"),
        (["schema", "songbok"], 2, "did you mean 'songbook'?"),
        (["measure", "x", "--fraction", "13"], 2, "13 is not one of 1, 3, 6, 12, 24 ("),
        (["check", "nope.yaml"], 2, "nope.yaml"),
        (["verify", "nope.json"], 2, "cannot read nope.json"),
    ],
)
def test_wrong_use(capsys, arguments, code, message):
    assert main(arguments) == code
    printed = capsys.readouterr()
    assert (message or "usage: chainkit") in printed.err + printed.out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["scout", ""], "the word behind 'scout' is empty; is a shell variable not set?"),
        (["measure", ""], "the word behind 'measure' is empty"),
        (["ride", "a.wav", "-o", ""], "the word behind '-o' is empty"),
        (["scout", "a.wav", "--write", ""], "the word behind '--write' is empty"),
        (["scout", "a.wav", "--sweeps="], "--sweeps is empty"),
        (["scout", "a.wav", "--backing", ""], "the word behind '--backing' is empty"),
        (["scout", "a.wav", "--write", "-"], "'-' is no file"),
        (["render", "-", "--chain", "a.yaml", "-o", "b.wav"], "'-' is no file"),
    ],
)
def test_words_that_name_nothing_are_refused(capsys, tmp_path, monkeypatch, words, message):
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    assert message in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_looks_like_an_option_is_told(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "-lead.wav").write_bytes(b"")
    assert main(["scout", "-lead.wav"]) == 2
    assert "for the file of that name write ./-lead.wav" in capsys.readouterr().err
    assert main(["scout", "-other.wav"]) == 2
    assert "of that name" not in capsys.readouterr().err
    assert main(["scout", "./-lead.wav"]) == 3
    render = ["render", "v.wav", "--chain", "c.yaml"]
    assert main([*render, "-o", "-x.wav"]) == 2
    told = capsys.readouterr().err
    assert "-o/--output: expected one argument" in told
    assert told.endswith("; for the file of that name write ./-x.wav\n")
    for word in ("--force", "-x", "-1.5dB"):
        assert main([*render, "-o", word]) == 2
        assert "of that name" not in capsys.readouterr().err


def test_a_negative_value_belongs_to_the_option_before_it():
    assert joined(["--range", "-3dB", "a.wav"]) == ["--range=-3dB", "a.wav"]
    assert joined(["--squeeze", "-.5 LUFS"]) == ["--squeeze=-.5 LUFS"]
    for words in (["--range=1 dB", "-3.wav"], ["-o", "-3"], ["--", "-3.wav"], ["--squeeze", "-o"]):
        assert joined(words) == words


def test_public_names_are_what_is_listed():
    for name in chainkit.__all__:
        assert getattr(chainkit, name).__name__ == name
    assert sorted(chainkit._HOME_OF) == sorted(chainkit.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        chainkit.nothing  # noqa: B018


def test_the_package_tells_type_checkers_that_it_has_types():
    """PEP 561: a marker file called py.typed lies in the package."""
    assert (Path(chainkit.__file__).parent / "py.typed").is_file()


def test_public_names_are_shown_and_the_version_is_known(capsys):
    code = "import sys, chainkit; print(*dir(chainkit)); print(*sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    names, loaded = (line.split() for line in run.stdout.splitlines())
    assert {*chainkit.__all__, "__version__", "__doc__"} <= {*names}
    assert not {*HEAVY, "importlib.metadata", "chainkit.chain"} & {*loaded}
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"chainkit {chainkit.__version__}\n"


def test_check_prints_resolved_chains_and_all_faults(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "good.yaml").write_text("chainkit: 1\nstages:\n  - deess: {threshold: -30 dB}\n")
    (tmp_path / "bad.yaml").write_text("chainkit: 1\nstages:\n  - deess: {threshold: -30}\n")
    assert main(["check", "bad.yaml", "good.yaml"]) == 2
    printed = capsys.readouterr()
    assert "bad.yaml:3:24: threshold '-30' has no unit" in printed.err
    assert "release: 60 ms" in printed.out
    assert main(["check", "good.yaml", "--rate", "8 kHz"]) == 2
    assert "not below half the sample rate (8 kHz → 4 kHz)" in capsys.readouterr().err


def test_check_prints_every_setting(tmp_path, capsys, monkeypatch):
    """Also those that follow from others or stand for nothing; what is printed reads back."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "c.yaml").write_text(
        "chainkit: 1\nstages:\n  - deess: {threshold: -30 dB, attack: 3 ms}\n"
        "  - compress: {threshold: -20 dB, ratio: 2:1}\n  - eq:\n      bands:\n"
        "        - {shape: bell, frequency: 1 kHz, gain: 2 dB}\n"
        "        - {shape: bell, frequency: 2 kHz, gain: 2 dB, bandwidth: 1 oct}\n"
    )
    assert main(["check", "c.yaml", "--json"]) == 0
    ((deess, compress, eq),) = [each["stages"] for each in json.loads(capsys.readouterr().out)]
    fields = {kind.kind: {f.name for f in dataclasses.fields(kind)} for kind in (Deess, Compress)}
    assert deess["deess"].keys() == fields["deess"] - {"bypass"}
    assert compress["compress"].keys() == fields["compress"] - {"bypass", "sidechain"}
    assert deess["deess"]["lookahead"] == "3 ms"
    assert deess["deess"]["upper"] == deess["deess"]["range"] == "none"
    assert eq["eq"]["bands"][0]["q"] == 1.0
    assert "q" not in eq["eq"]["bands"][1]
    assert main(["check", "c.yaml"]) == 0
    printed = capsys.readouterr().out
    chain = chainkit.parse_chain(printed)
    assert chain == chainkit.load_chain("c.yaml").resolved()
    tables = [axes for axes in chain_sheet(chainkit.load_chain("c.yaml"), 48000).axes if axes.texts]
    shown = {words.get_text() for axes in tables for words in axes.texts}
    assert {"lookahead", "upper", "3 ms", "none"} <= shown


def test_check_tells_faults_as_json_too(tmp_path, capsys, monkeypatch):
    """In the order of the files, among the chains; what is not known of a fault is null."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "good.yaml").write_text("chainkit: 1\nstages: [gain: {gain: 1 dB}]\n")
    deess = "{threshold: -30, ration: 4:1, phase: linaer, upper: non}"
    bands = "[{shape: bel}, {shape: highpass, frequency: 1 kHz, slope: 5 dB/oct}]"
    (tmp_path / "bad.yaml").write_text(
        f"chainkit: 1\nstages:\n  - deess: {deess}\n  - eq: {{bands: {bands}}}\n"
    )
    assert main(["check", "bad.yaml", "good.yaml", "none.yaml", "--json"]) == 2
    printed = capsys.readouterr()
    bad, good, none = json.loads(printed.out)
    assert (bad["file"], bad["is_cut"]) == ("bad.yaml", False)
    assert (good["file"], good["remarks"]) == ("good.yaml", [])
    assert good["stages"] == [{"gain": {"name": "gain", "gain": "1 dB"}}]
    (fault,) = none["faults"]
    assert (none["file"], fault["file"], fault["line"]) == ("none.yaml", "none.yaml", None)
    assert "none.yaml" in fault["message"]
    threshold, ration, phase, upper, shape, slope = bad["faults"]
    assert threshold == {
        "file": "bad.yaml",
        "line": 3,
        "column": 24,
        "key": "threshold",
        "value": "-30",
        "allowed": ["-120 dB to 24 dB"],
        "nearest": None,
        "message": "threshold '-30' has no unit; write '-30 dB'",
    }
    assert (ration["key"], ration["value"], ration["nearest"]) == ("ration", None, "ratio")
    assert {"ratio", "threshold", "bypass"} <= set(ration["allowed"])
    assert (phase["value"], phase["nearest"]) == ("linaer", "linear")
    assert upper["allowed"] == ["500 Hz to 192 kHz", "none"]
    assert upper["nearest"] == "none"
    assert (shape["key"], shape["value"], shape["nearest"]) == ("shape", "bel", "bell")
    assert slope["allowed"][:2] == ["6 dB/oct", "12 dB/oct"]
    assert printed.err.startswith(f"chainkit: bad.yaml:3:24: {threshold['message']}\n")


def faults_of(text, capsys, *words):
    Path("bad.yaml").write_text(text)
    assert main(["check", "bad.yaml", "--json", *words]) == 2
    return json.loads(capsys.readouterr().out)[0]["faults"]


@pytest.mark.parametrize(
    ("slope", "nearest"),
    [
        ("20 dB/oct", "18 dB/oct"),
        ("25 dB/oct", "24 dB/oct"),
        ("50 dB/oct", "48 dB/oct"),
        ("1200 dB/oct", "48 dB/oct"),
        ("-3 dB/oct", "6 dB/oct"),
        ("25", "24 dB/oct"),
        ("25 Hz", None),
        ("steep", None),
    ],
)
def test_what_is_nearest_to_a_number_is_so_by_value(tmp_path, monkeypatch, capsys, slope, nearest):
    monkeypatch.chdir(tmp_path)
    band = f"{{shape: highpass, frequency: 80 Hz, slope: {slope}}}"
    text = f"chainkit: 1\nstages: [eq: {{bands: [{band}]}}]\n"
    (fault,) = faults_of(text, capsys)
    assert (fault["key"], fault["value"], fault["nearest"]) == ("slope", slope, nearest)
    # Only where the unit alone is missing the way out names the number.
    assert ("write '24 dB/oct'" in fault["message"]) is (slope == "25")


@pytest.mark.parametrize("gain", ["-60 dB to 2 dB", "-600 dB", "90 dB"])
def test_no_value_is_near_to_a_span(tmp_path, monkeypatch, capsys, gain):
    monkeypatch.chdir(tmp_path)
    (fault,) = faults_of(f"chainkit: 1\nstages: [gain: {{gain: {gain}}}]\n", capsys)
    assert (fault["value"], fault["nearest"]) == (gain, None)


COMPRESS = "compress: {threshold: -20 dB, ratio: 4:1, "


@pytest.mark.parametrize(
    ("text", "key", "value", "allowed"),
    [
        ("stages: []", "chainkit", None, ["1"]),
        ("chainkit: 1.0\nstages: []", "chainkit", "1.0", ["1"]),
        ("chainkit: 1", "stages", None, ["a list"]),
        ("chainkit: 1\nstages: {}", "stages", None, ["a list"]),
        ("chainkit: 1\nstages: none", "stages", "none", ["a list"]),
        ("chainkit: 1\nstages: [compress: {threshold: -20 dB}]", "ratio", None, ["1:1 to inf"]),
        ("chainkit: 1\nstages: [eq: {}]", "bands", None, ["a list"]),
        ("chainkit: 1\nstages: [eq: {bands: 3}]", "bands", "3", ["a list"]),
        ("chainkit: 1\nstages: [gain: 3 dB]", "gain", "3 dB", ["a mapping"]),
        (
            f"chainkit: 1\nstages: [{COMPRESS}sidechain: 100 Hz}}]",
            "sidechain",
            "100 Hz",
            ["a mapping"],
        ),
        (
            "chainkit: 1\nstages: [eq: {bands: [{frequency: 1 kHz}]}]",
            "shape",
            None,
            ["highpass", "lowpass", "low_shelf", "high_shelf", "bell", "notch"],
        ),
        (
            "chainkit: 1\nstages: [eq: {bands: [{shape: notch, frequency: 25.0 kHz}]}]",
            "frequency",
            "25.0 kHz",
            ["below 24 kHz"],
        ),
        (
            "chainkit: 1\nstages: [deess: {frequency: 4 kHz, upper: 4.5kHz, threshold: -30 dB}]",
            "upper",
            "4.5kHz",
            ["5 kHz to 192 kHz", "none"],
        ),
        (
            "chainkit: 1\nstages: [ride: {points: [[2 s, 0 dB], [1500 ms, 0 dB]]}]",
            "time",
            "1500 ms",
            ["above 2 s"],
        ),
        ("chainkit: 1\nchains: {a: x}\nsongs: []", "songs", None, ["a list"]),
        (
            "chainkit: 1\nchains: {a: airy-double}\nsongs: [{title: T, voices: [{role: a}]}]",
            "file",
            None,
            ["a text that says something"],
        ),
    ],
)
def test_what_is_known_of_a_fault_is_told_as_json(
    tmp_path, monkeypatch, capsys, text, key, value, allowed
):
    monkeypatch.chdir(tmp_path)
    fault = faults_of(text, capsys)[-1]
    assert (fault["key"], fault["value"], fault["allowed"]) == (key, value, allowed)


def test_a_value_left_out_that_does_not_suit_the_rate_is_not_told_as_written(
    tmp_path, monkeypatch, capsys
):
    """The de-esser's edge is 5.5 kHz if left out."""
    monkeypatch.chdir(tmp_path)
    text = "chainkit: 1\nstages: [deess: {threshold: -30 dB}]\n"
    (fault,) = faults_of(text, capsys, "--rate", "8 kHz")
    assert (fault["key"], fault["value"]) == ("frequency", None)
    assert fault["allowed"] == ["below 4 kHz"]


def test_a_long_key_is_cut_as_a_long_value_is(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    key = "k" * 900
    book = "chainkit: 1\nchains: {a: airy-double}\nsongs: [{title: T, voices:"
    for text in (
        f"chainkit: 1\n{key}: 1\nstages: []\n",
        f"chainkit: 1\nstages: [{key}: {{}}]\n",
        f"chainkit: 1\n? {key}\n: 1\n? {key}\n: 2\nstages: []\n",
        f"{book} [{{role: {key}, file: v.wav}}]}}]\n",
        f"chainkit: 1\nname: !{key} x\nstages: []\n",
        f"chainkit: 1\nname: *{key}\nstages: []\n",
        f"{book} [{{role: a, file: v.wav, changes: {{deess.{key}: 1}}}}]}}]\n",
        f"{book} [{{role: a, file: v.wav, changes: {{{key}.q: 1}}}}]}}]\n",
        f"chainkit: 1\nchains: {{{key}: []}}\nsongs: [{{title: T, voices: []}}]\n",
    ):
        messages = [fault["message"] for fault in faults_of(text, capsys)]
        assert key[:40] in messages[0]
        assert not any(key[:61] in message for message in messages)


def test_check_tells_remarks_and_where_it_left_a_file_as_json(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "loud.yaml").write_text(
        "chainkit: 1\nstages:\n  - gain: {gain: 0 dB}\n  - gain: {gain: 30 dB}\n"
    )
    stages = "".join(f"  - gain: {{gain: {n}}}\n" for n in range(300))
    (tmp_path / "bad.yaml").write_text(f"chainkit: 1\nstages:\n{stages}")
    assert main(["check", "loud.yaml", "bad.yaml", "--json"]) == 2
    printed = capsys.readouterr()
    loud, bad = json.loads(printed.out)
    told = printed.err.removesuffix("\n").replace("chainkit: ", "").split("\n")
    assert loud["file"] == "loud.yaml"
    assert loud["remarks"] == told[:2]
    assert loud["remarks"][0].endswith("gain 0 dB: gain changes nothing")
    assert "caution: it can raise the level by 30 dB" in loud["remarks"][1]
    assert (len(bad["faults"]), bad["is_cut"]) == (200, True)
    assert told[-1] == "bad.yaml: not read behind these 200 faults; there may be more"


def test_a_songbook_and_a_chain_file_are_not_taken_for_one_another(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "chain.yaml").write_text("chainkit: 1\nname: a\nstages: [gain: {gain: 1 dB}]\n")
    (tmp_path / "book.yaml").write_text("chainkit: 1\nrecord: b\nchains: {lead: chain.yaml}\n")
    assert main(["songs", "chain.yaml"]) == 2
    (told,) = capsys.readouterr().err.splitlines()
    assert told.startswith("chainkit: chain.yaml:1:1: this is a chain file, no songbook; ")
    assert main(["render", "v.wav", "--chain", "book.yaml", "-o", "o.wav"]) == 2
    (told,) = capsys.readouterr().err.splitlines()
    assert told.startswith("chainkit: book.yaml:1:1: this is a songbook, no chain file; ")
    assert main(["check", "book.yaml"]) == 2
    assert "book.yaml:1:1: songs is due" in capsys.readouterr().err


@pytest.mark.parametrize("command", [["check", "bad.yaml"], ["render", "v.wav", "-o", "o.wav"]])
def test_each_fault_of_a_chain_file_has_its_line(tmp_path, capsys, monkeypatch, command):
    monkeypatch.chdir(tmp_path)
    stages = "  - deess: {threshold: -30}\n  - gain: {gain: loud}\n"
    (tmp_path / "bad.yaml").write_text(f"chainkit: 1\nstages:\n{stages}")
    assert main([*command, *(["--chain", "bad.yaml"] if command[0] == "render" else [])]) == 2
    first, second = capsys.readouterr().err.splitlines()
    assert first.startswith("chainkit: bad.yaml:3:24: threshold '-30' has no unit")
    assert second.startswith("chainkit: bad.yaml:4:18: gain 'loud' is not a gain")


@pytest.mark.parametrize(
    ("stages", "remark"),
    [
        ("stages: []", "c.yaml: no stages: the voice passes unchanged"),
        (
            "working_level: -20 LUFS\nstages: []",
            "c.yaml: no stages: the voice passes unchanged but for the trim to the working level",
        ),
        (
            "stages:\n  - gain: {gain: 1 dB, bypass: yes}\n  - eq: {bands: [], bypass: yes}",
            "c.yaml: every stage is bypassed: the voice passes unchanged",
        ),
        (
            "stages:\n  - gain: {gain: 1 dB}\n  - eq: {name: Air, bands: []}",
            "c.yaml:4:28: no bands: Air changes nothing",
        ),
        (
            "stages:\n  - compress: {threshold: 20 dB, ratio: 3:1}",
            "c.yaml:3:27: threshold 20 dB is above full scale: compress turns hardly anything "
            "down; is a minus missing?",
        ),
        (
            "stages:\n  - deess: {name: Ess, threshold: 24 dB}",
            "c.yaml:3:35: threshold 24 dB is above full scale: Ess turns hardly anything down; "
            "is a minus missing?",
        ),
        ("stages:\n  - deess: {sense: share, threshold: 3 dB}", ""),
        ("stages:\n  - compress: {threshold: 0 dB, ratio: inf}", ""),
        ("stages:\n  - gain: {gain: 0 dB}", "c.yaml:3:18: gain 0 dB: gain changes nothing"),
        (
            "stages:\n  - ride: {points: [[0 s, 0 dB], [1 s, 0 dB]]}",
            "c.yaml:3:20: every point at 0 dB: ride changes nothing",
        ),
        ("stages:\n  - ride: {points: [[0 s, 0 dB], [1 s, 1 dB]]}", ""),
        (
            "stages:\n  - eq: {bands: [{shape: notch, frequency: 50 Hz}, "
            "{shape: bell, frequency: 1 kHz, gain: -0 dB}]}",
            "c.yaml:3:90: gain 0 dB: band 2 of eq changes nothing",
        ),
        (
            "stages:\n  - compress: {threshold: -20 dB, ratio: 1:1}",
            "c.yaml:3:42: ratio 1:1: compress turns nothing down",
        ),
        (
            "stages:\n  - compress: {threshold: -20 dB, ratio: 2:1, range: 0 dB}",
            "c.yaml:3:54: range 0 dB: compress turns nothing down",
        ),
        (
            "stages:\n  - compress: {threshold: -20 dB, ratio: 2:1, mix: 0 %}",
            "c.yaml:3:52: mix 0 %: compress changes nothing",
        ),
        (
            "stages:\n  - deess: {name: Ess, threshold: -20 dB, ratio: 2:2}",
            "c.yaml:3:50: ratio 1:1: Ess turns nothing down",
        ),
        (
            "stages:\n  - deess: {threshold: 3 dB, sense: share, range: 0 dB}",
            "c.yaml:3:51: range 0 dB: deess turns nothing down",
        ),
    ],
)
def test_check_names_what_changes_nothing(tmp_path, capsys, monkeypatch, stages, remark):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "c.yaml").write_text(f"chainkit: 1\n{stages}\n")
    assert main(["check", "c.yaml"]) == 0
    assert capsys.readouterr().err == (f"chainkit: {remark}\n" if remark else "")


LOUD = "turn the monitors down before playing what it renders"
BELLS = "{shape: bell, frequency: 1 kHz, gain: 24 dB, q: 2}"


@pytest.mark.parametrize(
    ("stages", "raised"),
    [
        (f"eq: {{bands: [{BELLS}]}}", None),
        (f"eq: {{bands: [{BELLS}, {BELLS}]}}", "1000 Hz by 48 dB"),
        (f"eq: {{bands: [{BELLS}, {BELLS}]}}\n  - gain: {{gain: 60 dB}}", "1000 Hz by 108 dB"),
        (f"eq: {{bands: [{BELLS}, {BELLS}], bypass: yes}}", None),
        (f"eq: {{bands: [{BELLS}]}}\n  - gain: {{gain: -30 dB}}", None),
        (f"eq: {{bands: [{BELLS}]}}\n  - ride: {{points: [[0 s, 0 dB], [1 s, 6 dB]]}}", "by 30 dB"),
        ("gain: {gain: 24 dB}", None),
        ("gain: {gain: 30 dB}", "the level by 30 dB"),
        (
            "gain: {gain: 30 dB}\n  - eq: {bands: [{shape: highpass, frequency: 80 Hz}]}",
            "the level by 30 dB",
        ),
        ("compress: {threshold: -60 dB, ratio: inf, makeup: 40 dB}", "the level by 40 dB"),
        # 20·log10(0.9 + 0.1·10^(40/20))
        (
            "compress: {threshold: -60 dB, ratio: inf, makeup: 40 dB, mix: 10 %}\n"
            "  - gain: {gain: 10 dB}",
            "the level by 31 dB",
        ),
        ("compress: {threshold: -60 dB, ratio: inf, makeup: match}", None),
    ],
)
def test_check_warns_of_what_can_become_very_loud(tmp_path, capsys, monkeypatch, stages, raised):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "c.yaml").write_text(f"chainkit: 1\nstages:\n  - {stages}\n")
    assert main(["check", "c.yaml"]) == 0
    told = capsys.readouterr().err
    assert (LOUD in told) == (raised is not None)
    assert (raised or "") in told


def test_no_preset_can_become_very_loud(capsys):
    assert main(["check", *preset_names()]) == 0
    assert LOUD not in capsys.readouterr().err


def test_check_draws(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "good.yaml").write_text("chainkit: 1\nstages:\n  - deess: {threshold: -30 dB}\n")
    assert main(["check", "good.yaml", "--plot", "curves.png"]) == 0
    assert (tmp_path / "curves.png").read_bytes()[:4] == b"\x89PNG"
    assert main(["check", "good.yaml", "--plot", "curves.png"]) == 4


def test_json_has_no_number_that_json_does_not_know(capsys):
    """RFC 8259, 6: "Infinity and NaN are not permitted"; from memory."""
    show.json([{"Stöße": (float("nan"), np.float64("-inf"), np.float32(0.5), 1, None)}])
    printed = capsys.readouterr().out
    assert json.loads(printed) == [{"Stöße": [None, None, 0.5, 1, None]}]
    assert "Stöße" in printed


def test_schema_is_printed(capsys):
    assert main(["schema"]) == 0
    assert '"chainkit chain file"' in capsys.readouterr().out


def test_a_warning_of_python_reaches_those_alone_who_ask(monkeypatch):
    monkeypatch.delenv("PYTHONWARNINGS", raising=False)
    text = "from chainkit.cli.main import main; main(['--version']); import warnings; "
    text += "warnings.warn('invalid value', RuntimeWarning)"
    for asked, told in ([], False), (["-W", "default"], True):
        command = [sys.executable, *asked, "-c", text]
        found = subprocess.run(command, capture_output=True, text=True, check=True)
        assert ("invalid value" in found.stderr) == told
