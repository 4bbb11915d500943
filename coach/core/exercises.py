"""A short exercise that isolates one stop of a piece, in four stages.

The basses alone; the same under a held note; the piece's tune over them; the bars of the piece around them,
as they are written.  The first three end on a bass that comes to rest, so that each can be played again at
once, and ask for no stop that is worse than the one practised: where the way back to the first bass would
be, a bar of rest stands before it.  To isolate, to slow down and to count the stop as an action of its own
is usual advice (common practice, no source); so is all that follows from it here.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace

import numpy as np

from coach.core import exercise_words as words
from coach.core.cells import Cells
from coach.core.cues import Cue, Section
from coach.core.damping import Reason, Stop, plan_stops, worst_first
from coach.core.excerpts import Excerpt, cut, pulse_of
from coach.core.harmony import analyse
from coach.core.moving_tune import tune_around
from coach.core.preparation import Preparation
from coach.core.score import NOTE, TEMPO, TICKS_PER_QUARTER, Array, Bar, Score, make_score
from coach.core.spelling import Key, spell
from coach.core.voices import G3

SLOWLY = 0.6  # of the piece's tempo
COMFORTABLE_MS = 700.0  # twice what a returning thumb needs, there and away again
PULGAR, INDEX = 1, 2  # NOTE.pluck: p, i
SLOWEST = 30.0  # pulses a minute; slower, a bass dies away before its stop is due

Stage = tuple[str, Excerpt]


@dataclass(frozen=True)
class Exercise:
    """An exercise as written: each bar stands once, ``sections`` say which are played twice."""

    score: Score
    cues: tuple[Cue, ...]
    sections: tuple[Section, ...]
    keys: tuple[Key, ...]  # of each bar, for the spelling
    stop: Stop  # of the piece
    number: int  # the stop's, counted from 1


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
    """Makes the stages and puts them together."""

    def __init__(self, preparation: Preparation, stop: Stop) -> None:
        self.preparation, self.score, self.stop = preparation, preparation.score, stop
        self.bar = self.score.bar_index(max(stop.due - 1, 0))  # where the bass sounds last
        self.pulse = pulse_of(self.score.bars[self.bar])
        self.cells = Cells(preparation, stop, self.bar)

    def exercise(self) -> Exercise:
        """Return all of it."""
        number = self.preparation.stops.index(self.stop) + 1
        stages = self._stages(frozenset())
        if harder := self._harder(stages):
            stages = self._stages(harder)
        made, sections, keys = self._score(stages, number)
        return Exercise(
            score=self._slow(made),
            cues=tuple(Cue(tick, text) for tick, text in self.cells.cues()),
            sections=sections,
            keys=keys,
            stop=self.stop,
            number=number,
        )

    def _stages(self, spaced: frozenset[str]) -> list[Stage]:
        """Return the stages by name; those ``spaced`` end with a bar of rest."""
        found = [
            (words.BASSES_ALONE, self.cells.alone(words.BASSES_ALONE in spaced)),
            (words.HELD_NOTE, self.cells.held(words.HELD_NOTE in spaced)),
            (words.MOVING_TUNE, tune_around(self.score, self.stop, self.cells, words.MOVING_TUNE in spaced)),
            (words.IN_CONTEXT, self._context()),
        ]
        return [(name, excerpt) for name, excerpt in found if excerpt is not None]

    def _harder(self, stages: list[Stage]) -> frozenset[str]:
        """Return the stages but the last that ask for a worse stop than the one practised, as played."""
        played = [stage for stage in stages[:-1] for _ in range(2)] + stages[-1:]
        score, _, _ = self._score(played, 1)
        plan = plan_stops(score, harmony=analyse(score), level=self.preparation.level)
        names = [name for name, excerpt in played for _ in excerpt.bars]
        return frozenset(
            names[score.notes["bar"][found.note]]
            for found in plan
            if found.wanted and found.pair != self.stop.pair and found.clash.rank > self.stop.clash.rank
        ) - {words.IN_CONTEXT}

    # --- what the piece has -----------------------------------------------------------------------

    def _context(self) -> Excerpt:
        """Return the bar before, the bar and the bar after."""
        score, stop = self.score, self.stop
        onset_bar = int(score.notes["bar"][stop.note])
        first = max(min(self.bar - 1, max(onset_bar, self.bar - 2)), 0)
        last = min(self.bar + 1, len(score.bars) - 1)
        start, until = score.bars[first].onset, score.bars[last].end
        return cut(score, first, last, start, until, (stop.due,))

    # --- putting it together ----------------------------------------------------------------------

    def _score(self, stages: list[Stage], number: int) -> tuple[Score, tuple[Section, ...], tuple[Key, ...]]:
        """Return stages one after the other, with their headings and the keys of their bars."""
        bars: list[Bar] = []
        notes: list[Array] = []
        keys: list[Key] = []
        sections: list[Section] = []
        at = 0
        for name, excerpt in stages:
            first = len(bars)
            for bar, source in zip(excerpt.bars, excerpt.sources, strict=True):
                count = len(bars)
                bars.append(replace(bar, number=count + 1, onset=bar.onset + at, written=count))
                keys.append(self.preparation.harmony.bar_keys[source])
            moved = excerpt.notes.copy()
            moved["onset"] += at
            notes.append(moved)
            heading, last = self._heading(name, excerpt), name == words.IN_CONTEXT
            sections.append(Section(first, len(bars) - 1, heading, twice=not last))
            at += excerpt.end
        rows = np.concatenate(notes).astype(NOTE)
        rows = rows[np.lexsort((rows["pitch"], rows["onset"]))]
        places = self._places(rows, bars, keys)
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
            mode=self._mode(),
            places=places,
            ids=tuple(f"n{row + 1}" for row in range(len(rows))),
            bar_ids=tuple(f"b{row + 1}" for row in range(len(bars))),
        )
        return made, tuple(sections), tuple(keys)

    def _places(self, rows: Array, bars: list[Bar], keys: list[Key]) -> tuple[int, ...]:
        """Return how notes are spelt: as in the piece, those made up by their bar's key; empty if unknown."""
        known = self.score.places
        if not known:
            return ()
        starts = [bar.onset for bar in bars]
        return tuple(
            known[written] if written >= 0 else spell(pitch, keys[bisect_right(starts, onset) - 1])
            for written, pitch, onset in rows[["written", "pitch", "onset"]].tolist()
        )

    def _heading(self, name: str, excerpt: Excerpt) -> str:
        """Return what stands over a stage: the first tells the way to stop, the last the bars."""
        if name == words.BASSES_ALONE:
            return words.way_heading(name, self.stop.string, self.stop.way)
        if name == words.IN_CONTEXT:
            where = words.bars_words([self.score.bars[source].number for source in excerpt.sources])
            return words.CONTEXT_HEADING.format(name=name, bars=where)
        return name

    def _mode(self) -> str:
        """Return the mode that keeps the piece's key, or that of the bars, under their signature."""
        harmony, fifths = self.preparation.harmony, self.score.bars[self.bar].fifths
        for key in (harmony.key, harmony.bar_keys[self.bar]):
            if key.fifths == fifths:
                return "minor" if key.minor else "major"
        return self.score.mode

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
    if stop.wanted:
        return ""
    return "broken" if stop.broken else "not-yet"
