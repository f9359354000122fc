"""How many planted resonances are found, and whether the proposed cut takes them away again.

``python tests/benchmarks/resonances.py [--kinds pink glide demo speech] [--seeds 300:400]``

For each kind and seed a clean signal is made, then one resonance is planted in it: 150 Hz to 8 kHz
(even over log frequency), Q 5 to 20, 6 to 12 dB. A finding counts as

- *found* when it lies within 3 % of the planted frequency and 30 % of its Q;
- *sure* when its confidence is above one half as well;
- *level* when it is found, and its cut, applied with chainkit's own EQ, brings the prominence back
  to within 1.5 dB of what it was before planting.

Prominence is read from the sound, from the long-term power spectrum in steps of 4 Hz or less, each
time in the same two ways:

- *own*: the level of the planted bell's own band (f / Q wide) against the mean of the levels, in
  dB, of half an octave on either side of three such bands. It is the harsher one: the band is no
  wider than the fault, so nothing of an error is diluted. It decides about *level*.
- *ratio*: the prominence ratio of ECMA-418-1, critical band against its neighbours. At low
  frequencies a critical band is many times as wide as the fault, at high ones the fault reaches
  into its neighbours, so it reacts less to both the fault and a wrong cut. Told beside the other.

Of all findings above one half in planted signals, *planted* tells the share that are the planted
one (within 3 %); *alarms* are findings above one half in the clean signals. Speech needs the
library of espeak-ng.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from chainkit.dsp import filters, prominence, voice
from chainkit.dsp.cascade import Cascade
from chainkit.dsp.levels import to_gain
from chainkit.dsp.longterm import LongTerm
from chainkit.dsp.ringing.resonance import Resonance, find_resonances

Samples = NDArray[np.float64]

RATE = 48000
NEAR, ALIKE, LEVEL, SURE = 0.03, 0.3, 1.5, 0.5
STEP = 4.0  # Hz, of the long-term spectrum
STEPS_INSIDE = 8.0  # at least, in the planted band

SENTENCES = (
    "The measured curve rises above the floor near the window, and several shapes drift away.",
    "She sells fresh fish each Sunday, but nobody knows why the harbour master refuses to buy any.",
    "A brown animal jumped over its lazy neighbour while seven judges measured the treasure.",
    "Please call the office before noon; we shall need five large boxes and much more time.",
    "Under heavy clouds the engine started, pulling eighty wagons through the narrow valley.",
    "Young people often argue about the weather, yet few of them ever carry an umbrella.",
    "Every voice has its own colour, and every room gives its shadow to what is spoken in it.",
    "Both brothers thought that the northern path would be shorter, though they had been warned.",
    "How odd that a choir of twelve could fill the hall, where the old organ had been so quiet!",
    "Do you remember which of the two keys opened the blue door at the end of the garden?",
)
SPEAKERS = ("gmw/en", "gmw/en-US", "gmw/en-GB-scotland", "gmw/en+f2", "gmw/en-US+f4",
            "gmw/en-US+m3", "gmw/en+m7", "gmw/en+f5")  # fmt: skip


def pink(rng: np.random.Generator, seconds: float) -> tuple[Samples, int]:
    """Noise of equal power in each octave above 10 Hz."""
    frames = round(seconds * RATE)
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    frequencies = np.fft.rfftfreq(frames, 1.0 / RATE)
    spectrum /= np.sqrt(np.maximum(frequencies, 10.0))
    return _scaled(np.fft.irfft(spectrum, frames)), RATE


def glide(rng: np.random.Generator, seconds: float) -> tuple[Samples, int]:
    """Harmonics of a pitch that goes up and down by one to two octaves, in straight lines or waves.

    A way up or down takes 4 to 10 s.
    """
    ways = np.arange(round(seconds * RATE)) / RATE / rng.uniform(4.0, 10.0) + rng.uniform(0.0, 2.0)
    straight = np.abs((ways + 1.0) % 2.0 - 1.0)
    place = straight if rng.random() < 0.5 else 0.5 - 0.5 * np.cos(np.pi * ways)
    pitch = rng.uniform(80.0, 140.0) * 2.0 ** (rng.uniform(1.0, 2.0) * place)
    phase = 2.0 * np.pi * np.cumsum(pitch) / RATE
    slope, x = rng.uniform(-12.0, -3.0), np.zeros(len(pitch))
    for number in range(1, int(0.47 * RATE / pitch.min()) + 1):
        fade = np.clip((0.47 * RATE - number * pitch) / (0.02 * RATE), 0.0, 1.0)
        start = rng.uniform(0.0, 2.0 * np.pi)
        x += to_gain(slope * np.log2(number)) * fade * np.sin(number * phase + start)
    return _scaled(x), RATE


def held(rng: np.random.Generator, seconds: float) -> tuple[Samples, int]:
    """One note, half of the time with vibrato; the sound of a vowel in half of them."""
    time = np.arange(round(seconds * RATE)) / RATE
    depth = 2.0 ** (rng.uniform(0.0, 50.0) / 1200.0) - 1.0 if rng.random() < 0.5 else 0.0
    pitch = rng.uniform(80.0, 500.0) * (
        1.0 + depth * np.sin(2 * np.pi * rng.uniform(4.5, 6.5) * time)
    )
    phase = 2.0 * np.pi * np.cumsum(pitch) / RATE
    slope, x = rng.uniform(-12.0, -6.0), np.zeros(len(pitch))
    for number in range(1, int(0.45 * RATE / pitch.max()) + 1):
        x += to_gain(slope * np.log2(number)) * np.sin(number * phase + rng.uniform(0.0, 7.0))
    if rng.random() < 0.5:
        for low, high, width in ((300, 800, 70), (900, 2200, 90), (2300, 3000, 130)):
            middle = rng.uniform(low, high)
            bell = filters.bell(RATE, middle, 15.0, middle / width / 3.0)
            x = Cascade(bell, 1).process(x[:, None])[:, 0]
    return _scaled(x), RATE


def demo(rng: np.random.Generator, seconds: float) -> tuple[Samples, int]:
    """The invented voice, low or high."""
    register = ("low", "high")[int(rng.integers(2))]
    song = voice.sing(RATE, seconds=seconds, register=register, seed=int(rng.integers(10**6)))
    return song.voice[:, 0], RATE


def speech(rng: np.random.Generator, seconds: float) -> tuple[Samples, int]:
    """Synthetic speech of several voices, at the synthesiser's own rate."""
    from data.espeak import speak

    name = SPEAKERS[int(rng.integers(len(SPEAKERS)))]
    speed, pitch = int(rng.integers(120, 180)), int(rng.integers(25, 75))
    parts, left, rate = [], np.inf, RATE
    while left > 0.0:
        text = " ".join(SENTENCES[at] for at in rng.permutation(len(SENTENCES)))
        x, rate, _ = speak(text, name, speed=speed, pitch=pitch)
        parts.append(x[:, 0])
        left = seconds * rate - sum(map(len, parts))
    return np.concatenate(parts)[: round(seconds * rate)], rate


