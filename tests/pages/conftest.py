"""A real browser for pages that open from disk."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import numpy as np
import pytest
from listening_samples import small_page

FLAGS = (
    "--no-sandbox",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
VIEWPORT = {"width": 1280, "height": 900}
SAFE = ("file:", "blob:null/", "about:blank")  # what no network sees


@pytest.fixture(scope="session")
def chromium() -> Iterator[object]:
    """Headless Chromium with a profile of its own."""
    from playwright.sync_api import sync_playwright

    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("needs Chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield browser
        browser.close()


def tab_of(chromium, **options):
    """An empty page in a context of its own."""
    page = chromium.new_context(viewport=VIEWPORT, **options).new_page()
    page.set_default_timeout(20_000)
    return page


@pytest.fixture(scope="session")
def tab(chromium) -> Iterator[object]:
    """The page in which one test after the other opens its file: a load begins afresh."""
    page = tab_of(chromium)
    yield page
    page.context.close()


@contextmanager
def watched(page) -> Iterator[object]:
    """Leaves the page empty; nothing may have gone wrong in it or out to any network."""
    complaints, requests = [], []
    listeners = {
        "console": lambda message: complaints.append(message.text),
        "pageerror": lambda fault: complaints.append(str(fault)),
        "request": lambda request: requests.append(request.url),
    }
    for event, listener in listeners.items():
        page.on(event, listener)
    yield page
    page.goto("about:blank")
    for event, listener in listeners.items():
        page.remove_listener(event, listener)
    assert complaints == []
    assert [url for url in requests if not url.startswith(SAFE)] == []


@pytest.fixture
def visit(chromium, tab) -> Iterator[Callable]:
    """Open a page from disk; with options, in a context of its own."""
    with ExitStack() as open_pages:

        def open_page(index: Path, **options):
            page = tab_of(chromium, **options) if options else tab
            if options:
                open_pages.callback(page.context.close)
            open_pages.enter_context(watched(page))
            page.set_viewport_size(VIEWPORT)
            page.emulate_media(media="null")  # neither print nor screen, as in a new page
            page.goto(index.as_uri())
            return page

        yield open_page


@pytest.fixture(scope="module")
def scripts(chromium, small):
    """A page whose scripts several tests call without touching the page itself."""
    page = tab_of(chromium)
    with watched(page):
        page.goto(small.as_uri())
        yield page
    page.context.close()


@pytest.fixture(scope="session")
def small(tmp_path_factory) -> Path:
    """The index of a small comparison, for tests that leave it as it is."""
    return small_page(tmp_path_factory.mktemp("small") / "comparison", np.random.default_rng(11))
