"""The smallest thing to practise: a bass, the place where it stops, and what follows, in full bars.

``play, stop``: a bass that ends as the next begins is played for a bar (or half of one that has four
pulses), the next for a pulse less, and a rest comes after it; a bass that ends in a rest is played for half
a bar or for all but the last pulse.  A note held above sounds through all of it, and is struck once.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from coach.core import exercise_words as words
from coach.core.clash import ring_over
from coach.core.damping import Stop
from coach.core.excerpts import Excerpt, pulse_of, with_rest
from coach.core.preparation import Preparation
from coach.core.score import NOTE, Array, Bar
from coach.core.spelling import spell

FIRST_POSITION = 4  # highest fret under a hand that stays
TREBLES = 3  # strings on which a held note is looked for
HARSH_STEPS = (1, 11)  # semitones above a bass, octaves aside, that no held note makes
ROUGH_STEPS = (1, 2, 6, 10, 11)  # … that none makes which does not belong to the chord
MIDDLE_OF_STAFF = 64  # where a held note is looked for if the piece has no tune: the open first string


class Cells:
    """Makes the cells for one stop."""

    def __init__(self, preparation: Preparation, stop: Stop, bar: int) -> None:
        """``bar`` is the performed bar that gives the meter and the key."""
        self.preparation, self.score, self.stop, self.source = preparation, preparation.score, stop, bar
        meter = self.score.bars[bar]
        self.full = meter.full_length
        pulse = pulse_of(meter)
        pulses = max(self.full // pulse, 1)
        if pulses == 1:
            pulse, pulses = self.full // 2, 2
        halves = pulses >= 4 and pulses % 2 == 0
        self.bass = self.score.notes[stop.note]
        self.next = self.score.notes[stop.next_note] if stop.next_note >= 0 else None
        if self.next is not None:
            self.due = self.full // 2 if halves else self.full
            self.rest = 2 * self.due - pulse
            self.length = 2 * self.due
        else:
            self.due = self.full // 2 if halves else self.full - pulse
            self.rest, self.length = self.due, self.full

    def alone(self, spaced: bool = False) -> Excerpt:
        """Return the basses alone, twice over; ``spaced``: once, and a bar of rest after them."""
        return self._written(None, spaced)

    def held(self, spaced: bool = False) -> Excerpt | None:
        """Return the basses under a held note, None where no note suits."""
        note = self._held()
        return None if note is None else self._written(note, spaced)

    def cues(self) -> list[tuple[int, str]]:
        """Return the cues of the first time, as (tick, words)."""
        stop = self.stop
        out = [(0, words.play_cue(stop.string)), (self.due, words.stop_cue(stop.string))]
        if self.next is not None:
            out.append((self.rest, words.stop_cue(stop.next_string or 0)))
        return out

    def _written(self, held: Array | None, spaced: bool) -> Excerpt:
        """Return the cell twice over, or once with a bar of rest."""
        rows = [(self.bass, 0, self.due)]
        if held is not None:
            rows.append((held, 0, self.length))
        if self.next is not None:
            rows.append((self.next, self.due, self.rest))
        times = 1 if spaced else 2
        notes = np.zeros(len(rows) * times, NOTE)
        for count in range(times):
            for index, (note, start, end) in enumerate(rows):
                place = count * len(rows) + index
                notes[place] = note
                notes[place]["onset"], notes[place]["duration"] = count * self.length + start, end - start
        notes["let_ring"] = notes["fermata"] = notes["grace"] = False
        meter = self.score.bars[self.source]
        count = max(times * self.length // self.full, 1)
        bars = tuple(_bar(meter, index) for index in range(count))
        marks = tuple(n * self.length + self.due for n in range(times))
        made = Excerpt(notes, bars, (self.source,) * count, (), marks)
        return with_rest(made) if spaced else made

    # --- the held note ----------------------------------------------------------------------------

    def _held(self) -> Array | None:
        """Return the note to hold: the tune's own if it suits as well as any, or one near to it."""
        onset, due = int(self.bass["onset"]), self.stop.due
        into = due if self.next is not None else max(due - 1, onset)
        sounding = self.tune_note(due), self.tune_note(max(due - 1, onset))
        tune = [note for note in sounding if note is not None]
        near = int(tune[0]["pitch"]) if tune else MIDDLE_OF_STAFF
        old, new = self.classes(max(due - 1, onset)), self.classes(into)
        scale = self.scale()
        found: list[tuple[tuple[int, ...], int, Array]] = []
        for note in [*tune, *self._places()]:
            tier = self._tier(int(note["pitch"]), old, new, scale)
            if tier is None or not self._playable(note):
                continue
            pitch = int(note["pitch"])
            masked = self.next is not None and self._heard(pitch) < self.stop.clash.rank
            order = (tier, masked, abs(pitch - near), len(found))  # the tune's own notes are first in line
            found.append((order, len(found), note))
        return min(found, key=lambda item: item[:2])[2] if found else None

    def _tier(
        self, pitch: int, old: frozenset[int], new: frozenset[int], scale: frozenset[int]
    ) -> int | None:
        """Return how well a held pitch suits both harmonies and basses, 0 being best; None if it does not."""
        basses = [int(bass["pitch"]) for bass in (self.bass, self.next) if bass is not None]
        steps = {(pitch - bass) % 12 for bass in basses}
        if steps & {*HARSH_STEPS}:
            return None
        place, smooth = pitch % 12, not steps & {*ROUGH_STEPS}
        if place in old and place in new:
            return 0
        if smooth and (place in new or place in scale):
            return 1 if place in new else 2
        return 3 if place in new else 4 if place in scale else None

    def _places(self) -> list[Array]:
        """Return what first position has on the treble strings, the lowest frets first."""
        return [
            self.note(string, fret)
            for fret in range(FIRST_POSITION + 1)
            for string in range(1, min(TREBLES, self.score.tuning.strings) + 1)
        ]

    def note(self, string: int, fret: int) -> Array:
        """Return a row of NOTE for a place on the neck, of the tune's voice."""
        made = np.zeros((), NOTE)
        made["pitch"], made["string"], made["fret"] = self.score.tuning.pitch(string, fret), string, fret
        made["voice"] = 2 if int(self.bass["voice"]) == 1 else 1
        made["written"] = -1  # not of the piece
        return made

    def tune_note(self, tick: int) -> Array | None:
        """Return the highest note of the tune that sounds at a tick of the piece."""
        notes = self.score.notes
        sounding = ~notes["bass"] & ~notes["grace"]
        sounding &= (notes["onset"] <= tick) & (notes["onset"] + notes["duration"] > tick)
        rows = np.flatnonzero(sounding)
        return notes[rows[np.argmax(notes["pitch"][rows])]] if len(rows) else None

    def classes(self, tick: int) -> frozenset[int]:
        """Return the pitch classes of the harmony at a tick; unclear, what suits the bass."""
        chord = self.preparation.harmony.at(tick)
        if chord is not None and chord.classes:
            return chord.classes
        notes = self.score.notes
        over = notes["onset"] + notes["duration"]
        bar = self.score.bars[self.score.bar_index(tick)]
        basses = notes["bass"] & (notes["onset"] <= tick) & (over > tick)
        low = notes["pitch"][basses]
        if not len(low):
            return frozenset()
        bass = int(low.min())
        heard = notes["pitch"][~notes["bass"] & (notes["onset"] < bar.end) & (over > tick)].tolist()
        suit = {p % 12 for p in heard if (p - bass) % 12 not in ROUGH_STEPS}
        return frozenset(suit | {bass % 12, (bass + 7) % 12})

    def scale(self, chord: frozenset[int] = frozenset()) -> frozenset[int]:
        """Return the pitch classes of the bar's key, with its degrees raised or lowered as in a chord."""
        key = self.preparation.harmony.bar_keys[self.source]
        degrees = {place % 7: place for place in range(key.fifths - 1, key.fifths + 6)}
        for place in (spell(pitch, key) for pitch in chord):
            degrees[place % 7] = place
        return frozenset(place * 7 % 12 for place in degrees.values())

    def _playable(self, note: Array) -> bool:
        """Tell whether a hand can hold a note, on a string of its own, while it plays both basses."""
        return all(together(note, bass) for bass in (self.bass, self.next) if bass is not None)

    def _heard(self, pitch: int) -> int:
        """Return how much a ring-over would be heard under a held pitch: the rank of its grade."""
        if self.next is None:
            return 0
        bass = int(self.next["pitch"])
        return ring_over(int(self.bass["pitch"]), [pitch, bass], bass).clash.rank


def _bar(meter: Bar, index: int) -> Bar:
    full = meter.full_length
    return replace(meter, number=index + 1, onset=index * full, length=full, written=index, round=1, lead=0)


def together(note: Array, bass: Array) -> bool:
    """Tell whether one hand can hold two notes: on two strings, within four frets, with two fingers."""
    if int(note["string"]) == int(bass["string"]):
        return False
    frets = [int(each["fret"]) for each in (note, bass) if int(each["fret"]) > 0]
    if len(frets) == 2 and max(frets) - min(frets) >= FIRST_POSITION:
        return False
    fingers = [int(each["finger"]) for each in (note, bass) if int(each["fret"]) > 0 and int(each["finger"])]
    return len(fingers) == len(set(fingers))