def _scaled(x: Samples) -> Samples:
    return 0.1 * x / x.std()


KINDS: dict[str, Callable[[np.random.Generator, float], tuple[Samples, int]]] = {
    "pink": pink,
    "glide": glide,
    "demo": demo,
    "speech": speech,
    "held": held,
}


def drawn(rng: np.random.Generator) -> voice.PlantedResonance:
    """What is planted."""
    frequency = 150.0 * (8000.0 / 150.0) ** rng.random()
    return voice.PlantedResonance(frequency, rng.uniform(5.0, 20.0), rng.uniform(6.0, 12.0))


def made(kind: str, seed: int, seconds: float) -> tuple[Samples, int, voice.PlantedResonance]:
    """A clean signal, its rate, and what is to be planted."""
    rng = np.random.default_rng([seed, list(KINDS).index(kind)])
    planted = drawn(rng)
    return *KINDS[kind](rng, seconds), planted


@dataclass(frozen=True)
class Prominences:
    """Of one place, in dB."""

    own: float
    ratio: float

    @staticmethod
    def of(x: Samples, rate: int, planted: voice.PlantedResonance) -> Prominences:
        """Prominences at the planted place, whether or not it has been planted yet."""
        width = planted.frequency / planted.q
        step = min(STEP, width / STEPS_INSIDE)
        powers = LongTerm(x, rate, step).powers
        ratio = prominence.prominence_ratio(powers, step, planted.frequency)
        return Prominences(_own(powers, step, planted.frequency, width), ratio)


def _own(powers: Samples, step: float, frequency: float, width: float) -> float:
    def edges(times: float) -> tuple[float, float]:
        half = times * width / 2.0
        high = half + np.hypot(half, frequency)  # geometric mean: the frequency itself
        return high - 2.0 * half, high

    def level(low: float, high: float) -> float:
        inside = powers[round(low / step) : round(high / step) + 1]
        return 10.0 * float(np.log10(inside.mean()))

    low, high = edges(3.0)
    around = (level(low / np.sqrt(2.0), low) + level(high, high * np.sqrt(2.0))) / 2.0
    return level(*edges(1.0)) - around


