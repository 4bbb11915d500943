"""Whether one voice is played alone: then the other's notes are not missing, nobody meant to play them.

Two bars of one voice without a note of the other are no slip; in a pass in which both were played before,
where the basses may lie a bar apart, three notes have to be left out too.  Until that is known nothing is
said of the notes left out, but for a single one in a voice that is being played: that is a slip, and told at
once.  Where the other voice comes in again sooner, all of them were left out, and are told then.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable
from enum import Enum

from coach.core.groups import Groups
from coach.core.ledger import Key
from coach.core.passes import Pass

BARS = 2  # so long one voice is played without the other, and it is meant.  Our own figure
LEAST_LEFT_OUT = 3  # of a voice that was being played.  Our own figure
LEAST_PLAYED, PLAYED_SHARE = 2, 0.5  # of the other voice's strokes meanwhile: else both were left out


class Fate(Enum):
    """What becomes of a note that was not played."""

    SAY = "say"
    HOLD = "hold"
    DROP = "drop"


class HandsAlone:
    """The owner of notes of which nothing is said yet."""

    def __init__(self, groups: Groups) -> None:
        self._groups = groups
        bass = groups.score.notes["bass"]
        every = [row for group in range(groups.count) for row in groups.required(group)]
        self._rows = {voice: [row for row in every if bool(bass[row]) is voice] for voice in (True, False)}
        self._at = {voice: [groups.group_of(row) for row in rows] for voice, rows in self._rows.items()}
        self._bass = bass
        self._held: list[tuple[Pass, int]] = []

    def sift(self, gone: Iterable[tuple[Pass, int]], shown: Collection[Key]) -> list[tuple[Pass, int]]:
        """Return what is to be said of notes that are missing for good, those held before among them.

        ``shown``: what has been said for the present; that is not held back any more.
        """
        held, self._held = [*self._held, *gone], []
        said = []
        for during, row in held:
            fate = self.fate(during, row)
            if fate is Fate.SAY or (fate is Fate.HOLD and ("missing", during.number, row) in shown):
                said.append((during, row))
            elif fate is Fate.HOLD:
                self._held.append((during, row))
            else:
                during.silent.add(bool(self._bass[row]))
        return said

    def fate(self, during: Pass, row: int, *, soft: bool = False) -> Fate:
        """Return what becomes of a note by what is settled of its pass; ``soft``: or may still change."""
        front = during.front if soft else during.settled_front
        voice = bool(self._bass[row])
        rows, at = self._rows[voice], self._at[voice]
        low = bisect_left(at, during.start)
        high = bisect_right(at, max(front, during.start))
        here = bisect_left(at, self._groups.group_of(row))
        here = rows.index(row, here)
        first, end = here, here + 1
        while first > low and not _played(during, rows[first - 1], soft):
            first -= 1
        while end < high and not _played(during, rows[end], soft):
            end += 1
        came_in = end < high
        last = at[end] if came_in else front
        others = self._others(during, voice, at[first], last, soft)
        meant = first == low or end - first >= LEAST_LEFT_OUT
        if others and meant and self._groups.bar_of(last) - self._groups.bar_of(at[first]) >= BARS:
            return Fate.DROP
        if came_in:
            return Fate.SAY
        if during.closed or during.ending is not None:
            return Fate.DROP if others and first == low and end - first > 1 else Fate.SAY
        return Fate.SAY if first > low and end - first == 1 else Fate.HOLD

    def _others(self, during: Pass, voice: bool, first: int, last: int, soft: bool) -> bool:
        """Whether the other voice was played while this one was silent, from group to group."""
        rows, at = self._rows[not voice], self._at[not voice]
        asked = rows[bisect_left(at, first) : bisect_right(at, last)]
        played = sum(_played(during, row, soft) for row in asked)
        return played >= max(LEAST_PLAYED, PLAYED_SHARE * len(asked))


def _played(during: Pass, row: int, soft: bool) -> bool:
    return during.claim(row) is not None if soft else row in during.claims
