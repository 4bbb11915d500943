"""A stretch of a piece as full bars of its own.

A pickup is filled up with the rest that leads to it, a short bar with the rest that follows it, and the two
halves of a bar that a repeat sign divides become one bar again, so that every bar of an excerpt is full.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from coach.core.score import Array, Bar, Score


@dataclass(frozen=True, slots=True)
class Excerpt:
    """Notes and bars that start at tick 0.  ``Bar.number`` and ``written`` count from 1 and 0."""

    notes: Array  # dtype NOTE
    bars: tuple[Bar, ...]
    sources: tuple[int, ...]  # for each bar the performed bar of the piece that it is, or stands for
    rows: tuple[int, ...]  # for each note its row in the piece
    marks: tuple[int, ...] = ()  # places asked for, in ticks of the excerpt

    @property
    def end(self) -> int:
        """Tick at which the last bar is over."""
        return self.bars[-1].end


def pulse_of(bar: Bar) -> int:
    """Return the length of what is counted, in ticks: three units in compound meters, else one."""
    compound = bar.beat_unit >= 8 and bar.beats % 3 == 0 and bar.beats > 3
    return bar.beat_ticks * (3 if compound else 1)


def lead_of(bar: Bar) -> int:
    """Return the ticks of a bar that lie before it: of a pickup, or of the second half of a divided bar."""
    return bar.lead or (max(bar.full_length - bar.length, 0) if bar.number == 0 else 0)


def cut(
    score: Score, first: int, last: int, start: int, until: int, marks: Iterable[int] = (), least: int = 0
) -> Excerpt:
    """Return the performed bars ``first`` to ``last``, with what sounds between two ticks.

    A note that began before ``start`` is struck there anew if ``least`` ticks of it are left; one that
    lasts beyond ``until`` ends there.
    """
    bars: list[Bar] = []
    sources: list[int] = []
    shift: list[int] = []  # of each performed bar: its place in the excerpt less its place in the piece
    at = filled = 0
    for index in range(first, last + 1):
        bar, lead = score.bars[index], lead_of(score.bars[index])
        if bars and lead and lead == filled:  # the other half of a divided bar
            place = bars[-1].onset + lead
            filled += bar.length
        else:
            length = max(bar.full_length, lead + bar.length)
            place, filled = at + lead, lead + bar.length
            count = len(bars)
            bars.append(
                replace(bar, number=count + 1, onset=at, length=length, written=count, round=1, lead=0)
            )
            sources.append(index)
            at += length
        shift.append(place - bar.onset)
    onsets = [score.bars[index].onset for index in range(first, last + 1)]

    def place_of(tick: int, ends: bool = False) -> int:
        """Return the place of a tick; an end at a barline belongs to the bar before it."""
        row = max(bisect_left(onsets, tick if ends else tick + 1) - 1, 0)
        return tick + shift[row]

    over = score.notes["onset"] + score.notes["duration"]
    inside = (score.notes["onset"] < until) & (over >= start)
    struck_anew = score.notes["onset"] < start
    inside &= ~struck_anew | (over - start >= max(least, 1))
    notes = score.notes[inside].copy()
    for note, end in zip(notes, np.minimum(over[inside], until).tolist(), strict=True):
        onset = place_of(max(int(note["onset"]), start))
        note["onset"], note["duration"] = onset, 0 if note["grace"] else place_of(end, ends=True) - onset
    rows = tuple(np.flatnonzero(inside).tolist())
    return Excerpt(notes, tuple(bars), tuple(sources), rows, tuple(place_of(t, t >= until) for t in marks))


def twice(excerpt: Excerpt) -> Excerpt:
    """Return an excerpt written out twice over; ``marks`` are those of both."""
    length = excerpt.end
    again = excerpt.notes.copy()
    again["onset"] += length
    count = len(excerpt.bars)
    bars = [
        replace(bar, number=bar.number + count, onset=bar.onset + length, written=bar.written + count)
        for bar in excerpt.bars
    ]
    return Excerpt(
        np.concatenate((excerpt.notes, again)),
        (*excerpt.bars, *bars),
        excerpt.sources * 2,
        excerpt.rows * 2,
        (*excerpt.marks, *(mark + length for mark in excerpt.marks)),
    )


def with_rest(excerpt: Excerpt) -> Excerpt:
    """Return an excerpt with a bar of rest after it."""
    last = excerpt.bars[-1]
    rest = replace(last, number=last.number + 1, onset=last.end, written=last.written + 1)
    sources = (*excerpt.sources, excerpt.sources[-1])
    return replace(excerpt, bars=(*excerpt.bars, rest), sources=sources)
