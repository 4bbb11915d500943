"""The smallest thing to practise: a bass, the place where it stops, and what follows, in full bars.

``play, stop``: a bass that ends as the next begins is played for a bar (or half of one that has four
pulses), the next for a pulse less, and a rest comes after it; a bass that ends in a rest is played for half
a bar or for all but the last pulse.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from coach.core import exercise_words as words
from coach.core.clash import ring_over
from coach.core.damping import Stop
from coach.core.excerpts import Excerpt, pulse_of
from coach.core.preparation import Preparation
from coach.core.score import NOTE, Array, Bar

FIRST_POSITION = 4  # highest fret under a hand that stays
TREBLES = 3  # strings on which a held note is looked for
ROUGH_STEPS = (1, 2, 6, 10, 11)  # semitones above a bass that no held note should make
MIDDLE_OF_STAFF = 64  # where a held note is looked for if the piece has no tune: the open first string
PLUCK_A = 4


class Cells:
    """Makes the cells for one stop."""

    def __init__(self, preparation: Preparation, stop: Stop, bar: int) -> None:
        """``bar`` is the performed bar that gives the meter."""
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
        self.times = 2

    def alone(self) -> Excerpt:
        """Return the basses alone."""
        return self._written([])

    def held(self) -> Excerpt | None:
        """Return the basses under held notes, None where no note suits."""
        notes = self._held()
        return self._written(notes) if notes else None

    @staticmethod
    def cues(stop: Stop, excerpt: Excerpt) -> list[tuple[int, str]]:
        """Return the cues of a cell, as (tick, words): all of them the first time, then the stop's."""
        out = []
        for count in range(len(excerpt.marks) // 3):
            start, due, rest = excerpt.marks[3 * count : 3 * count + 3]
            told = words.stop_cue(stop.string, stop.way)
            if count == 0:
                out.append((start, words.play_cue(stop.string)))
                told = words.PLAY_AND_STOP.format(stop=told) if stop.next_note >= 0 else told
            out.append((due, told))
            if count == 0 and stop.next_note >= 0:
                out.append((rest, words.stop_cue(stop.next_string or 0, None)))
        return out

    def _written(self, held: list[tuple[Array, int, int]]) -> Excerpt:
        """Return the cell as often as it fits, with notes held from and to places in it."""
        rows = [(self.bass, 0, self.due), *held]
        if self.next is not None:
            rows.append((self.next, self.due, self.rest))
        notes = np.zeros(len(rows) * self.times, NOTE)
        for count in range(self.times):
            for index, (note, start, end) in enumerate(rows):
                place = count * len(rows) + index
                notes[place] = note
                notes[place]["onset"], notes[place]["duration"] = count * self.length + start, end - start
        notes["let_ring"] = notes["fermata"] = notes["grace"] = False
        meter = self.score.bars[self.source]
        count = max(self.times * self.length // self.full, 1)
        bars = [_bar(meter, index) for index in range(count)]
        marks = [n * self.length + mark for n in range(self.times) for mark in (0, self.due, self.rest)]
        return Excerpt(notes, tuple(bars), (self.source,) * count, (), tuple(marks))

    # --- the held note ----------------------------------------------------------------------------

    def _held(self) -> list[tuple[Array, int, int]]:
        """Return notes to hold, as (a row of NOTE, from, to)."""
        stop = self.stop
        onset = int(self.bass["onset"])
        at_due = stop.due if self.next is not None else max(stop.due - 1, onset)
        after = self._tune_note(at_due) if self.next is not None else self._tune_note(stop.due)
        before = self._tune_note(max(stop.due - 1, onset))
        old, new = self._classes(onset), self._classes(at_due)
        if after is None or not self._suits(after, new, self.next if self.next is not None else self.bass):
            after = self._chord_tone(new, self._near(after, before))
        if after is None:
            return []
        if self.next is None or (self._suits(after, old, self.bass) and self._playable(after)):
            return [(after, 0, self.length)]
        if before is None or not self._suits(before, old, self.bass):
            before = self._chord_tone(old, int(after["pitch"]), later=False)
        after_only = (after, self.due, self.length)
        return [after_only] if before is None else [(before, 0, self.due), after_only]

    def _tune_note(self, tick: int) -> Array | None:
        """Return the highest note of the tune that sounds at a tick of the piece."""
        notes = self.score.notes
        sounding = ~notes["bass"] & ~notes["grace"]
        sounding &= (notes["onset"] <= tick) & (notes["onset"] + notes["duration"] > tick)
        rows = np.flatnonzero(sounding)
        return notes[rows[np.argmax(notes["pitch"][rows])]] if len(rows) else None

    def _classes(self, tick: int) -> frozenset[int]:
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

    def _suits(self, note: Array, classes: frozenset[int], bass: Array) -> bool:
        """Tell whether a note belongs to a harmony, lies well over a bass and takes no string from either."""
        if int(note["string"]) and int(note["string"]) in (self.stop.string, self.stop.next_string):
            return False
        pitch = int(note["pitch"])
        return pitch % 12 in classes and (pitch - int(bass["pitch"])) % 12 not in (1, 11)

    def _playable(self, note: Array) -> bool:
        """Tell whether a hand can hold a note while it plays both basses."""
        return all(_together(note, bass) for bass in (self.bass, self.next) if bass is not None)

    @staticmethod
    def _near(*notes: Array | None) -> int:
        return next((int(note["pitch"]) for note in notes if note is not None), MIDDLE_OF_STAFF)

    def _chord_tone(self, classes: frozenset[int], near: int, later: bool = True) -> Array | None:
        """Return a chord tone that first position has on the treble strings.

        The best is one under which the ringing bass would be heard most, then one that can be held from the
        start, then the one nearest to a pitch.
        """
        tuning, found = self.score.tuning, []
        for string in range(1, min(TREBLES, tuning.strings) + 1):
            for fret in range(FIRST_POSITION + 1):
                pitch = tuning.pitch(string, fret)
                note = np.zeros((), NOTE)
                note["pitch"], note["string"], note["fret"], note["pluck"] = pitch, string, fret, PLUCK_A
                note["voice"] = 2 if int(self.bass["voice"]) == 1 else 1
                bass = self.next if later and self.next is not None else self.bass
                both = self.next is None or self._playable(note)
                if pitch % 12 in classes and _together(note, bass) and self._suits(note, classes, bass):
                    heard = self._heard(pitch) if later else 0
                    found.append((-heard, not both, abs(pitch - near), fret, string, note))
        return min(found, key=lambda item: item[:5])[5] if found else None

    def _heard(self, pitch: int) -> int:
        """Return how much a ring-over would be heard under a held pitch: the rank of its grade."""
        if self.next is None:
            return 0
        bass = int(self.next["pitch"])
        return ring_over(int(self.bass["pitch"]), [pitch, bass], bass).clash.rank


def _bar(meter: Bar, index: int) -> Bar:
    full = meter.full_length
    return replace(meter, number=index + 1, onset=index * full, length=full, written=index, round=1, lead=0)


def _together(note: Array, bass: Array) -> bool:
    """Tell whether one hand can hold two notes: on two strings, within four frets, with two fingers."""
    if int(note["string"]) == int(bass["string"]):
        return False
    frets = [int(each["fret"]) for each in (note, bass) if int(each["fret"]) > 0]
    if len(frets) == 2 and max(frets) - min(frets) >= FIRST_POSITION:
        return False
    fingers = [int(each["finger"]) for each in (note, bass) if int(each["fret"]) > 0 and int(each["finger"])]
    return len(fingers) == len(set(fingers))
