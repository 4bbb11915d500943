"""From written bars to a performed score: repeats played, ties joined in the order they are *played*.

Joining after unfolding is what keeps a tie into a second ending from making a false attack: the note
before the first ending is tied to whichever ending follows it this time.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from coach.core.repeats import TooManyBars, unfold
from coach.core.score import DEFAULT_QPM, NOTE, TEMPO, Array, Bar, DampMark
from coach.files.limits import MAX_PERFORMED_BARS, MAX_PERFORMED_NOTES
from coach.files.written import Notices, Part, WrittenNote

SLACK = 2  # ticks: what rounding odd divisions may put between two tied notes
UNISONS = 8  # tied notes of one pitch and end that are looked through for the same voice


@dataclass(frozen=True, slots=True)
class Performance:
    """The parts of a Score that depend on the order of playing."""

    notes: Array
    bars: tuple[Bar, ...]
    tempo: Array
    tempo_given: bool
    damps: tuple[DampMark, ...]


def perform(part: Part, notices: Notices) -> Performance:
    """Play ``part`` (bars settled, pitches sounding).

    Raises ScoreError when the repeats make it longer than any piece.
    """
    try:
        unfolded = unfold([bar.signs for bar in part.bars], MAX_PERFORMED_BARS)
    except TooManyBars as fault:
        what = f"the repeats make more than {MAX_PERFORMED_BARS:,} bars"
        raise notices.fault(
            part.bars[fault.bar].token, what, "check the repeat signs and their times"
        ) from None
    for what, index in unfolded.oddities:
        sentence = what[0].upper() + what[1:]
        notices.add(f"{sentence}: the jump is not made", part.bars[index].token)
    bars: list[Bar] = []
    rounds: Counter[int] = Counter()
    tick = 0
    for index in unfolded.order:
        written = part.bars[index]
        rounds[index] += 1
        bars.append(
            Bar(
                number=written.number, onset=tick, length=written.length, beats=written.beats,
                beat_unit=written.beat_unit, fifths=written.fifths, written=index, round=rounds[index],
                lead=written.lead,
            )
        )  # fmt: skip
        tick += written.length
    given, tempo = _tempo(part, bars)
    damps = {
        DampMark(bar.onset + mark.onset, mark.string, mark.everything): None
        for bar in bars
        for mark in part.bars[bar.written].damps
    }
    in_time = tuple(sorted(damps, key=lambda mark: mark.onset))  # files go voice by voice
    return Performance(_join(part, bars, notices), tuple(bars), tempo, given, in_time)


def _tempo(part: Part, bars: list[Bar]) -> tuple[bool, Array]:
    """Return whether any tempo is written, and the tempo of the performance.

    Before the first mark its own tempo holds; a bar come back to has the tempo it was first played at.
    """
    first = next((qpm for bar in part.bars for _, qpm in bar.tempos), None)
    if first is None:
        return False, np.array([(0, DEFAULT_QPM)], TEMPO)
    starts: list[float] = []  # tempo in force where each written bar begins
    qpm = first
    for written in part.bars:
        starts.append(qpm)
        qpm = written.tempos[-1][1] if written.tempos else qpm
    rows: list[tuple[int, float]] = []
    now = 0.0
    for bar in bars:
        for offset, qpm in [(0, starts[bar.written]), *part.bars[bar.written].tempos]:
            tick = bar.onset + max(offset, 0)
            if qpm != now:
                while rows and rows[-1][0] >= tick:
                    rows.pop()
                rows.append((tick, qpm))
                now = qpm
    return True, np.array(rows, TEMPO)


def _join(part: Part, bars: list[Bar], notices: Notices) -> Array:
    """Return the notes as played, each chain of ties as one."""
    order: dict[int, list[WrittenNote]] = {}
    rows: list[list[int]] = []  # onset, end, head's index, last note's index
    heads = part.heads()
    for index, note in enumerate(heads):
        note.index = index
    waiting: dict[tuple[int, int], list[tuple[int, int]]] = {}  # (pitch, end) -> (row, voice)
    paired: set[int] = set()  # written notes whose tie was met at least once
    rings: set[int] = set()  # rows, by any note of their chain
    fermatas: set[int] = set()
    for bar in bars:
        notes = order.get(bar.written)
        if notes is None:
            own = [n for n in part.bars[bar.written].notes if n.index >= 0]
            notes = order[bar.written] = sorted(own, key=lambda n: (n.onset, not n.grace))
        for note in notes:
            onset, end = bar.onset + note.onset, bar.onset + note.onset + note.duration
            row = _tied(waiting, note, onset) if note.tie_stop else -1
            if row >= 0:
                paired.update((note.index, rows[row][3]))
                if rows[row][0] == rows[row][1]:  # a grace note tied to its main note: one attack, there
                    rows[row][2] = note.index
                rows[row][1], rows[row][3] = max(end, rows[row][1]), note.index
            else:
                row = len(rows)
                if row >= MAX_PERFORMED_NOTES:
                    what = f"more than {MAX_PERFORMED_NOTES:,} notes with the repeats played"
                    raise notices.fault("", what, "give one piece a file")
                rows.append([onset, end, note.index, note.index])
            if note.let_ring:
                rings.add(row)
            if note.fermata:
                fermatas.add(row)
            if note.tie_start:
                waiting.setdefault((note.pitch, end), []).append((row, note.voice))
    _tell_unpaired(part, heads, paired, notices)
    return _array(rows, heads, rings, fermatas)


def _tied(waiting: dict[tuple[int, int], list[tuple[int, int]]], note: WrittenNote, onset: int) -> int:
    """Return the row that a tie leads into ``note`` from, or -1; the same voice is preferred."""
    for slack in (0, *(sign * ticks for ticks in range(1, SLACK + 1) for sign in (-1, 1))):
        ties = waiting.get((note.pitch, onset + slack))
        if ties:
            recent = range(len(ties) - 1, max(len(ties) - 1 - UNISONS, -1), -1)
            return ties.pop(next((k for k in recent if ties[k][1] == note.voice), -1))[0]
    return -1


def _tell_unpaired(part: Part, heads: list[WrittenNote], paired: set[int], notices: Notices) -> None:
    for note in heads:
        if note.index in paired or not (note.tie_start or note.tie_stop):
            continue
        if note.tie_stop:
            notices.add("A tie has no beginning: its note is struck anew", part.bars[note.bar].token)
        else:
            notices.add("A tie has no end: its note stops where it is written", part.bars[note.bar].token)


def _array(rows: list[list[int]], heads: list[WrittenNote], rings: set[int], fermatas: set[int]) -> Array:
    notes = np.zeros(len(rows), NOTE)
    found = np.array(rows, np.int64).reshape(-1, 4)
    notes["onset"], notes["duration"] = found[:, 0], found[:, 1] - found[:, 0]
    notes["written"] = found[:, 2]
    fields = ("pitch", "string", "fret", "finger", "pluck", "voice", "stem", "grace")
    for name in fields:
        notes[name] = np.array([getattr(note, name) for note in heads], np.int64)[found[:, 2]]
    notes["let_ring"][sorted(rings)] = True
    notes["fermata"][sorted(fermatas)] = True
    return notes
