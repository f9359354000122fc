"""The recall sheet: everything needed to set a render again, on one printed page."""

from __future__ import annotations

import copy
import re
from html.parser import HTMLParser

import numpy as np
import pytest

from chainkit.audio.writer import write
from chainkit.chain import parse_chain
from chainkit.errors import UsageError
from chainkit.gainlog import Log, read_log
from chainkit.pages import base
from chainkit.pages.recall import recall_sheet
from chainkit.pages.settings import every_setting
from chainkit.pages.timeline import reduction_sheet
from chainkit.record import load_record
from chainkit.rendering import render
from chainkit.stages import KINDS
from chainkit.stages.base import forms
from chainkit.units import FREQUENCY

CHAIN = """
chainkit: 1
name: Example
notes: Sung close.
working_level: -20 LUFS
stages:
  - ride: {points: [[0 s, 0 dB], [1.5 s, -3 dB]]}
  - eq:
      bands:
        - {shape: highpass, frequency: 80 Hz, slope: 24 dB/oct}
        - {shape: high_shelf, frequency: 8 kHz, gain: 3 dB, q: 0.7}
  - deess: {threshold: -34 dB, range: 8 dB}
  - compress: {threshold: -20 dB, ratio: 3:1, makeup: 4.23456789 dB, mix: 80 %}
"""
STATISTICS = {
    "greatest_db": 7.8, "mean_db": 1.23, "p95_db": 4.41, "share_above_1_db": 0.31,
    "inside_sibilants_db": 5.1, "outside_sibilants_db": 0.4,
}  # fmt: skip


def sound_file(name, digest):
    return {
        "file": name, "sha256": digest * 32, "frames": 96000, "rate": 48000, "channels": 1,
        "container": "WAV", "subtype": "PCM_24",
    }  # fmt: skip


@pytest.fixture(scope="module")
def record():
    return {
        "chainkit_record": 1,
        "voice": sound_file("lead.wav", "ab"),
        "output": sound_file("lead.out.wav", "cd") | {"dithered": True, "dither_seed": 7},
        "chain_file": "example.yaml",
        "chain": parse_chain(CHAIN).as_dict(),
        "trim_db": 6.4606,
        "matched_makeup_db": {"compress": 4.23456789},
        "notes": ["The trim was measured."],
        "levels": {
            "before": {"integrated_lufs": -26.46, "true_peak_dbtp": -6.0, "crest_db": None},
            "after": {"integrated_lufs": -19.5, "true_peak_dbtp": -6.0, "crest_db": 14.0},
        },
        "stages": {
            "ride": {"kind": "ride"},
            "eq": {"kind": "eq"},
            "deess": {"kind": "deess"} | STATISTICS,
            "compress": {"kind": "compress"} | STATISTICS | {"inside_sibilants_db": None},
        },
        "versions": {"chainkit": "0.1.0", "numpy": "2.0.0"},
    }


@pytest.fixture(scope="module")
def log():
    seconds = np.arange(200) * 0.01
    dip = np.where((seconds > 0.5) & (seconds < 0.6), -6.0, 0.0)
    silent_start = np.where(seconds < 0.1, -np.inf, -20.0)
    moves = np.interp(seconds, [0, 1.5], [0, -3])
    gains = {"ride": moves, "eq": moves, "deess": dip, "compress": dip + 3.5}
    return Log(seconds, silent_start, silent_start + 3, gains)


@pytest.fixture(scope="module")
def sheet(record, log):
    return recall_sheet(record, log, title="First light, lead")


