"""An invented sung voice with its ground truth: what is sung, when, and how loud.

``sing`` composes a score (`score`) and gives it sound (`take`): a voice (`throat`) and noises
(`noise`) after published phonetics (`phones`). It is made to be a fair hard test for detectors:
sibilants at natural levels beside breaths, plosives, /f/ and /th/, bright vowels, pitch glides,
phrases at different levels, room tone, and, where asked for, a resonance that does not move with
the pitch.

Nothing of it is a recording, and one seed gives the same song at every rate.
"""

from __future__ import annotations

from chainkit.dsp.voice.resonance import PlantedResonance, plant
from chainkit.dsp.voice.song import Song, sing
from chainkit.dsp.voice.truth import Fricative, Note, Phrase, Plosive, Span

__all__ = [
    "Fricative",
    "Note",
    "Phrase",
    "PlantedResonance",
    "Plosive",
    "Song",
    "Span",
    "plant",
    "sing",
]
