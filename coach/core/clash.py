"""How bad it is when a bass rings on under what then sounds.

Chord membership comes first, roughness only as the grade within (roughness alone blames harmless low
chord tones).  Roughness is Sethares' sum over all pairs of partials (JASA 94, 1993, pp. 1218-1228;
constants as in the author's later book, appendix): d*=0.24, s1=0.0207, s2=18.96, b1=3.51, b2=5.75.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache

import numpy as np

from coach.core.pitch import frequency

PARTIALS = 6
ROLL_OFF = 0.88  # amplitude of each partial relative to the one below: Sethares' example spectrum
OWN_CHORD = (12, 19, 24, 28)  # the octave, fifth and third above a bass: what it sounds well under
NEAR = 2  # semitones: two low notes nearer than a third growl


class Clash(Enum):
    """How much a ring-over would be heard."""

    LOW = "low"
    MIDDLE = "middle"
    HIGH = "high"

    @property
    def rank(self) -> int:
        """0 for the mildest."""
        return _RANKS[self]


_RANKS = {Clash.LOW: 0, Clash.MIDDLE: 1, Clash.HIGH: 2}


@dataclass(frozen=True, slots=True)
class RingOver:
    """What would be heard if a pitch rang on."""

    clash: Clash
    in_chord: bool
    below: bool  # another note than the written bass would lie lowest, and so turn the harmony round
    roughness: float  # added by it, by Sethares' sum
    share: float  # the same relative to what this pitch adds to its own major chord

    @property
    def rank(self) -> tuple[int, float]:
        """Sorts the worst last.  Roughness is compared by ``share``, since low strings are always rougher."""
        return self.clash.rank, self.share


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


def ring_over(
    ringing: int, sounding: Iterable[int], bass: int | None, classes: frozenset[int] | None = None
) -> RingOver:
    """Return what is heard if ``ringing`` sounds on over the pitches ``sounding`` with the written ``bass``.

    ``classes`` are the pitch classes of the harmony where it is known; None judges by what sounds.
    """
    chord = list(sounding)
    if not chord:
        return RingOver(Clash.LOW, True, False, 0.0, 0.0)
    belongs = ringing % 12 in classes if classes else in_chord(ringing, chord, bass)
    below = bass is not None and ringing < bass and ringing % 12 != bass % 12
    roughness = ring_over_roughness(ringing, chord)
    own = ring_over_roughness(ringing, [ringing + step for step in OWN_CHORD])
    return RingOver(_grade(ringing, chord, bass, belongs, below), belongs, below, roughness, roughness / own)


def in_chord(ringing: int, chord: Iterable[int], bass: int | None) -> bool:
    """Return whether the ringing pitch class belongs to what sounds, where no harmony is known.

    The bass's fifth belongs even when nobody plays it: it is the bass's own third partial.
    """
    classes = {p % 12 for p in chord}
    if bass is not None:
        classes |= {bass % 12, (bass + 7) % 12} if (bass + 6) % 12 not in classes else {bass % 12}
    return ringing % 12 in classes


def _grade(ringing: int, sounding: list[int], bass: int | None, belongs: bool, below: bool) -> Clash:
    if belongs:
        return Clash.MIDDLE if below else Clash.LOW
    sharp = any((ringing - p) % 12 in (1, 6, 11) for p in sounding)
    near = bass is not None and 0 < abs(ringing - bass) <= NEAR
    return Clash.HIGH if below or sharp or near else Clash.MIDDLE
