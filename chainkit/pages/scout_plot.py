"""Draws what the scout found: spectrum and trend with the findings, and the proposed curve."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from chainkit.dsp.regions import Tilt
from chainkit.pages import plots
from chainkit.scout import Finding, Scouting
from chainkit.scout.findings import SURE
from chainkit.scout.proposal import curve, moves

LOW, HIGH = 30.0, 20000.0  # Hz
SHOWN = 60.0  # dB below the strongest
DEEPEST = -24.0  # dB of the curve
LISTED = 10


def draw_scouting(scouting: Scouting, path: str | Path, force: bool = False) -> None:
    """Write a drawing of spectrum, findings and proposed EQ curve.

    Parameters
    ----------
    scouting : Scouting
    path : str or Path
        Ends in .png, .svg or .pdf.
    force : bool
        Replace a file that is there.

    Raises
    ------
    OutputError
        The file is there already, or cannot be written.
    """
    sheet, grid = plots.figure(
        11.0, 7.0, 2, 2,
        title=f"Scouted: {scouting.path.name}", heights=[1.7, 1.0], widths=[3.4, 1.3],
    )  # fmt: skip
    spectrum = plots.panel(sheet, grid[0, 0], "Long-term spectrum while it sounds, and its trend")
    proposal = plots.panel(sheet, grid[1, 0], "Proposed EQ")
    _spectrum(spectrum, scouting)
    _proposal(proposal, scouting)
    rows = [_row(number, found) for number, found in enumerate(listed(scouting), 1)]
    heading = "Findings (hints in brackets)" if rows else "Nothing found"
    plots.text_table(plots.panel(sheet, grid[:, 1]), heading, rows)
    plots.save(sheet, path, force=force)


def listed(scouting: Scouting) -> list[Finding]:
    """The findings that are drawn and listed."""
    return list(scouting.findings[:LISTED])


def _spectrum(axes: plots.Axes, scouting: Scouting) -> None:
    tilt = scouting.tilt
    third = 10.0 * np.log10(4.0)  # a third octave holds four twelfths
    at, level = _joined(tilt)
    plots.faint(axes, tilt.frequencies, tilt.levels + third)
    plots.curve(axes, at, level, 0, label="third octaves; grey twelfths, raised to their height")
    plots.curve(axes, tilt.frequencies, tilt.trend + third, 1, label="trend", width=1.1)
    plots.frequency_axis(axes, LOW, HIGH)
    top = 6.0 * np.ceil(level.max(initial=-SHOWN) / 6.0 + 1.0)
    plots.decibel_axis(axes, top - SHOWN - 12.0, top, "RMS in third octave, dBFS")
    for number, found in enumerate(listed(scouting), 1):
        frequency = min(max(found.frequency_hz, LOW), HIGH)
        height = float(np.interp(frequency, at, level)) if len(at) else top
        place = max(height + 4.0 + 3.0 * (number % 2), top - SHOWN - 6.0)
        plots.marker(axes, frequency, place, str(number))
    plots.legend(axes, "lower left")


def _joined(tilt: Tilt) -> tuple[np.ndarray, np.ndarray]:
    """Third octaves about each twelfth, and below those as they are."""
    low = tilt.thirds < tilt.frequencies.min(initial=np.inf) / 1.1
    smooth = tilt.departure + tilt.trend + 10.0 * np.log10(4.0)
    return (
        np.concatenate([tilt.thirds[low], tilt.frequencies]),
        np.concatenate([tilt.third_levels[low], smooth]),
    )


def _proposal(axes: plots.Axes, scouting: Scouting) -> None:
    at = np.geomspace(LOW, min(HIGH, 0.49 * scouting.rate), 2000)
    gain = np.zeros(len(at)) if scouting.silent else curve(scouting, moves(scouting), at)
    plots.filled(axes, at, gain)
    plots.curve(axes, at, gain, 0)
    plots.frequency_axis(axes, LOW, HIGH)
    lowest = min(-12.0, 3.0 * np.floor(max(gain.min(), DEEPEST) / 3.0))
    plots.decibel_axis(axes, lowest, 6.0, "gain, dB")
    plots.guide(axes, y=0.0)


def _row(number: int, found: Finding) -> tuple[str, str]:
    name = f"{number}  {found.kind}, {_hertz(found.frequency_hz)}"
    height = f"{found.prominence_db:+.1f} dB".replace("-", "−")
    return name, height if found.confidence >= SURE else f"({height})"


def _hertz(frequency: float) -> str:
    return f"{frequency / 1000:.3g} kHz" if frequency >= 1000 else f"{frequency:.0f} Hz"
