"""The README names every option, every key of JSON and every column, and its commands work.

Each is sought in the part of the README that is about it, not just anywhere.
"""

from __future__ import annotations

import contextlib
import csv
import importlib
import io
import json
import re
import shlex
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainkit import errors
from chainkit.cli.main import COMMANDS, main

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text("utf-8")
COMMON = {"--json", "--force", "--output"}  # told once, of all commands
SUBCOMMANDS = {"presets": ("list", "show", "copy")}

# Which parts tell of a command's options.
OPTIONS = {
    "render": ("Render",),
    "check": ("Check before you render",),
    "verify": ("Render",),
    "measure": ("Measure",),
    "compare": ("Compare",),
    "scout": ("Scout: find trouble, hear it, start from there",),
    "ride": ("Ride the level",),
    "songs": ("One chain across a record",),
    "presets": ("Presets",),
    "schema": ("Check before you render",),
    "demo": ("chainkit",),
}
# Which parts tell of the keys of a command's JSON.
MEASURE, RECORD, CHAIN = "JSON of measure", "The render record", "The chain file"
KEYS = {
    "measure": (MEASURE,),
    "render": (RECORD, MEASURE, CHAIN),
    "verify": ("JSON of verify",),
    "compare": ("JSON of compare", RECORD, MEASURE, CHAIN),
    "candidates.json": ("JSON of compare", RECORD, MEASURE, CHAIN),
    "scout": ("JSON of scout",),
    "ride": ("JSON of ride",),
    "songs": ("JSON of songs", RECORD),
    "check": ("JSON of check", CHAIN),
    "presets": ("JSON of presets",),
}
# Under these, keys are names of stages or paths in a chain: data, not words of ours.
NAMED = ("stages", "matched_makeup_db", "changes")
TEXTS = {
    *("notes", "reasons", "written", "within_uncertainty", "chunks_left_out", "remarks"),
    *("left_behind", "render_notes", "backing_notes"),
}
UNITS = r"^[a-z]\w*_(db|lu|lufs|dbfs|dbtp|hz|seconds|percent)$"
ALIKE = {"own_partials", "unridden"}  # hold what `findings` and `breaths` hold
# The row of the README's table that tells of a file's columns; what else may stand there.
COLUMNS = {
    "out.gr.csv": ("gain-reduction log", ()),
    "orders/candidates.csv": ("candidates.csv", ("JSON of compare",)),
    "timeline.csv": ("measure --timeline", ()),
    "sibilants.csv": ("measure --sibilants", ()),
    "evidence/sweeps.csv": ("sweeps.csv", ()),
    "evidence/glide.csv": ("glide.csv", ()),
    "rides.csv": ("rides", ()),
    **{
        f"demo/{name}.csv": ("what is true of the demo", ())
        for name in (
            *("phrases", "breaths", "notes", "plosives", "sibilants", "dull"),
            *("resonances", "swell"),
        )
    },
}
BOOK = """\
chainkit: 1
record: Small
output: rendered
chains: {lead: demo/chain.yaml}
songs:
  - title: One
    voices:
      - {role: lead, file: clipped.wav, backing: demo/backing.wav, rides: rides.csv,
         changes: {deess.threshold: -36 dB}}
  - title: Two
    voices:
      - {role: lead, file: nowhere.wav}
"""
FAULTY = "chainkit: 1\nstages:\n  - deess: {threshold: -30 dB, ration: 4:1}\n"


FENCE = re.compile(r"^```\w*\n(.*?)^```", re.M | re.S)


def section(title):
    """Text under a heading, up to the next one of its level or above; smaller ones are part."""
    heading = re.search(rf"^(#+) {re.escape(title)}$", README, re.M)
    assert heading, f"no heading {title!r}"
    level = max(len(heading[1]), 2)  # the title of all has the text up to the first part
    rest = README[heading.end() :]
    end = re.search(rf"^#{{1,{level}}} ", rest, re.M)
    return rest[: end.start()] if end else rest


def code(text):
    """What is set as code: blocks, then spans inside lines."""
    return FENCE.findall(text) + re.findall(r"`([^`]+)`", FENCE.sub("", text))


