"""Draws measurements: spectrum, loudness over time, sibilants."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes

from chainkit.dsp.meter import Measurement
from chainkit.dsp.spectrum import REGIONS
from chainkit.pages import plots

SHOWN = 45.0  # dB below the strongest
NAMES = {"low_mid": "low-mid", "presence": "presence", "air": "air"}
SIBILANT_HZ = (2000.0, 12000.0)
LEAST_DB, GREATEST_DB = -30.0, 6.0


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
    OutputError
        The file is there already, or cannot be written.
    """
    count = len(measurements)
    heights = [3.2, *[2.2] * count]
    sheet, grid = plots.figure(
        11.0, sum(heights) + 0.8, 1 + count, 2,
        title=", ".join(Path(name).name for name in measurements), heights=heights,
        widths=[3.0, 2.0],
    )  # fmt: skip
    _spectra(plots.panel(sheet, grid[0, 0], "Long-term spectrum, third octaves"), measurements)
    _sibilants(plots.panel(sheet, grid[0, 1], "Sibilants"), measurements)
    for row, (name, measurement) in enumerate(measurements.items(), 1):
        title = f"Loudness of {Path(name).name}: 0.4 s thin, 3 s dashed; sibilants shaded"
        _loudness(plots.panel(sheet, grid[row, :], title), measurement)
    plots.save(sheet, path, force=force)


def _spectra(axes: Axes, measurements: Mapping[str, Measurement]) -> None:
    levels = [0.0]
    for series, (name, measurement) in enumerate(measurements.items()):
        points = [
            (band.midband_hz, band.level_dbfs)
            for band in measurement.spectrum.bands()
            if band.level_dbfs is not None
        ]
        middles, level = zip(*points, strict=True) if points else ((), ())
        levels.extend(level)
        plots.curve(axes, middles, level, series, label=_name(name))
    plots.frequency_axis(axes, 20.0, 22000.0)
    top = 6.0 * np.ceil(max(levels[1:], default=0.0) / 6.0 + 0.5)
    plots.decibel_axis(axes, top - 1.5 * SHOWN, top, "RMS in band, dBFS")
    for region, (low, high) in REGIONS.items():
        plots.region(axes, low / 10.0**0.05, high * 10.0**0.05)
        with plots.look():
            middle = float(np.sqrt(low * high))
            axes.text(middle, top - 1.0, NAMES[region], ha="center", va="top", color=plots.MUTED)
    if len(measurements) > 1:
        plots.legend(axes, "lower left")


def _sibilants(axes: Axes, measurements: Mapping[str, Measurement]) -> None:
    for series, (name, measurement) in enumerate(measurements.items()):
        stroke = plots.SERIES[series % len(plots.SERIES)]
        axes.plot(
            [sibilant.centre_hz for sibilant in measurement.sibilants],
            [sibilant.against_voice_db for sibilant in measurement.sibilants],
            MARKS[series % len(MARKS)], color=stroke.colour, markersize=3.5,
            markerfacecolor="none", label=_name(name),
        )  # fmt: skip
    plots.frequency_axis(axes, *SIBILANT_HZ)
    axes.set_xlabel("centre of gravity, Hz")
    plots.decibel_axis(axes, LEAST_DB, GREATEST_DB, "against the voice, dB")
    if not any(measurement.sibilants for measurement in measurements.values()):
        plots.note(axes, 0.5, 0.5, "none found", align="center")
    elif len(measurements) > 1:
        plots.legend(axes, "lower left")


MARKS = "os^Dv<"


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
        words = f"integrated {measurement.integrated_lufs:.1f} LUFS".replace("-", "−")
        plots.guide(axes, y=measurement.integrated_lufs, words=words)


def _drawn(levels: np.ndarray) -> np.ndarray:
    return np.where(np.isfinite(levels), levels, np.nan)


def _name(path: str) -> str:
    return Path(path).name
