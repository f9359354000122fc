"""Draws measurements: spectrum, loudness over time, sibilants."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from chainkit.dsp.meter import Measurement
from chainkit.dsp.spectrum import REGIONS
from chainkit.pages import plots
from chainkit.units import typeset

SHOWN = 45.0  # dB below the strongest
NAMES = {"low_mid": "low-mid", "presence": "presence", "air": "air"}
SIBILANT_HZ = (2000.0, 12000.0)
LEAST_DB, GREATEST_DB = -30.0, 6.0
MARKS = "os^Dv<"
WIDTH = 11.0  # inches, as all that follow
KEY_MARGIN, KEY_LINE = 0.1, 0.2
KEY_SAMPLE, KEY_LETTER = 0.8, 0.075  # of a stroke with its gaps; of a letter, at most


def draw_measurements(
    measurements: Mapping[str, Measurement], path: str | Path, force: bool = False
) -> None:
    """Write a drawing with spectra and sibilants of all files, and the loudness of each.

    Parameters
    ----------
    measurements : mapping of name to Measurement
    path : str or Path
        Ends in .png, .svg or .pdf.
    force : bool
        Replace a file that is there.

    Raises
    ------
    UsageError
        The ending is none of these.
    OutputError
        The file is there already, or cannot be written.
    """
    plots.save(measurement_sheet(measurements), path, force=force)


def measurement_sheet(measurements: Mapping[str, Measurement]) -> Figure:
    """Sheet with the spectra and sibilants of all files, a key, and the loudness of each."""
    names = told_apart(list(measurements))
    columns, rows = _key_places(names)
    heights = [3.2, *[KEY_MARGIN + KEY_LINE * rows] * (rows > 0), *[2.2] * len(names)]
    sheet, grid = plots.figure(
        WIDTH, sum(heights) + 0.8, len(heights), 2, title=", ".join(names), heights=heights,
        widths=[3.0, 2.0],
    )  # fmt: skip
    _spectra(plots.panel(sheet, grid[0, 0], "Long-term spectrum, third octaves"), measurements)
    _sibilants(plots.panel(sheet, grid[0, 1], "Sibilants"), measurements)
    if rows:
        _key(plots.panel(sheet, grid[1, :]), names, columns)
    for row, (name, measurement) in enumerate(zip(names, measurements.values(), strict=True)):
        title = f"Loudness of {name}: 0.4 s thin, 3 s dashed; sibilants shaded"
        _loudness(plots.panel(sheet, grid[row - len(names), :], title), measurement)
    return sheet


def told_apart(paths: Sequence[str]) -> list[str]:
    """The end of each path, as short as tells it from the others: ``one/lead.wav``."""
    parts = [Path(path).parts for path in paths]
    return [str(Path(*_ending(each, parts))) for each in parts]


def _ending(path: tuple[str, ...], paths: Sequence[tuple[str, ...]]) -> tuple[str, ...]:
    endings = (path[-length:] for length in range(1, len(path)))
    alone = (end for end in endings if sum(other[-len(end) :] == end for other in paths) == 1)
    return next(alone, path)


def _key_places(names: Sequence[str]) -> tuple[int, int]:
    """Columns and rows of the key to the files, which one file alone does not need."""
    widest = KEY_SAMPLE + KEY_LETTER * max(map(len, names))
    columns = max(1, min(len(names), int((WIDTH - 1.0) / widest)))
    return columns, math.ceil(len(names) / columns) if len(names) > 1 else 0


def _key(axes: Axes, names: Sequence[str], columns: int) -> None:
    """Stroke and mark of each file, on a panel of its own where they cover nothing."""
    for series, name in enumerate(names):
        plots.curve(axes, [], [], series, label=name, mark=MARKS[series % len(MARKS)])
    with plots.look():
        axes.set_axis_off()
        axes.legend(loc="upper left", ncols=columns, borderaxespad=0.0)


def _spectra(axes: Axes, measurements: Mapping[str, Measurement]) -> None:
    levels = [0.0]
    for series, measurement in enumerate(measurements.values()):
        points = [
            (band.midband_hz, band.level_dbfs)
            for band in measurement.spectrum.bands()
            if band.level_dbfs is not None
        ]
        middles, level = zip(*points, strict=True) if points else ((), ())
        levels.extend(level)
        plots.curve(axes, middles, level, series)
    plots.frequency_axis(axes, 20.0, 22000.0)
    top = 6.0 * np.ceil(max(levels[1:], default=0.0) / 6.0 + 0.5)
    plots.decibel_axis(axes, top - 1.5 * SHOWN, top, "RMS in band, dBFS")
    for region, (low, high) in REGIONS.items():
        plots.region(axes, low / 10.0**0.05, high * 10.0**0.05)
        with plots.look():
            middle = float(np.sqrt(low * high))
            axes.text(middle, top - 1.0, NAMES[region], ha="center", va="top", color=plots.MUTED)


def _sibilants(axes: Axes, measurements: Mapping[str, Measurement]) -> None:
    for series, measurement in enumerate(measurements.values()):
        stroke = plots.SERIES[series % len(plots.SERIES)]
        axes.plot(
            [sibilant.centre_hz for sibilant in measurement.sibilants],
            [sibilant.against_voice_db for sibilant in measurement.sibilants],
            MARKS[series % len(MARKS)], color=stroke.colour, markersize=3.5,
            markerfacecolor="none",
        )  # fmt: skip
    plots.frequency_axis(axes, *SIBILANT_HZ)
    axes.set_xlabel("centre of gravity, Hz")
    plots.decibel_axis(axes, LEAST_DB, GREATEST_DB, "against the voice, dB")
    if not any(measurement.sibilants for measurement in measurements.values()):
        plots.note(axes, 0.5, 0.5, "none found", align="center")


def _loudness(axes: Axes, measurement: Measurement) -> None:
    for sibilant in measurement.sibilants:
        plots.region(axes, sibilant.start, sibilant.end)
    momentary, short_term = measurement.momentary_lufs, measurement.short_term_lufs
    plots.thin(axes, 0.4 + 0.1 * np.arange(len(momentary)), _drawn(momentary))
    plots.curve(axes, 3.0 + 0.1 * np.arange(len(short_term)), _drawn(short_term), 1)
    top = 6.0 * np.ceil((measurement.momentary_max_lufs or -SHOWN) / 6.0 + 0.2)
    plots.decibel_axis(axes, top - SHOWN, top, "LUFS")
    plots.time_axis(axes, 0.0, max(measurement.seconds, 0.1))
    if measurement.integrated_lufs is not None:
        words = typeset(f"integrated {measurement.integrated_lufs:.1f} LUFS")
        plots.guide(axes, y=measurement.integrated_lufs, words=words)


def _drawn(levels: np.ndarray) -> np.ndarray:
    return np.where(np.isfinite(levels), levels, np.nan)