class Outline(HTMLParser):
    """The words of a page and its structure."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.ids, self.words = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.ids += [value for name, value in attrs if name == "id"]

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def test_the_sheet_holds_every_value_in_signal_order(sheet):
    words = Outline(sheet).text
    expected = [
        "First light, lead", "Example · 0:02 · 48 kHz, mono, 24 bits",
        "integrated loudness, LUFS −26.5 −19.5 +7.0", "true peak, dBTP −6.0 −6.0 0.0",
        "crest factor, dB – 14.0 –", "lead.wav", "ab" * 32, "lead.out.wav", "cd" * 32,
        "trim of +6.46 dB", "working level of −20.0 LUFS",
        "1 ride", "minutes and seconds, dB 0:00.00 0.0 0:01.50 −3.0",
        "2 eq", "80 Hz, 24 dB/oct", "8 kHz, 3 dB, q 0.7",
        "3 deess", "threshold −34 dB", "range 8 dB", "attack 1 ms",
        "greatest 7.8 dB, mean 1.2 dB, 95th percentile 4.4 dB; above 1 dB in 31 % of the time; "
        "mean inside sibilants 5.1 dB, outside 0.4 dB.",
        "4 compress", "ratio 3:1", "makeup 4.235 dB", "mix 80 %", "Makeup found by matching",
        "Gain over time", "Sung close.", "The trim was measured.",
        "example.yaml", "seed 7", "numpy 2.0.0",
    ]  # fmt: skip
    places = [words.find(each) for each in expected]
    assert -1 not in places, expected[places.index(-1)]
    assert places == sorted(places)


def test_the_trim_of_several_channels_is_that_of_the_loudest(record, log):
    stereo = record | {"voice": record["voice"] | {"channels": 2}}
    words = [Outline(recall_sheet(each, log, title="One")).text for each in (record, stereo)]
    assert "to bring the voice to the working level of" in words[0]
    assert "to bring the loudest channel of the voice to the working level of" in words[1]


def test_values_that_were_not_set_are_shown_with_what_holds(sheet):
    words = Outline(sheet).text
    deess, compress = words[words.index("3 deess") :].split("4 compress")
    for told in (
        "frequency 5.5 kHz", "upper none", "sense band", "ratio 4:1", "knee 6 dB", "release 60 ms",
        "detector rms", "window 2 ms", "lookahead 1 ms", "phase linear",
    ):  # fmt: skip
        assert told in deess
    for told in (
        "knee 6 dB", "attack 10 ms", "release 120 ms", "lookahead 0 s", "detector peak",
        "window 5 ms", "sidechain highpass none", "range none", "link yes",
    ):  # fmt: skip
        assert told in compress


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind not in ("ride", "eq")])
def test_every_setting_of_every_stage_is_shown(kind):
    required = {"gain": {"gain": 3.0}, "deess": {"threshold": -30.0}}
    stage = KINDS[kind](**required.get(kind, {"threshold": -20.0, "ratio": 2.0}))
    told = [name.split()[0] for name, _ in every_setting(stage, 48000)]
    assert told == [key for key in forms(type(stage)) if key not in ("name", "bypass")]


def test_a_width_in_octaves_or_left_out_is_told_as_q():
    """Q = 1.414 for an octave, 2.87 for half, far below half the rate.

    R. Bristow-Johnson, *Cookbook formulae for audio equalizer biquad filter coefficients*:
    1/Q = 2 sinh(ln 2 / 2 · BW).
    """
    bands = "[{shape: bell, frequency: 100 Hz, gain: 2 dB, bandwidth: 1 oct}, "
    bands += "{shape: bell, frequency: 100 Hz, gain: 2 dB, bandwidth: 0.5 oct}, "
    bands += "{shape: low_shelf, frequency: 200 Hz, gain: -2 dB}]"
    eq = parse_chain(f"chainkit: 1\nstages:\n  - eq: {{bands: {bands}}}\n").stages[0]
    assert every_setting(eq, 48000) == [
        ("1  bell", "100 Hz, 1 oct, 2 dB, q 1.41"),
        ("2  bell", "100 Hz, 0.5 oct, 2 dB, q 2.87"),
        ("3  low shelf", "200 Hz, −2 dB, q 0.707"),
    ]


@pytest.mark.parametrize("frequency", ["23999 Hz", "24 kHz"])
def test_a_bypassed_band_that_has_no_q_at_the_rate_is_told_without(frequency):
    band = f"{{shape: bell, frequency: {frequency}, gain: 2 dB, bandwidth: 1 oct}}"
    text = f"chainkit: 1\nstages:\n  - eq: {{bypass: yes, bands: [{band}]}}\n"
    chain = parse_chain(text)
    chain.check(48000)
    shown = FREQUENCY.format(FREQUENCY.parse(frequency))
    assert every_setting(chain.stages[0], 48000) == [("1  bell", f"{shown}, 1 oct, 2 dB")]


def test_the_page_has_landmarks_and_unique_ids(sheet):
    outline = Outline(sheet)
    for landmark in ("header", "main", "footer", "h1"):
        assert outline.tags.count(landmark) == 1
    assert outline.tags.count("svg") == len(["eq", "deess", "compress", "over time"])
    assert len(outline.ids) == len(set(outline.ids))


def test_the_page_asks_for_nothing(sheet):
    assert "default-src 'none'" in sheet
    assert not re.findall(r"(?:src|href)=\"(?!#)[^\"]*\"", sheet)
    assert "@import" not in sheet
    assert not re.findall(r"url\((?!#)", sheet)


def test_the_sheet_tells_where_the_song_belongs_and_what_is_its_own(record, log):
    own = [
        ("deess.range", "8 dB"),
        ("eq.bands.2.gain", "3 dB"),
        ("compress.sidechain.highpass", "-"),
    ]
    text = recall_sheet(record, log, place="Name, song 3", own=own, about="a <b>")
    words = Outline(text).text
    assert "Name, song 3 · Example · 0:02" in words
    assert "deess.range 8 dB, eq.bands.2.gain 3 dB" in words
    marked = re.findall(r'<div class="own"><dt>(.*?)</dt>', text)
    assert marked == ["2  high shelf", "range", "sidechain highpass"]
    assert '<meta name="description" content="a &lt;b&gt;">' in text


@pytest.mark.parametrize(
    ("own", "marked"),
    [
        (("deess.bypass", "yes"), r"<h3(.*?)>3  deess<"),
        (("working_level", "-20 LUFS"), r"<p(.*?)>Ahead of the first stage"),
        (("rides", "lead.rides.csv"), r"<p(.*?)>Straight lines in dB"),
        (("ride.file", "other.csv"), r"<p(.*?)>Straight lines in dB"),
    ],
)
def test_what_is_no_row_of_settings_is_marked_as_the_song_s_own_too(record, log, own, marked):
    assert re.search(marked, recall_sheet(record, log)).group(1) == ""
    text = recall_sheet(record, log, own=[own])
    assert re.search(marked, text).group(1) == ' class="own"'
    assert text.count('class="own"') == 1
    assert own[0] in Outline(text).text


def test_without_a_log_there_is_no_reduction_over_time(record):
    assert "Gain over time" not in recall_sheet(record)


def test_the_same_record_gives_the_same_page(record, log, sheet):
    assert recall_sheet(record, log, title="First light, lead") == sheet


def test_names_are_shown_as_text(record, log):
    nasty = "<script>alert(1)</script> & $x^2$ \"'"
    changed = copy.deepcopy(record)
    changed["voice"]["file"] = changed["chain"]["name"] = changed["chain"]["notes"] = nasty
    text = recall_sheet(changed, log, title=nasty)
    assert "<script" not in text
    assert Outline(text).text.count(nasty) == 5


def test_a_record_without_a_chain_is_refused(record):
    with pytest.raises(UsageError, match="render record"):
        recall_sheet(record | {"chain": {"chainkit": 1}})


def test_a_real_render_gives_a_sheet(tmp_path, rng):
    voice, output = tmp_path / "lead.wav", tmp_path / "out.wav"
    write(voice, 0.1 * rng.standard_normal((48000, 1)), 48000)
    chain = parse_chain(CHAIN.replace("4.23456789 dB", "match"))
    render(voice, chain, output)
    record = load_record(tmp_path / "out.record.json")
    sheet = recall_sheet(record, read_log(tmp_path / "out.gr.csv"))
    words = Outline(sheet).text
    assert "Makeup found by matching" in words
    assert record["output"]["sha256"] in words
    assert base.figure(record["stages"]["compress"]["greatest_db"], "dB") in words
    assert Outline(sheet).tags.count("svg") == 4


# ------------------------------------------------------------------------- reduction over time
def test_reduction_is_drawn_against_the_gain_at_rest(record, log):
    chain = parse_chain(CHAIN)
    sheet = reduction_sheet(chain, log)
    titles = [axes.get_title(loc="left") for axes in sheet.axes]
    assert titles[1:] == ["ride, dB", "deess, dB", "compress, dB"]
    deess, compress = sheet.axes[2], sheet.axes[3]
    t, gain = deess.get_lines()[0].get_data()
    assert gain[np.argmin(np.abs(t - 0.55))] == -6
    assert gain[np.argmin(np.abs(t - 1.5))] == 0
    at_rest = 20 * np.log10(0.2 + 0.8 * 10 ** (4.23456789 / 20))
    gain = compress.get_lines()[0].get_ydata()
    assert gain.max() == pytest.approx(3.5 - at_rest)
    assert gain.min() == pytest.approx(-2.5 - at_rest)


def test_a_ride_has_a_scale_up_and_down(record, log):
    ride = reduction_sheet(parse_chain(CHAIN), log).axes[1]
    ride.figure.canvas.draw()
    low, high = ride.get_ylim()
    assert [tick for tick in ride.get_yticks() if low <= tick <= high] == [-6, -3, 0, 3, 6]
    boxes = [label.get_window_extent() for label in ride.get_yticklabels()]
    assert np.diff(sorted(box.y0 for box in boxes)).min() >= 0.8 * boxes[0].height


def test_silence_is_drawn_at_the_foot(log):
    levels = reduction_sheet(parse_chain(CHAIN), log).axes[0]
    voice, output = (line.get_ydata() for line in levels.get_lines())
    assert voice.min() == output.min() == -60
    assert (voice.max(), output.max()) == (-20, -17)


# ------------------------------------------------------------------------------------- figures
@pytest.mark.parametrize(
    ("written", "expected"),
    [
        (base.figure(-18.26, "LUFS"), "−18.3 LUFS"),
        (base.figure(-0.04, "dB"), "0.0 dB"),
        (base.figure(None, "dB"), "–"),
        (base.figure(3, digits=0), "3"),
        (base.change(-20.0, -17.94, "dB"), "+2.1 dB"),
        (base.change(1.0, 0.0), "−1.0"),
        (base.change(1.0, 1.04), "0.0"),
        (base.change(None, 1.0), "–"),
        (base.share(0.314), "31 %"),
        (base.share(None), "–"),
        (base.minutes(187.4), "3:07"),
        (base.minutes(59.6), "1:00"),
    ],
)
def test_figures(written, expected):
    assert written == expected


# ------------------------------------------------------------------------------------- browser
def pages_in_print(page):
    return len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True)))


@pytest.mark.browser
def test_the_sheet_is_accessible_and_fits(visit, tmp_path, sheet):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    path = tmp_path / "recall.html"
    path.write_text(sheet, encoding="utf-8")
    page = visit(path)
    assert axe.run(page).response["violations"] == []
    assert pages_in_print(page) == 1
    page.set_viewport_size({"width": 360, "height": 640})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


@pytest.mark.browser
def test_each_thing_of_its_own_has_the_mark_that_is_told(visit, tmp_path, record, log):
    own = [("deess.range", "8 dB"), ("deess.bypass", "no"), ("working_level", "-20 LUFS")]
    path = tmp_path / "recall.html"
    path.write_text(recall_sheet(record, log, own=[*own, ("rides", "a.csv")]), encoding="utf-8")
    starred = (
        "[...document.querySelectorAll('main *')]"
        ".filter(e => getComputedStyle(e, '::before').content === '\"*\"')"
        ".map(e => e.innerText.split(' ')[0])"
    )
    assert visit(path).evaluate(starred) == ["Ahead", "Straight", "3", "range"]


@pytest.mark.browser
def test_a_ride_of_a_whole_song_is_a_table_on_the_one_page(visit, tmp_path, record, log):
    points = [[f"{1.07 * number:.2f} s", f"{number % 13 - 6} dB"] for number in range(224)]
    stages = [{"ride": {"points": points}}, *record["chain"]["stages"][1:]]
    path = tmp_path / "recall.html"
    changed = record | {"chain": record["chain"] | {"stages": stages}}
    path.write_text(recall_sheet(changed, log), encoding="utf-8")
    page = visit(path)
    assert page.locator(".points li").count() == len(points)
    assert page.locator(".points li").nth(223).inner_text().split() == ["3:58.61", "−4.0"]
    assert pages_in_print(page) == 1
    columns = {box["x"] for box in (li.bounding_box() for li in page.locator(".points li").all())}
    assert len(columns) >= 5
    page.set_viewport_size({"width": 360, "height": 640})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


@pytest.mark.browser
@pytest.mark.parametrize("stages", [0, 6])
def test_short_and_long_chains_print_on_one_page(visit, tmp_path, record, log, stages):
    squeezed = {"compress": {"threshold": "-20 dB", "ratio": "3:1", "makeup": "1.5 dB"}}
    names = ["compress", *(f"compress-{number}" for number in range(2, stages + 1))]
    changed = record | {
        "chain": record["chain"] | {"stages": [squeezed] * stages, "notes": "words " * 60},
        "stages": {name: {"kind": "compress"} | STATISTICS for name in names},
    }
    path = tmp_path / "recall.html"
    path.write_text(recall_sheet(changed, log), encoding="utf-8")
    assert pages_in_print(visit(path)) == 1
