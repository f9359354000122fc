"""Chain files: right values, faults that name their place, and hostile text."""

from __future__ import annotations

import json
import math
import os
import re
from dataclasses import replace
from functools import partial
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile
import yaml
from hypothesis import assume, given
from hypothesis import strategies as st

import chainkit
from chainkit import Chain, Eq, Ride
from chainkit.chain.reading import find_chain
from chainkit.chain.ridefile import read_ride
from chainkit.chain.schema import chain_schema
from chainkit.chain.text import one_line
from chainkit.demo import CHAIN
from chainkit.errors import ChainFileError, OutputError, UsageError
from chainkit.presets import preset_names, preset_path
from chainkit.stages.eq import Bell, Highpass, HighShelf, LowShelf, Notch
from chainkit.units import FREQUENCY

GOOD = """\
chainkit: 1
name: Test
working_level: -20 LUFS
stages:
  - gain: {gain: -3 dB}
  - ride: {points: [[0 s, 0 dB], [2 s, -3 dB]]}
  - eq:
      bands:
        - {shape: highpass, frequency: 80 Hz, slope: 24 dB/oct}
        - {shape: bell, frequency: 280 Hz, gain: -3.5 dB, q: 4}
        - {shape: high_shelf, frequency: 8 kHz, gain: 3 dB, q: 0.7}
        - {shape: notch, frequency: 50 Hz, q: 1e1}
        - {shape: bell, frequency: 1 kHz, gain: 1 dB, bandwidth: 1.5 oct}
  - deess: {frequency: 5.5 kHz, threshold: -34 dB, ratio: 4:1, range: 8 dB, upper: none}
  - compress: {threshold: -20 dB, ratio: inf, sidechain: {highpass: 90 Hz}, makeup: match, link: no}
  - compress: {threshold: -10 dBFS, ratio: 2:1, mix: 30 %, bypass: yes}
"""


def test_values_are_read_by_the_yaml_1_2_core_rules():
    chain = chainkit.parse_chain(GOOD)
    gain, ride, eq, deess, compress, second = chain.stages
    assert chain.working_level == -20.0
    assert gain.gain == -3.0
    assert ride.points == ((0.0, 0.0), (2.0, -3.0))
    assert [band.shape for band in eq.bands][:2] == ["highpass", "bell"]
    assert eq.bands[3].q == 10.0
    assert (deess.ratio, deess.upper, deess.range) == (4.0, None, 8.0)
    assert math.isinf(compress.ratio)
    assert compress.link is False
    assert compress.sidechain.highpass == 90.0
    assert (second.name, second.bypass, second.mix) == ("compress-2", True, 0.3)


def test_dump_reads_back_as_an_equal_chain():
    chain = chainkit.parse_chain(GOOD)
    assert chainkit.parse_chain(chainkit.dump_chain(chain)) == chain


def test_dump_is_written_as_a_chain_file_is():
    chain = chainkit.parse_chain(
        "chainkit: 1\nname: 1e3\nnotes: |\n  One.\n  Two.\n"
        "stages: [compress: {name: On, threshold: -20 dB, ratio: 4:1}]"
    )
    dumped = chainkit.dump_chain(chain)
    for line in ("name: '1e3'", "notes: |", "  Two.", "    ratio: '4:1'", "    link: yes"):
        assert f"\n{line}\n" in dumped


def test_ratios_that_we_write_are_text_to_readers_of_yaml_1_1():
    """Unquoted PyYAML takes 4:1 for 241 (YAML 1.1, base 60); ours takes both for a ratio."""
    demo = CHAIN.format(highpass=80, mud=280, cut=3, q=4, edge=5000)
    texts = [demo, *(preset_path(name).read_text("utf-8") for name in preset_names())]
    for text in [*texts, *(chainkit.dump_chain(chainkit.parse_chain(text)) for text in texts)]:
        stages = [values for stage in yaml.safe_load(text)["stages"] for values in stage.values()]
        ratios = [values["ratio"] for values in stages if "ratio" in values]
        assert ratios
        assert all(isinstance(ratio, str) for ratio in ratios)
        assert chainkit.parse_chain(text) == chainkit.parse_chain(
            re.sub("'([0-9.]+:1)'", r"\1", text)
        )


PLAIN = "yesnotrufal~0123456789:.-+eExo '\"\n#&*![]{}|>%@`,?<=\t"  # letters that mean something


