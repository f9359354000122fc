"""What kind of source was heard: a voice, or something that is struck; and what is its own.

All onsets of made strings die away at once, and they had at most 11 sibilants to 70 onsets. Of the
demo's voice 0.65 do, and it has 23 to 63; of 13 made voices 0.62 at most.
"""

from __future__ import annotations

from dataclasses import replace

from chainkit.dsp.attack import Attack
from chainkit.dsp.meter import Measurement
from chainkit.scout.hearing import Heard

LEAST_SIBILANTS = 3.0  # a minute, that a voice has
LOUDEST_SIBILANTS = 3.0  # dB against the rest, up to which they are those of a voice
# Share of the onsets that die away at once, from which a source is struck; sibilants against
# onsets, below which they are none but strokes of their own. Both chosen on made sounds.
STRUCK, FEW_SIBILANTS = 0.8, 0.5
OWN = 0.01  # of the energy, what may be a source's own lowest notes: 20 dB, where a low end is over
OWN_TRUST = 0.4  # how far a drone is believed then
CLIPPED_OFTEN = 20.0  # times a minute
THIRD = 2.0 ** (1.0 / 3.0)  # of an octave


def is_voice(heard: Heard) -> bool:
    """Whether there are sibilants as a voice has them.

    A plectrum or a stick hisses too: of what is struck or plucked, only the odd stroke.
    """
    measured, attack = heard.measurement, heard.attack
    level, strokes = measured.sibilants_median_db, attack.onsets if attack else 0
    if attack and attack.struck > STRUCK and len(measured.sibilants) < FEW_SIBILANTS * strokes:
        return False
    return (
        measured.sibilants_a_minute >= LEAST_SIBILANTS
        and level is not None
        and level < LOUDEST_SIBILANTS
    )


def is_attack(frequency: float, attack: Attack | None) -> bool:
    """Whether what stands out is what strikes."""
    return attack is not None and attack.low / THIRD < frequency < attack.high * THIRD


def is_clipped(measured: Measurement) -> bool:
    """Whether clipping is so frequent that its distortion stands out of the spectrum, too."""
    return (measured.clipped_runs or 0) * 60.0 > CLIPPED_OFTEN * measured.seconds


def without_own_rumble(heard: Heard) -> Heard:
    """What was heard, without a rumble that may be the source's own.

    What thumps in a source that is struck is the source. What drones below one that is no voice may
    be its lowest notes, where it holds a good part of the energy: that is a hint, and stays.
    """
    rumble = heard.rumble
    if rumble is None or is_voice(heard):
        return heard
    if rumble.bursts:
        return heard if heard.attack is None else replace(heard, rumble=None)
    if rumble.part < OWN:
        return heard
    confidence = min(rumble.confidence, OWN_TRUST)
    return replace(heard, rumble=replace(rumble, confidence=confidence, reach=0.0))
