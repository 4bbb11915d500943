"""The damping plan: every bass end, its due point, the ways to stop it, and whether it is asked for."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

from coach.core.clash import Clash, RingOver, ring_over
from coach.core.harmony import Harmony
from coach.core.levels import INTERMEDIATE, Level
from coach.core.score import DampMark, Score
from coach.core.ways import Hindrance, Moment, Way, Ways, ways_at

THUMB_ALONE = (Way.RETURNING_THUMB, Way.PLANTED_THUMB)  # ways for which the thumb must be at one place
NEVER_MS = 1e9


class Reason(Enum):
    """Why the bass ends where it does."""

    NEXT_BASS = "next-bass"
    REST = "rest"
    END = "end"
    MARKED = "marked"
    REPLACED = "replaced"
    FREE = "free"


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
    ways: tuple[Way, ...]  # those that serve, easiest first; none where nothing is to be stopped or can be
    barred: tuple[tuple[Way, Hindrance], ...]  # the others, and why they do not serve
    time_ms: float | None  # from the due point to the thumb's next stroke, at the tempo asked for
    over: RingOver  # what would be heard if it rang on
    wanted: bool  # asked for, and judged
    lenient: bool  # at the end of the piece or chunk

    @property
    def way(self) -> Way | None:
        """The way to use: the easiest."""
        return self.ways[0] if self.ways else None

    @property
    def clash(self) -> Clash:
        """How much a ring-over would be heard."""
        return self.over.clash

    @property
    def in_chord(self) -> bool:
        """Whether the ringing note belongs to the harmony that follows."""
        return self.over.in_chord

    @property
    def asked(self) -> bool:
        """Whether anything is to be stopped at all."""
        return self.reason not in (Reason.FREE, Reason.REPLACED)

    @property
    def reachable(self) -> bool:
        """Whether it can be done, or nothing is to be done."""
        return bool(self.ways) or not self.asked

    @property
    def pair(self) -> tuple[int, int | None]:
        """The strings it is about: the ringing one and the one the thumb plays."""
        return self.string, self.next_string


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
    return _one_thumb([planner.stop(row) for row in basses], level)


def worst_first(stops: Sequence[Stop]) -> list[Stop]:
    """Return the stops that are asked for, the one to mend first in front."""
    return sorted((s for s in stops if s.wanted), key=lambda s: s.over.rank, reverse=True)


def _one_thumb(stops: list[Stop], level: Level) -> tuple[Stop, ...]:
    """Let the thumb stop one string at a time, or two that lie side by side (common practice, no source)."""
    together: dict[int, list[int]] = defaultdict(list)
    for index, stop in enumerate(stops):
        if stop.wanted and stop.way in THUMB_ALONE:
            together[stop.due].append(index)
    for indices in together.values():
        strings = {stops[i].string for i in indices}
        if max(strings) - min(strings) <= 1:
            continue
        first = max(indices, key=lambda i: stops[i].over.rank)
        for index in indices:
            if abs(stops[index].string - stops[first].string) > 1:
                stops[index] = _without_thumb(stops[index], level)
    return tuple(stops)


def _without_thumb(stop: Stop, level: Level) -> Stop:
    ways = tuple(way for way in stop.ways if way not in THUMB_ALONE)
    taken = tuple((way, Hindrance.HAND_BUSY) for way in stop.ways if way in THUMB_ALONE)
    return replace(stop, ways=ways, barred=taken + stop.barred, wanted=bool(ways))


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
        self.grace: list[bool] = notes["grace"].tolist()
        self.basses = basses
        self.bass_onsets = [self.onset[row] for row in basses]
        by_thumb = {row for row in range(len(notes)) if notes["pluck"][row] == 1} - set(basses)
        self.thumbed = by_thumb | set(basses)
        self.stroke_on: dict[int, int] = {}  # tick of a thumb stroke -> its string, a bass's before another's
        for row in (*basses, *sorted(by_thumb)):
            self.stroke_on.setdefault(self.onset[row], self.string[row])
        self.strokes = sorted(self.stroke_on)
        self.by_string: dict[int, list[int]] = defaultdict(list)
        for row, string in enumerate(self.string):
            if string:
                self.by_string[string].append(row)
        self.string_onsets = {s: [self.onset[r] for r in rows] for s, rows in self.by_string.items()}

    def stop(self, row: int) -> Stop:
        due, reason, next_note = self._end(row)
        over = self._ring_over(due, row, next_note)
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
        )

    def _wanted(self, row: int, reason: Reason, over: RingOver) -> bool:
        """Return whether the level asks for a stop of this kind."""
        level = self.level
        if self.fret[row] > 0 and not level.fretted:
            return False
        if reason is Reason.END:
            return level.end
        return reason is not Reason.NEXT_BASS or over.clash.rank >= level.least.rank

    def _end(self, row: int) -> tuple[int, Reason, int]:
        """Return due tick, reason and the note that starts there."""
        note, string, written_end = self.score.notes[row], self.string[row], self.over[row]
        natural = self._natural_end(row, written_end)
        if int(note["written"]) in self.free:
            return written_end, Reason.FREE, natural[2]
        again = self._again(row, string, self.score.end) if string else -1
        rings = bool(note["let_ring"])
        until = written_end if not rings else self.onset[again] if again >= 0 else self.score.end
        mark = self._mark(row, until)
        replaced = again >= 0 and self.onset[again] <= (mark.onset if mark else written_end)
        if rings and mark is None:
            return written_end, Reason.FREE, natural[2]
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

    def _mark(self, row: int, until: int) -> DampMark | None:
        """Return the first written damping mark that speaks to this note up to ``until``."""
        onset, string = self.onset[row], self.string[row]
        for mark in self.score.damps:
            if onset < mark.onset <= until and (mark.everything or mark.string in (None, string)):
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

    def _ring_over(self, due: int, row: int, next_note: int) -> RingOver:
        """Return what is heard if a bass rings on past ``due``."""
        chord, bass = self._chord(due, row, next_note)
        found = self.harmony.at(due) if self.harmony and due < self.end else None
        classes = found.classes if found is not None and found.readings else None
        return ring_over(self.pitch[row], chord, bass, classes)

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
