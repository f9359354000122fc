"""What is sung, and when: phrases of syllables, drawn from seeded decks.

A deck deals each of its cards before any comes again, so even a short song has every kind of
sound in it. Nothing here depends on the sample rate.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np

from chainkit.dsp.voice import phones
from chainkit.dsp.voice.truth import Span

SHUT = "shut"  # the closure of /ch/
ONSETS = (
    ("s",), ("s",), ("s",), ("s", "t"), ("z",), ("z",), ("sh",), (SHUT, "ch"), ("f",), ("th",),
    ("p",), ("t",), ("k",), ("b",), ("d",), ("g",), ("m",), ("n",), ("l",), ("w",), (),
)  # fmt: skip
CODAS = (
    (), (), (), (), (), (), ("s",), ("s",), ("z",), ("sh",), ("t",), ("k",), ("f",), ("n",), ("m",),
)  # fmt: skip
SYLLABLES = (4, 5, 6, 7, 8, 9)
VOWEL_SECONDS = (0.14, 0.18, 0.22, 0.26, 0.30, 0.38, 0.48)
LAST_VOWEL_SECONDS = (0.55, 0.95)
PHRASE_LEVELS = (-9.0, -6.5, -4.5, -3.0, -1.5, 0.0, 1.5)  # dB against the song's own level
BREATH_SECONDS = (0.2, 0.48)
PAUSE_SECONDS = (0.3, 1.1)
LEAD_SECONDS = (0.5, 0.8)  # ahead of the first phrase
TAIL_SECONDS = 0.35
STEPS = (0, 3, 5, 7, 10, 12, 15)  # semitones above the lowest note: a pentatonic scale
LOWEST = {"low": 98.0, "high": 233.08}  # Hz
MOVES = (-2, -1, -1, 0, 1, 1, 2)  # steps of the scale from note to note

Card = TypeVar("Card")


class Deck(Generic[Card]):
    """Cards dealt in a shuffled order, each once before any is dealt again."""

    def __init__(self, rng: np.random.Generator, cards: Sequence[Card]) -> None:
        self._rng = rng
        self._cards = cards
        self._left: list[Card] = []

    def deal(self, fits: Callable[[Card], bool] = lambda card: True) -> Card:
        """Next card for which `fits` holds; the others stay where they are."""
        found = next((card for card in self._left if fits(card)), None)
        while found is None:
            self._left += [self._cards[i] for i in self._rng.permutation(len(self._cards))]
            found = next((card for card in self._left if fits(card)), None)
        self._left.remove(found)
        return found


@dataclass(frozen=True)
class Phone(Span):
    """One sound of a phrase; `hz` is the pitch of its syllable."""

    symbol: str
    hz: float
    bright: bool


@dataclass(frozen=True)
class Line:
    """A phrase: its sounds, its level in dB against the song's, the breath taken for it."""

    phones: tuple[Phone, ...]
    level: float
    breath: Span | None

    @property
    def start(self) -> float:
        """Second at which it begins."""
        return self.phones[0].start

    @property
    def end(self) -> float:
        """Second at which it ends."""
        return self.phones[-1].end


class Composer:
    """Draws phrases one after another.

    Parameters
    ----------
    rng : numpy.random.Generator
    register : str
        "low" or "high".
    """

    def __init__(self, rng: np.random.Generator, register: str) -> None:
        self._rng = rng
        self._lowest = LOWEST[register]
        self._onsets: Deck[tuple[str, ...]] = Deck(rng, ONSETS)
        self._codas: Deck[tuple[str, ...]] = Deck(rng, CODAS)
        self._vowels: Deck[str] = Deck(rng, tuple(phones.FORMANTS[register]))
        self._lengths: Deck[float] = Deck(rng, VOWEL_SECONDS)
        self._sizes: Deck[int] = Deck(rng, SYLLABLES)
        self._levels: Deck[float] = Deck(rng, PHRASE_LEVELS)
        self._breaths: Deck[bool] = Deck(rng, (True, True, True, False))
        self._bright: Deck[bool] = Deck(rng, (True, False, False, False))

    def song(self, seconds: float) -> list[Line]:
        """Phrases that fill `seconds`, silence left at both ends."""
        lines: list[Line] = []
        clock = self._rng.uniform(*LEAD_SECONDS)
        while (line := self._line(clock, seconds - TAIL_SECONDS)) is not None:
            lines.append(line)
            clock = line.end + self._rng.uniform(*PAUSE_SECONDS)
        return lines

    def _line(self, clock: float, limit: float) -> Line | None:
        breath = self._breath(clock)
        start = breath.end + self._rng.uniform(0.03, 0.12) if breath else clock
        sounds = self._sounds(start, limit)
        level = self._levels.deal() + self._rng.uniform(-0.7, 0.7)
        return Line(sounds, level, breath) if sounds else None

    def _breath(self, clock: float) -> Span | None:
        length = self._rng.uniform(*BREATH_SECONDS)
        return Span(clock, clock + length) if self._breaths.deal() else None

    def _sounds(self, clock: float, limit: float) -> tuple[Phone, ...]:
        """Syllables of one phrase, as many as end ahead of `limit`."""
        sung: list[Phone] = []
        step = int(self._rng.integers(1, len(STEPS) - 1))
        size = self._sizes.deal()
        for place in range(size):
            last = place == size - 1
            syllable = self._syllable(clock, step, last, sung[-1].symbol if sung else "")
            if syllable[-1].end > limit:
                break
            sung += syllable
            clock = syllable[-1].end
            step = int(np.clip(step + self._rng.choice(MOVES), 0, len(STEPS) - 1))
        return tuple(sung)

    def _syllable(self, clock: float, step: int, last: bool, before: str) -> list[Phone]:
        onset = self._onsets.deal(lambda card: _may_follow(before, card))
        if not before and onset[:1] == (SHUT,):
            onset = onset[1:]
        symbols = (*onset, self._vowels.deal(), *self._codas.deal())
        hz = self._lowest * 2.0 ** (STEPS[step] / 12.0)
        bright = self._bright.deal()
        syllable = []
        for symbol in symbols:
            end = clock + self._length(symbol, last)
            syllable.append(Phone(clock, end, symbol, hz, bright))
            clock = end
        return syllable

    def _length(self, symbol: str, last: bool) -> float:
        if symbol in phones.LENGTHS:
            return float(self._rng.uniform(*phones.LENGTHS[symbol]))
        if last:
            return float(self._rng.uniform(*LAST_VOWEL_SECONDS))
        return self._lengths.deal() * float(self._rng.uniform(0.9, 1.1))


def _may_follow(before: str, onset: tuple[str, ...]) -> bool:
    """No hiss begins straight behind a hiss or a burst, so that each has an onset of its own."""
    hisses = phones.SIBILANTS + phones.DULL
    starts_with_hiss = bool(onset) and onset[0] in (*hisses, SHUT)
    return not (starts_with_hiss and before in hisses + phones.PLOSIVES)
