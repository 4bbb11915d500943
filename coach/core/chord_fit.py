"""Which chord fits what sounds, over which bass, in which key.

Every quality on every root is weighed at once: what sounds and belongs counts for it, what sounds and does
not belong against it, a missing note against it (a root or a seventh most, a fifth hardly), and the bass for
it where it is the root.  Among names that fit alike the key's own chords come first.  The templates are
common practice; the weights are our own, tried on chorales and on the études (tests).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coach.core.numerals import (
    DIATONIC,
    LEADING,
    LEADING_NOTE,
    SEVENTHS,
    TARGETS,
)
from coach.core.spelling import Key, pitch_class, spell

Vector = NDArray[np.float64]

# Quality -> (semitones above the root, places above it on the line of fifths).
QUALITIES: dict[str, tuple[tuple[int, ...], tuple[int, ...]]] = {
    "": ((0, 4, 7), (0, 4, 1)),
    "m": ((0, 3, 7), (0, -3, 1)),
    "°": ((0, 3, 6), (0, -3, -6)),
    "+": ((0, 4, 8), (0, 4, 8)),
    "7": ((0, 4, 7, 10), (0, 4, 1, -2)),
    "maj7": ((0, 4, 7, 11), (0, 4, 1, 5)),
    "m7": ((0, 3, 7, 10), (0, -3, 1, -2)),
    "m7♭5": ((0, 3, 6, 10), (0, -3, -6, -2)),
    "°7": ((0, 3, 6, 9), (0, -3, -6, -9)),
    "m6": ((0, 3, 7, 9), (0, -3, 1, 3)),
    "6": ((0, 4, 7, 9), (0, 4, 1, 3)),
    "sus4": ((0, 5, 7), (0, -1, 1)),
    "sus2": ((0, 2, 7), (0, 2, 1)),
    "5": ((0, 7), (0, 1)),
}
NAMES = tuple(QUALITIES)
TABLE = tuple((root, quality) for root in range(12) for quality in NAMES)  # the order of every row below

OUT = 1.1  # against each share of the weight that does not belong
MISSING = {"root": 0.3, "third": 0.12, "fifth": 0.05, "diminished fifth": 0.1, "last": 0.3}
FOREIGN_MISSING = 0.12  # more, where the missing note is not of the key
AS_ROOT, AS_THIRD, AS_FIFTH, AS_LAST, NOT_IN_CHORD = 0.14, 0.05, -0.06, -0.02, -0.12  # the bass
PRIOR = {
    "": 0.0, "m": 0.0, "°": -0.03, "+": -0.1, "7": 0.0, "maj7": -0.2, "m7": -0.1, "m7♭5": -0.06, "°7": -0.02,
    "m6": -0.2, "6": -0.2, "sus4": -0.3, "sus2": -0.34, "5": -0.2,
}  # fmt: skip
OF_THE_KEY = 0.1
APPLIED = 0.04  # a chord that leads to a degree of the key
DOMINANT_SIXTH = -0.1  # a sixth above the dominant leans on its fifth
LEADS_NOWHERE = -0.15  # a diminished chord that is neither the key's nor leads to one of its degrees
BORROWED = 2  # … save that of the second degree, which major borrows from minor
DEGREE_PRIOR = {0: 0.04, 1: 0.04, -1: 0.03, 2: 0.02}  # by fifths above the tonic
SILENT = 0.02  # a share below this does not sound
EQUAL_STEPS = frozenset(("°7", "+"))
ROOT_AGREES = 0.5  # what a root spelt as written counts more than another note of equal steps
LEAST_FIT = 0.2  # a chord that fits no better is none: two thirds of what sounds must belong


class Fit(NamedTuple):
    """A root (pitch class) and quality, and how well they fit."""

    root: int
    quality: str
    score: float

    @property
    def classes(self) -> frozenset[int]:
        """Its pitch classes."""
        return chord_classes(self.root, self.quality)


@lru_cache(maxsize=256)
def chord_classes(root: int, quality: str) -> frozenset[int]:
    """Return the pitch classes of a chord."""
    return frozenset((root + step) % 12 for step in QUALITIES[quality][0])


@lru_cache(maxsize=8192)
def root_place(root: int, quality: str, key: Key) -> int:
    """Return where a chord's root lies on the line of fifths: so that all its notes lie nearest the key's."""
    middle = key.fifths + 2  # of the signature's seven notes
    first = spell(root, key)
    steps = QUALITIES[quality][1]

    def apart(place: int) -> tuple[float, int]:
        # The root's own spelling settles what is equally near.
        return sum(abs(place + step - middle) for step in steps) / len(steps), abs(place - first)

    return min((first - 12, first, first + 12), key=apart)


Written = Mapping[int, int]  # pitch class -> place on the line of fifths, as the score spells what sounds


def written_root(root: int, quality: str, key: Key, written: Written) -> int:
    """Return where a chord's root lies: where most of its notes are spelt as written, or as in the key."""
    own = root_place(root, quality, key)
    if not written:
        return own
    # The key's own spelling settles what agrees as well.
    return max((own, own - 12, own + 12), key=lambda place: agreement(place, quality, written))


