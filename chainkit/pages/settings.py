"""All that can be set in a stage, by name and value, with what holds where nothing was set."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from chainkit.pages.curves import Rows, shown
from chainkit.stages.base import Settings, Stage, forms
from chainkit.stages.forms import Group, Items, Value

ELSEWHERE = ("name", "bypass", "points", "file")  # told by the heading and the list of points
NONE = "none"


def every_setting(stage: Stage, rate: int) -> Rows:
    """Names and values of all settings of a stage, at a sample rate in Hz.

    A band of an eq is one row. A width is given as Q, also where it was set in octaves or left out.
    """
    return list(_rows(stage.resolved(), rate))


def _rows(settings: Settings, rate: int) -> Iterator[tuple[str, str]]:
    for key, form in forms(type(settings)).items():
        value = getattr(settings, key)
        if key in ELSEWHERE:
            continue
        if isinstance(form, Items):
            yield from (_band(n, band, rate) for n, band in enumerate(value, start=1))
        elif isinstance(form, Group):
            yield from ((f"{key} {name}", text) for name, text in _group(form, value, rate))
        elif isinstance(form, Value):
            yield key, _text(form, value)


def _group(form: Group, value: Settings | None, rate: int) -> Iterator[tuple[str, str]]:
    return iter((name, NONE) for name in forms(form.cls)) if value is None else _rows(value, rate)


def _band(number: int, band: Any, rate: int) -> tuple[str, str]:
    """Shape, and frequency, slope or gain, width."""
    told = {key: form for key, form in forms(type(band)).items() if key != "q"}
    values = [(form, getattr(band, key)) for key, form in told.items()]
    texts = [_text(form, value) for form, value in values if value is not None]
    # A bypassed band may not suit the rate, and then has no Q.
    if hasattr(band, "width") and not any(band.faults_at(rate)):
        texts.append(f"q {shown(float(f'{band.width(rate):.3g}'))}")
    return f"{number}  {band.shape.replace('_', ' ')}", ", ".join(texts)


def _text(form: Any, value: Any) -> str:
    return NONE if value is None else shown(form.show(value))
