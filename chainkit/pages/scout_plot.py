"""Draws what the scout found: spectrum and trend with the findings, and what is proposed.

Behind the curve of the proposed EQ the band of the de-esser is shaded. With a backing its spectrum
is drawn as well, and the bands in which it hides the source are shaded.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes

from chainkit.dsp.regions import Tilt
from chainkit.pages import plots
from chainkit.scout import Finding, Scouting
from chainkit.scout.chainfile import Proposal
from chainkit.scout.findings import AGAINST, SURE
from chainkit.scout.mix import MixBand, hidden
from chainkit.scout.proposal import curve
from chainkit.stages.deess import Deess
from chainkit.units import typeset

LOW, HIGH = 30.0, 20000.0  # Hz
ROOM = 0.8  # of a frequency below that, where the axis begins then
SHOWN = 60.0  # dB below the strongest
DEEPEST = -24.0  # dB of the curve
LISTED = 24  # rows that the panel has room for
NEAR, STEP = 1.17, 4.5  # factor of frequency within which discs would overlap; dB between them


def draw_scouting(
    scouting: Scouting, chain: Proposal | None, path: str | Path, force: bool = False
) -> None:
    """Write a drawing of spectrum, findings, proposed EQ curve and de-esser band.

    Parameters
    ----------
    scouting : Scouting
    chain : Proposal or None
        What is proposed; None where there was nothing to hear.
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
    sheet, grid = plots.figure(
        11.0, 7.0, 2, 2,
        title=_title(scouting), heights=[1.7, 1.0], widths=[3.4, 1.3],
    )  # fmt: skip
    heading = "Spectrum" + ("; shaded: hidden" if scouting.backing else "")
    spectrum = plots.panel(sheet, grid[0, 0], heading)
    deess = _deess(chain)
    band = f"; shaded: the de-esser's band, from {_hertz(deess.frequency)}" if deess else ""
    proposal = plots.panel(sheet, grid[1, 0], f"Proposed EQ{band}")
    _spectrum(spectrum, scouting)
    _proposal(proposal, scouting, chain)
    heading = "Findings: dB / against (hints)" if scouting.findings else "Nothing found"
    plots.text_table(plots.panel(sheet, grid[:, 1]), heading, rows(scouting))
    plots.save(sheet, path, force=force)


def _title(scouting: Scouting) -> str:
    backing = scouting.backing
    return f"Scouted: {scouting.path.name}" + (f", over {backing.path.name}" if backing else "")


def rows(scouting: Scouting) -> list[tuple[str, str]]:
    """The list beside the drawing: number and finding, height."""
    found = [_row(number, one) for number, one in enumerate(listed(scouting), 1)]
    more = len(scouting.findings) - len(found)
    return [*found, (f"and {more} more", "")] if more else found


def listed(scouting: Scouting) -> list[Finding]:
    """The findings that are drawn and listed."""
    return list(scouting.findings[:LISTED])


def _spectrum(axes: Axes, scouting: Scouting) -> None:
    tilt = scouting.tilt
    third = 10.0 * np.log10(4.0)  # a third octave holds four twelfths
    at, level = _joined(tilt)
    plots.faint(axes, tilt.frequencies, tilt.levels + third)
    plots.curve(axes, at, level, 0, label="third octaves (thin: twelfths)")
    lives = tilt.frequencies <= tilt.highest
    trend = tilt.trend[lives] + third
    plots.curve(axes, tilt.frequencies[lives], trend, 1, label="trend", width=1.1)
    plots.frequency_axis(axes, _low(scouting), HIGH)
    heights = [_backing(axes, scouting.bands, at, level)] if scouting.bands and len(at) else []
    bottom = 6.0 * np.ceil(level.max(initial=-SHOWN) / 6.0 + 1.0) - SHOWN - 12.0
    discs = list(_discs(scouting, at, level, bottom + 6.0))
    for number, frequency, place in discs:
        plots.marker(axes, frequency, place, str(number))
    heights += [place + STEP for _, _, place in discs]
    top = max(bottom + SHOWN + 12.0, 6.0 * np.ceil(max([*heights, bottom]) / 6.0))
    plots.decibel_axis(axes, bottom, top, "RMS in third octave, dBFS")
    plots.legend_above(axes)


