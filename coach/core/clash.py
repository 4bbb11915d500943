"""How bad it is when a bass rings on under what then sounds.

Chord membership comes first, roughness only as the grade within (roughness alone blames harmless low
chord tones).  Roughness is Sethares' sum over all pairs of partials (JASA 94, 1993, pp. 1218-1228;
constants as in the author's later book, appendix): d*=0.24, s1=0.0207, s2=18.96, b1=3.51, b2=5.75.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum
from functools import lru_cache

import numpy as np

from coach.core.pitch import frequency

PARTIALS = 6
ROLL_OFF = 0.88  # amplitude of each partial relative to the one below: Sethares' example spectrum


class Clash(Enum):
    """How much a ring-over would be heard."""

    LOW = "low"
    MIDDLE = "middle"
    HIGH = "high"


@lru_cache(maxsize=4096)
def pair_roughness(low: int, high: int) -> float:
    """Return the roughness between two plucked notes (MIDI pitches), partial against partial."""
    k = np.arange(1, PARTIALS + 1)
    amplitude = ROLL_OFF ** (k - 1)
    f_low, f_high = np.meshgrid(frequency(low) * k, frequency(high) * k)
    weight = np.outer(amplitude, amplitude)
    return float((weight * _dissonance(f_low, f_high)).sum())


def _dissonance(f1: np.ndarray, f2: np.ndarray) -> np.ndarray:
    s = 0.24 / (0.0207 * np.minimum(f1, f2) + 18.96)
    x = s * np.abs(f2 - f1)
    curve: np.ndarray = 5.0 * np.exp(-3.51 * x) - 5.0 * np.exp(-5.75 * x)
    return curve


def ring_over_roughness(ringing: int, chord: Iterable[int]) -> float:
    """Return the roughness that a ringing pitch adds to a chord of pitches."""
    return sum(pair_roughness(min(ringing, p), max(ringing, p)) for p in chord if p != ringing)


def in_chord(ringing: int, chord: Iterable[int], bass: int | None) -> bool:
    """Return whether the ringing pitch class belongs to the new harmony.

    The bass's fifth belongs even when nobody plays it: it is the bass's own third partial.
    """
    classes = {p % 12 for p in chord}
    if bass is not None:
        classes |= {bass % 12, (bass + 7) % 12} if (bass + 6) % 12 not in classes else {bass % 12}
    return ringing % 12 in classes


def grade(ringing: int, chord: Iterable[int], bass: int | None) -> Clash:
    """Return how bad it is if ``ringing`` sounds on over ``chord`` with ``bass`` as the written bass."""
    sounding = list(chord)
    below = bass is not None and ringing < bass
    if in_chord(ringing, sounding, bass):
        return Clash.MIDDLE if below else Clash.LOW
    sharp = any((ringing - p) % 12 in (1, 6, 11) for p in sounding)
    near = bass is not None and 0 < abs(ringing - bass) <= 2  # two low notes a step apart growl
    return Clash.HIGH if below or sharp or near else Clash.MIDDLE
