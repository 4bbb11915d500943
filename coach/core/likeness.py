"""What each bar is compared by: its notes, its tune, its intervals, its rhythm, as small whole numbers.

Only the first performance of each written bar is compared: a repeat sign is no finding.  A pickup bar
belongs to the bar after it and is not compared.  The tune is what lies on top: the notes above the bass
under which no higher one still sounds (so the inner notes of a broken chord are not in it).
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from coach.core.score import Bar, Score
from coach.core.spelling import Key, octave_of, spell

PITCHES = 128


def is_pickup(bar: Bar) -> bool:
    """Return whether a bar is an upbeat to the one after it: part of a bar at the piece's start, or at most
    the second half of a bar that a repeat sign divides."""
    if bar.number == 0:
        return 4 * bar.length <= 3 * bar.full_length
    return bar.lead > 0 and 2 * bar.length <= bar.full_length


def tune_rows(score: Score) -> NDArray[np.int64]:
    """Return the rows of the tune's notes, grace notes left out; of the bass where there is no tune."""
    notes = score.notes
    upper = np.flatnonzero(~notes["bass"] & ~notes["grace"])
    if not len(upper):
        return np.flatnonzero(~notes["grace"])
    onset, pitch = notes["onset"][upper], notes["pitch"][upper]
    found: list[int] = []
    sounding: list[tuple[int, int]] = []  # (pitch, end)
    order = np.lexsort((-pitch, onset))
    ends = onset + notes["duration"][upper]
    for at, tick, tone, end in zip(
        upper[order].tolist(), onset[order].tolist(), pitch[order].tolist(), ends[order].tolist(), strict=True
    ):
        sounding = [(p, e) for p, e in sounding if e > tick]
        if not any(p >= tone for p, _ in sounding):
            found.append(at)
        sounding.append((tone, end))
    return np.array(found, np.int64)


@dataclass(frozen=True, slots=True)
class Aspect:
    """One way to compare bars; arrays have one entry a compared bar.

    Bars are alike where ``token`` is equal and, in a run of bars, ``base`` differs by the same amount
    throughout (all ``base`` are 0 unless transposition counts).  ``head`` is the token without the upbeat of
    what follows, −1 where the bar is too short for that.
    """

    token: NDArray[np.int64]
    head: NDArray[np.int64]
    base: NDArray[np.int64]
    base_head: NDArray[np.int64]


