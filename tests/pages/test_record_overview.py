"""The page that shows all songs of a record side by side."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from overviews import outcome, usual

from chainkit.pages.record_overview import overview_page
from chainkit.songbook.overview import overview
from chainkit.songbook.work import FAILED


@pytest.fixture(scope="module")
def page():
    songs = [*usual(1, 2, 3, 5, 6, 7), outcome(4, deess=3.0, sibilance=2.0)]
    failed = replace(outcome(8), state=FAILED, reason="8/lead.wav is not a sound file", record=None)
    return overview_page(overview("Example & <b>", songs), [failed], Path("rendered"))


def test_the_page_tells_what_stands_out_and_what_failed(page):
    assert "its sibilants are 1.8 dB above the others" in page
    assert "song 8 (Song 8), lead: 8/lead.wav is not a sound file" in page
    assert page.count('class="marked"') == 1
    assert re.findall(r'class="number outlying">([^<]+)<', page) == ["7.9"]  # inside sibilants
    assert 'href="Song%201/lead.recall.html"' in page


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


def test_each_figure_has_a_panel_with_a_point_a_song(page):
    drawing = page[page.index("<svg") : page.index("</svg>")]
    for words in ("trim, dB", "sibilance before, dB", "deess, dB of reduction", "compress, dB"):
        assert words in drawing


def test_one_is_told_as_one(page):
    assert ">1 voice<" in overview_page(overview("Example", usual(1)), [], Path("rendered"))
    assert ">7 voices; 1 figure stands out; 1 voice could not be rendered<" in page


def test_two_voices_of_a_role_are_not_drawn():
    assert "<svg" not in overview_page(overview("Example", usual(1, 2)), [], Path("rendered"))


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
def test_the_page_is_accessible(visit, tmp_path, page):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    path = tmp_path / "overview.html"
    path.write_text(page, encoding="utf-8")
    assert axe.run(visit(path)).response["violations"] == []