@pytest.mark.parametrize(
    ("stage", "way_out"),
    [
        ("gain: 3 dB", "found '3 dB'; write gain: {gain: 3 dB}"),
        ("gain: loud", "found 'loud'; write gain: {gain: …}"),
        ("gain:", "found empty; write gain: {gain: …}"),
        ("gain: '#3 dB'", "write gain: {gain: …}"),
        ("compress: 4:1", "write compress: {ratio: 4:1, …}"),
        ("deess: 5 kHz", "write deess: {frequency: 5 kHz, …}"),
        ("ride: moves.csv", "write ride: {file: moves.csv}"),
        ("ride: 'a, b.csv'", "write ride: {points: …}"),
        ("ride: [[0 s, 1 dB]]", "found a list; write ride: {points: …}"),
        ("eq: []", "found a list; write eq: {bands: …}"),
        (
            "compress: {threshold: -9 dB, ratio: 2:1, sidechain: 90 Hz}",
            "write sidechain: {highpass: 90 Hz}",
        ),
    ],
)
def test_what_stands_in_place_of_a_mapping_is_told_how_to_be_written(stage, way_out):
    with pytest.raises(ChainFileError, match=f"{re.escape(way_out)}$"):
        chainkit.parse_chain(f"chainkit: 1\nstages:\n  - {stage}\n")


@given(name=st.text() | st.text(PLAIN, max_size=10), notes=st.text())
def test_any_words_read_back(name, notes):
    chain = chainkit.Chain((), name=name, notes=notes)
    assert chainkit.parse_chain(chainkit.dump_chain(chain)) == chain


@given(words=st.text(PLAIN.replace("\n", "") + "ñ–声 ", max_size=20) | st.text())
def test_words_on_one_line_read_back(words):
    words = "".join(letter for letter in words if letter.isprintable())
    line = one_line(words)
    assert "\n" not in line
    assert chainkit.parse_chain(f"chainkit: 1\nname: {line}\nstages: []\n").name == words


def test_no_working_level_can_be_said():
    text = "chainkit: 1\nworking_level: none\nstages: []\n"
    chain = chainkit.parse_chain(text)
    assert chain.working_level is None
    assert chain == chainkit.parse_chain(text.replace("working_level: none\n", ""))
    jsonschema.validate({"chainkit": 1, "working_level": "none", "stages": []}, chain_schema())


def test_schema_is_valid_and_takes_what_the_reader_takes():
    schema = chain_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(chainkit.parse_chain(GOOD).as_dict(), schema)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("ratio", "4"),
        ("ratio", "-4:1"),
        ("frequency", "5500"),
        ("frequency", "-5 kHz"),
        ("attack", "−1 ms"),
        ("phase", "zero"),
        ("thresh", "-3 dB"),
        ("name", "a.b"),
        ("name", "n" * 65),
        ("name", "-x"),
    ],
)
def test_schema_refuses_what_the_reader_refuses(key, value):
    deess = {"threshold": "-34 dB", key: value}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"chainkit": 1, "stages": [{"deess": deess}]}, chain_schema())
    with pytest.raises(ChainFileError, match=key):
        chainkit.parse_chain(f"chainkit: 1\nstages: [deess: {deess}]")


@pytest.mark.parametrize("level", ["20 LUFS", "+20 LUFS", "20"])
def test_schema_refuses_a_working_level_without_its_minus(level):
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"chainkit": 1, "working_level": level, "stages": []}, chain_schema())
    with pytest.raises(ChainFileError, match="working_level"):
        chainkit.parse_chain(f"chainkit: 1\nworking_level: {level}\nstages: []")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("threshold", "−34 dB"),
        ("threshold", "+3 dB"),
        ("ratio", "∞"),
        ("attack", "+1 ms"),
        ("range", "0 dB"),
        ("name", "De-ess 2_b"),
    ],
)
def test_schema_takes_the_spellings_that_are_usual(key, value):
    deess = {"threshold": "-34 dB", key: value}
    for level in ("−20 LUFS", "-20.5 LUFS", "0 LUFS"):
        text = f"chainkit: 1\nworking_level: {level}\nstages: [deess: {deess}]"
        chainkit.parse_chain(text)
        jsonschema.validate(yaml.safe_load(text), chain_schema())


