"""Curves of a chain: what each stage would do, drawn from its settings alone.

One row a stage, in signal order: its settings as the chain file would say them, and beside them
EQ response, static curve, split, or moves over time.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from matplotlib.figure import Figure
from matplotlib.gridspec import SubplotSpec
from numpy.typing import NDArray

from chainkit.chain import Chain
from chainkit.dsp import dynamics, filters
from chainkit.dsp.levels import to_db, to_gain
from chainkit.pages import plots

Audio = NDArray[np.float64]
Rows = list[tuple[str, str]]

WIDTH, PANEL_HEIGHT = 9.6, 2.5  # inches
TABLE_TOP, TABLE_LINE = 0.55, 0.181  # inches
POINTS = 600
TURNED_DOWN = 12.0  # dB
FLOOR = -400.0  # dB, in place of minus infinity


def draw_chain(chain: Chain, rate: int, path: str | Path, *, force: bool = False) -> None:
    """Draw the curves of a chain into a PNG, SVG or PDF file.

    Parameters
    ----------
    chain : Chain
    rate : int, Hz
        Sample rate the curves hold for.
    path : str or Path
    force : bool
        Replace a file that is there.

    Raises
    ------
    ChainFileError
        A value does not suit the sample rate.
    UsageError
        The file's ending names no format of these.
    OutputError
        The file exists and `force` is not given, or it cannot be written.
    """
    plots.save(chain_sheet(chain, rate), path, force=force)


class Places(NamedTuple):
    """Where the panels of one stage may stand: one wide one, or two side by side."""

    wide: SubplotSpec
    left: SubplotSpec
    right: SubplotSpec


def chain_sheet(chain: Chain, rate: int) -> Figure:
    """Sheet with a row for each stage of `chain`: its settings and its curves at `rate` Hz.

    Raises
    ------
    ChainFileError
        A value does not suit the sample rate.
    """
    chain.check(rate)
    tables = [settings(entry) for entry in chain.resolved().as_dict()["stages"]]
    heights = [_height(stage, rows) for stage, rows in zip(chain.stages, tables, strict=True)]
    sheet, grid = plots.figure(
        WIDTH, sum(heights) + 0.6, max(len(heights), 1), 3,
        title=f"{chain.name or chain.source} at {rate / 1000:g} kHz",
        heights=heights or None, widths=[0.85, 1, 1],
    )  # fmt: skip
    for row, (stage, rows) in enumerate(zip(chain.stages, tables, strict=True)):
        plots.text_table(plots.panel(sheet, grid[row, 0]), heading(row, stage), rows)
        if has_curves(stage):
            places = Places(grid[row, 1:], grid[row, 1], grid[row, 2])
            PANELS[stage.kind](sheet, places, stage, rate)
    return sheet


def stage_sheet(stage: Any, rate: int, width: float = 6.0, height: float = 2.2) -> Figure:
    """Sheet with the curves of one stage that `has_curves`, `width` by `height` inches."""
    sheet, grid = plots.figure(width, height, 1, 2)
    PANELS[stage.kind](sheet, Places(grid[0, :], grid[0, 0], grid[0, 1]), stage, rate)
    return sheet


def has_curves(stage: Any) -> bool:
    """Whether there is anything to draw of a stage."""
    return stage.kind in PANELS and not stage.bypass


def heading(row: int, stage: Any) -> str:
    """Number in signal order, name, and kind where the name does not tell it."""
    kind = "" if stage.name == stage.kind else f" ({stage.kind})"
    return f"{row + 1}  {stage.name}{kind}" + (", bypassed" if stage.bypass else "")


def _height(stage: Any, rows: Rows) -> float:
    table = TABLE_TOP + TABLE_LINE * len(rows)
    return max(PANEL_HEIGHT, table) if has_curves(stage) else table


# ------------------------------------------------------------------------------------- settings
def settings(entry: dict[str, dict[str, Any]]) -> Rows:
    """Names and values of a stage, given as a chain file would say it: ``{kind: {key: value}}``."""
    (values,) = entry.values()
    return list(_rows({key: value for key, value in values.items() if key != "name"}))


def _rows(settings: dict[str, Any]) -> Iterator[tuple[str, str]]:
    for key, value in settings.items():
        if key == "bands":
            yield from _band_rows(value)
        elif key == "points":
            yield "points", str(len(value))
        elif isinstance(value, dict):
            yield from ((f"{key} {name}", inner) for name, inner in _rows(value))
        else:
            yield key, shown(value)


def _band_rows(bands: list[dict[str, Any]]) -> Iterator[tuple[str, str]]:
    for number, band in enumerate(bands, start=1):
        values = [shown(value) for key, value in band.items() if key not in ("shape", "q")]
        q = [f"q {shown(band['q'])}"] if "q" in band else []
        yield f"{number}  {band['shape'].replace('_', ' ')}", ", ".join(values + q)


def shown(value: Any) -> str:
    """A value to read and to dial in: four digits of a measured one, a proper minus sign."""
    text = f"{value:g}" if isinstance(value, float) else str(value)
    text = re.sub(r"\d+\.\d{4,}", lambda number: f"{float(number[0]):.4g}", text)
    return re.sub(r"^-", "−", text)


# ------------------------------------------------------------------------------------------ eq
def _draw_eq(sheet: Figure, places: Places, stage: Any, rate: int) -> None:
    axes = plots.panel(sheet, places.wide, "response")
    high = min(20e3, rate / 2)
    f = np.geomspace(20.0, high * 0.9999, POINTS)
    total = _level(filters.response(stage.sections(rate), f, rate))
    low_db, high_db = _eq_limits(total)
    plots.frequency_axis(axes, 20.0, high)
    plots.decibel_axis(axes, low_db, high_db, "gain, dB")
    plots.guide(axes, y=0.0)
    for number, band in enumerate(stage.bands, start=1):
        sections = band.sections(rate)
        plots.faint(axes, f, _level(filters.response(sections, f, rate)))
        peak = float(_level(filters.response(sections, band.frequency, rate)))
        if 20.0 <= band.frequency <= high:
            plots.marker(axes, band.frequency, max(peak, low_db), str(number))
    plots.curve(axes, f, total, width=1.8)


def _eq_limits(total: Audio) -> tuple[float, float]:
    """Limits in dB, whole steps of 6, that show the curve down to −24 dB."""
    low = 6 * math.floor((max(total.min(), -23.0) - 1) / 6)
    high = 6 * math.ceil((total.max() + 1) / 6)
    return min(low, -6), max(high, 6)


def _level(response: NDArray[Any]) -> Audio:
    return np.maximum(to_db(np.abs(response)), FLOOR)


# ------------------------------------------------------------------------------------ dynamics
def _draw_compress(sheet: Figure, places: Places, stage: Any, rate: int) -> None:
    def output(level: Audio) -> Audio:
        return level + _whole_gain(stage, _static_gain(stage, level))

    _draw_static(sheet, places, stage, output, "static curve, dBFS")
    _draw_step(sheet, places, stage)


def _draw_deess(sheet: Figure, places: Places, stage: Any, rate: int) -> None:
    of = "band, dBFS" if stage.sense == "band" else "band against voice"

    def output(level: Audio) -> Audio:
        return level + _static_gain(stage, level)

    _draw_static(sheet, places, stage, output, f"static curve, {of}")
    _draw_split(sheet, places, stage, rate)


def idle_gain(stage: Any) -> float:
    """Gain in dB of a stage that turns nothing down: its makeup, as far as it is known."""
    return float(_whole_gain(stage, np.zeros(1))[0]) if stage.kind == "compress" else 0.0


def _whole_gain(stage: Any, reduction: Audio) -> Audio:
    """Gain of a compressor with makeup and mix, from that of its curve; makeup: match counts 0."""
    makeup = 0.0 if isinstance(stage.makeup, str) else stage.makeup
    return to_db(1.0 - stage.mix + stage.mix * to_gain(reduction + makeup))


def _static_gain(stage: Any, level: Audio) -> Audio:
    return _bounded(stage, dynamics.static_gain(level, stage.threshold, stage.ratio, stage.knee))


def _bounded(stage: Any, gain: Audio) -> Audio:
    return gain if stage.range is None else np.maximum(gain, -stage.range)


def _draw_static(
    sheet: Figure,
    places: Places,
    stage: Any,
    output: Callable[[Audio], Audio],
    title: str,
) -> None:
    axes = plots.panel(sheet, places.left, title)
    low, high = _static_limits(stage)
    level = np.linspace(low, high, POINTS)
    after = output(level)
    axes.set_xlim(low, high)
    plots.tick_every(axes, "x", plots.decibel_step(high - low))
    plots.decibel_axis(axes, low, max(high, 6 * math.ceil(after.max() / 6)), "out, dB")
    axes.set_xlabel("in, dB")
    plots.region(axes, stage.threshold - stage.knee / 2, stage.threshold + stage.knee / 2)
    plots.guide(axes, x=stage.threshold, words="threshold")
    plots.faint(axes, level, level)
    plots.curve(axes, level, after, width=1.8)


def _static_limits(stage: Any) -> tuple[float, float]:
    foot = stage.threshold - stage.knee / 2 - 10
    return min(-60.0, 10 * math.floor(foot / 10)), max(0.0, 10 * math.ceil(stage.threshold / 10))


def _draw_step(sheet: Figure, places: Places, stage: Any) -> None:
    """Gain over time while the level steps up to 0 dBFS and back down; `range` bounds it last."""
    axes = plots.panel(sheet, places.right, "step to 0 dBFS and back")
    depth = float(dynamics.static_gain([0.0], stage.threshold, stage.ratio, stage.knee)[0])
    held = max(5 * stage.attack, stage.release, 1e-3)
    t = np.linspace(-0.1 * held, 2 * held + 5 * stage.release, POINTS)
    reached = depth * _approach(np.minimum(t, held), stage.attack)
    gain = _bounded(stage, reached * (1 - _approach(t - held, stage.release)))
    plots.time_axis(axes, float(t[0]), float(t[-1]))
    plots.decibel_axis(axes, min(1.1 * gain.min(), -1.0), 0.5, "gain, dB")
    plots.region(axes, 0.0, held)
    plots.curve(axes, t, gain, width=1.8)


def _approach(t: Audio, tau: float) -> Audio:
    """1 − e^(−t/τ) after t = 0, at once where τ is 0."""
    elapsed = np.maximum(t, 0.0)
    return 1 - np.exp(-elapsed / tau) if tau > 0 else (t > 0).astype(np.float64)


# --------------------------------------------------------------------------------------- split
def _draw_split(sheet: Figure, places: Places, stage: Any, rate: int) -> None:
    down = TURNED_DOWN if stage.range is None else min(TURNED_DOWN, stage.range)
    title = f"split, {stage.phase} phase; whole at −{down:g} dB"
    axes = plots.panel(sheet, places.right, title)
    high_end = min(20e3, rate / 2)
    f = np.geomspace(100.0, high_end * 0.9999, POINTS)
    low, high = split_responses(stage.frequency, stage.upper, stage.phase, f, rate)
    plots.frequency_axis(axes, 100.0, high_end)
    plots.decibel_axis(axes, -60.0, 6.0, "gain, dB", step=12)
    plots.guide(axes, x=stage.frequency)
    plots.curve(axes, f, _level(low), 2, label="left alone")
    plots.curve(axes, f, _level(high), 1, label="turned down")
    whole = low + high * to_gain(-down)
    plots.curve(axes, f, _level(whole), 0, label="whole")
    plots.legend_beneath(axes, 0.0)


def split_responses(
    frequency: float, upper: float | None, phase: str, f: Audio, rate: float
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Responses of the de-esser's two parts: what is left alone, and what is turned down.

    Their sum is 1 where the phase is linear, and otherwise an all-pass for each edge.

    Parameters
    ----------
    frequency, upper : float, Hz
        Edges of the band; no upper edge when None.
    phase : {"linear", "minimum"}
    f : ndarray, Hz
    rate : float, Hz

    Returns
    -------
    rest, band : ndarray
    """
    if phase == "linear":
        band = filters.fir_response(filters.split_fir(rate, frequency, upper), f, rate)
        return 1 - band, band
    whole = filters.allpass(rate, frequency, filters.BUTTERWORTH_Q)
    high = filters.linkwitz_riley(rate, frequency)[1]
    if upper is not None:
        whole = np.vstack([whole, filters.allpass(rate, upper, filters.BUTTERWORTH_Q)])
        high = np.vstack([high, filters.linkwitz_riley(rate, upper)[0]])
    passed = filters.response(high, f, rate)
    return filters.response(whole, f, rate) - passed, passed


# -------------------------------------------------------------------------------------- moves
def _draw_ride(sheet: Figure, places: Places, stage: Any, rate: int) -> None:
    axes = plots.panel(sheet, places.wide, "level moves")
    times, moves = np.array(stage.points, dtype=np.float64).T
    margin = max(0.05 * (times[-1] - times[0]), 0.5)
    start, end = max(0.0, times[0] - margin), times[-1] + margin
    plots.time_axis(axes, start, end)
    plots.decibel_axis(axes, min(moves.min() - 1, -3), max(moves.max() + 1, 3), "gain, dB")
    plots.guide(axes, y=0.0)
    held_times = np.concatenate([[start], times, [end]])
    plots.curve(axes, held_times, moves[[0, *range(len(moves)), -1]], width=1.8)


PANELS: dict[str, Callable[[Figure, Places, Any, int], None]] = {
    "eq": _draw_eq,
    "compress": _draw_compress,
    "deess": _draw_deess,
    "ride": _draw_ride,
}
