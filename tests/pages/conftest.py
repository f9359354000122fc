"""A real browser for pages that open from disk."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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


@contextmanager
def visiting(chromium) -> Iterator[Callable]:
    """Opens pages from disk; at the end, nothing may have gone wrong or out to any network."""
    contexts, complaints, requests = [], [], []

    def open_page(index: Path, **options):
        context = chromium.new_context(viewport={"width": 1280, "height": 900}, **options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20_000)
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda fault: complaints.append(str(fault)))
        page.on("request", lambda request: requests.append(request.url))
        page.goto(index.as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert complaints == []
    assert [url for url in requests if not url.startswith(("file:", "blob:null/"))] == []


@pytest.fixture
def visit(chromium) -> Iterator[Callable]:
    """Open pages for one test."""
    with visiting(chromium) as open_page:
        yield open_page


@pytest.fixture(scope="module")
def scripts(chromium, small):
    """A page whose scripts several tests call without touching the page itself."""
    with visiting(chromium) as open_page:
        yield open_page(small)


@pytest.fixture(scope="session")
def small(tmp_path_factory) -> Path:
    """The index of a small comparison, for tests that leave it as it is."""
    return small_page(tmp_path_factory.mktemp("small") / "comparison", np.random.default_rng(11))