@pytest.mark.parametrize(
    ("old", "new", "line", "column", "message"),
    [
        ("ratio: 4:1", "ratio: 4", 14, 59, "ratio '4' is not a ratio; write '4:1' or 'inf'"),
        ("ratio: 4:1", "ration: 4:1", 14, 52, "no key 'ration' in deess; .*did you mean 'ratio'"),
        ("280 Hz", "280", 10, 36, "frequency '280' has no unit; write '280 Hz'$"),
        (
            "shape: bell, frequency: 280",
            "shape: bel, frequency: 280",
            10,
            19,
            "did you mean 'bell'",
        ),
        ("-34 dB", "loud", 14, 44, "threshold 'loud' is not a level"),
        ("makeup: match", "makeup: mach", 15, 85, "neither a gain nor match; did you mean 'match'"),
        ("- deess", "- desser", 14, 5, "no stage 'desser'; .*did you mean 'deess'"),
        ("q: 4}", "q: 4, bandwidth: 1 oct}", 10, 76, "give q or bandwidth, not both"),
        ("24 dB/oct", "20 dB/oct", 9, 54, "slope '20 dB/oct' is not one of 6, 12"),
        ("{gain: -3 dB}", '{gain: -3 dB, name: ""}', 5, 31, "name '' is not a name of letters"),
        ("24 dB/oct", "1e400 dB/oct", 9, 54, "is not between 6 dB/oct and 48 dB/oct"),
        ("q: 4}", "q: no}", 10, 62, "q 'no' is not a number between 0.05 and 100"),
        ("slope: 24", "gain: 3 dB, slope: 24", 9, 47, "no key 'gain' in highpass"),
        ("name: T", "nmae: T", 2, 1, "no key 'nmae' in a chain file; .*did you mean 'name'"),
        ("[2 s,", "[0 s,", 6, 35, "time 0 s does not rise"),
        ("gain: {gain: -3 dB}", "gain: {gain: 90 dB}", 5, 18, "is not between -120 dB and 60 dB"),
        ("chainkit: 1", "chainkit: 2", 1, 11, "not a known format version; use 1"),
        ("upper: none", "upper: 6 kHz", 14, 84, "at least 1.25 times the lower edge"),
        ("link: no", "link: maybe", 15, 98, "link 'maybe' is not one of yes, no"),
        ("range: 8 dB", "range: ~", 14, 71, "range needs one value; found empty"),
        ("mix: 30 %", "mix: 130 %", 16, 54, "mix '130 %' is not between 0 % and 100 %"),
        ("{gain: -3 dB}", "[1, 2]", 5, 11, "gain needs a mapping of its settings; found a list"),
        ("threshold: -34 dB, ", "", 14, 12, "deess needs threshold"),
    ],
)
def test_a_fault_names_its_place(old, new, line, column, message):
    assert old in GOOD
    with pytest.raises(ChainFileError, match=message) as caught:
        chainkit.parse_chain(GOOD.replace(old, new), "lead.yaml")
    assert (caught.value.source, caught.value.line, caught.value.column) == (
        "lead.yaml",
        line,
        column,
    )
    assert "\n" not in str(caught.value)


def test_what_excludes_one_another_is_told_beside_other_faults():
    text = "chainkit: 1\nstages:\n  - ride: {points: [[1 s, 0]], file: a.csv}\n"
    text += "  - eq: {bands: [{shape: bell, frequency: 1, gain: 1 dB, q: 1, bandwidth: 1 oct}]}\n"
    with pytest.raises(ChainFileError, match="not both") as caught:
        chainkit.parse_chain(text)
    told = [(fault.line, fault.message[:21]) for fault in caught.value.faults]
    assert told == [
        (3, "gain '0' has no unit;"), (3, "give points or file, "),
        (4, "frequency '1' has no "), (4, "give q or bandwidth, "),
    ]  # fmt: skip


def test_all_faulty_rows_of_a_ride_file_are_told(tmp_path):
    (tmp_path / "moves.csv").write_text("seconds,gain_db\n0,0\n1,x\n9,0\n2,0\n\n3,0\n4\n")
    (tmp_path / "c.yaml").write_text("chainkit: 1\nname: []\nstages: [ride: {file: moves.csv}]\n")
    with pytest.raises(ChainFileError, match="name needs one value") as caught:
        chainkit.load_chain(tmp_path / "c.yaml")
    found = [(Path(fault.source).name, fault.line) for fault in caught.value.faults]
    assert found == [("c.yaml", 2), ("moves.csv", 3), ("moves.csv", 5), ("moves.csv", 8)]
    (tmp_path / "moves.csv").write_text("seconds,gain_db\n" + "0,x\n" * 5000)
    with pytest.raises(ChainFileError, match="moves.csv:2:3: row '0,x'") as caught:
        read_ride(tmp_path / "moves.csv")
    assert len(caught.value.faults) == 200


def test_a_decimal_comma_between_braces_is_told():
    with pytest.raises(ChainFileError, match="no key '5 dB' .*numbers take a decimal point"):
        chainkit.parse_chain(GOOD.replace("gain: {gain: -3 dB}", "gain: {gain: -3,5 dB}"), "c.yaml")


MANY = """\
chainkit: 1
nmae: x
working_level: 3
stages:
  - eq:
      bands:
        - &band {shape: bell, frequency: 280, qq: 3}
        - {shape: bel, frequency: 280 Hz}
        - {shape: bell, frequency: 1 kHz, gain: 3 dB, q: 2, bandwidth: 1 oct}
        - *band
  - dees: {}
  - ride: {file: nope.csv}
  - ride: {points: [[1, 3 dB], [1 s, y]]}
  - compress: {attack: 10}
"""


