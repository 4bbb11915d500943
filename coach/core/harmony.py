"""The harmony of a piece: its key, its melody's scale, and a chord for each bar or half bar."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field

from coach.core.bar_chords import find_chords
from coach.core.chords import Chord, Reading
from coach.core.keys import bar_keys, find_key
from coach.core.scales import Scale, melody_scale
from coach.core.score import Score
from coach.core.spelling import Key, pitch_class, place_name, spell

__all__ = ["Chord", "Harmony", "Reading", "Scale", "analyse"]


@dataclass(frozen=True, slots=True)
class Harmony:
    """The harmony of a whole piece."""

    key: Key
    bar_keys: tuple[Key, ...]  # of each performed bar
    scale: Scale | None
    chords: tuple[Chord, ...]  # in order, without overlaps; none in a bar of rests, or where a tune is alone
    places: tuple[int, ...] = ()  # how the score spells its written notes (``Score.places``)
    _onsets: tuple[int, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_onsets", tuple(chord.onset for chord in self.chords))

    def at(self, tick: int) -> Chord | None:
        """Return the chord that holds a tick."""
        index = bisect_right(self._onsets, tick) - 1
        return self.chords[index] if index >= 0 and tick < self.chords[index].end else None

    def in_bar(self, bar: int) -> tuple[Chord, ...]:
        """Return the chords of a performed bar."""
        first = bisect_left(self.chords, bar, key=lambda chord: chord.bar)
        return self.chords[first : bisect_right(self.chords, bar, key=lambda chord: chord.bar)]

    def place(self, pitch: int, tick: int, bar: int, written: int | None = None) -> int:
        """Return a note's place on the line of fifths.

        As the score spells it, where ``written`` (``NOTE.written``) is given and the score tells; else as its
        chord spells it; else its bar's key.
        """
        own = self.places[written] if written is not None and written < len(self.places) else None
        if own is not None and pitch_class(own) == pitch % 12:
            return own
        chord = self.at(tick)
        for reading in chord.readings[:1] if chord else ():
            for place in reading.places:
                if pitch_class(place) == pitch % 12:
                    return place
        return spell(pitch, self.bar_keys[bar] if bar < len(self.bar_keys) else self.key)

    def spelt(self, pitch: int, tick: int, bar: int, written: int | None = None) -> str:
        """Return a note's name, such as ``G♯``, spelt as ``place`` says."""
        return place_name(self.place(pitch, tick, bar, written))


def analyse(score: Score) -> Harmony:
    """Return the harmony of a piece.  Performed bars of one written bar have the same key and chords."""
    key = find_key(score)
    keys = _alike(score, bar_keys(score, key))
    chords, keys = find_chords(score, keys)
    return Harmony(key, keys, melody_scale(score, key, keys), chords, score.places)


def _alike(score: Score, keys: tuple[Key, ...]) -> tuple[Key, ...]:
    first: dict[int, Key] = {}
    return tuple(first.setdefault(bar.written, key) for bar, key in zip(score.bars, keys, strict=True))