class ComparedBars:
    """The bars of a score that are compared: first performances without pickups.

    ``units``   int64, performed index of each compared bar
    ``joined``  bool, the bar is played straight after the one before it in ``units``
    ``unit_of`` int64, for each performed bar its unit (that of its first performance), −1 for a pickup
    ``upbeat``  ticks of the piece's pickup, 0 where it has none
    """

    def __init__(self, score: Score) -> None:
        self.score = score
        bars = score.bars
        first = score.first_performed
        self.line = sorted(first.values())
        units = [i for i in self.line if not is_pickup(bars[i])]
        self.units = np.array(units, np.int64)
        self.joined = np.zeros(len(units), bool)
        for k in range(1, len(units)):
            between = range(units[k - 1] + 1, units[k])
            self.joined[k] = all(is_pickup(bars[i]) and first[bars[i].written] == i for i in between)
        place = {index: k for k, index in enumerate(units)}
        self.unit_of = np.array([place.get(first[bar.written], -1) for bar in bars], np.int64)
        self.upbeat = next((bars[i].length for i in self.line if is_pickup(bars[i])), 0)
        self._edges = np.searchsorted(score.notes["bar"], np.arange(len(bars) + 1))
        self._tune = np.zeros(len(score.notes), bool)
        self._tune[tune_rows(score)] = True

    @property
    def count(self) -> int:
        """Number of compared bars."""
        return len(self.units)

    @cached_property
    def has_tune(self) -> bool:
        """Whether there is both a tune and a bass, so that the tune can be compared by itself."""
        bass = self.score.notes["bass"]
        return bool(bass.any() and not bass.all())

    def rows(self, unit: int) -> range:
        """Return the rows of the notes that begin in a compared bar."""
        index = int(self.units[unit])
        return range(int(self._edges[index]), int(self._edges[index + 1]))

    @cached_property
    def counts(self) -> NDArray[np.int64]:
        """Notes that begin in each compared bar, shape (units,)."""
        return np.array([len(self.rows(k)) for k in range(self.count)], np.int64)

    @cached_property
    def tuneless(self) -> NDArray[np.bool_]:
        """Whether the tune rests, or is held, throughout each compared bar, shape (units,)."""
        rows = (self.rows(k) for k in range(self.count))
        return np.array([not self._tune[r.start : r.stop].any() for r in rows], bool)

    @cached_property
    def exact(self) -> Aspect:
        """Every note: onset, duration, pitch, voice."""
        return self._aspect("pitch", False, shifted=False)

    @cached_property
    def transposed(self) -> Aspect:
        """Every note by its interval in semitones."""
        return self._aspect("pitch", False, shifted=True)

    @cached_property
    def diatonic(self) -> Aspect:
        """Every note by its steps in the key signature."""
        return self._aspect("step", False, shifted=True)

    @cached_property
    def rhythm(self) -> Aspect:
        """Onsets and durations in both voices."""
        return self._aspect("", False, shifted=False)

    @cached_property
    def tune(self) -> Aspect:
        """The tune's notes."""
        return self._aspect("pitch", True, shifted=False)

    @cached_property
    def tune_transposed(self) -> Aspect:
        """The tune by its intervals."""
        return self._aspect("pitch", True, shifted=True)

    @cached_property
    def tune_diatonic(self) -> Aspect:
        """The tune by its steps in the key signature."""
        return self._aspect("step", True, shifted=True)

    @cached_property
    def tune_rhythm(self) -> Aspect:
        """Onsets and durations of the tune."""
        return self._aspect("", True, shifted=False)

    @cached_property
    def bass(self) -> NDArray[np.int64]:
        """A token of the bass notes of each compared bar, shape (units,)."""
        known: dict[Hashable, int] = {}
        found = [
            tuple(n for n in self._notes("pitch", k, False) if n[3]) for k in range(self.count)
        ]  # a bar's basses
        return np.array([known.setdefault(f, len(known)) for f in found], np.int64)

    @cached_property
    def _steps(self) -> NDArray[np.int64]:
        """Step of every note on the staff of its key signature, C0 being 0; shape (notes,)."""
        score = self.score
        minor = score.mode == "minor"
        tables: dict[int, NDArray[np.int64]] = {}
        found = np.zeros(len(score.notes), np.int64)
        for index, bar in enumerate(score.bars):
            if bar.fifths not in tables:
                key = Key(bar.fifths + 3 * minor, minor)
                places = [spell(p, key) for p in range(PITCHES)]
                tables[bar.fifths] = np.array(
                    [place * 4 % 7 + 7 * octave_of(p, place) for p, place in enumerate(places)], np.int64
                )
            rows = slice(int(self._edges[index]), int(self._edges[index + 1]))
            found[rows] = tables[bar.fifths][np.clip(score.notes["pitch"][rows], 0, PITCHES - 1)]
        return found

    @cached_property
    def _heights(self) -> dict[str, NDArray[np.int64]]:
        pitch = self.score.notes["pitch"].astype(np.int64)
        return {"pitch": pitch, "step": self._steps, "": np.zeros(len(pitch), np.int64)}

    def _notes(self, height: str, unit: int, tune: bool) -> list[tuple[int, ...]]:
        """Return (onset in the bar, duration, height, bass, grace) of a bar's notes, in order."""
        rows = self.rows(unit)
        heights = self._heights[height][rows.start : rows.stop].tolist()
        found = [
            (onset, duration, high, bass, grace)
            for row, (onset, duration, bass, grace), high in zip(
                rows, self._facts[rows.start : rows.stop], heights, strict=True
            )
            if not tune or self._tune[row]
        ]
        return sorted(found) if height else sorted(set(found))

    @cached_property
    def _facts(self) -> list[tuple[int, int, int, int]]:
        """Return (onset in the bar, duration, bass, grace) of every note."""
        notes = self.score.notes
        starts = np.array([bar.onset for bar in self.score.bars], np.int64)
        columns = (notes["onset"] - starts[notes["bar"]], notes["duration"], notes["bass"], notes["grace"])
        return list(zip(*(column.astype(int).tolist() for column in columns), strict=True))

    def _aspect(self, height: str, tune: bool, *, shifted: bool) -> Aspect:
        known: dict[Hashable, int] = {}
        columns: list[list[int]] = [[], [], [], []]
        bases = [0, 0]  # a bar of rests keeps the base before it, so that a run goes on through it
        for unit in range(self.count):
            bar = self.score.bars[int(self.units[unit])]
            limit = bar.full_length - self.upbeat
            notes = self._notes(height, unit, tune)
            versions = [(bar.length, notes)]
            if self.upbeat:
                versions.append(
                    (limit, [(o, min(d, limit - o), *rest) for o, d, *rest in notes if o < limit])
                )
            for which, (length, told) in enumerate(versions):
                told = sorted(told) if height else sorted(set(told))
                if shifted and told:
                    base = bases[which] = told[0][2]
                    told = [(o, d, h - base, b, g) for o, d, h, b, g in told]
                token = known.setdefault((which, length, tuple(told)), len(known))
                columns[which].append(-1 if bar.length < length else token)
                columns[2 + which].append(bases[which])
        arrays = [np.array(column, np.int64) for column in columns]
        if not self.upbeat:
            arrays[1], arrays[3] = arrays[0], arrays[2]
        return Aspect(*arrays)