def test_all_faults_of_a_file_are_told_in_order():
    with pytest.raises(ChainFileError, match=r"\Ax.yaml:2:1: no key 'nmae'") as caught:
        chainkit.parse_chain(MANY, "x.yaml")
    found = [(fault.line, fault.column, fault.message) for fault in caught.value.faults]
    told = [
        (2, 1, "no key 'nmae'"),
        (3, 16, "working_level '3' has no unit"),
        (7, 42, "frequency '280' has no unit"),
        (7, 47, "no key 'qq' in bell"),  # not also that gain is missing
        (8, 19, "shape 'bel' is not one of"),
        (9, 72, "give q or bandwidth, not both"),
        (11, 5, "no stage 'dees'"),
        (12, 18, "cannot read the ride file"),
        (13, 22, "time '1' has no unit"),
        (13, 38, "gain 'y' is not a gain"),
        (14, 15, "compress needs threshold"),
        (14, 15, "compress needs ratio"),
        (14, 24, "attack '10' has no unit"),
    ]
    assert [place[:2] for place in found] == [place[:2] for place in told]
    assert all(got[2].startswith(due[2]) for got, due in zip(found, told, strict=True))
    lines = str(caught.value).split("\n")
    assert lines == [str(fault) for fault in caught.value.faults]
    assert all(
        line.startswith(f"x.yaml:{due[0]}:{due[1]}: ")
        for line, due in zip(lines, told, strict=True)
    )


def test_all_faults_of_the_text_itself_are_told():
    text = "chainkit: 1\nname: a\nname: *b\nnotes: !c d\nname: e\nstages: [\n"
    with pytest.raises(ChainFileError, match="x.yaml:3:1: key 'name' stands twice") as caught:
        chainkit.parse_chain(text, "x.yaml")
    assert [(fault.line, fault.message.split()[0]) for fault in caught.value.faults] == [
        *[(3, "key"), (3, "alias"), (4, "tag"), (5, "key"), (7, "not")]
    ]


@pytest.mark.parametrize(("count", "told"), [(40, 40), (199, 199), (5000, 200)])
def test_a_file_of_faults_is_left_after_two_hundred_and_says_so(count, told):
    stages = "".join(f"  - gain: {{gain: {n}}}\n" for n in range(count))
    with pytest.raises(ChainFileError, match="gain '0' has no unit") as caught:
        chainkit.parse_chain(f"chainkit: 1\nstages:\n{stages}", "x.yaml")
    assert len(caught.value.faults) == told
    lines = str(caught.value).split("\n")
    end = ["x.yaml: not read behind these 200 faults; there may be more"] if count > told else []
    assert lines == [str(fault) for fault in caught.value.faults] + end


def test_values_that_do_not_go_together_are_told_beside_other_faults():
    text = "chainkit: 1\nstages:\n  - deess: {threshold: 3, frequency: 5 kHz, upper: 4 kHz}\n"
    text += "  - deess: {threshold: 3, frequency: 5, upper: 4 kHz}\n  - ride: {flie: a.csv}\n"
    text += "  - deess: {threshold: -3 dB, freqency: 2 kHz, upper: 4 kHz}\n"
    with pytest.raises(ChainFileError, match="upper 4 kHz is not at least 1.25") as caught:
        chainkit.parse_chain(text)
    told = [(fault.line, fault.message[:20]) for fault in caught.value.faults]
    assert told == [
        (3, "threshold '3' has no"), (3, "upper 4 kHz is not a"),
        (4, "threshold '3' has no"), (4, "frequency '5' has no"),
        (5, "no key 'flie' in rid"), (6, "no key 'freqency' in"),
    ]  # fmt: skip


def test_all_faults_of_the_sample_rate_are_told():
    chain = chainkit.parse_chain(GOOD, "lead.yaml")
    with pytest.raises(ChainFileError, match="not below half") as caught:
        chain.check(8000)
    assert [fault.line for fault in caught.value.faults] == [11, 14]


@pytest.mark.parametrize("shape", ["bell, gain: 6 dB", "low_shelf, gain: 6 dB", "notch"])
@pytest.mark.parametrize(
    ("frequency", "bandwidth", "allowed"),
    [
        ("23999 Hz", "1 oct", "give q"),
        ("23.91 kHz", "8 oct", "at most 0.03 oct, or give q"),
        ("22 kHz", "1 oct", "at most 0.77 oct, or give q"),
        ("12 kHz", "6 oct", "at most 5.5 oct, or give q"),
    ],
)
def test_a_bandwidth_too_wide_near_half_the_sample_rate_is_a_fault(
    shape, frequency, bandwidth, allowed
):
    text = "chainkit: 1\nstages:\n  - eq:\n      bands:\n"
    band = f"        - {{shape: {shape}, frequency: {frequency}, "
    chain = chainkit.parse_chain(f"{text}{band}bandwidth: {bandwidth}}}\n", "x.yaml")
    due = f"bandwidth {bandwidth} is too wide at {{}} and a sample rate of 48 kHz; {allowed}"
    with pytest.raises(ChainFileError, match="is too wide") as caught:
        chain.check(48000)
    fault = caught.value
    assert (fault.line, fault.column) == (5, len(f"{band}bandwidth: ") + 1)
    assert fault.message == due.format(FREQUENCY.format(FREQUENCY.parse(frequency)))
    with pytest.raises(ChainFileError, match="is too wide"):
        chain.stream(48000, 1)
    chain.check(384000)