def agreement(place: int, quality: str, written: Written) -> int:
    """Return how many notes of a chord are spelt as written."""
    return sum(written.get(pitch_class(place + step)) == place + step for step in QUALITIES[quality][1])


# --- how well each fits --------------------------------------------------------------------------------


def _member(step: int, quality: str, index: int) -> str:
    if index == 0:
        return "root"
    if quality in ("sus4", "sus2") and index == 1:
        return "last"  # what makes the chord
    if index == len(QUALITIES[quality][0]) - 1 and (index == 3 or quality == "+"):
        return "last"
    if step == 6:
        return "diminished fifth"
    return "third" if index == 1 and quality != "5" else "fifth"


def _tables() -> tuple[Vector, Vector, Vector]:
    """Return membership, price of missing, and worth of each bass, each of shape (templates, 12)."""
    member = np.zeros((len(TABLE), 12))
    missing = np.zeros((len(TABLE), 12))
    bass = np.full((len(TABLE), 12), NOT_IN_CHORD)
    for row, (root, quality) in enumerate(TABLE):
        for index, step in enumerate(QUALITIES[quality][0]):
            at = (root + step) % 12
            role = _member(step, quality, index)
            member[row, at] = 1.0
            missing[row, at] = MISSING[role]
            bass[row, at] = {"root": AS_ROOT, "third": AS_THIRD, "last": AS_LAST}.get(role, AS_FIFTH)
            if step == 6:
                bass[row, at] = 0.0  # a diminished fifth in the bass is a working inversion
    return member, missing, bass


def _same_notes() -> tuple[tuple[int, ...], ...]:
    """Return for each template the rows of those with the same notes, itself among them."""
    rows: dict[frozenset[int], list[int]] = {}
    for row, entry in enumerate(TABLE):
        rows.setdefault(chord_classes(*entry), []).append(row)
    return tuple(tuple(rows[chord_classes(*entry)]) for entry in TABLE)


_MEMBER, _MISSING, _BASS = _tables()
_SAME = _same_notes()
_ROOTS = np.array([root for root, _ in TABLE])


@lru_cache(maxsize=64)
def _key_tables(key: Key) -> tuple[Vector, Vector]:
    """Return each template's prior in a key, shape (templates,), and the price of missing notes in it."""
    prior = np.zeros(len(TABLE))
    missing = _MISSING.copy()
    tonic = key.pitch_class
    steps = (0, 2, 3, 5, 7, 8, 10) if key.minor else (0, 2, 4, 5, 7, 9, 11)
    scale = {(tonic + step) % 12 for step in steps}
    for row, (root, quality) in enumerate(TABLE):
        place = root_place(root, quality, key)
        prior[row] = PRIOR[quality] + _function(place - key.tonic, quality, key)
        raised = {(tonic + 11) % 12} if place - key.tonic in (1, LEADING_NOTE) and key.minor else set()
        natural = {(tonic + 10) % 12} if raised and place - key.tonic == 1 else set()
        foreign = chord_classes(root, quality) - ((scale - natural) | raised)
        for at in foreign:
            missing[row, at] += FOREIGN_MISSING
    return prior, missing


def _function(apart: int, quality: str, key: Key) -> float:
    """Return what a chord's place in the key speaks for it; ``apart``: fifths above the tonic."""
    worth = DEGREE_PRIOR.get(apart, 0.0)
    base = {"6": "", "m6": "m", "sus4": "", "sus2": "", "5": ""}.get(quality, quality)
    if apart in DIATONIC[key.minor].get(base, ()):
        worth += OF_THE_KEY
        if apart == 1 and quality in ("6", "m6"):
            worth += DOMINANT_SIXTH
        if key.minor and apart == 1 and quality in ("m", "m7"):
            worth -= 0.04  # the dominant of a minor key has its leading note
        if key.minor and apart in (2, 3) and quality in ("m", "m7", "°", "m7♭5"):
            worth -= 0.0 if (apart, quality) in {(2, "°"), (2, "m7♭5")} else 0.05  # raised sixth: rarer
    elif quality in ("7", "") and apart - 1 in TARGETS[key.minor]:
        worth += APPLIED
    elif quality in LEADING and apart - LEADING_NOTE in TARGETS[key.minor]:
        worth += APPLIED + (0.01 if apart - LEADING_NOTE == 1 else 0.0)
    elif quality in ("°", "m7♭5") and apart != BORROWED:
        worth += LEADS_NOWHERE
    return worth


