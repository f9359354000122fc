"""What a phone sounds like: formants of vowels, shapes of noise, natural lengths and levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# First three formants in Hz. G. E. Peterson, H. L. Barney, "Control Methods Used in a Study of
# the Vowels", J. Acoust. Soc. Am. 24 (1952), Table II, men and women; from memory.
FORMANTS = {
    "low": {
        "heed": (270.0, 2290.0, 3010.0),
        "hid": (390.0, 1990.0, 2550.0),
        "head": (530.0, 1840.0, 2480.0),
        "had": (660.0, 1720.0, 2410.0),
        "hod": (730.0, 1090.0, 2440.0),
        "hawed": (570.0, 840.0, 2410.0),
        "hood": (440.0, 1020.0, 2240.0),
        "whod": (300.0, 870.0, 2240.0),
        "hud": (640.0, 1190.0, 2390.0),
        "heard": (490.0, 1350.0, 1690.0),
    },
    "high": {
        "heed": (310.0, 2790.0, 3310.0),
        "hid": (430.0, 2480.0, 3070.0),
        "head": (610.0, 2330.0, 2990.0),
        "had": (860.0, 2050.0, 2850.0),
        "hod": (850.0, 1220.0, 2810.0),
        "hawed": (590.0, 920.0, 2710.0),
        "hood": (470.0, 1160.0, 2680.0),
        "whod": (370.0, 950.0, 2670.0),
        "hud": (760.0, 1400.0, 2780.0),
        "heard": (500.0, 1640.0, 1960.0),
    },
}
# Murmurs and glides between vowels, and the voice under /z/; from memory, men's values.
MURMURS = {
    "m": (270.0, 1000.0, 2200.0),
    "n": (270.0, 1450.0, 2300.0),
    "l": (360.0, 1000.0, 2700.0),
    "w": (300.0, 700.0, 2200.0),
    "z": (250.0, 1500.0, 2600.0),
}
MURMUR_LEVEL = {"m": 0.35, "n": 0.35, "l": 0.45, "w": 0.5, "z": 0.16}
BANDWIDTHS = (70.0, 100.0, 150.0)  # Hz; from memory
# Neutral tube, closed at one end: 17.5 cm gives resonances 1 kHz apart, a shorter one wider.
SPACING = {"low": 1000.0, "high": 1150.0}

SIBILANTS = ("s", "z", "sh", "ch")
DULL = ("f", "th")
PLOSIVES = ("p", "t", "k", "b", "d", "g")

# Seconds. Within J. Allen, M. S. Hunnicutt, D. Klatt, "From Text to Speech" (1987), Table 9-1
# (inherent and least durations), and the citation forms of Jongman, Wayland & Wong (2000).
LENGTHS = {
    "s": (0.070, 0.190),
    "z": (0.065, 0.130),
    "sh": (0.080, 0.190),
    "shut": (0.035, 0.060),
    "ch": (0.062, 0.110),
    "f": (0.060, 0.150),
    "th": (0.060, 0.140),
    "m": (0.060, 0.110),
    "n": (0.055, 0.100),
    "l": (0.050, 0.090),
    "w": (0.050, 0.080),
    "p": (0.070, 0.110),
    "t": (0.065, 0.105),
    "k": (0.070, 0.110),
    "b": (0.055, 0.080),
    "d": (0.045, 0.070),
    "g": (0.050, 0.075),
}
# Level of the noise against the vowel in dB, mean and spread. Means: A. Jongman, R. Wayland,
# S. Wong, "Acoustic characteristics of English fricatives", J. Acoust. Soc. Am. 108 (2000).
AGAINST_VOWEL = {
    "s": (-10.0, 2.2),
    "z": (-12.0, 2.0),
    "sh": (-9.0, 2.0),
    "ch": (-10.0, 2.0),
    "f": (-17.0, 1.5),
    "th": (-18.0, 1.5),
}
GREATEST_DEVIATION = 4.0  # dB from that mean
# Mean spectral peak of /s z/ and /sh zh/: 6839 and 3820 Hz in the same paper, females' about
# 700 Hz above males'; so a speaker's own mean lies about these.
SPEAKER_PEAK = {
    "low": {"s": 6500.0, "sh": 3550.0},
    "high": {"s": 7200.0, "sh": 4100.0},
}
ROUNDING = 3.0  # dB: how softly the two flanks of a noise shape meet


@dataclass(frozen=True)
class NoiseShape:
    """Spectrum of a noise: two flanks, straight in dB an octave, that meet softly at a peak.

    Parameters
    ----------
    peak : float, Hz
    below, above : float, dB an octave, > 0
        Steepness of the flanks.
    floor : float, dB
        The least, against the peak.
    """

    peak: float
    below: float
    above: float
    floor: float = -40.0

    def magnitude(self, frequencies: NDArray[np.float64]) -> NDArray[np.float64]:
        """Linear magnitude at `frequencies` in Hz; 1 at the peak, 0 at 0 Hz."""
        octaves = np.log2(np.maximum(frequencies, 1.0) / self.peak)
        flank = np.where(octaves < 0.0, self.below, self.above) * octaves
        level = np.maximum(ROUNDING - np.hypot(flank, ROUNDING), self.floor)
        return np.where(frequencies > 0.0, 10.0 ** (level / 20.0), 0.0)

    @property
    def edge(self) -> float:
        """Frequency in Hz below the peak at which half the amplitude is reached."""
        half = 20.0 * np.log10(2.0) + ROUNDING
        return float(self.peak * 2.0 ** (-np.sqrt(half**2 - ROUNDING**2) / self.below))


# Broad and flat, a little towards 7.5 kHz (spectral peaks 7733 and 7470 Hz in the same paper).
DULL_SHAPES = {
    "f": NoiseShape(7500.0, 3.0, 5.0),
    "th": NoiseShape(7200.0, 3.5, 6.0),
}
# Bursts: /p b/ diffuse and falling, /t d/ diffuse and rising, /k g/ compact in the middle.
# K. N. Stevens, S. E. Blumstein, J. Acoust. Soc. Am. 64 (1978); figures from memory.
BURSTS = {
    "p": NoiseShape(900.0, 6.0, 7.0),
    "b": NoiseShape(700.0, 6.0, 9.0),
    "t": NoiseShape(4300.0, 9.0, 9.0),
    "d": NoiseShape(3600.0, 9.0, 9.0),
    "k": NoiseShape(2100.0, 14.0, 8.0),
    "g": NoiseShape(1900.0, 14.0, 9.0),
}
BREATH = NoiseShape(1900.0, 5.0, 5.5)
