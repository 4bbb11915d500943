"""Broken chords in the bass: notes written one after another that a player lets ring together."""

from __future__ import annotations

from collections.abc import Sequence

from coach.core.harmony import Harmony
from coach.core.score import TICKS_PER_QUARTER, Score

STRINGS = 3  # that a broken chord runs over at least


def broken_chords(score: Score, basses: Sequence[int], harmony: Harmony) -> frozenset[int]:
    """Return the basses that ring on with the next notes of a broken chord; its last note is none of them.

    A broken chord is three notes or more in a row, each a beat or shorter, the lowest first, on as many
    strings, all of one chord (common practice, no source).  ``basses`` are rows in order of time.
    """
    finder = _Finder(score, harmony)
    found: set[int] = set()
    run: list[int] = []
    for row in basses:
        if run and not finder.goes_on(run, row):
            found |= finder.ringing(run)
            run = []
        if run or finder.fits(row):
            run.append(row)
    return frozenset(found | finder.ringing(run))


class _Finder:
    def __init__(self, score: Score, harmony: Harmony) -> None:
        notes = score.notes
        self.score, self.harmony = score, harmony
        self.onset: list[int] = notes["onset"].tolist()
        self.over: list[int] = (notes["onset"] + notes["duration"]).tolist()
        self.pitch: list[int] = notes["pitch"].tolist()
        self.string: list[int] = notes["string"].tolist()

    def ringing(self, run: Sequence[int]) -> set[int]:
        """Return the notes of a run that ring on, if it is a broken chord."""
        return set(run[:-1]) if len({self.string[row] for row in run}) >= STRINGS else set()

    def goes_on(self, run: Sequence[int], row: int) -> bool:
        """Return whether a note goes on breaking the chord of a run."""
        first, last = run[0], run[-1]
        if self.onset[row] != self.over[last] or not self.fits(row):
            return False
        same = self.harmony.at(self.onset[row]) is self.harmony.at(self.onset[first])
        return same and self.pitch[row] > self.pitch[first] and self.string[row] != self.string[last]

    def fits(self, row: int) -> bool:
        """Return whether a note is a short one of the chord it stands in."""
        chord = self.harmony.at(self.onset[row])
        beat = self.score.bars[self.score.bar_index(self.onset[row])].beat_ticks
        short = self.over[row] - self.onset[row] <= max(beat, TICKS_PER_QUARTER)
        return short and chord is not None and self.pitch[row] % 12 in chord.classes and self.string[row] > 0