@given(
    cls=st.sampled_from([Bell, LowShelf, HighShelf, Notch]),
    rate=st.sampled_from([8000, 44100, 48000, 384000]),
    share=st.floats(1e-3, 1.0, exclude_max=True),
    bandwidth=st.floats(0.01, 8.0),
)
def test_any_bandwidth_is_refused_or_gives_a_q_that_could_have_been_asked_for(
    cls, rate, share, bandwidth
):
    values = {} if cls is Notch else {"gain": 6.0}
    assume(1.0 <= share * rate / 2 < rate / 2)
    band = cls(frequency=share * rate / 2, bandwidth=bandwidth, **values)
    faults = list(band.faults_at(rate))
    for path, message, spans in faults:
        assert path == ("bandwidth",)
        assert [f"0.01 oct to {most}" for most in re.findall(r"at most (\S+ oct)", message)] == [
            *spans
        ]
        for allowed in re.findall(r"at most (\S+) oct", message):
            assert not list(replace(band, bandwidth=float(allowed)).faults_at(rate))
    if not faults:
        assert band.width(rate) >= 0.05 * (1 - 1e-12)
        assert np.isfinite(band.sections(rate)).all()


BOMB = "chainkit: 1\na: &a [x, x]\n" + "\n".join(
    f"{chr(98 + n)}: &{chr(98 + n)} [{', '.join(f'*{chr(97 + n)}' for _ in range(9))}]"
    for n in range(20)
)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (BOMB, "more than 100 aliases"),
        ("chainkit: 1\nstages: " + "[" * 500 + "]" * 500, "nested deeper|nesting depth"),
        ("chainkit: 1\nstages: " + "[" * 60_000, "nested deeper|nesting depth"),
        ("chainkit: 1\nstages: !!python/object/apply:os.getcwd []", "tag .* is not allowed"),
        ("chainkit: !!int 1", "tag .* is not allowed"),
        ("chainkit: 1\nchainkit: 1", "key 'chainkit' stands twice; first in line 1"),
        ("chainkit: 1\nstages:\n\t- gain: {gain: 1 dB}", "indent with spaces, not with tabs"),
        ("chainkit: 1\nstages: &s [*s]", "stands inside what it names"),
        ("chainkit: 1\nstages: *s", r"alias \*s has no anchor"),
        ("chainkit: 1\n---\nchainkit: 1", "second document"),
        ("", "the file is empty"),
        ("- 1", "found a list"),
        ("just words", "found 'just words'"),
        ("chainkit: 1", "stages is due"),
        ("chainkit: 1\nstages: no", "stages is due, .*found 'no'"),
        ("stages: []", "format version is missing"),
        ("chainkit: 1\nstages: [gain]", "a stage is a mapping with one key"),
        ("chainkit: 1\nstages: [{gain: {gain: 1 dB}, eq: {bands: []}}]", "found 2 keys"),
        ("chainkit: 1\nstages: [{eq: {bands: 3}}]", "bands needs a list; found '3'"),
        ("chainkit: 1\nstages: [{eq: {bands: [3]}}]", "needs mappings with shape"),
        ("chainkit: 1\nstages: [{ride: {points: [[1 s]]}}]", r"needs pairs \[time, gain\]"),
        ("chainkit: 1\nstages: [{ride: {}}]", "a ride needs points or a file"),
        ("chainkit: 1\nstages: [{ride: {points: [[1 s, 0 dB]], file: a.csv}}]", "not both"),
        ("? [a]\n: 1", "a key must be a word"),
        ("chainkit: 1\nstages: [{gain: {gain: 1 dB}]", "not readable as YAML"),
        ("chainkit: \x07", "not readable as YAML"),
        ("<<: {a: b}\nchainkit: 1\nstages: []", r"yaml:1:1: merge keys \(<<\) are not allowed"),
        ("'<<': {a: b}\nchainkit: 1\nstages: []", "no key '<<'"),
    ],
)
def test_hostile_text_gives_a_clear_error(text, message):
    with pytest.raises(ChainFileError, match=message):
        chainkit.parse_chain(text, "hostile.yaml")


def test_a_large_or_binary_or_missing_file_is_refused(tmp_path):
    large, binary = tmp_path / "large.yaml", tmp_path / "binary.yaml"
    large.write_bytes(b"# " + b"x" * (10 << 20))
    binary.write_bytes(b"chainkit: 1\nname: \xff\xfe")
    with pytest.raises(ChainFileError, match="above 1 MiB"):
        chainkit.load_chain(large)
    with pytest.raises(ChainFileError, match=r"binary.yaml:2:7: the file is not UTF-8"):
        chainkit.load_chain(binary)
    binary.write_bytes("chainkit: 1\nname: é".encode() + b"\xff\xfe")
    with pytest.raises(ChainFileError, match=r"binary.yaml:2:8: the file is not UTF-8"):
        chainkit.load_chain(binary)
    for start in (b"", b"\xef\xbb\xbf"):
        binary.write_bytes(start + "chainkit: 1\nname: é\0\n".encode())
        with pytest.raises(ChainFileError, match=r"binary.yaml:2:8: a NUL byte stands here"):
            chainkit.load_chain(binary)
    binary.write_bytes("chainkit: 1".encode("utf-16"))
    with pytest.raises(ChainFileError, match=r"binary.yaml:1:1: not a text in UTF-8"):
        chainkit.load_chain(binary)
    with pytest.raises(UsageError, match="no such file"):
        chainkit.load_chain(tmp_path / "missing.yaml")


