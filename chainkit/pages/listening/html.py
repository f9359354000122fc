"""The listening page as one HTML text: markup, styles, scripts, and what the scripts need."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files

from markupsafe import Markup

from chainkit.audio.reader import AudioReader
from chainkit.pages.base import environment
from chainkit.pages.listening import figures
from chainkit.pages.listening.model import ListeningPage
from chainkit.pages.listening.parts import overview, part_frames

SCRIPTS = (
    "chance",
    "rounds",
    "store",
    "player",
    "sheet",
    "report",
    "page",
    "blind",
    "keys",
    "start",
)
"""Scripts of the page in the order in which they build on one another."""

MEMORY = 640 * 2**20
"""Bytes of decoded audio that the page keeps: 12 candidates of 4 minutes, mono at 48 kHz, fit."""


def render_page(page: ListeningPage) -> str:
    """The page as one HTML text, styles and scripts included, without its parts."""
    scripts = [_asset(f"{name}.js") for name in SCRIPTS]
    style = _asset("page.css")
    template = environment("chainkit.pages.listening", "assets").get_template("page.html")
    return template.render(
        page=page,
        matching=figures.matching(page),
        headers=[*map(figures.header, page.columns), *figures.level_columns(page)],
        rows=_rows(page),
        data=_data(page),
        duration=_duration(page),
        style=Markup(style),  # ours, from the package
        scripts=[Markup(script) for script in scripts],
        policy=_policy(style, scripts),
    )


def _asset(name: str) -> str:
    return files("chainkit.pages.listening").joinpath("assets", name).read_text("utf-8")


def _policy(style: str, scripts: list[str]) -> str:
    """Nothing may load but these very scripts and this very style, and what the scripts add.

    ``strict-dynamic`` lets the scripts add those that hold the audio; an origin would not do,
    because for a page opened from disk it would stand for every file there.
    """
    trusted = " ".join(_digest(script) for script in scripts)
    return (
        f"default-src 'none'; script-src {trusted} 'strict-dynamic'; "
        f"style-src {_digest(style)}; base-uri 'none'; form-action 'none'"
    )


def _digest(text: str) -> str:
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")
    return f"'sha256-{digest}'"


def _rows(page: ListeningPage) -> list[list[figures.Cell]]:
    levels = [figures.level_cells(page, candidate) for candidate in page.candidates]
    return [left + right for left, right in zip(figures.rows(page), levels, strict=True)]


def _duration(page: ListeningPage) -> str:
    minutes, seconds = divmod(round(page.frames / page.rate), 60)
    return f"{minutes} min {seconds:02d} s" if minutes else f"{seconds} s"


def _data(page: ListeningPage) -> dict[str, object]:
    """What the scripts need, ready for JSON."""
    first = page.candidates[0]
    names = [candidate.name for candidate in page.candidates]
    return {
        "title": page.title,
        "rate": page.rate,
        "frames": page.frames,
        "partFrames": part_frames(page.rate),
        "memory": MEMORY,
        "views": [
            {"label": view.label, "channels": _channels(page, view.key)} for view in page.views
        ],
        "candidates": [
            {
                "name": candidate.name,
                "description": candidate.description,
                "sameAs": None if candidate.same_as is None else names.index(candidate.same_as),
            }
            for candidate in page.candidates
        ],
        "greatestReduction": _greatest_reduction(page),
        "sibilants": [[float(start), float(end)] for start, end in page.sibilants],
        "overview": overview(AudioReader(first.sources[page.views[0].key])),
        "matching": figures.matching(page),
    }


def _channels(page: ListeningPage, view: str) -> int:
    return max(AudioReader(candidate.sources[view]).channels for candidate in page.candidates)


def _greatest_reduction(page: ListeningPage) -> float:
    curves = [curve.points for candidate in page.candidates for curve in candidate.reductions]
    return max((float(points.max()) for points in curves if len(points)), default=0.0)
