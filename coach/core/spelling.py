"""Keys and the spelling of notes, on the line of fifths: … B♭ −2, F −1, C 0, G 1 … G♯ 8 …

A note is spelt as near to the key as the line allows (Temperley, *The Cognition of Basic Musical Structures*,
2001, ch. 5: the spelling nearest the centre of gravity on the line).  The twelve places are those about the
middle of the signature's seven notes: A flat to C sharp in C major, where C sharp leads to the second degree;
B flat to D sharp in A minor, where B flat is the lowered second degree.  So the leading note of A minor is
G sharp, never A flat: a raised seventh lies five fifths above the tonic.  Inside a chord its root decides
(``chords``): the G sharp of E7 stays one in C major.  Where the score spells its notes (``Score.places``)
that comes before all this.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from coach.core.score import Score

LINE = "FCGDAEB"
BELOW_MAJOR = 4  # places of the window below the tonic: the lowered sixth is the last
BELOW_MINOR = 5  # the lowered second (of the Neapolitan chord) is the last


@dataclass(frozen=True, slots=True)
class Key:
    """A key: ``tonic`` is its place on the line of fifths (C 0, G 1, F −1)."""

    tonic: int
    minor: bool = False

    @property
    def fifths(self) -> int:
        """Sharps of its signature; flats are negative."""
        return self.tonic - 3 if self.minor else self.tonic

    @property
    def pitch_class(self) -> int:
        """The tonic's pitch class, C being 0."""
        return pitch_class(self.tonic)

    @property
    def name(self) -> str:
        """Its name, such as ``F♯ minor``."""
        return f"{place_name(self.tonic)} {'minor' if self.minor else 'major'}"

    @property
    def sign(self) -> str:
        """The sign of harmonic analysis: ``F♯`` for the major key, ``f♯`` for the minor."""
        tonic = place_name(self.tonic)
        return tonic[0].lower() + tonic[1:] if self.minor else tonic


def key_of(pitch: int, minor: bool) -> Key:
    """Return the key on a pitch class with the fewest signs; with as many either way, the sharps'."""
    tonic = pitch * 7 % 12
    keys = [Key(place, minor) for place in (tonic - 12, tonic, tonic + 12)]
    return min(keys, key=lambda key: (abs(key.fifths), -key.fifths))


def pitch_class(place: int) -> int:
    """Return the pitch class of a place on the line of fifths."""
    return place * 7 % 12


def place_name(place: int) -> str:
    """Return the name of a place on the line of fifths, such as ``G♯``."""
    signs, step = divmod(place + 1, 7)
    return LINE[step] + ("♯" * signs if signs > 0 else "♭" * -signs)


def spell(pitch: int, key: Key) -> int:
    """Return the place on the line of fifths that a pitch (or pitch class) has in a key."""
    lowest = key.tonic - (BELOW_MINOR if key.minor else BELOW_MAJOR)
    return lowest + (pitch * 7 - lowest) % 12


def spelt(pitch: int, key: Key, octave: bool = False) -> str:
    """Return a pitch's name as the key spells it, such as ``G♯`` or ``G♯3``."""
    place = spell(pitch, key)
    if not octave:
        return place_name(place)
    return f"{place_name(place)}{octave_of(pitch, place)}"


def written_name(score: Score, row: int) -> str:
    """Return the name of a row of ``Score.notes`` as it is read, such as ``F♯``; without its octave."""
    pitch, bar = int(score.notes["pitch"][row]), int(score.notes["bar"][row])
    place = _written_place(score, row)
    return heard_name(score, pitch, bar) if place is None else place_name(place)


def heard_name(score: Score, pitch: int, bar: int) -> str:
    """Return the name of a pitch that was played in a performed bar, whether it is written there or not.

    As the score spells it in that bar, else as it does most often where the signature is the same, else as
    the key of the signature does.
    """
    notes, fifths = score.notes, score.bars[bar].fifths
    rows = (notes["pitch"] % 12 == pitch % 12).nonzero()[0].tolist()
    alike = [row for row in rows if score.bars[int(notes["bar"][row])].fifths == fifths]
    for near in ([row for row in alike if int(notes["bar"][row]) == bar], alike):
        places = Counter(place for row in near if (place := _written_place(score, row)) is not None)
        if places:
            return place_name(places.most_common(1)[0][0])
    minor = score.mode == "minor" and score.bars[0].fifths == fifths  # the mode is the first signature's
    return spelt(pitch, Key(fifths + 3, True) if minor else Key(fifths))


def tone_name(score: Score, row: int, pitch: int, bar: int) -> str:
    """Return the name of what was played for a row of ``Score.notes`` (−1: for none) in a performed bar."""
    right = row >= 0 and int(score.notes["pitch"][row]) == pitch
    return written_name(score, row) if right else heard_name(score, pitch, bar)


def _written_place(score: Score, row: int) -> int | None:
    """Return how the score spells a row of its notes; None where it does not tell."""
    written = int(score.notes["written"][row])
    place = score.places[written] if written < len(score.places) else None
    right = place is not None and pitch_class(place) == int(score.notes["pitch"][row]) % 12
    return place if right else None


def octave_of(pitch: int, place: int) -> int:
    """Return the octave of scientific pitch notation that a pitch has under a spelling (B♯3 sounds C4)."""
    alter, step = divmod(place + 1, 7)
    natural = pitch_class(step - 1)
    return (pitch - alter - natural) // 12 - 1


def written_places(score: Score) -> list[int]:
    """Return how each row of ``Score.notes`` is spelt, on the line of fifths; empty where not known."""
    notes = score.notes
    if not score.places or not len(notes) or int(notes["written"].max()) >= len(score.places):
        return []
    places = [score.places[written] for written in notes["written"].tolist()]
    sounding = (notes["pitch"] % 12).tolist()
    return places if [pitch_class(place) for place in places] == sounding else []