def test_a_chain_is_read_from_a_pipe():
    """As a shell gives one for ``<(command)``."""
    reading, writing = os.pipe()
    os.write(writing, b"chainkit: 1\nname: Piped\nstages: []\n")
    os.close(writing)
    try:
        assert find_chain(f"/dev/fd/{reading}").name == "Piped"
    finally:
        os.close(reading)


def test_two_stages_of_one_name_are_refused():
    stage = "  - gain: {gain: 1 dB, name: a}\n"
    with pytest.raises(
        ChainFileError, match=r"x.yaml:4:30: two stages have the name 'a'"
    ) as caught:
        chainkit.parse_chain(f"chainkit: 1\nstages:\n{stage * 4}", "x.yaml")
    assert [fault.line for fault in caught.value.faults] == [4, 5, 6]
    with pytest.raises(UsageError, match=r"^chain: stage a: two stages have the name 'a'$"):
        chainkit.Chain((chainkit.Gain(gain=1.0, name="a"), chainkit.Gain(gain=2.0, name="a")))


def test_aliases_may_be_used():
    chain = chainkit.parse_chain("chainkit: 1\nstages: [{gain: &g {gain: 1 dB}}, {gain: *g}]")
    assert [stage.name for stage in chain.stages] == ["gain", "gain-2"]


def test_a_frequency_above_half_the_rate_names_its_place():
    chain = chainkit.parse_chain(GOOD.replace("8 kHz", "12 kHz"), "lead.yaml")
    with pytest.raises(
        ChainFileError,
        match=r"lead.yaml:11:42: frequency 12 kHz is not below half .* \(16 kHz → 8 kHz\)",
    ):
        chain.check(16000)
    chain.check(48000)


def test_reordering_moves_stages_with_their_names_and_places():
    chain = chainkit.parse_chain(GOOD, "lead.yaml")
    names = ["compress", "eq", "gain", "ride", "deess", "compress-2"]
    moved = chain.reordered(names)
    assert [stage.name for stage in moved.stages] == names
    with pytest.raises(ChainFileError, match=r"lead.yaml:11:42.*\n.*lead.yaml:14:24"):
        moved.check(8000)
    with pytest.raises(UsageError, match="an order names each stage once"):
        chain.reordered(["eq", "gain"])
    with pytest.raises(UsageError, match="no stage 'dees'; .*did you mean 'deess'"):
        chain.reordered(["dees"])


def test_one_value_can_be_changed():
    chain = chainkit.parse_chain(GOOD)
    assert chain.with_value("deess.threshold", "-36 dB").stages[3].threshold == -36.0
    assert chain.with_value("eq.bands.2.gain", "-1 dB").stages[2].bands[1].gain == -1.0
    assert chain.with_value("working_level", "-18 LUFS").working_level == -18.0
    assert chain.with_value("working_level", "none").working_level is None
    sidechain = chain.with_value("compress.sidechain.highpass", "120 Hz").stages[4].sidechain
    assert sidechain.highpass == 120.0
    assert chain.stages[3].threshold == -34.0


@pytest.mark.parametrize(
    ("path", "text", "message"),
    [
        ("deess.treshold", "-3 dB", "did you mean 'threshold'"),
        ("deess.threshold", "-3", "has no unit"),
        ("deess.threshold.x", "-3 dB", "is one value and has no keys"),
        ("eq.bands", "1", "bands is not one value"),
        ("eq.bands.9.gain", "1 dB", "takes a number from 1 to 5 and a key"),
        ("eq.bands.01.gain", "1 dB", "takes a number from 1 to 5 and a key"),
        ("eq.bands.1.gain", "3dB", r"bands.1 is a highpass: no key 'gain'; allowed are frequency"),
        ("eq", "1", "write STAGE.KEY"),
        ("eq.gain", "3 dB", "bands count from 1: write bands.1.gain for that of the first"),
        ("eq.slop", "3 dB", "no key 'slop'; allowed are"),
        ("compress.highpass", "90 Hz", "write sidechain.highpass"),
        ("deess.upper", "5600 Hz", "at least 1.25 times"),
    ],
)
def test_a_change_that_leads_nowhere_is_refused(path, text, message):
    with pytest.raises(UsageError, match=message):
        chainkit.parse_chain(GOOD).with_value(path, text)


@pytest.mark.parametrize(
    ("path", "value"),
    [("compress.threshold", -20), ("working_level", None), (None, "-20 dB"), (["deess"], "1:1")],
)
def test_a_change_takes_text(path, value):
    with pytest.raises(TypeError, match="path and value are text, such as .*; found"):
        chainkit.parse_chain(GOOD).with_value(path, value)


