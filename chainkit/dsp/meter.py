"""Everything that is measured of a voice, in one pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.amplitude import AmplitudeMeter
from chainkit.dsp.levels import difference
from chainkit.dsp.loudness import LoudnessMeter
from chainkit.dsp.sibilance import Sibilant, SibilantDetector
from chainkit.dsp.spectrum import Spectrum, SpectrumMeter
from chainkit.dsp.truepeak import TruePeakMeter


@dataclass(frozen=True, eq=False)
class Measurement:
    """Figures of one programme; one that does not exist, such as the loudness of silence, is None.

    Attributes
    ----------
    frames : int
    rate : int, Hz
    channels : int
    seconds : float
    integrated_lufs, short_term_max_lufs, momentary_max_lufs : float or None
        Loudness by ITU-R BS.1770-5; maxima of 3 s and 400 ms windows on a 10 ms step.
    loudest_channel_lufs : float or None
        Integrated loudness of the loudest channel, each as a mono programme of its own, as the
        working level counts it; an LFE is left out.
    loudness_range_lu : float or None
        By EBU Tech 3342.
    true_peak_dbtp : float or None
    sample_peak_dbfs : float or None
    rms_dbfs : float or None
        Over all frames and channels.
    crest_db : float or None
        Sample peak against RMS.
    peak_to_loudness_db : float or None
        True peak against integrated loudness.
    dc_offset : float, full scale ±1
        Mean of the channel whose mean lies farthest from zero.
    clipped_runs : int or None
        Runs of 3 or more frames of one value at or above full scale; None where the peak is above
        `amplitude.INTEGERS`, so that full scale is not known.
    first_clipped_seconds : float or None
    noise_floor_dbfs : float or None
        Level of the noise in the pauses, see `amplitude.AmplitudeMeter.noise_floor`.
    sounding_share : float, 0 to 1
        Share of time in which the voice sounds, see `amplitude`.
    low_mid_db, presence_db, air_db : float or None
        Power of 200 to 500 Hz, 2 to 5 kHz, 10 to 16 kHz (third-octave bands of these nominal
        frequencies, both included) against the whole spectrum, while the voice sounds.
    sibilance_index_db : float or None
        Loudness of the sibilants against the rest of the voice.
    sibilants_a_minute : float
    sibilants_median_db, sibilants_p95_db : float or None
        Median and 95th percentile of the sibilants' level against the voice around them.
    sibilants : tuple of Sibilant
    spectrum : Spectrum
        Long-term average while the voice sounds.
    momentary_lufs, short_term_lufs : ndarray, one value each 100 ms
        Loudness of the 400 ms and the 3 s that end 0.4, 0.5, … s and 3.0, 3.1, … s into the
        programme; −inf for silence.
    """

    frames: int
    rate: int
    channels: int
    seconds: float
    integrated_lufs: float | None
    short_term_max_lufs: float | None
    momentary_max_lufs: float | None
    loudest_channel_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None
    rms_dbfs: float | None
    crest_db: float | None
    peak_to_loudness_db: float | None
    dc_offset: float
    clipped_runs: int | None
    first_clipped_seconds: float | None
    noise_floor_dbfs: float | None
    sounding_share: float
    low_mid_db: float | None
    presence_db: float | None
    air_db: float | None
    sibilance_index_db: float | None
    sibilants_a_minute: float
    sibilants_median_db: float | None
    sibilants_p95_db: float | None
    sibilants: tuple[Sibilant, ...]
    spectrum: Spectrum
    momentary_lufs: NDArray[np.float64]
    short_term_lufs: NDArray[np.float64]

    def as_dict(self, fraction: int = 3) -> dict[str, Any]:
        """The figures as plain values, the loudness over time left out.

        Parameters
        ----------
        fraction : int
            The spectrum is in bands of 1/`fraction` octave; see `Spectrum.bands`.

        Returns
        -------
        dict

        Raises
        ------
        ValueError
            The spectrum has no bands of that width.
        """
        plain = {
            field.name: getattr(self, field.name)
            for field in fields(self)
            if field.name not in ("sibilants", "spectrum", "momentary_lufs", "short_term_lufs")
        }
        return plain | {
            "sibilants": [_plain(sibilant) for sibilant in self.sibilants],
            "spectrum": [_plain(band) for band in self.spectrum.bands(fraction)],
        }


class VoiceMeter:
    """Streaming measure of one programme.

    The same bits however the programme is cut into blocks; memory grows by one number for each
    100 ms and by the sibilants.

    Parameters
    ----------
    rate : int, Hz
    channels : int

    Attributes
    ----------
    loudness : LoudnessMeter
    """

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._channels = channels
        self._amplitude = AmplitudeMeter(rate, channels)
        self.loudness = LoudnessMeter(rate, channels)
        self._peak = TruePeakMeter(channels)
        self._spectrum = SpectrumMeter(rate, channels)
        self._sibilants = SibilantDetector(rate, channels)

    def add(self, x: NDArray[np.float64]) -> None:
        """Take the next frames.

        Parameters
        ----------
        x : ndarray, (frames, channels)
        """
        self._amplitude.add(x)
        self.loudness.add(x)
        self._peak.add(x)
        self._spectrum.add(x)
        self._sibilants.add(x)

    def finish(self) -> Measurement:
        """Close all meters and give their figures."""
        seconds = self._amplitude.frames / self._rate
        spectrum = self._spectrum.finish(self._amplitude.gate())
        sibilance = self._sibilants.finish()
        return Measurement(
            frames=self._amplitude.frames,
            rate=self._rate,
            channels=self._channels,
            seconds=seconds,
            **self._levels(),
            low_mid_db=spectrum.balance("low_mid"),
            presence_db=spectrum.balance("presence"),
            air_db=spectrum.balance("air"),
            sibilance_index_db=sibilance.index_db,
            **_summary(sibilance.sibilants, seconds),
            sibilants=sibilance.sibilants,
            spectrum=spectrum,
            momentary_lufs=self.loudness.momentary(),
            short_term_lufs=self.loudness.short_term(),
        )

    def _levels(self) -> dict[str, Any]:
        amplitude, loudness = self._amplitude, self.loudness
        integrated, peak = loudness.integrated(), self._true_peak()
        return {
            "integrated_lufs": integrated,
            "short_term_max_lufs": loudness.short_term_max(),
            "momentary_max_lufs": loudness.momentary_max(),
            "loudest_channel_lufs": loudness.loudest_channel(),
            "loudness_range_lu": loudness.range(),
            "true_peak_dbtp": peak,
            "sample_peak_dbfs": amplitude.sample_peak(),
            "rms_dbfs": amplitude.rms(),
            "crest_db": difference(amplitude.sample_peak(), amplitude.rms()),
            "peak_to_loudness_db": difference(peak, integrated),
            "dc_offset": amplitude.dc_offset(),
            "clipped_runs": amplitude.clipped_runs(),
            "first_clipped_seconds": amplitude.first_clipped(),
            "noise_floor_dbfs": amplitude.noise_floor(),
            "sounding_share": amplitude.sounding_share(),
        }

    def _true_peak(self) -> float | None:
        """True peak, which single precision must not put below the greatest sample."""
        peak, sample = self._peak.dbtp(), self._amplitude.sample_peak()
        return peak if peak is None or sample is None else max(peak, sample)


def _summary(sibilants: Sequence[Sibilant], seconds: float) -> dict[str, Any]:
    levels = [sibilant.against_voice_db for sibilant in sibilants]
    return {
        "sibilants_a_minute": 60.0 * len(levels) / seconds if seconds else 0.0,
        "sibilants_median_db": float(np.median(levels)) if levels else None,
        "sibilants_p95_db": float(np.percentile(levels, 95.0)) if levels else None,
    }


def _plain(record: Any) -> dict[str, Any]:
    return {field.name: getattr(record, field.name) for field in fields(record)}
