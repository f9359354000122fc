"""The page that shows all songs of a record side by side."""

from __future__ import annotations

import re
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from overviews import outcome, usual
from PIL import Image

from chainkit.pages import plots
from chainkit.pages.record_overview import overview_page
from chainkit.songbook.overview import overview
from chainkit.songbook.work import FAILED, NEVER, STALE


@pytest.fixture(scope="module")
def found():
    """One voice stands out, one was recorded quieter, one is out of date, two have no render."""
    changed = [("deess.threshold", "-36 dB")]
    songs = [
        *usual(1, 2, 3, 5, 6), outcome(7, level=-9.0),
        outcome(4, deess=3.0, sibilance=2.0, clipped=12, changes=changed),
        replace(outcome(8), state=STALE, reason="the chain has changed since"),
        replace(outcome(9), state=STALE, reason=NEVER, record=None),
        replace(outcome(10), state=FAILED, reason="10/lead.wav is not a sound file", record=None),
    ]  # fmt: skip
    return overview("Example & <b>", songs)


@pytest.fixture(scope="module")
def page(found):
    return overview_page(found, Path("rendered"))


def test_the_page_tells_what_stands_out_and_what_is_lacking(page):
    assert "its changes: deess.threshold −36 dB" in page
    lists = re.findall(r"<ul.*?</ul>", page, re.S)
    assert [text.count("<li>") for text in lists] == [3, 3, 1]
    assert "song 8 (Song 8), lead: out of date: the chain has changed since" in lists[0]
    assert "song 9 (Song 9), lead: never rendered" in lists[0]
    assert "song 10 (Song 10), lead: could not be rendered: 10/lead.wav is not" in lists[0]
    assert "clipped in 12 places" in lists[1].split("</li>")[0]  # the most serious
    assert "the trim cures it" in lists[2]
    assert page.count('class="marked"') == 1
    outlying = re.findall(r'class="number outlying">([^<]+)<', page)
    assert outlying == ["12", "−10.1", "7.9"]  # clipped places, sibilants, work inside them


def test_the_table_holds_every_voice(page):
    table = page[page.index("<tbody>") : page.index("</tbody>")]
    assert table.count("<tr") == 10
    assert 'href="Song%201/lead.recall.html"' in table
    assert table.count("href") == 8  # a voice without a render has no sheet
    rows = table.split("<tr")
    assert rows[8].endswith("<td>out of date</td></tr>\n")
    assert rows[9].endswith("<td>never rendered</td></tr>\n")
    assert rows[9].count(">–<") == 9
    assert rows[10].rstrip().endswith("<td>failed</td></tr>")


def test_the_drawing_s_line_is_the_median_that_the_words_mean(found, monkeypatch):
    lines = []
    monkeypatch.setattr(plots, "guide", lambda axes, y, words: lines.append((axes, y, words)))
    overview_page(found, Path("rendered"))
    drawn = {axes.get_title(loc="left"): y for axes, y, _ in lines}
    works = [row.work["deess"] for row in found.rendered]
    unchanged = [row.work["deess"] for row in found.rendered if not row.changes]
    assert drawn["deess, dB of reduction"] == np.median(unchanged) != np.median(works)
    own = found.rendered[6].work["deess"]
    words = f"works {own - drawn['deess, dB of reduction']:.1f} dB harder than the median"
    assert words in found.marks[1]


def test_names_are_shown_as_text(page):
    assert "Example &amp; &lt;b&gt;: all songs" in page
    assert "<b>" not in page


def test_the_page_asks_for_nothing(page):
    assert "default-src 'none'" in page
    assert not re.findall(r"\bsrc=\"", page)
    assert not re.findall(r"url\((?!#)", page)


def test_ids_are_unique(page):
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_each_figure_has_a_panel(page):
    drawing = page[page.index("<svg") : page.index("</svg>")]
    for words in ("trim, dB", "sibilance before, dB", "deess, dB of reduction", "compress, dB"):
        assert words in drawing