@dataclass(frozen=True)
class Trial:
    """What came of one planted resonance.

    Attributes
    ----------
    planted : PlantedResonance
    nearest : Resonance or None
        The finding nearest to it.
    before, after : Prominences
        Before planting, and after the nearest finding's cut.
    others : list of float
        Confidences of all other findings.
    """

    planted: voice.PlantedResonance
    nearest: Resonance | None
    before: Prominences
    after: Prominences
    others: list[float]

    @property
    def near(self) -> bool:
        found = self.nearest
        return found is not None and abs(found.frequency / self.planted.frequency - 1.0) < NEAR

    @property
    def found(self) -> bool:
        found = self.nearest
        return found is not None and self.near and abs(found.q / self.planted.q - 1.0) < ALIKE

    @property
    def sure(self) -> bool:
        return self.nearest is not None and self.nearest.confidence > SURE

    @property
    def own(self) -> bool:
        return self.found and abs(self.after.own - self.before.own) < LEVEL

    @property
    def ratio(self) -> bool:
        return self.found and abs(self.after.ratio - self.before.ratio) < LEVEL


def tried(kind: str, seed: int, seconds: float) -> Trial:
    """Plant, find, cut, measure."""
    clean, rate, planted = made(kind, seed, seconds)
    x = voice.plant(clean, rate, planted)
    found = find_resonances(x, rate)
    nearest = min(
        found, key=lambda one: abs(np.log(one.frequency / planted.frequency)), default=None
    )
    after = x
    if nearest is not None:
        cut = filters.bell(rate, nearest.frequency, -nearest.gain_db, nearest.q)
        after = Cascade(cut, 1).process(np.ascontiguousarray(x[:, None]))[:, 0]
    return Trial(
        planted,
        nearest,
        Prominences.of(clean, rate, planted),
        Prominences.of(after, rate, planted),
        [one.confidence for one in found if one is not nearest],
    )


def alarms(kind: str, seed: int, seconds: float) -> list[Resonance]:
    """Findings above one half where nothing was planted."""
    clean, rate, _ = made(kind, seed, seconds)
    return [one for one in find_resonances(clean, rate) if one.confidence > SURE]


def told(kind: str, seed: int, trial: Trial) -> str:
    """One line about a trial that missed."""
    planted, found = trial.planted, trial.nearest
    line = f"  {kind} {seed}: {planted.frequency:.0f} Hz, Q {planted.q:.1f}, {planted.gain:.1f} dB"
    if found is None:
        return f"{line}; nothing found"
    return (
        f"{line}; nearest {found.frequency:.0f} Hz, Q {found.q:.1f}, {found.gain_db:.1f} dB, "
        f"confidence {found.confidence:.2f}; own {trial.after.own - trial.before.own:+.1f} dB"
    )


def row(kind: str, trials: list[Trial], false: list[list[Resonance]]) -> str:
    """A row of the table."""
    counts = [sum(getattr(trial, name) for trial in trials) for name in ("found", "own", "ratio")]
    right = sum(trial.near and trial.sure for trial in trials)
    sure = sum(trial.sure for trial in trials)
    sure += sum(other > SURE for trial in trials for other in trial.others)
    certain = sum(trial.found and trial.sure for trial in trials)
    heads = [len(trials), counts[0], certain, *counts[1:], f"{right} of {sure}"]
    heads.append(f"{sum(map(len, false))} in {len(false)}")
    return "| " + " | ".join(map(str, [kind, *heads])) + " |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS)[:4])
    parser.add_argument("--seeds", default="0:40", help="first and one past the last")
    parser.add_argument("--seconds", type=float, default=40.0)
    parser.add_argument("--misses", action="store_true", help="tell each one")
    options = parser.parse_args()
    seeds = range(*map(int, options.seeds.split(":")))
    rows = []
    for kind in options.kinds:
        trials = []
        if kind != "held":  # nothing can be known of a resonance under one note
            for seed in seeds:
                trials.append(tried(kind, seed, options.seconds))
                if options.misses and not trials[-1].own:
                    print(told(kind, seed, trials[-1]), flush=True)
        false = [alarms(kind, seed, options.seconds) for seed in seeds]
        rows.append(row(kind, trials, false))
    print(
        "| kind | trials | found | found, sure | level (own) | level (ratio) | planted | alarms |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    print("\n".join(rows))


if __name__ == "__main__":
    import sys

    sys.path.insert(0, str(Path(__file__).parents[1]))
    main()
