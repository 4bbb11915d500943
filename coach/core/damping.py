"""The damping plan: every bass end, its due point, the ways to stop it, and whether it is asked for.

The names of the ways are words of the trade.  Which way serves which pair of strings is common practice:
a returning thumb always; the side of the thumb when the ringing string is the next lower-sounding
neighbour of the one the thumb now plays; a rest stroke when it is the next higher-sounding neighbour; the
left hand releases a fretted note (an open string has nothing to release).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from coach.core.clash import Clash, grade, in_chord, ring_over_roughness
from coach.core.pitch import Tuning
from coach.core.score import DampMark, Score

# A thumb plays at most five or six strokes a second (from memory; no published figure found), so going
# back to the old string and forth to the next stroke needs about two such moves.
RETURN_MS = 340.0
PLANT_MS = 120.0  # laying the thumb on a string before its next stroke


class Reason(Enum):
    """Why the bass ends where it does."""

    NEXT_BASS = "next-bass"
    REST = "rest"
    END = "end"
    MARKED = "marked"
    REPLACED = "replaced"
    FREE = "free"


class Way(Enum):
    """How a string is stopped."""

    RETURNING_THUMB = "returning-thumb"
    SIDE_OF_THUMB = "side-of-thumb"
    REST_STROKE = "rest-stroke"
    PLANTED_THUMB = "planted-thumb"
    LEFT_HAND_RELEASE = "left-hand-release"
    LEFT_HAND_TOUCH = "left-hand-touch"
    FINGER = "finger"


@dataclass(frozen=True, slots=True)
class Stop:
    """One bass end."""

    note: int  # row in Score.notes
    due: int  # tick
    reason: Reason
    next_note: int  # row of the note whose own onset is the due point; -1 where there is none
    string: int  # 0 where unknown
    fret: int  # -1 where unknown
    next_string: int | None
    ways: tuple[Way, ...]  # feasible ones, easiest first
    way: Way | None
    time_ms: float | None  # from the due point to the thumb's next stroke, at the written tempo
    clash: Clash
    in_chord: bool
    roughness: float
    reachable: bool  # some way can be done in that time
    wanted: bool  # asked for, and judged
    lenient: bool  # at the end of the piece or chunk


def plan_stops(
    score: Score, *, last_bar: int | None = None, free: frozenset[int] = frozenset(), tempo: float = 1.0
) -> tuple[Stop, ...]:
    """Return a Stop for every bass note, in order of the notes.

    ``last_bar`` is the last performed bar of a chunk (default: the piece's); ``free`` holds written-note
    indices that taste lets ring; ``tempo`` multiplies the written tempo when time is reckoned.
    """
    notes = score.notes
    basses = [row for row in range(len(notes)) if notes["bass"][row] and not notes["grace"][row]]
    if not basses:
        return ()
    bars = score.bars
    end = bars[last_bar].end if last_bar is not None and last_bar < len(bars) else score.end
    return tuple(_Planner(score, basses, end, free, tempo).stop(row) for row in basses)


class _Planner:
    """The score's columns as lists, and the search for each note's end."""

    def __init__(
        self, score: Score, basses: Sequence[int], end: int, free: frozenset[int], tempo: float
    ) -> None:
        notes = score.notes
        self.score, self.end, self.free, self.tempo = score, end, free, tempo
        self.onset: list[int] = notes["onset"].tolist()
        self.over: list[int] = (notes["onset"] + notes["duration"]).tolist()
        self.pitch: list[int] = notes["pitch"].tolist()
        self.string: list[int] = notes["string"].tolist()
        self.grace: list[bool] = notes["grace"].tolist()
        self.basses = list(basses)
        self.bass_onsets = [self.onset[row] for row in basses]
        strokes = {self.onset[row] for row in basses}
        strokes |= {self.onset[row] for row in range(len(notes)) if notes["pluck"][row] == 1}
        self.strokes = sorted(strokes)
        self.by_string: dict[int, list[int]] = {}
        for row, string in enumerate(self.string):
            if string:
                self.by_string.setdefault(string, []).append(row)
        self.string_onsets = {s: [self.onset[r] for r in rows] for s, rows in self.by_string.items()}

    def stop(self, row: int) -> Stop:
        note = self.score.notes[row]
        written_end = self.over[row]
        due, reason, next_note = self._end(row, written_end)
        if note["let_ring"] or int(note["written"]) in self.free:
            mark = self._mark(row, self.score.end)
            if mark is None:
                due, reason, next_note = written_end, Reason.FREE, -1
        string, fret = self.string[row], int(note["fret"])
        next_string = self.string[next_note] or None if next_note >= 0 else None
        ways = _ways(reason, string, fret, next_string, self.score.tuning)
        time_ms = self._thumb_time(due)
        feasible = tuple(way for way in ways if _in_time(way, time_ms))
        chord, bass = self._chord(due, row, next_note)
        pitch = self.pitch[row]
        asked = reason not in (Reason.FREE, Reason.REPLACED)
        return Stop(
            note=row,
            due=due,
            reason=reason,
            next_note=next_note,
            string=string,
            fret=fret,
            next_string=next_string,
            ways=feasible or ways,
            way=(feasible or ways or (None,))[0],
            time_ms=time_ms,
            clash=grade(pitch, chord, bass) if asked and chord else Clash.LOW,
            in_chord=in_chord(pitch, chord, bass) if chord else True,
            roughness=ring_over_roughness(pitch, chord),
            reachable=bool(feasible) or not asked,
            wanted=asked and bool(feasible),
            lenient=reason is Reason.END,
        )

    def _end(self, row: int, written_end: int) -> tuple[int, Reason, int]:
        """Return due tick, reason and the note that starts there."""
        onset, string = self.onset[row], self.string[row]
        mark = self._mark(row, written_end)
        again = self._again(row, string, mark.onset if mark else written_end) if string else -1
        if again >= 0 and (mark is None or self.onset[again] <= mark.onset):
            return self.onset[again], Reason.REPLACED, again
        if mark is not None:
            return mark.onset, Reason.MARKED, self._bass_at(mark.onset)
        following = bisect_left(self.bass_onsets, max(written_end, onset + 1))
        if following < len(self.basses) and self.bass_onsets[following] == written_end:
            if written_end >= self.end:
                return written_end, Reason.END, -1
            return written_end, Reason.NEXT_BASS, self.basses[following]
        if written_end >= self.end:
            return written_end, Reason.END, -1
        return written_end, Reason.REST, -1

    def _again(self, row: int, string: int, until: int) -> int:
        """Return the row of the next note on the same string up to ``until``, or -1."""
        rows, onsets = self.by_string[string], self.string_onsets[string]
        at = bisect_right(onsets, self.onset[row])
        while at < len(rows) and self.grace[rows[at]]:
            at += 1
        return rows[at] if at < len(rows) and onsets[at] <= until else -1

    def _bass_at(self, tick: int) -> int:
        at = bisect_left(self.bass_onsets, tick)
        return self.basses[at] if at < len(self.basses) and self.bass_onsets[at] == tick else -1

    def _mark(self, row: int, until: int) -> DampMark | None:
        """Return the first written damping mark that speaks to this note before ``until``."""
        onset, string = self.onset[row], self.string[row]
        for mark in self.score.damps:
            if onset < mark.onset <= until and (mark.everything or mark.string in (None, string)):
                return mark
        return None

    def _thumb_time(self, due: int) -> float | None:
        at = bisect_right(self.strokes, due)
        if at == len(self.strokes):
            return None
        us = self.score.nominal_us(self.strokes[at]) - self.score.nominal_us(due)
        return us / 1000 / self.tempo

    def _chord(self, due: int, row: int, next_note: int) -> tuple[list[int], int | None]:
        """Return what sounds from the due point until the next bass ends (at least a beat), and the bass."""
        beat = self.score.bars[self.score.bar_index(due)].beat_ticks
        until = max(due + beat, self.over[next_note] if next_note >= 0 else 0)
        first = bisect_left(self.onset, due - 16 * beat)
        last = bisect_left(self.onset, until)
        rows = [r for r in range(first, last) if r != row and self.over[r] > due and not self.grace[r]]
        if next_note >= 0:
            return [self.pitch[r] for r in rows], self.pitch[next_note]
        # Into a rest the bar's harmony goes on, and the bass itself belongs to it.
        bar = self.score.bars[self.score.bar_index(self.onset[row])]
        same = [] if due >= bar.end else [r for r in range(first, last) if bar.onset <= self.onset[r] < due]
        return [self.pitch[r] for r in {*rows, *same, *([row] if same else [])}], None


def _ways(reason: Reason, string: int, fret: int, next_string: int | None, tuning: Tuning) -> tuple[Way, ...]:
    """Return the possible ways, easiest first (order of difficulty: common practice, no source)."""
    if reason in (Reason.FREE, Reason.REPLACED):
        return ()
    ways = [Way.LEFT_HAND_RELEASE] if fret > 0 else []
    if next_string is None or reason in (Reason.REST, Reason.END):
        return (*ways, Way.PLANTED_THUMB)
    if string and string <= tuning.strings and next_string <= tuning.strings:
        lower = tuning.open_pitch(string) < tuning.open_pitch(next_string)
        if string == next_string - 1 and not lower:
            ways.append(Way.REST_STROKE)
        ways.append(Way.RETURNING_THUMB)
        if string == next_string + 1 and lower:
            ways.append(Way.SIDE_OF_THUMB)
    else:
        ways.append(Way.RETURNING_THUMB)
    return tuple(ways)


def _in_time(way: Way, time_ms: float | None) -> bool:
    needed = {Way.RETURNING_THUMB: RETURN_MS, Way.PLANTED_THUMB: PLANT_MS}.get(way, 0.0)
    return time_ms is None or time_ms >= needed
