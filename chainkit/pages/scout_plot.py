"""Draws what the scout found: spectrum and trend with the findings, and the proposed curve.

With a backing its spectrum is drawn as well, and the bands in which it hides the source are shaded.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from chainkit.dsp.regions import Tilt
from chainkit.pages import plots
from chainkit.scout import Finding, Scouting
from chainkit.scout.findings import SURE
from chainkit.scout.mix import MixBand, hidden
from chainkit.scout.proposal import curve, moves

LOW, HIGH = 30.0, 20000.0  # Hz
SHOWN = 60.0  # dB below the strongest
DEEPEST = -24.0  # dB of the curve
THIRD = 2.0 ** (1.0 / 6.0)  # from the middle of a third octave to its edge
LISTED = 24  # rows that the panel has room for
NEAR, STEP = 1.17, 4.5  # factor of frequency within which discs would overlap; dB between them


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
    spectrum = plots.panel(sheet, grid[0, 0], _heading(scouting))
    proposal = plots.panel(sheet, grid[1, 0], "Proposed EQ")
    _spectrum(spectrum, scouting)
    _proposal(proposal, scouting)
    heading = "Findings (hints in brackets)" if scouting.findings else "Nothing found"
    plots.text_table(plots.panel(sheet, grid[:, 1]), heading, rows(scouting))
    plots.save(sheet, path, force=force)


def _heading(scouting: Scouting) -> str:
    heading = "Long-term spectrum while it sounds, and its trend"
    if scouting.backing is None:
        return heading
    return f"{heading}; shaded: hidden by {scouting.backing.path.name}"


def rows(scouting: Scouting) -> list[tuple[str, str]]:
    """The list beside the drawing: number and finding, height."""
    found = [_row(number, one) for number, one in enumerate(listed(scouting), 1)]
    more = len(scouting.findings) - len(found)
    return [*found, (f"and {more} more", "")] if more else found


def listed(scouting: Scouting) -> list[Finding]:
    """The findings that are drawn and listed."""
    return list(scouting.findings[:LISTED])


def _spectrum(axes: plots.Axes, scouting: Scouting) -> None:
    tilt = scouting.tilt
    third = 10.0 * np.log10(4.0)  # a third octave holds four twelfths
    at, level = _joined(tilt)
    plots.faint(axes, tilt.frequencies, tilt.levels + third)
    plots.curve(axes, at, level, 0, label="third octaves (thin: twelfths, shifted to match)")
    plots.curve(axes, tilt.frequencies, tilt.trend + third, 1, label="trend", width=1.1)
    plots.frequency_axis(axes, LOW, HIGH)
    heights = [_backing(axes, scouting.bands, at, level)] if scouting.bands and len(at) else []
    bottom = 6.0 * np.ceil(level.max(initial=-SHOWN) / 6.0 + 1.0) - SHOWN - 12.0
    discs = list(_discs(scouting, at, level, bottom + 6.0))
    for number, frequency, place in discs:
        plots.marker(axes, frequency, place, str(number))
    heights += [place + STEP for _, _, place in discs]
    top = max(bottom + SHOWN + 12.0, 6.0 * np.ceil(max([*heights, bottom]) / 6.0))
    plots.decibel_axis(axes, bottom, top, "RMS in third octave, dBFS")
    plots.legend(axes, "lower left")


def _backing(
    axes: plots.Axes, bands: Sequence[MixBand], at: np.ndarray, level: np.ndarray
) -> float:
    """Draw the backing, and shade what it hides, in bands that the source has; returns its top."""
    shared = [band for band in bands if band.lived_in]
    frequencies = np.array([band.frequency_hz for band in shared])
    against = np.array([band.against_backing_db for band in shared])
    under = np.interp(frequencies, at, level) - against
    plots.curve(axes, frequencies, under, 2, label="backing", width=1.1)
    for band in hidden(list(bands)):
        plots.region(axes, band.frequency_hz / THIRD, band.frequency_hz * THIRD)
    return float(under.max(initial=-np.inf))


def _discs(
    scouting: Scouting, at: np.ndarray, level: np.ndarray, lowest: float
) -> Iterator[tuple[int, float, float]]:
    """Number, frequency and height of each finding's disc, above the curve and one another."""
    numbered = sorted(enumerate(listed(scouting), 1), key=lambda pair: pair[1].frequency_hz)
    taken: list[tuple[float, float]] = []
    for number, found in numbered:
        frequency = min(max(found.frequency_hz, LOW), HIGH)
        height = float(np.interp(frequency, at, level)) if len(at) else lowest
        place = max(height + STEP, lowest)
        for other, high in sorted(taken, key=lambda disc: disc[1]):
            if frequency < other * NEAR and abs(place - high) < STEP:
                place = high + STEP
        taken.append((frequency, place))
        yield number, frequency, place


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