def words(*titles):
    """Words and options that stand as code in these parts."""
    spans = [span for title in titles for span in code(section(title))]
    return {word for span in spans for word in re.findall(r"(?<![\w-])-{0,2}\w[\w-]*", span)}


def options_of(command, capsys):
    """Every option that the help of a command, and of what it is parted into, speaks of."""
    found = set()
    for rest in ((), *((word,) for word in SUBCOMMANDS.get(command, ()))):
        with pytest.raises(SystemExit):
            main([command, *rest, "--help"])
        found |= set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", capsys.readouterr().out))
    return found - {"--help"}


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_is_told_where_its_command_is(command, capsys):
    missing = options_of(command, capsys) - COMMON - words(*OPTIONS[command])
    assert not missing, f"the README does not tell of {command} {sorted(missing)}"


def test_the_options_of_all_are_told_once():
    assert words("For machines") >= COMMON


def test_every_option_that_is_told_is_one(capsys):
    known = set().union(*(options_of(command, capsys) for command in COMMANDS))
    for span in code(README):
        told = re.findall(r"(?<![\w-])--[a-z][a-z-]*", "" if "pip install" in span else span)
        assert set(told) <= known, span


@pytest.mark.parametrize("command", [*SUBCOMMANDS["presets"], "songbook"])
def test_every_word_behind_a_command_is_told(command):
    assert command in words("Presets", "Check before you render")


def commands():
    """Every command of chainkit in the README, without its name."""
    blocks = "\n".join(re.findall(r"^```(?:sh|console)\n(.*?)^```", README, re.M | re.S))
    lines = blocks.replace("\\\n", " ").split("\n")
    shown = [line.removeprefix("$ ") for line in lines if line.startswith(("$ ", "python "))]
    spans = [span for span in code(README) if span.startswith("chainkit ")]
    for line in [*shown, *spans]:
        for part in line.split("&&"):
            found = shlex.split(part, comments=True)
            if found[0] == "chainkit":
                yield tuple(found[1:])


def test_the_readme_shows_each_command():
    assert {command for command, *_ in commands()} == set(COMMANDS)


@pytest.mark.parametrize("line", sorted(set(commands())), ids=" ".join)
def test_each_command_is_understood(line, monkeypatch):
    asked = []
    module = importlib.import_module(f"chainkit.cli.{line[0]}")
    monkeypatch.setattr(module, "run", lambda arguments: asked.append(arguments) or 0)
    assert main(list(line)) == 0
    assert asked


def test_what_pip_is_asked_for_is_there():
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    asked = re.findall(r"(?:\.|chainkit)\[(\w+)\]'", README)
    assert asked
    assert set(asked) <= set(extras["project"]["optional-dependencies"])