def test_ride_files(tmp_path):
    (tmp_path / "moves.csv").write_text("seconds,gain_db\n0,0\n1.5,-2.25\n")
    (tmp_path / "bad.csv").write_text("seconds,gain_db\n0,0\n1.5,quiet\n")
    (tmp_path / "back.csv").write_text("seconds,gain_db\n1,0\n1,-2\n")
    (tmp_path / "head.csv").write_text("time,gain\n1,0\n")
    (tmp_path / "none.csv").write_text("seconds,gain_db\n")
    chain_file = tmp_path / "chain.yaml"

    def load(name):
        chain_file.write_text(f"chainkit: 1\nstages:\n  - ride: {{file: {name}}}\n")
        return chainkit.load_chain(chain_file)

    assert load("moves.csv").stages[0].points == ((0.0, 0.0), (1.5, -2.25))
    with pytest.raises(
        ChainFileError,
        match=r"bad.csv:3:5: row '1.5,quiet': gain_db 'quiet' is not a number without unit",
    ):
        load("bad.csv")
    with pytest.raises(ChainFileError, match=r"back.csv:3:1: the times must rise"):
        load("back.csv")
    with pytest.raises(ChainFileError, match="first row must be seconds,gain_db"):
        load("head.csv")
    with pytest.raises(ChainFileError, match=r"chain.yaml:3:18: .*holds no points"):
        load("none.csv")
    with pytest.raises(ChainFileError, match=r"chain.yaml:3:18: cannot read the ride file"):
        load("missing.csv")


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("second,gain_db\n", r"1:1: the first row must be .*; did you mean 'seconds'\?"),
        ("seconds;gain_db\n0;0\n", "1:1: .*; commas part the columns, and numbers take a decimal"),
        (
            "seconds,gain_db\n0,5,-3\n",
            "2:1: row '0,5,-3': a time and a gain are due.*decimal point",
        ),
        ("seconds,gain_db\n1\n", "2:1: row '1': a time and a gain are due, in two cells$"),
        ("seconds,gain_db\n0 s,0 dB\n", "2:1: .* seconds '0 s' is not a number.*2:5: .* '0 dB'"),
        ("seconds,gain_db\n0,nan\n", "2:3: .* gain_db 'nan' is not a number without unit"),
        ("seconds,gain_db\n0,1e999\n", "2:3: .* gain_db '1e999' is not between -120 and 24"),
        ("seconds,gain_db\n1_0,0\n", "2:1: .* seconds '1_0' is not a number without unit"),
        ("seconds,gain_db\n-1,0\n", "2:1: .* seconds '-1' is not between 0 and 1000000"),
    ],
)
def test_the_faults_of_a_ride_file_are_told_where_they_stand(tmp_path, text, fault):
    path = tmp_path / "moves.csv"
    path.write_text(text)
    with pytest.raises(ChainFileError, match=rf"(?s)moves.csv:{fault}") as caught:
        read_ride(path)
    assert "float" not in str(caught.value)


def test_a_ride_file_named_in_python_is_read(tmp_path, monkeypatch):
    """From the current folder, when the ride becomes part of a chain."""
    (tmp_path / "moves.csv").write_text("seconds,gain_db\n0,-6\n1.5,-6\n")
    monkeypatch.chdir(tmp_path)
    chain = Chain([Ride(file="moves.csv")])
    assert chain == Chain([Ride(points=[(0, -6), (1.5, -6)])])
    assert chain.ride_files == replace(chain, name="again").ride_files == ("moves.csv",)
    x = np.full(1000, 0.5)
    assert chain.process(x, 48000).audio == pytest.approx(10 ** (-6 / 20) * x)
    assert chain.with_value("ride.file", "moves.csv") == chain
    with pytest.raises(UsageError, match=r"^cannot read the ride file no.csv: no such file"):
        Chain([Ride(file="no.csv")])


def test_a_ride_file_is_not_written_over(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "out.gr.csv").write_text("seconds,gain_db\n0,0\n")
    soundfile.write("in.wav", np.zeros(1000), 48000)
    chain = Chain([Ride(file="out.gr.csv")])
    with pytest.raises(OutputError, match="out.gr.csv is the input"):
        chainkit.render("in.wav", chain, "out.wav", chainkit.Options(force=True))


def test_the_record_takes_no_ride_file_for_the_chain_file(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "moves.csv").write_text("seconds,gain_db\n0,0\n")
    soundfile.write("in.wav", np.full(1000, 0.1), 48000)
    chain = chainkit.parse_chain("chainkit: 1\nstages: [{ride: {file: moves.csv}}]\n")
    assert chainkit.render("in.wav", chain, "out.wav").record["chain_file"] is None


def test_stages_made_in_python_are_checked():
    with pytest.raises(ValueError, match="ratio 0.5 is not a number from 1 to inf$"):
        chainkit.Compress(threshold=-20.0, ratio=0.5)
    with pytest.raises(ValueError, match="detector 'vu' is not one of peak, rms"):
        chainkit.Compress(threshold=-20.0, ratio=2.0, detector="vu")
    with pytest.raises(UsageError, match="two stages have the name 'a'"):
        chainkit.Chain([chainkit.Gain(gain=1.0, name="a"), chainkit.Gain(gain=1.0, name="a")])


