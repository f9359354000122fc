"""The listening page on disk: parts, figures, safety of names, whole or not at all."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from signals import bursts, noise, sine

from chainkit.audio.flac import encode
from chainkit.audio.reader import AudioReader
from chainkit.audio.writer import write
from chainkit.errors import AudioFileError, ClippingError, OutputError, UsageError
from chainkit.pages.listening import (
    Candidate,
    Column,
    ListeningPage,
    Reduction,
    View,
    write_listening_page,
)
from chainkit.pages.listening import figures as words
from chainkit.pages.listening.html import render_page
from chainkit.pages.listening.parts import overview

RATE = 8000
VOICE = View("voice", "Voice alone")


def source(folder: Path, name: str, x, subtype: str = "PCM_24", rate: int = RATE) -> Path:
    path = folder / name
    write(path, x, rate, subtype=subtype, force=True)
    return path


def page_of(path: Path, **changes) -> ListeningPage:
    reader = AudioReader(path)
    page = ListeningPage(
        "A page", reader.rate, reader.frames, (VOICE,), (Candidate("one", {"voice": path}),)
    )
    return replace(page, **changes)


def parts_of(directory: Path, stem: str) -> list[bytes]:
    paths = directory.glob(f"listen/{stem}-*.js")
    ordered = sorted(paths, key=lambda path: int(path.stem.rpartition("-")[2]))
    calls = [
        re.fullmatch(r'receiveAudio\("(.*)","(.*)"\);\n', path.read_text()) for path in ordered
    ]
    assert [call[1] for call in calls] == [path.stem for path in ordered]
    return [base64.b64decode(call[2]) for call in calls]


def decoded(parts: list[bytes]):
    return np.concatenate([soundfile.read(io.BytesIO(part), always_2d=True)[0] for part in parts])


def data_of(html: str) -> dict:
    return json.loads(
        re.search(r'<script type="application/json" id="data">(.*?)</script>', html)[1]
    )


@pytest.mark.parametrize("bits", [16, 24])
def test_flac_brings_back_each_sample(rng, bits):
    x = bursts(rng, 1000, 2)
    y, rate = soundfile.read(io.BytesIO(encode(x, 48000, bits)), always_2d=True)
    assert rate == 48000
    assert np.array_equal(y, np.rint(x * 2 ** (bits - 1)) / 2 ** (bits - 1))


def test_flac_refuses_what_it_would_clip():
    encode(np.full((9, 1), -1.0), RATE, 16)
    with pytest.raises(ValueError, match="pass full scale at 16 bits"):
        encode(np.full((9, 1), 1.0), RATE, 16)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_parts_are_the_file_bit_for_bit(tmp_path, rng, subtype):
    path = source(tmp_path, "a.wav", bursts(rng, 25 * RATE + 1, 2, RATE) / 2, subtype)
    write_listening_page(tmp_path / "page", page_of(path))
    parts = parts_of(tmp_path / "page", "0-0")
    assert [len(decoded([part])) for part in parts] == [10 * RATE, 10 * RATE, 5 * RATE + 1]
    assert np.array_equal(decoded(parts), soundfile.read(path, always_2d=True)[0])


def test_floating_point_sources_are_carried_at_24_bits(tmp_path, rng):
    path = source(tmp_path, "a.wav", noise(rng, -20, RATE), "FLOAT")
    write_listening_page(tmp_path / "page", page_of(path))
    error = decoded(parts_of(tmp_path / "page", "0-0")) - soundfile.read(path, always_2d=True)[0]
    assert 0 < np.abs(error).max() <= 2**-24  # half a step of 24 bits


def test_memory_does_not_grow_with_length(tmp_path, rng):
    def peak(seconds: int) -> int:
        path = source(tmp_path, f"{seconds}.wav", noise(rng, -20, seconds * RATE))
        page = page_of(path)
        tracemalloc.start()
        write_listening_page(tmp_path / f"page-{seconds}", page)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    peak(20)  # imports and caches
    one_second = RATE * 8
    assert peak(160) - peak(40) < 10 * one_second


def test_a_page_that_is_there_is_kept(tmp_path, rng):
    path = source(tmp_path, "a.wav", noise(rng, -20, 15 * RATE))
    index = write_listening_page(tmp_path / "page", page_of(path, title="First"))
    with pytest.raises(OutputError, match="index.html exists already$"):
        write_listening_page(tmp_path / "page", page_of(path, title="Second"))
    assert "First" in index.read_text()


def test_force_replaces_all_of_it(tmp_path, rng):
    long = source(tmp_path, "a.wav", noise(rng, -20, 15 * RATE))
    short = source(tmp_path, "b.wav", noise(rng, -20, 5 * RATE))
    write_listening_page(tmp_path / "page", page_of(long))
    write_listening_page(tmp_path / "page", page_of(short), force=True)
    names = sorted(path.name for path in (tmp_path / "page").rglob("*"))
    assert names == ["0-0-0.js", "curves-0.js", "index.html", "listen"]


def test_nothing_is_left_when_a_source_is_missing(tmp_path, rng):
    page = page_of(source(tmp_path, "a.wav", noise(rng, -20, RATE)))
    missing = Candidate("two", {"voice": tmp_path / "no.wav"})
    with pytest.raises(AudioFileError, match=r"no\.wav"):
        write_listening_page(
            tmp_path / "page", replace(page, candidates=(*page.candidates, missing))
        )
    assert not list((tmp_path / "page").glob("*"))


def test_nothing_is_left_when_a_source_would_clip(tmp_path, rng):
    quiet = source(tmp_path, "a.wav", noise(rng, -20, RATE))
    loud = source(tmp_path, "b.wav", sine(440, 3, 1, RATE), "FLOAT")
    candidates = (Candidate("one", {"voice": quiet}), Candidate("two", {"voice": loud}))
    with pytest.raises(ClippingError, match=r"b\.wav: samples pass full scale"):
        write_listening_page(tmp_path / "page", page_of(quiet, candidates=candidates))
    assert not list((tmp_path / "page").glob("*"))


def test_more_channels_than_a_page_can_carry(tmp_path, rng):
    path = source(tmp_path, "a.wav", noise(rng, -20, RATE, 9))
    with pytest.raises(UsageError, match="9 channels; a listening page carries at most 8"):
        write_listening_page(tmp_path / "page", page_of(path))


def test_a_source_of_another_length_is_a_mistake_of_the_caller(tmp_path, rng):
    path = source(tmp_path, "a.wav", noise(rng, -20, RATE))
    with pytest.raises(ValueError, match="8000 frames at 8000 Hz, the page has 7999"):
        write_listening_page(tmp_path / "page", page_of(path, frames=7999))


@pytest.mark.parametrize(
    ("candidates", "message"),
    [
        ((), "needs a view and a candidate"),
        ((Candidate("a", {"voice": Path("a")}),) * 2, "two candidates are named 'a'"),
        ((Candidate("a", {}),), "'a' has no source for voice"),
        (
            (Candidate("a", {"voice": Path("a")}, same_as="b"),),
            "'a' is the same as no earlier candidate",
        ),
    ],
)
def test_pages_that_make_no_sense(candidates, message):
    with pytest.raises(ValueError, match=message):
        ListeningPage("t", RATE, 1, (VOICE,), candidates)


HOSTILE = '</script><script>alert("1")</script>\n\u2028\'"<img src=x>\u202e'


def test_names_cannot_become_markup_or_script(tmp_path, rng):
    path = source(tmp_path, "a.wav", noise(rng, -20, RATE))
    curve = Reduction(HOSTILE, 0.02, np.zeros(50), 0.0, 0.0)
    column = Column("x", HOSTILE, HOSTILE)
    page = page_of(
        path,
        title=HOSTILE,
        views=(View("voice", HOSTILE),),
        candidates=(
            Candidate(HOSTILE, {"voice": path}, HOSTILE, {"voice": -20.0}, reductions=(curve,)),
            Candidate("two", {"voice": path}, same_as=HOSTILE),
        ),
        columns=(column,),
        settings={HOSTILE: HOSTILE},
    )
    index = write_listening_page(tmp_path / "page", page)
    html = index.read_text("utf-8")
    assert "<script>alert" not in html
    assert "<img" not in html
    assert html.count("<script") == html.count("</script>")
    assert data_of(html)["candidates"][0]["name"] == HOSTILE
    curves = (index.parent / "listen" / "curves-0.js").read_text("ascii")
    call = re.fullmatch(r"receiveCurves\(0,(.*)\);\n", curves)
    assert json.loads(call[1])[0]["stage"] == HOSTILE


def test_policy_names_the_very_scripts_and_style_of_the_page(tmp_path, rng):
    """Content Security Policy Level 3, sections 6.7.3 and 8.2: hashes, 'strict-dynamic'."""
    html = render_page(page_of(source(tmp_path, "a.wav", noise(rng, -20, RATE))))
    policy = re.search(r'Content-Security-Policy" content="(.*?)"', html)[1].replace("&#39;", "'")
    directives = dict(part.strip().split(" ", 1) for part in policy.split(";"))

    def digests(tag: str) -> list[str]:
        texts = re.findall(rf"<{tag}>(.*?)</{tag}>", html, re.DOTALL)
        hashes = [hashlib.sha256(text.encode()).digest() for text in texts]
        return [f"'sha256-{base64.b64encode(digest).decode()}'" for digest in hashes]

    assert directives["default-src"] == "'none'"
    assert directives["script-src"].split() == [*digests("script"), "'strict-dynamic'"]
    assert directives["style-src"].split() == digests("style")
    assert not re.search(r"\son\w+=|\sstyle=|https?:", html)


def test_overview_holds_the_extremes_of_each_step(tmp_path):
    x = np.zeros((RATE, 2))
    x[100, 0], x[799, 1], x[7999, 1] = 0.5, -0.25, -0.125
    seen = overview(AudioReader(source(tmp_path, "a.wav", x)))
    low, high = (np.frombuffer(base64.b64decode(seen[side]), np.int8) for side in ("low", "high"))
    assert seen["step"] == RATE // 100
    assert high.tolist() == [0, 127, *[0] * 98]
    assert {step: value for step, value in enumerate(low.tolist()) if value} == {9: -64, 99: -32}


def test_curves_travel_in_hundredths_of_a_decibel(tmp_path, rng):
    path = source(tmp_path, "a.wav", noise(rng, -20, RATE))
    curve = Reduction("deess", 0.02, np.array([0.0, 6.234, 700.0]), 700.0, 1.25)
    candidate = Candidate("one", {"voice": path}, reductions=(curve,))
    write_listening_page(tmp_path / "page", page_of(path, candidates=(candidate,)))
    text = (tmp_path / "page" / "listen" / "curves-0.js").read_text()
    carried = json.loads(text[len("receiveCurves(0,") : -3])[0]
    assert np.frombuffer(base64.b64decode(carried["points"]), "<u2").tolist() == [0, 623, 65535]


def test_figures_mark_differences_that_say_nothing(tmp_path):
    columns = (Column("crest", "Crest factor", "dB", 1, 0.2), Column("residual", "Residual", "dB"))
    first = Candidate("a", {"voice": tmp_path}, figures={"crest": 14.0, "residual": -np.inf})
    near = Candidate("b", {"voice": tmp_path}, figures={"crest": 13.9, "residual": -40.0})
    far = Candidate("c", {"voice": tmp_path}, figures={"crest": 14.3, "residual": None})
    rows = words.rows(ListeningPage("t", RATE, 1, (VOICE,), (first, near, far), (), columns))
    assert [words.header(column) for column in columns] == [
        "Crest factor, dB (±0.2)",
        "Residual, dB",
    ]
    assert rows[0] == [words.Cell("14.0"), words.Cell("none")]
    assert rows[1] == [words.Cell("13.9", "−0.1", within=True), words.Cell("−40.0")]
    assert rows[2] == [words.Cell("14.3", "+0.3"), words.Cell("–")]


@pytest.mark.parametrize(
    ("levels", "spread"),
    [
        ((-20.01, None, -19.97), "0.04"),
        ((-20.0, -19.9999, -20.0), "0.01"),
        ((-20.0, -19.979, -20.0), "0.03"),
    ],
)
def test_the_loudness_match_is_stated_as_measured(tmp_path, levels, spread):
    candidates = tuple(
        Candidate(str(n), {"voice": tmp_path}, loudness={"voice": level})
        for n, level in enumerate(levels)
    )
    page = ListeningPage("t", RATE, 1, (VOICE,), candidates)
    assert words.matching(page) == [f"Voice alone: −20.0 LUFS, all candidates within {spread} LU."]