def fit(weights: Vector, basses: NDArray[np.int64], key: Key) -> Vector:
    """Return how well every template fits each passage, shape (n, templates), in the order of ``TABLE``.

    ``weights``: shape (n, 12), what sounds by pitch class; ``basses``: shape (n,), −1 for none.
    """
    totals = weights.sum(axis=1, keepdims=True)
    shares = weights / np.where(totals > 0, totals, 1.0)
    prior, missing = _key_tables(key)
    silent = shares < SILENT
    # einsum, not a matrix product: BLAS wakes its threads for these small tables, and waits for them.
    inside = np.einsum("ij,kj->ik", shares, _MEMBER)
    absent = np.einsum("ij,kj->ik", silent.astype(float), missing)
    # With no bass to stand on, a missing root is no worse than a missing third.
    eased = silent[:, _ROOTS] * (MISSING["root"] - MISSING["third"])
    absent -= np.where((basses < 0)[:, None], eased, 0.0)
    low = np.where((basses >= 0)[:, None], _BASS.T[np.maximum(basses, 0)], 0.0)
    marks: Vector = inside - OUT * (1.0 - inside) - absent + low + prior
    return marks


def best_fits(marks: Vector, bass: int, key: Key) -> list[Fit]:
    """Return the fits of one passage, best first: function settles between names of the same notes.

    ``marks``: its row of ``fit``; ``bass``: pitch class, −1 for none.
    """
    first = int(np.argmax(marks))
    if marks[first] <= LEAST_FIT:
        return []
    same = [Fit(TABLE[row][0], TABLE[row][1], float(marks[row])) for row in _SAME[first]]
    same.sort(key=lambda found: (*_rank(found, bass, key), -found.score))
    return same


def as_written(found: list[Fit], key: Key, written: Written) -> list[Fit]:
    """Return fits of the same notes with the one first whose root the written notes tell.

    Chords of equal steps have it: a diminished seventh is a stack of minor thirds, an augmented triad one of
    major thirds, as they are spelt.  A diminished triad that is spelt as no such stack (A, C, D♯) is three
    notes of a diminished seventh.
    """
    if not written or not found:
        return found

    def agrees(one: Fit) -> float:
        place = written_root(one.root, one.quality, key, written)
        return agreement(place, one.quality, written) + ROOT_AGREES * (written.get(one.root) == place)

    if found[0].quality in EQUAL_STEPS:
        return sorted(found, key=lambda one: -agrees(one) if one.quality in EQUAL_STEPS else 0.0)
    if found[0].quality == "°":
        root = found[0].root
        sevenths = [Fit((root + 3 * third) % 12, "°7", found[0].score) for third in range(4)]
        seventh = max(sevenths, key=agrees)
        if agrees(found[0]) < 3 <= agrees(seventh):
            return [seventh]
    return found


def _rank(found: Fit, bass: int, key: Key) -> tuple[int, int]:
    """Return the order among names of the same notes, the first lowest.

    A sixth chord on its root is one only as the tonic or the dominant with a sixth added; everywhere else the
    seventh chord's name comes first.  A diminished seventh is the key's leading-note chord, or that of the
    fifth degree, or of another degree; an augmented triad the key's own; else the bass is the root.
    """
    place = root_place(found.root, found.quality, key)
    apart = place - key.tonic
    if found.quality in ("6", "m6"):
        return (0 if apart in (0, 1) and bass == found.root else 3), 0
    if found.quality in SEVENTHS and found.quality != "°7":
        return 1, 0
    if found.quality == "°7":
        target = apart - LEADING_NOTE
        return 1, 0 if target == 0 else 1 if target == 1 else 2 if target in TARGETS[key.minor] else 3
    if found.quality == "+" and apart in DIATONIC[key.minor]["+"]:
        return 0, 0
    return 1, 0 if bass == found.root else 1