def test_every_link_inside_has_its_heading():
    titles = re.findall(r"^#+ (.+)$", FENCE.sub("", README), re.M)
    # How GitHub names a heading: from memory.
    anchors = {re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-") for title in titles}
    links = set(re.findall(r"\]\(#([^)]*)\)", README))
    assert links
    assert links <= anchors


def test_every_exit_code_is_told():
    kinds = [kind for kind in vars(errors).values() if isinstance(kind, type)]
    known = {kind.exit_code for kind in kinds if issubclass(kind, errors.ChainkitError)}
    told = {int(code) for code in re.findall(r"^\| (\d+) \|", section("For machines"), re.M)}
    assert told == known | {0, errors.INTERRUPTED}


def run(line, code=0):
    """What a command prints."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main(shlex.split(line)) == code, line
    return out.getvalue()


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The folder, and the JSON of each command, once of all that it may hold."""
    folder = tmp_path_factory.mktemp("readme")
    with contextlib.chdir(folder):
        found = dict(printed())
    return folder, found


def printed():
    """Each command's name and what it prints as JSON."""
    run("demo demo --length '4 s'")
    chain, backing = "--chain demo/chain.yaml", "--backing demo/backing.wav"
    glide = "--glide '200 Hz..1 kHz' --length '1 s'"
    found = {
        "render": f"demo/voice.wav {chain} -o out.wav --detail",
        "measure": "demo/voice.wav out.wav --sibilants sibilants.csv --timeline timeline.csv",
        "verify": "out.record.json",
        "ride": f"demo/voice.wav {backing} -o rides.csv",
        "scout": f"demo/voice.wav {backing} --sweeps evidence {glide}",
        "compare": f"demo/voice.wav {chain} --orders deess,eq {backing} --squeeze -o orders",
        "presets": "list",
    }
    for command, line in found.items():
        yield command, json.loads(run(f"{command} {line} --json"))
    yield "candidates.json", json.loads(Path("orders/candidates.json").read_text("utf-8"))
    voice, rate = soundfile.read("demo/voice.wav")
    soundfile.write("clipped.wav", np.clip(9.0 * voice, -1.0, 1.0), rate, "PCM_24")
    Path("book.yaml").write_text(BOOK)
    Path("faulty.yaml").write_text(FAULTY)
    due = json.loads(run("songs book.yaml --dry-run --json", 1))
    yield "songs", [due, json.loads(run("songs book.yaml --json", 1))]
    Path("nowhere.wav").write_bytes(Path("clipped.wav").read_bytes())
    yield "check", json.loads(run("check demo/chain.yaml book.yaml faulty.yaml --json", 2))


def keys(value, name=""):
    """Every key in plain values but those that are names of data; a stage's name becomes STAGE."""
    for inner in value if isinstance(value, list) else ():
        yield from keys(inner, name)
    for key, inner in value.items() if isinstance(value, dict) else ():
        if name not in NAMED:
            yield re.sub(r"^(eq|deess|compress)_", "STAGE_", key)
        yield from keys(inner, key)


def lists(value):
    """Name and length of every list in plain values."""
    for inner in value if isinstance(value, list) else ():
        yield from lists(inner)
    for key, inner in value.items() if isinstance(value, dict) else ():
        if isinstance(inner, list):
            yield key, len(inner)
        yield from lists(inner)


@pytest.mark.parametrize("output", KEYS)
def test_every_key_is_told(made, output):
    missing = set(keys(made[1][output])) - words(*KEYS[output])
    assert not missing, f"the README does not tell of {sorted(missing)} in {output}"


@pytest.mark.parametrize("output", KEYS)
def test_every_key_that_is_told_is_there(made, output):
    """Those at the left of a table, and whatever ends in a unit."""
    text = section(KEYS[output][0])
    left = {
        span for line in text.split("\n") if line[:2] == "| " for span in code(line.split("|")[1])
    }
    with_units = {span for span in code(text) if re.search(UNITS, span)}
    assert left | with_units <= set(keys(made[1][output]))


@pytest.mark.parametrize("output", KEYS)
def test_no_key_hides_in_a_list_that_stayed_empty(made, output):
    found = list(lists(made[1][output]))
    empty = {key for key, _ in found} - {key for key, length in found if length}
    assert empty <= TEXTS | ALIKE


@pytest.mark.parametrize("file", COLUMNS)
def test_every_column_is_told(made, file):
    label, elsewhere = COLUMNS[file]
    with (made[0] / file).open(newline="") as opened:
        columns = next(csv.reader(opened))
    told = row(label) | words(*elsewhere)
    missing = {re.sub(r"^(eq|deess|compress)_", "STAGE_", column) for column in columns} - told
    assert not missing, f"the README does not tell of {sorted(missing)} in {file}"


def test_no_table_is_forgotten(made):
    found = {str(path.relative_to(made[0])) for path in made[0].rglob("*.csv")}
    assert {path for path in found if not path.startswith("rendered")} == {
        *COLUMNS,
        "demo/rendered.gr.csv",
    }


def test_every_array_is_told(made):
    with np.load(made[0] / "out.gr.npz") as arrays:
        assert set(arrays) - {"eq", "deess", "compress"} <= row("--detail")


def row(label):
    """Words that stand as code in one row of the table of columns."""
    rows = [line for line in section("CSV and NPZ").split("\n") if line[:2] == "| "]
    (found,) = [line for line in rows if label in line.split("|")[1]]
    return {word for span in code(found) for word in re.findall(r"\w+", span)}
