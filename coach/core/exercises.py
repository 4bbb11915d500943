"""A short exercise that isolates one stop of a piece, in four stages.

The basses alone; the same under a held note; the piece's tune over them; the bars of the piece around them.
Each stage ends on a bass that comes to rest, so that it can be played again at once, and asks for the very
stop that the piece asks for.  To isolate, to slow down and to count the stop as an action of its own is
usual advice (common practice, no source); so is all that follows from it here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from coach.core import exercise_words as words
from coach.core.cells import Cells
from coach.core.cues import Cue, Section
from coach.core.damping import Reason, Stop, plan_stops, worst_first
from coach.core.excerpts import Excerpt, cut, pulse_of, twice
from coach.core.preparation import Preparation
from coach.core.score import NOTE, TEMPO, TICKS_PER_QUARTER, Array, Bar, Score, make_score
from coach.core.spelling import Key
from coach.core.voices import G3

SLOWLY = 0.6  # of the piece's tempo
COMFORTABLE_MS = 700.0  # twice what a returning thumb needs, there and away again
PULGAR, INDEX = 1, 2  # NOTE.pluck: p, i
SLOWEST = 30.0  # pulses a minute; slower, a bass dies away before its stop is due


@dataclass(frozen=True)
class Exercise:
    """An exercise as written: each bar stands once, ``sections`` say which are played twice."""

    score: Score
    cues: tuple[Cue, ...]
    sections: tuple[Section, ...]
    keys: tuple[Key, ...]  # of each bar, for the spelling
    stop: Stop  # of the piece
    number: int  # the stop's, counted from 1
    eased: bool  # basses of the piece with harder stops of their own come to rest early


def worst(preparation: Preparation) -> Stop | None:
    """Return the stop to mend first, None where nothing is asked for."""
    return next(iter(worst_first(preparation.stops)), None)


def stop_exercise(preparation: Preparation, stop: Stop) -> Exercise:
    """Return the exercise for a stop that is asked for.

    Raises ValueError for one that asks for nothing (``Stop.asked``, ``Stop.ways``).
    """
    if not stop.asked or not stop.ways:
        raise ValueError("the stop asks for nothing")
    return _Maker(preparation, stop).exercise()


class _Maker:
    """Collects the sections."""

    def __init__(self, preparation: Preparation, stop: Stop) -> None:
        self.preparation, self.score, self.stop = preparation, preparation.score, stop
        self.bar = self.score.bar_index(max(stop.due - 1, 0))  # where the bass sounds last
        self.pulse = pulse_of(self.score.bars[self.bar])
        self.sections: list[tuple[str, Excerpt]] = []
        self.cues: list[Cue] = []
        self.eased = False

    def exercise(self) -> Exercise:
        """Return all of it."""
        cells = Cells(self.preparation, self.stop, self.bar)
        for name, excerpt in (
            (words.BASSES_ALONE, cells.alone()),
            (words.HELD_NOTE, cells.held()),
            (words.MOVING_TUNE, self._tune()),
            (words.IN_CONTEXT, self._context()),
        ):
            if excerpt is not None:
                self._add(name, excerpt, counted=excerpt.rows == ())
        number = self.preparation.stops.index(self.stop) + 1
        made, sections, keys = self._score(number)
        return Exercise(
            score=self._slow(made),
            cues=tuple(self.cues),
            sections=sections,
            keys=keys,
            stop=self.stop,
            number=number,
            eased=self.eased,
        )

    # --- what the piece has -----------------------------------------------------------------------

    def _tune(self) -> Excerpt | None:
        """Return the piece from the bass's onset to a pulse after its stop; None where there is no tune."""
        score, stop = self.score, self.stop
        onset = int(score.notes["onset"][stop.note])
        before = max(self.bar - 1, 0)
        start = max(onset, score.bars[before].onset)
        until = min(stop.due + self.pulse, score.end)
        basses = score.notes[score.notes["bass"] & ~score.notes["grace"]]
        later = basses["onset"][(basses["onset"] > stop.due) & (basses["onset"] < until)]
        until = int(later.min()) if len(later) else until  # the next stop is another exercise
        if self.stop.next_note < 0:
            due_basses = basses["onset"] == stop.due
            until = stop.due if due_basses.any() else until
        last = score.bar_index(max(until - 1, 0))
        found = cut(score, score.bar_index(start), last, start, until, (stop.due,), least=self.pulse // 2)
        if bool(found.notes["bass"].all()):
            return None
        found = self._rested(found)
        return twice(found) if len(found.bars) == 1 else found

    def _context(self) -> Excerpt:
        """Return the bar before, the bar and the bar after, with the basses as far as they are no harder."""
        score, stop = self.score, self.stop
        onset_bar = int(score.notes["bar"][stop.note])
        first = max(min(self.bar - 1, max(onset_bar, self.bar - 2)), 0)
        last = min(self.bar + 1, len(score.bars) - 1)
        start, until = score.bars[first].onset, score.bars[last].end
        found = self._rested(cut(score, first, last, start, until, (stop.due,), least=self.pulse // 2))
        return self._eased(found)

    def _rested(self, excerpt: Excerpt) -> Excerpt:
        """Return the excerpt with its last bass ending before the last bar does."""
        notes, marks = excerpt.notes.copy(), excerpt.marks
        bass = np.flatnonzero(notes["bass"])
        over = notes["onset"][bass] + notes["duration"][bass]
        for row in bass[over == excerpt.end].tolist():
            notes["duration"][row] = self._shorter(int(notes["duration"][row]))
            rests = int(notes["onset"][row] + notes["duration"][row])
            if excerpt.rows[row] == self.stop.note:
                marks = tuple(rests if mark == excerpt.end else mark for mark in marks)
        if len(bass):
            last = notes["onset"][bass].max()
            notes["let_ring"][bass[notes["onset"][bass] == last]] = False
        return replace(excerpt, notes=notes, marks=marks)

    def _eased(self, excerpt: Excerpt) -> Excerpt:
        """Return the excerpt with basses resting early whose stops grade worse than the one practised."""
        rank = self.stop.clash.rank
        harder = {stop.note for stop in self.preparation.stops if stop.wanted and stop.clash.rank > rank}
        notes = excerpt.notes.copy()
        over = notes["onset"] + notes["duration"]
        basses = set(notes["onset"][notes["bass"]].tolist())
        for index, row in enumerate(excerpt.rows):
            if row in harder and row != self.stop.note and int(over[index]) in basses:
                self.eased = True
                notes["duration"][index] = self._shorter(int(notes["duration"][index]))
        return replace(excerpt, notes=notes)

    def _shorter(self, length: int) -> int:
        """Return a length with a rest after it: a pulse less, or half of what is no longer than that."""
        return length - self.pulse if length > self.pulse else length // 2

    # --- putting it together ----------------------------------------------------------------------

    def _add(self, name: str, excerpt: Excerpt, *, counted: bool) -> None:
        """Append a section, with its cues: all of them where it is counted, else the practised stop's."""
        at = sum(found.end for _, found in self.sections)
        stop = self.stop
        if counted:
            self.cues += [Cue(at + tick, text) for tick, text in Cells.cues(stop, excerpt)]
        else:
            text = words.stop_cue(stop.string, stop.way)
            self.cues += [Cue(at + mark, text) for mark in excerpt.marks]
        self.sections.append((name, excerpt))

    def _score(self, number: int) -> tuple[Score, tuple[Section, ...], tuple[Key, ...]]:
        bars: list[Bar] = []
        notes: list[Array] = []
        keys: list[Key] = []
        sections: list[Section] = []
        at = 0
        for name, excerpt in self.sections:
            first = len(bars)
            for bar, source in zip(excerpt.bars, excerpt.sources, strict=True):
                count = len(bars)
                bars.append(replace(bar, number=count + 1, onset=bar.onset + at, written=count))
                keys.append(self.preparation.harmony.bar_keys[source])
            moved = excerpt.notes.copy()
            moved["onset"] += at
            notes.append(moved)
            where = words.bars_words([self.score.bars[source].number for source in excerpt.sources])
            told = words.CONTEXT_HEADING.format(name=name, bars=where) if name == words.IN_CONTEXT else name
            sections.append(Section(first, len(bars) - 1, told, twice=True))
            at += excerpt.end
        rows = np.concatenate(notes).astype(NOTE)
        rows = rows[np.lexsort((rows["pitch"], rows["onset"]))]
        rows["written"] = np.arange(len(rows))
        _fingered(rows)
        bar_number = self.score.bars[int(self.score.notes["bar"][self.stop.note])].number
        title = words.TITLE_STOP.format(title=self.score.title, number=number, bar=bar_number)
        qpm = self.score.qpm(self.stop.due) * SLOWLY
        made = make_score(
            rows,
            tuple(bars),
            title=title,
            tuning=self.score.tuning,
            tempo=np.array([(0, qpm)], TEMPO),
            tempo_given=True,
            mode=self.score.mode,
            ids=tuple(f"n{row + 1}" for row in range(len(rows))),
            bar_ids=tuple(f"b{row + 1}" for row in range(len(bars))),
        )
        return made, tuple(sections), tuple(keys)

    def _slow(self, score: Score) -> Score:
        """Return the score slow enough for the thumb, its tempo a whole number of pulses a minute."""
        times = [
            stop.time_ms
            for stop in plan_stops(score)
            if stop.asked and stop.pair == self.stop.pair and stop.time_ms is not None
        ]
        ease = min([1.0, *(time / COMFORTABLE_MS for time in times)])
        quarters = self.pulse / TICKS_PER_QUARTER
        pulses = float(np.floor(max(score.qpm(0) * ease / quarters, min(SLOWEST, score.qpm(0) / quarters))))
        tempo = np.array([(0, max(pulses, 1.0) * quarters)], TEMPO)
        tempo.flags.writeable = False
        return replace(score, tempo=tempo)


def _fingered(notes: Array) -> None:
    """Mark the basses for the thumb, and no other note, so that they are told apart when the file is read.

    A low note that sounds while the bass rests would be taken for it, and is marked for the next finger.
    """
    bass = notes["bass"]
    notes["pluck"][bass & (notes["pluck"] == 0)] = PULGAR
    notes["pluck"][~bass & (notes["pluck"] == PULGAR)] = 0
    starts, over = notes["onset"][bass], notes["onset"][bass] + notes["duration"][bass]
    for note in notes[~bass & (notes["pluck"] == 0) & (notes["pitch"] < G3)]["written"].tolist():
        onset = notes["onset"][note]
        if not ((starts <= onset) & (over > onset)).any():
            notes["pluck"][note] = INDEX


def asks_nothing(stop: Stop) -> str:
    """Return why a stop gives no exercise: a key of ``exercise_words.ASKS_NOTHING``; "" if it can."""
    if stop.reason in (Reason.REPLACED, Reason.FREE):
        return str(stop.reason.value)
    if not stop.ways:
        return "unreachable"
    return "" if stop.wanted else "not-yet"