def _backing(axes: Axes, bands: Sequence[MixBand], at: np.ndarray, level: np.ndarray) -> float:
    """Draw the backing, and shade what it hides, in bands that the source has; returns its top."""
    shared = [band for band in bands if band.lived_in]
    frequencies = np.array([band.frequency_hz for band in shared])
    against = np.array([band.against_backing_db for band in shared])
    under = np.interp(frequencies, at, level) - against
    name = "backing"
    if shared:
        name += f", {_hertz(frequencies[0])} to {_hertz(frequencies[-1])}"
    plots.curve(axes, frequencies, under, 2, label=name, width=1.1)
    for band in hidden(list(bands)):
        plots.region(axes, *_edges(band.frequency_hz))
    return float(under.max(initial=-np.inf))


def _edges(nominal: float) -> tuple[float, float]:
    """Edges in Hz of a third octave, exact ones, so that two that adjoin leave no slit."""
    tenths = round(10.0 * np.log10(nominal))
    return 10.0 ** ((tenths - 0.5) / 10.0), 10.0 ** ((tenths + 0.5) / 10.0)


def _discs(
    scouting: Scouting, at: np.ndarray, level: np.ndarray, lowest: float
) -> Iterator[tuple[int, float, float]]:
    """Number, frequency and height of each finding's disc, above the curve and one another."""
    numbered = sorted(enumerate(listed(scouting), 1), key=lambda pair: pair[1].frequency_hz)
    taken: list[tuple[float, float]] = []
    for number, found in numbered:
        frequency = min(found.frequency_hz, HIGH)
        height = float(np.interp(frequency, at, level)) if len(at) else lowest
        place = max(height + STEP, lowest)
        for other, high in sorted(taken, key=lambda disc: disc[1]):
            if frequency < other * NEAR and abs(place - high) < STEP:
                place = high + STEP
        taken.append((frequency, place))
        yield number, frequency, place


def _low(scouting: Scouting) -> float:
    """Where the axis begins, in Hz: below the lowest finding, rumble reaches down to 8 Hz."""
    return min([LOW, *(ROOM * one.frequency_hz for one in listed(scouting))])


def _joined(tilt: Tilt) -> tuple[np.ndarray, np.ndarray]:
    """Third octaves about each twelfth, and below those as they are."""
    low = tilt.thirds < tilt.frequencies.min(initial=np.inf) / 1.1
    smooth = tilt.departure + tilt.trend + 10.0 * np.log10(4.0)
    return (
        np.concatenate([tilt.thirds[low], tilt.frequencies]),
        np.concatenate([tilt.third_levels[low], smooth]),
    )


def _proposal(axes: Axes, scouting: Scouting, chain: Proposal | None) -> None:
    at = np.geomspace(_low(scouting), min(HIGH, 0.49 * scouting.rate), 2000)
    gain = curve(scouting, chain.moves, at) if chain else np.zeros(len(at))
    deess = _deess(chain)
    if deess is not None:
        plots.region(axes, deess.frequency, at[-1])
    plots.filled(axes, at, gain)
    plots.curve(axes, at, gain, 0)
    plots.frequency_axis(axes, _low(scouting), HIGH)
    lowest = min(-12.0, 3.0 * np.floor(max(gain.min(), DEEPEST) / 3.0))
    plots.decibel_axis(axes, lowest, 6.0, "gain, dB")
    plots.guide(axes, y=0.0)


def _deess(chain: Proposal | None) -> Deess | None:
    stages = chain.chain.stages if chain else ()
    return next((stage for stage in stages if isinstance(stage, Deess)), None)


def _row(number: int, found: Finding) -> tuple[str, str]:
    name = f"{number}  {found.kind}, {_hertz(found.frequency_hz)}"
    height = typeset(f"{found.prominence_db:+.1f} / {AGAINST[found.kind]}")
    return name, height if found.confidence >= SURE else f"({height})"


def _hertz(frequency: float) -> str:
    return f"{frequency / 1000:.3g} kHz" if frequency >= 1000 else f"{frequency:.0f} Hz"
