"""The voiced part of a phrase: glottal pulses with vibrato and glides, through moving formants."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp.voice import phones
from chainkit.dsp.voice.score import Line, Phone

Track = NDArray[np.float64]

CONTROL_RATE = 500  # Hz, of the tracks below
PITCH_GLIDE = 0.11  # seconds that one note takes to reach the next
FORMANT_GLIDE, AMPLITUDE_GLIDE, END_FADE = 0.06, 0.03, 0.3  # seconds
BRIGHT = 11.0  # dB above SHELF in a bright vowel
SHELF = 2500.0  # Hz
SOFT_TILT = 0.7  # dB that the shelf falls for each dB a phrase is softer
TABLE = 8192  # points of one pulse
HOP_SECONDS = 0.008  # of the moving filter


@dataclass(frozen=True)
class Timbre:
    """What one singer keeps throughout: register, vibrato, breathiness, own noise peaks."""

    register: str
    vibrato_hz: float
    vibrato_cents: float
    breathiness: float
    size: float
    s_peak: float
    sh_peak: float
    above: float


@dataclass(frozen=True)
class Tracks:
    """How pitch (Hz), amplitude, formants (Hz) and shelf (dB) move, at CONTROL_RATE."""

    pitch: Track
    amplitude: Track
    formants: Track
    shelf: Track

    @property
    def times(self) -> Track:
        """Seconds of each point."""
        return np.arange(len(self.pitch)) / CONTROL_RATE


def tracks(
    line: Line, origin: float, seconds: float, timbre: Timbre, rng: np.random.Generator
) -> Tracks:
    """Control tracks of `line` over `seconds` from `origin`."""
    count = int(np.ceil(seconds * CONTROL_RATE)) + 1
    times = origin + np.arange(count) / CONTROL_RATE
    starts = np.array([phone.start for phone in line.phones])
    place = np.clip(np.searchsorted(starts, times, side="right") - 1, 0, len(starts) - 1)
    sounding = (times >= line.start) & (times < line.end)
    pitch = _pitch(line, times, place, timbre, rng)
    amplitude = np.array([_amplitude(phone) for phone in line.phones])[place] * sounding
    amplitude = _smooth(amplitude, AMPLITUDE_GLIDE) * _fading(line, times)
    amplitude *= 10.0 ** (_wander(rng, count, 0.3) / 20.0)  # unsteady by about a dB
    formants = np.exp(_smooth(np.log(_targets(line, timbre))[place], FORMANT_GLIDE))
    # A singer lifts the first formant with the pitch: below it the voice would go thin.
    formants[:, 0] = np.maximum(formants[:, 0], 1.02 * pitch)
    shelf = np.array([BRIGHT * phone.bright for phone in line.phones])[place]
    return Tracks(pitch, amplitude, formants, _smooth(shelf + SOFT_TILT * min(line.level, 0), 0.06))


def voiced(
    tracks: Tracks, frames: int, rate: int, timbre: Timbre, rng: np.random.Generator
) -> tuple[Track, Track]:
    """Sound of `tracks`, and the phase of its pulses in turns; both (frames,).

    The pulses are made at twice the rate, with harmonics up to three times the band: what folds
    back then folds into the upper half, which the moving filter leaves out.
    """
    doubled = 2 * rate
    times = np.arange(2 * frames) / doubled
    phase = np.cumsum(np.interp(times, tracks.times, tracks.pitch)) / doubled
    harmonics = int(1.5 * rate / tracks.pitch.max())
    pulses = np.interp(phase % 1.0, np.arange(TABLE + 1) / TABLE, _pulse(harmonics))
    # Turbulence at the glottis: rises 6 dB an octave, strongest while the glottis is open.
    hiss = np.diff(rng.standard_normal(2 * frames), prepend=0.0) * (doubled / 96e3) ** 1.5
    open_share = 0.5 + 0.5 * np.cos(2 * np.pi * phase)
    source = pulses + timbre.breathiness * open_share * hiss
    source *= np.interp(times, tracks.times, tracks.amplitude)
    return _halved_through(source, rate, _response_of(tracks, timbre)), phase[::2]


def _amplitude(phone: Phone) -> float:
    if phone.symbol in phones.MURMUR_LEVEL:
        return phones.MURMUR_LEVEL[phone.symbol]
    if phone.symbol in ("b", "d", "g"):
        return 0.1
    return 0.0 if phone.symbol in phones.LENGTHS else 1.0


def _fading(line: Line, times: Track) -> Track:
    """A phrase that ends on a vowel dies away over its last third of a second."""
    open_end = line.phones[-1].symbol not in phones.LENGTHS
    left = np.clip((line.end - times) / END_FADE, 0.0, 1.0)
    return np.asarray(np.sin(np.pi / 2 * left) if open_end else np.ones(len(times)))


def _targets(line: Line, timbre: Timbre) -> Track:
    """Formants of each phone; a voiceless one takes those of the vowel that follows, or precedes.

    That is how a mouth moves: the vowel's shape is there before its voice is.
    """
    table = {**phones.MURMURS, **phones.FORMANTS[timbre.register]}
    shapes = [table.get(phone.symbol, ()) for phone in line.phones]
    known = [place for place, shape in enumerate(shapes) if shape]
    near = [next((k for k in known if k >= place), known[-1]) for place in range(len(shapes))]
    return np.array([shapes[place] for place in near]) * timbre.size


def _pitch(
    line: Line, times: Track, place: NDArray[np.intp], timbre: Timbre, rng: np.random.Generator
) -> Track:
    log_pitch = _smooth(np.log2([phone.hz for phone in line.phones])[place], PITCH_GLIDE)
    since = times - np.array([phone.start for phone in line.phones])[place]
    grown = np.clip((since - 0.12) / 0.25, 0.0, 1.0)  # vibrato comes in once a note is held
    vibrato = np.sin(2 * np.pi * (timbre.vibrato_hz * times + rng.uniform()))
    cents = timbre.vibrato_cents * grown * vibrato + 7.0 * _wander(rng, len(times), 0.15)
    return np.asarray(2.0 ** (log_pitch + cents / 1200.0))


def _wander(rng: np.random.Generator, count: int, seconds: float) -> Track:
    """Slow random movement about 0, standard deviation 1."""
    wander = _smooth(rng.standard_normal(count), seconds)
    return np.asarray(wander / float(np.std(wander)))


def _smooth(track: Track, seconds: float) -> Track:
    """Each column averaged under a raised cosine of `seconds`; the ends are held."""
    half = max(int(seconds * CONTROL_RATE / 2), 1)
    kernel = np.hanning(2 * half + 3)[1:-1]
    kernel /= kernel.sum()
    columns = track.reshape(len(track), -1).T
    held = np.pad(columns, ((0, 0), (half, half)), mode="edge")
    return np.array([np.convolve(c, kernel, mode="valid") for c in held]).T.reshape(track.shape)


def _pulse(harmonics: int) -> Track:
    """One turn of the radiated glottal pulse: harmonics falling 6 dB an octave.

    The flow falls 12 dB an octave, radiation at the lips gives 6 back. G. Fant, "Acoustic Theory
    of Speech Production" (1960); from memory.
    """
    spectrum = np.zeros(TABLE // 2 + 1, dtype=complex)
    count = min(harmonics, TABLE // 2 - 1)
    spectrum[1 : count + 1] = -0.5j * TABLE / np.arange(1, count + 1)
    turn = np.fft.irfft(spectrum, TABLE)
    return np.append(turn, turn[0])


def _response_of(
    tracks: Tracks, timbre: Timbre
) -> Callable[[Track, Track], NDArray[np.complex128]]:
    spacing = phones.SPACING[timbre.register] * timbre.size

    def response(seconds: Track, frequencies: Track) -> NDArray[np.complex128]:
        """Transfer of the vocal tract, (times, frequencies)."""
        below = np.ones((len(seconds), len(frequencies)), dtype=complex)
        for formant, bandwidth in zip(tracks.formants.T, phones.BANDWIDTHS, strict=True):
            at = np.interp(seconds, tracks.times, formant)[:, None]
            below *= _damping(frequencies, at, bandwidth)
        whole = _upper_formants(frequencies, spacing) / below
        gain = 10.0 ** (np.interp(seconds, tracks.times, tracks.shelf) / 10.0)[:, None]
        square = (frequencies / SHELF) ** 2
        return np.asarray(whole * np.sqrt((1.0 + gain * square) / (1.0 + square)))

    return response


def _damping(frequencies: Track, centre: Track | float, bandwidth: float) -> NDArray[np.complex128]:
    """Denominator of a resonance that passes low frequencies unchanged."""
    ratio = frequencies / centre
    return np.asarray(1.0 - ratio * ratio + 1j * (bandwidth / centre) * ratio)


def _upper_formants(frequencies: Track, spacing: float) -> NDArray[np.complex128]:
    """Fourth formant and all above it: of a neutral tube, evenly spaced and ever duller."""
    below = np.ones(len(frequencies), dtype=complex)
    for number in range(4, int(32e3 / spacing)):
        centre = spacing * (number - 0.5)
        below *= _damping(frequencies, centre, 120.0 + 0.05 * centre)
    return np.asarray(1.0 / below, dtype=complex)


def _halved_through(
    source: Track, rate: int, response: Callable[[Track, Track], NDArray[np.complex128]]
) -> Track:
    """`source` at twice `rate` through a moving filter, given back at `rate`.

    Overlapping raised-cosine frames, each through the filter of its middle; a frame's ringing has
    as much room as the frame.
    """
    hop = 32 * max(round(rate * HOP_SECONDS / 32), 1)  # a length that transforms quickly
    window = np.hanning(8 * hop + 1)[:-1] / 2.0  # four overlapping sum to 1
    count = len(source) // (2 * hop) + 4
    padded = np.zeros(2 * hop * (count + 4))
    padded[6 * hop : 6 * hop + len(source)] = source
    views = np.lib.stride_tricks.sliding_window_view(padded, 8 * hop)[:: 2 * hop][:count]
    middles = (np.arange(count) - 1) * hop / rate
    frequencies = np.arange(4 * hop + 1) * rate / (8 * hop)
    spectra = np.fft.rfft(views * window, 16 * hop, axis=1)[:, : 4 * hop + 1]
    pieces = np.fft.irfft(spectra * response(middles, frequencies), 8 * hop, axis=1) / 2.0
    out = np.zeros(hop * (count + 8))
    for number, piece in enumerate(pieces):
        out[number * hop : (number + 8) * hop] += piece
    return out[3 * hop : 3 * hop + len(source) // 2]
