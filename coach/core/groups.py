"""Onset groups: the notes of a score that begin together, the steps a follower walks on.

Grace notes that lead to one onset form an optional group of their own, just before the main notes; the
order in which they are played is left open.  Groups are numbered in performed order and every group is a
slice of rows of ``score.notes``.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from coach.core.score import TICKS_PER_QUARTER, Score


class Groups:
    """The onset groups of one score.  Arrays are read-only, one entry a group.

    ``starts``   int64, shape (count + 1,): group g holds the rows ``starts[g]:starts[g + 1]``
    ``onsets``   int64, ticks
    ``grace``    bool: an optional group of grace notes
    ``bars``     int32, index into ``score.bars``
    ``quarters`` float64, onset in quarter notes from the start

    One entry a note: ``of_note`` int32, its group; ``needed`` bool, a stroke of its own is asked for.
    """

    def __init__(self, score: Score) -> None:
        self.score = score
        notes = score.notes
        onset, grace = notes["onset"], notes["grace"]
        if len(notes):
            new = np.flatnonzero((np.diff(onset) != 0) | (grace[1:] != grace[:-1])) + 1
            self.starts = np.concatenate(([0], new, [len(notes)])).astype(np.int64)
        else:
            self.starts = np.zeros(1, np.int64)
        firsts = self.starts[:-1]
        self.onsets = onset[firsts].astype(np.int64)
        self.grace = grace[firsts].astype(bool)
        self.bars = notes["bar"][firsts].astype(np.int32)
        self.quarters = self.onsets / TICKS_PER_QUARTER
        self.of_note = np.repeat(np.arange(len(firsts), dtype=np.int32), np.diff(self.starts))
        self.needed = self._needed()
        for array in (
            self.starts,
            self.onsets,
            self.grace,
            self.bars,
            self.quarters,
            self.of_note,
            self.needed,
        ):
            array.flags.writeable = False
        self._near: dict[int, frozenset[int]] = {}

    @property
    def count(self) -> int:
        """Number of groups."""
        return len(self.onsets)

    def rows(self, group: int) -> range:
        """Return the rows of ``score.notes`` in a group."""
        return range(int(self.starts[group]), int(self.starts[group + 1]))

    def required(self, group: int) -> list[int]:
        """Return the rows that have to be played in a group: none of a group of grace notes.

        Two voices may share one note; one stroke plays both, and only the bass's row (else the first) is
        required.  A unison on two strings is two strokes.
        """
        return [row for row in self.rows(group) if self.needed[row]]

    def group_of(self, row: int) -> int:
        """Return the group of a note."""
        return int(self.of_note[row])

    def bar_of(self, group: int) -> int:
        """Return the performed bar of a group (of the nearest one, where there is no such group)."""
        return int(self.bars[min(max(group, 0), self.count - 1)]) if self.count else 0

    def onset_of(self, group: int) -> int:
        """Return the tick of a group (of the nearest one; 0 in a score without notes)."""
        return int(self.onsets[min(max(group, 0), self.count - 1)]) if self.count else 0

    def next_onset(self, group: int) -> int | None:
        """Return the tick of the next onset that has to be played after ``group``, or None at the end."""
        following = self._next_required(group)
        return None if following is None else int(self.onsets[following])

    def waits(self, front: int, tick: int) -> bool:
        """Whether a note that has to be played after group ``front`` comes before or at ``tick``."""
        following = self.next_onset(front)
        return following is not None and following <= tick

    def pitches_near(self, group: int) -> frozenset[int]:
        """Return the pitches written in a group and its two neighbours."""
        found = self._near.get(group)
        if found is None:
            first, last = max(group - 1, 0), min(group + 2, self.count)
            rows = slice(int(self.starts[first]), int(self.starts[last])) if first < last else slice(0)
            found = self._near[group] = frozenset(self.score.notes["pitch"][rows].tolist())
        return found

    def span(self, bars: tuple[int, int]) -> tuple[int, int]:
        """Return the first group of some bars and the one after their last (bars inclusive, clipped)."""
        first, last = min(bars), max(bars)
        begin = int(np.searchsorted(self.bars, first, "left"))
        return begin, int(np.searchsorted(self.bars, last, "right"))

    @cached_property
    def twins(self) -> NDArray[np.int32]:
        """For each row the first row that is the same note of an exactly equal bar, shape (notes,).

        Bars are equal when their length and every onset in the bar, duration, pitch, string and grace
        mark agree; a note in a bar like no earlier one is its own twin.
        """
        notes = self.score.notes
        first_like: dict[tuple[int | bytes, ...], int] = {}
        found = np.arange(len(notes), dtype=np.int32)
        edges = np.searchsorted(notes["bar"], np.arange(len(self.score.bars) + 1))
        for bar, begin, end in zip(self.score.bars, edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            part = notes[begin:end]
            onsets = (part["onset"] - bar.onset).tobytes()
            rest = (part[name].tobytes() for name in ("duration", "pitch", "string", "grace"))
            like = first_like.setdefault((bar.length, onsets, *rest), begin)
            found[begin:end] = np.arange(like, like + end - begin)
        found.flags.writeable = False
        return found

    def _needed(self) -> NDArray[np.bool_]:
        notes = self.score.notes
        needed = ~notes["grace"]
        order = np.lexsort((~notes["bass"], notes["pitch"], self.of_note))  # bass before melody
        pitch, group = notes["pitch"][order], self.of_note[order]
        shared = (np.diff(pitch) == 0) & (np.diff(group) == 0)  # with the row before it
        strings: set[int] = set()
        for at in np.flatnonzero(shared).tolist():
            if at == 0 or not shared[at - 1]:
                strings = {int(notes["string"][order[at]])}
            string = int(notes["string"][order[at + 1]])
            if string == 0 or string in strings or strings == {0}:
                needed[order[at + 1]] = False
            strings.add(string)
        return np.asarray(needed, bool)

    def _next_required(self, group: int) -> int | None:
        following = max(group + 1, 0)
        while following < self.count and self.grace[following]:
            following += 1
        return following if following < self.count else None
