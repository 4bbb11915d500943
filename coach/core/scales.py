"""The scale of a melody: what its notes are, named and spelt.

A scale is named by the piece's key and by which of the notes that tell scales apart the melody uses.  A
melody of fewer notes is given the key's fitting scale: nothing is said of notes it does not play, so a tune
on five notes of A minor is in A natural minor unless a raised seventh or sixth speaks for another.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coach.core.score import Array, Score
from coach.core.spelling import Key, pitch_class, place_name, spell, written_places

# Kind -> places above the tonic on the line of fifths, upwards.
SCALES: dict[str, tuple[int, ...]] = {
    "major": (0, 2, 4, -1, 1, 3, 5),
    "natural minor": (0, 2, -3, -1, 1, -4, -2),
    "harmonic minor": (0, 2, -3, -1, 1, -4, 5),
    "melodic minor": (0, 2, -3, -1, 1, 3, 5),
    "dorian": (0, 2, -3, -1, 1, 3, -2),
    "phrygian": (0, -5, -3, -1, 1, -4, -2),
    "lydian": (0, 2, 4, 6, 1, 3, 5),
    "mixolydian": (0, 2, 4, -1, 1, 3, -2),
}
LOWERED_SECOND, MINOR_SIXTH, MINOR_SEVENTH = -5, -4, -2
MAJOR_SIXTH, MAJOR_SEVENTH, RAISED_FOURTH, FOURTH = 3, 5, 6, -1
RAISED_SIXTH = 9  # semitones above the tonic
MOSTLY = 2 / 3  # share by which one form of a degree outweighs the other, to name a mode


@dataclass(frozen=True, slots=True)
class Scale:
    """The notes a melody uses."""

    tonic: int  # place on the line of fifths
    kind: str  # "major", "natural minor", "harmonic minor", "melodic minor", "dorian" …
    places: tuple[int, ...]  # its notes on the line of fifths, from the tonic up
    name: str  # such as "A harmonic minor"
    outside: tuple[int, ...] = ()  # places of melody notes that the scale does not hold


def scale_on(tonic: int, kind: str, outside: tuple[int, ...] = ()) -> Scale:
    """Return a scale on a place of the line of fifths."""
    places = tuple(tonic + step for step in SCALES[kind])
    return Scale(tonic, kind, places, f"{place_name(tonic)} {kind}", outside)


def melody_scale(score: Score, key: Key, keys: tuple[Key, ...] = ()) -> Scale | None:
    """Return the scale of the melody: all notes that are not bass; None where there is none.

    ``keys``: of each performed bar, where they are known: only bars in ``key`` tell the scale's kind.
    Minor is told by the use of its sixth and seventh.  With a raised seventh it is melodic where the raised
    sixth climbs to it, or is the sixth mostly used; natural where the natural seventh is mostly used (the
    raised one is then outside); else harmonic, though the natural seventh be heard as well (outside).  A
    raised sixth, mostly used, with the natural seventh alone is dorian.  Mostly is two thirds of the time the
    degree sounds.  Notes that the scale does not hold are in ``outside``, spelt as written where the score
    tells, from the flat end of the line of fifths: the natural sixth and seventh of a melodic minor, going
    down, are not counted as outside.
    """
    rows = np.flatnonzero(~score.notes["bass"] & (score.notes["duration"] > 0))
    if not len(rows):
        return None
    notes = score.notes[rows]
    at_home = np.array([one == key for one in keys] or [True] * len(score.bars), bool)[notes["bar"]]
    home = notes[at_home] if at_home.any() else notes
    weights = _weights(home, key)
    kind = _minor_kind(weights, _climbs(home, key)) if key.minor else _major_kind(weights)
    held = set(SCALES[kind]) | (set(SCALES["natural minor"]) if kind == "melodic minor" else set())
    outside = {key.tonic + step for step in _weights(notes, key) if step not in held}
    written = written_places(score)
    if written:
        others = {pitch_class(place) for place in outside}
        outside = {written[row] for row in rows.tolist() if pitch_class(written[row]) in others}
    return scale_on(key.tonic, kind, tuple(sorted(outside)))


def _weights(notes: Array, key: Key) -> dict[int, float]:
    """Return how long each note lasts, by its fifths above the tonic as the key spells it."""
    lasts = np.bincount(notes["pitch"] % 12, notes["duration"], 12)
    return {spell(pitch, key) - key.tonic: float(lasts[pitch]) for pitch in range(12) if lasts[pitch] > 0}


def _climbs(notes: Array, key: Key) -> bool:
    """Tell whether a voice steps up from the raised sixth to the raised seventh."""
    sixth = (key.pitch_class + RAISED_SIXTH) % 12
    for voice in np.unique(notes["voice"]):
        line = notes["pitch"][notes["voice"] == voice].astype(int)
        if ((line[:-1] % 12 == sixth) & (np.diff(line) == 2)).any():
            return True
    return False


def _minor_kind(weights: dict[int, float], climbs: bool) -> str:
    sixth, seventh = weights.get(MAJOR_SIXTH, 0.0), weights.get(MAJOR_SEVENTH, 0.0)
    if seventh:
        if sixth and (climbs or _outweighs(weights, MAJOR_SIXTH, MINOR_SIXTH)):
            return "melodic minor"
        return "natural minor" if _outweighs(weights, MINOR_SEVENTH, MAJOR_SEVENTH) else "harmonic minor"
    if sixth and _outweighs(weights, MAJOR_SIXTH, MINOR_SIXTH):
        return "dorian"
    if _outweighs(weights, LOWERED_SECOND, 2):
        return "phrygian"
    return "natural minor"


def _major_kind(weights: dict[int, float]) -> str:
    if _outweighs(weights, RAISED_FOURTH, FOURTH) and not weights.get(MINOR_SEVENTH):
        return "lydian"
    # Spelt in the major key's window the lowered seventh is −2, as in the scale.
    if _outweighs(weights, MINOR_SEVENTH, MAJOR_SEVENTH) and not weights.get(RAISED_FOURTH):
        return "mixolydian"
    return "major"


def _outweighs(weights: dict[int, float], one: int, other: int) -> bool:
    """Tell whether the melody uses one form of a degree, and the other hardly or never."""
    mine, theirs = weights.get(one, 0.0), weights.get(other, 0.0)
    return mine > 0 and mine >= MOSTLY * (mine + theirs)
