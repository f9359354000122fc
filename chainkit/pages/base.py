"""Pages: one environment, one look, a few ways to write figures.

A page is a template in ``templates/`` that extends ``base.html`` and fills its blocks:

title      text of the window and of the first heading
about      a description of the page for its head
lead       a line beneath the heading
head       more style of this page
content    the page itself: sections that begin with an ``h2``
foot       what stands at the end of the page

A page is one file that asks for nothing else: its style stands inside, its pictures are inline SVG,
and a content policy forbids every request. All values are escaped unless they are `Markup`.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from chainkit.audio.formats import BITS, FLOATS

NOTHING = "–"


@cache
def environment(package: str = "chainkit.pages", folder: str = "templates") -> Environment:
    """The environment of all pages: escaping on, unknown names and numbers without JSON refused."""
    pages = Environment(
        loader=PackageLoader(package, folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    pages.policies["json.dumps_kwargs"] = {"allow_nan": False}
    pages.filters |= {"figure": figure, "change": change, "share": share, "minutes": minutes}
    pages.filters |= {"channels": channels, "samples": samples}
    return pages


def render_page(template: str, **values: Any) -> str:
    """HTML text of the page that `template` makes of `values`."""
    return environment().get_template(template).render(**values)


# ---------------------------------------------------------------------------------- filters
def figure(value: float | None, unit: str = "", digits: int = 1) -> str:
    """A number with its unit, ``−18.3 LUFS``; a dash where there is none."""
    if value is None:
        return NOTHING
    # Adding zero turns −0.0 into 0.0, so that nothing reads "−0.0".
    text = f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")
    return f"{text} {unit}".rstrip()


def change(before: float | None, after: float | None, unit: str = "", digits: int = 1) -> str:
    """The step from one number to another with its sign, ``+2.1 dB``."""
    if before is None or after is None:
        return NOTHING
    step = round(after - before, digits) + 0.0
    return ("+" if step > 0 else "") + figure(step, unit, digits)


def share(value: float | None) -> str:
    """A share 0 to 1 in percent."""
    return NOTHING if value is None else f"{100 * value:.0f} %"


def minutes(seconds: float) -> str:
    """A length of time, ``3:07``."""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02}"


def channels(count: int) -> str:
    """How many channels there are, ``mono``, ``stereo`` or ``6 channels``."""
    return {1: "mono", 2: "stereo"}.get(count, f"{count} channels")


def samples(subtype: str) -> str:
    """A sample format, ``24 bits`` or ``32-bit float``, by its name in a record."""
    if subtype in BITS:
        return f"{BITS[subtype]} bits"
    return f"{FLOATS[subtype]}-bit float" if subtype in FLOATS else subtype
