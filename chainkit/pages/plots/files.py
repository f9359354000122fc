"""The finished figure as a file, or as text to put into a page; the same bytes each time."""

from __future__ import annotations

import io
import re
import warnings
from html import escape
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure
from matplotlib.text import Text

from chainkit.audio.atomic import atomic_file
from chainkit.errors import UsageError
from chainkit.pages.plots.style import DPI, FONTS, look

# What is left out of a file of each format, so that the same figure gives the same bytes.
METADATA: dict[str, dict[str, None]] = {
    "png": {"Software": None},
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}


def svg(sheet: Figure, name: str, description: str) -> str:
    """The figure as an ``<svg>`` element to stand inside a page.

    Parameters
    ----------
    sheet : Figure
    name : str
        Unique in the page: it goes in front of every id.
    description : str
        What the picture shows, for readers who do not see it.
    """
    text = _finished(sheet, "svg").decode("utf-8")
    text = re.sub(r"<metadata>.*?</metadata>", "", text[text.index("<svg") :], flags=re.DOTALL)
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r'(href="|url\()#', rf"\1#{name}-", text)
    text = text.replace(f"'{FONTS[0]}'", f"'{FONTS[0]}', 'STIX Two Text', 'Times New Roman', serif")
    return text.replace("<svg ", f'<svg role="img" aria-label="{escape(description)}" ', 1)


def save(sheet: Figure, path: str | Path, *, force: bool = False) -> None:
    """Write the figure to a file, in the format that its ending names; the same bytes each time.

    Parameters
    ----------
    sheet : Figure
    path : str or Path
        Ends in .png, .svg or .pdf.
    force : bool
        Replace a file that is there.

    Raises
    ------
    UsageError
        The ending is none of these.
    OutputError
        The file exists and `force` is not given, or it cannot be written.
    """
    form = Path(path).suffix.lower().removeprefix(".")
    if form not in METADATA:
        raise UsageError(f"{path} does not end in {', '.join(f'.{known}' for known in METADATA)}")
    with atomic_file(path, force=force, mode="wb") as file:
        file.write(_finished(sheet, form))


def _finished(sheet: Figure, form: str) -> bytes:
    file = io.BytesIO()
    _spell_out(sheet)
    with look(), warnings.catch_warnings():
        # A name in a script that our fonts lack shows boxes; a warning would not help the user.
        warnings.filterwarnings("ignore", "Glyph .* missing from font")
        # Laid out here, it is drawn once: savefig would first draw all of it for the layout alone.
        if engine := sheet.get_layout_engine():
            engine.execute(sheet)
            sheet.set_layout_engine("none")
        _settle(sheet)
        sheet.savefig(file, format=form, dpi=DPI, metadata=METADATA[form])
    return file.getvalue()


def _spell_out(sheet: Figure) -> None:
    """Write as escapes what no font draws: bytes of a file's name that are no UTF-8."""
    for words in sheet.findobj(Text):
        text = words.get_text()
        shown = text.encode("utf-8", "backslashreplace").decode("utf-8")
        if shown != text:
            words.set_text(shown)


def _settle(sheet: Figure) -> None:
    """Round the places of the panels: layouts differ in last bits, which SVG names clips after."""
    for axes in sheet.axes:
        left, bottom, width, height = np.round(axes.get_position(original=True).bounds, 12)
        axes.set_position((left, bottom, width, height))
