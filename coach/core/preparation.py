"""Everything a teacher would pencil into a score before the first note."""

from __future__ import annotations

from dataclasses import dataclass

from coach.core.damping import Stop, plan_stops
from coach.core.harmony import Harmony, analyse
from coach.core.levels import INTERMEDIATE, Level
from coach.core.phrases import Form, find_form
from coach.core.score import Score


@dataclass(frozen=True, slots=True)
class Preparation:
    """A score with strings and fingers, its harmony, its damping plan and its form.

    A stop's number is its place in ``stops``, counted from 1.
    """

    score: Score
    harmony: Harmony
    stops: tuple[Stop, ...]
    form: Form
    level: Level = INTERMEDIATE
    tempo: float = 1.0  # times the written tempo, by which the thumb's time was reckoned

    def first_rounds(self) -> list[tuple[int, Stop]]:
        """Return (number, stop) of each bass end once.

        Where a written note is played again (a repeat) and ends alike, its first time stands for all.
        """
        seen: set[tuple[int, object]] = set()
        found: list[tuple[int, Stop]] = []
        notes, bars = self.score.notes, self.score.bars
        for number, stop in enumerate(self.stops, 1):
            written = int(notes["written"][stop.note])
            due_bar = bars[self.score.bar_index(stop.due)].written
            next_note = int(notes["written"][stop.next_note]) if stop.next_note >= 0 else -1
            ends = (stop.reason, due_bar, next_note, stop.ways, stop.wanted)
            if (written, ends) not in seen:
                seen.add((written, ends))
                found.append((number, stop))
        return found


def prepare(
    score: Score, *, free: frozenset[int] = frozenset(), tempo: float = 1.0, level: Level = INTERMEDIATE
) -> Preparation:
    """Return the preparation of a score whose strings are assigned.

    ``free``: written-note indices that taste lets ring; ``tempo``: times the written tempo.
    """
    harmony = analyse(score)
    stops = plan_stops(score, free=free, tempo=tempo, harmony=harmony, level=level)
    return Preparation(score, harmony, stops, find_form(score), level, tempo)
