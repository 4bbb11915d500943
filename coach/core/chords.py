"""Naming a chord: its names in a key, and the second name where two fit the same notes.

A half-diminished seventh has the notes of a minor chord with a sixth on its third (B D F A is Bm7♭5 and Dm6),
a minor seventh those of a major chord with a sixth; a diminished seventh has four roots.  Function picks the
first name, and of chords of equal steps the spelling of the score; how well a name fits is ``chord_fit``'s
affair.  A second name is told where a teacher would tell it (common practice, no source): a sixth chord on
its own bass and the first inversion of the seventh chord that has the same notes, either way round; the
half-diminished seventh on the second degree, whatever its bass, is the subdominant with its sixth; a
suspended chord on the bass.  A seventh chord in root position has one name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from coach.core.chord_fit import (
    EQUAL_STEPS,
    QUALITIES,
    Fit,
    Vector,
    Written,
    agreement,
    as_written,
    best_fits,
    fit,
    root_place,
    written_root,
)
from coach.core.numerals import LEADING, chord_name, numeral, plain_numeral
from coach.core.spelling import Key, pitch_class, spell

__all__ = ["QUALITIES", "Chord", "Fit", "Reading", "best_fits", "fit", "named", "reading", "readings"]

SIXTHS = frozenset(("6", "m6"))
SUBDOMINANT = -1  # fifths above the tonic
AUGMENTED_SIXTH = 10  # fifths from a root to the note that sounds as its seventh
MINOR_SEVENTH = 10  # semitones
UNWRITTEN: Mapping[int, int] = {}


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


@dataclass(frozen=True, slots=True)
class Chord:
    """What sounds over a stretch of a bar."""

    bar: int  # performed bar
    onset: int  # ticks
    end: int  # ticks
    key: Key
    readings: tuple[Reading, ...]  # the best first; a second where two fit the same notes; none if unclear
    classes: frozenset[int]  # pitch classes that belong to the chord

    @property
    def name(self) -> str | None:
        """The best reading's name."""
        return self.readings[0].name if self.readings else None

    @property
    def roman(self) -> str | None:
        """The best reading's Roman numeral."""
        return self.readings[0].roman if self.readings else None


def readings(
    weights: Vector, bass_pc: int, key: Key, to: int | None = None, written: Written = UNWRITTEN
) -> tuple[Reading, ...]:
    """Return the best name of what sounds, and a second where two names fit the same notes.

    ``weights``: shape (12,), by pitch class, C being 0; ``bass_pc``: −1 where nothing is known of the bass;
    ``to``: the place of the root that follows, where it is known; ``written``: how the score spells what
    sounds.  Empty where nothing sounds or fits.
    """
    total = float(weights.sum())
    if total <= 0:
        return ()
    marks = fit(weights[None, :], np.array([bass_pc]), key)[0]
    return named(best_fits(marks, bass_pc, key), bass_pc, key, to, written)


def named(
    found: list[Fit], bass_pc: int, key: Key, to: int | None = None, written: Written = UNWRITTEN
) -> tuple[Reading, ...]:
    """Return the readings of the fits of one passage: the first, and a second where it is worth telling.

    A chord of equal steps has a second name, by its bass, only where no spelling tells its root.
    """
    if not found:
        return ()
    found = as_written(found, key, written)
    if _misread(found[0], key, written):
        return ()
    first = reading(found[0].root, found[0].quality, bass_pc, key, to, written)
    for other in found[1:]:
        second = reading(other.root, other.quality, bass_pc, key, to, written)
        if first.quality in EQUAL_STEPS:
            if other.root == bass_pc and not written:  # spelt as the first reading spells its bass
                roman = plain_numeral(first.bass, other.quality, 0, key)
                name = chord_name(first.bass, other.quality, first.bass)
                return first, Reading(first.bass, other.quality, first.bass, 0, name, roman)
        elif _worth_telling(first, second, bass_pc, key):
            return first, second
    return (first,)


def _misread(found: Fit, key: Key, written: Written) -> bool:
    """Tell whether the spelling speaks against a diminished chord: its root, or all but one of its notes."""
    if found.quality not in LEADING or not written:
        return False
    place = written_root(found.root, found.quality, key, written)
    if written.get(found.root, place) != place:
        return True
    changed = place != root_place(found.root, found.quality, key)
    return changed and agreement(place, found.quality, written) < 2


def _worth_telling(first: Reading, second: Reading, bass_pc: int, key: Key) -> bool:
    """Tell whether a teacher would name the second reading as well."""
    sixth = second if second.quality in SIXTHS else first if first.quality in SIXTHS else None
    if sixth is None:
        return pitch_class(second.root) == bass_pc
    fourth = sixth.quality == "m6" and sixth.root == key.tonic + SUBDOMINANT
    return fourth or pitch_class(sixth.root) == bass_pc


def reading(
    root: int, quality: str, bass_pc: int, key: Key, to: int | None = None, written: Written = UNWRITTEN
) -> Reading:
    """Return a chord named and spelt in a key; ``root`` and ``bass_pc`` are pitch classes."""
    place = written_root(root, quality, key, written)
    steps, fifths = QUALITIES[quality]
    apart = (bass_pc - root) % 12
    if bass_pc < 0:
        inversion, bass = 0, place
    elif apart in steps:
        inversion = steps.index(apart)
        bass = written.get(bass_pc, place + fifths[inversion]) if inversion else place
    else:
        inversion, bass = 0, written.get(bass_pc, spell(bass_pc, key))
    if written.get((root + MINOR_SEVENTH) % 12) == place + AUGMENTED_SIXTH:
        to = key.tonic + 1  # spelt as an augmented sixth, which opens into the octave of the dominant
    roman = numeral(place, quality, inversion, key, to)
    return Reading(place, quality, bass, inversion, chord_name(place, quality, bass), roman)