def test_one_is_told_as_one(page):
    assert ">10 voices; 3 things stand out; 3 voices are not up to date<" in page
    broken = replace(outcome(2), state=FAILED, reason="gone", record=None)
    page = overview_page(overview("Example", [outcome(1, clipped=1), broken]), Path("rendered"))
    assert ">2 voices; 1 thing stands out; 1 voice is not up to date<" in page


def test_two_voices_of_a_role_are_not_drawn_which_is_said():
    page = overview_page(overview("Example", usual(1, 2)), Path("rendered"))
    assert "<svg" not in page
    assert "Not drawn, for want of 3 voices: lead." in page


def test_several_voices_of_a_song_are_told_apart(monkeypatch):
    marks = []
    monkeypatch.setattr(plots, "marker", lambda axes, x, y, text, strong: marks.append(text))
    two = outcome(3)
    right = replace(two, voice=replace(two.voice, name="right"))
    page = overview_page(overview("Example", [*usual(1, 2), two, right]), Path("rendered"))
    assert marks[:4] == ["1", "2", "3a", "3b"]
    assert '<p class="quiet">3a lead, 3b right</p>' in page


@pytest.mark.browser
def test_the_table_is_whole_on_a_desktop_and_in_print(visit, tmp_path, page):
    path = tmp_path / "overview.html"
    path.write_text(page, encoding="utf-8")
    shown = visit(path)
    shown.set_viewport_size({"width": 1280, "height": 800})
    cut = "[...document.querySelectorAll('.wide')].some(e => e.scrollWidth > e.clientWidth)"
    assert not shown.evaluate(cut)
    shown.emulate_media(media="print")
    shown.set_viewport_size({"width": 1032, "height": 718})  # A4 landscape within its margins
    assert not shown.evaluate(cut)
    # The songs' drawing is not parted from its heading: table and drawing, one page each.
    pages = shown.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pages)) <= 2


@pytest.mark.browser
def test_a_narrow_screen_scrolls_the_drawings_at_a_size_to_read(visit, tmp_path, page):
    path = tmp_path / "overview.html"
    path.write_text(page, encoding="utf-8")
    shown = visit(path)
    shown.set_viewport_size({"width": 500, "height": 800})
    assert shown.evaluate("document.documentElement.scrollWidth") <= 500
    heights = (
        "[...document.querySelectorAll('.drawing text')].map(e => e.getBoundingClientRect().height)"
    )
    assert min(shown.evaluate(heights)) >= 9.0


@pytest.mark.browser
@pytest.mark.parametrize(("width", "told"), [(390, True), (1280, False)])
def test_what_lies_outside_a_narrow_window_is_told(visit, tmp_path, page, width, told):
    path = tmp_path / "overview.html"
    path.write_text(page, encoding="utf-8")
    shown = visit(path)
    shown.set_viewport_size({"width": width, "height": 844})
    words = shown.get_by_text("scroll them sideways")
    assert words.is_visible() == told
    over = shown.evaluate(
        "[...document.querySelectorAll('.wide')].map(e => e.scrollWidth > e.clientWidth)"
    )
    assert over == [told, told]
    if told:  # ink at the right edge of the drawings, where they go on; none once they do not
        drawing = shown.locator(".drawing .wide")
        assert shade(drawing) < 200
        drawing.evaluate("(e) => { e.scrollLeft = e.scrollWidth }")
        assert shade(drawing) > 250


def shade(box):
    """The darkest of the foot's last pixels at the right edge, 0 to 255."""
    grey = Image.open(BytesIO(box.screenshot())).convert("L")
    return min(grey.getpixel((grey.width - 2, grey.height - row)) for row in range(3, 8))


@pytest.mark.browser
def test_the_page_is_accessible(visit, tmp_path, page):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    path = tmp_path / "overview.html"
    path.write_text(page, encoding="utf-8")
    assert axe.run(visit(path)).response["violations"] == []
