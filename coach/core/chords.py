"""Naming a chord: its names in a key, and the second name where two fit the same notes.

A half-diminished seventh has the notes of a minor chord with a sixth on its third (B D F A is Bm7♭5 and Dm6),
a minor seventh those of a major chord with a sixth; a diminished seventh has four roots.  Function picks the
first name; how well a name fits is ``chord_fit``'s affair.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coach.core.chord_fit import QUALITIES, Fit, Vector, best_fits, fit, root_place
from coach.core.numerals import chord_name, numeral, plain_numeral
from coach.core.spelling import Key, pitch_class, spell

__all__ = ["QUALITIES", "Fit", "Reading", "best_fits", "fit", "named", "reading", "readings"]

NAMED_TWICE = frozenset(("6", "m6", "m7", "m7♭5"))


@dataclass(frozen=True, slots=True)
class Reading:
    """One name for a chord."""

    root: int  # place on the line of fifths
    quality: str  # a key of QUALITIES: "", "m", "7", "m7", "m7♭5", "°7", "6", "m6", "sus4" …
    bass: int  # place on the line of fifths of its lowest note
    inversion: int  # 0 root position; which chord note lies lowest
    name: str  # such as "Am", "E7/G♯", "Dm6"
    roman: str  # such as "i", "V65", "ii%65", "V7/V"

    @property
    def places(self) -> tuple[int, ...]:
        """Its notes on the line of fifths, from the root up."""
        return tuple(self.root + step for step in QUALITIES[self.quality][1])

    @property
    def classes(self) -> frozenset[int]:
        """Its pitch classes."""
        return frozenset(pitch_class(place) for place in self.places)


def readings(weights: Vector, bass_pc: int, key: Key, to: int | None = None) -> tuple[Reading, ...]:
    """Return the best name of what sounds, and a second where two names fit the same notes.

    ``weights``: shape (12,), by pitch class, C being 0; ``bass_pc``: −1 where nothing is known of the bass;
    ``to``: the place of the root that follows, where it is known.  Empty where nothing sounds or fits.
    """
    total = float(weights.sum())
    if total <= 0:
        return ()
    marks = fit(weights[None, :], np.array([bass_pc]), key)[0]
    return named(best_fits(marks, bass_pc, key), bass_pc, key, to)


def named(found: list[Fit], bass_pc: int, key: Key, to: int | None = None) -> tuple[Reading, ...]:
    """Return the readings of the fits of one passage: the first, and a second where it is worth telling.

    A chord of equal steps and a suspended one have a second name only by their bass.
    """
    if not found:
        return ()
    first = reading(found[0].root, found[0].quality, bass_pc, key, to)
    for other in found[1:]:
        if other.quality in NAMED_TWICE:
            return first, reading(other.root, other.quality, bass_pc, key, to)
        if other.root == bass_pc:  # spelt as the first reading spells its bass
            roman = plain_numeral(first.bass, other.quality, 0, key)
            name = chord_name(first.bass, other.quality, first.bass)
            return first, Reading(first.bass, other.quality, first.bass, 0, name, roman)
    return (first,)


def reading(root: int, quality: str, bass_pc: int, key: Key, to: int | None = None) -> Reading:
    """Return a chord named and spelt in a key; ``root`` and ``bass_pc`` are pitch classes."""
    place = root_place(root, quality, key)
    steps, fifths = QUALITIES[quality]
    apart = (bass_pc - root) % 12
    if bass_pc < 0:
        inversion, bass = 0, place
    elif apart in steps:
        inversion = steps.index(apart)
        bass = place + fifths[inversion]
    else:
        inversion, bass = 0, spell(bass_pc, key)
    roman = numeral(place, quality, inversion, key, to)
    return Reading(place, quality, bass, inversion, chord_name(place, quality, bass), roman)
