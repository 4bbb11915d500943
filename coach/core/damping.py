"""The damping plan: every bass end, its due point, the ways to stop it, and whether it is asked for."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from dataclasses import replace

from coach.core.broken_chords import broken_chords
from coach.core.clash import Clash, RingOver, ring_over
from coach.core.harmony import Harmony
from coach.core.levels import INTERMEDIATE, Level
from coach.core.score import DampMark, Score
from coach.core.stops import Reason, Stop, one_thumb, worst_first
from coach.core.ways import Moment, Ways, ways_at

__all__ = ["Reason", "Stop", "plan_stops", "worst_first"]

NEVER_MS = 1e9


def plan_stops(
    score: Score,
    *,
    last_bar: int | None = None,
    free: frozenset[int] = frozenset(),
    tempo: float = 1.0,
    harmony: Harmony | None = None,
    level: Level = INTERMEDIATE,
) -> tuple[Stop, ...]:
    """Return a Stop for every bass note, in order of the notes.

    ``last_bar`` is the last performed bar of a chunk (default: the piece's); ``free`` holds written-note
    indices that taste lets ring; ``tempo`` multiplies the written tempo when time is reckoned; ``harmony``
    tells which notes belong to a chord (default: those that sound); ``level`` says what is asked for.
    """
    notes = score.notes
    basses = [row for row in range(len(notes)) if notes["bass"][row] and not notes["grace"][row]]
    if not basses:
        return ()
    bars = score.bars
    end = bars[last_bar].end if last_bar is not None and last_bar < len(bars) else score.end
    planner = _Planner(score, basses, end, free, tempo, harmony, level)
    return one_thumb([planner.stop(row) for row in basses])


class _Planner:
    """The score's columns as lists, and the search for each note's end."""

    def __init__(
        self,
        score: Score,
        basses: list[int],
        end: int,
        free: frozenset[int],
        tempo: float,
        harmony: Harmony | None,
        level: Level,
    ) -> None:
        notes = score.notes
        self.score, self.end, self.free, self.tempo = score, end, free, tempo
        self.harmony, self.level = harmony, level
        self.onset: list[int] = notes["onset"].tolist()
        self.over: list[int] = (notes["onset"] + notes["duration"]).tolist()
        self.pitch: list[int] = notes["pitch"].tolist()
        self.string: list[int] = notes["string"].tolist()
        self.fret: list[int] = notes["fret"].tolist()
        self.finger: list[int] = notes["finger"].tolist()
        self.grace: list[bool] = notes["grace"].tolist()
        self.basses = basses
        self.bass_onsets = [self.onset[row] for row in basses]
        by_thumb = {row for row in range(len(notes)) if notes["pluck"][row] == 1} - set(basses)
        self.thumbed = by_thumb | set(basses)
        self.stroke_on: dict[int, int] = {}  # tick of a thumb stroke -> its string, a bass's before another's
        for row in (*basses, *sorted(by_thumb)):
            self.stroke_on.setdefault(self.onset[row], self.string[row])
        self.strokes = sorted(self.stroke_on)
        self.broken = broken_chords(score, basses, harmony) if harmony else frozenset()
        self.by_string: dict[int, list[int]] = defaultdict(list)
        for row, string in enumerate(self.string):
            if string:
                self.by_string[string].append(row)
        self.string_onsets = {s: [self.onset[r] for r in rows] for s, rows in self.by_string.items()}

    def stop(self, row: int) -> Stop:
        due, reason, next_note = self._end(row)
        over, heard_at = self._ring_over(due, row, next_note, reason)
        if reason is Reason.FREE:
            next_note = -1
        asked = reason not in (Reason.FREE, Reason.REPLACED)
        time_ms = self._time_ms(due)
        ways = self._ways(row, due, time_ms, next_note) if asked else Ways((), ())
        return Stop(
            note=row,
            due=due,
            reason=reason,
            next_note=next_note,
            string=self.string[row],
            fret=self.fret[row],
            next_string=self.string[next_note] or None if next_note >= 0 else None,
            ways=ways.feasible,
            barred=ways.barred,
            time_ms=time_ms,
            over=over,
            wanted=asked and bool(ways.feasible) and self._wanted(row, reason, over),
            lenient=reason is Reason.END,
            heard_at=heard_at,
            broken=reason is Reason.NEXT_BASS and row in self.broken,
        )

    def _wanted(self, row: int, reason: Reason, over: RingOver) -> bool:
        """Return whether the level asks for a stop of this kind."""
        level = self.level
        if reason is Reason.END:
            return level.end
        if reason is not Reason.NEXT_BASS:
            return True
        return over.clash.rank >= level.least.rank and (level.broken or row not in self.broken)

    def _end(self, row: int) -> tuple[int, Reason, int]:
        """Return due tick, reason and the note that starts there."""
        note, string, written_end = self.score.notes[row], self.string[row], self.over[row]
        natural = self._natural_end(row, written_end)
        if int(note["written"]) in self.free:
            return written_end, Reason.FREE, natural[2]
        again = self._again(row, string, self.score.end) if string else -1
        if bool(note["let_ring"]):
            # It rings until a mark, or its string's next stroke; at its written end the tie holds.
            until = self.onset[again] - 1 if again >= 0 else self.score.end
            mark = self._mark(row, until, passed_over=written_end)
            if mark is None:
                return written_end, Reason.FREE, natural[2]
            return mark.onset, Reason.MARKED, self._bass_at(mark.onset)
        mark = self._mark(row, written_end)
        replaced = again >= 0 and self.onset[again] <= (mark.onset if mark else written_end)
        if replaced:
            return self.onset[again], Reason.REPLACED, again
        if mark is not None and mark.onset != written_end:
            return mark.onset, Reason.MARKED, self._bass_at(mark.onset)
        return natural  # a mark where the bass ends in any case changes nothing

    def _natural_end(self, row: int, written_end: int) -> tuple[int, Reason, int]:
        """Return what the written lengths alone ask for."""
        if written_end >= self.end:
            return written_end, Reason.END, -1
        following = self._bass_at(written_end) if written_end > self.onset[row] else -1
        return written_end, Reason.NEXT_BASS if following >= 0 else Reason.REST, following

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

    def _mark(self, row: int, until: int, passed_over: int = -1) -> DampMark | None:
        """Return the first written damping mark that speaks to this note up to ``until``."""
        onset, string = self.onset[row], self.string[row]
        for mark in self.score.damps:
            speaks = mark.everything or mark.string in (None, string)
            if onset < mark.onset <= until and mark.onset != passed_over and speaks:
                return mark
        return None

    def _ways(self, row: int, due: int, time_ms: float | None, next_note: int) -> Ways:
        beside = [r for r in self._sounding(due) if self.string[r] != self.string[row]]
        plays = self.stroke_on.get(due) if due < self.end else None
        return ways_at(
            Moment(
                string=self.string[row],
                fret=self.fret[row],
                thumb_on=self.string[next_note] if next_note >= 0 else plays,
                time_ms=time_ms,
                since_ms=self._since_ms(due),
                fretted=sum(self.fret[r] > 0 for r in beside),
                plucked=sum(self.onset[r] == due and r not in self.thumbed for r in beside),
                held=self.finger[row] > 0 and any(self.finger[r] == self.finger[row] for r in beside),
            ),
            self.score.tuning,
            self.level.ways,
            self.level.return_ms,
        )

    def _time_ms(self, due: int) -> float | None:
        at = bisect_right(self.strokes, due)
        return self._between_ms(due, self.strokes[at]) if at < len(self.strokes) else None

    def _since_ms(self, due: int) -> float:
        at = bisect_left(self.strokes, due) - 1
        return self._between_ms(self.strokes[at], due) if at >= 0 else NEVER_MS

    def _between_ms(self, start: int, end: int) -> float:
        return (self.score.nominal_us(end) - self.score.nominal_us(start)) / 1000 / self.tempo

    def _sounding(self, tick: int, until: int | None = None) -> list[int]:
        """Return the rows that sound at a tick, or from it until another."""
        reach = 16 * self.score.bars[self.score.bar_index(tick)].beat_ticks  # longer notes are forgotten
        first = bisect_left(self.onset, tick - reach)
        last = bisect_right(self.onset, tick) if until is None else bisect_left(self.onset, until)
        return [r for r in range(first, last) if self.over[r] > tick and not self.grace[r]]

    def _ring_over(self, due: int, row: int, next_note: int, reason: Reason) -> tuple[RingOver, int]:
        """Return what is heard at worst if a bass rings on past ``due``, and when.

        Into a rest it rings up to the next bass.
        """
        over = self._ring_over_at(due, row, next_note)
        if reason not in (Reason.REST, Reason.MARKED) or next_note >= 0:
            return over, due
        at = bisect_left(self.bass_onsets, due)
        if at == len(self.basses) or self.string[self.basses[at]] == self.string[row]:
            return over, due
        later = self.bass_onsets[at]
        if later > due + self.score.bars[self.score.bar_index(due)].full_length:
            return over, due  # it will have faded
        there = self._ring_over_at(later, row, self.basses[at])
        return (there, later) if there.rank > over.rank else (over, due)

    def _ring_over_at(self, due: int, row: int, next_note: int) -> RingOver:
        chord, bass = self._chord(due, row, next_note)
        found = self.harmony.at(due) if self.harmony and due < self.end else None
        classes = found.classes if found is not None and found.readings else None
        over = ring_over(self.pitch[row], chord, bass, classes)
        begun = self.harmony.at(self.onset[row]) if self.harmony else None
        if over.below and found is not None and begun is found:
            # It has been this chord's bass all along: what follows is broken off the same chord.
            return replace(over, below=False, clash=Clash.LOW if over.in_chord else over.clash)
        return over

    def _chord(self, due: int, row: int, next_note: int) -> tuple[list[int], int | None]:
        """Return what sounds from the due point until the next bass ends (at least a beat), and the bass."""
        beat = self.score.bars[self.score.bar_index(due)].beat_ticks
        until = max(due + beat, self.over[next_note] if next_note >= 0 else 0)
        rows = [r for r in self._sounding(due, until) if r != row]
        if next_note >= 0:
            return [self.pitch[r] for r in rows], self.pitch[next_note]
        # Into a rest the bar's harmony goes on, and the bass itself belongs to it.
        bar = self.score.bars[self.score.bar_index(self.onset[row])]
        first, last = bisect_left(self.onset, bar.onset), bisect_left(self.onset, due)
        same = [] if due >= bar.end else [r for r in range(first, last) if not self.grace[r]]
        return [self.pitch[r] for r in {*rows, *same, *([row] if same else [])}], None