PRESS = partial(chainkit.Compress, threshold=-20.0, ratio=3.0)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: Chain([], working_level=math.nan),
            "working_level nan is not None or a number from -60 to 0, in LUFS$",
        ),
        (lambda: Chain([], working_level=5), "working_level 5 is not None or a number from -60"),
        (lambda: Chain([], working_level=math.inf), "working_level inf is not None or a number"),
        (lambda: Chain([], working_level="-20 LUFS"), "working_level '-20 LUFS' is not None or a"),
        (lambda: Chain([], name=5), "name 5 is not text"),
        (lambda: Chain(["gain"]), "stages.1 needs a Stage; found 'gain'"),
        (lambda: Chain("lead.yaml"), "stages needs a list; found 'lead.yaml'"),
        (lambda: Ride(points=[(0, math.nan)]), "points.1.gain nan is not a number from -120"),
        (
            lambda: Ride(points=[(0, 0), (1, 500)]),
            "points.2.gain 500 is not a number from -120 to 24, in dB$",
        ),
        (
            lambda: Ride(points=[(-1, 0)]),
            "points.1.time -1 is not a number from 0 to 1000000, in s$",
        ),
        (lambda: Ride(points=np.array([[0, np.inf]])), "points.1.gain inf is not a number from"),
        (lambda: Ride(points=[(0, 0, 0)]), r"points.1 needs \[time, gain\]; found \(0, 0, 0\)"),
        (lambda: Ride(points=[1, 2]), r"points.1 needs \[time, gain\]; found 1"),
        (lambda: Ride(points="moves.csv"), "points needs a list; found 'moves.csv'"),
        (
            lambda: chainkit.Compress(threshold=-20, ratio=3, sidechain=100),
            "sidechain needs a Sidechain; found 100",
        ),
        (lambda: Eq(bands=Bell(frequency=1e3, gain=2)), r"bands needs a list; found Bell\(freq"),
        (
            lambda: Eq(bands=[{"shape": "bell"}]),
            "bands.1 needs one of Highpass, Lowpass, LowShelf, HighShelf, Bell, Notch; found {'sh",
        ),
        (
            lambda: chainkit.Compress(threshold=-20, ratio=3, makeup=np.zeros(2)),
            r"makeup array\(\[0., 0.\]\) is not 'match' or a number from -60 to 48, in dB$",
        ),
        (
            lambda: PRESS(threshold="-20 dB"),
            "threshold '-20 dB' is not a number from -120 to 24, in",
        ),
        (lambda: PRESS(mix=50), "mix 50 is not a number from 0 to 1$"),
        (lambda: PRESS(mix="50 %"), "mix '50 %' is not a number from 0 to 1$"),
        (lambda: PRESS(link="yes"), "link 'yes' is not True or False$"),
        (lambda: PRESS(bypass=1), "bypass 1 is not True or False$"),
        (lambda: PRESS(range="none"), "range 'none' is not None or a number from 0 to 120, in dB$"),
        (
            lambda: PRESS(detector=np.array(["rms", "vu"])),
            "detector array.* is not one of peak, rms$",
        ),
        (lambda: PRESS(name=np.zeros(2)), r"name array\(\[0., 0.\]\) is not a name of letters"),
        (
            lambda: Highpass(frequency="80 Hz"),
            "frequency '80 Hz' is not a number from 1 to 192000, in",
        ),
        (
            lambda: Highpass(frequency=80, slope=20),
            "slope 20 is not one of 6, 12, .*, 48, in dB/oct$",
        ),
        (lambda: Highpass(frequency=80, slope=np.zeros(2)), r"slope array.* is not one of 6, 12"),
        (lambda: chainkit.Gain(gain=True), "gain True is not a number"),
        (
            lambda: chainkit.Gain(gain=np.float32(1000)),
            "gain 1000.0 is not a number from -120 to 60, in dB$",
        ),
    ],
)
def test_what_a_chain_file_refuses_is_refused_from_python(make, message):
    with pytest.raises(ValueError, match=f"^{message}"):
        make()


def test_numbers_and_arrays_of_numpy_are_taken():
    """And become plain ones, so that a chain made of them is written and compared as any."""
    points = np.array([[0.0, 1.0], [2.0, -3.0]], dtype=np.float32)
    band = Bell(frequency=np.int64(1000), gain=np.float32(3), q=np.float32(2))
    level = np.float32(-20)
    chain = Chain([chainkit.Gain(gain=np.float32(3)), Ride(points=points), Eq(bands=[band])])
    chain = replace(chain, working_level=level)
    assert chain.stages[1].points == ((0.0, 1.0), (2.0, -3.0))
    assert chainkit.parse_chain(chainkit.dump_chain(chain)) == chain
    assert json.loads(json.dumps(chain.as_dict())) == chain.as_dict()
    assert isinstance(hash(chain.stages), int)
